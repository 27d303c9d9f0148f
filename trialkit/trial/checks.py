"""Checks of the trial file that look across sections, and the making of a `Trial`."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Mapping
from math import prod
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from pydantic import ValidationError

from trialkit.errors import DesignError, Fault, TrialFileError
from trialkit.structure import Structure, parse_structure, skeleton
from trialkit.trial.batch_checks import read_batches
from trialkit.trial.chamber_names import check_chamber_names
from trialkit.trial.column_checks import check_columns_section
from trialkit.trial.covariate_checks import check_covariates_section
from trialkit.trial.deviation_checks import read_deviations
from trialkit.trial.log_checks import check_logs_section
from trialkit.trial.look_checks import check_looks
from trialkit.trial.over_time import check_over_time, read_over_time
from trialkit.trial.question_checks import check_question
from trialkit.trial.ranges import levels_of_range
from trialkit.trial.section_checks import check_price_levels, check_section, check_setting
from trialkit.trial.sections import (
    LONGEST_NAME,
    SECTIONS,
    TOP,
    FactorSection,
    Setting,
)
from trialkit.trial.text import Places, nearest
from trialkit.trial.trial import Factor, Trial
from trialkit.trial.zone_names import find_zone_names
from trialkit.visible_text import is_plain, quote
from trialkit.wording import plural, units_in_words

#: Most units of a trial, most names in one list, most levels of a treatment.
_MAX_UNITS = 20_000
_MAX_NAMES = 1_000
_MAX_LEVELS = 100


def build_trial(raw: Mapping[str, Any], places: Places, source: Path, sha256: str) -> Trial:
    """Make a `Trial` from the parsed file, or raise with every fault found."""
    faults: list[Fault] = []
    for key in raw:
        if key not in TOP:
            faults.append(
                Fault(places.where(key), f"unknown section {quote(key)}", nearest(key, TOP))
            )
    sections = {
        name: check_section(model, raw.get(name, {}), (name,), places, faults)
        for name, model in SECTIONS.items()
        if name in raw or name != "question"
    }
    if "question" not in raw:
        faults.append(Fault("[question]", "section is missing", "add it with primary = a factor"))
    zone = _zone(raw.get("trial"), places, faults)
    structure, levels, flushes = _units(raw.get("units"), places, faults)
    over_time = read_over_time(raw.get("units"), places, faults)
    factors = _factors(raw.get("factors"), structure, levels, places, faults)
    taken = [*(structure.factors if structure else ()), *(factors or ())]
    columns = check_columns_section(raw.get("columns", {}), taken, places, faults)
    check_question(
        raw.get("question"), raw.get("factors"), raw.get("columns"), columns, places, faults
    )
    response = str(getattr(sections.get("question"), "response", ""))
    covariates = check_covariates_section(
        raw.get("covariates", {}), structure, levels, columns, [*taken, response], places, faults
    )
    asked = factors.get(getattr(sections.get("question"), "primary", "")) if factors else None
    if asked is not None:
        check_price_levels(sections["prices"], asked.levels, places, faults)
    declared = raw.get("units")
    batches = read_batches(
        raw.get("batches", {}),
        levels,
        declared if isinstance(declared, Mapping) else {},
        zone,
        places,
        faults,
    )
    logs = check_logs_section(raw.get("logs", {}), levels, zone, places, faults, own=columns)
    happened = read_deviations(
        raw.get("happened", []),
        structure if len(levels) == len(structure.factors if structure else ()) else None,
        levels,
        factors,
        getattr(sections.get("question"), "primary", ""),
        batches,
        zone,
        places,
        faults,
    )
    if structure and factors and not faults:
        if not any(f.tuned for f in factors.values()):
            _testable(structure, {k: len(v) for k, v in levels.items()}, factors, places, faults)
        check_looks(sections["question"], structure, levels, factors, places, faults)
    if faults or structure is None:
        raise TrialFileError(source.name, sorted(faults, key=places.line_of))
    head = sections["trial"]
    trial = Trial(
        folder=source.parent.resolve(),
        source=source,
        sha256=sha256,
        title=head.title,
        species=head.species,
        time_zone=head.time_zone,
        seed=head.seed,
        invented=head.invented,
        structure=structure,
        levels=levels,
        flushes=flushes,
        factors=factors,
        question=sections["question"],
        rig=sections["rig"],
        prices=sections["prices"] if "prices" in raw else None,
        blocks=sections["blocks"],
        batches=batches,
        logs=logs,
        columns=columns,
        over_time=over_time,
        happened=happened,
        covariates=covariates,
    )
    check_over_time(trial, places, faults)
    if faults:
        raise TrialFileError(source.name, faults)
    return trial


def _zone(head: object, places: Places, faults: list[Fault]) -> dt.tzinfo:
    name = head.get("time_zone", "UTC") if isinstance(head, Mapping) else "UTC"
    try:
        return ZoneInfo(str(name))
    except (KeyError, ValueError, OSError):
        faults.append(
            Fault(
                places.where("trial", "time_zone"),
                f"unknown time zone {quote(name)}",
                _zone_meant(str(name)),
            )
        )
        return dt.UTC


def _zone_meant(name: str) -> str:
    meant = find_zone_names(name)[:4]
    if meant:
        return "did you mean " + " or ".join(map(repr, meant)) + "?"
    return "use an IANA name such as 'Europe/Vienna' or 'America/Chicago'"


def _units(
    raw: object, places: Places, faults: list[Fault]
) -> tuple[Structure | None, dict[str, tuple[str, ...]], int]:
    if not isinstance(raw, Mapping) or not isinstance(raw.get("structure"), str):
        faults.append(
            Fault(
                places.where("units"),
                "the unit structure is missing",
                'add structure = "(batch * chamber) / block" and a count for each',
            )
        )
        return None, {}, 1
    try:
        structure = parse_structure(raw["structure"])
    except DesignError as problem:
        faults.append(Fault(places.where("units", "structure"), str(problem), "correct it"))
        return None, {}, 1
    levels: dict[str, tuple[str, ...]] = {}
    for name in structure.factors:
        given = _level_names(name, raw.get(name), places, faults)
        if given:
            levels[name] = given
    flushes = raw.get("flushes", 1)
    if not isinstance(flushes, int) or isinstance(flushes, bool) or not 1 <= flushes <= 20:
        faults.append(
            Fault(
                places.where("units", "flushes"),
                f"must be 1 to 20, but it is {quote(flushes)}",
                "count the flushes weighed",
            )
        )
        flushes = 1
    for key in raw:
        if key not in (*structure.factors, "structure", "flushes", "over_time"):
            faults.append(
                Fault(
                    places.where("units", key),
                    f"unknown key {quote(key)}",
                    nearest(key, (*structure.factors, "flushes", "over_time")),
                )
            )
    total = prod(len(names) for names in levels.values())
    if total > _MAX_UNITS:
        what = f"{quote(total)} units is more than {_MAX_UNITS}"
        faults.append(Fault(places.where("units"), what, f"use at most {_MAX_UNITS}"))
    if len(levels) < len(structure.factors):
        return None, levels, flushes
    faults += check_chamber_names(structure, levels, places)
    return structure, levels, flushes


def _level_names(
    name: str, given: object, places: Places, faults: list[Fault]
) -> tuple[str, ...] | None:
    where = places.where("units", name)
    if given is None:
        faults.append(Fault(where, f"how many {plural(name)}?", f"add {name} = a number or a list"))
        return None
    if isinstance(given, int) and not isinstance(given, bool):
        if not 1 <= given <= _MAX_UNITS:
            what = f"{quote(given)} is not a possible count"
            faults.append(Fault(where, what, f"use 1 to {_MAX_UNITS}"))
            return None
        letter = {"batch": "B", "chamber": "C"}.get(name, "")
        return tuple(f"{letter}{i}" for i in range(1, given + 1))
    if isinstance(given, list) and given and all(isinstance(x, (str, int)) for x in given):
        if len(given) > _MAX_NAMES:
            what = f"has {len(given)} names, but {_MAX_NAMES} is the most"
            faults.append(Fault(where, what, "use fewer, or write their number"))
            return None
        names = tuple(quote(x) if isinstance(x, int) else x.strip() for x in given)
        bad = [x for x in names if not x or not is_plain(x) or any(c in x for c in "-:,;\"'<>")]
        long = [x for x in names if len(x) > LONGEST_NAME]
        doubled = sorted(x for x, count in Counter(names).items() if count > 1)
        if bad:
            what = f"name {quote(bad[0])} has a character that codes need"
            faults.append(Fault(where, what, "use plain words"))
        if long:
            what = f"name {quote(long[0])} has {len(long[0])} letters; {LONGEST_NAME} is the most"
            faults.append(Fault(where, what, "use a shorter one"))
        if doubled:
            faults.append(
                Fault(where, f"{quote(doubled[0])} appears twice", "give each its own name")
            )
        return None if bad or long or doubled else names
    faults.append(
        Fault(
            where,
            f"must be a count or a list of names, but it is {quote(given)}",
            'write 4, or ["left", "right"]',
        )
    )
    return None


def _factors(
    raw: object,
    structure: Structure | None,
    levels: Mapping[str, tuple[str, ...]],
    places: Places,
    faults: list[Fault],
) -> dict[str, Factor]:
    if not isinstance(raw, Mapping) or not raw:
        faults.append(Fault("[factors]", "no treatment is given", "add [factors.schedule]"))
        return {}
    out: dict[str, Factor] = {}
    for name, section in raw.items():
        path = ("factors", str(name))
        checked = check_section(FactorSection, section, path, places, faults)
        if isinstance(section, Mapping):
            _named_levels(section, path, places, faults)
            _settings(section.get("levels"), path, places, faults)
        if checked is None:
            continue
        if name in ("unit", "flush", *levels):
            faults.append(Fault(places.where(*path), f"{name!r} is already a unit", "rename it"))
            continue
        if structure is None:
            continue
        factor = _factor(str(name), checked, structure, path, places, faults)
        if factor:
            out[str(name)] = factor
    return out


def _factor(
    name: str,
    section: FactorSection,
    structure: Structure,
    path: tuple[str, ...],
    places: Places,
    faults: list[Fault],
) -> Factor | None:
    before = len(faults)
    try:
        term = structure.term(section.applied_to.replace(" ", ""))
    except DesignError as problem:
        faults.append(Fault(places.where(*path, "applied_to"), str(problem), "choose one of them"))
        return None
    levels, tuned = dict(section.levels), None
    if section.range is not None:
        where = places.where(*path, "range")
        levels, tuned, wrong = levels_of_range(section.range, levels, section.control, where)
        faults += wrong
    elif len(levels) < 2:
        faults.append(Fault(places.where(*path, "levels"), "has only one level", "add a second"))
    if len(levels) > _MAX_LEVELS:
        what = f"has {len(levels)} levels, but {_MAX_LEVELS} is the most"
        faults.append(Fault(places.where(*path, "levels"), what, "compare fewer at once"))
    if len(faults) > before:
        return None
    return Factor(
        name=name,
        applied_to=term,
        control=section.control,
        levels=levels,
        replication=dict(section.replication) if section.replication else None,
        forbidden=tuple((f.unit, f.level) for f in section.forbidden),
        apart=tuple(tuple(group) for group in section.apart),
        method=section.method,
        tuned=tuned,
        stepped=section.range is not None and section.range.stepped,
    )


def _named_levels(
    section: Mapping[str, Any], path: tuple[str, ...], places: Places, faults: list[Fault]
) -> None:
    """Check every level that is named outside `levels`, on the raw section.

    The raw section is used so that a fault elsewhere in it does not hide a wrong name.
    """
    levels = section.get("levels")
    if not isinstance(levels, Mapping):
        return
    named: list[tuple[str, object]] = []
    if section.get("control") is not None:
        named.append(("control", section["control"]))
    if isinstance(section.get("replication"), Mapping):
        named += [("replication", level) for level in section["replication"]]
    for rule in section.get("forbidden") or []:
        if isinstance(rule, Mapping) and "level" in rule:
            named.append(("forbidden", rule["level"]))
    for group in section.get("apart") or []:
        named += [("apart", level) for level in group] if isinstance(group, list) else []
    for key, level in named:
        if isinstance(level, str) and level not in levels:  # what is no word has a fault already
            what = f"no level is called {quote(level)}"
            faults.append(Fault(places.where(*path, key), what, nearest(str(level), levels)))


def _settings(levels: object, path: tuple[str, ...], places: Places, faults: list[Fault]) -> None:
    """Check each setting in itself; one that is no setting at all has a fault already."""
    for level, given in levels.items() if isinstance(levels, Mapping) else ():
        try:
            setting = Setting.model_validate(given)
        except ValidationError:
            continue
        check_setting(setting, places.where(*path, "levels", level), faults)


def _testable(
    structure: Structure,
    counts: Mapping[str, int],
    factors: Mapping[str, Factor],
    places: Places,
    faults: list[Fault],
) -> None:
    """Refuse a treatment with no error to be tested against, before anything is randomised."""
    treatments = {f.name: (f.applied_to, len(f.levels)) for f in factors.values()}
    lines = skeleton(structure, counts, treatments)
    free = structure.degrees_of_freedom(counts)
    for factor in factors.values():
        stratum = structure.merged(counts).get(factor.applied_to)
        main = [s.df for s in lines if s.stratum == stratum and s.name in factors]
        if stratum is not None and free[stratum] - sum(main) > 0:
            continue
        units = structure.counts(counts)[factor.applied_to]
        each = units / len(factor.levels)
        kinds = units_in_words(factor.applied_to)
        what = (
            f"each {factor.name} sits in only {each:g} of the {units} {kinds}; with "
            f"{len(factor.levels)} levels nothing is left to judge chance by"
        )
        more = " or ".join(plural(name) for name in factor.applied_to)
        faults.append(
            Fault(places.where("factors", factor.name), what, f"add {more}, or drop a level")
        )
