"""Searching points of a range: each step of the search beside values worked out by hand."""

import itertools
from types import SimpleNamespace

import numpy as np
import pytest

from trialkit.design.points import search
from trialkit.design.points.criteria import (
    average_variance,
    information,
    prediction_variance,
    range_products,
    score,
    unit_weights,
)
from trialkit.design.points.search import (
    PointsTask,
    _finer,
    _move,
    _pin,
    _values,
    find_points,
    place_points,
    terms_of_plans,
)
from trialkit.errors import DesignError
from trialkit.settings.setting_range import SettingRange

DUTY = SettingRange("duty_pct", 2, 10, usual=4, steps=(2, 4, 6, 8, 10))  # coded -1, -0.5 … 1
LUX = SettingRange("lux", 0, 400, usual=100, steps=(0, 100, 200, 300, 400))


def task_of(*settings, given_to=None, weights=None, allowed=None, usual=0, criterion=None):
    count = len(settings)
    groups = [np.arange(4)] * count if given_to is None else [np.array(g) for g in given_to]
    size = {1: 3, 2: 6}[count]
    return PointsTask(
        settings, groups, [np.eye(len(groups[0]))] if weights is None else weights,
        range_products(size, count, None), criterion or "average variance",
        allowed or (lambda x: np.ones(len(x), dtype=bool)), usual,
    )  # fmt: skip


# ------------------------------------------------------------------ criteria


def test_scores_of_small_matrices():
    """4 · 1 to the power −1/2; and 1/4 + 2/1."""
    info, products = np.diag([4.0, 1.0]), np.diag([1.0, 2.0])
    assert score(info, products, "determinant") == pytest.approx(0.5)
    assert score(info, products, "average variance") == pytest.approx(2.25)


@pytest.mark.parametrize("criterion", ["determinant", "average variance"])
def test_what_cannot_be_solved_scores_infinity(criterion):
    """Singular; below zero; and smaller than e^-20 for each term."""
    each = np.stack(
        [np.diag(d) for d in ([1.0, 0], [-1, 1.0], [np.exp(-20.5)] * 2, [np.exp(-19.5)] * 2)]
    )
    got = score(each, np.eye(2), criterion)
    assert np.isfinite(got).tolist() == [False, False, False, True]
    assert got[3] == pytest.approx(np.exp(19.5) * (1 if criterion == "determinant" else 2))


def test_scores_of_plans_over_several_planning_values_keep_their_places():
    """Shape (planning values, plans, terms, terms): 1/√(a·b) of each."""
    each = np.array([[[[1.0, 0], [0, 4]], [[9, 0], [0, 1]], [[4, 0], [0, 4]]]] * 2)
    got = score(each, np.eye(2), "determinant")
    assert got.tolist() == pytest.approx(np.array([[1 / 2, 1 / 3, 1 / 4]] * 2))
    got = score(each, np.eye(2), "average variance")
    assert got.tolist() == pytest.approx(np.array([[1.25, 10 / 9, 0.5]] * 2))


def test_weights_of_units_in_two_kinds_of_parts():
    """Two crossed parts of variance 2 and 3 and 1 of their own: V, inverted."""
    units = {"batch": ["a", "a", "b", "b"], "chamber": [1, 2, 1, 2]}
    V = np.array([[6, 2, 3, 0], [2, 6, 0, 3], [3, 0, 6, 2], [0, 3, 2, 6]], dtype=float)
    got = unit_weights(units, {"batch": 2.0, "chamber": 3.0}, 1.0)
    assert got @ V == pytest.approx(np.eye(4), abs=1e-12)
    assert unit_weights({}, {}, 1.0).shape == (0, 0)


def test_prediction_of_three_levels_is_that_of_their_means():
    """A curve through three levels passes their means: 1, 1/2 and 1 for 1, 2 and 1 units."""
    coded = [[-1], [0], [0], [1]]
    got = prediction_variance(coded, np.eye(4), [[-1], [0], [1]])
    assert got.tolist() == pytest.approx([1, 0.5, 1])
    assert average_variance(coded, np.eye(4), [[0]]) == pytest.approx(0.5)
    assert average_variance(coded, np.eye(4), [[-1], [0]]) == pytest.approx(0.75)


def test_the_products_of_points_given_are_their_means():
    """Rows 1, x, x² at −1 and 1."""
    assert range_products(3, 1, [[-1], [1]]).tolist() == [[1, 0, 1], [0, 1, 0], [1, 0, 1]]
    assert range_products(3, 1, None)[2, 2] == pytest.approx(1 / 5)


# ------------------------------------------------------------------ the search


