"""Looks on the way: spending functions, boundaries, and the level of each look."""
