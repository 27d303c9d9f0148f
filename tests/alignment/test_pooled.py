"""Several picks of one flush, and humidity that was doubted: each number by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tests.alignment.test_align import STARTS, TRIAL, climate_of, make_trial
from tests.alignment.test_delivered import harvest_of, schedules
from trialkit.alignment.align import align, default_settings, usual_step_min
from trialkit.alignment.checks import LogCheck, doubted_humidity
from trialkit.signals.sensors import SensorFlags

OWN = """
[columns.stem_mm]
unit = "mm"
range = [0, 30]
pools = "mean"
[columns.grade]
unit = ""
range = [0, 5]
pools = "last"
"""


@pytest.fixture
def picks(tmp_path):
    """Give the row of B1-T1-1 in flush 1, picked on days 6, 8 and 7, in that order of rows."""
    trial = make_trial(tmp_path, TRIAL + OWN)
    harvest = harvest_of(trial)
    harvest = harvest.assign(dry_g=np.nan, caps=np.nan, stem_mm=np.nan, grade=np.nan, note="")
    own = harvest[(harvest["unit"] == "B1-T1-1") & (harvest["flush"] == 1)]
    rest = harvest.drop(index=own.index)
    day = pd.Timedelta(days=1)
    parts = [
        own.assign(fresh_g=100.0, dry_g=10.0, caps=3, stem_mm=4.0, grade=1, note="a"),
        own.assign(fresh_g=50.0, caps=2, stem_mm=7.0, grade=3, status="contaminated",
                   time=own["time"] + 2 * day),
        own.assign(fresh_g=25.0, stem_mm=np.nan, grade=2, note="b", time=own["time"] + day),
    ]  # fmt: skip
    got = align(trial, pd.concat([*parts, rest]), plan=schedules(trial))
    return got.table.set_index(["unit", "flush"]).loc[("B1-T1-1", 1)], got


def test_weights_and_counts_are_added_and_means_are_taken(picks):
    """100 + 50 + 25 g; the one dry weight stands; 3 + 2 caps; (4 + 7)/2 mm; the latest grade."""
    row, _ = picks
    assert row["fresh_g"] == 175
    assert row["dry_g"] == 10
    assert row["caps"] == 5
    assert row["stem_mm"] == pytest.approx(5.5)
    assert row["grade"] == 3


def test_the_last_day_counts_and_the_worst_state(picks):
    row, got = picks
    assert row["days"] == pytest.approx(8)
    assert row["status"] == "contaminated"
    assert (row["note"].startswith("a"), "b" in row["note"]) == (True, True)
    assert row["be_pct"] == pytest.approx(100 * 175 / 950)
    assert [f.code for f in got.findings] == ["picked_in_parts"]
    assert len(got.table) == 24


def test_without_a_dry_weight_of_the_substrate_there_is_no_efficiency(tmp_path):
    trial = make_trial(tmp_path, TRIAL.replace("dry_substrate_g = 950\n", ""))
    got = align(trial, harvest_of(trial), plan=schedules(trial))
    assert got.table["be_pct"].isna().all()


def test_doubt_about_humidity_is_that_of_the_chamber_and_of_the_time():
    """Doubted from 10 to 20 h: a stretch that only touches its end is not concerned."""
    start = pd.Timestamp(STARTS["B1"], tz="UTC")

    def hours(h):
        return start + pd.Timedelta(hours=h)

    rows = [("T1", "rh_pct", "stuck"), ("T1", "temp_c", "stuck"), ("T1", "rh_pct", "gap"),
            ("T2", "rh_pct", "stuck")]  # fmt: skip
    flags = pd.DataFrame(rows, columns=["chamber", "quantity", "flag"])
    flags = flags.assign(start=hours(10), stop=hours(20))
    check = LogCheck(None, None, SensorFlags(flags), None)
    for low, high, n in ((0, 10, 0), (0, 11, 1), (12, 13, 1), (19, 30, 1), (20, 30, 0)):
        found = doubted_humidity(check, "T1", hours(low), hours(high))
        assert len(found) == n
        assert set(found["flag"]) <= {"stuck"}
    assert doubted_humidity(None, "T1", hours(0), hours(30)) is None
    nothing = LogCheck(None, None, SensorFlags(flags.iloc[:0]), None)
    assert doubted_humidity(nothing, "T1", hours(0), hours(30)) is None


def test_the_usual_step_is_the_longest_median_of_the_sensors(tmp_path):
    """5 min in one, 8 min in the other; a gap of days does not count; bridged: 2.5 steps."""
    one = climate_of(chambers=("T1",)).iloc[:50]
    time = one["time"].iloc[0] + pd.to_timedelta(8 * np.arange(50), unit="min")
    time = time.where(np.arange(50) < 40, time + pd.Timedelta(days=3))
    other = one.assign(chamber="T2", sensor="T2", time=time)
    both = pd.concat([one, other])
    assert usual_step_min(both) == 8
    trial = make_trial(tmp_path, TRIAL.replace("max_gap_min = 10\n", ""))
    assert default_settings(trial, both).max_gap_min == 20
    assert default_settings(trial, one).max_gap_min == 12.5
    minute = one.assign(time=one["time"].iloc[0] + pd.to_timedelta(np.arange(50), unit="min"))
    assert default_settings(trial, minute).max_gap_min == 10
    assert usual_step_min(one.iloc[:1]) == 0
