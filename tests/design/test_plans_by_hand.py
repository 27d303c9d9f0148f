"""Covariates, surfaces, plans put together, check-list and question: by hand."""

import datetime as dt
import itertools
from collections import Counter
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

import trialkit as tk
from trialkit.design import plan as plans
from trialkit.design.layout import covariate_balance, parts_redrawn
from trialkit.design.layout.chance import Draws
from trialkit.design.layout.covariate_balance import known_columns, most_even, unevenness
from trialkit.design.layout.draw_record import UNKNOWN, Draw
from trialkit.design.layout.fragile_counts import fragile_counts
from trialkit.design.question_record import fixed_before_harvest, question_changes, question_of
from trialkit.design.sheets import checklist
from trialkit.design.sheets.checklist import checklist_parts, fruiting_days
from trialkit.design.strata import surface_terms
from trialkit.design.strata.covariate_cost import cost_notes, df_taken
from trialkit.errors import DesignError, PlanError
from trialkit.structure import parse_structure

RUNS = ("batch", "chamber")
CROSSED = parse_structure("batch * chamber")
MIDDAY = dt.datetime(2031, 5, 1, 12, tzinfo=dt.UTC)


# ------------------------------------------------------------------ covariates


def covariate(**more):
    given = {"values": {"1": 2.0, "2": 4.0}, "by": ("batch",), "use": "covariate", "name": "age",
             "label": "age", "held_by_layout": lambda given: False}  # fmt: skip
    return SimpleNamespace(**{**given, **more})


def known(by_name, use="covariate", values=None, units=("1", "2", "3", "4")):
    term = tuple(by_name.split(":"))
    trial = SimpleNamespace(
        factors={"mist": SimpleNamespace(applied_to=term)},
        covariates={"age": covariate(use=use, values=values)},
        strata_units=lambda name: pd.DataFrame({"batch": list(units), "chamber": "A"}),
    )
    return known_columns(trial, "mist")


def test_numbers_are_standardised_and_names_have_a_column_each():
    """2, 4, 6, 8 about 5 with a spread of √5; a missing one is the mean."""
    given = {"1": 2, "2": 4, "3": 6, "4": 8}
    assert known("batch", values=given)[:, 0] == pytest.approx(np.array([-3, -1, 1, 3]) / 5**0.5)
    less = known("batch", values={"1": 2, "2": 4})[:, 0]
    assert less[2:].tolist() == [0, 0]
    assert less[0] == -less[1] < 0
    names = known("batch", "block", {"1": "a", "2": "b", "3": "a", "4": "b"})
    assert names.tolist() == [[1, -1], [-1, 1], [1, -1], [-1, 1]]
    assert known("batch", values={"1": 2, "2": 2, "3": 2, "4": 2}).shape == (4, 0)
    assert known("batch", values={}).shape == (4, 0)
    assert known("chamber", values=given).shape == (4, 0)  # of larger units it tells nothing


def test_unevenness_is_the_sum_of_squares_between_levels():
    """Sums 3 and −3 over two and one units: 9/2 + 9/1; two columns add up."""
    column = np.array([[1.0], [2], [-3]])
    levels = {"mist": np.array([0, 0, 1])}
    assert unevenness(levels, {"mist": column}) == 13.5
    assert unevenness(levels, {"mist": np.hstack([column, column])}) == 27
    assert unevenness({**levels, "b": levels["mist"]}, {"mist": column, "b": column}) == 27


def test_of_twelve_draws_the_first_of_the_most_even_is_taken(monkeypatch):
    trial = SimpleNamespace(covariates={"age": covariate()}, factors={"mist": None})
    monkeypatch.setattr(covariate_balance, "known_columns", lambda *_: np.ones((2, 1)))
    worth = [5, 4, 3, 2, 7, 2, 9, 9, 9, 9, 9, 8, 1]
    monkeypatch.setattr(covariate_balance, "unevenness", lambda levels, columns: worth[levels["n"]])
    count = iter(range(99))
    assert most_even(trial, lambda: {"n": next(count)})["n"] == 3  # the thirteenth is not drawn
    assert next(count) == 12
    for matrix, values in ((np.ones((2, 0)), {"1": 1.0}), (np.ones((2, 1)), {})):
        trial.covariates = {"age": covariate(values=values)}
        monkeypatch.setattr(covariate_balance, "known_columns", lambda *_, m=matrix: m)
        count = iter(range(99))
        assert most_even(trial, lambda count=count: {"n": next(count)})["n"] == 0
        assert next(count) == 1


