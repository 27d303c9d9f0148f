"""Clocks set right and put into their zone, each moment worked out on paper.

Clocks in Vienna go forward on 30 March 2031 at 02:00 and back on 26 October 2031 at 03:00, both at
01:00 UTC (last Sundays; directive 2000/84/EC).
"""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from trialkit.errors import LogError
from trialkit.logs.clocks.correction import correct_clock
from trialkit.logs.clocks.zones import clock_changes, find_zone, localise
from trialkit.trial.sections import Clock

NS = 1_000_000_000
VIENNA = ZoneInfo("Europe/Vienna")


def wall(*moments: str, day: str = "2031-10-26") -> np.ndarray:
    """Give moments of a day (HH:MM) as nanoseconds of the wall clock."""
    full = [m if "-" in m else f"{day} {m}" for m in moments]
    return np.array(full, dtype="datetime64[ns]").astype(np.int64)


def shown(ns: np.ndarray) -> list[str]:
    return [str(t)[11:16] for t in ns.astype("datetime64[ns]")]


def every(minutes: int, first: str, last: str) -> np.ndarray:
    low, high = wall(first, last)
    return np.arange(low, high + 1, minutes * 60 * NS)


# ------------------------------------------------------------------ clocks set right


def moment(text: str) -> dt.datetime:
    return dt.datetime.fromisoformat(f"2031-01-20T{text}")


def added(at: list[str], *known: Clock, aware: bool = False) -> tuple[list[float], list[bool]]:
    """Give the seconds added at moments of 20 January and whether they are touched."""
    add, touched = correct_clock(
        wall(*at, day="2031-01-20"), known, zone=VIENNA, aware=aware, file="a.csv"
    )
    return (add / NS).tolist(), touched.tolist()


def test_a_constant_holds_from_its_beginning_up_to_its_end() -> None:
    one = Clock(file="a.csv", add_s=-90.5, since=moment("08:00"), until=moment("10:00"))
    at = ["07:59", "08:00", "09:59", "10:00"]
    assert added(at, one) == ([0, -90.5, -90.5, 0], [False, True, True, False])
    both = Clock(file="a.csv", add_s=30.0)
    assert added(at, one, both)[0] == [30, -60.5, -60.5, 30]
    assert added(at, both)[1] == [True] * 4


def test_a_clock_that_runs_fast_is_set_right_along_a_line_and_beyond_its_ends() -> None:
    """Right at 08:00, 60 s ahead at 12:00: a quarter of a minute an hour, before and after too."""
    known = [
        Clock(file="a.csv", shows=moment("12:00"), truth=moment("11:59")),
        Clock(file="a.csv", shows=moment("08:00"), truth=moment("08:00")),
    ]
    assert added(["06:00", "08:00", "10:00", "12:00", "16:00"], *known)[0] == [
        30,
        0,
        -30,
        -60,
        -120,
    ]


def test_three_known_moments_make_two_lines_each_carried_on_beyond_its_end() -> None:
    """0 s at 08:00, −60 s at 12:00, −60 s at 14:00: level afterwards, rising backwards."""
    known = [
        Clock(file="a.csv", shows=moment(s), truth=moment(t))
        for s, t in (("08:00", "08:00"), ("12:00", "11:59"), ("14:00", "13:59"))
    ]
    assert added(["04:00", "10:00", "13:00", "20:00"], *known)[0] == [60, -30, -60, -60]


def test_one_known_moment_is_a_constant_and_known_moments_have_their_own_stretch() -> None:
    one = Clock(
        file="a.csv", shows=moment("09:00"), truth=moment("09:02:00.250000"), since=moment("08:00")
    )
    assert added(["07:00", "08:00", "20:00"], one) == ([0, 120.25, 120.25], [False, True, True])


def test_known_moments_are_meant_in_the_zone_of_the_log() -> None:
    """Vienna is an hour ahead of UTC in January: 09:00 there is 08:00 where cells are in UTC."""
    known = [
        Clock(file="a.csv", shows=moment("09:00"), truth=moment("09:00")),
        Clock(file="a.csv", shows=moment("13:00"), truth=moment("13:01")),
    ]
    assert added(["08:00", "12:00"], *known, aware=True)[0] == [0, 60]
    utc = Clock(file="a.csv", add_s=5.0, since=moment("08:00+00:00"))
    assert added(["08:59", "09:00"], utc)[1] == [False, True]
    assert added(["07:59", "08:00"], utc, aware=True)[1] == [False, True]


