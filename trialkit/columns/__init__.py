"""What every column holds: the glossary, and the registers built on it."""

from trialkit.columns.glossary import (
    COLUMNS,
    LOG_COLUMNS,
    Column,
    head,
    to_house_unit,
    units_for,
)

__all__ = ["COLUMNS", "LOG_COLUMNS", "Column", "head", "to_house_unit", "units_for"]
