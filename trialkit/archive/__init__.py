"""One archive with which a colleague repeats an analysis elsewhere, in R."""
