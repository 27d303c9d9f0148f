"""Skeletons of layouts, looks and what a pilot tells, piece by piece: values by hand."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from trialkit.design.power import looks, variation_pilot
from trialkit.design.power.looks import LookPlan, level_at
from trialkit.design.power.variation_pilot import (
    _by_batch,
    _by_stratum,
    _df_of,
    _key,
    _notes,
    _place,
    _shares,
    _with_treatment,
    pilot_variation,
    spread_points,
)
from trialkit.design.sheets.workbook import _back, _heaviest, put
from trialkit.design.strata.strata import (
    Line,
    Strata,
    _combined,
    _sentences,
    _term_bases,
    home_strata,
    skeleton_lines,
    with_trend,
)
from trialkit.errors import DesignError
from trialkit.structure import parse_structure
from trialkit.trial.over_time import START_NO

RUNS = ("batch", "chamber")
CROSSED = parse_structure("(batch * chamber) / block")


# ------------------------------------------------------------------ skeletons


def lines_of(structure, counts, **treatments):
    found = skeleton_lines(parse_structure(structure), counts, treatments)
    return [(":".join(x.stratum), x.name, x.df) for x in found], found


def test_a_balanced_treatment_lies_whole_in_its_stratum():
    """Three levels on two tents each: 2 df of 5 between tents; bags are all error."""
    tents = (("tent",), np.array([0, 1, 2, 0, 1, 2]), 3)
    told, lines = lines_of("tent / bag", {"tent": 6, "bag": 2}, mist=tents)
    assert told == [("tent", "mist", 2), ("tent", "", 3), ("tent:bag", "", 6)]
    assert lines[0].efficiency == 1.0
    assert lines[0].amount == pytest.approx(2)
    assert np.isnan(lines[1].efficiency)


def test_incomplete_blocks_share_information_out():
    """Levels 01, 02, 12 in three pairs: 3/4 within, 1/4 between (Yates 1936), 2 df in both."""
    bags = (("tent", "bag"), np.array([0, 1, 0, 2, 1, 2]), 3)
    told, lines = lines_of("tent / bag", {"tent": 3, "bag": 2}, mist=bags)
    assert told == [
        ("tent", "mist", 2), ("tent", "", 0), ("tent:bag", "mist", 2), ("tent:bag", "", 1)
    ]  # fmt: skip
    assert [x.efficiency for x in lines if x.name] == pytest.approx([0.25, 0.75])
    assert [x.amount for x in lines if x.name] == pytest.approx([0.5, 1.5])
    assert home_strata(lines) == {"mist": ("tent", "bag")}


def test_two_treatments_and_their_product():
    """Mist by tent, light by bag: the product is seen between bags. 12 bags: 11 − 5 = 6 within."""
    mist = (("tent",), np.array([0, 1, 0, 1, 0, 1]), 2)
    light = (("tent", "bag"), np.tile([0, 1], 6), 2)
    told, _ = lines_of("tent / bag", {"tent": 6, "bag": 2}, mist=mist, light=light)
    assert told == [
        ("tent", "mist", 1), ("tent", "", 4),
        ("tent:bag", "light", 1), ("tent:bag", "mist:light", 1), ("tent:bag", "", 4),
    ]  # fmt: skip


def test_where_terms_overlap_df_go_to_the_one_that_has_most_there():
    """Two treatments given alike: one takes the only degree of freedom, the other has none."""
    same = np.array([0, 1, 0, 1, 0, 1])
    told, _ = lines_of(
        "tent / bag", {"tent": 6, "bag": 2}, a=(("tent",), same, 2), b=(("tent",), same, 2)
    )
    assert told == [("tent", "a", 1), ("tent", "", 4), ("tent:bag", "", 6)]


def test_combinations_are_numbered_by_the_finest_units():
    tents = (("tent",), np.array([0, 1]), 2)
    bags = (("tent", "bag"), np.array([2, 0, 1, 1]), 3)
    cells, sizes = _combined(
        parse_structure("tent / bag"),
        {"tent": 2, "bag": 2},
        ("tent", "bag"),
        {"a": tents, "b": bags},
    )
    assert cells.tolist() == [2, 0, 4, 4]
    assert sizes == [2, 3]


def test_bases_are_orthonormal_by_the_units_of_each_cell():
    """L'RL = I, and L'R 1 = 0: contrasts of cells with 3, 1, 2 and 2 units."""
    held = np.array([3.0, 1, 2, 2])
    bases = _term_bases(np.arange(4), [2, 2], held, ["a", "b"])
    assert {name: b.shape[1] for name, b in bases.items()} == {"a": 1, "b": 1, "a:b": 1}
    whole = np.hstack(list(bases.values()))
    assert whole.T @ np.diag(held) @ whole == pytest.approx(np.eye(3), abs=1e-9)
    assert held @ whole == pytest.approx(np.zeros(3), abs=1e-9)
    a = bases["a"][:, 0]  # four units at either level of a
    assert a / a[0] == pytest.approx([1, 1, -1, -1])


def test_a_term_is_at_home_where_most_of_it_lies():
    lines = [Line(("a",), "x", 1, 0.5, 1.0), Line(("a", "b"), "x", 1, 0.5, 1.0),
             Line(("a",), "y", 1, 0.4, 0.9), Line(("a", "b"), "y", 1, 0.6, 1.1),
             Line(("a",), START_NO, 1, 1.0, 5.0), Line(("a",), "", 3)]  # fmt: skip
    assert home_strata(lines) == {"x": ("a",), "y": ("a", "b")}  # of two alike the coarser
    assert Line(("a",), "x", 1).amount == 0.0


def test_a_trend_takes_one_from_the_error_between_starts(make_trial):
    units = "structure = 'batch / block'\nbatch = 8\nblock = 4\nover_time = '{}'"
    for way, df in (("trend", 5), ("random", 6)):
        trial = make_trial(units.format(way), {"mist": ("batch", 2, "")})
        lines = [Line(("batch",), "mist", 1, 1.0), Line(("batch",), "", 6),
                 Line(("batch", "block"), "", 24)]  # fmt: skip
        found = with_trend(trial, lines)
        left = {x.stratum: x.df for x in found if not x.name}
        assert left == {("batch",): df, ("batch", "block"): 24}
        added = [(x.stratum, x.df, x.efficiency) for x in found if x.name == START_NO]
        assert added == ([(("batch",), 1, 1.0)] if way == "trend" else [])


def test_what_is_judged_by_what_in_words(make_trial):
    """A whole comparison is said plainly; one of 75 % with its rest; three df are enough."""
    trial = make_trial("structure = 'tent / bag'\ntent = 6\nbag = 2", {"mist": ("tent:bag", 3, "")})
    lines = [Line(("tent",), "mist", 2, 0.25), Line(("tent", "bag"), "mist", 2, 0.75)]
    home = {"mist": ("tent", "bag")}

    def keys(lines, df):
        found = _sentences(trial, lines, home, {("tent",): 1, ("tent", "bag"): df})
        return [s.key for s in found], found

    told, found = keys(lines, 3)
    assert told == ["strata.share_rest"]
    assert found[0].values["share"] == pytest.approx(75)
    assert found[0].values["rest"][0].values["share"] == pytest.approx(25)
    assert found[0].values["compared"].values["df"] == 3
    assert keys(lines[1:], 3)[0] == ["strata.share"]
    assert keys([Line(("tent", "bag"), "mist", 2, 1.0)], 3)[0] == ["strata.compared"]
    few = keys([Line(("tent", "bag"), "mist", 2, 1.0)], 2)[0]
    assert few[0] == "strata.compared"
    assert few[1].startswith("scarce.few")


def test_error_df_are_those_where_a_treatment_is_tested():
    rows = [("tent", "mist", 2, "tent:bag"), ("tent:bag", "mist", 7, "tent:bag"),
            ("tent:bag", "error", 7, "tent:bag")]  # fmt: skip
    table = pd.DataFrame(rows, columns=["stratum", "source", "error_df", "tested_in"])
    found = Strata(None, table, ())
    assert found.error_df("mist") == 7
    with pytest.raises(DesignError, match=r"called 'fog'.*\['mist'\]"):
        found.error_df("fog")


# ------------------------------------------------------------------ looks


def test_the_level_of_a_look_spends_what_the_rule_gives(monkeypatch):
    """One-sided 0.4 % at the first look and 0.8 % at the end: limits of 99.2 and 98.4 %."""
    told = []

    def levels(alpha, shares, df, **more):
        told.append((alpha, shares, df, more))
        return [0.004, 0.008][: len(shares)]

    monkeypatch.setattr(looks, "stage_levels", levels)
    monkeypatch.setattr(looks, "error_spent", lambda alpha, shares, rule: [0.001, 0.01])
    trial = SimpleNamespace(question=SimpleNamespace(level=0.95, spend_error="even"))
    plan = LookPlan((2, 4), (3.0, 9.0), (0.4, 1.0), 2, 0.5)
    spent, level = level_at(trial, plan, (0.4,))
    assert (spent, level) == pytest.approx((0.01, 1 - 2 * 0.004))
    assert told[0][0] == pytest.approx(0.025)
    assert told[0][2] == (3.0,)
    assert told[0][3] == {"spending": "even", "comparisons": 2, "correlation": 0.5}
    assert level_at(trial, plan, (0.4, 1.0))[1] == pytest.approx(0.984)
    assert told[1][2] == (3.0, 9.0)
    monkeypatch.setattr(looks, "look_plan", lambda trial, variation: plan)
    first, last = looks.planned_looks(trial)
    assert (first.number, first.of, first.batches, first.share, first.df) == (1, 2, 2, 0.4, 3.0)
    assert (last.number, last.of, last.batches, last.share, last.df) == (2, 2, 4, 1.0, 9.0)
    assert (first.level, last.level) == pytest.approx((0.992, 0.984))


# ------------------------------------------------------------------ a pilot


def test_points_take_the_middle_of_every_step_once():
    points = spread_points(10, 3)
    assert np.sort(points, axis=0) == pytest.approx(np.tile((np.arange(10) + 0.5)[:, None] / 10, 3))
    assert not points.flags.writeable
    assert not (points[:, 0] == points[:, 1]).all()


def test_shares_of_one_are_even_on_average():
    uniform = spread_points(2000, 3)
    one = _shares(uniform, [1])
    assert one.tolist() == np.ones((2000, 1)).tolist()
    two = _shares(uniform, [0, 2])
    assert two.sum(axis=1) == pytest.approx(np.ones(2000))
    assert two.mean(axis=0) == pytest.approx([0.5, 0.5], abs=0.02)
    # of two exponentials the share is uniform: a variance of 1/12
    assert two[:, 0].var() == pytest.approx(1 / 12, abs=0.005)


def pilot_of(table=None, groups=(), **more):
    """Give a fit of batches × chambers × blocks with the random terms named."""
    if table is None:
        rows = [(b, c, k, f) for b in "12" for c in "AB" for k in "xy" for f in (1, 2)]
        table = pd.DataFrame(rows, columns=["batch", "chamber", "block", "flush"])
    groupings = [
        SimpleNamespace(
            term=SimpleNamespace(name=name, columns=tuple(name.split(":")), slope=slope)
        )
        for name, slope in groups
    ]
    return SimpleNamespace(table=table, data=SimpleNamespace(), groupings=groupings, **more)


@pytest.fixture
def trial(make_trial, monkeypatch):
    monkeypatch.setattr(variation_pilot, "recall", lambda data, key, make: make())
    return make_trial(
        "structure = '(batch * chamber) / block'\nbatch = 4\nchamber = 6\nblock = 3\nflushes = 2",
        {"mist": ("batch:chamber", 3, "")},
    )


def test_strata_are_named_by_what_had_several_levels(trial):
    full = pilot_of()
    assert _key(trial, full, RUNS) == frozenset(RUNS)
    one = full.table[full.table["batch"] == "1"]
    assert _key(trial, pilot_of(one), RUNS) == frozenset({"chamber"})
    assert _key(trial, pilot_of(full.table.drop(columns="block")), ("batch", "block")) == frozenset(
        {"batch", "block"}
    )  # what the pilot does not name has as many as the trial
    single = SimpleNamespace(counts={"block": 1})
    bare = pilot_of(full.table.drop(columns="block"))
    assert _key(single, bare, ("batch", "block")) == frozenset({"batch"})
    assert _key(single, bare, ("batch", "room")) == frozenset({"batch", "room"})
    assert _key(trial, full, ("time_block", "start")) == frozenset({"batch"}) | (
        frozenset({"time_block"})
    )  # fmt: skip


def test_variances_of_a_pilot_find_their_stratum_and_weight(trial):
    """Flushes are halves of a run's harvest; three levels over six chambers share by twos."""
    run, block = frozenset(RUNS), frozenset({"batch", "chamber", "block"})
    names = ["batch:chamber", "batch:chamber:flush", "batch:mist", "batch:chamber:block"]
    pilot = pilot_of(groups=[(n, None) for n in names])
    assert _place(trial, pilot, "batch:chamber") == (run, 1.0)
    assert _place(trial, pilot, "batch:chamber:flush") == (run, 0.5)
    assert _place(trial, pilot, "batch:chamber:block") == (block, 1.0)
    assert _place(trial, pilot, "residual") == (block, 0.5)  # between flushes of a block
    single = pilot_of(groups=[("batch:chamber", None)])
    assert _place(trial, single, "residual") == (block, 1.0)
    assert _place(trial, pilot, "batch:mist") == (run, 2.0)
    sloped = pilot_of(groups=[("batch", "day")])
    assert _place(trial, sloped, "batch") == (frozenset({"batch"}), 1.0)
    levels = {str(i): None for i in range(9)}
    many = SimpleNamespace(structure=trial.structure, counts=trial.counts, flushes=2,
                           factors={"mist": trial.factors["mist"]})  # fmt: skip
    factor = SimpleNamespace(applied_to=RUNS, levels=levels)
    assert _with_treatment(many, pilot, ("batch", "mist"), [factor]) == (run, 1.0)  # at least