def test_a_task_scores_by_the_geometric_mean_over_its_planning_values():
    """Variance 1 and 16 of like units: the average variance 8/15 and 16 · 8/15; between, 4."""
    task = task_of(DUTY, weights=[np.eye(4), np.eye(4) / 16])
    plans = np.array([[[-1.0], [0], [0], [1]]] * 2)
    assert task.scores(plans).tolist() == pytest.approx([4 * 8 / 15] * 2)
    assert float(task.scores(plans[0])) == pytest.approx(4 * 8 / 15)


def test_terms_of_many_plans_are_those_of_each():
    plans = np.array([[[0.5, -1.0], [0, 1]], [[1, 1], [0.5, 0.5]]])
    got = terms_of_plans(plans)
    assert got.shape == (2, 2, 6)
    assert got[0, 0].tolist() == [1, 0.5, -1, 0.25, 1, -0.5]
    assert got[1, 1].tolist() == [1, 0.5, 0.5, 0.25, 0.25, 0.25]


def test_values_searched_are_the_steps_or_21_even_ones_and_todays():
    assert _values(DUTY).tolist() == [-1, -0.5, 0, 0.5, 1]
    even = _values(SettingRange("duty_pct", 2, 10, usual=6))
    assert even.tolist() == pytest.approx([-1 + k / 10 for k in range(21)])
    beside = _values(SettingRange("duty_pct", 2, 10, usual=6.2))
    assert len(beside) == 22
    assert beside[11] == pytest.approx(0.05)  # (2 · 6.2 − 12)/8


def test_as_many_units_as_asked_get_todays_settings_and_stay():
    """Pairs of shelves share a duty, each has its light: a light of today takes the pair's duty."""
    pairs = [0, 0, 1, 1, 2, 2]
    for seed in range(5):
        task = task_of(DUTY, LUX, given_to=[pairs, range(6)], usual=2)
        coded = np.ones((6, 2))
        pinned = _pin(task, coded, np.random.default_rng(seed))
        assert pinned.sum() == 2
        assert coded[pinned].tolist() == [[-0.5, -0.5]] * 2
        assert (coded[0::2, 0] == coded[1::2, 0]).all()  # whole pairs
        assert (coded[~pinned, 1] == 1).all()
        met = {pairs[row] for row in np.flatnonzero(pinned)}
        assert all((coded[row, 0] == -0.5) == (pairs[row] in met) for row in range(6))


def test_a_unit_moves_to_the_value_that_scores_best():
    """By the determinant a fourth unit beside −1, 0, 1 goes to an end or the middle, not between.

    X'X of −1, 0, 1 and x: |X'X| = 4 (three alone) times 1 + f'(X'X)^-1 f; at −1, 0 and 1 that
    is 2, at ±1/2 it is 1 + 9/64 + 36/64 + 1/64 = 1 + 46/64 (Lagrange weights 3/8, 3/4, −1/8).
    """
    task = task_of(DUTY, criterion="determinant")
    start = np.array([[-1.0], [0], [1], [0.5]])
    value = float(task.scores(start))
    assert value == pytest.approx((4 * (1 + 46 / 64)) ** (-1 / 3))
    coded, better = _move(task, start, value, 0, np.array([False, False, False, True]))
    assert coded[:3].tolist() == start[:3].tolist()
    assert abs(coded[3, 0]) in (0, 1)
    assert better == pytest.approx(8 ** (-1 / 3))
    again, same = _move(task, coded, better, 0, np.array([False, False, False, True]))
    assert again is coded  # no move gains
    assert same == better
    assert start[3, 0] == 0.5  # what was given is not changed


def test_a_unit_that_the_room_cannot_hold_moves_even_where_it_loses():
    task = task_of(DUTY, criterion="determinant", allowed=lambda x: x[:, 0] < 0.9)
    start = np.array([[-1.0], [0], [-1], [1]])
    value = float(task.scores(start))
    coded, worse = _move(task, start, value, 0, np.array([False, False, False, True]))
    assert coded[3, 0] == 0.5  # nearest to the end that is left out
    assert worse > value
    nowhere = task_of(DUTY, allowed=lambda x: np.zeros(len(x), dtype=bool))
    stays, same = _move(nowhere, start, value, 0, np.array([False, False, False, True]))
    assert stays is start
    assert same == value


@pytest.mark.parametrize(
    ("group", "other", "want"),
    [([0, 0, 1, 1], [0, 1, 2, 3], True), ([0, 1, 2, 3], [0, 0, 1, 1], False),
     ([0, 0, 1, 1], [1, 1, 0, 0], True), ([0, 0, 1, 1], [0, 1, 0, 1], False)],
)  # fmt: skip
def test_units_within_others(group, other, want):
    """Shelves 0–3 lie each in one of two chambers; chambers do not lie in a shelf."""
    assert _finer(np.array(group), np.array(other)) is want


