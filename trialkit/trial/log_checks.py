"""Checks of the trial file's `[logs]`: columns, units, and what is asked of sensors' readings."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from pathlib import PurePosixPath, PureWindowsPath

from trialkit.columns import HarvestColumn, log_columns, unit_for, units_for
from trialkit.errors import Fault
from trialkit.trial.section_checks import check_section
from trialkit.trial.sections import (
    LOG_KINDS,
    LOG_SECTIONS,
    LeaveOut,
    LogSection,
    Trust,
)
from trialkit.trial.text import Places, nearest
from trialkit.visible_text import quote


def check_logs_section(
    raw: object,
    levels: Mapping[str, Sequence[str]],
    zone: dt.tzinfo,
    places: Places,
    faults: list[Fault],
    *,
    own: Mapping[str, HarvestColumn],
) -> dict[str, LogSection]:
    """Check `[logs]` of the trial file; add every fault found, give the sound sections by kind.

    Harvest logs may also carry the columns that the trial file adds (`own`).
    """
    out: dict[str, LogSection] = {}
    if not isinstance(raw, Mapping):
        faults.append(
            Fault(
                places.where("logs"),
                "must hold sections such as [logs.harvest]",
                "write that line alone, its keys below it",
            )
        )
        return out
    for kind, section in raw.items():
        path = ("logs", str(kind))
        if kind not in LOG_KINDS:
            faults.append(
                Fault(places.where(*path), f"unknown log {kind!r}", nearest(str(kind), LOG_KINDS))
            )
            continue
        checked = check_section(LOG_SECTIONS[str(kind)], section, path, places, faults)
        if checked is None:
            continue
        known = log_columns(str(kind), own)
        if kind == "harvest":  # a unit may be named in parts: columns = { batch = "start", … }
            known = (*known, *levels)
        for name in (*checked.columns, *checked.units):
            if name not in known:
                where = places.where(*path, "columns" if name in checked.columns else "units", name)
                what = f"a {kind} log has no column {name!r}"
                faults.append(Fault(where, what, nearest(name, known)))
        for name, unit in checked.units.items():
            if name in known and unit_for(name, unit, own) is None:
                listed = ", ".join(units_for(name, own)) or "none: it carries no unit"
                where = places.where(*path, "units", name)
                faults.append(Fault(where, f"unit {unit!r} is not known here", f"known: {listed}"))
        _clocks(str(kind), checked, zone, places, faults)
        _ways(str(kind), checked, places, faults)
        _file_names(str(kind), checked, places, faults)
        _readings(str(kind), checked, levels.get("chamber"), zone, places, faults)
        _calibrations(str(kind), checked, zone, places, faults)
        out[str(kind)] = checked
    return out


def _ways(kind: str, section: LogSection, places: Places, faults: list[Fault]) -> None:
    """Check what is told of how files are written."""
    if section.encoding is not None and not _is_encoding(section.encoding):
        where = places.where("logs", kind, "encoding")
        what = f"no encoding is called {section.encoding!r}"
        faults.append(Fault(where, what, "for example utf-8, cp1252, cp1250, cp1251, shift_jis"))
    if section.table is not None and section.query is not None:
        where = places.where("logs", kind, "query")
        faults.append(Fault(where, "table and query say two things", "keep one of them"))


def _is_encoding(name: str) -> bool:
    try:
        b"1".decode(name)
        return True
    except (LookupError, ValueError):
        return name.casefold().startswith(("utf-16", "utf-32", "utf16", "utf32"))


def _file_names(kind: str, section: LogSection, places: Places, faults: list[Fault]) -> None:
    """Refuse a name that is none, and one that leads out of the folder that can be sent on."""
    where = places.where("logs", kind, "files")
    if len(section.files) > _MOST_FILES:
        what = f"has {len(section.files)} names, but {_MOST_FILES} is the most"
        faults.append(Fault(where, what, "name them by a pattern, such as logs/*.csv"))
    for name in section.files:
        if not name.strip() or "\0" in name:
            what = f"the name {quote(name)} is empty or holds what no name can hold"
            faults.append(Fault(where, what, "write it like logs/harvest.csv"))
        elif PurePosixPath(name).is_absolute() or PureWindowsPath(name).anchor:
            what = f"{quote(name)} begins at the root of a disk"
            do = "put the file into the trial's folder and name it from there: logs/harvest.csv"
            faults.append(Fault(where, what, do))


_MOST_FILES = 1000


def _readings(
    kind: str,
    section: LogSection,
    chambers: Sequence[str] | None,
    zone: dt.tzinfo,
    places: Places,
    faults: list[Fault],
) -> None:
    """Check what is asked of sensors: where it stands, its chamber, its times."""
    for key, asked in (("trust", section.trust), ("leave_out", section.leave_out)):
        if asked and kind != "environment":
            where = places.where("logs", kind, key)
            faults.append(
                Fault(where, f"a {kind} log has no sensors", "move it to [logs.environment]")
            )
        for number, request in enumerate(asked):
            path = ("logs", kind, key, number)
            if chambers is not None and request.chamber not in chambers:
                what = f"no chamber is called {request.chamber!r}"
                near = nearest(request.chamber, chambers)
                faults.append(Fault(places.where(*path, "chamber"), what, near))
            since, until = (_aware(t, zone) for t in (request.since, request.until))
            if until < since:
                where = places.where(*path, "until")
                faults.append(Fault(where, "ends before it starts", "swap since and until"))
    for number, trust in enumerate(section.trust):
        clash = [other for other in section.leave_out if _overlap(trust, other, zone)]
        if clash:
            what = f"readings of {trust.chamber} are both to be trusted and to be left out"
            where = places.where("logs", kind, "trust", number)
            faults.append(Fault(where, what, "decide for one, or correct since and until"))


def _calibrations(
    kind: str, section: LogSection, zone: dt.tzinfo, places: Places, faults: list[Fault]
) -> None:
    """Check that no sensor has two calibrations from one moment on: nobody knows which holds."""
    seen: set[tuple[str, dt.datetime | None]] = set()
    for number, one in enumerate(section.calibration):
        since = one.since
        if since is not None:
            midnight = dt.datetime.combine(since, dt.time())
            since = _aware(since if isinstance(since, dt.datetime) else midnight, zone)
        if (one.sensor, since) in seen:
            what = f"a second calibration of {quote(one.sensor)} from the same moment on"
            do = "put all readings of one day into one entry, and tell another day by since"
            faults.append(Fault(places.where("logs", kind, "calibration", number), what, do))
        seen.add((one.sensor, since))


def _clocks(
    kind: str,
    section: LogSection,
    zone: dt.tzinfo,
    places: Places,
    faults: list[Fault],
) -> None:
    """Check that no clock has two truths for one moment that it showed."""
    known: dict[tuple[object, ...], dt.datetime] = {}
    for number, clock in enumerate(section.clock):
        if clock.shows is None or clock.truth is None:
            continue
        key = (clock.file, clock.since, clock.until, _aware(clock.shows, zone))
        truth = _aware(clock.truth, zone)
        if known.setdefault(key, truth) != truth:
            where = places.where("logs", kind, "clock", number)
            what = f"the clock of {clock.file!r} shows {clock.shows} twice, with different truths"
            faults.append(Fault(where, what, "remove the wrong one"))


def _aware(moment: dt.datetime, zone: dt.tzinfo) -> dt.datetime:
    local = moment if moment.tzinfo else moment.replace(tzinfo=zone)
    return local.astimezone(dt.UTC)


def _overlap(trust: Trust, other: LeaveOut, zone: dt.tzinfo) -> bool:
    """Whether two requests may mean the same readings."""
    same = trust.chamber == other.chamber
    for one, two in ((trust.sensor, other.sensor), (trust.quantity, other.quantity)):
        same = same and (one is None or two is None or one == two)
    first = max(_aware(trust.since, zone), _aware(other.since, zone))
    return same and first <= min(_aware(trust.until, zone), _aware(other.until, zone))
