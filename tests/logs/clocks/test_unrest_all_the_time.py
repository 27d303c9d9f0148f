"""A wrong clock shows the same lag in each third of the days and each quarter of the day."""

from __future__ import annotations

import numpy as np
import pytest

from tests.logs.clocks.test_unrest import MINUTE, loggers
from tests.logs.clocks.test_unrest_by_hand import lag
from trialkit.logs.clocks.unrest import _lasts, find_offsets

DAYS, BINS = 20, 48
N = DAYS * BINS
SIGNS = np.random.default_rng(11).choice([-1.0, 1.0], N)
LATE = np.roll(SIGNS, 6)
OTHER = np.roll(SIGNS, 13)
AT = np.arange(N)


@pytest.mark.parametrize(("expected", "sound"), [(4, False), (5, True), (6, True), (7, True),
                                                 (8, False), (-6, False)])  # fmt: skip
def test_one_bin_beside_what_is_expected_is_near_enough(expected: float, sound: bool) -> None:
    assert _lasts(LATE, SIGNS, expected) == sound
    assert _lasts(SIGNS, LATE, -expected) == sound


@pytest.mark.parametrize("third", [0, 1, 2])
def test_each_third_of_the_days_must_show_it(third: int) -> None:
    """Signs of one size: each bin counts alike, so the lag of most bins of a part is its lag."""
    inside = np.equal(AT * 3 // N, third)
    assert not _lasts(np.where(inside, OTHER, LATE), SIGNS, 6.0)
    few = inside & (AT % 320 < 120)  # 120 of 320 bins
    assert _lasts(np.where(few, OTHER, LATE), SIGNS, 6.0)


def test_thirds_it_is_and_no_quarters() -> None:
    """140 bins are less than half of the first 320, and more than half of the first 240."""
    assert _lasts(np.where(AT < 140, OTHER, LATE), SIGNS, 6.0)


@pytest.mark.parametrize("quarter", [0, 1, 2, 3])
def test_each_quarter_of_the_day_must_show_it(quarter: int) -> None:
    inside = np.equal(AT % BINS // 12, quarter)
    assert not _lasts(np.where(inside, OTHER, LATE), SIGNS, 6.0)
    few = inside & (AT % 12 < 4)
    assert _lasts(np.where(few, OTHER, LATE), SIGNS, 6.0)


def test_quarters_of_the_day_and_no_fifths() -> None:
    """Of the first twelve bins of a day 5.5 are less than half, of the first ten more."""
    few = (AT % BINS < 5) | ((AT % BINS == 5) & (AT // BINS % 2 == 0))
    assert _lasts(np.where(few, OTHER, LATE), SIGNS, 6.0)


def test_only_the_days_that_both_have_count() -> None:
    """The first five days of one of them are missing: fifteen days are left, in thirds of five."""
    late = np.where(AT < 5 * BINS, 0.0, LATE)
    assert _lasts(late, SIGNS, 6.0)
    first = (AT >= 5 * BINS) & (AT < 10 * BINS)
    assert not _lasts(np.where(first, OTHER, late), SIGNS, 6.0)
    assert not _lasts(np.zeros(N), SIGNS, 6.0)


@pytest.mark.parametrize("hours", [-14, 14])
def test_lags_reach_over_fourteen_hours(hours: int) -> None:
    assert _lasts(np.roll(SIGNS, 2 * hours), SIGNS, 2.0 * hours)


def test_what_lies_two_bins_from_the_peak_is_a_peak_of_its_own() -> None:
    noise = np.random.default_rng(12).normal(0, 1, 4000)
    assert np.isfinite(lag(np.roll(noise, 10) + 0.8 * np.roll(noise, 11), noise))
    assert np.isfinite(lag(np.roll(noise, 10) + 0.8 * np.roll(noise, 9), noise))
    for beside in (8, 12):
        assert np.isnan(lag(np.roll(noise, 10) + 0.8 * np.roll(noise, beside), noise))


def test_half_an_hour_is_not_apart_from_at_once() -> None:
    """What is felt at once by half counts against a lag of two bins and not of one."""
    noise = np.random.default_rng(13).normal(0, 1, 4000)
    for bins, clear in ((1, True), (-1, True), (2, False), (-2, False)):
        assert np.isfinite(lag(np.roll(noise, bins) + 0.55 * noise, noise)) == clear


@pytest.mark.parametrize(("minutes", "found"), [(0, 1), (1, 0)])
def test_logs_may_span_1830_days(minutes: int, found: int) -> None:
    """Five years and a few days, between the first record of all and the last."""
    times, temps = loggers(0, n=3, late_h=1)
    times[2] = times[2].copy()
    times[2][-1] = min(int(t[0]) for t in times) + (1830 * 1440 + minutes) * MINUTE
    assert len(find_offsets(times, temps, range(3))) == found
