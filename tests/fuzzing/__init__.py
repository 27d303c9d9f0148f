"""Hostile files by the thousand: how they are made, and how it is judged what became of them."""
