"""Heads of a file → columns of the glossary, as the trial file says."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field

from trialkit.columns import (
    WITH_TEMPERATURE,
    HarvestColumn,
    house_unit,
    log_columns,
    unit_for,
    units_for,
    value_columns,
)
from trialkit.errors import Finding, LogError
from trialkit.logs.head_units import SaidUnit, said_unit
from trialkit.logs.humidity_units import said_humidity
from trialkit.trial.sections import LogSection
from trialkit.units import convert
from trialkit.wording import Either, finding, suggestion

_NONE: Mapping[str, HarvestColumn] = {}
_NO_UNITS: Mapping[str, str] = {}
_ALSO = {"time": ("time", "date", "datetime", "timestamp")}


class UnnamedColumnsError(LogError):
    """No head of a file is a column with measured values, as far as the trial file says."""


@dataclass(frozen=True)
class WideColumn:
    """One column of a wide file: a quantity of one chamber.

    Parameters
    ----------
    column : str
        Column of the glossary.
    chamber : str
        Chamber as written in the head.
    head : str
        Head of the column in the file.
    """

    column: str
    chamber: str
    head: str


@dataclass(frozen=True)
class Columns:
    """Where the columns of the glossary stand in one file.

    Parameters
    ----------
    heads : dict
        Column → head; a time given in two columns has both, joined by ``" + "``.
    units : dict
        Column → unit of its values, where it is not the house unit.
    wide : tuple of WideColumn
        Columns of a wide file; empty for a long one.
    findings : tuple of Finding
    """

    heads: dict[str, str]
    units: dict[str, str] = field(default_factory=dict)
    wide: tuple[WideColumn, ...] = ()
    findings: tuple[Finding, ...] = ()

    @property
    def time_parts(self) -> tuple[str, ...]:
        """Heads that make up the time: one, or a date and a clock time."""
        return tuple(self.heads["time"].split(" + ")) if "time" in self.heads else ()


def find_columns(
    heads: Sequence[str],
    spec: LogSection,
    kind: str,
    *,
    file: str,
    chambers: Sequence[str] = (),
    extra: Sequence[str] = (),
    own: Mapping[str, HarvestColumn] = _NONE,
    under: Mapping[str, str] = _NO_UNITS,
) -> Columns:
    """Find the columns of the glossary among the heads of a file.

    Heads are compared without regard to case and blanks around them. Where the trial file
    names several heads for a column, the first that is in the file counts. Columns that the
    trial file does not map are found where a head is exactly their name.

    Parameters
    ----------
    heads : sequence of str
    spec : LogSection
        ``[logs.KIND]`` of the trial file.
    kind : {"harvest", "environment", "mist"}
    file : str
        For messages.
    chambers : sequence of str
        The trial's chambers, for wide files.
    extra : sequence of str
        Further columns to be found by their own name, such as the unit factors.
    own : mapping
        Harvest columns that the trial file adds.
    under : mapping
        Head → unit, where a line under the heads says it.

    Raises
    ------
    UnnamedColumnsError
        If no value of this kind of log is in the file.
    LogError
        If a head gives a unit that cannot be used.
    """
    by_plain = {plain_head(h): h for h in reversed(heads)} | {h: h for h in heads}
    found, wide, absent = _mapped(heads, by_plain, spec, chambers)
    for column in (*log_columns(kind, own), *extra):
        for name in _ALSO.get(column, (column,)):
            if column not in spec.columns and column not in found and name in by_plain:
                found[column] = by_plain[name]
    values = value_columns(kind, own)
    _refuse_none(found, wide, kind, values, heads, file, absent)
    names = (*chambers, *spec.chamber)
    units, notes = _units(found, wide, spec, kind, file, own, names, under)
    notes += [
        finding(
            "column_absent",
            "caution" if column in ("time", "unit", *values) else "note",
            file=file,
            heads=Either(tuple(given)),
            column=column,
            hint=suggestion(given[0], heads, list_all=True),
        )
        for column, given in absent
    ]
    return Columns(found, units, tuple(wide), tuple(notes))


def _mapped(
    heads: Sequence[str], by_plain: Mapping[str, str], spec: LogSection, chambers: Sequence[str]
) -> tuple[dict[str, str], list[WideColumn], list[tuple[str, list[str]]]]:
    """Find the columns that the trial file maps: long ones, wide ones, and those not there."""
    found: dict[str, str] = {}
    wide: list[WideColumn] = []
    absent: list[tuple[str, list[str]]] = []
    for column in spec.columns:
        missed = []
        for given in spec.heads(column):
            here = _wide(column, given, heads, spec, chambers) if "{chamber}" in given else []
            hit = None if "{chamber}" in given else _head(given, by_plain)
            if here or hit is not None:
                wide += here
                found |= {column: hit} if hit is not None else {}
                break
            missed.append(given)
        else:
            plain = [given for given in missed if "{chamber}" not in given]
            absent += [(column, plain)] if plain else []
    return found, wide, absent


def _head(given: str, by_plain: Mapping[str, str]) -> str | None:
    """Find a head as the trial file names it, or the date and the clock time it joins."""
    parts = [given] if plain_head(given) in by_plain else re.split(r"\s+\+\s+", given)
    # written exactly like a head it is that one, also beside another that differs in case alone
    hits = [by_plain.get(p) or by_plain.get(plain_head(p)) for p in parts]
    found = [h for h in hits if h is not None]
    return " + ".join(found) if len(found) == len(parts) else None


def _either(heads: Sequence[str]) -> str:
    return " or ".join(map(repr, heads))


def plain_head(head: str) -> str:
    """Give a head without case and blanks, as heads are compared."""
    return re.sub(r"\s+", " ", head).strip().casefold()


def _wide(
    column: str, given: str, heads: Sequence[str], spec: LogSection, chambers: Sequence[str]
) -> list[WideColumn]:
    """Find the columns of a wide file that fit a pattern such as ``"{chamber} temp"``."""
    names = sorted({*chambers, *spec.chamber}, key=len, reverse=True)
    if not names:
        return []
    inner = "(" + "|".join(re.escape(plain_head(n)) for n in names) + ")"
    before, _, after = given.partition("{chamber}")
    left, right = (re.escape(re.sub(r"\s+", " ", p).casefold()) for p in (before, after))
    pattern = re.compile(f"^{left.lstrip()}{inner}{right.rstrip()}$")
    back = {plain_head(n): n for n in names}
    return [
        WideColumn(column, back[m.group(1)], head)
        for head in heads
        if (m := pattern.match(plain_head(head)))
    ]


def _refuse_none(
    found: Mapping[str, str],
    wide: Sequence[WideColumn],
    kind: str,
    values: Sequence[str],
    heads: Sequence[str],
    file: str,
    absent: Sequence[tuple[str, Sequence[str]]],
) -> None:
    values = [*values, *(("start", "status") if kind != "environment" else ())]
    has_time = "time" in found or "start" in found or kind == "harvest"
    if has_time and (wide or any(v in found for v in values)):
        return
    shown = ", ".join(repr(h) for h in list(heads)[:12]) or "none"
    told = "; ".join(f"no column {_either(given)} for {column}" for column, given in absent)
    what = told or "no column has a name that trialkit knows"
    raise UnnamedColumnsError(
        f"{file}: {what}; the file has {shown} → name its columns under columns in [logs.{kind}]"
    )


def said_of_column(
    column: str, head: str, own: Mapping[str, HarvestColumn], names: Collection[str] = ()
) -> SaidUnit:
    """Read what a head says of the unit of a column.

    Examples
    --------
    >>> said_of_column("light_lux", "Intensity, lum/ft²", {}).unit
    'fc'
    """
    if column in WITH_TEMPERATURE:
        return said_humidity(head, names=names)
    return said_unit(head, house_unit(column, own), names=names)


def _units(
    found: Mapping[str, str],
    wide: Sequence[WideColumn],
    spec: LogSection,
    kind: str,
    file: str,
    own: Mapping[str, HarvestColumn],
    names: Collection[str],
    under: Mapping[str, str],
) -> tuple[dict[str, str], list[Finding]]:
    """Take units from the trial file, else from the heads; refuse what a head leaves open."""
    units = {column: unit_for(column, given, own) or given for column, given in spec.units.items()}
    notes: list[Finding] = []
    troubles: list[str] = []
    # the columns of a wide file have one head, but for the chamber, and so one unit
    heads = {w.column: (w.head, _without(w.chamber, w.head)) for w in wide}
    heads |= {column: (head, head) for column, head in found.items()}
    for column, (head, bare) in heads.items():
        if column in spec.units or not house_unit(column, own):
            continue
        if head in under:  # a unit in a line of its own below the heads
            bare = f"{bare} ({under[head]})"
        said = said_of_column(column, bare, own, names)
        if said.strange:
            troubles.append(_unit_question(column, head, said.strange, kind, own))
        unit = not_house(column, said.unit, own)
        if unit is not None:
            units[column] = unit
            notes.append(_told(file, column, unit, head))
    if troubles:
        raise LogError(f"{file}: " + "; ".join(troubles))
    return units, notes


def _without(chamber: str, head: str) -> str:
    """Take the chamber's name out of a head, so that it is not read as a unit."""
    return re.sub(re.escape(chamber), " ", head, count=1, flags=re.IGNORECASE)


