"""Draws beside what stands, lists of restricted plans, and how plans are laid out: by hand."""

import datetime as dt
import itertools
from collections import Counter
from types import SimpleNamespace

import numpy as np
import pytest

from trialkit.design.layout import procedure, restricted_plans
from trialkit.design.layout.chance import Draws
from trialkit.design.layout.draw_record import UNKNOWN, Draw, batch_of, undated_draw
from trialkit.design.layout.joined_units import (
    Ready,
    _draw,
    _draw_once,
    _groupings,
    _held,
    draw_joined,
    draw_prepared,
    prepare_joined,
)
from trialkit.design.layout.procedure import Drawn, _free_layout, _method, base_layouts
from trialkit.design.layout.restricted_plans import PlanList, _best_of, best_plans, every_plan
from trialkit.design.layout.site import Constraints, Layout, Site, _neighbours, treated_sites
from trialkit.design.layout.standing_levels import continued_table, standing_levels
from trialkit.errors import PlanError
from trialkit.structure import parse_structure

RUNS = ("batch", "chamber")
CROSSED = parse_structure("batch * chamber")
MIDDAY = dt.datetime(2031, 5, 1, 12, tzinfo=dt.UTC)


# ------------------------------------------------------------------ what joins


def test_what_joins_a_batch_is_even_in_it_and_over_chambers(runs):
    """Three batches stand; in the last each chamber gets the level it has had less often."""
    trial = runs()
    stood = {"1": "mmww", "2": "mwmw", "3": "wmmw"}
    name = {"m": "m0", "w": "m1"}
    batches, chambers = trial.levels["batch"], trial.levels["chamber"]
    standing = {
        (batches[b], chambers[c]): name[x]
        for b, row in enumerate(stood.values()) for c, x in enumerate(row)
    }  # fmt: skip
    for seed in range(5):
        drawn = draw_joined(trial, {"mist": standing}, Draws(seed))["mist"]
        assert all(drawn[unit] == level for unit, level in standing.items())
        last = [drawn[batches[3], c] for c in chambers]
        # mists so far: A 2 of 3, B 2, C 2, D 0 → D gets mist, and one of the others by chance
        assert last[3] == "m0"
        assert Counter(last) == {"m0": 2, "m1": 2}


def test_units_that_never_began_or_are_not_asked_for_are_left_out(runs):
    trial = runs(2, 4)
    ready = prepare_joined(
        trial, units=[u for u in trial.unit_table()["unit"] if u.startswith("B1")]
    )
    (one,) = ready
    assert one.grows.tolist() == [True] * 4 + [False] * 4
    drawn = draw_prepared(ready, {}, Draws(1))["mist"]
    assert {unit[0] for unit in drawn} == {"B1"}
    assert Counter(drawn.values()) == {"m0": 2, "m1": 2}
    assert prepare_joined(trial)[0].grows.all()


def ready_of(site, groups=None, across=(), share=None):
    n = site.n
    return Ready(site, {"mist": ["a", "b"]}, [(str(i),) for i in range(n)], np.ones(n, bool),
                 list(across), groups or [np.arange(n)],
                 np.ones(site.t) if share is None else np.array(share, float))  # fmt: skip


def site_of(batch=1, chamber=4, target=(2, 2), **more):
    return Site(CROSSED, {"batch": batch, "chamber": chamber}, RUNS, {"mist": (1,) * len(target)},
                target, **more)  # fmt: skip


def test_a_group_is_filled_to_what_its_shares_ask():
    site = site_of()
    absent = np.full(4, -1)
    for share, want in (((1, 1), [2, 2]), ((1.5, 0.5), [3, 1]), ((0.5, 1.5), [1, 3])):
        ready = ready_of(site, share=share)
        for seed in range(3):
            got = _draw_once(ready, absent, np.ones(4, bool), Draws(seed), loose=False)
            assert np.bincount(got, minlength=2).tolist() == want
    # one of level 0 stands: two of the other three are 1
    got = _draw_once(ready_of(site), np.array([0, -1, -1, -1]), np.arange(4) > 0, Draws(1),
                     loose=False)  # fmt: skip
    assert got[0] == 0
    assert np.bincount(got).tolist() == [2, 2]
    # what is not wanted stays absent, and a group without wanted units is passed over
    got = _draw_once(ready_of(site, [np.array([0, 1]), np.array([2, 3])]), absent,
                     np.arange(4) < 2, Draws(1), loose=False)  # fmt: skip
    assert sorted(got[:2]) == [0, 1]
    assert got[2:].tolist() == [-1, -1]


