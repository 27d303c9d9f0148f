"""What the search for layouts weighs, counted by hand: successions, and spreading over others."""

from dataclasses import replace

import numpy as np
import pytest

from trialkit.design.layout.efficiency import Valuation
from trialkit.design.layout.search import _successions, _unevenness
from trialkit.design.layout.site import treated_sites


def test_successions_are_uneven_by_their_squares_from_every_pair_alike():
    """Three treatments over three periods: six ordered pairs of two different ones.

    012, 120, 201: 01 and 12 and 20 twice each, 02, 10 and 21 never; one each would be even, so
    six departures of 1. The two squares of Williams (1949) have every pair twice. In 001, 112,
    220 each treatment follows itself once, which counts double, and 01, 12, 20 come once each:
    of six successions one each would be even, and three pairs have none.
    """
    grid = np.arange(9).reshape(3, 3)
    plans = np.array([[0, 1, 2, 1, 2, 0, 2, 0, 1], [0, 0, 1, 1, 1, 2, 2, 2, 0]])
    counts = _successions(plans, grid, 3)
    assert counts.tolist() == [[0, 2, 0, 0, 0, 2, 2, 0, 0], [1, 1, 0, 0, 1, 1, 1, 0, 1]]
    assert _unevenness(counts, 3, repeats=False).tolist() == [6.0, 2.0 * 3 + 3]
    both = np.array([[0, 1, 2, 1, 2, 0, 2, 0, 1, 0, 2, 1, 1, 0, 2, 2, 1, 0]])
    assert _unevenness(
        _successions(both, np.arange(18).reshape(6, 3), 3), 3, repeats=False
    ).tolist() == [0.0]
    # where periods outnumber treatments one after itself is a pair like the others: nine of them
    assert _unevenness(np.ones((1, 9), dtype=int), 3, repeats=True).tolist() == [0.0]
    assert _unevenness(counts[:1], 3, repeats=True)[0] == pytest.approx(
        3 * (2 - 6 / 9) ** 2 + 6 * (6 / 9) ** 2
    )


def test_of_plans_with_the_same_information_the_evenly_spread_one_is_worth_more(make_trial):
    """Twelve chambers, three schedules four times each, and a light that splits them in halves.

    Two of each schedule in each half: squares 6 · 2² = 24; all of one schedule in one half and
    another's in the other: 4² + 4² + 2 · 2² = 40. Sixteen of 12², a thousandth of it, lie between.
    """
    trial = make_trial("structure = 'chamber'\nchamber = 12", {"schedule": ("chamber", 3, "")})
    light = np.repeat([0, 1], 6)
    site = replace(treated_sites(trial)[0], spread_over=(light,))
    even = [0, 0, 1, 1, 2, 2, 0, 0, 1, 1, 2, 2]
    apart = [0, 0, 0, 0, 1, 1, 2, 2, 2, 2, 1, 1]
    worth, less = Valuation(site).values(np.array([even, apart]))
    assert worth - less == pytest.approx(1e-3 * 16 / 144, abs=2e-9)
    alone = Valuation(replace(site, spread_over=())).values(np.array([even, apart]))
    assert alone.tolist() == pytest.approx([1.0, 1.0])
