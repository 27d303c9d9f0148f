"""Checks of the trial file's `[logs]`: columns, units, and what is asked of sensors' readings."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence

from trialkit.columns import HarvestColumn, log_columns, units_for
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
            if name in known and unit not in units_for(name, own):
                listed = ", ".join(units_for(name, own)) or "none: it carries no unit"
                where = places.where(*path, "units", name)
                faults.append(Fault(where, f"unit {unit!r} is not known here", f"known: {listed}"))
        _readings(str(kind), checked, levels.get("chamber"), zone, places, faults)
        out[str(kind)] = checked
    return out


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
