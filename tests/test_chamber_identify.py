"""Rooms found back from logs made with known constants, with and without noise."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest

from trialkit import air
from trialkit.chamber import (
    ChamberError,
    Room,
    find_holding_setting,
    identify_room,
    simulate,
)
from trialkit.chamber.course import predict_readings
from trialkit.chamber.log_course import prepare_course
from trialkit.chamber.roomfit import _order_rates, fit_course

START = pd.Timestamp("2031-03-01 06:00", tz="UTC")
TENT = Room(volume_m3=2.0, air_changes_h=4.0, mist_l_h=0.3, sensor_lag_s=30.0)
TRUTH = {"air_changes_h": 4.0, "mist_g_m3_h": 0.3 * 998.2 / 2, "lag_s": 30.0}


def make_log(room, *, on_s=120, off_s=1080, hours=2.0, step_s=10.0, noise=None, chamber=None):
    """Simulate a chamber's log and its mist intervals; noise is one array of % RH."""
    trace = simulate(room, {"on_s": on_s, "off_s": off_s}, hours, step_s=step_s).trace
    rh = trace["sensor_rh_pct"].to_numpy()
    log = pd.DataFrame(
        {
            "time": START + pd.to_timedelta(trace["time_s"], unit="s"),
            "temp_c": trace["temp_c"],
            "rh_pct": rh if noise is None else rh + noise(len(rh)),
        }
    )
    begin = START + pd.to_timedelta(np.arange(0, hours * 3600, on_s + off_s), unit="s")
    mist = pd.DataFrame({"start": begin, "stop": begin + pd.Timedelta(on_s, "s")})
    if chamber is not None:
        log["chamber"] = mist["chamber"] = chamber
    return log, mist


def white(seed, sd=0.3):
    rng = np.random.default_rng(seed)
    return lambda n: rng.normal(0, sd, n)


def correlated(seed, sd=0.3, r=0.7):
    rng = np.random.default_rng(seed)

    def draw(n):
        out = np.empty(n)
        out[0] = rng.normal(0, sd)
        steps = rng.normal(0, sd * np.sqrt(1 - r * r), n)
        for k in range(1, n):
            out[k] = r * out[k - 1] + steps[k]
        return out

    return draw


@pytest.mark.parametrize(
    ("room", "constants"),
    [
        (TENT.change(cooling=False), TRUTH),
        (TENT, TRUTH),
        (
            TENT.change(air_changes_h=1.5, evaporating_fraction=0.5, sensor_lag_s=90.0),
            {"air_changes_h": 1.5, "mist_g_m3_h": 0.15 * 998.2 / 2, "lag_s": 90.0},
        ),
    ],
)
def test_constants_come_back_from_a_clean_log(room, constants):
    log, mist = make_log(room, hours=3.0)
    found = identify_room(log, mist).table.iloc[0]
    for name, value in constants.items():
        assert found[name] == pytest.approx(value, rel=1e-3 if not room.cooling else 0.02)
    outside = air.absolute_humidity_g_m3(20.0, 50.0)
    assert found["outside_g_m3"] == pytest.approx(outside, rel=2e-3)
    assert found["r2"] > 0.9999


def test_the_model_of_the_fit_is_that_of_the_simulation():
    """Without cooling the backward model must repeat the forward one."""
    room = TENT.change(cooling=False)
    log, mist = make_log(room, hours=3.0, step_s=7.0)
    course = prepare_course(log, mist)
    outside = air.absolute_humidity_g_m3(20.0, 50.0)
    told = predict_readings(
        course, n_h=4.0, mist_g_m3_h=TRUTH["mist_g_m3_h"], lag_s=30.0, outside=outside,
        first=outside,
    )  # fmt: skip
    assert told == pytest.approx(log["rh_pct"].to_numpy(), abs=1e-6)


def test_saturating_pulses_are_followed():
    room = TENT.change(air_changes_h=1.5, mist_l_h=1.0)
    log, mist = make_log(room, on_s=60, off_s=1740, hours=4.0, noise=white(4))
    assert (log["rh_pct"] > 98).any()
    result = identify_room(log, mist)
    found = result.table.iloc[0]
    assert found["air_changes_h"] == pytest.approx(1.5, rel=0.05)
    assert np.isnan(found["mist_g_m3_h"])  # only how long fog lasts would tell it
    assert any("hides how much mist there was" in str(f) for f in result.findings)