def test_covariates_cost_their_own_and_larger_units():
    """A number costs one; three rooms two, of which only those that are in count."""
    rooms = covariate(use="block", name="room", label="room",
                      values={"1": "north", "2": "south", "3": "east"})  # fmt: skip
    trial = SimpleNamespace(factors={"mist": SimpleNamespace(applied_to=RUNS)},
                            covariates={"age": covariate(), "room": rooms},
                            levels={"batch": ("1", "2", "3"), "chamber": ("A",)})  # fmt: skip
    assert [df for _, df in df_taken(trial, RUNS)] == [1, 2]
    assert df_taken(trial, ("chamber",)) == []
    said = cost_notes(trial, "mist", RUNS, 9)
    assert [s.key.removeprefix("power_covariate.") for s in said] == ["takes_one", "takes"]
    assert said[1].values["names"] == 3
    assert (said[1].values["df"], said[1].values["all"]) == (2, 9)
    trial.levels = {"batch": ("1", "2"), "chamber": ("A",)}
    assert [df for _, df in df_taken(trial, RUNS)] == [1, 1]
    trial.levels = {"batch": ("1",), "chamber": ("A",)}
    assert [df for _, df in df_taken(trial, RUNS)] == [1, 1]  # one at least
    within = covariate(use="block", by=RUNS, values={"1:A": "north", "1:B": "south"})
    trial.covariates, trial.levels = {"room": within}, {"batch": ("1",), "chamber": ("A", "B")}
    assert cost_notes(trial, "mist", RUNS, 9)[0].key == "power_covariate.takes_within"
    within.by, within.values = ("chamber",), {"A": "north", "B": "south"}
    assert cost_notes(trial, "mist", RUNS, 9)[0].key == "power_covariate.takes"
    within.held_by_layout = lambda given: True
    assert df_taken(trial, RUNS) == []


# ------------------------------------------------------------------ surfaces


def tuned(structure, counts, *terms):
    structure = parse_structure(structure)
    return SimpleNamespace(structure=structure, counts=counts,
                           tuned=[SimpleNamespace(applied_to=t) for t in terms])  # fmt: skip


def test_terms_of_a_surface_take_df_where_they_are_seen():
    """Mist by tent: slope and square; light by bag: slope, square and the product of both."""
    trial = tuned("tent / bag", {"tent": 6, "bag": 4}, ("tent",), ("tent", "bag"))
    rows = surface_terms.surface_rows(trial)
    told = [(r["stratum"], r["source"], r["df"], r["error_df"], r["n_units"]) for r in rows]
    assert told == [
        ("tent", "surface", 2, 3, 6), ("tent", "error", 3, 3, 6),
        ("tent:bag", "surface", 3, 15, 24), ("tent:bag", "error", 15, 15, 24),
    ]  # fmt: skip
    few = tuned("tent / bag", {"tent": 4, "bag": 4}, ("tent",))
    assert [r["df"] for r in surface_terms.surface_rows(few)] == [2, 1]
    with pytest.raises(DesignError, match="2 degrees of freedom between tent"):
        surface_terms.surface_rows(tuned("tent / bag", {"tent": 3, "bag": 4}, ("tent",)))
    said = surface_terms.surface_sentences(few, None)
    assert [s.key for s in said] == ["strata.surface.error", "strata.surface.few"]
    enough = tuned("tent / bag", {"tent": 6, "bag": 4}, ("tent",))
    assert [s.key for s in surface_terms.surface_sentences(enough, None)] == [
        "strata.surface.error"
    ]  # fmt: skip


# ------------------------------------------------------------------ plans put together


