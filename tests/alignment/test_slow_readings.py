"""Readings too slow for the mist: bounds that hold, differences that are not shown as real."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from trialkit.alignment.frame import expose_frame
from trialkit.alignment.measures import ExposureSettings
from trialkit.alignment.slow_findings import _levels_alike, slow_findings
from trialkit.alignment.slow_readings import (
    _Series,
    _unsure,
    better_interval_min,
    judge_readings,
    most_swing_pct,
    phases_missed,
    too_slow,
)
from trialkit.chamber import Room, simulate
from trialkit.trial.sections import RigSection

START = pd.Timestamp("2031-03-01", tz="UTC")
BAND = ExposureSettings(band_low_rh=82.0, band_high_rh=95.0, max_gap_min=60.0)
RIG = RigSection(mist_l_h=0.4, chamber_m3=1.8)
CYCLE_S, ON_S = 600.0, 40.0


def saw(moments, *, low=81.0, high=97.0, rate_h=5.0):
    """Humidity that jumps with each pulse and falls back on an exponential to its low point."""
    phase = np.asarray(moments) % CYCLE_S
    fall = np.exp(-rate_h * phase / 3600)
    last = np.exp(-rate_h * CYCLE_S / 3600)
    return low + (high - low) * (fall - last) / (1 - last)


def log_of(moments, rh, chamber="T1"):
    time = START + pd.to_timedelta(np.asarray(moments, dtype=float), unit="s")
    return pd.DataFrame({"chamber": chamber, "time": time, "temp_c": 15.0, "rh_pct": rh})


def mist_of(hours=24.0, chamber="T1"):
    on = START + pd.to_timedelta(np.arange(0, hours * 3600, CYCLE_S), unit="s")
    return pd.DataFrame({"chamber": chamber, "start": on, "stop": on + pd.Timedelta(ON_S, "s")})


def judged(log, mist=None, rig=RIG, chambers=("T1",)):
    windows = pd.DataFrame(
        {"chamber": list(chambers), "window": "whole", "start": START,
         "stop": START + pd.Timedelta(24, "h")}
    )  # fmt: skip
    runs = expose_frame(log, windows, settings=BAND).chambers
    told = judge_readings(log, mist_of() if mist is None else mist, runs, rig=rig, settings=BAND)
    return pd.concat([runs, told], axis=1)


def holds(row, fine):
    """Whether the true mean and hours lie in what is said."""
    covered = 24 * row["rh_coverage_pct"] / 100
    shares = {
        "below": (fine < 82).mean(), "in": ((fine >= 82) & (fine <= 95)).mean(),
        "above": (fine > 95).mean(),
    }  # fmt: skip
    inside = abs(row["rh_pct"] - fine.mean()) <= row["rh_slow_pct"]
    for side, share in shares.items():
        least, most = (row[f"hours_{side}_band_{end}"] for end in ("least", "most"))
        inside &= least - 0.05 <= covered * share <= most + 0.05
        inside &= least <= row[f"hours_{side}_band"] <= most
    return bool(inside)


@pytest.mark.parametrize("first_s", [0.0, 10.0, 60.0, 200.0, 420.0, 595.0])
def test_ten_minutes_beside_ten_minutes_are_covered(first_s):
    """Readings of one moment of each cycle: 81 to 97 % and 0 to 24 h for the same air."""
    moments = np.arange(first_s, 86400, 600.0)
    row = judged(log_of(moments, saw(moments))).iloc[0]
    fine = saw(np.arange(0, 86400, 5.0))
    assert row["phases_missed_pct"] == pytest.approx(100, abs=2)
    assert row["reading_s"] == 600
    assert row["cycle_s"] == 600
    assert holds(row, fine)


@pytest.mark.parametrize("seed", range(4))
def test_simulated_rooms_are_covered_from_every_moment(seed):
    """The chamber's whole balance, fog and cooling with it; 24 phases of the logger each."""
    rng = np.random.default_rng(seed)
    room = Room(
        volume_m3=1.8, air_changes_h=float(rng.uniform(3, 9)), mist_l_h=0.4, room_rh_pct=60.0,
        evaporating_fraction=float(rng.uniform(0.7, 1)), surface_m2=1.0,
    )  # fmt: skip
    run = simulate(room, {"on_s": ON_S, "off_s": CYCLE_S - ON_S}, 30.0)
    fine = np.minimum(run.sample(step_s=5.0)["rh_pct"], 100.0)[6 * 720 :]
    for first in range(0, 120, 5):
        at = np.arange(first, len(fine), 120)
        row = judged(log_of(5.0 * at, fine[at])).iloc[0]
        assert holds(row, fine)


