"""How much of the information a plan keeps: small cases by hand and by dense projections."""

import itertools
from types import SimpleNamespace

import numpy as np
import pytest

from trialkit.design.layout.efficiency import (
    Ceiling,
    Valuation,
    _least_squares,
    _least_squares_sum,
    average_efficiency,
    canonical_factors,
    effect_weights,
    incidence,
    information,
    plan_bound,
    plan_efficiency,
    steady,
)
from trialkit.design.layout.search import Exchange
from trialkit.design.layout.site import treated_sites
from trialkit.design.layout.units import groupings
from trialkit.structure import parse_structure


def averaging(unit):
    """Give the matrix that takes averages over units alike."""
    same = np.asarray(unit)[:, None] == np.asarray(unit)[None, :]
    return same / same.sum(axis=1)


def test_numbers_are_cut_to_a_grid_moved_by_one_over_pi():
    """123.4567 + 0.318 and 123.69 + 0.318 are cut to 123 and 124 thousandths."""
    assert float(steady(0.1234567, 3)) == 0.123
    assert float(steady(0.12369, 3)) == 0.124
    assert steady([0.6e-10, 0.7e-10]).tolist() == pytest.approx([0.0, 1e-10], abs=1e-15)


def test_information_of_three_pairs_in_rows():
    """Levels 01, 02, 12 in three pairs: within I − (1/2) of what meets, 2 − 2/2 and −1/2."""
    found = groupings(parse_structure("pair / pot"), {"pair": 3, "pot": 2}, ("pair", "pot"))
    level = np.array([0, 1, 0, 2, 1, 2])
    got = information(found, level, 3)
    within = np.array([[1, -0.5, -0.5], [-0.5, 1, -0.5], [-0.5, -0.5, 1]])
    assert got[("pair", "pot")] == pytest.approx(within)
    # between pairs: table table' / 2 less the mean 2 · 2/6
    held = incidence(level, np.repeat([0, 1, 2], 2), 3, 3)
    assert got[("pair",)] == pytest.approx(held @ held.T / 2 - 4 / 6)
    assert list(got) == [("pair",), ("pair", "pot")]
    assert canonical_factors(within, [2, 2, 2]).tolist() == pytest.approx([0.75, 0.75])
    assert plan_efficiency(found, level, 3) == pytest.approx(0.75)
    assert plan_efficiency(found, level, 4) == 0.0  # a level that no unit has


def test_factors_of_a_whole_are_one_and_of_nothing_nought():
    r = np.array([1.0, 2.0, 3.0])
    whole = np.diag(r) - np.outer(r, r) / 6
    assert canonical_factors(whole, r).tolist() == pytest.approx([1, 1])
    assert average_efficiency(whole, r) == pytest.approx(1)
    assert average_efficiency(0.0 * whole, r) == 0.0
    # 1 and 1/3: harmonic mean 2/(1 + 3)
    L = np.array([[1, -1, 0], [1, 1, -2]]) / np.sqrt([[2], [6]])
    assert average_efficiency(L.T @ np.diag([1, 1 / 3]) @ L, [1, 1, 1]) == pytest.approx(0.5)
    # 1 and 1/250: little is something
    little = average_efficiency(L.T @ np.diag([1, 1 / 250]) @ L, [1, 1, 1])
    assert little == pytest.approx(2 / 251)


@pytest.mark.parametrize(
    ("blocks", "replication", "want"),
    [
        ([(3, "a")], (2, 2, 2), 0.75),  # (3 · 2/2/2 − 1)/2 = 1/4 is lost
        ([(2, "a")], (2, 2, 2), 1.0),
        ([(3, "a"), (3, "b")], (2, 2, 2), 0.5),
        ([(3, "ab"), (3, "bc")], (2, 2, 2), 0.75),  # the same loss, perhaps
        ([(2, "a")], (3, 1), 2 / 3),  # of 3: 2² + 1, of 1: 1; (5/3 + 1)/2 − 1 = 1/3 is lost
        ([], (3, 3), 1.0),
    ],
)
def test_bounds_on_what_any_plan_keeps(blocks, replication, want):
    found = [SimpleNamespace(size=b, stratum=tuple(names)) for b, names in blocks]
    assert plan_bound(found, replication) == pytest.approx(want)


def test_the_least_sum_of_squares_by_trying_all():
    for total, parts in itertools.product(range(8), range(1, 4)):
        every = (c for c in itertools.product(range(total + 1), repeat=parts) if sum(c) == total)
        assert _least_squares_sum(total, parts) == min(sum(x * x for x in c) for c in every)


def test_effects_are_weighed_by_their_order():
    """Two levels: half and minus a half; three: I less a third, over 2 df; an interaction 1/100."""
    C, mean = np.array([[0.5, -0.5], [-0.5, 0.5]]), np.full((2, 2), 0.5)
    assert effect_weights((2,)) == pytest.approx(C)
    assert effect_weights((3,)) == pytest.approx((np.eye(3) - 1 / 3) / 2)
    both = np.kron(C, mean) + np.kron(mean, C) + 0.01 * np.kron(C, C)
    assert effect_weights((2, 2)) == pytest.approx(both)
    three = sum(
        np.kron(np.kron(a, b), c) * 0.01 ** (order - 1)
        for (a, b, c), order in (((C, mean, mean), 1), ((mean, C, mean), 1), ((mean, mean, C), 1),
                                 ((C, C, mean), 2), ((C, mean, C), 2), ((mean, C, C), 2),
                                 ((C, C, C), 3))
    )  # fmt: skip
    assert effect_weights((2, 2, 2)) == pytest.approx(three)
    assert effect_weights((1, 2)) == pytest.approx(C)  # one level is compared with nothing


