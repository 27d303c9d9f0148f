"""What a trial can find out: questions, formulas, simulation, what to add."""