def test_draws_add_up_by_stratum_and_df_are_those_of_its_own_square(trial):
    run = frozenset(RUNS)
    pilot = pilot_of(groups=[("batch:chamber", None), ("batch:chamber:flush", None)])
    names = ("batch:chamber", "batch:chamber:flush", "residual")
    values = np.array([[4.0, 2.0, 9.0], [6.0, 8.0, 9.0]])
    found = _by_stratum(trial, pilot, names, values)
    assert found[run].tolist() == [5, 10]
    assert _df_of(trial, pilot, names, np.array([7.0, 5.0, 30.0]), run) == 7
    assert np.isnan(_df_of(trial, pilot, names, np.array([7.0, 5.0, 30.0]), frozenset({"x"})))
    flushes = pilot_of(groups=[("batch:chamber:flush", None)])
    assert _df_of(trial, flushes, names[1:], np.array([5.0, 30.0]), run) == 5
    assert _notes(trial, pilot, names) == ()
    odd = pilot_of(groups=[("room", None)])
    (note,) = _notes(trial, odd, ("room", "residual"))
    assert len(note.values["units"]) == 1


def test_what_a_treatment_does_by_batch_is_its_median_and_not_below_nought(trial):
    pilot = pilot_of(groups=[("batch:mist", None), ("batch:chamber", None)])
    names = ("batch:chamber", "batch:mist")
    for column, middle in (([1.0, 5, 30], 5.0), ([-9.0, -2, 3], 0.0)):
        values = np.column_stack([[100.0, 100, 100], column])
        assert _by_batch(trial, pilot, names, values) == {"batch:chamber": (middle, 2.0)}
    sloped = pilot_of(groups=[("batch:mist", "day")])
    assert _by_batch(trial, sloped, ("batch:mist",), np.ones((3, 1))) == {}
    other = pilot_of(groups=[("batch:light", None)])
    assert _by_batch(trial, other, ("batch:light",), np.ones((3, 1))) == {}


