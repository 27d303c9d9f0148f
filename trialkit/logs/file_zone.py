"""Which zone the clock of one file shows: as the trial file says, else as its head does."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Sequence
from zoneinfo import ZoneInfo

import numpy as np

from trialkit.errors import LogError
from trialkit.logs.clocks.head_zone import HeadZone, zone_in_head
from trialkit.logs.clocks.zones import localise
from trialkit.logs.opening import Opened, Reading
from trialkit.wording import finding

#: Zones whose clocks go by a name in winter or summer, to see when they change.
_CHANGING = {
    "CET": "Europe/Berlin",
    "CEST": "Europe/Berlin",
    "EET": "Europe/Helsinki",
    "EEST": "Europe/Helsinki",
    "WET": "Europe/Lisbon",
    "WEST": "Europe/Lisbon",
    "BST": "Europe/London",
    "EDT": "America/New_York",
    "CDT": "America/Chicago",
    "MDT": "America/Denver",
    "PDT": "America/Los_Angeles",
    "AKDT": "America/Anchorage",
    "ADT": "America/Halifax",
    "HDT": "America/Adak",
    "NDT": "America/St_Johns",
    "HAE": "America/Toronto",
    "AEDT": "Australia/Sydney",
    "ACDT": "Australia/Adelaide",
    "NZDT": "Pacific/Auckland",
    "IDT": "Asia/Jerusalem",
}


def zone_of_file(
    reading: Reading, opened: Opened, heads: Sequence[str], wall: np.ndarray
) -> dt.tzinfo:
    """Give the zone of the times of a file that carry no offset of their own.

    A zone in the head is used where it is a fixed offset, and told; where it names clocks that may
    change with summer time, and the file has times in both halves of the year, it is asked about.

    Parameters
    ----------
    reading, opened
        The log being read and one of its files.
    heads : sequence of str
        Heads of the time.
    wall : ndarray of int64
        The times without an offset, as the file shows them [ns].

    Raises
    ------
    LogError
        If the head names an offset that no clock has, or a zone that must be asked about.
    """
    usual = opened.zone or reading.zone
    try:
        said = next((z for head in heads if (z := zone_in_head(head)) is not None), None)
        if said is None and opened.raw.zone_line:
            heads = (opened.raw.zone_line,)
            said = _zone_in_line(opened.raw.zone_line)
    except LogError as problem:
        raise LogError(f"{opened.raw.name}: {problem}") from None
    if said is None or not len(wall):
        return usual
    if opened.zone is not None:  # the trial file has the last word
        _tell_contradiction(reading, opened, said, wall)
        return usual
    zone, sure = _zone_said(said, usual, wall)
    if zone is None or (not sure and _differ(wall, zone, _other(said, usual, wall))):
        raise LogError(_question(reading, opened, heads, said, zone, usual, wall))
    if not _differ(wall, zone, usual):
        return usual
    reading.findings.append(
        finding(
            "zone_from_head",
            "caution" if said.kind in ("standard", "open") else "note",
            file=opened.raw.name,
            text=said.text,
            head=repr(" + ".join(heads)),
            zone=zone_name(zone),
            line=_line(opened, str(reading.trial.time_zone)),
            section=f"[logs.{reading.kind}]",
        )
    )
    return zone


def _zone_in_line(line: str) -> HeadZone | None:
    """Read the zone that a line above the heads names, such as ``Time zone: GMT+8``."""
    what = re.split(r"[:=;,\t]", line, maxsplit=1)[-1].strip(' ";,\t')
    if re.fullmatch(r"[-+−–]\s?\d{1,2}(?::?\d{2})?\s?h?", what):
        what = f"UTC{what}"
    if re.search(r"[A-Za-z]{4,}", what) and re.search(r"(?:UTC|GMT)\s?[-+−–]", what):
        return None  # an offset with a place, whose clocks may change: (UTC+01:00) Amsterdam
    return zone_in_head(what)


def _zone_said(said: HeadZone, usual: dt.tzinfo, wall: np.ndarray) -> tuple[dt.tzinfo | None, bool]:
    """Give the zone that a head means, None where it is open, and whether it cannot change."""
    if said.kind == "named":
        return said.zone, True
    offsets = _names(usual, wall)
    if said.kind == "pair":
        return (usual, True) if set(said.names) <= _called(offsets) else (None, False)
    hours: tuple[float, ...] = said.hours
    mine = {h for name, h in offsets.items() if name in said.names}
    if not hours and said.kind == "standard":
        hours = (min(offsets.values()),)
    elif not hours:
        hours = (max(offsets.values()),)
    elif len(hours) > 1:
        hours = tuple(mine)
    if len(hours) != 1 or said.kind == "unknown":
        return None, False
    sure = said.kind in ("fixed", "standard") or (said.text == "GMT" and not mine)
    return dt.timezone(dt.timedelta(hours=hours[0])), sure


def _names(zone: dt.tzinfo, wall: np.ndarray) -> dict[str, float]:
    """Give what the clocks of a zone are called through the years of a file, with their hours."""
    years = np.array([wall.min(), wall.max()]).astype("datetime64[ns]").astype("datetime64[Y]")
    first, last = (int(y) + 1970 for y in years.astype(int))
    out: dict[str, float] = {}
    for year in sorted({first, last}):
        for month in range(1, 13):
            moment = dt.datetime(min(max(year, 1), 9998), month, 15, 12, tzinfo=zone)
            offset = moment.utcoffset() or dt.timedelta(0)
            out[moment.tzname() or ""] = offset.total_seconds() / 3600
    return out


def _called(offsets: dict[str, float]) -> set[str]:
    """Give the names of a zone's clocks, and the short names for both: ET for EST and EDT."""
    short = {name[:-2] + "T" for name in offsets if name.endswith(("ST", "DT"))}
    return {*offsets, *short}