def not_house(column: str, unit: str | None, own: Mapping[str, HarvestColumn]) -> str | None:
    """Give a unit unless its values are those of the house unit.

    Examples
    --------
    >>> not_house("temp_c", "degF", {}), not_house("temp_c", "degC", {})
    ('degF', None)
    """
    if unit is None or unit in WITH_TEMPERATURE.get(column, ()):
        return unit
    return None if convert(3.0, unit, house_unit(column, own)) == 3.0 else unit


def _told(file: str, column: str, unit: str, head: str) -> Finding:
    """Tell a unit taken from a head; `unit` is read as it stands in the trial file."""
    values = {
        "file": file,
        "column": column,
        "unit": unit,
        "head": repr(head),
        "line": f'units = {{ {column} = "…" }}',
    }
    if unit in WITH_TEMPERATURE.get(column, ()):
        return finding("humidity_worked_out", "note", **values)
    return finding("unit_from_head", "note", **values)


def _unit_question(
    column: str, head: str, strange: str, kind: str, own: Mapping[str, HarvestColumn]
) -> str:
    """Ask for the unit of a column whose head says something that cannot be used."""
    known = ", ".join(units_for(column, own))
    lamp = column in ("light_lux", "ppfd_umol_m2_s") and strange.casefold().startswith("w")
    why = "needs the lamp's spectrum to become" if lamp else "is not a unit that is turned into"
    return (
        f"{column} has the head {head!r}, and {strange!r} {why} {house_unit(column, own)} → if its "
        f'values are in a unit that is known here, say so: units = {{ {column} = "…" }} in '
        f"[logs.{kind}] ({known}); else leave {column} out of columns"
    )
