"""A trial's day: what every chamber does now, what is due, what is wrong and what to do."""
