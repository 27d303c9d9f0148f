"""What a power is asked with, when it is simulated, and how plans and powers show themselves."""

import importlib
from dataclasses import replace
from types import SimpleNamespace

import pandas as pd
import pytest

import trialkit as tk
from trialkit.design.layout.allocation import Allocation
from trialkit.design.power import figure, over_time
from trialkit.design.power.grid import chance_at
from trialkit.design.power.over_time import OverTimeChoice
from trialkit.errors import DesignError

asked_of = importlib.import_module("trialkit.design.power.power")


@pytest.fixture
def simulated(monkeypatch):
    """Note what a simulation was asked for; it adds nothing to the table."""
    told = []

    def simulate(trial, c, spread, asked, questions, **options):
        told.append({"questions": questions, "asked": asked, **options})
        return SimpleNamespace(put_into=lambda table: table.assign(put=True), notes=())

    monkeypatch.setattr(asked_of, "simulate_power", simulate)
    return told


@pytest.fixture
def trial(make_trial):
    units = "structure = '(batch * chamber) / block'\nbatch = 4\nchamber = {}\nblock = 3"

    def make(chamber=6, levels=2, **options):
        return make_trial(units.format(chamber), {"mist": ("batch:chamber", levels, "")}, **options)

    return make


def test_what_is_asked_where_nothing_is_said(trial, simulated):
    made = trial()
    found = tk.power(made)
    assert simulated == []  # all its information lies in one stratum
    assert found.wanted == 0.8
    assert found.factor == "mist"
    assert found.questions == ("any", "difference", "no worse")
    assert found.asked.lost == {"batch:chamber:block": 0.05}
    assert found.asked.joint is True
    assert found.asked.true_pct == 0.0
    assert found.asked.level == made.question.level
    assert found.variation.kind == "planning range"
    table = found.table.set_index("question")
    assert table.loc["no worse", "effect_pct"] == 0.0
    assert table.loc["any", "effect_pct"] == made.question.difference_pct
    assert (table["n_units"] == 24).all()
    assert "put" not in table


def test_simulations_are_asked_for_with_what_was_given(trial, simulated):
    made = trial()
    found = tk.power(made, method="simulation")
    assert found.table["put"].all()
    (told,) = simulated
    assert told["trials"] == 4_000
    assert (told["seed"], told["workers"], told["cluster"], told["plan"]) == (None,) * 4
    tk.power(made, method="simulation", trials=7, seed=3, workers=2, questions="any")
    told = simulated[-1]
    assert (told["trials"], told["seed"], told["workers"]) == (7, 3, 2)
    assert told["questions"] == ("any",)


def test_formulas_serve_where_they_hold_unless_all_is_to_be_simulated(trial, simulated):
    """Five chambers of three levels share their information; plans in parts are simulated."""
    apart = trial(5, 3)
    tk.power(apart, method="exact")
    assert simulated == []
    tk.power(apart)
    assert len(simulated) == 1
    made = trial()
    plan = tk.assign(made)
    assert not plan.in_parts
    tk.power(made, plan=plan)
    assert len(simulated) == 1
    parted = SimpleNamespace(in_parts=True)
    tk.power(made, plan=parted)
    assert simulated[-1]["plan"] is parted
    tk.power(made, plan=parted, method="exact")
    assert len(simulated) == 2


def test_an_interaction_has_no_ratio_and_no_reference(make_trial, simulated):
    counts = "batch = 4\nchamber = 6\nshelf = 2\nblock = 3"
    units = f"structure = '(batch * chamber) / shelf / block'\n{counts}"
    made = make_trial(units, {"mist": ("batch:chamber", 3, "control = 'm2'"),
                              "light": ("batch:chamber:shelf", 2, "")})  # fmt: skip
    found = tk.power(made, factor="mist:light", method="exact")
    assert found.questions == ("any", "difference")
    assert tk.power(made, factor="mist", method="exact").asked.reference == 2
    assert tk.power(made, factor="light", method="exact").asked.reference == 0
    with pytest.raises(DesignError, match="not both"):
        tk.power(made, variation={"batch:chamber:shelf:block": 20}, pilot=1)


def test_what_cannot_be_lost_in_part_is_refused(make_trial):
    made = make_trial("structure = '(batch * chamber) / block'\nbatch = 1\nchamber = 6\nblock = 3",
                      {"mist": ("batch:chamber", 2, "")})  # fmt: skip
    with pytest.raises(DesignError, match="only one batch"):
        tk.power(made, lost={"batch": 10}, method="exact")
    found = tk.power(made, lost={"chamber": 10}, method="exact")
    assert found.asked.lost == {"batch:chamber": 0.1}  # with one batch they are the same


def test_looks_are_told_of_the_treatment_that_is_asked_about(trial, monkeypatch):
    given = []
    monkeypatch.setattr(asked_of, "power_by_look", lambda *a: given.append(a[-1]) or pd.DataFrame())
    found = tk.power(trial(), method="exact")
    assert found.by_look.empty
    assert given == [("any", "difference", "no worse")]
    other = replace(found, factor="light")
    assert other.by_look.empty
    assert given[-1] == ()


# ------------------------------------------------------------------ plans


