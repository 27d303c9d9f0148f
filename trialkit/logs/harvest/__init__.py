"""The harvest sheets: cells to weights per unit and flush, each row accounted for."""