def test_noise_does_not_bias_and_intervals_are_about_right():
    inside = dict.fromkeys(TRUTH, 0)
    ratios = []
    for seed in range(12):
        log, mist = make_log(TENT.change(cooling=False), noise=white(seed))
        found = identify_room(log, mist).table.iloc[0]
        ratios.append([found[name] / value for name, value in TRUTH.items()])
        for name, value in TRUTH.items():
            inside[name] += found[f"{name}_low"] <= value <= found[f"{name}_high"]
    assert np.mean(ratios, axis=0) == pytest.approx(1.0, abs=0.01)
    # fewer than 8 of 12 has a chance below 0.001 if each interval covers 95 %
    assert min(inside.values()) >= 8


@pytest.mark.slow
@pytest.mark.parametrize(("noise", "least"), [(white, 0.92), (correlated, 0.90)])
def test_interval_coverage(noise, least):
    """95 % intervals over 200 logs of the model's own equations, within Monte-Carlo error."""
    logs = [make_log(TENT.change(cooling=False), noise=noise(1000 + seed)) for seed in range(200)]
    shares = covered(logs)
    assert shares.min() >= least
    # limits of the mist allow for a thermometer's error, which these logs do not have
    assert shares[[0, 2]].max() <= 0.995


def covered(logs):
    """Give the share of logs whose limits hold the truth, for each constant."""
    inside = dict.fromkeys(TRUTH, 0)
    for log, mist in logs:
        found = identify_room(log, mist).table.iloc[0]
        for name, value in TRUTH.items():
            inside[name] += found[f"{name}_low"] <= value <= found[f"{name}_high"]
    return np.array(list(inside.values())) / len(logs)


def test_correlated_noise_widens_the_intervals():
    widths = []
    for noise in (white(1), correlated(1)):
        log, mist = make_log(TENT.change(cooling=False), noise=noise)
        row = identify_room(log, mist).table.iloc[0]
        widths.append(row["air_changes_h_high"] / row["air_changes_h_low"] - 1)
    assert widths[1] > 1.2 * widths[0]


def test_known_outside_air_narrows_the_estimate():
    log, mist = make_log(TENT.change(cooling=False), noise=white(3))
    outside = float(air.absolute_humidity_g_m3(20.0, 50.0))
    free = identify_room(log, mist).table.iloc[0]
    told = identify_room(log, mist, outside_g_m3=outside).table.iloc[0]
    assert told["outside_g_m3"] == outside
    ratio = (told["air_changes_h_high"] - told["air_changes_h_low"]) / (
        free["air_changes_h_high"] - free["air_changes_h_low"]
    )
    assert ratio < 0.9


def test_chambers_that_differ_are_shown():
    parts = []
    for k, name in enumerate(["T1", "T2", "T3", "T4"]):
        leaky = 7.0 if name == "T3" else 4.0
        room = TENT.change(cooling=False, air_changes_h=leaky)
        parts.append(make_log(room, noise=white(50 + k), chamber=name))
    log = pd.concat([part[0] for part in parts], ignore_index=True).sample(frac=1, random_state=1)
    mist = pd.concat([part[1] for part in parts], ignore_index=True)
    result = identify_room(log, mist)
    odd = result.differences[result.differences["differs"]]
    assert odd[["constant", "chamber"]].values.tolist() == [["air_changes_h", "T3"]]
    assert odd["ratio"].iloc[0] == pytest.approx(7 / 4, rel=0.03)
    assert "T3 differs from the other chambers in air changes" in result.sentences[0]
    assert list(result.table["chamber"]) == ["T1", "T2", "T3", "T4"]
    assert result.soundest in result.fits
    assert len(result.fitted) == len(log)
    assert "T3" in str(result)
    assert "<table" in result._repr_html_()
    alike = identify_room(log[log["chamber"] != "T3"], mist)
    assert alike.sentences == ("No chamber is shown to differ from the others.",)


