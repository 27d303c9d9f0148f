"""Heads of a file → columns of the glossary, as the trial file says."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from trialkit.columns import HarvestColumn, house_unit, log_columns, value_columns
from trialkit.errors import Finding, LogError
from trialkit.logs.text.numbers import head_unit
from trialkit.trial.sections import LogSection
from trialkit.units import convert
from trialkit.wording import Either, finding, suggestion

_NONE: Mapping[str, HarvestColumn] = {}
_NO_UNITS: Mapping[str, str] = {}
_ALSO = {"time": ("time", "date", "datetime", "timestamp")}


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
    LogError
        If no value of this kind of log is in the file.
    """
    by_plain = {plain_head(h): h for h in reversed(heads)} | {h: h for h in heads}
    found, wide, absent = _mapped(heads, by_plain, spec, chambers)
    for column in (*log_columns(kind, own), *extra):
        for name in _ALSO.get(column, (column,)):
            if column not in spec.columns and column not in found and name in by_plain:
                found[column] = by_plain[name]
    values = value_columns(kind, own)
    _refuse_none(found, wide, kind, values, heads, file, absent)
    units, notes = _units(found, wide, spec, file, own, under)
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
    raise LogError(
        f"{file}: {what}; the file has {shown} → name its columns under columns in [logs.{kind}]"
    )


def _units(
    found: Mapping[str, str],
    wide: Sequence[WideColumn],
    spec: LogSection,
    file: str,
    own: Mapping[str, HarvestColumn],
    under: Mapping[str, str],
) -> tuple[dict[str, str], list[Finding]]:
    """Take units from the trial file, else from the heads."""
    units = dict(spec.units)
    notes = []
    heads = {w.column: w.head for w in wide} | dict(found)
    for column, head in heads.items():
        house = house_unit(column, own)
        head = f"{head} ({under[head]})" if head in under else head
        unit = None if column in units else head_unit(head, house)
        if unit is None or convert(3.0, unit, house) == 3.0:
            continue
        units[column] = unit
        notes.append(
            finding(
                "unit_from_head",
                "note",
                file=file,
                column=column,
                unit=unit,
                head=repr(head),
                line=f'units = {{ {column} = "…" }}',
            )
        )
    return units, notes
