"""logs stage."""