def test_a_correction_without_its_parts_is_refused() -> None:
    with pytest.raises(LogError, match=r"a\.csv: .*add_s"):
        added(["08:00"], Clock(file="a.csv", shows=moment("09:00")))


# ------------------------------------------------------------------ zones


@pytest.mark.parametrize(
    ("text", "seconds"),
    [("+01:00", 3600), ("-03:30", -12600), ("UTC+1", 3600), ("GMT-5", -18000), ("+14:00", 50400),
     ("+0545", 20700), ("Asia/Kathmandu", 20700), (" +02 ", 7200)],
)  # fmt: skip
def test_offsets_and_names_of_zones(text: str, seconds: int) -> None:
    found = dt.datetime(2031, 1, 20, tzinfo=find_zone(text)).utcoffset()
    assert found == dt.timedelta(seconds=seconds)


@pytest.mark.parametrize("text", ["+14:01", "+15", "Mars/Base", "", "UTC+", "../etc"])
def test_what_is_no_zone_is_refused(text: str) -> None:
    with pytest.raises(LogError, match="time zone"):
        find_zone(text)


def test_changes_of_the_clocks_of_a_year() -> None:
    """Vienna by the directive; Lord Howe moves by half an hour, at 02:00 (IANA tz database)."""
    spring, autumn = clock_changes(VIENNA, 2031, 2031)
    assert (spring.utc, autumn.utc) == (
        *wall("2031-03-30 01:00"), *wall("2031-10-26 01:00")
    )  # fmt: skip
    assert (spring.before_s, spring.after_s, spring.forward) == (3600, 7200, True)
    assert (autumn.before_s, autumn.after_s, autumn.forward) == (7200, 3600, False)
    assert shown(np.array([spring.low, spring.high])) == ["02:00", "03:00"]
    assert shown(np.array([autumn.low, autumn.high])) == ["02:00", "03:00"]
    howe = clock_changes(ZoneInfo("Australia/Lord_Howe"), 2031, 2031)
    assert [c.after_s - c.before_s for c in howe] == [-1800, 1800]
    assert shown(np.array([howe[0].low, howe[0].high])) == ["01:30", "02:00"]
    assert clock_changes(ZoneInfo("Africa/Nairobi"), 2031, 2031) == ()


def test_a_zone_that_never_changes_its_clocks_takes_off_its_offset() -> None:
    """Nairobi is three hours ahead of UTC all year."""
    assert shown(localise(wall("10:00", "11:30"), ZoneInfo("Africa/Nairobi")).utc) == [
        "07:00", "08:30"
    ]  # fmt: skip


def test_the_missing_hour_is_missing_and_all_around_it_is_known() -> None:
    at = wall("01:59", "02:00", "02:59", "03:00", day="2031-03-30")
    found = localise(at, VIENNA)
    assert found.missing.tolist() == [1, 2]
    assert shown(found.utc)[0::3] == ["00:59", "01:00"]
    assert [(c.forward, n) for c, n in found.stayed] == [(True, 2)]


# ------------------------------------------------------------------ the hour that comes twice

#: Records every ten minutes from 01:30 to 03:20, the hour from 02:00 gone through twice.
TWICE = np.concatenate([every(10, "01:30", "02:50"), every(10, "02:00", "03:20")])
#: The same in UTC: 23:30 to 02:20, every ten minutes.
STEADY = every(10, "2031-10-25 23:30", "02:20")


def test_the_second_pass_is_told_by_the_step_back() -> None:
    found = localise(TWICE, VIENNA)
    assert found.utc.tolist() == STEADY.tolist()
    assert (len(found.unsure), len(found.missing), found.stayed) == (0, 0, [])
    newest_first = localise(TWICE[::-1], VIENNA)
    assert newest_first.utc.tolist() == STEADY[::-1].tolist()
    assert len(newest_first.unsure) == 0


