"""Checks of the trial file's `[[happened]]`: what was done otherwise than planned."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations
from typing import Any

from trialkit.errors import Fault
from trialkit.structure import Structure
from trialkit.trial.batch_checks import local_moment
from trialkit.trial.deviations import CHANGES, KINDS, Deviation, HappenedSection, Kind
from trialkit.trial.section_checks import check_section, check_setting
from trialkit.trial.text import Places, nearest
from trialkit.trial.trial import BatchDates, Factor

#: A date further than this from every batch is taken for a slip of the pen.
_FAR = dt.timedelta(days=400)
#: What an entry of each kind needs beside its own key, and what else it may have.
_NEEDS: dict[str, tuple[str, ...]] = {
    "got": ("unit",),
    "setting": ("unit",),
    "moved": ("to",),
    "renamed": ("to",),
}
_MAY: dict[str, tuple[str, ...]] = {
    "got": ("until", "treatment"),
    "setting": ("until", "treatment"),
    "swapped": ("until", "treatment"),
    "moved": ("until",),
}
_ANOTHER_SETTING = (
    "a trial of ranges is judged by the settings that were drawn, and cannot count another one",
    'leave the entry out, and write state = "discarded" for these blocks in the harvest log',
)
#: What cannot be told where a treatment is a range of settings: why, and what to do.
_NOT_OF_RANGES: dict[str, tuple[str, str]] = {
    **dict.fromkeys(CHANGES, _ANOTHER_SETTING),
    "added": (
        "the settings of a trial of ranges are drawn whole, so that nothing can join later",
        "leave it out, and plan the trial with the units that are there from the start",
    ),
}
_COMPANIONS = ("unit", "to", "until", "treatment")


@dataclass
class _Reader:
    """What the entries are checked against, and where faults go."""

    structure: Structure
    levels: Mapping[str, tuple[str, ...]]
    factors: Mapping[str, Factor]
    primary: str
    batches: Mapping[str, BatchDates]
    zone: dt.tzinfo
    places: Places
    faults: list[Fault]
    names: dict[str, str] = field(default_factory=dict)  # another name → name here

    def refuse(self, number: int, key: str, what: str, remedy: str) -> None:
        path = ("happened", number - 1, key) if key else ("happened", number - 1)
        self.faults.append(Fault(_shown(self.places.where(*path), number), what, remedy))


def _shown(where: str, number: int) -> str:
    """Count entries from 1, as a person does.

    Examples
    --------
    >>> _shown("[happened] 1.on (line 7)", 2)
    '[[happened]] entry 2: on (line 7)'
    """
    head, found, rest = where.partition(f"[happened] {number - 1}")
    if not found:
        return where
    return f"{head}[[happened]] entry {number}" + (f": {rest[1:]}" if rest[:1] == "." else rest)


def read_deviations(
    raw: object,
    structure: Structure | None,
    levels: Mapping[str, tuple[str, ...]],
    factors: Mapping[str, Factor],
    primary: str,
    batches: Mapping[str, BatchDates],
    zone: dt.tzinfo,
    places: Places,
    faults: list[Fault],
) -> tuple[Deviation, ...]:
    """Read `[[happened]]`; add every fault found, give the sound entries in the file's order."""
    if not isinstance(raw, list) or not all(isinstance(entry, Mapping) for entry in raw):
        what = "must be one or more entries, each below a line [[happened]]"
        remedy = "write [[happened]] with double brackets, its keys below it"
        faults.append(Fault(places.where("happened"), what, remedy))
        return ()
    sound = []
    for number, entry in enumerate(raw, 1):
        path = ("happened", str(number - 1))
        told: list[Fault] = []
        checked = check_section(HappenedSection, entry, path, places, told)
        faults += [Fault(_shown(f.where, number), f.what, f.remedy) for f in told]
        if checked is not None and not checked.reason.strip():
            where = _shown(places.where(*path, "reason"), number)
            faults.append(Fault(where, "the reason is empty", "say in a few words why"))
        if checked is not None:
            sound.append((number, checked))
    if structure is None:
        return ()  # faults of the units already say so
    reader = _Reader(structure, levels, factors, primary, batches, zone, places, faults)
    kinds = [(n, c, kind) for n, c in sound if (kind := _kind(reader, n, c)) is not None]
    # names first: other entries may use either
    out = [_renamed(reader, n, c) for n, c, kind in kinds if kind == "renamed"]
    out += [_entry(reader, n, c, kind) for n, c, kind in kinds if kind != "renamed"]
    read = sorted((d for d in out if d is not None), key=lambda d: d.number)
    _contradictions(reader, read)
    return tuple(read)


