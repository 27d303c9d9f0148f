"""Which zone a head, or a line above the heads, means for a file of some days: by hand."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from trialkit.logs.clocks.head_zone import HeadZone, zone_in_head
from trialkit.logs.file_zone import (
    _called,
    _differ,
    _names,
    _other,
    _zone_in_line,
    _zone_said,
    zone_name,
)

VIENNA, DENVER = ZoneInfo("Europe/Vienna"), ZoneInfo("America/Denver")
UTC = dt.UTC


def wall(*moments: str) -> np.ndarray:
    return np.array(moments, dtype="datetime64[ns]").astype(np.int64)


YEAR = wall("2031-01-14T10:00", "2031-04-02T10:00")


def fixed(hours: float) -> dt.tzinfo:
    return dt.timezone(dt.timedelta(hours=hours))


@pytest.mark.parametrize(
    ("line", "hours"),
    [
        ("Time zone: GMT+8", 8), ("Time zone;UTC-3", -3), ("tz=+1", 1), ("UTC offset,-03:30", -3.5),
        ("zone\t+5 h", 5), ("-0430", -4.5), ("Time zone: UTC", 0), ('"Zone: UTC+2"', 2),
        ("Zone: −6", -6), ("a: b: UTC+2", 2), ("UTC +2", 2),
    ],
)  # fmt: skip
def test_lines_that_name_an_offset(line: str, hours: float) -> None:
    """Behind the first sign of parting; a bare offset is one from UTC."""
    found = _zone_in_line(line)
    assert found is not None
    assert (found.kind, found.hours) == ("fixed", (hours,))


@pytest.mark.parametrize(
    "line", ["Zone: (UTC+01:00) Amsterdam", "Zone: 12", "Site: greenhouse", "Zone: local", ""]
)
def test_lines_that_name_none(line: str) -> None:
    """An offset beside a place may change with summer time."""
    assert _zone_in_line(line) is None


def test_a_place_in_a_line_is_a_place() -> None:
    found = _zone_in_line("Time zone: Europe/Vienna")
    assert found is not None
    assert found.zone == VIENNA


def test_what_clocks_are_called_through_the_years_of_a_file() -> None:
    """Vienna: CET at +1 and CEST at +2; Denver: MST at −7 and MDT at −6 (IANA tz database)."""
    assert _names(VIENNA, YEAR) == {"CET": 1, "CEST": 2}
    assert _names(DENVER, wall("2031-07-01")) == {"MST": -7, "MDT": -6}
    assert _names(UTC, YEAR) == {"UTC": 0}
    # summer in Moscow was MSD until 2010
    moscow = ZoneInfo("Europe/Moscow")
    assert "MSD" in _names(moscow, wall("2010-07-01", "2011-07-01"))
    assert "MSD" not in _names(moscow, wall("2011-07-01", "2012-07-01"))


def test_short_names_for_both_clocks() -> None:
    assert _called({"MST": -7, "MDT": -6}) == {"MST", "MDT", "MT"}
    assert _called({"CET": 1, "CEST": 2}) == {"CET", "CEST"}


@pytest.mark.parametrize(
    ("head", "usual", "zone", "sure"),
    [
        ("time (UTC+3)", VIENNA, fixed(3), True), ("time (MST)", DENVER, fixed(-7), True),
        ("time (MST)", VIENNA, fixed(-7), True), ("time (CET)", VIENNA, fixed(1), False),
        ("time (CEST)", VIENNA, fixed(2), False), ("time (GMT)", VIENNA, fixed(0), True),
        ("time (GMT)", ZoneInfo("Europe/London"), fixed(0), False),
        ("time (BST)", VIENNA, fixed(1), False), ("time (LST)", VIENNA, fixed(1), True),
        ("time (LDT)", VIENNA, fixed(2), False), ("Sommerzeit", DENVER, fixed(-6), False),
        ("Winterzeit", DENVER, fixed(-7), True), ("time (CST)", VIENNA, None, False),
        ("time (CST)", ZoneInfo("America/Chicago"), fixed(-6), True),
        ("time (CST)", ZoneInfo("Asia/Shanghai"), fixed(8), True),
        ("time (MT)", DENVER, DENVER, True), ("time (MT)", VIENNA, None, False),
        ("MST/MDT", DENVER, DENVER, True), ("CET/CEST", VIENNA, VIENNA, True),
        ("CET/CEST", DENVER, None, False), ("time (QQT)", VIENNA, None, False),
        ("time America/Denver", VIENNA, DENVER, True),
    ],
)  # fmt: skip
def test_the_zone_that_a_head_means(
    head: str, usual: dt.tzinfo, zone: dt.tzinfo | None, sure: bool
) -> None:
    said = zone_in_head(head)
    assert said is not None
    assert _zone_said(said, usual, YEAR) == (zone, sure)


@pytest.mark.parametrize(
    ("head", "usual", "other"),
    [
        ("time (CET)", VIENNA, VIENNA), ("time (CET)", DENVER, ZoneInfo("Europe/Berlin")),
        ("time (BST)", DENVER, ZoneInfo("Europe/London")), ("time (GMT)", DENVER, DENVER),
        ("time (LDT)", DENVER, DENVER), ("time (MDT)", VIENNA, DENVER),
    ],
)  # fmt: skip
def test_whose_clocks_would_change(head: str, usual: dt.tzinfo, other: dt.tzinfo) -> None:
    said = zone_in_head(head)
    assert said is not None
    assert _other(said, usual, YEAR) == other


@pytest.mark.parametrize(
    ("moments", "one", "two", "differ"),
    [
        (["2031-01-14T10:00"], VIENNA, fixed(1), False),
        (["2031-07-14T10:00"], VIENNA, fixed(1), True),
        (["2031-01-14T10:00", "2031-07-14T10:00"], VIENNA, fixed(1), True),
        (["2031-01-14T10:00", "2031-07-14T10:00"], VIENNA, ZoneInfo("Europe/Berlin"), False),
        (["2031-03-30T02:30"], VIENNA, ZoneInfo("Europe/Berlin"), True),
        (["2031-03-30T02:30"], fixed(1), VIENNA, True),
        (["2031-10-26T02:30"], fixed(1), VIENNA, True),
        (["2031-10-26T02:30"], VIENNA, fixed(2), True),
    ],
)  # fmt: skip
def test_zones_differ_where_a_moment_would_be_another_or_none(
    moments: list[str], one: dt.tzinfo, two: dt.tzinfo, differ: bool
) -> None:
    """The hour that is missing, or comes twice, is open in any zone that has it."""
    assert _differ(wall(*moments), one, two) == differ


@pytest.mark.parametrize(
    ("hours", "text"),
    [(0, "+00:00"), (-7, "-07:00"), (5.75, "+05:45"), (-3.5, "-03:30"), (-0.5, "-00:30"),
     (14, "+14:00"), (10 + 1 / 60, "+10:01")],
)  # fmt: skip
def test_offsets_are_written_as_the_trial_file_does(hours: float, text: str) -> None:
    assert zone_name(fixed(hours)) == text


def test_a_name_that_is_not_known_is_open_even_with_hours() -> None:
    assert _zone_said(HeadZone("QQT", "unknown", (1.0,)), VIENNA, YEAR) == (None, False)