def test_places_are_exchanged_until_none_gains_and_what_is_tried_stays():
    """Two batches of two chambers far apart: the best of all orders, every one tried."""
    batch = np.array([0, 0, 1, 1])
    weights = [unit_weights({"batch": batch}, {"batch": 9.0}, 1.0)]
    task = task_of(DUTY, weights=weights)
    tried = np.array([[0.0], [0], [-1], [1]])
    every = [np.array(p) for p in itertools.permutations(tried.tolist())]
    best = min(float(task.scores(plan)) for plan in every)
    assert float(task.scores(tried)) > best * 1.01  # not the best as given
    coded, value = place_points(task, tried, np.random.default_rng(1))
    assert sorted(coded[:, 0]) == [-1, 0, 0, 1]
    assert value == pytest.approx(best)
    assert float(task.scores(coded)) == pytest.approx(value)
    assert tried[:, 0].tolist() == [0, 0, -1, 1]


def test_placing_keeps_units_of_today_and_gives_more_where_they_are_too_few():
    """Two are to have 4 % (−0.5): where one has, two are drawn anew; where two have, they stay."""
    task = task_of(DUTY, given_to=[range(6)], usual=2)
    few = np.array([[-0.5], [0], [0], [-1], [1], [1]])
    coded, _ = place_points(task, few, np.random.default_rng(0))
    assert (coded[:, 0] == -0.5).sum() >= 2
    enough = np.array([[-0.5], [0], [-0.5], [-1], [1], [1]])
    coded, _ = place_points(task, enough, np.random.default_rng(0))
    assert sorted(coded[:, 0]) == sorted(enough[:, 0])


def test_larger_units_change_places_whole():
    """Three pairs of shelves, duty by pair and light by shelf, batches of a pair each.

    What the pairs have goes along: pairs of settings stay, and no pair is mixed.
    """
    pair = np.repeat(range(4), 2)
    weights = [unit_weights({"half": np.repeat([0, 1], 4)}, {"half": 9.0}, 1.0)]
    task = task_of(DUTY, LUX, given_to=[pair, range(8)], weights=weights)
    tried = np.array([[-1, -1], [-1, 1], [-1, 0], [-1, 1], [0, 0], [0, -1], [1, 1], [1, -1.0]])
    coded, value = place_points(task, tried, np.random.default_rng(1))
    assert value <= float(task.scores(tried)) * (1 + 1e-12)
    assert (coded[0::2, 0] == coded[1::2, 0]).all()
    assert sorted(coded[::2, 0]) == [-1, -1, 0, 1]
    assert sorted(coded[:, 1]) == sorted(tried[:, 1])


def test_one_unit_has_todays_setting_unless_more_or_none_are_asked():
    """By the determinant ends and middle are best: 4 % is there only where it is asked."""
    task = {"criterion": "determinant", "starts": 3}
    units, alike = {"none": range(8)}, [({"none": 0.0}, 1.0)]

    def at_today(**more):
        found = find_points([DUTY], [range(8)], units, alike, **task, **more)
        assert found.starts == 3
        return int((found.values[:, 0] == 4).sum())

    assert at_today() == 1
    assert at_today(usual_units=0) == 0
    assert at_today(usual_units=3) == 3


def test_every_start_is_told_and_those_as_good_as_the_best_are_counted(monkeypatch):
    """Scores 2, 1, 1.00009, 1.00011 and 1: three within a hundredth of a per cent of the best."""
    plans = iter([(np.full((4, 1), k / 4), v) for k, v in enumerate((2, 1, 1.00009, 1.00011, 1))])
    monkeypatch.setattr(search, "_search_once", lambda task, rng: next(plans))
    told = []
    found = find_points(
        [DUTY], [range(4)], {"none": range(4)}, [({"none": 0.0}, 1.0)], starts=5,
        tick=lambda: told.append(1),
    )  # fmt: skip
    assert (found.score, found.starts, found.found_again, len(told)) == (1.0, 5, 3, 5)
    assert found.coded[0, 0] == 0.25  # of the first of the best
    assert found.values[0, 0] == 7.0  # 6 + 0.25 · 4


