"""Clocks of loggers: zones and their changes, corrections, and clocks that are wrong."""
