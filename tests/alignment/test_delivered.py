"""Mist, windows and error limits of runs, each number worked by hand."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest

from tests.alignment.test_align import STARTS, TRIAL, climate_of, make_trial
from trialkit.alignment.align import align
from trialkit.alignment.fidelity import fidelity_findings, fidelity_table
from trialkit.alignment.mist import mist_per_window
from trialkit.alignment.trust import add_agreement
from trialkit.alignment.windows import derive_windows
from trialkit.errors import AlignError
from trialkit.signals.mist_response import MistResponse
from trialkit.trial.sections import RigSection

T0 = pd.Timestamp("2031-01-13 08:00", tz="UTC")


def at(seconds):
    return T0 + pd.to_timedelta(np.asarray(seconds, dtype=float), unit="s")


def spans(*edges):
    return pd.DataFrame(
        {
            "chamber": "T1",
            "start": at([a for a, _ in edges]),
            "stop": at([b for _, b in edges]),
        }
    )


# ------------------------------------------------------------------ cycles


def test_a_cycle_belongs_to_the_window_in_which_it_begins():
    """20 s of mist at 0, 240, 480, 720 s: the start of a window counts, its end does not."""
    start = np.arange(0, 960, 240)
    log = pd.DataFrame({"chamber": "T1", "start": at(start), "stop": at(start + 20)})
    windows = spans((0, 480), (240, 480), (10, 490), (241, 719), (480, 960), (725, 735))
    got = mist_per_window(log, windows, RigSection())
    assert got["cycles"].tolist() == [2, 1, 2, 1, 2, 0]
    # the seconds of a cycle that is cut are shared all the same
    assert got["mist_on_s"].tolist() == [40, 20, 10 + 20 + 10, 19 + 20, 40, 10]


def test_cycles_of_windows_that_adjoin_add_up():
    start = np.arange(0, 86400, 240)
    log = pd.DataFrame({"chamber": "T1", "start": at(start), "stop": at(start + 20)})
    cuts = [0, 7, 240, 3610, 7200, 86400]
    parts = mist_per_window(log, spans(*itertools.pairwise(cuts)), RigSection())
    whole = mist_per_window(log, spans((0, 86400)), RigSection())
    assert parts["cycles"].sum() == whole["cycles"].iloc[0] == 360
    assert parts["mist_on_s"].sum() == whole["mist_on_s"].iloc[0] == 7200


def test_energy_without_a_fan_is_that_of_the_fogger():
    """One hour of mist at 80 W is 0.08 kWh; a fan of 20 W that always runs 4 h adds as much."""
    log = pd.DataFrame({"chamber": "T1", "start": [at(0)], "stop": [at(3600)]})
    window = spans((0, 4 * 3600))
    alone = mist_per_window(log, window, RigSection(fogger_w=80)).iloc[0]
    assert alone["energy_kwh"] == pytest.approx(0.08)
    rig = RigSection(fogger_w=80, fan_w=20, fan="always")
    assert mist_per_window(log, window, rig).iloc[0]["energy_kwh"] == pytest.approx(0.16)
    rig = RigSection(fogger_w=80, fan_w=20)
    assert mist_per_window(log, window, rig).iloc[0]["energy_kwh"] == pytest.approx(0.1)
    assert np.isnan(mist_per_window(log, window, RigSection(fan_w=20)).iloc[0]["energy_kwh"])


def test_a_window_that_runs_backwards_has_no_mist():
    log = pd.DataFrame({"chamber": "T1", "start": [at(0)], "stop": [at(3600)]})
    assert mist_per_window(log, spans((600, 600)), RigSection()).isna().all(axis=None)
    assert mist_per_window(log, spans((900, 600)), RigSection()).isna().all(axis=None)


# ------------------------------------------------------------------ delivered against planned


@pytest.fixture
def trial(tmp_path):
    return make_trial(tmp_path)


def runs_with(duty, *, coverage=100.0):
    """Six whole runs with these duties [%], and one window that is none."""
    frame = pd.DataFrame(
        [(b, c) for b in ("B1", "B2", "B3") for c in ("T1", "T2")], columns=["batch", "chamber"]
    )
    frame["window"], frame["window_h"] = "whole", 240.0
    frame["duty_pct"] = duty
    frame["mist_on_s"] = frame["duty_pct"] / 100 * 240 * 3600
    frame["mist_coverage_pct"] = coverage
    for name in ("rh_pct", "hours_below_band", "hours_above_band"):
        frame[name] = 1.0
    return pd.concat([frame, frame.iloc[:1].assign(window="flush 1", duty_pct=99.0)])


def schedules(trial):
    table = trial.unit_table()
    return table.assign(schedule=table["chamber"].map({"T1": "usual", "T2": "sparse"}))


#: Planned by the trial file: 20 s in 240 s and 20 s in 480 s.
USUAL, SPARSE = 100 / 12, 100 / 24


def table_of(trial, duty, **options):
    return fidelity_table(trial, runs_with(duty, **options), schedules(trial))


def test_planned_and_delivered_stand_beside_each_other(trial):
    got = table_of(trial, [USUAL, SPARSE, USUAL / 2, SPARSE, 2 * USUAL, 0.0])
    assert len(got) == 6
    assert got["level"].tolist() == ["usual", "sparse"] * 3
    assert got["planned_duty_pct"].tolist() == pytest.approx([USUAL, SPARSE] * 3)
    assert got["ratio"].tolist() == pytest.approx([1, 1, 0.5, 1, 2, 0])
    assert got["effective_duty_pct"].tolist() == pytest.approx(got["delivered_duty_pct"].tolist())


@pytest.mark.parametrize(
    ("times", "named"),
    [(1.0, False), (1.14, False), (0.86, False), (1.16, True), (0.84, True), (0.0, True)],
)
def test_a_run_off_by_more_than_fifteen_percent_is_named(trial, times, named):
    got = table_of(trial, [USUAL * times, SPARSE, USUAL, SPARSE, USUAL, SPARSE])
    found = [f for f in fidelity_findings(got, ["batch", "chamber"])
             if f.code == "schedule_not_delivered"]  # fmt: skip
    assert len(found) == named
    if named:
        message = str(found[0])
        assert "chamber T1 in batch B1" in message
        assert "8.3" in message  # planned
        assert f"{USUAL * times:.1f}" in message  # delivered


@pytest.mark.parametrize(("coverage", "told"), [(94.0, True), (95.0, False), (100.0, False)])
def test_a_log_that_spans_too_little_is_told_beside(trial, coverage, told):
    duty = [USUAL / 2, SPARSE, USUAL, SPARSE, USUAL, SPARSE]
    got = table_of(trial, duty, coverage=coverage)
    [found] = [f for f in fidelity_findings(got, ["batch", "chamber"])
               if f.code == "schedule_not_delivered"]  # fmt: skip
    assert (f"{coverage:.0f}" in str(found)) == told


@pytest.mark.parametrize(
    ("usual", "sparse", "overlap"),
    [(8.3, 8.2, False), (8.3, 8.3, True), (8.3, 8.4, True), (8.3, 4.2, False)],
)
def test_schedules_overlap_where_one_run_got_as_much_as_a_run_of_the_other(
    trial, usual, sparse, overlap
):
    got = table_of(trial, [usual, 4.2, 8.9, sparse, 9.0, 4.0])
    codes = [f.code for f in fidelity_findings(got, ["batch", "chamber"])]
    assert ("schedules_overlap" in codes) == overlap


def test_mist_that_no_vapour_followed_is_taken_off(trial):
    """240 h; 6 h of mist without vapour are 2.5 % of the time."""
    lost = pd.DataFrame({"run": ["B1 T1"], "lost_on_s": [6 * 3600.0]})
    response = MistResponse.__new__(MistResponse)
    object.__setattr__(response, "runs", lost)
    got = fidelity_table(trial, runs_with([USUAL, SPARSE] * 3), schedules(trial), response)
    assert got["effective_duty_pct"].tolist() == pytest.approx(
        [USUAL - 2.5, SPARSE, USUAL, SPARSE, USUAL, SPARSE]
    )
    assert got["delivered_duty_pct"].tolist() == pytest.approx([USUAL, SPARSE] * 3)


# ------------------------------------------------------------------ windows


def harvest_of(trial, days=(6, 11)):
    """One row per unit and flush, so many days after the start of its batch; None if not yet."""
    parts = []
    for flush, day in enumerate(days, 1):
        table = trial.unit_table().assign(flush=flush, fresh_g=300.0, status="ok")
        start = pd.to_datetime(table["batch"].map(STARTS), utc=True)
        later = pd.Timedelta(days=day) if day is not None else pd.NaT
        parts.append(table.assign(time=start + later))
    return pd.concat(parts, ignore_index=True)


def days_of(windows, run=("B1", "T1")):
    """Give start and stop of each window of a run, in days after the batch began."""
    start = pd.Timestamp(STARTS[run[0]], tz="UTC")
    mine = windows[(windows["batch"] == run[0]) & (windows["chamber"] == run[1])]
    return {
        row.window: tuple(
            None if pd.isna(t) else (t - start) / pd.Timedelta(days=1)
            for t in (row.start, row.stop)
        )
        for row in mine.itertuples()
    }


def test_a_lead_window_never_begins_before_its_batch(trial):
    """Five days before a harvest on day 3 would be two days before the start."""
    windows, _ = derive_windows(trial, harvest_of(trial, (3, 8)))
    assert days_of(windows)["pinning"] == (0, 3)
    windows, _ = derive_windows(trial, harvest_of(trial, (5, 8)))
    assert days_of(windows)["pinning"] == (0, 5)
    windows, _ = derive_windows(trial, harvest_of(trial, (7, 8)))
    assert days_of(windows)["pinning"] == (2, 7)


def test_without_an_end_a_batch_lasts_to_its_last_harvest(tmp_path):
    text = TRIAL.replace(", end = 2031-01-27T09:00:00", "")
    windows, _ = derive_windows(make_trial(tmp_path, text), harvest_of(make_trial(tmp_path, text)))
    assert days_of(windows)["whole"] == (0, 11)
    assert days_of(windows, ("B2", "T1"))["whole"] == (0, 14)


def test_a_batch_with_all_its_harvests_is_not_cut_by_the_end_of_the_log(trial):
    until = pd.Timestamp(STARTS["B1"], tz="UTC") + pd.Timedelta(days=12)
    windows, _ = derive_windows(trial, harvest_of(trial), until=until)
    assert days_of(windows)["whole"] == (0, 14)


@pytest.mark.parametrize(
    ("end", "until", "stop"),
    [
        ("2031-01-27T09:00:00", 9, 9),  # the log ends first
        ("2031-01-27T09:00:00", 60, 14),  # the stated end comes first
        ("", 9, 9),
        ("", 20, 20),
        ("", 60, 28),  # the next batch begins first: 13 January to 10 February
        ("", -1, None),  # not begun yet
        ("", 0, None),
    ],
)
def test_a_batch_that_still_runs_is_taken_so_far(tmp_path, end, until, stop):
    """Flush 2 is not in: the whole run ends with the log, the next batch, or the stated end."""
    text = TRIAL if end else TRIAL.replace(", end = 2031-01-27T09:00:00", "")
    trial = make_trial(tmp_path, text)
    last = pd.Timestamp(STARTS["B1"], tz="UTC") + pd.Timedelta(days=until)
    windows, _ = derive_windows(trial, harvest_of(trial, (6, None)), until=last)
    got = days_of(windows)
    # a batch that had not begun when the log ended lasts to the harvest that is known
    assert got["whole"] == (0, 6 if stop is None else stop)
    assert got["flush 1"] == (0, 6)
    assert got["flush 2"] == (6, None)


def test_windows_without_end_are_told_only_where_the_batch_has_a_harvest(trial):
    """B1 lacks flush 2 in both chambers: two windows; B2 and B3 are not harvested at all."""
    harvest = harvest_of(trial, (6, None))
    _, findings = derive_windows(trial, harvest[harvest["batch"] == "B1"])
    [found] = [f for f in findings if f.code == "window_unknown"]
    assert "2 " in str(found)
    assert "flush 2 in chamber T1 in batch B1" in str(found)


def test_a_harvest_before_the_start_runs_backwards(trial):
    harvest = harvest_of(trial, (-1, 11))
    _, findings = derive_windows(trial, harvest)
    assert "window_backwards" in [f.code for f in findings]
    _, findings = derive_windows(trial, harvest_of(trial, (6, 6)))  # no time between: no window
    assert "window_backwards" in [f.code for f in findings]
    _, findings = derive_windows(trial, harvest_of(trial, (6, 7)))
    assert findings == []


def test_a_window_given_by_hand_must_name_its_run(trial):
    own = pd.DataFrame({"window": ["flush 1"], "start": [T0], "stop": [T0]})
    with pytest.raises(AlignError, match="batch, chamber"):
        derive_windows(trial, harvest_of(trial), override=own)


# ------------------------------------------------------------------ how far humidity is known


def test_the_error_of_the_thermometer_adds_to_that_of_the_deficit(tmp_path):
    """FAO-56 eq. 11 and 13 at 15 °C: e0 1.70535 kPa, slope 4098 e0/252.3² = 0.10979 kPa/°C.

    86 % of humidity, limits ±3 °C and ±2 %: 0.14 × 0.10979 × 3/√3 = 0.02662 and
    1.70535 × 0.02/√3 = 0.01969 kPa, together 0.03311 kPa.
    """
    rig = "sensor_rh_error = 2.0\n"
    text = TRIAL.replace(rig, rig + "sensor_temp_error = 3.0\n")
    trial = make_trial(tmp_path, text)
    got = align(trial, harvest_of(trial), climate_of(), plan=schedules(trial))
    assert got.runs["vpd_u_kpa"].to_numpy() == pytest.approx(0.03311, rel=2e-3)
    assert got.runs["rh_u_pct"].to_numpy() == pytest.approx(1.1547, abs=1e-4)


def test_of_sensors_only_those_with_humidity_or_temperature_are_counted():
    """86 and 90 % are 4 apart, 15.0 and 15.5 °C half a degree; the CO2 sensor is none of them."""
    runs = pd.DataFrame({"chamber": ["T1", "T2", "T3"], "window": "whole"})
    sensors = pd.DataFrame(
        {
            "chamber": ["T1", "T1", "T1", "T2"],
            "window": "whole",
            "sensor": list("abcd"),
            "rh_pct": [86.0, 90.0, np.nan, 80.0],
            "temp_c": [15.0, 15.5, np.nan, np.nan],
        }
    )
    got = add_agreement(runs, sensors, ["chamber"])
    assert got["sensors"].tolist() == [2, 1, 0]
    assert got["rh_apart_pct"].iloc[0] == pytest.approx(4)
    assert got["temp_apart_c"].iloc[0] == pytest.approx(0.5)
    assert got[["rh_apart_pct", "temp_apart_c"]].iloc[1:].isna().all(axis=None)
