"""From logs to exposures: windows, sums over time, and the table that is analysed."""
