"""Checks of the trial file's `[columns]`: quantities measured at harvest that a trial adds."""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Mapping

from trialkit.columns import COLUMNS, HarvestColumn, own_column
from trialkit.errors import Fault
from trialkit.trial.section_checks import check_section
from trialkit.trial.sections import ColumnSection
from trialkit.trial.text import Places
from trialkit.units import house_unit_of

_NAME = re.compile(r"[a-z][a-z0-9_]*")
#: Names that tables of harvests carry besides those of the glossary.
_RESERVED = frozenset({"date", "file", "row", "index", "sheet", "ns", "unit_at", "date_only"})


def check_columns_section(
    raw: object, taken: Collection[str], places: Places, faults: list[Fault]
) -> dict[str, HarvestColumn]:
    """Check `[columns]` of the trial file; add every fault found, give the sound columns by name.

    Parameters
    ----------
    raw : object
        What stands under `columns`.
    taken : collection of str
        Names of unit factors and treatments, which no column may have.
    places : Places
    faults : list of Fault
        Added to.
    """
    out: dict[str, HarvestColumn] = {}
    if not isinstance(raw, Mapping):
        where = places.where("columns")
        what = "must hold sections such as [columns.cap_mm]"
        faults.append(Fault(where, what, "write that line alone, its keys below it"))
        return out
    for key, section in raw.items():
        name, path = str(key), ("columns", str(key))
        checked = check_section(ColumnSection, section, path, places, faults)
        troubles = [*_name_troubles(name, taken)]
        if checked is not None:
            troubles += _value_troubles(checked)
        faults += [Fault(places.where(*path, *more), what, do) for more, what, do in troubles]
        if checked is not None and not troubles:
            out[name] = own_column(
                name,
                label=checked.label,
                unit=checked.unit,
                meaning=checked.meaning,
                heads=tuple(word.casefold() for word in checked.heads),
                possible=(checked.range[0], checked.range[1]),
                whole=checked.whole,
                pools=checked.pools,
                better=checked.better or "",
            )
    return out


Trouble = tuple[tuple[str, ...], str, str]


def _name_troubles(name: str, taken: Collection[str]) -> list[Trouble]:
    """Say what is wrong with the name of a column."""
    if not _NAME.fullmatch(name):
        what = f"the name {name!r} is not made of small letters, digits and _"
        return [((), what, "write it like cap_mm, with its unit at the end")]
    if name in COLUMNS or name in _RESERVED:
        what = f"{name!r} is a column that trialkit has already"
        return [((), what, "use it as it is, or choose another name")]
    if name in taken:
        what = f"{name!r} is a unit or a treatment of this trial"
        return [((), what, "choose another name")]
    return []


def _value_troubles(section: ColumnSection) -> list[Trouble]:
    """Say what is wrong with the range and the unit of a column."""
    out: list[Trouble] = []
    low, high = section.range
    if not math.isfinite(low):
        what = f"the lowest possible value is {low:g}"
        out.append((("range",), what, "write a number; the highest may be inf"))
    elif not low < high:
        what = f"from {low:g} to {high:g} leaves no value possible"
        out.append((("range",), what, "write the lowest value first, then the highest"))
    house = house_unit_of(section.unit)
    if house is not None:
        what = f"values are kept in {house}, not in {section.unit}"
        more = f'write unit = "{house}"; files may still have {section.unit}'
        out.append((("unit",), what, f"{more}, said in their heads or under units"))
    return out