def test_a_chamber_whose_log_is_in_doubt_is_told_and_not_compared():
    """T1 stands in full air most of the time; T2 and T3 are alike, and so compared."""
    wet = TENT.change(mist_l_h=0.8, air_changes_h=1.5)
    parts = [make_log(wet, on_s=60, off_s=900, chamber="T1")]
    parts += [make_log(TENT, noise=white(60 + k), chamber=f"T{k}") for k in (2, 3)]
    log, mist = (pd.concat(part, ignore_index=True) for part in zip(*parts, strict=True))
    found = identify_room(log, mist)
    assert set(found.differences["chamber"]) == {"T2", "T3"}
    told = [f for f in found.findings if f.code == "not_compared"]
    assert [f.said.values["chambers"] for f in told] == [["T1"]]
    sound = identify_room(log[log["chamber"] != "T1"], mist[mist["chamber"] != "T1"])
    assert "not_compared" not in {f.code for f in sound.findings}
    alone = identify_room(log[log["chamber"] == "T1"], mist[mist["chamber"] == "T1"])
    assert "not_compared" not in {f.code for f in alone.findings}  # there is no other


def test_two_hours_of_commissioning_give_the_timer_that_holds_the_band():
    truth = TENT.change(evaporating_fraction=0.8, room_rh_pct=60.0)
    log, mist = make_log(truth, noise=white(9))
    guess = TENT.change(air_changes_h=1.0, room_rh_pct=40.0)  # what the label and a guess say
    room = identify_room(log, mist).room("chamber", guess)
    assert room.air_changes_h == pytest.approx(4.0, rel=0.05)
    assert room.evaporating_fraction == pytest.approx(0.8, rel=0.03)
    assert room.room_rh_pct == pytest.approx(60.0, abs=1.0)
    held = find_holding_setting(room, low_rh=85, high_rh=95, cycles_s=[180, 300])
    assert held.setting is not None
    really = simulate(truth, held.setting)
    assert really.low_rh_pct == pytest.approx(85, abs=1.5)
    assert really.high_rh_pct < 95


def test_inputs_are_not_changed_and_gaps_and_order_do_not_matter():
    log, mist = make_log(TENT.change(cooling=False), noise=white(5))
    log.loc[100:130, "rh_pct"] = np.nan
    kept_log, kept_mist = log.copy(), mist.copy()
    first = identify_room(log, mist).table
    shuffled = identify_room(
        log.sample(frac=1, random_state=2), mist.sample(frac=1, random_state=3)
    ).table
    pd.testing.assert_frame_equal(first, shuffled)
    pd.testing.assert_frame_equal(log, kept_log)
    pd.testing.assert_frame_equal(mist, kept_mist)
    moved = log.assign(time=log["time"].dt.tz_convert("Asia/Tokyo"))
    pd.testing.assert_frame_equal(first, identify_room(moved, mist).table)
    split = pd.DataFrame(
        {
            "start": [*mist["start"], *(mist["start"] + pd.Timedelta("50s"))],
            "stop": [*(mist["start"] + pd.Timedelta("70s")), *mist["stop"]],
        }
    )
    pd.testing.assert_frame_equal(first, identify_room(log, split).table)


def test_incoming_air_may_drift_over_the_day():
    """A room whose humidity swings through the day must not be taken for slow air exchange."""
    logs, spells, now, state = [], [], START, None
    for hour in range(12):
        room = TENT.change(cooling=False, room_rh_pct=50 + 12 * np.sin(hour / 24 * 2 * np.pi))
        rh = room.room_rh_pct if state is None else state
        trace = simulate(room, {"on_s": 60, "off_s": 690}, 1.0, start_rh_pct=rh, step_s=30.0).trace
        state = trace["rh_pct"].iloc[-1]
        logs.append(
            pd.DataFrame(
                {
                    "time": now + pd.to_timedelta(trace["time_s"].iloc[:-1], unit="s"),
                    "temp_c": 20.0,
                    "rh_pct": trace["rh_pct"].iloc[:-1],
                }
            )
        )
        begin = now + pd.to_timedelta(np.arange(0, 3600, 750), unit="s")
        stop = np.minimum(begin + pd.Timedelta("60s"), now + pd.Timedelta("1h"))
        spells.append(pd.DataFrame({"start": begin, "stop": stop}))
        now += pd.Timedelta("1h")
    log, mist = pd.concat(logs, ignore_index=True), pd.concat(spells, ignore_index=True)
    log["rh_pct"] += white(3, sd=0.2)(len(log))
    drifting = identify_room(log, mist).table.iloc[0]
    fixed = identify_room(log, mist, drift_h=1000.0).table.iloc[0]
    assert drifting["air_changes_h"] == pytest.approx(4.0, rel=0.12)
    assert drifting["mist_g_m3_h"] == pytest.approx(TRUTH["mist_g_m3_h"], rel=0.02)
    assert np.isnan(fixed["air_changes_h"])  # one incoming air for all day: not determined
    assert drifting["residual_sd_pct"] < 0.7 * fixed["residual_sd_pct"]


