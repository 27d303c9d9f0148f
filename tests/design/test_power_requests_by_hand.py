"""Requests for a power, its simulation and pictures, and what restrictions cost: by hand."""

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

import trialkit as tk
from tests.design.test_comparison_by_hand import ASKED, POT, TENT, compared
from trialkit.design.layout import restriction_cost
from trialkit.design.layout.restriction_cost import _cost, _ties, level_shares
from trialkit.design.power import figure, noise, run, simulate, sizes, workers
from trialkit.design.power.by_look import average_batches, look_notes
from trialkit.design.power.covariates import covariates_cost, with_covariates
from trialkit.design.power.power import _asked, _check_request
from trialkit.design.power.run import Simulated
from trialkit.design.variation import Variation
from trialkit.errors import DesignError

# ------------------------------------------------------------------ requests


@pytest.fixture
def box(make_trial):
    """Give a trial of one box: six starts of four blocks."""
    units = "structure = 'batch / block'\nbatch = 6\nblock = 4"
    return make_trial(units, {"mist": ("batch", 2, "")})


def test_requests_at_their_limits(box):
    for wanted in (0.0, 1.0, -1.0):
        with pytest.raises(DesignError, match="between 0 and 1"):
            _check_request(wanted, ["any"], "auto")
    _check_request(0.01, ["any", "no worse"], "exact")
    with pytest.raises(DesignError, match="'all'"):
        _check_request(0.8, ["any", "all"], "auto")
    with pytest.raises(DesignError, match="'quick'"):
        _check_request(0.8, ["any"], "quick")
    trial = box

    def asked(difference=15.0, margin=10.0, lost=5.0, level=None, **more):
        return _asked(trial, "mist", difference, margin, 0.0, lost, level, True, **more)

    for difference, margin in ((0.0, 10), (-1, 10), (15, 0), (15, 100)):
        with pytest.raises(DesignError, match="must be above 0 %"):
            asked(difference, margin)
    assert asked(0.1, 99.9).margin_pct == 99.9
    assert asked(lost=0).lost == {"batch:block": 0.0}
    assert asked(lost=99).lost == {"batch:block": 0.99}
    assert asked(lost={"batch": 25.0}).lost == {"batch": 0.25}
    for lost in (100, -1):
        with pytest.raises(DesignError, match="0 to below 100"):
            asked(lost=lost)
    assert asked(level=0.9).level == 0.9
    assert asked().level == trial.question.level
    question = asked(None, None)
    assert question.difference_pct == trial.question.difference_pct
    assert question.margin_pct == trial.question.margin_pct
    assert asked().joint is True


def test_simulated_shares_replace_the_exact_ones():
    """30 of 40, 240 of 400 and 10 of 40; the error of 0.6 in 400 trials is 0.0245."""
    table = pd.DataFrame({"question": ["any"], "power": [0.1], "low": [0.1], "high": [0.1],
                          "method": ["exact, F"]})  # fmt: skip
    simulated = Simulated({"any": (30, 240, 10)}, (40, 400, 40), 0)
    row = simulated.put_into(table).iloc[0]
    assert (row["high"], row["power"], row["low"]) == pytest.approx((0.75, 0.6, 0.25))
    assert row["mc_se"] == pytest.approx((0.24 / 400) ** 0.5)
    assert row["method"] == "simulated, 400 trials"
    assert table.loc[0, "power"] == 0.1
    (note,) = simulated.notes
    assert note.values == {"middle": 400, "ends": 40}
    assert [n.key for n in replace(simulated, failed=2).notes][1] == "power.failed"