@pytest.mark.parametrize("mean", [0.0, -3.0])
def test_per_cent_of_nothing_have_no_meaning(trial, mean):
    pilot = pilot_of(fitted_fixed=np.array([mean, mean]))
    with pytest.raises(DesignError, match="above zero"):
        pilot_variation(trial, pilot)


@pytest.mark.parametrize(
    ("terms", "told", "clear", "large", "left"),
    [(["batch:mist", "batch"], True, False, False, ["batch"]),
     (["mist:batch", "batch"], True, False, False, ["batch"]),
     (["batch:mist", "batch"], True, True, False, None), (["batch"], True, False, False, None),
     (["batch:mist"], False, False, False, None), (["batch:mist"], True, False, True, None)],
)  # fmt: skip
def test_a_pilots_batch_by_treatment_is_kept_where_it_is_shown(
    trial, terms, told, clear, large, left, monkeypatch
):
    monkeypatch.setattr(variation_pilot, "crossed_df", lambda *_: (3, 9))
    monkeypatch.setattr(variation_pilot, "can_be_told", lambda df: told)
    asked = []

    def stands(data, variances, name, term, df, at):
        asked.append(at)
        return np.array([clear])

    monkeypatch.setattr(variation_pilot, "stands_clear", stands)
    pilot = pilot_of(spec=SimpleNamespace(random=terms), is_large=large, variances=pd.Series([1.0]))
    pilot.refit = lambda random: random
    found = variation_pilot._for_planning(trial, pilot)
    assert (None if found is pilot else found) == left
    assert set(asked) <= {0.95}
    pilot.table = pilot.table.drop(columns="chamber")
    assert variation_pilot._for_planning(trial, pilot) is pilot


