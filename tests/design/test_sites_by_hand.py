"""Squares, orders, chance, and the rules of where levels may stand: by hand."""

import itertools
from types import SimpleNamespace

import numpy as np
import pytest

from tests.design.stand_ins import CROSSED, RUNS, site_of
from trialkit.design.layout import squares, trend
from trialkit.design.layout.chance import Draws, draw_labels, draw_shuffles, rearranged
from trialkit.design.layout.site import (
    Constraints,
    Site,
    _neighbours,
    find_constraints,
    strata_factors,
    treated_sites,
)
from trialkit.design.layout.squares import (
    drawn_squares,
    latin_square,
    reduced_squares,
)
from trialkit.design.layout.trend import (
    balanced_orders,
    distinct_orders,
    kept_of,
    kept_on_average,
    lost_to_trend,
)
from trialkit.design.layout.units import (
    groupings,
    parents,
    projections,
    strata_coefficients,
    unit_of,
)
from trialkit.errors import PlanError

# ------------------------------------------------------------------ squares


@pytest.mark.parametrize("n", [1, 2, 3, 4, 5, 6, 7])
def test_squares_hold_each_once_in_every_row_and_column(n):
    for seed in range(3):
        square = latin_square(n, Draws(seed))
        assert square.shape == (n, n)
        assert all(
            sorted(line) == list(range(n)) for line in (*square.tolist(), *square.T.tolist())
        )


def test_up_to_five_squares_are_drawn_from_a_list(monkeypatch):
    """Of order 3 there are 12: all of them come up; the walk serves from 6 on."""
    walked = []
    monkeypatch.setattr(squares, "_jacobson_matthews", lambda n, draws: walked.append(n))
    seen = {latin_square(3, Draws(seed)).tobytes() for seed in range(200)}
    assert len(seen) == 12
    latin_square(5, Draws(1))
    latin_square(6, Draws(1))
    assert walked == [6]


def test_the_walk_over_squares_of_three_is_even():
    """Twelve squares of order 3 in 360 walks: 30 each, chi-square on 11 df below 31 (0.1 %)."""
    draws = Draws(7)
    found = [squares._jacobson_matthews(3, draws).tobytes() for _ in range(360)]
    counts = np.unique(found, return_counts=True)[1]
    assert len(counts) == 12
    assert ((counts - 30) ** 2 / 30).sum() < 31.3


def test_reduced_squares_have_first_row_and_column_in_order():
    for n in (2, 3, 4):
        for square in reduced_squares(n):
            table = np.array(square)
            assert table[0].tolist() == table[:, 0].tolist() == list(range(n))
            assert all(len(set(line)) == n for line in (*square, *zip(*square, strict=True)))


@pytest.mark.parametrize("rooms", [1, 3])
def test_each_square_of_a_site_is_drawn_by_itself(rooms):
    """Rooms of 3 by 3: by room, week and shelf."""
    number, row, column = np.indices((rooms, 3, 3)).reshape(3, -1)
    site = SimpleNamespace(square=(number, row, column), n=9 * rooms, t=3)
    seen = []
    for seed in range(9):
        drawn = drawn_squares(site, Draws(seed)).reshape(rooms, 3, 3)
        for square in drawn:
            assert all(sorted(x) == [0, 1, 2] for x in (*square.tolist(), *square.T.tolist()))
        seen.append([square.tobytes() for square in drawn])
    pairs = list(itertools.combinations(range(rooms), 2))
    assert all(any(one[i] != one[j] for one in seen) for i, j in pairs)


@pytest.mark.parametrize(
    ("batch", "chamber", "target", "fits"),
    [(3, 3, (3, 3, 3), True), (3, 6, (6, 6, 6), False), (3, 3, (4, 3, 2), False),
     (4, 4, (4,) * 4, True), (3, 4, (4, 4, 4), False)],
)  # fmt: skip
def test_squares_fit_where_rows_and_columns_are_as_many_as_levels(batch, chamber, target, fits):
    found = site_of(batch, chamber, target).square
    assert (found is not None) is fits
    if fits:
        number, row, column = found
        assert set(number) == {0}
        assert len({*zip(row.tolist(), column.tolist(), strict=True)}) == batch * chamber


