"""A plan on paper and on disk: map, cards, labels, workbook, forms, the plan's folder."""