def _kind(reader: _Reader, number: int, entry: HappenedSection) -> Kind | None:
    """Find what an entry tells; refuse one that tells nothing, two things, or half of one."""
    given = [kind for kind in KINDS if getattr(entry, kind) is not None]
    if len(given) != 1:
        what = f"tells {' and '.join(given)} at once" if given else "does not say what happened"
        do = "make an entry of each" if given else f"add one of {', '.join(KINDS)}"
        reader.refuse(number, "", what, do)
        return None
    kind = given[0]
    for key in _NEEDS.get(kind, ()):
        if getattr(entry, key) is None:
            do = 'name it, such as unit = "B2:T3"' if key == "unit" else "say where or what"
            reader.refuse(number, "", f"{kind!r} needs {key!r} beside it", do)
            return None
    allowed = (*_NEEDS.get(kind, ()), *_MAY.get(kind, ()))
    for key in _COMPANIONS:
        if getattr(entry, key) is not None and key not in allowed:
            reader.refuse(number, key, f"{key!r} says nothing beside {kind!r}", "leave it out")
            return None
    on, until = (local_moment(value, reader.zone) for value in (entry.on, entry.until))
    if on is not None and until is not None and until <= on:
        reader.refuse(number, "until", "ends before it starts", "swap on and until")
        return None
    return kind


def _renamed(reader: _Reader, number: int, entry: HappenedSection) -> Deviation | None:
    """Read a name and the other one: either may stand in the unit structure, not both."""
    names = (str(entry.renamed).strip(), str(entry.to).strip())
    known = [[f for f, levels in reader.levels.items() if name in levels] for name in names]
    if not known[0] and not known[1]:
        every = [level for levels in reader.levels.values() for level in levels]
        what = f"neither {names[0]!r} nor {names[1]!r} stands in [units]"
        reader.refuse(number, "renamed", what, nearest(names[0], every))
        return None
    if (known[0] and known[1]) or names[1] in reader.names or names[0] in reader.names:
        what = f"{names[0]!r} and {names[1]!r} are two units, or one has two new names already"
        reader.refuse(number, "to", what, "give each its own name")
        return None
    here, other = (names[0], names[1]) if known[0] else (names[1], names[0])
    factors = known[0] or known[1]
    if len(factors) > 1:
        what = f"{here!r} is the name of a {' and of a '.join(factors)}"
        reader.refuse(number, "renamed", what, "give them different names in [units]")
        return None
    if not other or any(c in other for c in "-:,;\t\n\"'<>"):
        what = f"the name {other!r} has a character that codes need"
        reader.refuse(number, "to", what, "use plain words")
        return None
    reader.names[other] = here
    on = local_moment(entry.on, reader.zone)
    assert on is not None  # the section requires it
    return Deviation(
        "renamed",
        on,
        entry.reason,
        connected=entry.because_of_harvest,
        number=number,
        units=({factors[0]: here},),
        names=(here, other),
    )


def _entry(reader: _Reader, number: int, entry: HappenedSection, kind: Kind) -> Deviation | None:
    """Read any entry but one of a name."""
    before = len(reader.faults)
    if any(factor.tuned for factor in reader.factors.values()) and kind in _NOT_OF_RANGES:
        reader.refuse(number, kind, *_NOT_OF_RANGES[kind])
        return None
    treatment = ""
    if kind in ("got", "setting", "swapped"):
        if not reader.factors:
            return None  # faults of the treatments already say so
        treatment = entry.treatment or reader.primary
        if treatment not in reader.factors:
            do = nearest(treatment, reader.factors)
            reader.refuse(number, "treatment", f"no treatment is called {treatment!r}", do)
            return None
    units = _units(reader, number, entry, kind)
    if units is None:
        return None
    if treatment:
        _given_to(reader, number, reader.factors[treatment], units)
    if kind == "got" and entry.got not in reader.factors[treatment].levels:
        do = nearest(str(entry.got), reader.factors[treatment].levels)
        reader.refuse(number, "got", f"{treatment} has no level {entry.got!r}", do)
    if kind == "setting" and entry.setting is not None:
        where = reader.places.where("happened", number - 1, "setting")
        check_setting(entry.setting, where, reader.faults)
    to = _moved_to(reader, number, entry, units) if kind == "moved" else ()
    on, until = (local_moment(value, reader.zone) for value in (entry.on, entry.until))
    assert on is not None  # the section requires it
    _dates(reader, number, kind, on, units)
    if len(reader.faults) > before:
        return None
    return Deviation(
        kind,
        on,
        entry.reason,
        until,
        entry.because_of_harvest,
        number,
        treatment,
        units,
        entry.got or "",
        entry.setting,
        to=to,
    )


