"""Every abbreviation of a zone against the tz database and the places that use it."""

from __future__ import annotations

import datetime as dt
import zoneinfo

import pytest

from trialkit.logs.clocks.head_zone import _ALSO_CALLED, _OPEN, _STANDARD

#: Name → place and month in which its clocks show it; the names of other languages by those that
#: mean the same (MEZ is CET, HNE is EST). Names that the tz database has given up, by their place.
PLACES = {
    "EST": ("America/New_York", 1), "MST": ("America/Denver", 1), "PST": ("America/Los_Angeles", 1),
    "AKST": ("America/Anchorage", 1), "HST": ("Pacific/Honolulu", 1), "JST": ("Asia/Tokyo", 1),
    "NST": ("America/St_Johns", 1), "KST": ("Asia/Seoul", 1), "AEST": ("Australia/Sydney", 7),
    "ACST": ("Australia/Adelaide", 7), "AWST": ("Australia/Perth", 1),
    "NZST": ("Pacific/Auckland", 7), "SAST": ("Africa/Johannesburg", 1),
    "MSK": ("Europe/Moscow", 1), "PHT": ("Asia/Manila", 1), "SGT": ("Asia/Singapore", 1),
    "HKT": ("Asia/Hong_Kong", 1), "PKT": ("Asia/Karachi", 1), "WIB": ("Asia/Jakarta", 1),
    "EAT": ("Africa/Nairobi", 1), "WAT": ("Africa/Lagos", 1), "CAT": ("Africa/Maputo", 1),
    "BRT": ("America/Sao_Paulo", 1), "ART": ("America/Argentina/Buenos_Aires", 1),
    "COT": ("America/Bogota", 1), "PET": ("America/Lima", 1), "HNE": ("America/Toronto", 1),
    "CET": ("Europe/Vienna", 1), "MEZ": ("Europe/Vienna", 1), "EET": ("Europe/Athens", 1),
    "OEZ": ("Europe/Athens", 1), "WET": ("Europe/Lisbon", 1), "WEZ": ("Europe/Lisbon", 1),
    "GMT": ("Europe/London", 1), "CEST": ("Europe/Vienna", 7), "MESZ": ("Europe/Vienna", 7),
    "EEST": ("Europe/Athens", 7), "OESZ": ("Europe/Athens", 7), "WEST": ("Europe/Lisbon", 7),
    "BST": ("Europe/London", 7), "EDT": ("America/New_York", 7), "MDT": ("America/Denver", 7),
    "PDT": ("America/Los_Angeles", 7), "AKDT": ("America/Anchorage", 7),
    "ADT": ("America/Halifax", 7), "HDT": ("America/Adak", 7), "NDT": ("America/St_Johns", 7),
    "AEDT": ("Australia/Sydney", 1), "ACDT": ("Australia/Adelaide", 1),
    "NZDT": ("Pacific/Auckland", 1), "IDT": ("Asia/Jerusalem", 7), "HAE": ("America/Toronto", 7),
}  # fmt: skip
#: Names with several meanings.
SEVERAL = {
    "CST": [("America/Chicago", 1), ("Asia/Shanghai", 1)],
    "AST": [("America/Halifax", 1), ("Asia/Riyadh", 1)],
    "IST": [("Asia/Kolkata", 1), ("Asia/Jerusalem", 1), ("Europe/Dublin", 7)],
    "SST": [("Pacific/Pago_Pago", 1), ("Asia/Singapore", 1)],
    "CDT": [("America/Chicago", 7), ("America/Havana", 7)],
}


def hours(place: str, month: int) -> float:
    moment = dt.datetime(2023, month, 15, 12, tzinfo=zoneinfo.ZoneInfo(place))
    return moment.utcoffset().total_seconds() / 3600  # type: ignore[union-attr]


@pytest.mark.parametrize("name", sorted({**_STANDARD, **_OPEN}))
def test_an_abbreviation_is_as_far_from_utc_as_its_places(name: str) -> None:
    told = {**_STANDARD, **_OPEN}[name]
    places = SEVERAL.get(name) or [PLACES[name]]
    assert sorted(told) == sorted(hours(*place) for place in places)
    if name in _ALSO_CALLED:
        assert told == {**_STANDARD, **_OPEN}[_ALSO_CALLED[name]]
