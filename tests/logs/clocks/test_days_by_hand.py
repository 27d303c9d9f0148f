"""Days and wall times of a zone, offsets stated, changes of clocks at the ends of the range."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from trialkit.errors import LogError
from trialkit.logs.clocks.correction import _drift, _inside, _overlap, _to_shown
from trialkit.logs.clocks.zones import (
    NO_TIME,
    clock_changes,
    day_text,
    find_zone,
    local_days,
    localise,
    moment_of,
    wall_times,
)

NS = 1_000_000_000
VIENNA, DENVER = ZoneInfo("Europe/Vienna"), ZoneInfo("America/Denver")


def ns(*moments: str) -> np.ndarray:
    return np.array(moments, dtype="datetime64[ns]").astype(np.int64)


def test_wall_times_and_days_of_a_zone() -> None:
    """Vienna is an hour ahead in January and two in July; 1970-01-02 is day 1."""
    at = ns("2031-01-14T22:59:59", "2031-01-14T23:00", "2031-07-14T22:00", "1970-01-01T22:59")
    assert wall_times(at, VIENNA).tolist() == ns(
        "2031-01-14T23:59:59", "2031-01-15T00:00", "2031-07-15T00:00", "1970-01-01T23:59"
    ).tolist()  # fmt: skip
    days = [(dt.date(2031, *md) - dt.date(1970, 1, 1)).days for md in ((1, 14), (1, 15), (7, 15))]
    assert local_days(at, VIENNA).tolist() == [*days, 0]
    assert local_days(np.array([NO_TIME, at[0], NO_TIME]), VIENNA).tolist() == [-1, days[0], -1]
    assert local_days(np.array([NO_TIME]), VIENNA).tolist() == [-1]
    assert [day_text(int(t), VIENNA) for t in at[:2]] == ["2031-01-14", "2031-01-15"]


def test_moments_to_the_second() -> None:
    assert moment_of(1_999_999_999) == dt.datetime(1970, 1, 1, 0, 0, 1, tzinfo=dt.UTC)
    assert moment_of(-1) == dt.datetime(1969, 12, 31, 23, 59, 59, tzinfo=dt.UTC)


@pytest.mark.parametrize("text", ["+02:60", "-0075", "UTC+1:99", "+14:01", "+15", "-14:30"])
def test_an_offset_that_no_clock_has_is_no_zone(text: str) -> None:
    with pytest.raises(LogError, match="14 h"):
        find_zone(text)


@pytest.mark.parametrize(
    ("text", "minutes"),
    [("+00:59", 59), ("-00:59", -59), ("+14:00", 840), ("-14", -840), ("UTC-0330", -210),
     ("GMT+0", 0), ("+9", 540)],
)  # fmt: skip
def test_offsets_stated(text: str, minutes: int) -> None:
    assert find_zone(text).utcoffset(None) == dt.timedelta(minutes=minutes)


def test_changes_of_clocks_are_those_of_the_years_asked_for() -> None:
    """Two a year in Vienna; none before 1900 or after 2200 is looked for."""
    three = clock_changes(VIENNA, 2030, 2032)
    assert [dt.datetime.fromtimestamp(c.utc / NS, dt.UTC).year for c in three] == [
        2030, 2030, 2031, 2031, 2032, 2032
    ]  # fmt: skip
    late = clock_changes(VIENNA, 2200, 2400)
    assert {dt.datetime.fromtimestamp(c.utc / NS, dt.UTC).year for c in late} == {2200}
    early = clock_changes(DENVER, 1700, 1918)
    # clocks in Denver first went forward on 31 March 1918 at 09:00 UTC (IANA tz database)
    assert early[0].utc == ns("1918-03-31T09:00")[0]
    assert clock_changes(dt.timezone(dt.timedelta(hours=2)), 2031, 2031) == ()


def test_a_change_at_an_odd_second_is_found_to_the_second() -> None:
    """Monrovia left −0:44:30 on 7 January 1972 at 00:00: 00:44:30 UTC (IANA tz database)."""
    [change] = clock_changes(ZoneInfo("Africa/Monrovia"), 1971, 1973)
    assert change.utc == ns("1972-01-07T00:44:30")[0]
    assert (change.before_s, change.after_s) == (-2670, 0)


def test_a_change_in_january_is_one_of_its_own_year() -> None:
    monrovia = ZoneInfo("Africa/Monrovia")
    assert [len(clock_changes(monrovia, year, year)) for year in (1971, 1972, 1973)] == [0, 1, 0]


def test_rows_of_one_change_are_put_right_whatever_year_they_begin_in() -> None:
    """On New Year's Eve in Sydney clocks are an hour ahead of their winter: +11 h."""
    at = ns("2030-12-31T23:30", "2031-01-01T00:30")
    assert (
        localise(at, ZoneInfo("Australia/Sydney")).utc.tolist()
        == ns("2030-12-31T12:30", "2030-12-31T13:30").tolist()
    )


