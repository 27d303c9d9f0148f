"""Ranges of the next trial, worked out on paper."""

from types import SimpleNamespace

import numpy as np
import pytest

from trialkit.decision.next_ranges import candidate_values, chosen_values, next_ranges
from trialkit.settings.setting_range import SettingRange
from trialkit.trial import Factor, Setting


def ranges(low, high, *, seen=True, open_low=False, open_high=False, stepped=True):
    """Give the next range of a duty of 2 to 10 % in steps of 0.5, the best between low and high."""
    numbers = np.arange(2, 10.01, 0.5)
    levels = {f"{v:g} %": Setting(on_s=v, off_s=100 - v) for v in numbers}
    tuned = SettingRange("duty_pct", 2, 10, 8, "%", tuple(numbers))
    factor = Factor("mist", ("batch",), "8 %", levels, tuned=tuned, stepped=stepped)
    region = SimpleNamespace(
        seen=seen, limits=lambda: [(low, high)], open_low=(open_low,), open_high=(open_high,)
    )
    surface = SimpleNamespace(settings=(tuned,))
    (got,) = next_ranges(surface, region, (factor,))
    return got


def test_a_range_narrows_to_what_may_be_best_and_a_quarter_beside_it():
    """4 to 8 and a quarter of 4 on each side: 3 to 9; of a narrow one an eighth of 8: 5 to 7."""
    got = ranges(4, 8)
    assert (got.low, got.high, got.change) == (3, 9, "narrower")
    got = ranges(5.9, 6.1)
    assert (got.low, got.high) == (5, 7)


def test_a_range_goes_on_where_the_best_may_lie_beyond_one_end():
    """Best from 8 to 10, open above: 10 + 1, no more than a quarter of 8 beyond."""
    got = ranges(8, 10, open_high=True)
    assert (got.low, got.high, got.change) == (7, 11, "beyond")
    got = ranges(2, 6, open_low=True)
    assert (got.low, got.high) == (1, 7)
    assert ranges(2, 10, open_low=True, open_high=True).change == "kept"
    assert ranges(4, 8, seen=False).change == "kept"  # nothing shown, so nothing left out
    assert ranges(4, 8, seen=False).low == 2


def test_a_duty_stays_one_that_a_timer_can_hold():
    """From 2 to 4 of 2 to 10, open below, could go to 0; half a per cent is the least."""
    assert ranges(2, 4, open_low=True, stepped=False).low == pytest.approx(1.0)
    assert ranges(2, 2.2, open_low=True, stepped=False).low >= 0.5


@pytest.mark.parametrize(
    ("numbers", "low", "high", "wanted"),
    [
        ([2, 2.5, 3, 3.5, 4], 2.6, 2.9, [2.5, 3.0, 3.5]),
        ([50, 100, 150, 200], 90, 210, [100, 150, 200]),
        ([10, 11, 300], 5, 12, [10, 11, 300]),
    ],
)
def test_at_least_three_values_that_can_be_set(numbers, low, high, wanted):
    assert candidate_values(numbers, low, high, stepped=True) == wanted


def test_values_picked_are_kept_and_filled_up_to_three_by_the_farthest():
    got = ranges(4, 8)
    picked = np.array([[3.0], [8.0], [3.0]])
    assert chosen_values([got], picked, (8.0,)) == [(3.0, 6.0, 9.0)]
