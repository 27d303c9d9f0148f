"""The search for layouts and for crossovers, step by step: by hand."""

import itertools
from types import SimpleNamespace

import numpy as np
import pytest

from tests.design.stand_ins import RUNS, site_of
from trialkit.design.layout import search, squares
from trialkit.design.layout.chance import Draws
from trialkit.design.layout.search import (
    Exchange,
    _grid,
    _pairs,
    _random_start,
    _random_starts,
    no_plan,
    searched,
    searched_crossover,
    searched_once,
    shuffled,
)
from trialkit.design.layout.site import (
    Constraints,
    Site,
)
from trialkit.design.layout.squares import (
    carry_over,
    williams_sequences,
)
from trialkit.errors import PlanError
from trialkit.structure import parse_structure

# ------------------------------------------------------------------ how long is searched


@pytest.mark.parametrize(
    ("n", "free", "quick", "limited"),
    [(60, 30, 1, 6), (61, 8, 0, 6), (200, 8, 0, 6), (201, 2, 0, 6), (500, 2, 0, 6), (501, 0, 0, 1)],
)
def test_smaller_sites_are_searched_from_more_starts(n, free, quick, limited):
    site = SimpleNamespace(n=n, limits=None)
    assert _random_starts(site, False) == free
    assert _random_starts(site, True) == quick
    for hurried in (True, False):
        assert _random_starts(SimpleNamespace(n=n, limits=True), hurried) == limited


def test_all_pairs_of_units_are_tried_up_to_twenty_thousand():
    u, v = _pairs(4, Draws(1))
    assert list(zip(u, v, strict=True)) == list(itertools.combinations(range(4), 2))
    assert len(_pairs(200, Draws(1))[0]) == 19_900
    u, v = _pairs(201, Draws(1))  # 20 100
    assert len(u) == len(v) == 20_000
    assert (u != v).all()
    assert set(u) == set(v) == set(range(201))
    few = _pairs(4, Draws(1), most=6)
    assert len(few[0]) == 6
    assert few[0].tolist() == [0, 0, 0, 1, 1, 2]


def fake_search(monkeypatch, starts, values, **site):
    """Search among starts that are not improved; value by first entry."""

    class Engine:
        def __init__(self, site):
            pass

        def improve(self, start, pairs):
            return start

        def value(self, treatment):
            return values[int(treatment[0])]

        def alike(self, found):
            return found

    monkeypatch.setattr(search, "Exchange", Engine)
    monkeypatch.setattr(search, "systematic_starts", lambda site: starts)
    monkeypatch.setattr(search, "_random_starts", lambda site, quick: 0)
    told = []
    given = {"limits": None, "n": 2, "spread_over": (), "term": RUNS, **site}
    found = searched(SimpleNamespace(**given), progress=lambda *a: told.append(a))
    return [f.tolist() for f in found], told


def test_all_that_tie_for_the_best_are_given_once(monkeypatch):
    starts = [np.array(x) for x in ([0, 1], [1, 0], [2, 0], [1, 5], [1, 0], [3, 3])]
    values = {0: 2.0, 1: 1.0, 2: 1.0 + 1e-11, 3: 1.5}
    found, told = fake_search(monkeypatch, starts, values)
    assert found == [[1, 0], [2, 0], [1, 5]]
    assert told == [(i, 6) for i in range(7)]
    found, _ = fake_search(monkeypatch, starts, values, spread_over=(1,))
    assert found == [[1, 0]]
    with pytest.raises(PlanError, match="batch:chamber units keeps all"):
        fake_search(monkeypatch, [], values)
    assert "batch:chamber" in str(no_plan(SimpleNamespace(term=RUNS)))