def test_an_hour_shown_twice_by_a_logger_of_half_hours_and_more_is_two_passes() -> None:
    """Three records, 60 and 0 min apart, half an hour in the middle: the second 02:00 is later.

    In Vienna 01:00 and the first 02:00 of 26 October 2031 are at 23:00 and 00:00 UTC.
    """
    found = localise(ns("2031-10-26T01:00", "2031-10-26T02:00", "2031-10-26T02:00"), VIENNA)
    assert found.utc.tolist() == ns(
        "2031-10-25T23:00", "2031-10-26T00:00", "2031-10-26T01:00"
    ).tolist()  # fmt: skip
    assert len(found.unsure) == 0
    often = localise(ns("2031-10-26T01:01", "2031-10-26T02:00", "2031-10-26T02:00"), VIENNA)
    assert often.unsure.tolist() == [1, 2]  # 29.5 min in the middle: the same record twice?
    two = localise(ns("2031-10-26T02:00", "2031-10-26T02:00"), VIENNA)
    assert two.unsure.tolist() == [0, 1]


# ------------------------------------------------------------------ parts of a correction


@pytest.mark.parametrize(
    ("one", "other", "common"),
    [
        ((None, None), (None, None), True), ((None, 5), (5, None), False),
        ((None, 6), (5, None), True), ((1, 3), (3, 5), False), ((1, 4), (3, 5), True),
        ((3, 5), (1, 4), True), ((1, None), (None, 1), False), ((0, 9), (None, None), True),
        ((None, 0), (None, 9), True),
    ],
)  # fmt: skip
def test_stretches_that_have_a_moment_in_common(one: tuple, other: tuple, common: bool) -> None:
    """From the first moment on, up to the last and without it."""
    assert _overlap(one, other) == common
    assert _overlap(other, one) == common


def test_inside_a_stretch_is_its_first_moment_and_not_its_last() -> None:
    at = np.array([1, 2, 3, 4])
    assert _inside(at, 2, 4).tolist() == [False, True, True, False]
    assert _inside(at, None, 2).tolist() == [True, False, False, False]
    assert _inside(at, 4, None).tolist() == [False, False, False, True]
    assert _inside(at, None, None).all()


def test_a_line_through_known_moments_keeps_whole_microseconds() -> None:
    """3 s are lost in 10 s: at 1 s it is 0.3 s, at 1/3 s it is 0.1 s; by thousands of ns."""
    known = [(0, 0), (10 * NS, 13 * NS)]
    at = np.array([0, NS, NS // 3, 10 * NS, 20 * NS, -10 * NS])
    assert _drift(at, known).tolist() == [
        0, 300_000_000, 100_000_000, 3 * NS, 6 * NS, -3 * NS
    ]  # fmt: skip


def test_a_moment_told_twice_counts_once() -> None:
    known = [(5 * NS, 6 * NS), (5 * NS, 6 * NS)]
    assert _drift(np.array([0, 9 * NS]), known).tolist() == [NS, NS]
    three = [(0, NS), (0, NS), (10 * NS, 10 * NS)]
    assert _drift(np.array([5 * NS]), three).tolist() == [NS // 2]


@pytest.mark.parametrize(
    ("moment", "aware", "want"),
    [
        ("2031-01-14T10:00:00", False, "2031-01-14T10:00:00"),
        ("2031-01-14T10:00:00", True, "2031-01-14T09:00:00"),
        ("2031-01-14T10:00:00+00:00", False, "2031-01-14T11:00:00"),
        ("2031-01-14T10:00:00-02:00", True, "2031-01-14T12:00:00"),
        ("2031-01-14T10:00:00.000250", False, "2031-01-14T10:00:00.000250"),
        ("1969-12-31T23:59:59.5", False, "1969-12-31T23:59:59.5"),
    ],
)
def test_moments_of_the_trial_file_on_the_clock_that_cells_show(
    moment: str, aware: bool, want: str
) -> None:
    """Vienna is an hour ahead of UTC in January."""
    assert _to_shown(dt.datetime.fromisoformat(moment), VIENNA, aware) == ns(want)[0]
