"""design stage."""
