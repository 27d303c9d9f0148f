"""Sensor faults planted one by one, and quiet on sound logs; salt calibration."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from trialkit.air import vpd_kpa, vpd_uncertainty_kpa
from trialkit.errors import LogError
from trialkit.signals import faults
from trialkit.signals.calibration import (
    calibrate_sensors,
    find_correction,
)
from trialkit.signals.salts import POLYNOMIALS, salt_rh_pct, salt_u_pct
from trialkit.signals.sensors import flag_sensors, leave_out
from trialkit.trial.sections import Calibration

START = pd.Timestamp("2031-01-13 08:00", tz="UTC")


def sound_log(days=6, *, chamber="T1", sensor="s1", seed=0, step_s=60, rh_step=0.1):
    """Make a room with day and night, mist every four minutes and a sensor with some noise."""
    rng = np.random.default_rng(seed)
    second = np.arange(0, days * 86400, step_s)
    day = 2 * np.pi * second / 86400
    temp = 15 + 1.5 * np.sin(day) + rng.normal(0, 0.05, len(second))
    mist = 3.0 * np.exp(-((second % 240) / 120.0))
    rh = 86 - 2.5 * np.sin(day) + mist + rng.normal(0, 0.3, len(second))
    return pd.DataFrame(
        {
            "chamber": chamber,
            "sensor": sensor,
            "time": START + pd.to_timedelta(second, unit="s"),
            "temp_c": temp.round(1),
            "rh_pct": (rh / rh_step).round() * rh_step,
        }
    )


def flags_of(log, **kwargs):
    return flag_sensors(log, **kwargs).table


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(("step_s", "rh_step"), [(60, 0.1), (10, 0.1), (300, 1.0), (600, 0.5)])
def test_sound_log_raises_nothing(seed, step_s, rh_step):
    log = sound_log(seed=seed, step_s=step_s, rh_step=rh_step)
    out = flag_sensors(log, max_gap_min=25)
    assert len(out.table) == 0
    assert out.findings == ()


def test_stuck_at_100_is_named_once_and_left_out():
    log = sound_log()
    stuck = slice(3000, 5000)
    log.loc[log.index[stuck], "rh_pct"] = 100.0
    out = flag_sensors(log)
    assert out.table[["quantity", "flag", "records"]].to_numpy().tolist() == [
        ["rh_pct", "stuck", 2000]
    ]
    assert len(out.findings) == 1
    assert "T1, sensor s1: the humidity sensor shows 100 % without any change" in str(
        out.findings[0]
    )
    cleaned = leave_out(log, out)
    assert cleaned["rh_pct"].isna().to_numpy().nonzero()[0].tolist() == list(range(3000, 5000))
    assert cleaned["temp_c"].notna().all()
    assert log["rh_pct"].notna().all()  # the log itself is not touched


def test_wet_sensor_that_wanders_near_100_is_saturated():
    log = sound_log()
    rng = np.random.default_rng(1)
    log.loc[log.index[2000:2300], "rh_pct"] = rng.uniform(99.5, 100.5, 300).round(1)
    table = flags_of(log)
    assert table["flag"].tolist() == ["saturated"]
    assert table["hours"].iloc[0] == pytest.approx(299 / 60, abs=0.01)
    short = flags_of(log.iloc[:2100])  # an hour and a half of fog is used
    assert "left out" not in set(short["action"])


def test_stuck_needs_more_than_a_coarse_sensor():
    """A sensor of 1 % steps in a steady room stays on one value for hours; that is no fault."""
    log = sound_log(step_s=60, rh_step=1.0).assign(temp_c=15.0)
    rng = np.random.default_rng(5)
    calm = 88 + (np.cumsum(rng.random(len(log)) < 0.006) % 2)
    log["rh_pct"] = calm.astype(float)
    log["temp_c"] = sound_log()["temp_c"]
    assert "rh_pct" not in flags_of(log)["quantity"].tolist()


def test_spikes_are_found_one_by_one():
    log = sound_log()
    for at in (500, 1500, 4000):
        log.loc[log.index[at], "rh_pct"] = 20.0
    log.loc[log.index[2500], "temp_c"] = 85.0 / 2
    out = flag_sensors(log)
    spikes = out.table[out.table["flag"] == "spike"]
    assert spikes.groupby("quantity").size().to_dict() == {"rh_pct": 3, "temp_c": 1}
    assert set(out.table["flag"]) == {"spike"}
    assert leave_out(log, out)["rh_pct"].isna().sum() == 3


def test_step_that_lasts_is_told_and_kept():
    log = sound_log()
    log.loc[log.index[4000:], "rh_pct"] -= 15.0
    out = flag_sensors(log)
    assert out.table[["quantity", "flag", "action"]].to_numpy().tolist() == [
        ["rh_pct", "step", "kept"]
    ]
    assert out.table["start"].iloc[0] == log["time"].iloc[3999]
    assert leave_out(log, out) is log


def test_readings_no_room_has_are_left_out():
    log = sound_log()
    log.loc[log.index[100:160], "temp_c"] = -40.0
    log.loc[log.index[700:720], "rh_pct"] = 0.0
    table = flags_of(log)
    assert sorted(table["flag"] + " " + table["quantity"]) == [
        "out of range rh_pct",
        "out of range temp_c",
    ]
    assert table["records"].tolist() == [60, 20]


def test_temperature_that_jumps_without_an_answer_of_the_humidity():
    """The dew point may not jump with the temperature: +5 °C at 87 % adds 4.8 °C of dew point."""
    log = sound_log()
    log.loc[log.index[3000:3010], "temp_c"] += 5.0
    table = flags_of(log)
    assert set(table["flag"]) == {"dew point jump"}
    assert table["start"].min() == log["time"].iloc[2999]


def test_air_that_warms_without_vapour_is_no_fault():
    """A heater: the humidity falls as it must and the dew point stays."""
    from trialkit.air import dew_point_c, rh_from_dew_point

    log = sound_log()
    rows = log.index[3000:3100]
    dew = dew_point_c(log.loc[rows, "temp_c"], log.loc[rows, "rh_pct"])
    log.loc[rows, "temp_c"] += 5.0
    log.loc[rows, "rh_pct"] = rh_from_dew_point(log.loc[rows, "temp_c"], dew)
    assert "dew point jump" not in set(flags_of(log)["flag"])


def test_gaps_are_told_inside_runs_only():
    log = sound_log()
    log = log.drop(index=log.index[1000:1300])
    runs = pd.DataFrame(
        {"chamber": ["T1"], "run": ["B1 T1"], "start": [START], "stop": [log["time"].max()]}
    )
    out = flag_sensors(log, within=runs)
    assert out.table[["flag", "run"]].to_numpy().tolist() == [["gap", "B1 T1"]]
    assert out.table["hours"].iloc[0] == pytest.approx(301 / 60, abs=0.01)
    assert "3 % of B1 T1" in str(out.findings[0])
    before = runs.assign(stop=START + pd.Timedelta(hours=10))
    assert len(flags_of(log, within=before)) == 0


def test_logger_that_died_early_is_a_gap_to_the_end_of_the_run():
    log = sound_log()
    runs = pd.DataFrame(
        {
            "chamber": ["T1"],
            "run": ["B1 T1"],
            "start": [START],
            "stop": [START + pd.Timedelta(days=8)],
        }
    )
    table = flags_of(log, within=runs)
    assert table["flag"].tolist() == ["gap"]
    assert table["share_pct"].iloc[0] == pytest.approx(25, abs=0.1)


def test_drift_against_a_second_sensor():
    one = sound_log(12, seed=1)
    two = sound_log(12, sensor="s2", seed=2)
    assert len(flags_of(pd.concat([one, two]))) == 0
    drifting = two.assign(rh_pct=two["rh_pct"] - np.linspace(0, 6, len(two)))
    out = flag_sensors(pd.concat([one, drifting]))
    assert out.table[["sensor", "flag", "action"]].to_numpy().tolist() == [["s2", "drift", "kept"]]
    assert "−5.9 % in 12 days against s1" in str(out.findings[0])
    apart = two.assign(rh_pct=two["rh_pct"] - 7)
    assert flags_of(pd.concat([one, apart]))["flag"].tolist() == ["disagreement"]


def test_order_and_doubled_rows_change_no_flag():
    log = sound_log()
    log.loc[log.index[3000:5000], "rh_pct"] = 100.0
    log.loc[log.index[500], "rh_pct"] = 20.0
    mixed = pd.concat([log, log.iloc[:4000]]).sample(frac=1, random_state=3)
    pd.testing.assert_frame_equal(flags_of(log), flags_of(mixed))


def test_many_jumps_cost_no_time():
    """Noise as large as the limits must not be looked at jump by jump."""
    import time

    rng = np.random.default_rng(2)
    log = sound_log(60).assign(rh_pct=lambda t: rng.uniform(40, 100, len(t)))
    begin = time.process_time()
    flag_sensors(log)
    assert time.process_time() - begin < 5.0


def test_real_weather_is_sound():
    """Real hourly records (the year file that the pvlib package ships) raise nothing alarming."""
    pvlib = pytest.importorskip("pvlib")
    file = Path(pvlib.__file__).parent / "data" / "703165TY.csv"
    table, _ = pvlib.iotools.read_tmy3(file, map_variables=True)
    log = pd.DataFrame(
        {
            "chamber": "outside",
            "time": START + pd.to_timedelta(np.arange(len(table)), unit="h"),
            "temp_c": table["temp_air"].to_numpy(),
            "rh_pct": table["relative_humidity"].to_numpy(dtype=float),
        }
    )
    assert len(log) == 8760
    table = flags_of(log, max_gap_min=60)
    left_out = table[table["action"] == "left out"]
    # fog at an ocean station: humidity of 100 % for hours is the air, and cannot be told apart
    # from a wet sensor; nothing else is doubted
    assert set(left_out["flag"]) <= {"saturated", "stuck"}
    assert left_out["records"].sum() < 0.05 * len(log)


# --- calibration ------------------------------------------------------------------------------

#: Greenspan (1977), doi:10.6028/jres.081A.011, table 2, % at 5, 15, 25, 35 °C (printed values
#: are cut, not rounded: tolerance 0.015).
PRINTED = {
    "LiCl": (11.26, 11.30, 11.30, 11.25),
    "MgCl2": (33.60, 33.30, 32.78, 32.05),
    "Mg(NO3)2": (58.86, 55.87, 52.89, 49.91),
    "NaCl": (75.65, 75.61, 75.29, 74.87),
    "KCl": (87.67, 85.92, 84.34, 82.95),
    "KNO3": (96.27, 95.41, 93.58, 90.79),
    "K2SO4": (98.48, 97.89, 97.30, 96.71),
}


@pytest.mark.parametrize("salt", list(PRINTED))
def test_salts_equal_the_printed_table(salt):
    got = [salt_rh_pct(salt, t) for t in (5.0, 15.0, 25.0, 35.0)]
    assert got == pytest.approx(PRINTED[salt], abs=0.015)


@pytest.mark.parametrize(
    ("salt", "a", "b"),
    [("LiCl", 14.53, -75), ("MgCl2", 29.26, 34), ("Mg(NO3)2", 25.28, 220), ("NaCl", 69.20, 25),
     ("KCl", 49.38, 159), ("K2SO4", 86.75, 34)],
)  # fmt: skip
def test_salts_agree_with_the_handbook_short_form(salt, a, b):
    """CRC Handbook, section 15 (Wexler): RH = a exp(b/T), stated to about 2 %."""
    assert salt_rh_pct(salt, 25.0) == pytest.approx(a * np.exp(b / 298.15), rel=0.02)


def test_two_point_line():
    """Worked by hand at 20 °C: 73.0 over NaCl and 93.5 over K2SO4 make 88.0 into 91.66."""
    made = find_correction(
        Calibration(sensor="T1", salt={"NaCl": 73.0, "k2so4": 93.5}, temp_c=20.0), dt.UTC
    )
    low, high = salt_rh_pct("NaCl", 20), salt_rh_pct("K2SO4", 20)
    by_hand = low + (88.0 - 73.0) * (high - low) / (93.5 - 73.0)
    assert made.offset + made.slope * 88.0 == pytest.approx(by_hand, abs=1e-9)
    assert made.slope == pytest.approx(1.079, abs=0.001)


def test_uncertainty_of_a_line_by_simulation():
    """The law of propagation against 40 000 drawn calibrations."""
    given = Calibration(sensor="T1", salt={"NaCl": 73.0, "K2SO4": 93.5}, temp_c=20.0)
    made = find_correction(given, dt.UTC)
    rng = np.random.default_rng(4)
    (r1, t1, u1), (r2, t2, u2) = made.points
    n = 40_000
    a, b = rng.normal(t1, u1, n), rng.normal(t2, u2, n)
    for reading in (80.0, 90.0, 97.0):
        now = reading + rng.normal(0, 0.3, n)
        drawn = a + (now - r1) * (b - a) / (r2 - r1)
        assert made.rh_u_pct(reading) == pytest.approx(drawn.std(), rel=0.03)


def test_uncertainty_reaches_the_deficit():
    """At 90 % one point of humidity is a tenth of the deficit."""
    given = Calibration(sensor="T1", salt={"NaCl": 75.5, "K2SO4": 97.6}, temp_c=20.0)
    u = find_correction(given, dt.UTC).rh_u_pct(90.0)
    assert 0.4 < u < 0.8
    share = vpd_uncertainty_kpa(20.0, 90.0, temp_u_c=0.0, rh_u_pct=u) / vpd_kpa(20.0, 90.0)
    assert share == pytest.approx(u / 10, rel=1e-6)


def test_one_point_is_an_offset_and_grows_away_from_it():
    made = find_correction(Calibration(sensor="T1", salt={"NaCl": 73.5}, temp_c=25.0), dt.UTC)
    assert made.slope == 1
    assert made.offset == pytest.approx(75.29 - 73.5, abs=0.015)
    assert made.rh_u_pct(95.0) > 1.1 * made.rh_u_pct(74.0)


def test_corrections_hold_from_their_date():
    log = sound_log(3)
    given = [
        Calibration(sensor="T1", since=dt.datetime(2031, 1, 14, 9), salt={"NaCl": 73.5}),
        Calibration(sensor="T1", since=dt.datetime(2031, 1, 15, 9), salt={"NaCl": 77.5},
                    add_temp_c=-0.4),
        Calibration(sensor="T7", salt={"NaCl": 70.0}),
    ]  # fmt: skip
    zone = dt.timezone(dt.timedelta(hours=1))
    out = calibrate_sensors(log, given, zone=zone)
    moved = (out.table["rh_pct"] - log["rh_pct"]).groupby(log["time"].dt.floor("12h")).first()
    salt = salt_rh_pct("NaCl", 20)
    assert sorted(set(moved.round(6))) == pytest.approx([salt - 77.5, 0, salt - 73.5], abs=1e-6)
    first = out.table["rh_pct"].ne(log["rh_pct"]).to_numpy().argmax()
    assert log["time"].iloc[first] == pd.Timestamp("2031-01-14 08:00", tz="UTC")
    assert (out.table["temp_c"] - log["temp_c"]).min() == pytest.approx(-0.4)
    assert [f.code for f in out.findings] == ["calibrated", "calibrated", "calibration_idle"]
    early, late = pd.Timestamp("2031-01-13", tz="UTC"), pd.Timestamp("2031-01-16", tz="UTC")
    assert np.isnan(out.rh_u_pct(["s1", "T1"], 90.0, early))
    assert 0.5 < out.rh_u_pct(["s1", "T1"], 90.0, late) < 1.0


def test_a_correction_of_temperature_does_not_end_that_of_humidity():
    log = sound_log(4)
    days = [dt.date(2031, 1, n) for n in (14, 15, 16)]
    given = [
        Calibration(sensor="T1", since=days[0], salt={"NaCl": 73.5}),
        Calibration(sensor="T1", since=days[1], add_temp_c=-0.4),
        Calibration(sensor="T1", since=days[2], add_temp_c=0.0),
    ]
    out = calibrate_sensors(log, given)
    moved = out.table[["rh_pct", "temp_c"]] - log[["rh_pct", "temp_c"]]
    ends = [pd.Timestamp(day, tz="UTC") for day in days]
    by_day = moved.groupby(sum((log["time"] >= end).astype(int) for end in ends)).mean()
    salt = salt_rh_pct("NaCl", 20) - 73.5
    assert by_day["rh_pct"].tolist() == pytest.approx([0, salt, salt, salt])
    assert by_day["temp_c"].tolist() == pytest.approx([0, 0, -0.4, 0])


def test_impossible_calibrations_are_refused():
    with pytest.raises(LogError, match="did you mean 'NaCl'"):
        find_correction(Calibration(sensor="a", salt={"NaCI": 75.0}), dt.UTC)
    with pytest.raises(LogError, match="0 to 50"):
        find_correction(Calibration(sensor="a", salt={"NaCl": 75.0}, temp_c=60), dt.UTC)
    with pytest.raises(LogError, match="further apart"):
        find_correction(Calibration(sensor="a", salt={"NaCl": 75.0, "KCl": 76.0}), dt.UTC)


def test_every_salt_has_an_uncertainty():
    for salt in POLYNOMIALS:
        assert 0.3 < salt_u_pct(salt, 20.0) < 1.2


def test_nothing_given_changes_nothing():
    log = sound_log(1)
    assert calibrate_sensors(log, []).table is log


def test_limits_can_be_changed():
    log = sound_log()
    log.loc[log.index[3000:5000], "rh_pct"] = 100.0
    never = faults.FlagLimits(stuck_h=1e9, saturated_h=1e9)
    assert set(flags_of(log, limits=never)["flag"]) <= {"step"}
