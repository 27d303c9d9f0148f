"""Mist in windows: seconds, litres, kilowatt-hours."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trialkit.alignment.mist import merge_intervals, mist_per_window, overlap_seconds
from trialkit.trial.sections import RigSection

T0 = pd.Timestamp("2031-01-13 08:00", tz="UTC")
RIG = RigSection(mist_l_h=1.1, fogger_w=75, fan_w=18)


def at(seconds):
    return T0 + pd.to_timedelta(np.asarray(seconds, dtype=float), unit="s")


def pulses(hours=24, on_s=20, off_s=220):
    start = np.arange(0, hours * 3600, on_s + off_s)
    return pd.DataFrame({"chamber": "T1", "start": at(start), "stop": at(start + on_s)})


def window(start_h, stop_h, chamber="T1"):
    return pd.DataFrame(
        {"chamber": [chamber], "start": [at(start_h * 3600)], "stop": [at(stop_h * 3600)]}
    )


def test_water_and_energy_by_hand():
    """20 s every 240 s for 24 h: 7200 s = 2 h on; 2.2 L; 2 h × 93 W = 0.186 kWh."""
    got = mist_per_window(pulses(), window(0, 24), RIG).iloc[0]
    assert got["mist_on_s"] == pytest.approx(7200)
    assert got["duty_pct"] == pytest.approx(100 / 12)
    assert got["cycles"] == 360
    assert got["water_l"] == pytest.approx(2.2)
    assert got["energy_kwh"] == pytest.approx(0.186)


def test_fan_that_always_runs():
    rig = RigSection(mist_l_h=1.1, fogger_w=75, fan_w=18, fan="always")
    got = mist_per_window(pulses(), window(0, 24), rig).iloc[0]
    assert got["energy_kwh"] == pytest.approx((2 * 75 + 24 * 18) / 1000)


def test_what_the_rig_does_not_state_stays_missing():
    got = mist_per_window(pulses(), window(0, 24), RigSection()).iloc[0]
    assert got["mist_on_s"] == pytest.approx(7200)
    assert np.isnan(got["water_l"])
    assert np.isnan(got["energy_kwh"])


def test_pulse_cut_by_the_window():
    log = pd.DataFrame({"chamber": "T1", "start": [at(0)], "stop": [at(3600)]})
    got = mist_per_window(log, window(0.5, 2), RIG).iloc[0]
    assert got["mist_on_s"] == pytest.approx(1800)
    assert got["mist_coverage_pct"] == pytest.approx(100 / 3)


def test_chamber_without_a_log_is_missing_not_zero():
    got = mist_per_window(pulses(), window(0, 24, "T9"), RIG).iloc[0]
    assert got.isna().all()
    assert mist_per_window(None, window(0, 24), RIG).iloc[0].isna().all()


def test_dry_window_inside_a_log_is_zero():
    log = pd.concat([pulses(2), pulses(2).assign(
        start=lambda t: t["start"] + pd.Timedelta(hours=20),
        stop=lambda t: t["stop"] + pd.Timedelta(hours=20))])  # fmt: skip
    got = mist_per_window(log, window(5, 10), RIG).iloc[0]
    assert got["mist_on_s"] == 0
    assert got["mist_coverage_pct"] == pytest.approx(100)


def test_doubled_log_counts_once():
    want = mist_per_window(pulses(), window(3, 9), RIG)
    doubled = pd.concat([pulses(), pulses()]).sample(frac=1, random_state=1)
    pd.testing.assert_frame_equal(want, mist_per_window(doubled, window(3, 9), RIG))


intervals = st.lists(st.tuples(st.integers(0, 60), st.integers(0, 12)), max_size=12)


@given(intervals, st.integers(-5, 70), st.integers(0, 40))
@settings(max_examples=200, deadline=None)
def test_overlap_equals_counting_seconds(parts, low, length):
    """Against a count second by second."""
    start = np.array([a * 10**9 for a, _ in parts], dtype=np.int64)
    stop = np.array([(a + n) * 10**9 for a, n in parts], dtype=np.int64)
    merged = merge_intervals(start, stop)
    lo, hi = (np.array([v * 10**9]) for v in (low, low + length))
    on = {s for a, n in parts for s in range(a, a + n)}
    assert overlap_seconds(*merged, lo, hi)[0] == len(on & set(range(low, low + length)))


def test_spans_of_the_files_say_what_is_covered():
    """A chamber that never misted has a log with nothing on: zero, not missing."""
    spans = pd.DataFrame({"chamber": ["T1", "T2"], "first": [at(0)] * 2, "last": [at(86400)] * 2})
    early = pulses(6)
    both = pd.concat([window(0, 24), window(0, 48, "T2")], ignore_index=True)
    got = mist_per_window(early, both, RIG, spans=spans)
    assert got["mist_coverage_pct"].tolist() == pytest.approx([100, 50])
    assert got["mist_on_s"].tolist() == pytest.approx([1800, 0])
    alone = mist_per_window(early, both, RIG)
    assert alone["mist_coverage_pct"].iloc[0] == pytest.approx(25, abs=1)
    assert np.isnan(alone["mist_on_s"].iloc[1])
