"""The decision: what the trial says, what it saves, and what is still open."""
