"""What the harvest says of the treatments: the trial's own model, its checks, its companions."""
