"""The glossary in code: column names, their units and how to reach them.

Every column of every table that trialkit gives out is named here first; what people read of it
stands in the catalogue of words.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from trialkit.columns.channels import CHANNELS, READ
from trialkit.columns.column import Column
from trialkit.columns.exposures import EXPOSURE
from trialkit.columns.harvest import HARVEST_COLUMNS, HarvestColumn
from trialkit.units import convert, units_of

_ROWS: tuple[Column, ...] = (
    Column("batch", ""),
    Column("chamber", ""),
    Column("shelf", ""),
    Column("block", ""),
    Column("unit", ""),
    Column("flush", ""),
    Column("time_block", ""),
    Column("start_no", ""),
    Column("window", ""),
    Column("time", ""),
    Column("start", ""),
    Column("stop", ""),
    Column("sensor", ""),
    *HARVEST_COLUMNS.values(),
    Column("status", ""),
    Column("note", ""),
    Column("wet_g", "g"),
    Column("dry_substrate_g", "g"),
    Column("be_pct", "%"),
    Column("days", "d"),
    Column("mist_coverage_pct", "%"),
    Column("low_coverage", ""),
    Column("rh_u_pct", "%"),
    Column("vpd_u_kpa", "kPa"),
    Column("reading_s", "s"),
    Column("cycle_s", "s"),
    Column("phases_missed_pct", "%"),
    Column("rh_slow_pct", "%"),
    Column("hours_below_band_least", "h"),
    Column("hours_below_band_most", "h"),
    Column("hours_in_band_least", "h"),
    Column("hours_in_band_most", "h"),
    Column("hours_above_band_least", "h"),
    Column("hours_above_band_most", "h"),
    Column("sensors", "count"),
    Column("rh_apart_pct", "%"),
    Column("temp_apart_c", "°C"),
    Column("pulses", "count"),
    Column("pulse_s", "s"),
    Column("answered", "count"),
    Column("around_rh_pct", "%"),
    Column("seen_pct", "%"),
    Column("response_kpa", "kPa"),
    Column("response_pct", "%"),
    Column("lost_on_s", "s"),
    Column("planned_duty_pct", "%"),
    Column("delivered_duty_pct", "%"),
    Column("effective_duty_pct", "%"),
    Column("harvest_time", ""),
    Column("run", ""),
    Column("quantity", ""),
    Column("flag", ""),
    Column("fault", ""),
    Column("records", "count"),
    Column("action", ""),
    Column("because", ""),
    Column("share_pct", "%"),
    Column("coverage_pct", "%"),
    Column("window_h", "h"),
    Column("on_s", "s"),
    Column("off_s", "s"),
    Column("power_w", "W"),
    Column("current_a", "A"),
    Column("state", ""),
    Column("lux", "lux"),
    Column("hours", "h"),
)

#: The glossary: column name → `Column`.
COLUMNS: dict[str, Column] = {column.name: column for column in _ROWS}
COLUMNS |= {c.coverage: Column(c.coverage, "%") for c in CHANNELS}
COLUMNS |= {e.column: Column(e.column, e.unit) for e in EXPOSURE.values()}

#: Columns that hold a measured value, by kind of log.
VALUE_COLUMNS: dict[str, tuple[str, ...]] = {
    "harvest": tuple(HARVEST_COLUMNS),
    "environment": READ,
    "mist": ("state", "power_w", "current_a", "on_s"),
}

#: Columns each kind of log may carry, in the order they are shown.
LOG_COLUMNS: dict[str, tuple[str, ...]] = {
    "harvest": ("unit", "flush", "time", *HARVEST_COLUMNS, "status", "note"),
    "environment": ("time", "chamber", "sensor", "shelf", *VALUE_COLUMNS["environment"]),
    "mist": ("time", "chamber", "state", "start", "stop", "on_s", "power_w", "current_a"),
}

#: Harvest columns that a trial file adds: name → entry.
Own = Mapping[str, HarvestColumn]
_NONE: Own = {}


def log_columns(kind: str, own: Own = _NONE) -> tuple[str, ...]:
    """List the columns that a kind of log may carry, with those that a trial file adds.

    Examples
    --------
    >>> log_columns("harvest")[-3:]
    ('caps', 'status', 'note')
    """
    known = LOG_COLUMNS[kind]
    return (*known[:-2], *own, *known[-2:]) if kind == "harvest" and own else known


def value_columns(kind: str, own: Own = _NONE) -> tuple[str, ...]:
    """List the columns of a kind of log that hold a measured value.

    Examples
    --------
    >>> value_columns("harvest")
    ('fresh_g', 'dry_g', 'caps')
    """
    return (*VALUE_COLUMNS[kind], *own) if kind == "harvest" else VALUE_COLUMNS[kind]


def find_column(name: str, own: Own = _NONE) -> Column | None:
    """Find a column in the glossary or among those that a trial file adds; None if unknown."""
    return own.get(name) or COLUMNS.get(name)


def head(name: str, own: Own = _NONE) -> str:
    """Give the label and unit of a column, or its bare name if it is not in the glossary.

    Examples
    --------
    >>> head("fresh_g"), head("something")
    ('fresh weight [g]', 'something')
    """
    column = find_column(name, own)
    return name if column is None else column.head


def house_unit(name: str, own: Own = _NONE) -> str:
    """Give the unit that a column is kept in; empty where it has none.

    Examples
    --------
    >>> house_unit("fresh_g"), house_unit("note")
    ('g', '')
    """
    column = find_column(name, own)
    return "" if column is None else column.unit


def units_for(name: str, own: Own = _NONE) -> tuple[str, ...]:
    """List the units that a column's values may be given in.

    Examples
    --------
    >>> units_for("fresh_g")
    ('g', 'kg', 'mg', 'oz', 'lb')
    """
    return units_of(house_unit(name, own))


def to_house_unit(values: Any, name: str, unit: str) -> Any:
    """Convert values of a column from a stated unit to the house unit (see `trialkit.units`).

    Parameters
    ----------
    values : float, ndarray or Series
        Values in `unit`.
    name : str
        Column of the glossary, such as ``"temp_c"``.
    unit : str
        Unit the values are in, one of ``units_for(name)``.

    Returns
    -------
    Same type as `values`, in the house unit.

    Raises
    ------
    KeyError
        If the unit is not known for this column.

    Examples
    --------
    >>> to_house_unit(212.0, "temp_c", "degF"), to_house_unit(1.0, "fresh_g", "oz")
    (100.0, 28.349523125)
    """
    return convert(values, unit, COLUMNS[name].unit)