def test_the_last_searches_are_kept(monkeypatch):
    made = []
    monkeypatch.setattr(search, "_MOST_KNOWN", 64)
    monkeypatch.setattr(search, "_known", {})
    monkeypatch.setattr(search, "searched", lambda site, progress, quick: made.append(1) or [site])

    def ask(key, quick=True):
        return searched_once(SimpleNamespace(key=key), None, quick=quick)

    for key in range(64):
        ask(key)
    ask(0)
    assert len(made) == 64
    ask(0, quick=False)
    assert len(made) == 65
    assert len(search._known) == 64
    ask(1)
    assert len(made) == 65
    ask(0)  # the first was let go
    assert len(made) == 66


def test_a_start_at_random_has_the_wanted_replication():
    site = site_of(target=(6, 4, 2))
    orders = {tuple(shuffled(site, Draws(seed))) for seed in range(9)}
    assert len(orders) == 9
    assert all(sorted(o) == [0] * 6 + [1] * 4 + [2] * 2 for o in orders)
    assert sorted(_random_start(site, Draws(1))) == [0] * 6 + [1] * 4 + [2] * 2


def test_a_start_that_breaks_a_rule_is_mended_or_given_up():
    """Level 0 is forbidden in the first of four units; or all of one level have nowhere to go."""
    may = np.ones((4, 2), dtype=bool)
    may[0, 0] = False
    free = Constraints(may, np.zeros((2, 2), dtype=bool), np.full((4, 1), -1))
    for seed in range(6):
        site = SimpleNamespace(target=(2, 2), limits=free)
        found = _random_start(site, Draws(seed))
        assert found[0] == 1
        assert sorted(found) == [0, 0, 1, 1]
    may[:] = [True, False]
    assert _random_start(SimpleNamespace(target=(2, 2), limits=free), Draws(1)) is None
    assert _random_start(SimpleNamespace(target=(0, 4), limits=free), Draws(1)) is None


def stand_in(engine, value, gains):
    """Let plans have a value, and exchanges gains, that are made up."""
    engine._inverse = lambda treatment: (None, [])
    engine._value = lambda treatment, inverse: value
    engine._gains = lambda treatment, *given: gains(treatment)


@pytest.mark.parametrize(("n", "rounds"), [(500, 10_000), (501, 40)])
def test_a_large_site_is_polished_for_a_while(n, rounds):
    engine, asked = Exchange.__new__(Exchange), []
    engine.n, engine.site = n, SimpleNamespace(limits=None)
    stand_in(engine, 1.0, lambda treatment: asked.append(1) or np.array([-1.0]))
    engine.improve(np.array([0, 1]), (np.array([0]), np.array([1])))
    assert len(asked) == rounds


@pytest.mark.parametrize(
    ("gain", "value", "moves"),
    [(-1.1e-9, 0.5, True), (-0.9e-9, 0.5, False), (-1.1e-9, 2.0, False), (-2.1e-9, -2.0, True)],
)
def test_an_exchange_is_made_where_it_gains_a_billionth(gain, value, moves):
    engine = Exchange.__new__(Exchange)
    engine.n, engine.site = 4, SimpleNamespace(limits=None)
    stand_in(engine, value, lambda t: np.array([0.0, gain if t[0] == 0 else 0.0]))
    start = np.array([0, 1, 2])
    got = engine.improve(start, (np.array([1, 0]), np.array([2, 2])))
    assert got.tolist() == ([2, 1, 0] if moves else [0, 1, 2])
    assert start.tolist() == [0, 1, 2]


def test_an_exchange_that_breaks_a_rule_is_not_made():
    engine = Exchange.__new__(Exchange)
    allows = lambda current, u, v: np.array([False, True])  # noqa: E731
    engine.n, engine.site = 3, SimpleNamespace(limits=SimpleNamespace(allows=allows))
    stand_in(engine, 1.0, lambda treatment: np.where(treatment[0] == 0, [-2.0, -1.0], 0.0))
    got = engine.improve(np.array([0, 1, 2]), (np.array([0, 0]), np.array([1, 2])))
    assert got.tolist() == [2, 1, 0]