def test_clocks_that_disagree_are_found():
    log, mist = make_log(TENT.change(cooling=False), noise=white(8))
    result = identify_room(log.assign(time=log["time"] + pd.Timedelta("95s")), mist)
    row = result.table.iloc[0]
    assert row["delay_s"] == pytest.approx(95, abs=3)
    assert row["air_changes_h"] == pytest.approx(4.0, rel=0.05)
    assert "clocks_disagree" in {finding.code for finding in result.findings}
    right = identify_room(log, mist)
    assert right.table["delay_s_low"].iloc[0] <= 0 <= right.table["delay_s_high"].iloc[0]
    assert "clocks_disagree" not in {finding.code for finding in right.findings}


def test_rows_are_accounted_for_and_sensors_kept_apart():
    log, mist = make_log(TENT.change(cooling=False), noise=white(5))
    log.loc[100:130, "rh_pct"] = np.nan
    log.loc[200, "rh_pct"] = 300.0
    twice = pd.concat([log, log.iloc[300:310]], ignore_index=True)
    messages = [f.message for f in identify_room(twice, mist).findings]
    assert any(m.startswith("32 rows") for m in messages)
    assert any(m.startswith("10 rows") for m in messages)
    slow, _ = make_log(TENT.change(cooling=False, sensor_lag_s=90.0), noise=white(6))
    both = pd.concat([log.assign(sensor="s1"), slow.assign(sensor="s2")]).assign(chamber="T1")
    table = identify_room(both, mist.assign(chamber="T1")).table.set_index("chamber")
    assert table.loc["T1 s1", "lag_s"] == pytest.approx(30, rel=0.06)
    assert table.loc["T1 s2", "lag_s"] == pytest.approx(90, rel=0.06)


def test_doubt_is_said():
    log, mist = make_log(TENT.change(mist_l_h=0.8, air_changes_h=1.5), on_s=60, off_s=900)
    codes = {finding.code for finding in identify_room(log, mist).findings}
    assert "log_saturated" in codes
    log, mist = make_log(TENT, noise=white(1))
    other = mist.assign(
        start=mist["start"] + pd.Timedelta("11min"), stop=mist["stop"] + pd.Timedelta("11min")
    )
    codes = {finding.code for finding in identify_room(log, other).findings}
    assert "poor_fit" in codes or "rate_uncertain" in codes
    slow, mist = make_log(TENT, on_s=20, off_s=220, hours=12.0, step_s=60.0, noise=white(2))
    assert identify_room(slow, mist).fits["chamber"].why_not  # a minute apart, cycles of four
    log, mist = make_log(TENT.change(surface_m2=1.0, evaporating_fraction=0.5, mist_l_h=0.6))
    assert "correlated_residuals" in {f.code for f in identify_room(log, mist).findings}


@pytest.mark.parametrize(
    ("on_s", "off_s", "hours", "step_s"),
    [(20, 220, 6, 60), (20, 220, 6, 300), (20, 220, 6, 600), (120, 1080, 24, 3600)],
)
def test_logs_too_coarse_are_told_once_and_give_no_number(on_s, off_s, hours, step_s):
    """One caution that names why and which log would do; no advice that leans on such a fit."""
    log, mist = make_log(
        TENT, on_s=on_s, off_s=off_s, hours=float(hours), step_s=float(step_s), noise=white(2)
    )
    result = identify_room(log, mist, empty=False)
    assert result.table[["air_changes_h", "mist_g_m3_h", "lag_s"]].isna().all(axis=None)
    said = [f.code for f in result.findings]
    assert said.count("rate_uncertain") == 1
    assert not {"few_moments", "lag_rough", "clocks_disagree"} & set(said)
    assert "10 to 30 s" in result.findings[-1].remedy


