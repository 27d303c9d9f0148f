"""Answers of many trials, of one farm or of several: small files without logs, and their pool."""