def test_arrangements_that_share_out_information_alike_stay_together():
    """Two rows by two columns of two levels: by the diagonal all is within; by rows none is."""
    engine = Exchange(site_of(2, 2, (2, 2)))
    diagonal, other, rows = (np.array(p) for p in ([0, 1, 1, 0], [1, 0, 0, 1], [0, 0, 1, 1]))
    assert engine.alike([diagonal, rows, other]) == [diagonal, other]
    assert engine.alike([rows, diagonal]) == [rows]


def test_spreading_over_larger_units_is_a_tie_break():
    """Sum of squared counts over two halves, times a thousandth of tr W · t / n²."""
    light = np.repeat([0, 1], 6)
    engine = Exchange(site_of(spread_over=(light,)))
    plain = Exchange(site_of())
    even, apart = (np.array(p) for p in ([0, 0, 1, 1, 2, 2] * 2, [0] * 4 + [1] * 4 + [2] * 4))
    for plan, squares_ in ((even, 6 * 4), (apart, 16 + 4 + 4 + 16)):
        each = 1e-3 * 1.0 * 3 / 144  # tr W = (3 − 1)/2
        assert engine.value(plan) - plain.value(plan) == pytest.approx(squares_ * each, rel=1e-6)
    u, v = np.triu_indices(12, 1)
    for pick in (3, 17, 40):
        moved = apart.copy()
        moved[[u[pick], v[pick]]] = moved[[v[pick], u[pick]]]
        got = engine.gains(apart, u, v)[pick]
        assert got == pytest.approx(engine.value(moved) - engine.value(apart), abs=1e-8)


# ------------------------------------------------------------------ crossovers


def test_a_grid_names_the_unit_at_each_line_and_period():
    assert _grid(np.array([0, 1, 0, 1]), np.array([0, 0, 1, 1])).tolist() == [[0, 2], [1, 3]]


def test_a_searched_crossover_is_the_best_of_all():
    """Two lines over three periods, three treatments twice: every arrangement is tried.

    Efficiency (over its number of treatments) and a twentieth of what is uneven, per unit.
    """
    structure = parse_structure("period * tent")
    counts = {"period": 3, "tent": 2}
    site = Site(structure, counts, ("period", "tent"), {"mist": (1, 1, 1)}, (2, 2, 2))
    line, when = site.place["tent"], site.place["period"]
    grid, engine = _grid(line, when), Exchange(site)

    def value(plan):
        counts = search._successions(plan[None], grid, 3)
        uneven = search._unevenness(counts, 3, False)[0]
        return engine.value(plan) / 3 + 0.05 * uneven / 6

    every = set(itertools.permutations([0, 0, 1, 1, 2, 2]))
    best = min(value(np.array(p)) for p in every)
    found = searched_crossover(site, line, when)
    assert value(found) == pytest.approx(best, rel=1e-8)


@pytest.mark.parametrize(("periods", "tents", "t"), [(3, 4, 3), (4, 3, 3), (3, 3, 2)])
def test_from_one_start_exchanges_go_on_until_none_helps(periods, tents, t, monkeypatch):
    """Relative to the value at the start, and a twentieth of what is uneven, per unit."""
    target = tuple(np.bincount(np.arange(periods * tents) % t, minlength=t).tolist())
    counts = {"period": periods, "tent": tents}
    structure = parse_structure("period * tent")
    site = Site(structure, counts, ("period", "tent"), {"mist": (1,) * t}, target)
    line, when = site.place["tent"], site.place["period"]
    grid, engine = _grid(line, when), Exchange(site)
    monkeypatch.setattr(search, "_CROSSOVER_STARTS", 1)
    u, v = np.triu_indices(site.n, 1)

    def uneven(plan):
        found = search._successions(plan[None], grid, t)
        return search._unevenness(found, t, periods > t)[0]

    for seed in range(4):
        start = shuffled(site, Draws(seed))
        monkeypatch.setattr(search, "systematic_starts", lambda site, start=start: [start])
        found = searched_crossover(site, line, when)
        assert sorted(found) == sorted(start)
        base = engine.value(start)

        def worth(plan, base=base):
            return engine.value(plan) / base + 0.05 * uneven(plan) / site.n

        here = worth(found)
        assert here <= worth(start) + 1e-8
        for i, j in zip(u, v, strict=True):
            other = found.copy()
            other[[i, j]] = other[[j, i]]
            assert worth(other) >= here - 1e-6


