"""Checks that the logs did not allow: each is listed with place, reason and need."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

import trialkit as tk
from tests.alignment.test_align import TRIAL, climate_of, make_trial, mist_of
from trialkit.alignment.align import align
from trialkit.alignment.open_checks import (
    UNMADE_COLUMNS,
    _of_other_sensors,
    list_unmade,
    tally_chamber,
    told_unmade,
)
from trialkit.pipeline import Pipeline
from trialkit.report.exposures import unmade_checks
from trialkit.wording import read_wording, speaking


@pytest.fixture
def trial(tmp_path):
    return make_trial(tmp_path)


@pytest.fixture
def plan(trial):
    return trial.unit_table().assign(schedule="usual")


@pytest.fixture
def harvest(trial):
    table = trial.unit_table().merge(pd.DataFrame({"flush": [1, 2]}), how="cross")
    return table.assign(time=pd.NaT, fresh_g=300.0, status="ok")


@pytest.fixture(scope="module")
def demo():
    return Pipeline(tk.demo_folder())


def noisy(rh=86.0):
    """Air that knows nothing of the mist."""
    climate = climate_of()
    rng = np.random.default_rng(4)
    return climate.assign(rh_pct=(rh + rng.normal(0, 0.4, len(climate))).clip(max=100))


def places(table, check, why=""):
    hit = table[(table["check"] == check) & table["why"].map(lambda m: m.key.endswith(why))]
    return set(zip(hit["chamber"], hit["quantity"], strict=True))


def test_demo_thinned_to_eight_minutes_says_what_it_could_not_see(demo):
    """The planted dead fan of T6 in batch B4 is told each minute, and listed every 8 min."""
    climate, mist = demo.climate.table, demo.mist.table
    minute = climate["time"].dt.minute + 60 * climate["time"].dt.hour
    slow = align(demo.trial, demo.harvest, climate[minute % 8 == 0], mist, plan=demo.plan)
    quick = demo.data

    def dead(data):
        return {f.code for f in data.findings if f.code.startswith("mist_no") and "T6" in f.message}

    assert dead(quick)
    assert not dead(slow)
    runs = slow.unmade[slow.unmade["check"] == "mist"]
    assert "B4 T6" in set(runs["run"])
    assert not len(quick.unmade[quick.unmade["check"] == "mist"])
    assert places(slow.unmade, "step", "apart") == {
        (f"T{i}", q) for i in range(1, 7) for q in ("rh_pct", "temp_c")
    }
    assert not places(quick.unmade, "step")
    assert places(quick.unmade, "other sensor", "alone")
    told = {what: needs for what, _, _, needs in told_unmade(slow.unmade)}
    assert told["lasting jumps of a sensor (humidity)"] == "a reading every 7 min or oftener"
    assert list(slow.unmade.columns) == list(UNMADE_COLUMNS)


@pytest.mark.parametrize(
    ("every", "checks"),
    [
        ("5min", {"other sensor"}),
        ("30min", {"stuck", "spike", "step", "saturated", "dew point", "other sensor"}),
    ],
)
def test_readings_too_far_apart(trial, every, checks):
    whole = climate_of()
    climate = whole[(whole["time"] == whole["time"].dt.floor(every))]
    blank = pd.DataFrame({"window": [], "rh_pct": []})
    chambers = [tally_chamber(climate, max_gap_min=10)]
    found = list_unmade(trial, chambers, blank, None, mist=None)
    about = set(found["check"]) - {"lamp clock", "peer clock", "mist", "slow readings"}
    assert about == checks | {"sensor lag"}


def test_second_sensor_and_shared_days(trial):
    one = climate_of(chambers=("T1",))
    both = pd.concat([one, one.assign(sensor="other", temp_c=np.nan)])
    blank = pd.DataFrame({"window": [], "rh_pct": []})

    def listed(climate):
        chambers = [tally_chamber(climate, max_gap_min=10)]
        found = list_unmade(trial, chambers, blank, None, mist=None)
        return places(found, "other sensor")

    assert listed(one) == {("T1", "rh_pct"), ("T1", "temp_c")}
    assert listed(both) == {("T1", "temp_c")}
    first = one["time"] < one["time"].min() + pd.Timedelta("2D")
    apart = pd.concat([one[first], one[~first].assign(sensor="other")])
    assert listed(apart) == {("T1", "rh_pct"), ("T1", "temp_c")}


def test_mist_that_cannot_be_followed(trial, plan, harvest):
    mist, climate = mist_of(plan), climate_of()
    no_log = align(trial, harvest, climate, None, plan=plan).unmade
    assert places(no_log, "mist", "no_mist_log") == {("", "")}
    dry = align(trial, harvest, climate.drop(columns="temp_c"), mist, plan=plan).unmade
    assert places(dry, "mist", "no_vapour") == {("", "")}
    assert places(dry, "record", "not_recorded") == {("T1", "temp_c"), ("T2", "temp_c")}
    faint = align(trial, harvest, noisy(), mist, plan=plan).unmade
    assert places(faint, "mist", "faint") == {("T1", ""), ("T2", "")}
    assert len(faint[faint["check"] == "mist"]) == 6
    half = align(trial, harvest, climate, mist[mist["chamber"] == "T1"], plan=plan).unmade
    assert places(half, "mist", "no_pulses") == {("T2", "")}
    assert places(half, "slow readings", "no_pulses") == {("T2", "")}
    full = align(trial, harvest, noisy(98.5), mist, plan=plan).unmade
    assert places(full, "mist", "wet") == {("T1", ""), ("T2", "")}


def test_stated_lag_is_not_asked_for(tmp_path, plan, harvest):
    trial = make_trial(tmp_path, TRIAL.replace("[rig]", "[rig]\nsensor_lag_s = 20"))
    got = align(trial, harvest, climate_of(), mist_of(plan), plan=plan).unmade
    assert not places(got, "sensor lag")


def test_without_a_climate_log_no_sensor_was_checked(trial, plan, harvest):
    assert places(align(trial, harvest, plan=plan).unmade, "sensors", "no_log")


def test_said_in_german_too(trial, plan, harvest):
    unmade = align(trial, harvest, climate_of(), None, plan=plan).unmade
    with speaking(language="de"):
        told = told_unmade(unmade)
    assert any("Salzlösungen" in needs for _, _, _, needs in told)


def test_report_folds_them_away_and_says_nothing_where_all_was_checked(trial, plan, harvest):
    unmade = align(trial, harvest, climate_of(), None, plan=plan).unmade
    page = SimpleNamespace(say=read_wording("en"), data=SimpleNamespace(unmade=unmade))
    (fold,) = unmade_checks(page)
    (table,) = fold.parts
    assert fold.title == f"Checks that could not be made ({len(told_unmade(unmade))})"
    assert [str(head) for head in table.heads] == [
        "check", "where", "why not", "what it would need",
    ]  # fmt: skip
    assert len(table.rows) == len(told_unmade(unmade))
    page.data.unmade = unmade.iloc[:0]
    assert unmade_checks(page) == []


def test_a_quantity_that_no_sensor_records_has_none_to_compare():
    """Humidity alone, of one sensor; two sensors with four days in common are enough."""
    time = pd.date_range("2031-03-01 08:00", periods=4, freq="D", tz="UTC")
    one = pd.DataFrame({"chamber": "T1", "sensor": "a", "time": time, "rh_pct": 85.0})
    for log in (one, one.assign(temp_c=np.nan), one.drop(columns="sensor")):
        [row] = _of_other_sensors(log)
        assert (row["check"], row["chamber"], row["quantity"]) == ("other sensor", "T1", "rh_pct")
    two = pd.concat([one, one.assign(sensor="b")])
    assert list(_of_other_sensors(two)) == []
    assert len(list(_of_other_sensors(two[two["time"] < time[3]]))) == 1