def test_trials_are_shared_out_in_chunks(monkeypatch):
    """1 203 trials: three chunks in the middle, and a tenth at either end."""
    monkeypatch.setattr(run, "make_job", lambda *a: a[-1])
    monkeypatch.setattr(run, "_whole_table", lambda trial, plan, seed: None)
    asked = []

    def chunks_of(job, chunks, **_):
        asked.append((job, chunks))
        return [{"any": n // 2, "failed": 1} for _, _, n in chunks]

    monkeypatch.setattr(run, "run_chunks", chunks_of)
    args = {"workers": 1, "cluster": None, "progress": None}

    def simulated(trials, seed=None):
        trial = SimpleNamespace(seed=77)
        return run.simulate_power(
            trial, None, None, None, ("any",), trials=trials, seed=seed, **args
        )

    found = simulated(1203)
    assert asked[-1] == (77, [(0, 0, 120), (1, 0, 500), (1, 1, 500), (1, 2, 203), (2, 0, 120)])
    assert found.trials == (120, 1203, 120)
    assert found.answers == {"any": (60, 601, 60)}
    assert found.failed == 5
    assert simulated(1, seed=0).trials == (1, 1, 1)
    assert asked[-1][0] == 0
    assert [c[2] for c in (simulated(500), asked[-1][1])[1]] == [50, 500, 50]
    with pytest.raises(DesignError, match="trials=0"):
        simulated(0)


def test_processes_for_work_that_is_worth_it(monkeypatch):
    monkeypatch.setattr(workers.os, "cpu_count", lambda: 16)
    assert [workers._worker_count(None, n) for n in (11, 12, 100)] == [1, 8, 8]
    monkeypatch.setattr(workers.os, "cpu_count", lambda: 4)
    assert workers._worker_count(None, 12) == 4
    monkeypatch.setattr(workers.os, "cpu_count", lambda: None)
    assert workers._worker_count(None, 12) == 1
    assert [workers._worker_count(n, 3) for n in (1, 2, 5)] == [1, 2, 3]
    with pytest.raises(workers.WorkerError, match="workers=0"):
        workers._worker_count(0, 3)


def test_progress_is_told_chunk_by_chunk(monkeypatch):
    monkeypatch.setattr(workers, "run_chunk", lambda job, end, i, size: {"any": size})
    told = []
    found = workers.run_chunks(
        None, [(0, 0, 50), (1, 0, 500)], workers=1, progress=lambda *a: told.append(a)
    )
    assert told == [(0, 550), (50, 550), (550, 550)]
    assert found == [{"any": 50}, {"any": 500}]


# ------------------------------------------------------------------ simulation


def test_df_for_critical_values_lie_about_the_expected_ones():
    found = simulate._df_grid(10)
    assert found.tolist() == pytest.approx([1, 2, 3, 5, 7, 8.5, 10, 11.5, 14, 20, 40, 500])
    assert simulate._df_grid(1).min() == 1.0
    assert simulate._df_grid(0)[0] == 1.0


def test_lost_units_take_all_of_theirs_along():
    groups = {"run": np.repeat(range(40), 5), "block": np.arange(200)}
    job = SimpleNamespace(table=range(200), absent=None, groups=groups,
                          wanted=SimpleNamespace(lost={"run": 0.5, "block": 0.0}))  # fmt: skip
    kept = simulate._kept(job, np.random.default_rng(1)).reshape(40, 5)
    assert (kept.all(axis=1) | ~kept.any(axis=1)).all()
    assert 8 < kept[:, 0].sum() < 32
    job.wanted.lost = {"run": 0.0}
    assert simulate._kept(job, np.random.default_rng(1)).all()
    job.absent = np.arange(200) < 7
    assert simulate._kept(job, np.random.default_rng(1)).sum() == 193


def test_the_difference_is_drawn_between_the_least_precise_level_and_the_reference(monkeypatch):
    """15 % in all: half up, half down; other levels lie between."""
    c = replace(compared(3, 9), name="mist")
    monkeypatch.setattr(simulate, "worst_row", lambda solved, rows: (1, 5.0))
    table = pd.DataFrame({"mist": list("abca")})
    target, drawn = simulate._true_effects(table, c, None, replace(ASKED, reference=1))
    assert target == "c"
    assert drawn.tolist() == [0, -7.5, 7.5, 0]


def test_what_a_treatment_does_by_batch_is_shared_within_it():
    """Of 3 % by batch × treatment, nothing else varying: alike within, 9 over many draws."""
    table = pd.DataFrame({"batch": ["1"] * 4 + ["2"] * 4, "mist": list("aabb") * 2})
    job = SimpleNamespace(table=table, groups={}, coefficients={}, spread=({},), by_batch=(3.0,),
                          primary="mist")  # fmt: skip
    drawn = noise.draw_noise(job, 0, 4000, np.random.default_rng(3))
    assert np.array_equal(drawn[:, 0], drawn[:, 1])
    assert np.array_equal(drawn[:, 6], drawn[:, 7])
    cells = drawn[:, ::2]
    assert np.cov(cells.T) == pytest.approx(9 * np.eye(4), abs=0.8)
    job.by_batch = (0.0,)
    assert not noise.draw_noise(job, 0, 3, np.random.default_rng(3)).any()


# ------------------------------------------------------------------ looks and covariates


def test_how_many_batches_an_answer_takes():
    """After 2 of 8 with 0.25, after 4 with 0.25 more; the other half goes to the end."""
    table = pd.DataFrame({"question": "no worse", "batches": [2, 4, 8], "first": [0.25, 0.25, 0.4]})
    assert average_batches(table, "no worse") == 0.5 + 1 + 4
    (said,) = look_notes(table)
    assert said.values == {"batches": 5.5, "total": 8}


def test_a_covariate_takes_its_share_out_of_its_units():
    def covariate(**more):
        given = {"by": ("batch",), "label": "spawn age", "name": "age", "explains_pct": 25.0,
                 "held_by_layout": lambda given: False}  # fmt: skip
        return SimpleNamespace(**{**given, **more})

    spread = Variation({"batch": (16, 64, 225), "block": (1, 2, 3)}, {}, "planning range")

    def taken(spread=spread, **more):
        trial = SimpleNamespace(covariates={"age": covariate(**more)}, factors={})
        found, said = with_covariates(trial, spread)
        return found.squares["batch"], said[0].key.removeprefix("power_covariate.")

    assert taken() == (pytest.approx((12, 48, 168.75)), "counted")
    assert taken(explains_pct=None) == ((16, 64, 225), "not_counted")
    assert taken(held_by_layout=lambda given: True) == ((16, 64, 225), "held")
    assert taken(replace(spread, kind="pilot")) == ((16, 64, 225), "pilot")


def test_covariates_cost_degrees_of_freedom(monkeypatch):
    from trialkit.design.power import covariates

    c = compared()
    for cost, left in (([], 6), ([("age", 1), ("room", 2)], 3), ([("age", 9)], 0)):
        monkeypatch.setattr(covariates, "df_taken", lambda trial, stratum, cost=cost: cost)
        found = covariates_cost(None, c)
        assert found.error_df == found.spare_df[TENT] == left
        assert found.spare_df[POT] == 16


# ------------------------------------------------------------------ restrictions


@pytest.mark.parametrize(
    ("kept", "free", "form", "severity", "lost"),
    [(0.9, 0.9, "same", "note", None), (0.9, 0.9004, "same", "note", None),
     (0.9, 0.9006, "costs", "note", 0.0666), (0.96, 1.0, "costs", "note", 4),
     (0.94, 1.0, "costs", "caution", 6), (0.5, 0.0, "same", "note", None)],
)  # fmt: skip
def test_what_a_restriction_costs(kept, free, form, severity, lost):
    """Below half a tenth of a per cent it is none; above five it is dear."""
    said = _cost("mist", kept, free)
    assert said.severity == severity
    assert said.said.key.endswith(f".{form}")
    if lost:
        assert said.said.values["lost"] == pytest.approx(lost, rel=2e-3)
        assert said.said.values["free"] == pytest.approx(100 * free)
    assert said.said.values["kept"] == pytest.approx(100 * kept)


def test_places_that_get_a_level_more_or_less_often_are_named():
    """Of three tents even would be a third: 0.19 is rare (below 0.2), 0.48 often (above 0.467)."""
    site = SimpleNamespace(term=("batch", "tent"), counts={"batch": 1, "tent": 3},
                           place={"tent": np.arange(3)})  # fmt: skip
    factor = SimpleNamespace(name="mist", levels={"wet": 1, "dry": 2})
    units = {"tent": ("A", "B", "C")}

    def told(*wet):
        shares = np.array([[w, 1 - w] for w in wet])
        found = _ties(factor, site, units, shares)
        ties = found[0].said.values["ties"] if found else []
        return [(t.key.removeprefix("tie."), t.values["level"], t.values["place"].values["names"])
                for t in ties]  # fmt: skip

    assert told(1 / 3, 1 / 3, 1 / 3) == []
    assert told(0.19, 0.33, 0.48) == [("rarely", "wet", "A"), ("often", "wet", "C")]
    assert told(0.21, 0.34, 0.45) == []
    assert told(0.0, 0.5, 0.5)[:2] == [("never", "wet", "A"), ("often", "wet", "B, C")]
    assert level_shares(np.array([[0, 1], [0, 1], [1, 0], [0, 0]]), 2).tolist() == [
        [0.75, 0.25], [0.5, 0.5]
    ]  # fmt: skip


def test_the_last_sixty_four_free_layouts_are_kept(monkeypatch):
    monkeypatch.setattr(restriction_cost, "_free", {})
    monkeypatch.setattr(restriction_cost, "complete", lambda site: None)
    monkeypatch.setattr(restriction_cost, "replace", lambda site, limits: site)
    asked = []
    monkeypatch.setattr(
        restriction_cost, "searched", lambda site, quick: asked.append(quick) or [[0], [1]]
    )
    monkeypatch.setattr(
        restriction_cost, "plan_efficiency", lambda groupings, plan, levels: 0.5 + plan[0] / 10
    )
    for key in [*range(65), 64, 0]:
        site = SimpleNamespace(square=None, key=key, groupings=None)
        held = np.array([[0], [1]])
        assert restriction_cost.free_efficiency(site, held, 2) == 0.6
    assert asked == [True] * 66
    assert len(restriction_cost._free) == 64


# ------------------------------------------------------------------ pictures


@pytest.fixture
def drawn_power(chambers):
    return tk.power(chambers(), method="exact")


def sizes_table(power):
    """Give three batches by two counts of chambers: one falls, one is today's."""
    rows = [(b, c, 0.1 * b + 0.05 * c) for c in (6, 8) for b in (4, 5, 9)]
    table = pd.DataFrame(rows, columns=["batch", "chamber", "power"])
    table = table.assign(low=table["power"] - 0.1, high=table["power"] + 0.1)
    table["today"] = (table["batch"] == 4) & (table["chamber"] == 6)
    return table.assign(falls=[False, True, False, False, False, False])


def test_panels_show_what_does_not_fall_and_mark_what_is_enough(drawn_power, monkeypatch):
    monkeypatch.setattr(sizes, "other_sizes", sizes_table)
    shown = sizes.draw_sizes(drawn_power)
    first, second = shown.axes[:2]
    assert len(shown.axes) == 2
    assert second.get_subplotspec().rowspan.start == 0  # beside one another on a page
    assert first.get_xlim() == pytest.approx((3.1, 9.9))
    assert first.get_ylim() == pytest.approx((0, 1.03))
    assert [t.get_text().split()[0] for t in first.get_yticklabels()][-1].startswith("100")
    assert first.get_yticks().tolist() == pytest.approx([0, 0.2, 0.4, 0.6, 0.8, 1])
    assert first.get_xticks().tolist() == [4, 6, 8]
    marks = {tuple(line.get_xdata()) for line in first.lines if line.get_marker() == "o"}
    assert marks == {(4,), (9,)}  # five falls: 0.7 is not enough, 1.2 is
    squares = [line for line in first.lines if line.get_marker() == "s"]
    assert [tuple(line.get_xdata()) for line in squares] == [(4,)]
    assert not [line for line in second.lines if line.get_marker() == "s"]
    marks = {tuple(line.get_xdata()) for line in second.lines if line.get_marker() == "o"}
    assert marks == {(), (4, 5, 9)} or marks == {(4, 5, 9), ()}


def test_on_a_phone_panels_stand_two_by_two_and_spare_ones_are_left_out(drawn_power, monkeypatch):
    whole = sizes_table(drawn_power)
    third = whole[whole["chamber"] == 8].assign(chamber=10)
    monkeypatch.setattr(sizes, "other_sizes", lambda power: pd.concat([whole, third]))
    monkeypatch.setattr(sizes, "is_narrow", lambda: True)
    shown = sizes.draw_sizes(drawn_power)
    places = [(s.rowspan.start, s.colspan.start) for s in (a.get_subplotspec() for a in shown.axes)]
    assert places == [(0, 0), (0, 1), (1, 0)]
    assert shown.get_size_inches()[0] == pytest.approx(sizes.NARROW)


def test_the_curve_goes_against_money_where_there_are_prices(chambers, monkeypatch):
    rows = [("batch", 4 + a, a, 0.5 + a / 20) for a in range(3)]
    table = pd.DataFrame(rows, columns=["unit", "count", "added", "power"])
    table = table.assign(low=table["power"] - 0.1, high=table["power"] + 0.1, cost=math.nan)
    monkeypatch.setattr(figure, "counts_grid", lambda power, most: table.copy())
    monkeypatch.setattr(figure, "one_more", lambda power: table)
    power = tk.power(chambers(), method="exact")
    line = figure.draw_curve(power).lines[0]
    assert line.get_xdata().tolist() == [0, 1, 2]
    assert line.get_ydata().tolist() == pytest.approx([0.5, 0.55, 0.6])
    table["cost"] = [math.nan, 70.0, 140.0]
    ax = figure.draw_curve(power)
    assert ax.lines[0].get_xdata().tolist() == [0, 70, 140]
    assert ax.get_ylim() == pytest.approx((0, 1.02))
    table.loc[2, "cost"] = math.nan
    assert figure.draw_curve(power).lines[0].get_xdata().tolist() == [0, 1, 2]