def test_each_logger_of_a_file_has_its_own_order() -> None:
    """Rows of two loggers by turns: without knowing which is which, nothing can be told."""
    both = np.repeat(TWICE, 2)
    group = np.tile([0, 1], len(TWICE))
    found = localise(both, VIENNA, groups=group)
    assert found.utc.tolist() == np.repeat(STEADY, 2).tolist()
    assert len(found.unsure) == 0
    turns = np.concatenate([TWICE, TWICE])
    apart = localise(turns, VIENNA, groups=np.repeat([0, 1], len(TWICE)))
    assert apart.utc.tolist() == np.tile(STEADY, 2).tolist()


def test_an_hourly_logger_shows_the_same_hour_twice() -> None:
    found = localise(wall("00:00", "01:00", "02:00", "02:00", "03:00", "04:00"), VIENNA)
    assert shown(found.utc) == ["22:00", "23:00", "00:00", "01:00", "02:00", "03:00"]
    assert len(found.unsure) == 0


@pytest.mark.parametrize(("back", "sure"), [(15, False), (16, True)])
def test_a_step_back_of_more_than_a_quarter_of_an_hour_is_the_second_pass(
    back: int, sure: bool
) -> None:
    """Records every minute up to 02:40, then from a little before, on to 03:10."""
    first = every(1, "01:30", "02:40")
    second = np.arange(first[-1] - back * 60 * NS, wall("03:10")[0] + 1, 60 * NS)
    found = localise(np.concatenate([first, second]), VIENNA)
    assert (len(found.unsure) == 0) == sure
    if sure:
        hours = np.diff(found.utc[[len(first) - 1, len(first)]])[0] / (60 * NS)
        assert hours == 60 - back


def test_two_steps_back_cannot_be_told_apart() -> None:
    rows = np.concatenate(
        [every(10, "01:30", "02:50"), every(10, "02:00", "02:50"), every(10, "02:00", "03:20")]
    )
    found = localise(rows, VIENNA)
    assert found.unsure.tolist() == list(range(3, 21))  # all 18 of the doubled hour


@pytest.mark.parametrize(("minutes", "stayed"), [(5, True), (15, True), (20, False)])
def test_one_pass_without_a_break_is_a_clock_that_stayed(minutes: int, stayed: bool) -> None:
    """Told where records are at most a quarter of the hour apart."""
    found = localise(every(minutes, "00:00", "05:00"), VIENNA)
    inside = 60 // minutes
    assert [n for _, n in found.stayed] == ([inside] if stayed else [])
    assert len(found.unsure) == (0 if stayed else inside)


@pytest.mark.parametrize(("gap", "stayed"), [(30, True), (31, False)])
def test_a_break_of_three_usual_steps_is_still_none(gap: int, stayed: bool) -> None:
    early = every(10, "00:00", "02:10")
    late = np.arange(early[-1] + gap * 60 * NS, wall("05:00")[0], 600 * NS)
    found = localise(np.concatenate([early, late]), VIENNA)
    assert bool(found.stayed) == stayed
    assert (len(found.unsure) == 0) == stayed


def test_a_file_that_begins_or_ends_in_the_doubled_hour_tells_nothing() -> None:
    assert len(localise(every(10, "02:10", "05:00"), VIENNA).unsure) == 5
    assert len(localise(every(10, "00:00", "02:40"), VIENNA).unsure) == 5
    assert len(localise(every(10, "01:50", "03:00"), VIENNA).unsure) == 0  # a record on each side
    assert len(localise(np.zeros(0, np.int64), VIENNA).utc) == 0


# ------------------------------------------------------------------ two truths for one moment


def test_one_moment_shown_with_two_truths_is_refused() -> None:
    """At 08:00 on its display it was 08:05 or 08:10, not both."""
    first = Clock(file="*", shows=moment("08:00"), truth=moment("08:05"))
    second = Clock(file="a.csv", shows=moment("08:00"), truth=moment("08:10"))
    with pytest.raises(LogError, match="two clock corrections"):
        added(["09:00"], first, second)
    again = Clock(file="a.csv", shows=moment("08:00"), truth=moment("08:05"))
    assert added(["09:00"], first, again)[0] == [300]
    until = first.model_copy(update={"until": moment("08:30")})
    since = second.model_copy(update={"since": moment("08:30")})
    assert added(["08:29", "08:30"], until, since)[0] == [300, 600]
    with pytest.raises(LogError, match="two clock corrections"):
        added(["09:00"], first, since)
