"""The glossary in code: column names, their units and how to reach them.

Every column of every table that trialkit gives out is named here first.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from trialkit.columns.channels import CHANNELS
from trialkit.columns.exposures import EXPOSURE


@dataclass(frozen=True)
class Column:
    """One column of the glossary.

    Parameters
    ----------
    name : str
        Column name in tables.
    unit : str
        Unit as shown to people; empty where there is none.
    label : str
        Short label for figures and tables.
    meaning : str
        What it holds, in one sentence.
    """

    name: str
    unit: str
    label: str
    meaning: str

    @property
    def head(self) -> str:
        """Label with its unit, for a table head or an axis."""
        return f"{self.label} [{self.unit}]" if self.unit else self.label


_ROWS = [
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
    ("fresh_g", "g", "fresh weight", "fresh mushrooms harvested from a unit in a flush"),
    ("dry_g", "g", "dry weight", "the same mushrooms after drying"),
    ("caps", "count", "caps", "number of mushrooms harvested"),
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
COLUMNS: dict[str, Column] = {row[0]: Column(*row) for row in _ROWS}
COLUMNS |= {c.coverage: Column(c.coverage, "%", c.label, c.meaning) for c in CHANNELS}
COLUMNS |= {e.column: Column(e.column, e.unit, e.label, e.meaning) for e in EXPOSURE.values()}

#: Columns each kind of log may carry, in the order they are shown.
LOG_COLUMNS: dict[str, tuple[str, ...]] = {
    "harvest": ("unit", "flush", "time", "fresh_g", "dry_g", "caps", "status", "note"),
    "environment": (
        "time", "chamber", "sensor", "shelf", "temp_c", "rh_pct", "co2_ppm", "light_lux",
        "ppfd_umol_m2_s",
    ),
    "mist": ("time", "chamber", "state", "start", "stop", "on_s", "power_w", "current_a"),
}  # fmt: skip

# value in the house unit = value × factor + offset
_TO_HOUSE: dict[str, dict[str, tuple[float, float]]] = {
    "g": {"g": (1, 0), "kg": (1000, 0), "mg": (1e-3, 0), "oz": (28.349523125, 0),
          "lb": (453.59237, 0)},
    "°C": {"degC": (1, 0), "°C": (1, 0), "C": (1, 0), "degF": (5 / 9, -160 / 9),
           "°F": (5 / 9, -160 / 9), "F": (5 / 9, -160 / 9), "K": (1, -273.15)},
    "%": {"%": (1, 0), "percent": (1, 0), "fraction": (100, 0)},
    "kPa": {"kPa": (1, 0), "hPa": (0.1, 0), "mbar": (0.1, 0), "Pa": (1e-3, 0)},
    "ppm": {"ppm": (1, 0), "%": (1e4, 0)},
    "lux": {"lux": (1, 0), "klux": (1000, 0), "fc": (10.763910416709722, 0)},
    "µmol m⁻² s⁻¹": {"umol_m2_s": (1, 0)},
    "s": {"s": (1, 0), "min": (60, 0), "h": (3600, 0), "ms": (1e-3, 0)},
    "h": {"h": (1, 0), "min": (1 / 60, 0), "s": (1 / 3600, 0)},
    "W": {"W": (1, 0), "kW": (1000, 0)},
    "A": {"A": (1, 0), "mA": (1e-3, 0)},
    "L": {"L": (1, 0), "mL": (1e-3, 0), "gal_us": (3.785411784, 0)},
    "count": {"count": (1, 0)},
}  # fmt: skip


def head(name: str) -> str:
    """Give the label and unit of a column, or its bare name if it is not in the glossary.

    Examples
    --------
    >>> head("fresh_g"), head("something")
    ('fresh weight [g]', 'something')
    """
    return COLUMNS[name].head if name in COLUMNS else name


def units_for(name: str) -> tuple[str, ...]:
    """List the units that a column's values may be given in.

    Examples
    --------
    >>> units_for("fresh_g")
    ('g', 'kg', 'mg', 'oz', 'lb')
    """
    return tuple(_TO_HOUSE.get(COLUMNS[name].unit, {})) if name in COLUMNS else ()


def to_house_unit(values: Any, name: str, unit: str) -> Any:
    """Convert values of a column from a stated unit to the house unit.

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

    Notes
    -----
    Ounce and pound are the international avoirdupois units (28.349523125 g, 453.59237 g,
    exact since 1959); the foot-candle is one lumen per square foot.

    Examples
    --------
    >>> to_house_unit(212.0, "temp_c", "degF"), to_house_unit(1.0, "fresh_g", "oz")
    (100.0, 28.349523125)
    """
    factor, offset = _TO_HOUSE[COLUMNS[name].unit][unit]
    if (factor, offset) == (1, 0):
        return values
    if unit in ("degF", "°F", "F"):
        return (values - 32) * 5 / 9  # exact at the fixed points, unlike factor and offset
    return values * factor + offset
