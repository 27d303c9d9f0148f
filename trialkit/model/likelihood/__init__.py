"""The restricted likelihood: cross-products, its value and its maximum, small and large."""
