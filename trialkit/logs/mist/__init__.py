"""The mist logs: cells to intervals with the mist on, each row accounted for."""
