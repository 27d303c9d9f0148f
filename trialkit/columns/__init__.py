"""What every column holds: the glossary, and the registers built on it."""

from trialkit.columns.column import Column
from trialkit.columns.glossary import (
    COLUMNS,
    LOG_COLUMNS,
    VALUE_COLUMNS,
    WITH_TEMPERATURE,
    find_column,
    head,
    house_unit,
    log_columns,
    to_house_unit,
    unit_for,
    units_for,
    value_columns,
)
from trialkit.columns.harvest import (
    HARVEST_COLUMNS,
    HarvestColumn,
    adds_up,
    own_column,
    responses,
)

__all__ = [
    "COLUMNS",
    "HARVEST_COLUMNS",
    "LOG_COLUMNS",
    "VALUE_COLUMNS",
    "WITH_TEMPERATURE",
    "Column",
    "HarvestColumn",
    "adds_up",
    "find_column",
    "head",
    "house_unit",
    "log_columns",
    "own_column",
    "responses",
    "to_house_unit",
    "unit_for",
    "units_for",
    "value_columns",
]