def test_readings_at_ever_new_moments_leave_little_open():
    moments = np.arange(0, 86400, 660.0)  # 11 min: every whole minute of the cycle in turn
    row = judged(log_of(moments, saw(moments))).iloc[0]
    fine = saw(np.arange(0, 86400, 5.0))
    assert row["phases_missed_pct"] < 15
    assert holds(row, fine)
    assert row["hours_in_band_most"] - row["hours_in_band_least"] < 9


def test_quick_readings_leave_nothing_open():
    moments = np.arange(0, 86400, 150.0)
    row = judged(log_of(moments, saw(moments))).iloc[0]
    assert np.isnan(row["phases_missed_pct"])
    assert np.isnan(row["hours_in_band_least"])
    assert not too_slow(pd.DataFrame([row])).any()


def test_unknown_rig_bounds_hours_and_no_mean():
    moments = np.arange(0, 86400, 300.0)  # two moments of the cycle: half of it is not seen
    row = judged(log_of(moments, saw(moments)), rig=RigSection(mist_l_h=0.4)).iloc[0]
    assert row["phases_missed_pct"] == pytest.approx(50, abs=1)
    assert np.isnan(row["rh_slow_pct"])
    assert 0 <= row["hours_below_band_least"] <= row["hours_below_band_most"] <= 24


def test_phases_missed_by_hand():
    assert phases_missed(np.array([0.3]), np.ones(1)) == 1.0
    assert phases_missed(np.array([]), np.array([])) == 1.0
    for n in (2, 3, 5, 8):  # evenly spread, from wherever the cycle is counted
        for turn in (0.0, 0.07):
            phase = (np.arange(n) / n + turn) % 1
            assert phases_missed(phase, np.ones(n)) == pytest.approx(1 / n)
    # all in the first half, evenly: the other half is missed
    assert phases_missed(np.linspace(0, 0.5, 501), np.ones(501)) == pytest.approx(0.5, abs=0.01)


def test_swing_by_hand():
    """20 s of 0.36 L/h are 2 g, in 2 m³ 1 g/m³; with 10 % for measures 1.1.

    Saturated air at 15 °C holds 12.83 g/m³, at 15 − 0.81 °C 12.21 (handbook): 90 % is 11.55;
    (11.55 + 1.1) / 12.21 = 103.6 %, 13.6 points more.
    """
    rig = RigSection(mist_l_h=0.36, chamber_m3=2.0, measured=["mist_l_h", "chamber_m3"])
    assert most_swing_pct(rig, 20.0, 15.0, 90.0) == pytest.approx(13.6, abs=0.3)
    guessed = RigSection(mist_l_h=0.36, chamber_m3=2.0)
    assert most_swing_pct(guessed, 20.0, 15.0, 90.0) > most_swing_pct(rig, 20.0, 15.0, 90.0)
    assert np.isnan(most_swing_pct(RigSection(), 20.0, 15.0, 90.0))


@pytest.mark.parametrize(("reading", "cycle"), [(600, 600), (480, 240), (300, 480), (900, 450)])
def test_remedy_really_meets_the_whole_cycle(reading, cycle):
    quick, slow = better_interval_min(reading, cycle)
    assert quick * 60 <= cycle / 4
    moments = np.arange(0, 86400, slow * 60)
    assert phases_missed(moments % cycle / cycle, np.ones(len(moments))) < 0.26


