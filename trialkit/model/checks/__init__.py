"""What could mislead in a fit: influence, outliers, spread, scale."""
