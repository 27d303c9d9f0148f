"""Bytes to cells: files, encodings, dialects, numbers, times and names; no Trial is known here."""