# ------------------------------------------------------------------ sites and their rules


def test_a_site_tells_its_units_and_what_holds_them():
    site = site_of(2, 3, (3, 3), block=4)
    assert (site.n, site.t, site.sizes) == (6, 2, (2,))
    assert site.holder(("batch",)).tolist() == [0, 0, 0, 1, 1, 1]
    assert site.holder(("chamber",)).tolist() == [0, 1, 2] * 2
    assert site.holder(()).tolist() == [0] * 6
    assert site.of_smallest.tolist() == np.repeat(range(6), 4).tolist()
    assert {b.stratum for b in site.blocks} == {("batch",), ("chamber",)}
    two = Site(CROSSED, site.counts, RUNS, {"a": (1, 1), "b": (1, 1, 1)}, (1,) * 6)
    assert two.level_of["a"].tolist() == [0, 0, 0, 1, 1, 1]
    assert two.level_of["b"].tolist() == [0, 1, 2, 0, 1, 2]


def test_strata_as_sums_of_averages():
    """Nelder (1965): runs are themselves less batches, less chambers, and the mean once more."""
    counts = {"batch": 2, "chamber": 3, "block": 4}
    got = projections(CROSSED, counts, ("batch", "chamber", "block"))
    batch, chamber, block = ("batch",), ("chamber",), ("batch", "chamber", "block")
    assert got == {
        (): {(): 1},
        batch: {batch: 1, (): -1},
        chamber: {chamber: 1, (): -1},
        RUNS: {RUNS: 1, batch: -1, chamber: -1, (): 1},
        block: {block: 1, RUNS: -1},
    }
    assert strata_coefficients(CROSSED, counts, RUNS) == got[RUNS]
    single = {"batch": 1, "chamber": 3, "block": 4}
    assert list(projections(CROSSED, single, ("chamber",))) == [(), RUNS]
    assert parents(CROSSED) == {"batch": (), "chamber": (), "block": RUNS}
    found = groupings(CROSSED, counts, RUNS)
    assert [(g.stratum, g.size) for g in found] == [((), 1), (batch, 2), (chamber, 3), (RUNS, 6)]
    assert found[2].unit.tolist() == [0, 1, 2, 0, 1, 2]


def test_units_that_hold_others_by_number():
    counts = {"batch": 2, "chamber": 3, "room": 1}
    assert unit_of(RUNS, ("batch",), counts).tolist() == [0, 0, 0, 1, 1, 1]
    assert unit_of(RUNS, ("chamber", "batch"), counts).tolist() == [0, 2, 4, 1, 3, 5]
    assert unit_of(("chamber",), ("room", "chamber"), counts).tolist() == [0, 1, 2]
    with pytest.raises(KeyError):
        unit_of(("chamber",), ("batch", "chamber"), counts)  # in which batch is not known


def test_what_is_remembered_of_a_site_is_all_that_decides_its_layout():
    site = site_of()
    assert site.key == site_of().key
    light = np.repeat([0, 1], 6)
    beside = _neighbours(RUNS, site.counts)
    rules = Constraints(np.ones((12, 3), bool), np.eye(3, dtype=bool), beside)
    others = [
        site_of(target=(6, 3, 3)),
        site_of(4, 3),
        site_of(spread_over=(light,)),
        site_of(limits=rules),
        site_of(term=("batch", "chamber", "block"), block=1),
    ]
    assert len({site.key, *(o.key for o in others)}) == 6


def test_rules_that_are_broken_are_counted():
    """Three in a row; 1 is forbidden in the first; 0 and 2 must not be neighbours."""
    may = np.ones((3, 3), dtype=bool)
    may[0, 1] = False
    conflict = np.zeros((3, 3), dtype=bool)
    conflict[0, 2] = conflict[2, 0] = True
    rules = Constraints(may, conflict, np.array([[1, -1], [2, 0], [-1, 1]]))
    for plan, broken in (([0, 1, 2], [0, 0, 0]), ([1, 0, 2], [1, 1, 1]), ([0, 2, 0], [1, 2, 1]),
                         ([2, 0, 1], [1, 1, 0])):  # fmt: skip
        assert rules.broken(np.array(plan)).tolist() == broken
    u, v = np.array([0, 0, 1]), np.array([1, 2, 2])
    # from 0 1 2: 1 0 2 breaks at both; 2 1 0 nothing; 0 2 1 twice
    assert rules.cost(np.array([0, 1, 2]), u, v).tolist() == [2, 0, 1]
    assert rules.allows(np.array([0, 1, 2]), u, v).tolist() == [False, True, False]
    # the cost is what the two units break afterwards, for every plan and pair
    for plan in itertools.product(range(3), repeat=3):
        for a, b in zip(u, v, strict=True):
            after = np.array(plan)
            after[[a, b]] = after[[b, a]]
            want = rules.broken(after)[[a, b]].sum()
            assert rules.cost(np.array(plan), np.array([a]), np.array([b]))[0] == want