def test_counts_that_differ_by_a_quarter_are_told():
    def told(*counts):
        return [f.said.values["units"] for f in fragile_counts(
            pd.Series(counts, index=list("abc")[: len(counts)], name="mist"))]  # fmt: skip

    assert told(5, 4) == ["a 5, b 4"]
    assert told(6, 5) == []
    assert told(3, 1) == ["a 3, b 1"]
    assert told(8, 0, 8) == []
    assert told(8, 0) == []
    assert told(8, 0, 4) == ["a 8, c 4"]


def test_a_plan_goes_on_from_its_draws(runs):
    """Two of three units were drawn before; what is drawn again belongs to the new draw alone."""
    trial = runs(2, 4)
    first = tk.assign(trial)
    codes = tuple(first.table["unit"].astype(str))
    from dataclasses import replace

    old = replace(first, draws=(Draw(UNKNOWN, 1, "0.1", codes),))
    stood = np.arange(len(codes)) < 8
    args = (first.table, stood, old, 5, MIDDAY, ["B1"])
    on = plans._continued(trial, *args, again=False)
    assert [len(d.units) for d in on.draws] == [16, 8]
    assert (on.draws[1].at, on.draws[1].seed, on.draws[1].begun) == (MIDDAY, 5, ("B1",))
    assert (on.seed, on.version) == (old.seed, old.version)
    again = plans._continued(trial, *args, again=True)
    assert [len(d.units) for d in again.draws] == [8, 8]
    whole = plans._continued(trial, first.table, ~stood | stood, old, 5, MIDDAY, [], again=True)
    assert [len(d.units) for d in whole.draws] == [16]
    new = plans._continued(trial, first.table, stood & ~stood, None, 5, MIDDAY, [], again=False)
    assert [len(d.units) for d in new.draws] == [16]
    assert new.seed == 5
    everything = plans._continued(
        trial, first.table, stood & ~stood, old, 5, MIDDAY, [], again=True
    )
    assert len(everything.draws) == 1
    assert plans.draws_of(old) == old.draws
    assert plans.draws_of(first)[0].at == UNKNOWN


def test_seeds_are_numbers_from_nought_on(runs):
    trial = runs(2, 4)
    assert tk.assign(trial, seed=0).seed == 0
    assert tk.assign(trial).seed == trial.seed
    with pytest.raises(PlanError, match="zero or more"):
        tk.assign(trial, seed=-1)


def test_parts_are_drawn_again_beside_what_stood(monkeypatch):
    """Units in no draw keep what they had; each part is drawn in its turn, knowing the earlier."""
    table = pd.DataFrame({"unit": ["1", "2", "3"], "batch": ["1", "2", "3"],
                          "mist": ["wet", "dry", "dry"]})  # fmt: skip
    trial = SimpleNamespace(factors={"mist": SimpleNamespace(applied_to=("batch",))})
    draws = [SimpleNamespace(units=("2",), levels={}), SimpleNamespace(units=("3",), levels={})]
    plan = SimpleNamespace(trial=trial, table=table, draws=draws)
    monkeypatch.setattr(parts_redrawn, "prepare_joined", lambda trial, units: units)
    seen = []

    def drawn(ready, standing, chance):
        seen.append((ready, dict(standing["mist"])))
        return {"mist": {("1",): "?", ("2",): f"new{len(seen)}", ("3",): f"new{len(seen)}"}}

    monkeypatch.setattr(parts_redrawn, "draw_prepared", drawn)
    redraw = parts_redrawn.parts_redrawer(plan)
    got = redraw(np.random.default_rng(1))
    assert got == {"mist": {("1",): "wet", ("2",): "new1", ("3",): "new2"}}
    assert seen == [(("2",), {("1",): "wet"}), (("3",), {("1",): "wet", ("2",): "new1"})]


def test_a_part_that_was_the_whole_trial_is_drawn_whole(runs, monkeypatch):
    trial = runs(2, 4)
    levels = {name: tuple(own) for name, own in trial.levels.items()}
    part = Draw(UNKNOWN, 1, "1", (), levels=levels)
    monkeypatch.setattr(
        parts_redrawn, "draw_prepared", lambda *a: pytest.fail("drawn as joining units")
    )
    way = parts_redrawn._way(trial, part)
    seen = set()
    for seed in range(6):
        drawn = way({}, Draws(seed))["mist"]
        assert set(drawn) == set(itertools.product(trial.levels["batch"], trial.levels["chamber"]))
        assert Counter(drawn.values()) == {"m0": 4, "m1": 4}
        seen.add(tuple(drawn.values()))
    assert len(seen) > 1