def _units(
    reader: _Reader, number: int, entry: HappenedSection, kind: Kind
) -> tuple[dict[str, str], ...] | None:
    """Find the units an entry is about; two where timers were swapped."""
    key = "unit" if kind in ("got", "setting") else kind
    given: Any = getattr(entry, key)
    specs = list(given) if kind == "swapped" else [given]
    found = [_find(reader, number, key, str(spec)) for spec in specs]
    units = [unit for unit in found if unit is not None]
    if len(units) < len(specs):
        return None
    if kind == "swapped":
        alike = len(units) == 2 and set(units[0]) == set(units[1]) and units[0] != units[1]
        if not alike or units[0].get("batch") != units[1].get("batch"):
            what = f"two units of one kind are needed, but it is {given!r}"
            reader.refuse(number, key, what, 'write ["T3", "T4"], or ["B2:T3", "B2:T4"]')
            return None
    if kind == "moved" and set(units[0]) != set(reader.structure.factors):
        what = f"{given!r} is not one {reader.structure.factors[-1]}"
        reader.refuse(number, key, what, "write its whole code, as on its label")
        return None
    return tuple(units)


def _find(reader: _Reader, number: int, key: str, spec: str) -> dict[str, str] | None:
    """Find a unit by its levels joined by ``:`` or ``-``, in the structure's order, or by one."""
    parts = [part.strip() for part in spec.replace(":", "-").split("-")]
    parts = [reader.names.get(part, part) for part in parts]
    fits = [
        dict(zip(names, parts, strict=True))
        for names in combinations(reader.structure.factors, len(parts))
        if all(part in reader.levels[name] for name, part in zip(names, parts, strict=True))
    ]
    terms = [fit for fit in fits if tuple(fit) in reader.structure.terms]
    fits = terms if len(terms) == 1 else fits
    if len(fits) == 1:
        return fits[0]
    if fits:
        kinds = " and ".join(":".join(fit) for fit in fits)
        reader.refuse(
            number,
            key,
            f"{spec!r} may be of {kinds}",
            "write the whole code, as on a label, or call one of them something else",
        )
        return None
    every = [level for levels in reader.levels.values() for level in levels]
    strange = next((part for part in parts if part not in every), spec)
    reader.refuse(number, key, f"no unit is called {spec!r}", nearest(strange, every))
    return None


def _given_to(
    reader: _Reader, number: int, factor: Factor, units: Sequence[Mapping[str, str]]
) -> None:
    """Refuse a part of a unit that received its level as a whole."""
    inner = [name for unit in units for name in unit if name not in factor.applied_to]
    if inner:
        what = f"{factor.name} is given to whole {':'.join(factor.applied_to)} units"
        reader.refuse(number, "unit", what, f"leave out the {inner[0]}")


def _moved_to(
    reader: _Reader, number: int, entry: HappenedSection, units: Sequence[Mapping[str, str]]
) -> tuple[tuple[str, str], ...]:
    """Find the place a block went to."""
    to = _find(reader, number, "to", str(entry.to))
    if to is None:
        return ()
    if "batch" in to and to["batch"] != units[0].get("batch"):
        reader.refuse(number, "to", "a block stays in its batch", "name the chamber it went to")
    elif all(units[0][name] == level for name, level in to.items()):
        reader.refuse(number, "to", f"{entry.to!r} is where it stood already", "name the new place")
    return tuple(to.items())


def _dates(
    reader: _Reader,
    number: int,
    kind: Kind,
    on: dt.datetime,
    units: Sequence[Mapping[str, str]],
) -> None:
    """Check an entry's date against those of the batches it is about."""
    named = [unit["batch"] for unit in units if "batch" in unit]
    about = named or list(reader.batches)
    dates = [reader.batches[name] for name in about if name in reader.batches]
    starts = [d.start for d in dates if d.start is not None]
    if not starts:
        if kind in CHANGES or kind == "added":
            what = "what the batch had got by then is not known without the day it began"
            name = about[0] if about else "B1"
            do = f"add its start to [batches]: {name} = {{ start = 2031-01-13T09:00:00 }}"
            reader.refuse(number, "on", what, do)
        return
    ends = [d.end for d in dates if d.end is not None]
    if named and ends and len(ends) == len(dates) and on >= max(ends):
        reader.refuse(number, "on", f"{named[0]} had ended by then", "correct the date")
        return
    every = [m for d in reader.batches.values() for m in (d.start, d.end) if m is not None]
    if on < min(every) - _FAR or on > max(every) + _FAR:
        what = f"{on.astimezone(reader.zone).date()} is more than a year from every batch"
        reader.refuse(number, "on", what, "check the year")
    if kind == "added" and len(starts) == len(dates) and on > max(starts):
        reader.refuse(
            number, "on", "no batch began after it was added", "correct the date, or add the batch"
        )


def _contradictions(reader: _Reader, read: Sequence[Deviation]) -> None:
    """Refuse two entries that say different levels of one unit from the same moment on."""
    for a, b in combinations([d for d in read if d.kind == "got"], 2):
        same = a.units == b.units and a.treatment == b.treatment and a.on == b.on
        if same and a.level != b.level:
            what = f"says {b.level!r} where entry {a.number} says {a.level!r} of the same day"
            reader.refuse(b.number, "got", what, "keep the one that is right")
