"""Mist that did not happen: planted in a room whose vapour follows a balance."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trialkit.air import saturation_pressure_kpa
from trialkit.signals.mist_response import check_response
from trialkit.signals.vapour import largest_sum

START = pd.Timestamp("2031-03-10 08:00", tz="UTC")
DAYS = 4


def pulses(on_s=20, off_s=220, days=DAYS):
    second = np.arange(0, days * 86400, on_s + off_s)
    return pd.DataFrame(
        {
            "chamber": "T1",
            "start": START + pd.to_timedelta(second, unit="s"),
            "stop": START + pd.to_timedelta(second + on_s, unit="s"),
        }
    )


def room(mist, *, strength=None, days=DAYS, seed=0, noise=0.3, lift=0.045, step_s=60):
    """Vapour by a one-box balance: each pulse adds vapour, air change takes it away.

    `strength(hours)` scales what a pulse gives, over time. The balance is worked out here,
    apart from the package: dv/dt = source − v/τ with τ = 40 min, over the room's own vapour.
    """
    rng = np.random.default_rng(seed)
    tick = 10.0
    t = np.arange(0, days * 86400, tick)
    temp = 15 + 1.2 * np.sin(2 * np.pi * t / 86400)
    source = np.zeros(len(t))
    for start, stop in zip(mist["start"], mist["stop"], strict=True):
        lo = (start - START).total_seconds()
        hi = (stop - START).total_seconds()
        share = 1.0 if strength is None else strength(lo / 3600)
        source[(t >= lo) & (t < hi)] += share * lift / 20.0
    v = np.empty(len(t))
    v[0] = 1.2
    for i in range(1, len(t)):
        v[i] = v[i - 1] + tick * (source[i - 1] - (v[i - 1] - 0.85) / 2400.0)
    rh = np.minimum(100 * v / saturation_pressure_kpa(temp), 100.0)
    every = int(step_s // tick)
    rh = rh[::every] + rng.normal(0, noise, len(rh[::every]))
    return pd.DataFrame(
        {
            "chamber": "T1",
            "time": START + pd.to_timedelta(t[::every], unit="s"),
            "temp_c": temp[::every].round(1),
            "rh_pct": rh.round(1),
        }
    )


def runs(days=DAYS):
    return pd.DataFrame(
        {
            "chamber": ["T1"],
            "run": ["B1 T1"],
            "start": [START],
            "stop": [START + pd.Timedelta(days=days)],
        }
    )


def hours(moment):
    return (moment - START).total_seconds() / 3600


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("off_s", [220, 460])
def test_sound_mist_raises_nothing(seed, off_s):
    mist = pulses(off_s=off_s)
    out = check_response(room(mist, seed=seed), mist, within=runs())
    assert len(out.table) == 0
    assert out.findings == ()
    assert bool(out.runs["judged"].iloc[0])
    assert out.runs["lost_on_s"].iloc[0] == 0


@pytest.mark.parametrize("off_s", [220, 460])
def test_dead_fan_overnight(off_s):
    mist = pulses(off_s=off_s)
    log = room(mist, strength=lambda h: 0.0 if 37 <= h < 46.5 else 1.0)
    out = check_response(log, mist, within=runs())
    assert out.table["fault"].tolist() == ["no response"]
    row = out.table.iloc[0]
    assert hours(row["start"]) == pytest.approx(37, abs=0.3)
    assert hours(row["stop"]) == pytest.approx(46.5, abs=0.3)
    assert abs(row["response_pct"]) < 20
    assert out.runs["lost_on_s"].iloc[0] == pytest.approx(9.5 * 3600 * 20 / (20 + off_s), rel=0.05)
    assert len(out.findings) == 1
    assert "B1 T1: mist was switched on, but the vapour" in str(out.findings[0])


def test_reservoir_that_runs_dry_fades():
    mist = pulses()
    log = room(mist, strength=lambda h: float(np.clip((44 - h) / 6, 0, 1)) if 38 < h < 52 else 1.0)
    out = check_response(log, mist, within=runs(), reservoir_l=12.0)
    assert out.table["fault"].tolist() == ["ran dry"]
    row = out.table.iloc[0]
    assert 39 < hours(row["start"]) < 43
    assert hours(row["stop"]) == pytest.approx(52, abs=0.3)
    assert "it holds 12 L" in str(out.findings[0])


@pytest.mark.parametrize(("after_s", "told"), [(-20, []), (-4 * 3600, ["stuck on"])])
def test_mist_that_is_on_when_a_batch_ends_is_not_on_till_the_next(after_s, told):
    """The controller was unplugged with its last state "on"; the next batch is 12 days later.

    Twenty seconds before the end that is a pulse like all others; four hours before, it is not.
    """
    first = pulses()
    end = START + pd.Timedelta(days=DAYS)
    last = end + pd.Timedelta(seconds=after_s)
    first = first[first["start"] < last]
    late = first[["start", "stop"]] + pd.Timedelta(days=16)
    hung = pd.DataFrame({"chamber": ["T1"], "start": [last], "stop": [late["start"].iloc[0]]})
    mist = pd.concat([first, hung, late.assign(chamber="T1")], ignore_index=True)
    within = pd.DataFrame(
        {
            "chamber": "T1",
            "run": ["B1 T1", "B2 T1"],
            "start": [START, late["start"].iloc[0]],
            "stop": [end, late["stop"].iloc[-1]],
        }
    )
    out = check_response(room(first), mist, within=within)
    found = out.table[out.table["fault"] == "stuck on"]
    assert found["fault"].tolist() == told
    assert (found["stop"] <= end).all()


def test_relay_stuck_on_in_a_log_of_its_state():
    mist = pulses()
    mist.loc[300, "stop"] = mist.loc[300, "start"] + pd.Timedelta(hours=2)
    mist = mist.drop(index=range(301, 330))
    out = check_response(room(mist), mist, within=runs())
    assert "stuck on" in out.table["fault"].tolist()
    row = out.table[out.table["fault"] == "stuck on"].iloc[0]
    assert row["hours"] == pytest.approx(2.0)
    assert "no mist" not in out.table["fault"].tolist()


def test_relay_stuck_on_in_a_log_of_commands():
    """The log shows pulses as ever, but the air stays wet and answers none of them."""
    mist = pulses()
    real = mist.copy()
    stuck = (real["start"] >= START + pd.Timedelta(hours=40)) & (
        real["start"] < START + pd.Timedelta(hours=45)
    )
    real.loc[stuck, "stop"] = real.loc[stuck, "start"] + pd.Timedelta(seconds=240)
    out = check_response(room(real), mist, within=runs())
    assert out.table["fault"].tolist() == ["wet all the time"]
    assert hours(out.table["start"].iloc[0]) == pytest.approx(40.3, abs=0.6)


def test_no_pulses_for_hours_are_told():
    mist = pulses()
    gap = (mist["start"] > START + pd.Timedelta(hours=30)) & (
        mist["start"] < START + pd.Timedelta(hours=36)
    )
    out = check_response(room(mist[~gap]), mist[~gap], within=runs())
    assert out.table["fault"].tolist() == ["no mist"]
    assert out.table["hours"].iloc[0] == pytest.approx(6, abs=0.1)


@pytest.mark.parametrize("shift", [-1, 1])
def test_clock_that_is_an_hour_off_is_not_taken_for_a_dead_fan(shift):
    """Pulses of a band controller come irregularly, so an hour's shift destroys the answer."""
    rng = np.random.default_rng(8)
    second = np.cumsum(rng.uniform(150, 600, 1200))
    second = second[second < DAYS * 86400]
    mist = pd.DataFrame(
        {
            "chamber": "T1",
            "start": START + pd.to_timedelta(second, unit="s"),
            "stop": START + pd.to_timedelta(second + 20, unit="s"),
        }
    )
    log = room(mist)
    late = log["time"] > START + pd.Timedelta(hours=50)
    lost = ~late & (log["time"] > START + pd.Timedelta(hours=50 + min(shift, 0)))
    log.loc[late, "time"] += pd.Timedelta(hours=shift)
    log = log[~lost]
    out = check_response(log, mist, within=runs())
    assert set(out.table["fault"]) == {"clock"}
    assert {cell.values["hours"] for cell in out.table["detail"]} == {-shift}


