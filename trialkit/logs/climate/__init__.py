"""The climate logs: cells to series of records, each row accounted for."""