def test_with_loose_rules_chambers_yield_to_chance():
    """Two chambers had level 0: the third group gives 1 there, unless chance decides."""
    site = site_of(3, 2, (3, 3))
    chamber = site.holder(("chamber",))
    ready = ready_of(site, [np.array([4, 5])], [chamber])
    held, wanted = np.array([0, 1, 0, 1, -1, -1]), np.arange(6) > 3
    firm = {tuple(_draw_once(ready, held, wanted, Draws(s), loose=False)[4:]) for s in range(12)}
    loose = {tuple(_draw_once(ready, held, wanted, Draws(s), loose=True)[4:]) for s in range(12)}
    assert firm == {(1, 0)}
    assert loose == {(0, 1), (1, 0)}


def test_rules_are_kept_by_what_joins_or_it_is_refused():
    """Level 0 must not stand beside itself: of four in a row two alternate."""
    near = _neighbours(RUNS, {"batch": 1, "chamber": 4})
    conflict = np.eye(2, dtype=bool)
    rules = Constraints(np.ones((4, 2), bool), conflict, near)
    site = site_of(limits=rules)
    absent, every = np.full(4, -1), np.ones(4, bool)
    seen = {tuple(_draw(ready_of(site), absent, every, Draws(s))) for s in range(8)}
    assert seen == {(0, 1, 0, 1), (1, 0, 1, 0)}
    may = np.ones((4, 2), bool)
    may[2, 1] = may[3, 1] = False
    none = Constraints(may, conflict, near)
    with pytest.raises(PlanError, match="no draw was found"):
        _draw(ready_of(site_of(limits=none)), absent, every, Draws(1))
    may[2] = False  # a place that may hold neither
    once = _draw_once(ready_of(site_of(limits=none)), absent, every, Draws(1), loose=False)
    assert once is None


def test_what_is_held_is_a_combination_of_levels():
    site = SimpleNamespace(sizes=(2, 3))
    ready = SimpleNamespace(levels={"a": ["x", "y"], "b": ["p", "q", "r"]}, site=site)
    standing = {"a": {("1",): "y", ("2",): "x"}, "b": {("1",): "q"}}
    assert _held(ready, standing, ("1",)) == 3 + 1
    assert _held(ready, standing, ("2",)) == -1
    assert _held(ready, {}, ("1",)) == -1


def test_batches_are_drawn_one_after_the_other_and_spread_over_chambers():
    across, groups = _groupings(site_of(2, 3, (3, 3)))
    assert [g.tolist() for g in groups] == [[0, 1, 2], [3, 4, 5]]
    assert [a.tolist() for a in across] == [[0, 1, 2] * 2]
    alone = Site(parse_structure("tent"), {"tent": 4}, ("tent",), {"mist": (1, 1)}, (2, 2))
    across, groups = _groupings(alone)
    assert [g.tolist() for g in groups] == [[0, 1, 2, 3]]
    assert across == []
    rooms = Site(parse_structure("room * shelf"), {"room": 2, "shelf": 2}, ("room", "shelf"),
                 {"mist": (1, 1)}, (2, 2))  # fmt: skip
    across, groups = _groupings(rooms)
    assert [g.tolist() for g in groups] == [[0, 1], [2, 3]]
    assert len(across) == 1


def test_what_stands_was_drawn_or_told_of_what_ran(runs):
    """Batch 1 has begun. A unit in no draw that is told has what is told, the others as drawn."""
    trial = runs(2, 4)
    units = trial.unit_table()
    drawn = units.assign(mist="m0")
    code = str(units["unit"].iloc[0])
    draw = Draw(UNKNOWN, 1, "1", tuple(u for u in units["unit"].astype(str) if u != code))
    old = SimpleNamespace(trial=trial, table=drawn, draws=(draw,))
    first = trial.levels["batch"][0]
    key = (first, trial.levels["chamber"][0])
    told = SimpleNamespace(
        kind="got", treatment="mist", level="m1", about=lambda u: u["unit"] == code
    )
    happened = SimpleNamespace(
        factors=trial.factors, grown_units=trial.grown_units, unit_table=trial.unit_table,
        happened=(told,), structure=trial.structure,
    )  # fmt: skip

    def standing(begun, again=False, plan=old):
        return standing_levels(happened, plan, begun, again=again)["mist"]

    assert len(standing({first})) == 8
    # both of its blocks say what their run has; the later row of the run is the drawn one
    assert standing({first}, plan=None) == {key: "m1"}
    assert standing(set(), plan=None) == {}
    assert standing(set(), again=True) == {}
    again = standing({first}, again=True)
    assert {unit[0] for unit in again} == {first}
    assert len(again) == 4


def test_units_of_a_trial_without_batches_are_one_batch(runs, make_trial):
    codes = batch_of(runs(2, 4))
    assert set(codes.values()) == {"B1", "B2"}
    assert all(code.startswith(batch) for code, batch in codes.items())
    bare = make_trial("structure = 'tent / bag'\ntent = 6\nbag = 2", {"mist": ("tent", 2, "")})
    assert set(batch_of(bare).values()) == {"all"}
    draw = undated_draw(bare.unit_table(), ("tent", "bag"), 3, "9")
    assert (draw.at, draw.seed, draw.version) == (UNKNOWN, 3, "9")
    assert len(draw.units) == 12
    assert {name: len(own) for name, own in draw.levels.items()} == {"tent": 6, "bag": 2}