# ------------------------------------------------------------------ the workbook


def test_text_is_never_taken_for_a_formula():
    def cell(value):
        made = SimpleNamespace(value=None, data_type=None, quotePrefix=False)
        put(made, value)
        return made.value, made.data_type, made.quotePrefix

    for value in (None, "", float("nan"), np.float64("nan")):
        assert cell(value) == (None, None, False)
    assert cell(0) == (0, None, False)
    assert cell(np.int64(7)) == (7, None, False)
    assert cell("wet") == ("wet", "s", False)
    for text in ("=1+1", "+1", "-1", "@x"):
        assert cell(text) == (text, "s", True)


def test_days_come_back_as_days_and_moments_as_moments():
    import datetime as dt

    assert _back(None) == ""
    assert _back(dt.datetime(2031, 5, 1)) == dt.date(2031, 5, 1)
    assert _back(dt.datetime(2031, 5, 1, 0, 1)) == dt.datetime(2031, 5, 1, 0, 1)
    assert _back(0) == 0


def test_the_heaviest_flush_that_can_be_typed():
    def most(**blocks):
        given = {"max_flush_g": None, "wet_g": None, "dry_substrate_g": None, **blocks}
        return _heaviest(SimpleNamespace(blocks=SimpleNamespace(**given)))

    assert most(max_flush_g=900, wet_g=3000) == 900
    assert most(wet_g=3000, dry_substrate_g=1000) == 3000
    assert most(dry_substrate_g=1000) == 2000  # twice the dry
    assert most() == 20_000