def test_rules_are_read_from_the_treatments():
    """The dark level is forbidden in A; wet stands apart from dry, and dark from itself."""
    levels = {"batch": ("1", "2"), "chamber": tuple("ABC")}
    site = site_of(2, 3, (2, 2, 2))
    factor = SimpleNamespace(
        name="mist", levels={"wet": 1, "dry": 2, "dark": 3}, forbidden=(("A", "dark"),),
        apart=(("wet", "dry"), ("dark", "dark")),
    )  # fmt: skip
    rules = find_constraints(site, [factor], levels)
    assert np.argwhere(~rules.may).tolist() == [[0, 2], [3, 2]]
    assert rules.conflict.astype(int).tolist() == [[0, 1, 0], [1, 0, 0], [0, 0, 1]]
    free = SimpleNamespace(name="mist", levels=factor.levels, forbidden=(), apart=())
    assert find_constraints(site, [free], levels) is None
    only = SimpleNamespace(name="mist", levels=factor.levels, forbidden=(("2:B", "wet"),), apart=())
    rules = find_constraints(site, [only], levels)
    assert np.argwhere(~rules.may).tolist() == [[4, 0]]
    assert not rules.conflict.any()
    unknown = SimpleNamespace(name="mist", levels={"wet": 1}, forbidden=(("X", "wet"),), apart=())
    with pytest.raises(PlanError, match="not one of the batch:chamber units"):
        find_constraints(site, [unknown], levels)
    twice = {"batch": ("1", "2"), "chamber": ("1", "2", "3")}
    unclear = SimpleNamespace(name="mist", levels={"wet": 1}, forbidden=(("1", "wet"),), apart=())
    with pytest.raises(PlanError, match="a level of batch and chamber"):
        find_constraints(site, [unclear], twice)


def test_neighbours_are_one_place_apart_in_one_factor():
    beside = _neighbours(("chamber", "shelf"), {"chamber": 2, "shelf": 3})
    met = [sorted(n for n in row if n >= 0) for row in beside.tolist()]
    assert met == [[1, 3], [0, 2, 4], [1, 5], [0, 4], [1, 3, 5], [2, 4]]


def test_as_many_combinations_as_units_just_fit(make_trial):
    units = "structure = 'tent / bag'\ntent = 3\nbag = {}"
    trial = make_trial(units.format(4), {"mist": ("tent:bag", 3, ""), "light": ("tent:bag", 2, "")})
    (site,) = treated_sites(trial)
    assert site.target == (2,) * 6
    assert list(strata_factors(trial)) == [("tent", "bag")]
    from trialkit.design.strata.comparisons import with_counts

    (site,) = treated_sites(with_counts(trial, {"bag": 2}))
    assert site.target == (1,) * 6
    with pytest.raises(PlanError, match="6 combinations of mist and light do not fit on 3"):
        treated_sites(with_counts(trial, {"bag": 1}))


# ------------------------------------------------------------------ chance


def test_labels_are_exchanged_among_levels_asked_for_alike():
    seen = {tuple(draw_labels((2, 1, 1, 2), Draws(seed))) for seed in range(60)}
    assert seen == {(a, *m, b) for a, b in ((0, 3), (3, 0)) for m in ((1, 2), (2, 1))}