# ------------------------------------------------------------------ valuing many plans


@pytest.fixture
def square(make_trial):
    """Three schedules over three batches of four chambers."""
    trial = make_trial("structure = 'batch * chamber'\nbatch = 3\nchamber = 4",
                       {"schedule": ("batch:chamber", 3, "")})  # fmt: skip
    return treated_sites(trial)[0]


def dense(site):
    """Give the projections of a crossed site, coarsest first."""
    mean = averaging(np.zeros(site.n))
    batch, chamber = (averaging(site.place[name]) - mean for name in ("batch", "chamber"))
    return mean, batch, chamber, np.eye(site.n) - mean - batch - chamber


def test_plans_are_worth_their_harmonic_mean_factor(square):
    rng = np.random.default_rng(5)
    plans = np.array([rng.permutation(np.repeat([0, 1, 2], 4)) for _ in range(4)])
    own = dense(square)[3]
    valuation = Valuation(square)
    for plan, info, value in zip(
        plans, valuation.information(plans), valuation.values(plans), strict=True
    ):
        X = np.eye(3)[plan]
        assert info == pytest.approx(X.T @ own @ X, abs=1e-9)
        roots = np.linalg.eigvalsh(X.T @ own @ X)[1:] / 4
        assert value == pytest.approx(2 / (1 / roots).sum(), abs=2e-9)
    assert Valuation(square).values(plans[:0]).tolist() == []


def test_a_lost_comparison_counts_as_a_millionth(make_trial):
    """Each schedule in a batch of its own: nothing is left within batches, of both roots."""
    trial = make_trial("structure = 'batch / tray'\nbatch = 3\ntray = 2",
                       {"schedule": ("batch:tray", 3, "")})  # fmt: skip
    (site,) = treated_sites(trial)
    assert Valuation(site).values(np.array([[0, 0, 1, 1, 2, 2]]))[0] == pytest.approx(
        1e-6, abs=1e-9
    )


def test_what_a_search_lowers_is_the_average_variance_with_coarser_strata_in_small(square):
    """tr(W M⁻¹), M the units' information, 1/50 of the chambers' and 1/2500 of the batches'.

    Beside it the mean, and a ridge of a millionth of the replication.
    """
    rng = np.random.default_rng(6)
    mean, batch, chamber, own = dense(square)
    plan = rng.permutation(np.repeat([0, 1, 2], 4))
    X = np.eye(3)[plan]
    M = X.T @ (own + 0.02 * chamber + 0.0004 * batch + mean) @ X + 1e-6 * 4 * np.eye(3)
    W = (np.eye(3) - 1 / 3) / 2
    engine = Exchange(square)
    assert engine.value(plan) == pytest.approx(np.trace(W @ np.linalg.inv(M)), rel=1e-9)
    u, v = np.triu_indices(12, 1)
    gains = engine.gains(plan, u, v)
    for i in (0, 7, 23, 41, 65):
        swapped = plan.copy()
        swapped[[u[i], v[i]]] = swapped[[v[i], u[i]]]
        assert gains[i] == pytest.approx(engine.value(swapped) - engine.value(plan), abs=1e-8)


# ------------------------------------------------------------------ what a part can still reach


def test_the_least_squares_of_a_group_once_it_is_full():
    """Two places, replications 2 and 1: from nothing 1²/2 + 1²/1; with two of level 0, 4/2."""
    got = _least_squares(2, np.array([2.0, 1.0]))
    inf = np.inf
    assert got.tolist() == [1.5, 1.5, 2.0, 1.5, 1.5, inf, 4.0, inf, inf]
    r = np.array([3.0, 2.0, 1.0])
    got = _least_squares(4, r)
    for code, value in enumerate(got):
        counts = [code // 5**i % 5 for i in range(3)]
        ways = [c for c in itertools.product(range(5), repeat=3)
                if sum(c) == 4 and all(a >= b for a, b in zip(c, counts, strict=True))]  # fmt: skip
        best = min((sum(c * c / x for c, x in zip(w, r, strict=True)) for w in ways), default=inf)
        assert value == pytest.approx(best)


def test_what_a_part_of_a_plan_can_reach_falls_to_what_the_whole_reaches(square):
    """The average of the canonical factors of the full plan: (trace of M/4)/2, no less before."""
    rng = np.random.default_rng(7)
    own = dense(square)[3]
    ceiling = Ceiling(Valuation(square))
    plan = rng.permutation(np.repeat([0, 1, 2], 4))
    state, reach = ceiling.start(), []
    at = np.array([0])
    reach.append(float(ceiling.reach(state)[0]))
    for unit, level in enumerate(plan):
        state = ceiling.grow(state, at, unit, int(level))
        reach.append(float(ceiling.reach(state)[0]))
    X = np.eye(3)[plan]
    assert reach[-1] == pytest.approx(np.trace(X.T @ own @ X) / 4 / 2)
    assert all(a >= b - 1e-12 for a, b in itertools.pairwise(reach))
    # batches of four: 2² + 1 + 1 each; chambers of three: 1 each. Lost (18/4/4 − 1) = 1/8 of 2
    assert reach[0] == pytest.approx(1 - 1 / 16)


def test_parts_of_plans_are_kept_and_put_side_by_side(square):
    ceiling = Ceiling(Valuation(square))
    one = ceiling.grow(ceiling.start(), np.array([0, 0]), 0, 1)
    two = ceiling.grow(ceiling.take(one, np.array([1])), np.array([0]), 1, 1)
    both = ceiling.join([one, two])
    assert len(both[0]) == 3
    assert ceiling.reach(both).tolist() == [*ceiling.reach(one), *ceiling.reach(two)]
    assert [len(codes) for codes in both[1]] == [3] * len(one[1])
