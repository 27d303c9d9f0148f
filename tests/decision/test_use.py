"""Water and power: what is set, from seconds and watts by hand; what was used, from runs."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import trialkit as tk
from tests.small_trials import make_data, make_trial
from trialkit.decision.use import planned_use, run_totals, use_by_level


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
    """One batch, five runs of each schedule: two means with a common error, 8 df, written out."""
    trial = make_trial(tmp_path, batches=1, chambers=10)
    data = make_data(trial, sd_run=60, seed=6)
    totals = run_totals(trial, data)
    table, found = use_by_level(trial, totals)
    assert found == []
    assert table["use"].tolist() == ["water_l"] * 2 + ["energy_kwh"] * 2
    for name, unit in (("water_l", "L/kg"), ("energy_kwh", "kWh/kg")):
        runs = (totals[name] / totals["kg"]).groupby(totals["schedule"])
        m1, m0 = runs.mean()[["sparse", "usual"]]
        v = runs.var().mean() / 5
        t = stats.t.ppf(0.975, 8)
        low, high = np.sort(np.roots([m0**2 - t**2 * v, -2 * m1 * m0, m1**2 - t**2 * v]))
        got = table[table["use"] == name].set_index("level")
        assert set(got["unit"]) == {unit}
        assert got["runs"].tolist() == [5, 5]
        row = got.loc["sparse"]
        assert row["saving_pct"] == pytest.approx(100 * (1 - m1 / m0))
        assert row["saving_low_pct"] == pytest.approx(100 * (1 - high), abs=1e-4)
        assert row["saving_high_pct"] == pytest.approx(100 * (1 - low), abs=1e-4)
        assert row["low"] == pytest.approx(m1 - t * np.sqrt(v), rel=1e-6)
        assert row["high"] == pytest.approx(m1 + t * np.sqrt(v), rel=1e-6)
        columns = ["saving_pct", "saving_low_pct", "saving_high_pct"]
        assert got.loc["usual", columns].isna().all()


def test_use_needs_four_counted_runs_and_counts_only_these(tmp_path):
    trial = make_trial(tmp_path, batches=1, chambers=10)
    totals = run_totals(trial, make_data(trial, sd_run=60, seed=6))
    usual = totals.index[totals["schedule"] == "usual"]
    sparse = totals.index[totals["schedule"] == "sparse"]
    for many in (4, 3):
        kept = [*usual[:2], *sparse[: many - 2]]
        some = totals.copy()
        some.loc[~some.index.isin(kept), ["water_l_per_kg", "energy_kwh_per_kg"]] = np.nan
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
    for runs in (data.runs.iloc[:0], data.runs.drop(columns="water_l"), None):
        totals = run_totals(trial, replace(data, runs=runs))
        assert list(totals.columns) == ["batch", "chamber", "kg", "blocks", "schedule"]
        assert len(totals) == 16
    no_power = run_totals(trial, replace(data, runs=data.runs.drop(columns="energy_kwh")))
    assert "water_l_per_kg" in no_power
    assert "energy_kwh_per_kg" not in no_power
    weightless = replace(data, table=data.table.drop(columns="fresh_g"))
    assert run_totals(trial, weightless).equals(pd.DataFrame())
