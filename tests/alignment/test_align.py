"""Alignment of a small trial: windows, treatments, missing rows, trials of other shapes."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest

import trialkit as tk
from trialkit.alignment.align import align, default_settings
from trialkit.alignment.checks import check_logs, named_runs
from trialkit.alignment.windows import derive_windows
from trialkit.errors import AlignError, Finding

TRIAL = """
[trial]
title = "small"
time_zone = "Europe/Vienna"
[units]
structure = "(batch * chamber) / block"
batch = 3
chamber = ["T1", "T2"]
block = 2
flushes = 2
[factors.schedule]
applied_to = "batch:chamber"
levels.usual = { on_s = 20, off_s = 220 }
levels.sparse = { on_s = 20, off_s = 460 }
[question]
primary = "schedule"
[rig]
mist_l_h = 1.0
fogger_w = 80
band_low_rh = 82
band_high_rh = 92
sensor_rh_error = 2.0
[blocks]
dry_substrate_g = 950
[batches]
B1 = { start = 2031-01-13T09:00:00, end = 2031-01-27T09:00:00 }
B2 = { start = 2031-02-10T09:00:00, end = 2031-02-24T09:00:00 }
B3 = { start = 2031-03-10T09:00:00, end = 2031-03-24T09:00:00 }
[logs.environment]
files = ["none.csv"]
max_gap_min = 10
"""
STARTS = {"B1": "2031-01-13 08:00", "B2": "2031-02-10 08:00", "B3": "2031-03-10 08:00"}


def make_trial(folder, text=TRIAL):
    (folder / "trial.toml").write_text(text, encoding="utf-8")
    return tk.read_trial(folder)


@pytest.fixture
def trial(tmp_path):
    return make_trial(tmp_path)


@pytest.fixture
def plan(trial):
    table = trial.unit_table()
    level = {"T1": "usual", "T2": "sparse"}
    other = {"T1": "sparse", "T2": "usual"}
    table["schedule"] = [
        (other if b == "B2" else level)[c]
        for b, c in zip(table["batch"], table["chamber"], strict=True)
    ]
    return table


@pytest.fixture
def harvest(trial):
    """Flush 1 after 6 days, flush 2 after 11."""
    table = trial.unit_table().merge(pd.DataFrame({"flush": [1, 2]}), how="cross")
    start = pd.to_datetime(table["batch"].map(STARTS), utc=True)
    table["time"] = start + pd.to_timedelta(table["flush"].map({1: 6, 2: 11}), unit="D")
    table["fresh_g"] = 300.0 + np.arange(len(table))
    table["status"] = "ok"
    return table


def climate_of(rh=86.0, chambers=("T1", "T2")):
    parts = []
    for chamber in chambers:
        time = pd.date_range("2031-01-13 08:00", "2031-03-24 08:00", freq="5min", tz="UTC")
        wave = np.arange(len(time)) % 3 - 1.0  # keeps the mean, and no sensor stands still
        parts.append(
            pd.DataFrame(
                {
                    "chamber": chamber,
                    "sensor": chamber,
                    "time": time,
                    "temp_c": 15.0 + wave / 10,
                    "rh_pct": rh + wave,
                }
            )
        )
    return pd.concat(parts, ignore_index=True)


def mist_of(plan):
    rows = []
    for (batch, chamber), part in plan.groupby(["batch", "chamber"]):
        cycle = 240 if part["schedule"].iloc[0] == "usual" else 480
        first = pd.Timestamp(STARTS[batch], tz="UTC")
        start = first + pd.to_timedelta(np.arange(0, 14 * 86400, cycle), unit="s")
        rows.append(
            pd.DataFrame(
                {"chamber": chamber, "start": start, "stop": start + pd.Timedelta(seconds=20)}
            )
        )
    return pd.concat(rows, ignore_index=True)


def test_one_row_per_unit_and_flush(trial, plan, harvest):
    got = align(trial, harvest, climate_of(), mist_of(plan), plan=plan)
    assert len(got.table) == 12 * 2
    assert got.table["fresh_g"].tolist() == harvest["fresh_g"].tolist()
    one = got.table.iloc[1]
    assert one["unit"] == "B1-T1-1"
    assert one["schedule"] == "usual"
    assert one["days"] == pytest.approx(11)
    assert one["be_pct"] == pytest.approx(100 * 301 / 950)
    assert one["window_h"] == pytest.approx(5 * 24)
    assert one["rh_pct"] == pytest.approx(86, abs=0.01)
    assert one["coverage_pct"] == pytest.approx(100)
    assert one["mist_on_s"] == pytest.approx(5 * 86400 / 12)
    assert one["water_l"] == pytest.approx(5 * 24 / 12)
    assert one["energy_kwh"] == pytest.approx(5 * 24 / 12 * 0.08)
    assert one["rh_u_pct"] == pytest.approx(2 / 3**0.5)
    assert one["vpd_u_kpa"] == pytest.approx(1.705 * 0.02 / 3**0.5, rel=0.001)
    assert got.findings == ()


def test_windows_follow_the_harvest(trial, harvest):
    windows, findings = derive_windows(trial, harvest)
    mine = windows[(windows["batch"] == "B2") & (windows["chamber"] == "T2")]
    start = pd.Timestamp(STARTS["B2"], tz="UTC")
    days = {
        row.window: ((row.start - start).days, (row.stop - start).days) for row in mine.itertuples()
    }
    assert days == {
        "whole": (0, 14),
        "flush 1": (0, 6),
        "flush 2": (6, 11),
        "pinning": (1, 6),
    }
    assert findings == []


def test_named_lead_windows_and_override(tmp_path, harvest):
    text = TRIAL.replace(
        "max_gap_min = 10",
        'max_gap_min = 10\nwindows = [{ name = "last two days", days_before_first_harvest = 2 }]',
    )
    trial = make_trial(tmp_path, text)
    own = pd.DataFrame(
        {
            "batch": ["B1"],
            "chamber": ["T1"],
            "window": ["flush 1"],
            "start": pd.to_datetime(["2031-01-14"], utc=True),
            "stop": pd.to_datetime(["2031-01-15"], utc=True),
        }
    )
    windows, _ = derive_windows(trial, harvest, override=own)
    assert sorted(windows["window"].unique()) == ["flush 1", "flush 2", "last two days", "whole"]
    run = windows[(windows["batch"] == "B1") & (windows["chamber"] == "T1")].set_index("window")
    assert run.loc["flush 1", "stop"] == pd.Timestamp("2031-01-15", tz="UTC")
    lead = run.loc["last two days"]
    assert (lead["stop"] - lead["start"]).days == 2
    with pytest.raises(AlignError, match="no time zone"):
        derive_windows(trial, harvest, override=own.assign(start=pd.Timestamp("2031-01-14")))
    with pytest.raises(AlignError, match="columns stop are missing"):
        derive_windows(trial, harvest, override=own.drop(columns="stop"))


def test_one_mistyped_date_does_not_move_the_window(trial, harvest):
    typo = harvest.iloc[[0]].assign(time=harvest["time"].iloc[0] + pd.Timedelta(days=300))
    windows, _ = derive_windows(trial, pd.concat([harvest, typo]))
    run = windows[(windows["batch"] == "B1") & (windows["chamber"] == "T1")].set_index("window")
    assert (run.loc["flush 1", "stop"] - run.loc["flush 1", "start"]).days == 6


def test_run_without_dates_borrows_those_of_its_batch(trial, plan, harvest):
    none = harvest.copy()
    lost = (none["batch"] == "B1") & (none["chamber"] == "T2") & (none["flush"] == 2)
    none.loc[lost, "time"] = pd.NaT
    got = align(trial, none, climate_of(), mist_of(plan), plan=plan)
    assert [f.code for f in got.findings] == ["harvest_time_borrowed"]
    assert "flush 2 in chamber T2 in batch B1" in got.findings[0].message
    assert got.runs["window_h"].notna().all()


def test_every_unit_keeps_its_row(trial, plan, harvest):
    harvest = harvest.astype({"status": object})
    harvest.loc[(harvest["unit"] == "B1-T1-2"), "status"] = ["contaminated", "contaminated"]
    harvest.loc[(harvest["unit"] == "B1-T1-2"), "fresh_g"] = np.nan
    gone = (harvest["unit"] == "B2-T2-1") | (
        (harvest["unit"] == "B1-T1-2") & (harvest["flush"] == 2)
    )
    got = align(trial, harvest[~gone], climate_of(), mist_of(plan), plan=plan)
    status = got.table.set_index(["unit", "flush"])["status"]
    assert status["B1-T1-2", 1] == "contaminated"
    assert status["B1-T1-2", 2] == "contaminated"  # a lost block stays lost
    assert status["B2-T2-1", 1] == "missing"
    assert [f.code for f in got.findings] == ["harvest_missing"]
    assert "2 of 24" in got.findings[0].message
    assert got.table["fresh_g"].isna().sum() == 4
    assert got.table["rh_pct"].notna().all()


def test_several_picks_of_a_flush_are_added(trial, plan, harvest):
    more = harvest.iloc[[0]].assign(
        fresh_g=50.0, time=harvest["time"].iloc[0] + pd.Timedelta(days=1)
    )
    got = align(trial, pd.concat([harvest, more]), climate_of(), mist_of(plan), plan=plan)
    first = got.table.iloc[0]
    assert first["fresh_g"] == pytest.approx(350)
    assert first["days"] == pytest.approx(7)
    assert [f.code for f in got.findings] == ["picked_in_parts"]


def test_thin_windows_are_marked_and_not_filled(trial, plan, harvest):
    climate = climate_of()
    hole = (climate["chamber"] == "T1") & climate["time"].between(
        pd.Timestamp("2031-01-14", tz="UTC"), pd.Timestamp("2031-01-17", tz="UTC")
    )
    got = align(trial, harvest, climate[~hole], mist_of(plan), plan=plan)
    thin = got.runs[got.runs["low_coverage"]]
    assert set(thin["window"]) == {"flush 1", "whole", "pinning"}
    assert set(thin["batch"] + thin["chamber"]) == {"B1T1"}
    first = thin[thin["window"] == "flush 1"].iloc[0]
    assert first["coverage_pct"] == pytest.approx(50, abs=0.2)
    assert first["rh_pct"] == pytest.approx(86, abs=0.01)
    assert sorted(f.code for f in got.findings) == ["low_coverage", "sensor_gap"]


def test_a_chamber_run_without_any_record_is_named_once_and_none_is_hidden(trial, plan, harvest):
    """Chambers without a file: all their runs are named, each by its whole time alone."""
    climate = climate_of()
    left = climate[climate["chamber"] == "T1"]
    got = align(trial, harvest, left, mist_of(plan), plan=plan)
    [told] = [f for f in got.findings if f.code == "low_coverage"]
    silent = got.runs[(got.runs["window"] == "whole") & (got.runs["chamber"] != "T1")]
    for row in silent.to_dict("records"):
        assert f"the whole time in chamber {row['chamber']} in batch {row['batch']}" in told.message
    assert told.values["count"] == len(silent)
    assert "more" not in told.message
    assert "flush" not in told.message


def test_stuck_readings_do_not_reach_the_exposures(trial, plan, harvest):
    climate = climate_of()
    stuck = (climate["chamber"] == "T2") & climate["time"].between(
        pd.Timestamp("2031-02-11", tz="UTC"), pd.Timestamp("2031-02-12", tz="UTC")
    )
    climate.loc[stuck, "rh_pct"] = 100.0
    got = align(trial, harvest, climate, mist_of(plan), plan=plan)
    run = got.runs[
        (got.runs["batch"] == "B2")
        & (got.runs["chamber"] == "T2")
        & (got.runs["window"] == "whole")
    ].iloc[0]
    assert run["rh_pct"] == pytest.approx(86, abs=0.02)
    assert run["rh_coverage_pct"] == pytest.approx(100 * 13 / 14, abs=0.1)
    assert run["temp_coverage_pct"] == pytest.approx(100, abs=0.1)
    assert [f.code for f in got.findings] == ["sensor_stuck"]


@pytest.mark.parametrize(
    ("asked", "mean", "days"),
    [
        # one day of 14 at 100 %, the others at 86 %: 86 + 14 / 14; local days, in Vienna UTC+1
        ('trust = [{ chamber = "T2", flag = "stuck", because = "true fog", '
         "since = 2031-02-11T01:00:00, until = 2031-02-12T01:00:00 }]", 87.0, 14),
        # the first half of that day trusted: 86 × 13 and 100 × 0.5 in 13.5 days
        ('trust = [{ chamber = "T2", flag = "stuck", because = "true fog", '
         "since = 2031-02-11T01:00:00, until = 2031-02-11T13:00:00 }]", 1168 / 13.5, 13.5),
        # a further day, of sound readings, left out
        ('leave_out = [{ chamber = "T2", quantity = "rh_pct", because = "on the floor", '
         "since = 2031-02-15T01:00:00, until = 2031-02-16T01:00:00 }]", 86.0, 12),
    ],
)  # fmt: skip
def test_exposures_follow_what_the_trial_file_asks(tmp_path, plan, harvest, asked, mean, days):
    trial = make_trial(tmp_path, TRIAL + asked + "\n")
    climate = climate_of()
    stuck = (climate["chamber"] == "T2") & climate["time"].between(
        pd.Timestamp("2031-02-11", tz="UTC"), pd.Timestamp("2031-02-12", tz="UTC")
    )
    climate.loc[stuck, "rh_pct"] = 100.0
    got = align(trial, harvest, climate, mist_of(plan), plan=plan)
    runs = got.runs[(got.runs["window"] == "whole") & (got.runs["chamber"] == "T2")]
    run = runs[runs["batch"] == "B2"].iloc[0]
    assert run["rh_pct"] == pytest.approx(mean, abs=0.02)
    assert run["rh_coverage_pct"] == pytest.approx(100 * days / 14, abs=0.1)
    assert run["temp_coverage_pct"] == pytest.approx(100, abs=0.1)
    assert runs[runs["batch"] != "B2"]["rh_pct"].to_numpy() == pytest.approx(86, abs=0.02)
    named = [f.code for f in got.findings if f.code in ("sensor_trusted", "sensor_left_out")]
    assert len(named) == 1


def test_fidelity_sets_delivered_beside_planned(trial, plan, harvest):
    mist = mist_of(plan)
    wrong = (mist["chamber"] == "T1") & (mist["start"] < pd.Timestamp("2031-02-01", tz="UTC"))
    kept = mist[~wrong | (np.arange(len(mist)) % 2 == 0)]
    got = align(trial, harvest, climate_of(), kept, plan=plan)
    table = got.fidelity.set_index(["batch", "chamber"])
    assert table.loc[("B2", "T2"), "planned_duty_pct"] == pytest.approx(100 / 12)
    assert table.loc[("B2", "T2"), "ratio"] == pytest.approx(1, abs=0.01)
    assert table.loc[("B1", "T1"), "ratio"] == pytest.approx(0.5, abs=0.01)
    codes = [f.code for f in got.findings]
    assert codes == ["schedule_not_delivered", "schedules_overlap"]
    assert "chamber T1 in batch B1 (usual)" in got.findings[0].message


def test_two_sensors_are_averaged_and_told_apart(trial, plan, harvest):
    one = climate_of()
    two = climate_of(rh=88.0).assign(sensor="second")
    got = align(trial, harvest, pd.concat([one, two]), mist_of(plan), plan=plan)
    assert got.runs["rh_pct"].to_numpy() == pytest.approx(87, abs=0.02)
    assert got.runs["rh_apart_pct"].to_numpy() == pytest.approx(2, abs=0.02)
    assert got.runs["sensors"].tolist() == [2] * len(got.runs)
    # two independent sensors: their mean is better by √2
    assert got.runs["rh_u_pct"].to_numpy() == pytest.approx(2 / 6**0.5)
    assert len(got.sensors) == 2 * len(got.runs)


def test_calibration_of_the_trial_file_is_applied_once(tmp_path, plan, harvest):
    text = TRIAL + (
        "[[logs.environment.calibration]]\n"
        'sensor = "T1"\nsalt = { NaCl = 73.47, K2SO4 = 95.60 }\ntemp_c = 20\n'
    )
    trial = make_trial(tmp_path, text)
    got = align(trial, harvest, climate_of(), mist_of(plan), plan=plan)
    means = got.runs.groupby("chamber")["rh_pct"].mean()
    assert means["T1"] == pytest.approx(88, abs=0.05)  # 2 points low at both salts
    assert means["T2"] == pytest.approx(86, abs=0.05)
    u = got.runs.groupby("chamber")["rh_u_pct"].mean()
    assert u["T1"] < u["T2"]
    assert [f.code for f in got.findings] == ["calibrated"]


def test_trial_without_logs_has_no_exposures(trial, plan, harvest):
    got = align(trial, harvest, None, None, plan=plan)
    assert got.table["rh_pct"].isna().all()
    assert got.table["mist_on_s"].isna().all()
    assert not got.table["low_coverage"].any()
    assert len(got.fidelity) == 0
    assert got.findings == ()


def test_mist_alone_is_enough_for_water(trial, plan, harvest):
    got = align(trial, harvest, None, mist_of(plan), plan=plan)
    assert got.table["water_l"].notna().all()
    assert not got.runs["low_coverage"].any()
    assert len(got.fidelity) == 6


def test_field_trial_without_chambers(tmp_path):
    text = """