@pytest.mark.parametrize("lag_s", [60.0, 150.0])
def test_slow_sensor_hides_time_beyond_the_band(lag_s):
    """A first-order sensor (exact step by step), read every 10 s: the true hours are within."""
    step = 5.0
    fine = saw(np.arange(0, 2 * 86400, step))
    shown = np.empty_like(fine)
    shown[0] = fine.mean()
    keep = np.exp(-step / lag_s)
    for i in range(1, len(fine)):
        shown[i] = fine[i] + (shown[i - 1] - fine[i]) * keep
    fine, shown = fine[17280:], shown[17280:]
    moments = step * np.arange(len(fine))
    rig = RigSection(mist_l_h=0.4, chamber_m3=1.8, sensor_lag_s=lag_s)
    row = judged(log_of(moments[::2], shown[::2]), rig=rig).iloc[0]
    for side, share in (("below", (fine < 82).mean()), ("above", (fine > 95).mean())):
        assert row[f"hours_{side}_band_least"] <= 24 * share + 0.2
        assert row[f"hours_{side}_band_most"] >= 24 * share - 0.2
    assert row["hours_above_band"] < 24 * (fine > 95).mean() - 0.5  # it does hide some
    assert np.isnan(row["phases_missed_pct"])


def test_differences_that_slow_readings_make_alone_are_told():
    """The same air in two chambers, read at other moments of the cycle: 16 points apart."""
    early, late = np.arange(45, 86400, 600.0), np.arange(590, 86400, 600.0)
    log = pd.concat([log_of(early, saw(early), "T1"), log_of(late, saw(late), "T2")])
    mist = pd.concat([mist_of(), mist_of(chamber="T2")])
    runs = judged(log, mist, chambers=("T1", "T2"))
    fidelity = pd.DataFrame({"chamber": ["T1", "T2"], "level": ["usual", "sparse"]})
    assert abs(runs["rh_pct"].diff().iloc[1]) > 14
    told = slow_findings(runs, fidelity, ["chamber"])
    assert [f.code for f in told] == ["readings_slow", "exposures_may_alias"]
    slow, alias = told
    assert slow.values["reading"] == 10
    assert slow.values["cycle"] == 10
    assert slow.values["count"] == 2
    assert "every 2 min" in slow.remedy
    (pair,) = alias.values["pairs"]
    assert pair.values["apart"] > 14
    assert pair.values["may"] > pair.values["apart"]
    assert "usual and sparse" in alias.message
    # the same air read every two minutes: nothing to tell, and no difference
    quick = np.arange(0, 86400, 120.0)
    log = pd.concat([log_of(quick, saw(quick), name) for name in ("T1", "T2")])
    assert slow_findings(judged(log, mist, chambers=("T1", "T2")), fidelity, ["chamber"]) == []


@pytest.mark.parametrize(
    ("lag_s", "off"), [(30.0, [0, 3, 3, 0, 0]), (120.0, [6, 6, 6, 6, 0]), (0.0, [0] * 5)]
)
def test_a_slow_sensor_is_behind_by_its_lag_times_its_slope(lag_s, off):
    """Readings of every minute: 80, 80, 86, 86, 86 %.

    The slope is looked at over the lag, and over one reading at least: 0.1 a second beside the
    rise for a lag of half a minute; for two minutes 6 in 120 s, 0.05 a second, wherever the rise
    lies within two readings.
    """
    time = np.arange(5) * 60 * 10**9
    series = _Series(time, np.array([80.0, 80.0, 86.0, 86.0, 86.0]), np.full(5, 60.0))
    air = SimpleNamespace(lag_s=lag_s, swing=np.nan)
    assert _unsure(series, air, None).tolist() == pytest.approx(off)


def test_pairs_of_levels_that_slow_readings_may_part_are_told_in_one_line():
    """Three levels make three pairs: 4.5, 1.5 and 3 points apart by their own means."""
    runs = pd.DataFrame(
        {
            "chamber": ["T1", "T2", "T3"],
            "rh_pct": [90.0, 85.5, 88.5],
            "rh_slow_pct": np.nan,
            "phases_missed_pct": 95.0,
        }
    )
    fidelity = pd.DataFrame({"chamber": ["T1", "T2", "T3"], "level": ["usual", "thin", "band"]})
    (told,) = _levels_alike(runs, fidelity, ["chamber"])
    for part in (
        "usual and thin 4.5 points",
        "usual and band 1.5 points",
        "thin and band 3.0 points",
    ):
        assert part in told.message