def plan_of(trial, table, **more):
    return Allocation(trial, table, 5, "1.0", "abc", {"mist": "completely randomised"}, **more)


def test_a_plan_counts_the_units_of_each_level(trial):
    made = trial(4)
    table = made.unit_table().assign(mist="m0")
    plan = plan_of(made, table)
    assert plan.counts("mist").to_dict() == {"m0": 16, "m1": 0}
    assert len(plan.assignment("mist")) == 16
    assert plan._percent({"mist": 0.9375}, "mist").startswith("93.8")
    assert plan._percent({}, "mist").startswith("100")
    parted = plan_of(made, table, draws=(SimpleNamespace(units=("x",), at=None),))
    assert parted._percent({}, "mist") == "–"
    assert parted._percent({"mist": 0.5}, "mist").startswith("50")


# ------------------------------------------------------------------ over time


def test_widths_are_those_of_t_with_what_a_layout_leaves(make_trial):
    """One box of eight starts, two schedules four times each: 6 df by chance, 5 beside a trend.

    The half width: t times the mean root of chi² over its df, times the error of a difference of
    four starts each, blocks included, with the drift that is left; 20 % for blocks at usual.
    """
    from scipy import stats

    units = "structure = 'batch / block'\nbatch = 8\nblock = 4\nover_time = '{}'"
    made = make_trial(units.format("random"), {"mist": ("batch", 2, "")})
    df, widths = over_time._widths(made, "mist")
    assert df == 6
    reach = stats.t.ppf(0.5 + made.question.level / 2, 6) * stats.chi.mean(6) / 6**0.5
    for i, (batch, block) in enumerate(((4, 12), (8, 20), (15, 30))):
        for j, drift in enumerate((0.0, 15.0, 30.0)):
            course = over_time.planning_variation(made, drifts=(drift,) * 3).squares["batch"][i]
            error = (course + block**2 / 4) * (1 / 4 + 1 / 4)
            assert widths[i, j] == pytest.approx(reach * error**0.5, rel=1e-6)
        assert widths[i, 0] == pytest.approx(
            reach * ((batch**2 + block**2 / 4) / 2) ** 0.5, rel=1e-6
        )
    trend = make_trial(units.format("trend"), {"mist": ("batch", 2, "")})
    assert over_time._widths(trend, "mist")[0] == 5


def test_a_choice_shows_every_way(monkeypatch):
    heads = ["over_time", "error_df", "no_drift", "some_drift", "much_drift", "expected"]
    table = pd.DataFrame([["random", 8, 1.0, 1.234, 1.6, 1.3], ["trend", 7, 0.9, 1.0, 1.2, 1.04]],
                         columns=heads)  # fmt: skip
    choice = OverTimeChoice(SimpleNamespace(counts={"batch": 10}), "trend", table)
    shown = choice.show().text()
    assert "1.23" in shown
    assert "1.04" in shown
    assert choice._by_way()["trend"]["error_df"] == 7


def test_sliders_reach_three_times_what_there_is_or_twelve(trial):
    """4 batches, 6 chambers, 3 blocks; differences from 1 to 60 %, margins to 50 %."""
    asked = []
    found = tk.power(trial(), method="exact", difference_pct=15, margin_pct=10, lost=4)
    box = figure.sliders(found, again=lambda changed, **o: asked.append((changed, o)) or found)
    *counts, difference, margin, shown = box.children
    assert [(s.min, s.value, s.max) for s in counts] == [(1, 4, 12), (1, 6, 18), (1, 3, 12)]
    assert (difference.min, difference.value, difference.max, difference.step) == (1, 15, 60, 1)
    assert (margin.min, margin.value, margin.max, margin.step) == (1, 10, 50, 1)
    assert not any(s.continuous_update for s in (*counts, difference, margin))
    assert asked == []  # the same numbers as in the table above
    assert shown.value == found._repr_html_()
    margin.value = 20
    changed, options = asked[-1]
    assert changed.counts == found.trial.counts
    assert (options["margin_pct"], options["difference_pct"]) == (20, 15)
    assert options["lost"] == {"batch:chamber:block": pytest.approx(4)}
    assert (options["method"], options["factor"], options["wanted"]) == ("exact", "mist", 0.8)
    assert options["joint"] is True
    counts[1].value = 7
    assert asked[-1][0].counts["chamber"] == 7
    margin.value = 10
    counts[1].value = 6
    assert len(asked) == 3  # back at the start nothing is asked


def test_what_sliders_cannot_have_is_said(trial):
    found = tk.power(trial(), method="exact")

    def refuse(*_, **__):
        raise DesignError("too < few")

    box = figure.sliders(found, again=refuse)
    box.children[0].value = 2
    assert box.children[-1].value == "<p>too &lt; few</p>"


def test_two_tents_of_two_schedules_can_show_nothing(make_trial):
    """No df is left for error: no chance, even where rounding leaves a trace of one."""
    made = make_trial("structure = 'chamber / block'\nchamber = 6\nblock = 3",
                      {"mist": ("chamber", 2, "")})  # fmt: skip
    found = tk.power(made, method="exact", questions="any", lost=0)
    assert chance_at(found, {"chamber": 2}) == (0.0, 0.0, 0.0)
    assert 0 < chance_at(found, {"chamber": 3})[1] < 0.2