def test_weak_response_is_not_judged():
    mist = pulses()
    out = check_response(room(mist, lift=0.0005), mist, within=runs())
    assert not out.runs["judged"].iloc[0]
    assert len(out.table) == 0


def test_log_with_holes_or_none_is_not_judged():
    mist = pulses()
    log = room(mist)
    empty = check_response(log.iloc[:0], mist, within=runs())
    assert len(empty.table) == 0
    holes = log.assign(rh_pct=log["rh_pct"].where(np.arange(len(log)) % 1000 < 700))
    assert len(check_response(holes, mist, within=runs()).table) == 0


def test_order_and_doubled_rows_change_nothing():
    mist = pulses()
    log = room(mist, strength=lambda h: 0.0 if 37 <= h < 46.5 else 1.0)
    want = check_response(log, mist, within=runs()).table
    doubled = pd.concat([log, log.iloc[1000:3000]]).sample(frac=1, random_state=1)
    got = check_response(doubled, mist.sample(frac=1, random_state=2), within=runs()).table
    pd.testing.assert_frame_equal(want, got)


@given(st.lists(st.integers(-9, 9), min_size=1, max_size=12))
@settings(max_examples=100, deadline=None)
def test_largest_sum_equals_trying_all(values):
    array = np.array(values, dtype=float)
    first, last = largest_sum(array)
    every = (sum(values[a:b]) for a, b in itertools.combinations(range(len(values) + 1), 2))
    assert array[first:last].sum() == max(every)


def test_sensors_that_disagree_are_averaged_pulse_by_pulse():
    """A second sensor reading 8 % lower must not be taken for vapour that comes and goes."""
    mist = pulses()
    dead = {"strength": lambda h: 0.0 if 37 <= h < 46.5 else 1.0}
    one = room(mist, **dead).assign(sensor="a")
    two = room(mist, seed=1, **dead).assign(sensor="b")
    two["rh_pct"] -= 8.0
    two["time"] += pd.Timedelta(seconds=17)
    out = check_response(pd.concat([one, two]), mist, within=runs())
    assert out.table["fault"].tolist() == ["no response"]
    assert hours(out.table["start"].iloc[0]) == pytest.approx(37, abs=0.3)
    alone = [
        check_response(log, mist, within=runs()).runs["response_kpa"].iloc[0] for log in (one, two)
    ]
    assert out.runs["response_kpa"].iloc[0] == pytest.approx(np.mean(alone), rel=0.05)
