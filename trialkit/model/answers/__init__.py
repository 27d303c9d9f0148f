"""What one asks of a fit: means, comparisons, contrasts, ratios, limits of variances."""
