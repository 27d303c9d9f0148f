"""Water and power: what is set, from seconds and watts by hand; what was used, from runs."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import trialkit as tk
from tests.small_trials import make_data, make_trial
from trialkit.decision.use import planned_use, run_findings, run_totals, use_by_level
from trialkit.decision.use_lines import missing_pieces


def rig(folder, text):
    make_trial(folder)
    path = folder / "trial.toml"
    whole = path.read_text(encoding="utf-8")
    start, end = whole.index("[rig]"), len(whole)
    path.write_text(whole[:start] + text + whole[end:], encoding="utf-8")
    return tk.read_trial(folder)


def test_planned_use_of_a_fan_that_runs_with_the_mist(tmp_path):
    """20 s of every 240 s are 2 h a day: at 1.5 L/h 3 L, at 80 + 20 W 0.2 kWh."""
    trial = rig(tmp_path, "[rig]\nmist_l_h = 1.5\nfogger_w = 80\nfan_w = 20\n")
    usual = planned_use(trial).set_index("level").loc["usual"]
    assert usual["duty_pct"] == pytest.approx(100 / 12)
    assert usual["mist_on_s_day"] == pytest.approx(7200)
    assert usual["water_l_day"] == pytest.approx(3.0)
    assert usual["energy_kwh_day"] == pytest.approx(0.2)
    assert planned_use(trial, ["sparse"])["level"].tolist() == ["sparse"]


def test_planned_use_of_a_fan_that_always_runs(tmp_path):
    """80 W for 2 h and 20 W for 24 h: 0.16 + 0.48 kWh; 1 h of mist: 0.08 + 0.48 kWh."""
    trial = rig(tmp_path, '[rig]\nmist_l_h = 1.5\nfogger_w = 80\nfan_w = 20\nfan = "always"\n')
    got = planned_use(trial).set_index("level")["energy_kwh_day"]
    assert got.to_dict() == pytest.approx({"usual": 0.64, "sparse": 0.56})


def test_what_the_rig_does_not_say_is_left_open(tmp_path):
    no_fan = planned_use(rig(tmp_path, "[rig]\nfogger_w = 80\n")).set_index("level").loc["usual"]
    assert np.isnan(no_fan["water_l_day"])
    assert no_fan["energy_kwh_day"] == pytest.approx(0.16)
    nothing = planned_use(rig(tmp_path, "[rig]\nmist_l_h = 2\nfan_w = 20\n"))
    assert nothing["energy_kwh_day"].isna().all()
    assert nothing["water_l_day"].tolist() == pytest.approx([4.0, 2.0])
    make_trial(tmp_path)
    path = tmp_path / "trial.toml"
    held = "levels.held = { start_below_rh = 85, stop_above_rh = 92 }\n[question]"
    path.write_text(path.read_text("utf-8").replace("[question]", held), "utf-8")
    by_sensor = planned_use(tk.read_trial(tmp_path)).set_index("level").loc["held"]
    assert by_sensor.isna().all()  # a sensor decides how long it mists


def test_the_saving_has_the_limits_of_fieller_on_runs(tmp_path):
    """One batch, five runs of each schedule, 8 df, written out.

    The saving is that of the totals. With q = 1 + kg / mean kg - water / mean water, which is 1 on
    average in both, a ratio r is not rejected where (1 - r)² <= t² (s1² + r² s0²) / 5.
    """
    trial = make_trial(tmp_path, batches=1, chambers=10)
    data = make_data(trial, sd_run=60, seed=6)
    totals = run_totals(trial, data)
    table, found = use_by_level(trial, totals)
    assert found == []
    assert table["use"].tolist() == ["water_l"] * 2 + ["energy_kwh"] * 2
    level = totals["schedule"]
    for name, unit in (("water_l", "L/kg"), ("energy_kwh", "kWh/kg")):
        sums = totals.groupby("schedule")[[name, "kg"]].sum()
        per = sums[name] / sums["kg"]
        change = per["sparse"] / per["usual"]
        q = totals["kg"] / (level.map(sums["kg"]) / 5) - totals[name] / (level.map(sums[name]) / 5)
        v1, v0 = q.groupby(level).var()[["sparse", "usual"]] / 5
        v = (v1 + v0) / 2
        t = stats.t.ppf(0.975, 8)
        low, high = np.sort(np.roots([1 - t**2 * v0, -2, 1 - t**2 * v1]))
        got = table[table["use"] == name].set_index("level")
        assert set(got["unit"]) == {unit}
        assert got["runs"].tolist() == [5, 5]
        row = got.loc["sparse"]
        assert row["estimate"] == pytest.approx(per["sparse"])
        assert got.loc["usual", "estimate"] == pytest.approx(per["usual"])
        assert row["saving_pct"] == pytest.approx(100 * (1 - change))
        assert row["saving_low_pct"] == pytest.approx(100 * (1 - change / low), abs=0.01)
        assert row["saving_high_pct"] == pytest.approx(100 * (1 - change / high), abs=0.01)
        assert row["low"] == pytest.approx(per["sparse"] / (1 + t * np.sqrt(v)), rel=1e-6)
        assert row["high"] == pytest.approx(per["sparse"] / (1 - t * np.sqrt(v)), rel=1e-6)
        columns = ["saving_pct", "saving_low_pct", "saving_high_pct"]
        assert got.loc["usual", columns].isna().all()


def test_one_run_that_gave_next_to_nothing_does_not_turn_the_saving(tmp_path):
    """Totals by hand: fifteen kilograms and half a litre a run; one run of sparse gave 0.1 kg."""
    trial = make_trial(tmp_path, batches=1, chambers=10)
    totals = run_totals(trial, make_data(trial, sd_run=20, seed=6))
    sparse = totals["schedule"] == "sparse"
    totals["water_l"] = np.where(sparse, 30.0, 50.0)
    totals["kg_all"] = np.where(sparse, 3.0, 3.0) + np.linspace(-0.2, 0.2, 10)
    totals.loc[totals.index[sparse][0], "kg_all"] = 0.1
    row = use_by_level(trial, totals)[0].set_index(["use", "level"]).loc[("water_l", "sparse")]
    kg = totals.groupby(sparse)["kg_all"].sum()
    assert row["saving_pct"] == pytest.approx(100 * (1 - (150 / kg[True]) / (250 / kg[False])))
    assert row["saving_pct"] > 20  # the mean of run ratios would be far below zero
    assert row["saving_high_pct"] < 100
    nothing = totals.assign(kg_all=totals["kg_all"].where(~sparse, 0.0))
    table, found = use_by_level(trial, nothing)
    assert len(table) == 0
    assert {f.code for f in found} == {"use_not_estimated"}


def test_use_needs_four_counted_runs_and_counts_only_these(tmp_path):
    trial = make_trial(tmp_path, batches=1, chambers=10)
    totals = run_totals(trial, make_data(trial, sd_run=60, seed=6))
    usual = totals.index[totals["schedule"] == "usual"]
    sparse = totals.index[totals["schedule"] == "sparse"]
    for many in (4, 3):
        kept = [*usual[:2], *sparse[: many - 2]]
        some = totals.copy()
        some.loc[~some.index.isin(kept), ["water_l", "energy_kwh"]] = np.nan
        table, _ = use_by_level(trial, some)
        if many == 4:
            assert table["runs"].tolist() == [2, 2, 2, 2]
        else:
            assert len(table) == 0
    alone = totals[totals["schedule"] == "usual"]
    table, found = use_by_level(trial, alone)
    assert len(table) == 0
    assert {(f.code, f.severity) for f in found} == {("use_not_estimated", "note")}


def test_a_run_without_a_harvest_has_no_use_per_kilogram(tmp_path):
    trial = make_trial(tmp_path)
    data = make_data(trial)
    table = data.table.copy()
    run = (table["batch"] == table["batch"].iloc[0]) & (
        table["chamber"] == table["chamber"].iloc[0]
    )
    table.loc[run, "fresh_g"] = 0.0
    totals = run_totals(trial, replace(data, table=table))
    assert totals["kg"].iloc[0] == 0
    assert np.isnan(totals["water_l_per_kg"].iloc[0])
    assert totals["water_l_per_kg"].iloc[1:].notna().all()
    # half a kilogram counts: nothing but none is left out
    table.loc[run, "fresh_g"] = 500.0 / run.sum()
    few = run_totals(trial, replace(data, table=table)).iloc[0]
    assert few["water_l_per_kg"] == pytest.approx(few["water_l"] / 0.5)


def test_totals_without_logs_are_yields_alone(tmp_path):
    trial = make_trial(tmp_path)
    data = make_data(trial)
    unmeasured = data.runs.drop(columns=["water_l", "energy_kwh"])  # nor do they have a length
    for runs in (data.runs.iloc[:0], unmeasured, None):
        totals = run_totals(trial, replace(data, runs=runs))
        counts = ["started", "blocks", "lost", "unweighed"]
        assert list(totals.columns) == ["batch", "chamber", "schedule", *counts, "kg", "kg_all"]
        assert len(totals) == 16
    no_power = run_totals(trial, replace(data, runs=data.runs.drop(columns="energy_kwh")))
    assert "water_l_per_kg" in no_power
    assert "energy_kwh_per_kg" not in no_power
    weightless = replace(data, table=data.table.drop(columns="fresh_g"))
    assert run_totals(trial, weightless).equals(pd.DataFrame())


def test_without_a_mist_log_use_is_that_of_the_timers_and_marked_as_planned(tmp_path):
    trial = make_trial(tmp_path)
    data = make_data(trial)
    unmeasured = data.runs.drop(columns=["water_l", "energy_kwh"]).assign(window_h=600.0)
    totals = run_totals(trial, replace(data, runs=unmeasured))
    # 25 days of 2 h of mist a day (20 s of 240 s), 1 L and 100 Wh an hour; half of it for sparse
    per_run = totals.groupby("schedule")[["water_l", "energy_kwh"]].agg(["min", "max"])
    assert per_run.loc["usual"].tolist() == pytest.approx([50, 50, 5, 5])
    assert per_run.loc["sparse"].tolist() == pytest.approx([25, 25, 2.5, 2.5])
    assert totals["planned"].all()
    use, _ = use_by_level(trial, totals)
    assert (use["planned"] == 8).all()
    assert [f.code for f in run_findings(trial, totals)] == ["use_from_timer"]


def test_without_any_logger_the_hours_are_those_between_start_and_end(tmp_path):
    """Columns of exposures stand empty then; 600 h of 1 L an hour, on for 20 s of 240 s: 50 L."""
    trial = make_trial(tmp_path)
    data = make_data(trial)
    start = pd.Timestamp("2031-03-01 09:00", tz="UTC")
    bare = data.runs.assign(water_l=np.nan, energy_kwh=np.nan, window_h=np.nan, start=start)
    bare = bare.assign(stop=start + pd.Timedelta("600h"))
    totals = run_totals(trial, replace(data, runs=bare))
    assert totals.groupby("schedule")["water_l"].first().to_dict() == pytest.approx(
        {"sparse": 25.0, "usual": 50.0}
    )
    assert totals["planned"].all()


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"mist_l_h": None}, "from a measuring jug. Twice those litres are the litres an hour"),
        (
            {"mist_l_h": None},
            "under [rig] in the trial file, for 0.2 L for example: mist_l_h = 0.4",
        ),
        ({"fogger_w": None}, "Read the watts on a plug meter while it mists"),
        ({}, "start and end of B1, B2, B3, and B4 are missing under [batches]"),
    ],
)
def test_the_piece_missing_to_know_water_is_named(tmp_path, change, reason):
    trial = make_trial(tmp_path)
    data = replace(make_data(trial), runs=None)
    trial = replace(trial, rig=trial.rig.model_copy(update=change))
    totals = run_totals(trial, data)
    said = [str(line) for line in missing_pieces(trial, totals, use_by_level(trial, totals)[0])]
    assert any(reason in line for line in said)
    assert len(said) == 2  # water and electricity


def test_the_water_of_one_batch_is_worked_out_too(tmp_path):
    """By hand: 5 and 10 L in two runs each of 10 kg are 0.5 and 1 L/kg, half of it saved."""
    trial = make_trial(tmp_path)
    chambers = trial.levels["chamber"]
    levels = ["usual", "sparse"] * (len(chambers) // 2)
    totals = pd.DataFrame({"batch": "B1", "chamber": chambers, "schedule": levels, "kg_all": 10.0})
    totals["kg_all"] += np.resize([0.5, 0.5, -0.5, -0.5], len(totals))
    totals["water_l"] = totals["schedule"].map({"usual": 10.0, "sparse": 5.0})
    use, found = use_by_level(trial, totals)
    assert found == []
    by_level = use.set_index("level")
    assert by_level["estimate"].to_dict() == pytest.approx({"usual": 1.0, "sparse": 0.5}, rel=0.01)
    assert by_level.loc["sparse", "saving_pct"] == pytest.approx(50, abs=1)
    assert np.isfinite(by_level.loc["sparse", ["saving_low_pct", "saving_high_pct"]].tolist()).all()
