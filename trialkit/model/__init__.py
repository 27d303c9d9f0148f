"""Mixed models for designed trials: tables and column names in, frozen results out."""
