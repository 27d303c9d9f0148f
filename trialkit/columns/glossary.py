"""The glossary in code: column names, their units and how to reach them.

Every column of every table that trialkit gives out is named here first.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from trialkit.columns.channels import CHANNELS, READ
from trialkit.columns.column import Column
from trialkit.columns.exposures import EXPOSURE
from trialkit.columns.harvest import HARVEST_COLUMNS, HarvestColumn
from trialkit.units import convert, units_of

_ROWS: list[tuple[str, str, str, str] | Column] = [
    ("batch", "", "batch", "blocks that enter fruiting together: a replicate in time"),
    ("chamber", "", "chamber", "an enclosed space with one climate and one mist line"),
    ("shelf", "", "shelf", "a place in a chamber"),
    ("block", "", "block", "a growing block or bag, the smallest thing weighed"),
    ("unit", "", "unit", "code of the smallest unit: its unit levels joined by '-'"),
    ("flush", "", "flush", "one wave of mushrooms from the same block (1, 2, 3 …)"),
    ("window", "", "window", "a stretch of time whose exposure is summed"),
    ("time", "", "time", "moment of a record, stored in UTC"),
    ("start", "", "start", "first moment of an interval, UTC"),
    ("stop", "", "stop", "last moment of an interval, UTC"),
    ("sensor", "", "sensor", "name of the sensor that gave the record"),
    *HARVEST_COLUMNS.values(),
    ("status", "", "status", "ok, contaminated or discarded"),
    ("note", "", "note", "free words from the grower"),
    ("wet_g", "g", "block weight", "weight of a block when it enters fruiting"),
    ("dry_substrate_g", "g", "dry substrate", "dry matter of the substrate in a block"),
    ("be_pct", "%", "biological efficiency", "100 × fresh mushrooms / dry substrate"),
    ("days", "d", "days to harvest", "start of fruiting to harvest"),
    ("mist_coverage_pct", "%", "mist log coverage", "share of the window the mist log spans"),
    ("low_coverage", "", "low coverage", "too little of the window is covered to rely on it"),
    ("rh_u_pct", "%", "humidity uncertainty", "standard uncertainty of the mean humidity"),
    ("vpd_u_kpa", "kPa", "deficit uncertainty", "standard uncertainty of the mean deficit"),
    ("sensors", "count", "sensors", "sensors that were averaged"),
    ("rh_apart_pct", "%", "humidity apart", "highest minus lowest mean among the sensors"),
    ("temp_apart_c", "°C", "temperature apart", "highest minus lowest mean among the sensors"),
    ("pulses", "count", "pulses", "times the mist was switched on"),
    ("pulse_s", "s", "pulse length", "usual length of a pulse of mist"),
    ("response_kpa", "kPa", "response", "usual lift of the vapour pressure after a pulse"),
    ("response_pct", "%", "response", "lift after pulses, share of the usual one of the run"),
    ("lost_on_s", "s", "mist lost", "mist commanded while no vapour followed"),
    ("planned_duty_pct", "%", "planned duty", "duty cycle of the schedule as set"),
    ("delivered_duty_pct", "%", "delivered duty", "duty cycle by the mist log"),
    ("effective_duty_pct", "%", "effective duty", "duty cycle that vapour followed"),
    ("harvest_time", "", "harvested", "moment of the harvest, UTC"),
    ("run", "", "chamber run", "one chamber during one batch"),
    ("quantity", "", "quantity", "column whose readings a flag is about"),
    ("flag", "", "flag", "what is wrong with a sensor"),
    ("fault", "", "trouble", "what is wrong with the mist"),
    ("records", "count", "records", "records concerned"),
    ("action", "", "action", "whether readings are used"),
    ("because", "", "reason", "why the trial file overrides a flag, or leaves readings out"),
    ("share_pct", "%", "share of the run", "part of the chamber run concerned"),
    ("coverage_pct", "%", "coverage", "share of the window covered by sound records"),
    ("window_h", "h", "window length", "length of the window"),
    ("on_s", "s", "on", "seconds of mist in one cycle"),
    ("off_s", "s", "off", "seconds without mist in one cycle"),
    ("power_w", "W", "power", "electrical power drawn by the mist rig"),
    ("current_a", "A", "current", "electrical current drawn by the mist rig"),
    ("state", "", "state", "mist on or off"),
    ("lux", "lux", "light", "illuminance set for a level"),
    ("hours", "h", "hours of light a day", "hours of light a day set for a level"),
]

#: The glossary: column name → `Column`.
COLUMNS: dict[str, Column] = {
    column.name: column
    for column in (row if isinstance(row, Column) else Column(*row) for row in _ROWS)
}
COLUMNS |= {c.coverage: Column(c.coverage, "%", c.label, c.meaning) for c in CHANNELS}
COLUMNS |= {e.column: Column(e.column, e.unit, e.label, e.meaning) for e in EXPOSURE.values()}

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