[trial]
title = "field"
[units]
structure = "field / plot / subplot"
field = 2
plot = 2
subplot = 2
[factors.variety]
applied_to = "field:plot"
levels.a = {}
levels.b = {}
[question]
primary = "variety"
"""
    trial = make_trial(tmp_path, text)
    plan = trial.unit_table()
    plan["variety"] = np.where(plan["plot"] == plan["plot"].iloc[0], "a", "b")
    harvest = plan[["field", "plot", "subplot"]].assign(fresh_g=np.arange(8.0))
    got = align(trial, harvest, plan=plan)
    assert got.table["fresh_g"].tolist() == list(range(8))
    assert got.table["variety"].tolist() == plan["variety"].tolist()
    assert got.table["temp_c"].isna().all()
    assert str(got)


def test_what_the_reader_told_is_not_said_again(trial, plan, harvest):
    class Told:
        table = harvest.iloc[1:]
        findings = (Finding("units_missing", "caution", "1 of 24 weights are missing"),)

    got = align(trial, Told(), climate_of(), mist_of(plan), plan=plan)
    assert got.findings == ()
    assert got.table["status"].tolist().count("missing") == 1


def test_unknown_units_are_named(trial, plan, harvest):
    strange = harvest.iloc[[0]].assign(unit="B9-T1-1")
    got = align(trial, pd.concat([harvest, strange]), None, None, plan=plan)
    assert [f.code for f in got.findings] == ["unit_unknown"]
    assert len(got.table) == 24


def test_errors_say_what_to_do(trial, plan, harvest):
    with pytest.raises(AlignError, match="no harvest log"):
        align(trial, None, plan=plan)
    with pytest.raises(AlignError, match="columns fresh_g are missing"):
        align(trial, harvest.drop(columns="fresh_g"), plan=plan)
    with pytest.raises(AlignError, match="trialkit plan"):
        align(trial, harvest)
    with pytest.raises(AlignError, match="no column for schedule"):
        align(trial, harvest, plan=plan.drop(columns="schedule"))
    with pytest.raises(AlignError, match="names no treatment for B1-T1-1"):
        align(trial, harvest, plan=plan.iloc[1:])
    with pytest.raises(AlignError, match="not int"):
        align(trial, harvest, 3, plan=plan)


def test_inputs_are_not_modified(trial, plan, harvest):
    climate, mist = climate_of(), mist_of(plan)
    before = [t.copy(deep=True) for t in (harvest, climate, mist, plan)]
    align(trial, harvest, climate, mist, plan=plan)
    for old, new in zip(before, (harvest, climate, mist, plan), strict=True):
        pd.testing.assert_frame_equal(old, new)


def test_gap_follows_the_step_of_the_log(tmp_path):
    trial = make_trial(tmp_path, TRIAL.replace("max_gap_min = 10", ""))
    every_half_hour = climate_of().iloc[::6]
    assert default_settings(trial, climate_of()).max_gap_min == 12.5
    assert default_settings(trial, every_half_hour).max_gap_min == 75.0
    assert default_settings(trial, None).max_gap_min == 10.0


def test_logs_can_be_checked_without_a_harvest(trial, plan):
    climate = climate_of()
    climate.loc[climate["chamber"] == "T1", "rh_pct"] = 100.0
    out = check_logs(trial, climate, mist_of(plan))
    assert "sensor_stuck" in [f.code for f in out.findings]
    assert out.climate.loc[climate["chamber"] == "T1", "rh_pct"].isna().all()


def test_a_run_without_an_end_does_not_reach_into_the_next_batch(tmp_path):
    """The trial file need not say when a batch ended: its harvest or the next start does."""
    text = re.sub(r", end = [^ ]+ }", " }", TRIAL)
    trial = make_trial(tmp_path, text)
    climate = climate_of()
    runs = named_runs(trial, climate).set_index("run")
    starts = {b: pd.Timestamp(t, tz="UTC") for b, t in STARTS.items()}
    assert runs.loc["B1 T1", "stop"] == starts["B2"]
    assert runs.loc["B3 T2", "stop"] == climate["time"].max()
    ended = starts["B1"] + pd.Timedelta(days=9)
    spans = pd.DataFrame({"batch": "B1", "chamber": ["T1", "T2"], "window": "whole", "stop": ended})
    runs = named_runs(trial, climate, spans).set_index("run")
    assert runs.loc["B1 T1", "stop"] == ended
    assert runs.loc["B2 T1", "stop"] == starts["B3"]
    late = spans.assign(stop=starts["B2"] + pd.Timedelta(days=2))
    runs = named_runs(trial, climate, late).set_index("run")
    assert runs.loc["B1 T2", "stop"] == starts["B2"]


def test_unknown_windows_are_told_only_where_a_log_could_fill_them(tmp_path, harvest, plan):
    trial = make_trial(tmp_path, re.sub(r"(?s)\[batches\].*?\n\[", "[", TRIAL))
    undated = harvest.assign(time=pd.NaT)
    codes = {f.code for f in align(trial, undated, plan=plan).findings}
    assert "window_unknown" not in codes
    codes = {f.code for f in align(trial, undated, climate_of(), plan=plan).findings}
    assert "window_unknown" in codes


def test_shown_as_text_and_html(trial, plan, harvest):
    got = align(trial, harvest, climate_of(), mist_of(plan), plan=plan)
    assert "12 units × 2 flushes" in str(got)
    assert got._repr_html_().startswith("<table")


def test_climate_on_disk_or_spread_gives_the_same(trial, plan, harvest, tmp_path):
    import dask.dataframe as dd

    climate, mist = climate_of(), mist_of(plan)
    climate.to_parquet(tmp_path / "climate.parquet")
    want = align(trial, harvest, climate, mist, plan=plan)
    spread = dd.from_pandas(climate, npartitions=3)
    for other in (str(tmp_path / "*.parquet"), [tmp_path / "climate.parquet"], spread):
        got = align(trial, harvest, other, mist, plan=plan)
        pd.testing.assert_frame_equal(want.table, got.table, rtol=1e-9)
        assert got.findings == want.findings


def test_photons_from_lux_by_the_lamp_of_the_trial(tmp_path, plan, harvest):
    """500 lux of daylight are 500 / 54 µmol m⁻² s⁻¹ (Thimijan & Heins 1983)."""
    text = TRIAL.replace(
        "[question]",
        '[factors.light]\napplied_to = "batch:chamber:block"\n'
        'levels.low = { lux = 500, hours = 24, lamp = "daylight" }\n'
        'levels.high = { lux = 900, hours = 24, lamp = "daylight" }\n[question]',
    )
    trial = make_trial(tmp_path, text)
    both = plan.assign(light=["low", "high"] * 6)
    climate = climate_of().assign(light_lux=500.0)
    got = align(trial, harvest, climate, mist_of(plan), plan=both)
    whole = got.runs[got.runs["window"] == "whole"]
    dose = 500 / 54 * 14 * 86400 / 1e6
    assert whole["photon_mol_m2"].iloc[0] == pytest.approx(dose, rel=1e-3)
    assert [f.code for f in got.findings] == ["photons_from_lux"]


def test_trial_that_still_runs(tmp_path, plan, harvest):
    """The second batch is half done, the third has not begun: no alarm, exposures so far."""
    text = TRIAL.replace(", end = 2031-02-24T09:00:00 }", " }")
    trial = make_trial(tmp_path, text)
    now = pd.Timestamp("2031-02-14 08:00", tz="UTC")
    climate, mist = climate_of(), mist_of(plan)
    got = align(
        trial,
        harvest[harvest["batch"] == "B1"],
        climate[climate["time"] <= now],
        mist[mist["start"] < now],
        plan=plan,
    )
    assert got.findings == ()
    whole = got.runs[got.runs["window"] == "whole"].set_index(["batch", "chamber"])
    assert whole.loc[("B2", "T1"), "window_h"] == pytest.approx(4 * 24)
    assert whole.loc[("B2", "T1"), "coverage_pct"] == pytest.approx(100)
    assert got.table["status"].tolist().count("missing") == 16