def _other(said: HeadZone, usual: dt.tzinfo, wall: np.ndarray) -> dt.tzinfo:
    """Give a zone whose clocks go by this name and change: the usual one if it does."""
    foreign = not set(said.names) & set(_names(usual, wall))
    example = _CHANGING.get(said.names[0]) if said.names and foreign else None
    return usual if example is None else ZoneInfo(example)


def _differ(wall: np.ndarray, one: dt.tzinfo, two: dt.tzinfo) -> bool:
    """Whether any moment would be another in the second zone."""
    a, b = localise(wall, one), localise(wall, two)
    open_ = len(a.missing) + len(a.unsure) + len(b.missing) + len(b.unsure)
    return bool(open_ or np.any(a.utc != b.utc))


def _tell_contradiction(reading: Reading, opened: Opened, said: HeadZone, wall: np.ndarray) -> None:
    """Tell a head that names another zone than the trial file."""
    stated = opened.zone or reading.zone
    zone, _ = _zone_said(said, stated, wall)
    if zone is not None and _differ(wall, zone, stated):
        reading.findings.append(
            finding(
                "zone_against_head",
                "note",
                file=opened.raw.name,
                text=said.text,
                zone=zone_name(stated),
            )
        )


def _question(
    reading: Reading,
    opened: Opened,
    heads: Sequence[str],
    said: HeadZone,
    fixed: dt.tzinfo | None,
    usual: dt.tzinfo,
    wall: np.ndarray,
) -> str:
    """Ask which clock a head means, with what tells, in one line."""
    name, head = opened.raw.name, " + ".join(heads)
    first, last = (str(np.datetime64(int(t), "ns").astype("datetime64[D]")) for t in _ends(wall))
    changing = zone_name(usual if fixed is None else _other(said, usual, wall))
    if fixed is None:
        what = f"{said.text!r} can mean several clocks"
        offer = f"add {_line(opened, changing)} (or the right zone or offset)"
    else:
        what = f"clocks called {said.text!r} may change with summer time"
        offer = f"add {_line(opened, zone_name(fixed))} if this one never changed, or "
        offer += f"{_line(opened, changing)} if it did"
    return (
        f"{name}: the head of the time is {head!r}, and {what}; its times run from {first} to "
        f"{last} → {offer}, to [logs.{reading.kind}]"
    )


def _ends(wall: np.ndarray) -> tuple[int, int]:
    return int(wall.min()), int(wall.max())


def _line(opened: Opened, zone: str) -> str:
    return f'time_zone = {{ "{opened.raw.name}" = "{zone}" }}'


def zone_name(zone: dt.tzinfo) -> str:
    """Write a zone as the trial file does.

    Examples
    --------
    >>> zone_name(dt.timezone(dt.timedelta(hours=-7))), zone_name(ZoneInfo("Europe/Vienna"))
    ('-07:00', 'Europe/Vienna')
    """
    if isinstance(zone, ZoneInfo):
        return zone.key
    minutes = round((zone.utcoffset(None) or dt.timedelta(0)).total_seconds() / 60)
    return f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"


def refuse_doubtful_truth(reading: Reading, opened: Opened, zone: dt.tzinfo) -> None:
    """Refuse corrections whose truth could be meant on either of two clocks.

    Raises
    ------
    LogError
        If the file's clock is in another zone than the trial, and a `truth` has no offset.
    """
    if zone is reading.zone or not any(c.truth and c.truth.tzinfo is None for c in opened.clock):
        return
    raise LogError(
        f"{opened.raw.name}: its clock is in the zone {zone_name(zone)}, the trial's in "
        f"{zone_name(reading.zone)}, so a truth without an offset could be either → write it "
        "with its offset, such as truth = 2031-01-14T10:00:00+01:00"
    )