def crossover(periods, tents, t, target=None):
    structure = parse_structure("batch * chamber")
    target = target or (periods * tents // t,) * t
    return Site(structure, {"batch": periods, "chamber": tents}, RUNS, {"mist": (1,) * t}, target)


@pytest.mark.parametrize(
    ("periods", "tents", "t", "target", "exact"),
    [(4, 4, 4, None, True), (4, 8, 4, None, True), (3, 6, 3, None, True), (3, 3, 3, None, False),
     (5, 4, 4, None, True), (4, 6, 4, None, False), (6, 4, 4, None, False),
     (2, 4, 4, None, False), (4, 4, 4, (5, 5, 3, 3), False)],
)  # fmt: skip
def test_sequences_are_exact_where_counts_allow(periods, tents, t, target, exact, monkeypatch):
    """As many periods as treatments or one more, and tents a multiple of the sequences."""
    monkeypatch.setattr(squares, "searched_crossover", lambda site, line, when: np.zeros(site.n))
    layout = carry_over(crossover(periods, tents, t, target))
    assert layout.method == ("carry-over balanced" if exact else "carry-over nearly balanced")
    assert layout.ordered == ("batch",)
    if not exact:
        return
    table = layout.treatment.reshape(periods, tents)
    pairs = np.zeros((t, t), dtype=int)
    for before, after in itertools.pairwise(table):
        np.add.at(pairs, (before, after), 1)
    off = pairs[~np.eye(t, dtype=bool)]
    assert set(off) == {off[0]}
    own = set(np.diag(pairs))
    assert own == ({off[0]} if periods == t + 1 else {0})
    assert all(sorted(column) == list(range(t)) for column in table[:t].T.tolist())


def test_what_no_sequence_can_be_made_of_is_refused(monkeypatch):
    monkeypatch.setattr(squares, "searched_crossover", lambda site, line, when: np.zeros(site.n))
    with pytest.raises(PlanError, match="several batches"):
        carry_over(crossover(1, 4, 2))
    alone = Site(parse_structure("batch"), {"batch": 4}, ("batch",), {"mist": (1, 1)}, (2, 2))
    with pytest.raises(PlanError, match="several batches"):
        carry_over(alone)
    assert carry_over(crossover(8, 25, 4)).method == "carry-over nearly balanced"  # 200 units
    with pytest.raises(PlanError, match="limited to 200"):
        carry_over(crossover(3, 67, 3))  # 201
    shelves = Site(parse_structure("tent * shelf"), {"tent": 3, "shelf": 6}, ("tent", "shelf"),
                   {"mist": (1, 1, 1)}, (6, 6, 6))  # fmt: skip
    assert carry_over(shelves).ordered == ("tent",)


@pytest.mark.parametrize("t", [2, 3, 4, 5, 6, 7])
def test_sequences_of_williams_follow_each_other_equally_often(t):
    """Williams (1949): each ordered pair once for even numbers, twice for odd ones."""
    found = williams_sequences(t)
    assert found.shape == (t if t % 2 == 0 else 2 * t, t)
    pairs = np.zeros((t, t), dtype=int)
    for row in found:
        assert sorted(row) == list(range(t))
        np.add.at(pairs, (row[:-1], row[1:]), 1)
    assert (pairs == (1 + t % 2) * (1 - np.eye(t))).all()