def test_what_cannot_be_used_is_refused():
    log, mist = make_log(TENT)
    with pytest.raises(ChamberError, match="lacks temp_c"):
        identify_room(log.drop(columns="temp_c"), mist)
    with pytest.raises(ChamberError, match="12 usable readings"):
        identify_room(log.head(12), mist)
    with pytest.raises(ChamberError, match="no mist within the log"):
        identify_room(
            log,
            mist.assign(
                start=mist["start"] - pd.Timedelta("9D"), stop=mist["stop"] - pd.Timedelta("9D")
            ),
        )
    flat = log.assign(rh_pct=80.0)
    with pytest.raises(ChamberError, match="too little to learn from"):
        identify_room(flat, mist)
    with pytest.raises(ChamberError, match="names chambers"):
        identify_room(log.assign(chamber="T1"), mist)
    with pytest.raises(ChamberError, match="no chamber 'T9'"):
        identify_room(log, mist).room("T9", TENT)
    two = pd.concat([log.assign(chamber="T1"), flat.assign(chamber="T2")])
    both = pd.concat([mist.assign(chamber="T1"), mist.assign(chamber="T2")])
    result = identify_room(two, both)
    assert list(result.table["chamber"]) == ["T1"]
    assert result.soundest == "T1"
    assert any(f.code == "not_identified" and "T2" in f.message for f in result.findings)


def test_a_sensor_slower_than_the_air_is_named_as_such_only_by_order():
    """The two rates can change places; the slower one is called air exchange."""
    room = TENT.change(cooling=False, air_changes_h=20.0, sensor_lag_s=600.0)
    log, mist = make_log(room, hours=4.0)
    fit = fit_course(prepare_course(log, mist))
    found = fit.estimates["estimate"]
    assert found["air_changes_h"] == pytest.approx(3600 / 600, rel=0.01)
    assert found["lag_s"] == pytest.approx(3600 / 20, rel=0.01)
    assert found["mist_g_m3_h"] / found["air_changes_h"] == pytest.approx(
        TRUTH["mist_g_m3_h"] / 20.0, rel=0.01
    )


def test_rates_that_change_places_leave_the_readings_alone():
    log, mist = make_log(TENT.change(cooling=False))
    course = prepare_course(log, mist)
    rows = {
        "air_changes_h": {"estimate": 120.0, "se": 12.0, "low": 100.0, "high": 144.0},
        "lag_s": {"estimate": 900.0, "se": 9.0, "low": 880.0, "high": 920.0},
        "mist_g_m3_h": {"estimate": 450.0, "se": 4.5, "low": 440.0, "high": 460.0},
    }
    log_se = {"air_changes_h": 0.1, "lag_s": 0.01, "mist_g_m3_h": 0.01}
    before = {name: row["estimate"] for name, row in rows.items()}
    _order_rates(rows, log_se)
    after = {name: row["estimate"] for name, row in rows.items()}
    assert after == pytest.approx({"air_changes_h": 4.0, "lag_s": 30.0, "mist_g_m3_h": 15.0})
    assert rows["air_changes_h"]["low"] < 4.0 < rows["air_changes_h"]["high"]
    assert log_se == {"air_changes_h": 0.01, "lag_s": 0.1, "mist_g_m3_h": 0.01}
    same = {"outside": 8.6, "first": 8.6}
    told = [
        predict_readings(
            course, n_h=v["air_changes_h"], lag_s=v["lag_s"], mist_g_m3_h=v["mist_g_m3_h"], **same
        )
        for v in (before, after)
    ]
    assert told[0] == pytest.approx(told[1], abs=1e-9)


def test_what_a_log_does_not_tell_has_no_numbers_but_a_reason():
    log, mist = make_log(TENT, hours=24.0, step_s=600.0, noise=white(2))
    found = identify_room(log, mist)
    row = found.table.iloc[0]
    for name in TRUTH:
        assert np.isnan([row[name], row[f"{name}_low"], row[f"{name}_high"]]).all()
    assert "not determined" in str(found)
    told = "because the readings fall on the same few moments"
    assert any(told in str(finding) for finding in found.findings)
    with pytest.raises(ChamberError, match="does not determine air_changes_h, mist_g_m3_h"):
        found.room("chamber", TENT)


def test_the_label_bounds_what_the_mist_can_give():
    """Pulses that fill the air say little of their strength; the rating bounds it."""
    truth = TENT.change(mist_l_h=2.0, air_changes_h=4.0)
    log, mist = make_log(truth, on_s=60, off_s=1740, hours=4.0, noise=white(4))
    row = identify_room(log, mist, like=truth).table.iloc[0]
    rated = 2.0 * 998.2 / 2
    if np.isfinite(row["mist_g_m3_h"]):
        assert row["mist_g_m3_h"] <= 1.5 * rated * 1.001
    tight = identify_room(log, mist, like=truth.change(mist_l_h=0.4))  # a wrong label
    assert np.isnan(tight.table["mist_g_m3_h"].iloc[0])
    assert any("label" in str(f) for f in tight.findings)