# ------------------------------------------------------------------ check-list and question


def test_days_of_fruiting_are_those_of_the_longest_batch():
    """Rounded up to whole days, from 1 to 84; 28 where nothing is known."""
    day = dt.timedelta(days=1)

    def days(*spans):
        batches = {i: SimpleNamespace(start=MIDDAY if s is not None else None,
                                      end=None if s is None else MIDDAY + s * day)
                   for i, s in enumerate(spans)}  # fmt: skip
        return fruiting_days(SimpleNamespace(batches=batches))

    assert days() == days(None) == 28
    assert days(10, 20, None) == 20
    assert days(20.01) == 21
    assert days(0.0) == 1
    assert days(84) == 84
    assert days(300) == 84
    open_end = SimpleNamespace(batches={1: SimpleNamespace(start=MIDDAY, end=None)})
    assert fruiting_days(open_end) == 28


@pytest.mark.parametrize(
    ("kinds", "rig", "has"),
    [
        (("timed",), (1.0, 80.0), {"timers"}), (("band",), (None, 80.0), {"timers", "measured"}),
        (("timed",), (1.0, None), {"timers", "measured"}), (("light",), (None, None), {"light"}),
        (("value",), (None, None), set()), (("light", "timed"), (1.0, 80.0), {"timers", "light"}),
    ],
)  # fmt: skip
def test_tasks_are_those_that_the_trial_needs(kinds, rig, has, monkeypatch):
    levels = {k: SimpleNamespace(kind=k) for k in kinds}
    trial = SimpleNamespace(
        factors={"x": SimpleNamespace(levels=levels)}, counts={"tent": 2}, batches={}, flushes=3,
        rig=SimpleNamespace(mist_l_h=rig[0], fogger_w=rig[1]),
        structure=SimpleNamespace(factors=("tent",)),
    )  # fmt: skip
    say = SimpleNamespace(text=lambda key, **values: key.removeprefix("checklist."))
    monkeypatch.setattr(checklist, "spoken", lambda: say)
    monkeypatch.setattr(checklist, "list_cautions", lambda **_: [SimpleNamespace(code="co2")])
    monkeypatch.setattr(checklist, "uses_of", lambda trial: ())
    monkeypatch.setattr(checklist, "plural", lambda name: name)
    parts = {p["title"].split(".")[0]: p for p in checklist_parts(SimpleNamespace(trial=trial))}
    before = {line.split(".")[1] for line in parts["before"]["things"]}
    assert before & {"timers", "measured", "light"} == has
    assert {"labels", "clocks"} <= before
    assert ("daily.mist" in parts["daily"]["things"]) is ("timers" in has)
    boxes = {name: len(p["boxes"]) for name, p in parts.items()}
    assert boxes == {"before": 0, "start": 0, "daily": 28, "harvest": 3, "clean": 0}
    assert parts["daily"]["boxes"][0] == parts["harvest"]["boxes"][0] == 1
    assert [len(p["cautions"]) for p in parts.values()] == [0, 0, 1, 0, 0]


def test_a_question_fixed_before_the_harvest_is_one_that_stayed(runs):
    trial = runs(2, 4)
    asked = {**question_of(trial), "before_harvest": True}
    plan = SimpleNamespace(asked=asked)
    assert fixed_before_harvest(trial, plan) is True
    assert fixed_before_harvest(trial, None) is False
    assert fixed_before_harvest(trial, SimpleNamespace(asked={})) is False
    late = SimpleNamespace(asked={**asked, "before_harvest": False})
    assert fixed_before_harvest(trial, late) is False
    other = SimpleNamespace(asked={**asked, "margin_pct": 99.0})
    assert fixed_before_harvest(trial, other) is False
    (change,) = question_changes(trial, other)
    assert change.values["then"] == 99.0
    older = SimpleNamespace(asked={k: v for k, v in asked.items() if k != "margin_pct"})
    assert question_changes(trial, older) == []