def test_what_stood_whole_is_told_apart_from_what_was_drawn(runs):
    trial = runs(2, 4)
    batch = trial.levels["batch"]
    standing = {"mist": {(batch[0], c): "m1" for c in trial.levels["chamber"]}}
    table, stood = continued_table(trial, standing, 0, 7)
    assert stood.tolist() == [True] * 8 + [False] * 8
    assert set(table.loc[stood, "mist"]) == {"m1"}
    again, _ = continued_table(trial, standing, 0, 7)
    assert (again["mist"] == table["mist"]).all()
    later = [tuple(continued_table(trial, standing, k, 7)[0]["mist"]) for k in range(6)]
    assert len(set(later)) > 1  # every draw has chance of its own


# ------------------------------------------------------------------ lists of restricted plans


def in_a_row(n, t, conflict, may=None):
    near = np.array([[i - 1 if i else -1, i + 1 if i < n - 1 else -1] for i in range(n)])
    return Constraints(np.ones((n, t), bool) if may is None else may, conflict, near)


def test_every_plan_that_keeps_the_rules_is_listed_once():
    """Against all orders of two of each of three levels, none beside itself."""
    rules = in_a_row(6, 3, np.eye(3, dtype=bool))
    found, whole = every_plan((2, 2, 2), rules)
    want = {p for p in itertools.permutations([0, 0, 1, 1, 2, 2])
            if all(a != b for a, b in itertools.pairwise(p))}  # fmt: skip
    assert whole
    assert len(found) == len(want)
    assert {tuple(p) for p in found.tolist()} == want
    may = np.ones((6, 3), bool)
    may[0] = [False, True, False]
    found, _ = every_plan((2, 2, 2), in_a_row(6, 3, np.eye(3, dtype=bool), may))
    assert {tuple(p) for p in found.tolist()} == {p for p in want if p[0] == 1}
    found, whole = every_plan((6, 0, 0), rules)
    assert (len(found), whole) == (0, True)


def test_a_list_that_grows_too_long_is_a_sample():
    rules = in_a_row(6, 3, np.zeros((3, 3), bool))
    found, whole = every_plan((2, 2, 2), rules, most=90)
    assert (len(found), whole) == (90, True)  # 6!/8 = 90 in the end, and never more before
    found, whole = every_plan((2, 2, 2), rules, most=89)
    assert not whole
    assert len(found) <= 89
    assert all(np.bincount(p).tolist() == [2, 2, 2] for p in found)


def test_of_a_sample_with_few_best_plans_the_next_best_are_let_in():
    """30 different plans are enough: of 29 best and others half a per cent below, both."""

    def listed(best, near, whole, far=0):
        plans = np.arange(best + near + far)[:, None]
        values = np.repeat([1.0, 0.9951, 0.98], [best, near, far])
        valuation = SimpleNamespace(
            values=lambda p: values[p[:, 0]], site=SimpleNamespace(term=RUNS)
        )
        found = _best_of(valuation, plans, whole)
        return len(found.plans), found.complete, found.loss, found.kept

    assert listed(30, 5, False) == (30, False, 0.0, 1.0)
    assert listed(29, 5, False) == (34, False, 0.005, 1.0)
    assert listed(29, 5, True) == (29, True, 0.0, 1.0)
    assert listed(10, 5, False, 40) == (55, False, 0.02, 1.0)
    assert listed(3, 2, False)[:3] == (5, False, 1.0)  # there are no more
    doubled = np.zeros((40, 1), dtype=int)
    valuation = SimpleNamespace(values=lambda p: np.ones(len(p)), site=SimpleNamespace(term=RUNS))
    assert len(_best_of(valuation, doubled, False).plans) == 1
    with pytest.raises(PlanError):
        _best_of(valuation, doubled[:0], False)


def test_how_a_list_came_about_is_said():
    two = np.zeros((2, 3), int)
    assert "all 2 best" in PlanList(two, True, 1.0).words
    assert "2 sampled best" in PlanList(two, False, 1.0).words
    assert "2 sampled plans within 0.5 %" in PlanList(two, False, 1.0, 0.005).words


def test_the_last_sixty_four_lists_are_kept(monkeypatch):
    made = []
    monkeypatch.setattr(restricted_plans, "_known", {})
    monkeypatch.setattr(restricted_plans, "list_plans", lambda site: made.append(site.key) or [1])
    for key in [*range(64), 0, 64, 1, 0]:
        best_plans(SimpleNamespace(key=key))
    assert made == [*range(65), 0]
    assert len(restricted_plans._known) == 64


