"""Where treatments go: units, arrangements, constraints, the random draw, the plan's data."""