def test_units_are_shuffled_within_what_they_are_nested_in():
    """Batches as a whole, chambers alike in all of them, blocks within each run by themselves."""
    term = ("batch", "chamber", "block")
    site = site_of(3, 3, (9, 9, 9), term=term, block=3)
    shuffles = draw_shuffles(site, Draws(3), factors=set(term), fixed={"chamber"})
    assert {name: len(moves) for name, moves in shuffles.items()} == {
        "batch": 1, "chamber": 1, "block": 9
    }  # fmt: skip
    assert shuffles["chamber"][()] == [0, 1, 2]
    assert len({tuple(order) for order in shuffles["block"].values()}) > 1
    moved = rearranged(site, shuffles).reshape(3, 3, 3)
    for b, c in itertools.product(range(3), repeat=2):
        home = shuffles["batch"][()][b] * 9 + shuffles["chamber"][()][c] * 3
        assert (moved[b, c] - home).tolist() == shuffles["block"][b, c]
    assert draw_shuffles(site, Draws(3), factors={"batch"}).keys() == {"batch"}


# ------------------------------------------------------------------ orders and a trend


def r_squared(order, levels):
    """Give the share of a straight line that means of the levels explain, by least squares."""
    line = np.arange(len(order)) - np.mean(np.arange(len(order)))
    X = np.eye(levels)[list(order)]
    fitted = X @ np.linalg.lstsq(X, line, rcond=None)[0]
    return float(fitted @ fitted / (line @ line))


@pytest.mark.parametrize("target", [(4, 4), (5, 3), (3, 3), (2, 2, 2), (6, 3), (1, 1), (8, 2)])
def test_orders_that_may_be_drawn_lose_little_to_a_line(target):
    """At most 5 %; where that leaves under 40 orders up to 12 %, else the least there is."""
    start = [level for level, n in enumerate(target) for _ in range(n)]
    every = sorted(set(itertools.permutations(start))) if len(start) < 9 else [
        tuple(1 if i in ones else 0 for i in range(len(start)))
        for ones in itertools.combinations(range(len(start)), target[1])
    ]  # fmt: skip
    assert len(every) == distinct_orders(target)
    lost = {order: round(r_squared(order, len(target)), 9) for order in every}
    limit = max(0.05, min(lost.values()))
    if sum(v <= limit for v in lost.values()) < 40:
        at = [v for v in sorted(set(lost.values())) if sum(x <= v for x in lost.values()) >= 40]
        limit = at[0] if at and at[0] <= 0.12 else limit
    got = {tuple(order) for order in balanced_orders(target).tolist()}
    assert got == {order for order, v in lost.items() if v <= limit}
    kept = [(len(target) - 1) / (len(target) - 2 + 1 / (1 - lost[o])) for o in got if lost[o] < 1]
    if len(kept) == len(got):
        mean = len(kept) / sum(1 / k for k in kept)
        assert kept_on_average(target) == pytest.approx(mean, rel=1e-6)


def test_what_an_order_keeps_is_the_harmonic_mean_of_its_factors():
    """Two levels: 1 − loss. Three, half lost one way: 2/(1 + 2). All lost: hardly any."""
    assert kept_of(np.array([0.25]), 2)[0] == pytest.approx(0.75)
    assert kept_of(np.array([0.5]), 3)[0] == pytest.approx(2 / 3)
    assert kept_of(np.array([1.0]), 2)[0] == pytest.approx(1e-9)
    assert lost_to_trend(np.array([[0, 1, 2]]), 3)[0] == pytest.approx(1.0)
    assert lost_to_trend(np.array([[0, 0, 0]]), 2)[0] == pytest.approx(0.0)


def test_too_many_orders_are_sampled(monkeypatch):
    """400 of the 252 orders of ten starts drawn by chance: what is kept on average, nearly."""
    whole = kept_on_average((5, 5))
    monkeypatch.setattr(trend, "_LISTED", 251)  # there are 252
    kept_on_average.cache_clear()
    drawn, once = [], trend._drawn
    monkeypatch.setattr(trend, "_drawn", lambda *a: drawn.append(1) or once(*a))
    try:
        assert kept_on_average((5, 5)) == pytest.approx(whole, abs=0.01)
        assert len(drawn) == 400
        monkeypatch.setattr(trend, "_LISTED", 252)
        kept_on_average.cache_clear()
        assert kept_on_average((5, 5)) == whole
    finally:
        kept_on_average.cache_clear()
