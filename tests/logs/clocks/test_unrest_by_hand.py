"""The parts of the search for wrong clocks, each against brute force or a closed form."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from trialkit.logs.clocks.unrest import (
    _around,
    _between_bins,
    _clear_lag,
    _fast_length,
    _outvoted,
    _overlap,
    _unrest,
    _without_profile,
)

BIN = 30 * 60 * 1_000_000_000  # half an hour [ns]


def test_lengths_are_the_least_even_ones_of_small_factors() -> None:
    """2 at least once, 3 at most three times, 5 at most twice: all such numbers up to 3000."""
    known = sorted(
        2**a * 3**b * 5**c for a, b, c in itertools.product(range(1, 13), range(4), range(3))
    )
    for n in (1, 2, 3, 7, 29, 100, 289, 451, 1000, 1999, 2881):
        assert _fast_length(n) == next(k for k in known if k >= n)


def test_the_top_between_bins_is_that_of_a_parabola() -> None:
    """A parabola through three bins whose top lies at 0.3 beyond the highest one."""
    bins = np.arange(9.0)
    for top in (3.7, 4.0, 4.3):
        score = 5.0 - 0.8 * (bins - top) ** 2
        assert 4 + _between_bins(score, 4) == pytest.approx(top, abs=1e-12)
    assert _between_bins(score, 0) == 0.0
    assert _between_bins(score, 8) == 0.0


def test_sums_over_three_days_before_and_after() -> None:
    values = np.random.default_rng(4).integers(-9, 9, (11, 5)).astype(float)
    want = [values[max(0, d - 3) : d + 4].sum(axis=0) for d in range(len(values))]
    np.testing.assert_allclose(_around(values), want)


def test_what_comes_every_day_at_its_hour_is_no_unrest_and_the_rest_is_cut() -> None:
    """Ten days of 48 changes that repeat, and one that stands out by 7 at its hour.

    Less the mean of the other days around it is 7 itself; the days around it are a sixth of it
    lower, or more at the ends.
    """
    daily = np.random.default_rng(5).normal(0, 1, 48)
    change = np.tile(daily, (10, 1))
    assert np.abs(_without_profile(change)).max() == pytest.approx(0, abs=1e-12)
    change = np.random.default_rng(6).normal(0, 1, (10, 48))
    change[5, 7] += 40.0
    change[2, 3] = np.nan
    want = np.zeros((10, 48))
    for d, h in itertools.product(range(10), range(48)):
        days = [k for k in range(d - 3, d + 4) if 0 <= k < 10 and k != d]
        others = [change[k, h] for k in days if np.isfinite(change[k, h])]
        want[d, h] = change[d, h] - np.mean(others) if np.isfinite(change[d, h]) else 0.0
    known = np.isfinite(change)
    most = 4 * 1.4826 * np.median(np.abs(want[known]))
    np.testing.assert_allclose(_without_profile(change), np.clip(want, -most, most), atol=1e-12)
    assert _without_profile(change)[5, 7] == pytest.approx(most)
    assert not _without_profile(np.full((10, 48), np.nan)).any()
    assert not _without_profile(change[:1]).any()  # a day alone has no days around


def test_changes_from_one_half_hour_to_the_next() -> None:
    """Two records in the first half hour of a day, one in the second, none in the third."""
    day = 1440 * 60 * 1_000_000_000
    first = 700 * day
    time = first + np.array([0, BIN // 2, BIN, 3 * BIN, 4 * BIN])
    temp = np.array([10.0, 12.0, 15.0, 20.0, 26.0])
    later = (time + day, np.full(5, 11.0))  # the day after: steady
    found = _unrest([np.append(time, later[0])], [np.append(temp, later[1])])
    assert found.shape == (1, 96)
    # changes of +4 into the second half hour and +6 into the fifth, against none the day after
    size = 4.0 * 1.4826 * np.median([4, 6, 4, 6])
    assert found[0, [1, 4, 49, 52]].tolist() == [4, 6, -4, -6]
    assert size > 6
    assert np.flatnonzero(found[0]).tolist() == [1, 4, 49, 52]


@pytest.mark.parametrize(("bins", "days", "enough"), [(144, 6, True), (143, 6, False)])
def test_half_the_bins_of_six_days_are_enough_in_common(bins: int, days: int, enough: bool) -> None:
    one = np.zeros(400)
    at = np.linspace(10, 10 + days * 48 - 1, bins).round().astype(int)
    one[at] = 1.0
    two = np.ones(400)
    found = _overlap(one, two)
    assert found == ((10, 10 + days * 48) if enough else None)
    assert _overlap(two, one) == found
    assert _overlap(one, 1.0 - (one != 0)) is None  # nothing in common


@pytest.mark.parametrize(("span", "enough"), [(265, True), (264, False)])
def test_what_is_in_common_must_reach_over_five_days_and_a_half(span: int, enough: bool) -> None:
    """From its first bin to its last 264 bins, of 48 a day."""
    one = np.zeros(400)
    one[:span] = 1.0
    assert (_overlap(one, np.ones(400)) is not None) == enough


def lag(one: np.ndarray, two: np.ndarray) -> float:
    n = _fast_length(len(one) + 28)
    return _clear_lag(one, two, np.fft.rfft(one, n), np.fft.rfft(two, n))


def test_a_lag_is_how_much_later_the_first_shows_the_same() -> None:
    """The same noise moved by whole bins, up to 28 (14 h); beyond it nothing is found."""
    noise = np.random.default_rng(7).normal(0, 1, 500)
    for bins in (-28, -5, 0, 2, 28):
        one = np.roll(noise, bins)
        assert lag(one, noise) == pytest.approx(bins, abs=0.1), bins
    assert np.isnan(lag(np.roll(noise, 40), noise))
    assert np.isnan(lag(noise, np.random.default_rng(8).normal(0, 1, 500)))
    assert np.isnan(lag(noise, np.zeros(500)))


def test_the_highest_correlation_must_stand_six_standard_errors_clear() -> None:
    """Of n bins the correlation of strangers has a standard error of 1/√n: 0.1 for a hundred.

    One series is the other times 0.7 and noise square to it at every lag looked at: impulses far
    apart. So the correlation at no lag is exactly what is put in.
    """
    for share, clear in ((0.55, False), (0.65, True)):
        one = np.zeros(100)
        two = np.zeros(100)
        one[10] = two[10] = np.sqrt(share)
        one[50] = np.sqrt(1 - share)  # 40 bins from the other: beyond every lag
        two[90] = np.sqrt(1 - share)
        filled_one = np.where(one == 0, 1e-9, one)  # every bin is known
        filled_two = np.where(two == 0, 1e-9, two)
        assert np.isfinite(lag(filled_one, filled_two)) == clear


def test_a_second_peak_of_seven_tenths_leaves_it_open() -> None:
    """Felt whole at a lag of 5 bins and by so much again at a lag of 15."""
    noise = np.random.default_rng(9).normal(0, 1, 4000)
    for again, clear in ((0.64, True), (0.75, False)):
        one = np.roll(noise, 5) + again * np.roll(noise, 15)
        assert np.isfinite(lag(one, noise)) == clear


def test_what_is_felt_at_once_too_is_no_matter_of_clocks() -> None:
    noise = np.random.default_rng(10).normal(0, 1, 4000)
    for at_once, clear in ((0.36, True), (0.43, False)):
        one = np.roll(noise, 4) + at_once * noise
        assert np.isfinite(lag(one, noise)) == clear


# ------------------------------------------------------------------ the vote


def vote(hours: list[float], *, loggers: list[int] | None = None, seed: int = 3) -> list:
    """Let clocks vote that show the same unrest so many hours late."""
    noise = np.random.default_rng(seed).normal(0, 1, 20 * 48)
    at = np.array(hours, dtype=float) * 2
    unrest = np.array([np.roll(noise, round(a)) for a in at])
    gap = at[:, None] - at[None, :]
    np.fill_diagonal(gap, np.nan)
    shared = np.full(len(hours), len(hours) - 1)
    found = _outvoted(gap, shared, unrest, loggers or list(range(len(hours))))
    return [(one.unit, one.hours, one.peers) for one in found]


def test_a_clock_is_outvoted_by_two_that_agree_and_are_two_more_than_those_with_it() -> None:
    assert vote([0, 0, 3]) == [(2, 3, 2)]
    assert vote([0, 0, 0, -2]) == [(3, -2, 3)]
    assert vote([0, 0]) == []  # one alone cannot tell
    assert vote([0, 0, 3, 3]) == []  # two against two
    assert vote([0, 0, 0, 3, 3]) == [(3, 3, 3), (4, 3, 3)]  # three against one: two more
    assert vote([0, 0, 0, 0, 3, 3, 3]) == [(4, 3, 4), (5, 3, 4), (6, 3, 4)]
    assert vote([0, 0, 0.25]) == []  # not even half an hour


def test_pieces_of_one_logger_are_one_witness() -> None:
    assert vote([0, 0, 3], loggers=[0, 0, 1]) == []
    assert vote([0, 0, 0, 3], loggers=[0, 0, 1, 2]) == [(3, 3, 3)]


def test_an_offset_must_be_near_a_whole_hour_for_those_who_say_so() -> None:
    """Bins are half an hour: 0.7 of one are 21 min. Late by 3 h and 20 min is near, 22 min not.

    The two that bear witness agree to one bin: half an hour apart they still do, 33 min not.
    """
    assert vote([0, 0, 3 + 20 / 60]) == [(2, 3, 2)]
    assert vote([0, 0, 3 + 22 / 60]) == []
    assert vote([-0.25, 0.25, 3]) == [(2, 3, 2)]
    assert vote([-0.275, 0.275, 3]) == []


def test_most_of_those_that_share_the_days_must_say_so() -> None:
    noise = np.random.default_rng(3).normal(0, 1, 20 * 48)
    unrest = np.array([noise, noise, np.roll(noise, 6)])
    gap = np.array([[np.nan, 0, -6], [0, np.nan, -6], [6, 6, np.nan]])
    for shared, count in ((3, 1), (4, 0)):
        found = list(_outvoted(gap, np.array([2, 2, shared]), unrest, [0, 1, 2]))
        assert len(found) == count


def test_more_than_half_of_the_witnesses_must_say_so_all_the_time() -> None:
    """One of two feels what the late one feels; the other agrees by its lag alone."""
    rng = np.random.default_rng(3)
    noise, apart = rng.normal(0, 1, 20 * 48), rng.normal(0, 1, 20 * 48)
    gap = np.array([[np.nan, 0, -6], [0, np.nan, -6], [6, 6, np.nan]])
    for second, count in ((noise, 1), (apart, 0)):
        unrest = np.array([noise, second, np.roll(noise, 6)])
        found = list(_outvoted(gap, np.array([2, 2, 3]), unrest, [0, 1, 2]))
        assert len(found) == count
