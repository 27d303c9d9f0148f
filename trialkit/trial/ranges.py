"""A treatment given as a range of numbers: the levels that can be set."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from trialkit.errors import DesignError, Fault
from trialkit.settings.setting_range import SettingRange
from trialkit.trial.sections import RangeSection, Setting

if TYPE_CHECKING:
    from collections.abc import Mapping

#: Steps of a range that names none.
_STEPS = 8
#: Most values that a range may have.
_MOST = 200
#: What can be tuned → its unit, and as a level's name ends.
TUNED = {
    "duty_pct": "% of the time",
    "start_below_rh": "% humidity",
    "lux": "lux",
    "ppfd_umol_m2_s": "µmol m⁻² s⁻¹",
    "hours": "h",
    "value": "",
}


def number_of(setting: Setting, tuned: str) -> float | None:
    """Give the number of a setting that is tuned; None where it has none."""
    found = getattr(setting, tuned)
    return None if found is None else float(found)


def levels_of_range(
    section: RangeSection, levels: Mapping[str, Setting], control: str | None, where: str
) -> tuple[dict[str, Setting], SettingRange | None, list[Fault]]:
    """Make a level of every value that can be set, beside the control.

    Parameters
    ----------
    section : RangeSection
    levels : mapping
        Levels that the trial file names: the control alone.
    control : str or None
    where : str
        Place in the trial file.

    Returns
    -------
    levels : dict
        The control first, then one level per value, by rising value.
    tuned : SettingRange or None
        None where there are faults.
    faults : list of Fault
    """
    name, ends = section.tuned
    if control is None or list(levels) != [control]:
        what = "a treatment with a range has one named level, the control"
        return dict(levels), None, [Fault(where, what, "name today's setting and make it control")]
    today = number_of(levels[control], name)
    if today is None:
        what = f"the control has no {name}"
        return dict(levels), None, [Fault(where, what, "give it the setting that the range is of")]
    values = _values(section, ends)
    if len(values) > _MOST:
        what = f"the range has {len(values)} values, more than {_MOST}"
        return dict(levels), None, [Fault(where, what, "make step larger")]
    made: dict[float, tuple[float, Setting]] = {}
    for value in values:
        setting = _made(section, levels[control], name, value)
        if setting is None:
            what = f"{name} = {value:g} cannot be set with the other values"
            return dict(levels), None, [Fault(where, what, "change on_s, width or the range")]
        got = number_of(setting, name)
        if got is not None:
            made.setdefault(round(got, 6), (value, setting))
    unit = section.unit or TUNED[name]
    try:
        tuned = SettingRange(
            name, min([*made, today]), max([*made, today]), today, unit, tuple(made)
        )
    except DesignError as problem:
        return dict(levels), None, [Fault(where, str(problem), "change the range or step")]
    out = dict(levels)
    for got, (value, setting) in sorted(made.items()):
        if abs(got - today) > 1e-6:
            out[_level_name(value, name, unit.split(" ")[0])] = setting
    return out, tuned, []


def _values(section: RangeSection, ends: list[float]) -> list[float]:
    """List the values of a range."""
    if section.values:
        return sorted(set(section.values))
    low, high = ends
    step = section.step or (high - low) / _STEPS
    count = math.floor((high - low) / step + 1e-9)
    return [round(low + i * step, 9) for i in range(min(count, _MOST) + 1)]


def _made(section: RangeSection, today: Setting, name: str, value: float) -> Setting | None:
    """Make the setting of one value; None where it cannot be."""
    if name == "duty_pct":
        on = section.on_s or today.on_s
        if not on or not 0 < value < 100:
            return None
        off = float(np.round(on * (100 / value - 1)))
        return Setting(on_s=on, off_s=off, note=today.note) if off > 0 else None
    if name == "start_below_rh":
        width = section.width
        if width is None and today.stop_above_rh is not None and today.start_below_rh is not None:
            width = today.stop_above_rh - today.start_below_rh
        if not width or value + width > 100:
            return None
        return Setting(start_below_rh=value, stop_above_rh=value + width, note=today.note)
    return today.model_copy(update={name: value})


def _level_name(value: float, name: str, unit: str) -> str:
    """Name a level by its value, such as ``6.5 %`` or ``from 85 %``."""
    number = f"{value:.3g}" if abs(value) < 100 else f"{value:.0f}"
    words = f"{number} {unit}".strip()
    return f"from {words}" if name == "start_below_rh" else words