def test_a_log_that_begins_in_mist_is_fitted_from_where_the_air_first_dries():
    log, mist = make_log(TENT.change(cooling=False), noise=white(8))
    late = log.iloc[6:].copy()  # begins in the middle of the first pulse, the sensor behind
    row = identify_room(late, mist).table.iloc[0]
    assert row["air_changes_h"] == pytest.approx(4.0, rel=0.03)
    assert row["lag_s"] == pytest.approx(30.0, rel=0.06)


def test_a_slow_thermometer_is_seen_through():
    """A first-order lag of 120 s on the temperature, put on by hand."""
    log, mist = make_log(TENT, hours=3.0, noise=white(3))
    slow, temps = [log["temp_c"].iloc[0]], log["temp_c"].to_numpy()
    for before, now in itertools.pairwise(temps):
        slow.append(slow[-1] + ((before + now) / 2 - slow[-1]) * (1 - np.exp(-10 / 120)))
    found = identify_room(log.assign(temp_c=slow), mist)
    row = found.table.iloc[0]
    assert row["air_changes_h"] == pytest.approx(4.0, rel=0.03)
    assert row["mist_g_m3_h"] == pytest.approx(TRUTH["mist_g_m3_h"], rel=0.015)
    assert any("thermometer lags" in str(f) for f in found.findings)


def test_wet_crop_of_the_test_is_not_counted_twice():
    log, mist = make_log(TENT.change(crop_m2=0.5), noise=white(3))
    room = identify_room(log, mist, empty=False).room("chamber", TENT.change(crop_m2=0.5))
    assert room.crop_m2 == 0.0
    assert room.air_changes_h > 4.2


def test_full_air_that_a_slow_sensor_does_not_show_is_noticed():
    """The air fills, a sensor of 90 s reads 96 % at most: the limits hold the truth even so."""
    room = Room(volume_m3=2.0, air_changes_h=1.5, mist_l_h=0.276, room_temp_c=18.0,
                room_rh_pct=50.0, sensor_lag_s=90.0)  # fmt: skip
    log, mist = make_log(room, off_s=2280, hours=4.0, noise=white(5))
    course = simulate(room, {"on_s": 120, "off_s": 2280}, 4.0).trace
    assert course["rh_pct"].max() > 99.9
    assert log["rh_pct"].max() < 97
    found = identify_room(log, mist)
    row = found.table.iloc[0]
    assert row["air_changes_h"] == pytest.approx(1.5, rel=0.03)
    assert row["mist_g_m3_h_low"] <= 0.276 * 998.2 / 2 <= row["mist_g_m3_h_high"]
    assert np.isnan(row["lag_s"])
    assert any("filled with fog" in str(f) for f in found.findings)


@pytest.mark.parametrize("step", [310, 610])
def test_logs_too_coarse_say_so_and_print_no_numbers_without_end(step):
    """Readings every 5 or 10 min cannot follow 20 s of mist every 4 min, regular or not."""
    import re

    room = Room(volume_m3=2.0, air_changes_h=4.0, mist_l_h=0.3, cooling=False)
    trace = simulate(room, {"on_s": 20, "off_s": 220}, 6.0).trace
    start, seconds = pd.Timestamp("2031-03-01", tz="UTC"), trace["time_s"].to_numpy()
    rng = np.random.default_rng(2)
    wanted = np.arange(0, 6 * 3600, step)
    at = np.unique(np.searchsorted(seconds, wanted + rng.uniform(0, 15, len(wanted))))
    at = at[at < len(seconds)]
    rh = trace["sensor_rh_pct"].to_numpy()[at] + rng.normal(0, 0.3, len(at))
    times = start + pd.to_timedelta(seconds[at], unit="s")
    climate = pd.DataFrame({"time": times, "temp_c": 15.0, "rh_pct": rh.round(1)})
    on = start + pd.to_timedelta(np.arange(0, 6 * 3600, 240), unit="s")
    mist = pd.DataFrame({"start": on, "stop": on + pd.Timedelta("20s")})
    said = str(identify_room(climate, mist))
    assert "not determined" in said
    assert not re.search(r"e[+-]\d|\d{5,}", said)