# ------------------------------------------------------------------ procedure


def test_a_method_asked_for_must_fit_and_be_one():
    site = SimpleNamespace(methods=("carry-over balanced", "latin square"), asked=["a", "b"], t=3,
                           term=RUNS, square=None)  # fmt: skip
    with pytest.raises(PlanError, match="laid out together"):
        _method(site)
    site.methods = ()
    assert _method(site) == "auto"
    site.methods = ("carry-over balanced",)
    assert _method(site) == "carry-over balanced"
    site.methods = ("latin square",)
    with pytest.raises(PlanError, match="3 rows crossed with 3 columns"):
        _method(site)
    site.square = 1
    assert _method(site) == "latin square"


def test_each_site_is_laid_out_by_the_simplest_way_that_serves():
    def words(structure, counts, target, term):
        site = Site(parse_structure(structure), counts, term, {"mist": (1,) * len(target)}, target)
        return _free_layout(site, (), Draws(1), None, None, quick=True).method

    tent = ("tent",)
    assert words("tent", {"tent": 6}, (3, 3), tent) == "completely randomised"
    bags = ("tent", "bag")
    assert words("tent / bag", {"tent": 3, "bag": 4}, (6, 6), bags) == "randomised blocks"
    assert words("tent / bag", {"tent": 3, "bag": 2}, (2, 2, 2), bags) == "incomplete blocks"
    assert words("batch * chamber", {"batch": 3, "chamber": 3}, (3, 3, 3), RUNS) == "Latin square"
    assert words("batch * chamber", {"batch": 3, "chamber": 4}, (4, 4, 4), RUNS) == "row–column"


def test_what_was_drawn_tells_its_efficiency_and_its_bound():
    """Levels 01, 02, 12 in three pairs: 3/4, which no plan exceeds; each bag twice at two grams."""
    site = Site(parse_structure("tent / bag / gram"), {"tent": 3, "bag": 2, "gram": 2},
                ("tent", "bag"), {"mist": (1, 1, 1)}, (2, 2, 2))  # fmt: skip
    level = np.array([0, 1, 0, 2, 1, 2])
    drawn = Drawn(Layout(site, level, "x"), level, 3)
    assert drawn.efficiency == drawn.bound == 0.75
    assert drawn.at_smallest.tolist() == np.repeat(level, 2).tolist()
    apart = np.array([0, 0, 1, 1, 2, 2])
    assert Drawn(Layout(site, apart, "x"), apart, 3).efficiency == 0.0
    from dataclasses import replace

    starts = Site(parse_structure("batch"), {"batch": 4}, ("batch",), {"mist": (1, 1)}, (2, 2),
                  trend=True)  # fmt: skip
    order = np.array([0, 0, 1, 1])
    # the line −1.5 … 1.5 runs along with the levels: (1² · 2 · 2)/5 = 0.8 is lost
    assert Drawn(Layout(starts, order, "x"), order, 2).efficiency == pytest.approx(0.2)
    still = replace(starts, trend=False)
    assert Drawn(Layout(still, order, "x"), order, 2).efficiency == 1.0


def test_beside_a_restricted_treatment_nothing_is_shuffled_afterwards(make_trial):
    units = "structure = '(batch * chamber) / block'\nbatch = 2\nchamber = 6\nblock = 2"
    forbidden = "forbidden = [{{ unit = '{}', level = 'm0' }}]"
    trial = make_trial(
        units, {"mist": ("batch:chamber", 2, ""), "light": (RUNS[0] + ":chamber:block", 2, "")}
    )
    free = base_layouts(treated_sites(trial), Draws(1))
    assert [layout.final for layout in free] == [False, False]
    first = trial.levels["chamber"][0]
    tied = make_trial(units, {"mist": ("batch:chamber", 2, forbidden.format(first)),
                              "light": ("batch:chamber:block", 2, "")})  # fmt: skip
    bound = base_layouts(treated_sites(tied), Draws(1))
    assert [layout.final for layout in bound] == [True, True]
    assert bound[0].plans is not None
    brief = base_layouts(treated_sites(tied), Draws(1), quick=True)
    assert brief[0].method == "restricted, by search"
    told = []
    site = treated_sites(trial)[0]
    procedure_free = procedure._free_layout
    try:
        procedure._free_layout = lambda s, *a, quick: (
            told.append(quick) or procedure_free(s, *a, quick=quick)
        )
        base_layouts([site], Draws(1))
        base_layouts([site], Draws(1), closely=RUNS)
        base_layouts([site], Draws(1), closely=("batch",))
        base_layouts([site], Draws(1), quick=True)
    finally:
        procedure._free_layout = procedure_free
    assert told == [False, False, True, True]
