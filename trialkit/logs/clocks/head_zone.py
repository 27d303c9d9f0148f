"""The zone that the head of a time column names, such as ``Date Time, GMT-07:00`` or ``(MST)``."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from trialkit.errors import LogError

#: ``"fixed"``: an offset that never changes; ``"standard"``: standard time all year;
#: ``"open"``: a name used both for a fixed offset and for clocks that change with summer time;
#: ``"pair"``: both names of clocks that change; ``"named"``: a zone by its full name;
#: ``"unknown"``: a name that is not known here.
Kind = Literal["fixed", "standard", "open", "pair", "named", "unknown"]

#: Farthest that a clock is from UTC [h] (Kiribati).
MOST_HOURS = 14
# name → hours from UTC (time zone names as in the IANA tz database); one of several meanings is
# taken only where the zone of the log uses the name too
_STANDARD = {
    "EST": (-5,), "MST": (-7,), "PST": (-8,), "AKST": (-9,), "HST": (-10,), "NST": (-3.5,),
    "CST": (-6, 8), "AST": (-4, 3), "IST": (5.5, 2, 1), "SST": (-11, 8), "JST": (9,), "KST": (9,),
    "AEST": (10,), "ACST": (9.5,), "AWST": (8,), "NZST": (12,), "SAST": (2,), "MSK": (3,),
    "PHT": (8,), "SGT": (8,), "HKT": (8,), "PKT": (5,), "WIB": (7,), "EAT": (3,), "WAT": (1,),
    "CAT": (2,), "BRT": (-3,), "ART": (-3,), "COT": (-5,), "PET": (-5,), "HNE": (-5,),
}  # fmt: skip
_OPEN = {
    "CET": (1,), "MEZ": (1,), "EET": (2,), "OEZ": (2,), "WET": (0,), "WEZ": (0,), "GMT": (0,),
    "CEST": (2,), "MESZ": (2,), "EEST": (3,), "OESZ": (3,), "WEST": (1,), "BST": (1,),
    "EDT": (-4,), "CDT": (-5, -4), "MDT": (-6,), "PDT": (-7,), "AKDT": (-8,), "ADT": (-3,),
    "HDT": (-9,), "NDT": (-2.5,), "AEDT": (11,), "ACDT": (10.5,), "NZDT": (13,), "IDT": (3,),
    "HAE": (-4,),
}  # fmt: skip
_PAIRED = frozenset({"ET", "CT", "MT", "PT", "AKT", "AET", "NZT"})
_ALSO_CALLED = {"MEZ": "CET", "MESZ": "CEST", "OEZ": "EET", "OESZ": "EEST", "WEZ": "WET"}
_REGIONS = {"eastern": "E", "central": "C", "mountain": "M", "pacific": "P", "atlantic": "A"}
_OFFSET = re.compile(
    r"(?<![A-Za-z0-9])(?P<utc>(?:UTC|GMT)[\s_]*)?"
    r"(?P<sign>[-+−–±])\s?(?P<h>\d{1,2})(?:(?P<colon>:)?(?P<m>\d{2}))?(?!\d)\s?h?(?P<end>.?)",
    re.IGNORECASE,
)
_TIME_WORDS = r"(?:date|time|datetime|date_?time|timestamp|zeit|datum|uhrzeit|fecha|hora|heure)"
_UTC = re.compile(
    rf"(?<![A-Za-z])(?:UTC|Zulu)(?![A-Za-z])|(?<![A-Za-z]){_TIME_WORDS}UTC(?![A-Za-z])"
    rf"|(?<![A-Za-z])UTC{_TIME_WORDS}(?![A-Za-z])",
    re.IGNORECASE,
)
_NO_ZONES_TEXT = """
AM PM DATE TIME ISO UNIX EPOCH POSIX EXCEL DMY MDY YMD HH MM SS HHMM HMS DST YYYY DD START STOP
END UTC ID NR NO LOG DAY HOUR MIN SEC MS AVG"""
_NO_ZONES = frozenset(_NO_ZONES_TEXT.split())


@dataclass(frozen=True)
class HeadZone:
    """What the head of a time column says of its zone.

    Parameters
    ----------
    text : str
        As it stands in the head.
    kind : str
    hours : tuple of float
        Hours from UTC that it can mean.
    names : tuple of str
        Names of the zone's clocks, for ``"pair"`` and ``"open"``.
    zone : tzinfo or None
        For ``"named"``.
    """

    text: str
    kind: Kind
    hours: tuple[float, ...] = ()
    names: tuple[str, ...] = ()
    zone: dt.tzinfo | None = None


def zone_in_head(head: str) -> HeadZone | None:
    """Read the zone that a head names; None where it names none.

    Raises
    ------
    LogError
        If it gives an offset that no clock has.

    Examples
    --------
    >>> zone_in_head("Date Time, GMT-07:00").hours, zone_in_head("Date-Time (MST)").kind
    ((-7.0,), 'standard')
    >>> zone_in_head("CET/CEST").kind, zone_in_head("Date/Time") is None
    ('pair', True)
    """
    found = _offset(head) or _full_name(head)
    if found is None and _UTC.search(head):
        return HeadZone("UTC", "fixed", (0.0,))
    return found or _abbreviated(head) or _worded(head) or _unknown(head)


def _offset(head: str) -> HeadZone | None:
    for found in _OFFSET.finditer(head):
        around = head[: found.start()].rstrip()[-1:] + found["end"].strip()
        bracketed = around in ("()", "[]")
        if not (found["utc"] or found["colon"] or bracketed):
            continue
        hours, minutes = int(found["h"]), int(found["m"] or 0)
        if hours * 60 + minutes > MOST_HOURS * 60 or minutes > 59:
            raise LogError(
                f"the head {head!r} of the time gives an offset that no clock has: it must lie "
                f"between −{MOST_HOURS} and +{MOST_HOURS} h → correct the head"
            )
        sign = -1 if found["sign"] in "-−–" else 1
        text = found[0][: len(found[0]) - len(found["end"])].strip()
        return HeadZone(text, "fixed", (sign * (hours + minutes / 60),))
    return None


def _full_name(head: str) -> HeadZone | None:
    for name in re.findall(r"[A-Z][A-Za-z]+(?:/[A-Z][A-Za-z_\-]+){1,2}", head):
        try:
            return HeadZone(name, "named", zone=ZoneInfo(name))
        except (ZoneInfoNotFoundError, ValueError, OSError):
            continue
    return None


def _tokens(head: str) -> Iterator[str]:
    """Give words that may be names of zones: in capitals, or last after a word for time."""
    yield from re.findall(r"(?<![A-Za-z0-9])[A-Z]{2,5}(?![A-Za-z0-9])", head)
    last = re.fullmatch(rf"{_TIME_WORDS}[\s_]([a-z]{{2,5}})", head.strip())
    if last:
        yield last[1].upper()


def _abbreviated(head: str) -> HeadZone | None:
    known = [t for t in _tokens(head) if t in _STANDARD or t in _OPEN or t in _PAIRED]
    if not known:
        return None
    names = tuple(_ALSO_CALLED.get(t, t) for t in known)
    if len(set(names)) > 1 or known[0] in _PAIRED:
        return HeadZone("/".join(known), "pair", names=names)
    kind: Kind = "standard" if known[0] in _STANDARD else "open"
    return HeadZone(known[0], kind, (_STANDARD | _OPEN)[known[0]], names)


def _worded(head: str) -> HeadZone | None:
    """Read a zone that is said in words: Mountain Standard Time, local standard time."""
    found = re.search(
        r"(?:(eastern|central|mountain|pacific|atlantic)\s+)?(standard|daylight)\s+time"
        r"|(?<![A-Za-z])(LST|LDT)(?![A-Za-z])|(summer ?time|sommerzeit|daylight)"
        r"|(winter ?time|winterzeit|normalzeit)",
        head,
        re.IGNORECASE,
    )
    if found is None:
        return None
    region, half, letters, _, winter = found.groups()
    standard = winter or (half or "").lower() == "standard" or (letters or "").upper() == "LST"
    if region:
        return _abbreviated(_REGIONS[region.lower()] + ("ST" if standard else "DT"))
    return HeadZone(found[0], "standard" if standard else "open")


def _unknown(head: str) -> HeadZone | None:
    """Give a name in brackets that reads like a zone, but is none known here."""
    for inner in re.findall(r"[(\[]\s*([A-Z]{2,4}T)\s*[)\]]", head):
        if inner not in _NO_ZONES:
            return HeadZone(inner, "unknown")
    return None