@pytest.mark.parametrize("criterion", ["determinant", "average variance"])
def test_a_start_is_searched_until_no_move_of_a_unit_gains(criterion):
    """Every unit at every value, after one start each: nothing is better than what was found."""
    task = task_of(DUTY, given_to=[range(6)], criterion=criterion)
    for seed in range(6):
        coded, value = search._search_once(task, np.random.default_rng(seed))
        assert value == pytest.approx(float(task.scores(coded)))
        for unit, other in itertools.product(range(6), _values(DUTY)):
            moved = coded.copy()
            moved[unit] = other
            assert float(task.scores(moved)) >= value * (1 - 1e-8)


def test_a_thousandth_gained_is_a_gain():
    """Units near to what is wanted move there, whatever little is gained; of nothing they stay."""
    wanted = np.array([1.0, -1.0, 0.5, 0.0])
    task = SimpleNamespace(
        given_to=[np.arange(4)], settings=[DUTY],
        scores=lambda plans: 1 + 1e-3 * ((plans[..., 0] - wanted) ** 2).sum(axis=-1),
        allowed=lambda rows: np.ones(len(rows), dtype=bool),
    )  # fmt: skip
    near = np.array([[1.0], [-0.5], [0.5], [0.0]])
    moved, _ = _move(task, near, float(task.scores(near)), 0, np.arange(4) == 1)
    assert moved[:, 0].tolist() == wanted.tolist()
    swapped = wanted[[2, 1, 0, 3]][:, None]
    none = np.zeros(4, dtype=bool)
    best, _, value = search._exchange(task, swapped, none, float(task.scores(swapped)), 0)
    assert best[:, 0].tolist() == wanted.tolist()
    assert value == 1.0


def test_twenty_starts_of_the_first_seed_are_searched():
    alike = [({"none": 0.0}, 1.0)]
    given = ([DUTY], [range(8)], {"none": range(8)}, alike)
    found = find_points(*given)
    assert found.starts == 20
    assert (found.coded == find_points(*given, seed=0).coded).all()
    assert not all((found.coded == find_points(*given, seed=s).coded).all() for s in (1, 2, 3))


def test_each_setting_is_told_which_units_get_it():
    """Two settings and the units of one: nothing is made up for the other."""
    alike = [({"none": 0.0}, 1.0)]
    with pytest.raises(ValueError, match="shorter"):
        find_points([DUTY, LUX], [range(8)], {"none": range(8)}, alike, starts=1)


def test_where_no_start_can_fit_a_surface_that_is_said(monkeypatch):
    monkeypatch.setattr(search, "_search_once", lambda task, rng: (np.zeros((4, 1)), np.inf))
    with pytest.raises(DesignError, match="no plan of these units"):
        find_points([DUTY], [range(4)], {"none": range(4)}, [({"none": 0.0}, 1.0)], starts=2)
    with pytest.raises(DesignError, match="3 terms: 3 units"):
        find_points([DUTY], [range(3)], {"none": range(3)}, [({"none": 0.0}, 1.0)], starts=2)


def test_a_split_exchange_of_one_setting_leaves_the_other_in_place():
    """Light goes by rows and duty by columns: a row's lights change places, duties stay."""
    rows, columns = np.repeat(range(3), 3), np.tile(range(3), 3)
    weights = [unit_weights({"half": (rows == 0).astype(int)}, {"half": 4.0}, 1.0)]
    task = task_of(DUTY, LUX, given_to=[rows, columns], weights=weights)
    coded = np.column_stack([np.array([-1.0, 0, 1])[rows], np.array([-1.0, 0, 1])[columns]])
    value = float(task.scores(coded))
    pinned = np.zeros(9, dtype=bool)
    got, _, better = search._exchange(task, coded, pinned, value, 0)
    orders = [np.column_stack([np.array(p)[rows], coded[:, 1]])
              for p in itertools.permutations([-1.0, 0, 1])]  # fmt: skip
    assert better == pytest.approx(min(float(task.scores(o)) for o in orders))
    assert (got[:, 1] == coded[:, 1]).all()
    pinned[0] = True  # the first row has what is to stay
    held, pins, _ = search._exchange(task, coded, pinned, value, 0)
    assert (held[:3] == coded[:3]).all()
    assert pins.tolist() == pinned.tolist()
    none = task_of(
        DUTY, LUX, given_to=[rows, columns], weights=weights,
        allowed=lambda x: np.zeros(len(x), dtype=bool),
    )  # fmt: skip
    stays, _, same = search._exchange(none, coded, np.zeros(9, dtype=bool), value, 0)
    assert stays is coded
    assert same == value


def test_information_of_many_plans_is_that_of_each():
    rows = np.arange(12.0).reshape(2, 3, 2)
    weights = np.diag([1.0, 2, 3])
    got = information(rows, weights)
    assert got[1].tolist() == (rows[1].T @ weights @ rows[1]).tolist()
    assert got.shape == (2, 2, 2)
