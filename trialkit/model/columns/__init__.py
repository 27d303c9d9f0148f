"""From a table to columns: formulas, fixed and random terms, what can be told apart."""
