"""The response over settings given as numbers: its shape, its best region, and what to choose."""
