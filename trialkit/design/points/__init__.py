"""Which settings to try, and where: plans that know most about the best setting."""
