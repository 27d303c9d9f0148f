"""Limits of the sensor checks, just within and just beyond; every series is written out here."""

from __future__ import annotations

import datetime as dt
import math

import numpy as np
import pandas as pd
import pytest

from trialkit.air import rh_from_dew_point
from trialkit.signals.calibration import (
    Calibrated,
    Correction,
    find_correction,
)
from trialkit.signals.faults import FlagLimits, find_all, find_gaps, find_spikes
from trialkit.signals.mist_response import ResponseLimits, check_response
from trialkit.signals.salts import READING_U, salt_rh_pct, salt_u_pct
from trialkit.signals.sensors import flag_sensors
from trialkit.signals.vapour import Pulses, responses, rolling_response
from trialkit.trial.sections import Calibration

MINUTE = 60_000_000_000
GAP = 10 * MINUTE
START = pd.Timestamp("2031-01-13 08:00", tz="UTC")
USUAL = {"rh_pct": 85.0, "temp_c": 15.0, "co2_ppm": 2000.0, "light_lux": 500.0}


def steady(n: int, name: str = "rh_pct", *, step: float = 0.1) -> np.ndarray:
    """Give a lively series: it never stays on a value, and steps by 0.1 or 0.2."""
    return USUAL[name] + step * np.array([0, 1, -1, 1])[np.arange(n) % 4]


def flags(values: np.ndarray, name: str = "rh_pct", *, every_min: int = 1) -> list[str]:
    time = np.arange(len(values)) * every_min * MINUTE
    found = find_all(time, {name: values}, GAP, FlagLimits())
    return [flag["flag"] for _, flag in found]


# ------------------------------------------------------------------ one sensor


@pytest.mark.parametrize(("minutes", "told"), [(179, []), (180, ["stuck"])])
def test_a_value_that_holds_for_three_hours_is_stuck(minutes: int, told: list[str]) -> None:
    values = steady(600)
    values[100 : 100 + minutes + 1] = 90.0
    assert flags(values) == told


def test_a_stay_must_also_be_eight_times_the_usual_one() -> None:
    """Usual stays of 30 min: four hours are eight times that, less are not."""
    coarse = np.repeat(np.arange(80) % 2 + 85.0, 31)  # 31 readings stay for 30 min
    for minutes, told in ((238, []), (242, ["stuck"])):
        values = np.insert(coarse, 310, np.full(minutes + 1, 88.0))
        assert flags(values) == told


@pytest.mark.parametrize(
    ("low", "minutes", "told"),
    [(99.5, 120, ["saturated"]), (99.5, 119, []), (99.4, 240, [])],
)
def test_two_hours_of_humidity_from_99_and_a_half_are_a_wet_sensor(
    low: float, minutes: int, told: list[str]
) -> None:
    values = steady(900) + 13.0  # so that no step and no spike is seen
    values[300 : 300 + minutes + 1] = low + 0.1 * (np.arange(minutes + 1) % 2)
    assert flags(values) == told


@pytest.mark.parametrize(
    ("name", "low", "high"),
    [("rh_pct", 2.0, 103.0), ("temp_c", -15.0, 55.0), ("co2_ppm", 250.0, 30_000.0),
     ("light_lux", -1.0, 150_000.0)],
)  # fmt: skip
def test_what_no_room_has(name: str, low: float, high: float) -> None:
    """The limits themselves are possible, what lies beyond is out of range."""
    for value, out in ((low, False), (high, False), (low - 0.01, True), (high + 0.01, True)):
        values = steady(100, name)
        values[50:52] = value
        assert ("out of range" in flags(values, name)) == out


@pytest.mark.parametrize(("name", "least"), [("rh_pct", 10.0), ("temp_c", 2.5), ("co2_ppm", 500.0)])
def test_a_spike_jumps_away_and_back(name: str, least: float) -> None:
    near = ((0.97 * least, []), (1.03 * least, ["spike"]), (-1.03 * least, ["spike"]))
    for size, told in near:
        values = steady(100, name, step=0.01)
        values[50] += size
        assert flags(values, name) == told


def test_a_spike_must_be_ten_times_the_usual_step() -> None:
    """Steps of 2: ten times 1.4826 × 2 is 29.7."""
    for size, told in ((25.0, 0), (35.0, 1)):
        values = 60.0 + 2.0 * (np.arange(60) % 2)
        values[30] += size
        assert len(find_spikes(np.arange(60) * MINUTE, values, 10.0, GAP)) == told


def test_a_spike_beside_a_gap_or_one_that_does_not_come_back_is_none() -> None:
    values = steady(60)
    values[30] += 30.0
    time = np.arange(60) * MINUTE
    assert find_spikes(time, values, 10.0, GAP) == [30]
    later = time + np.where(np.arange(60) > 30, 11 * MINUTE, 0)
    assert find_spikes(later, values, 10.0, GAP) == []
    half = values.copy()
    half[31:] += 12.0  # it stays more than half the least jump away
    assert find_spikes(time, half, 10.0, GAP) == []
    assert find_spikes(time[:4], values[28:32], 10.0, GAP) == []  # too few to know what is usual


@pytest.mark.parametrize(("name", "least"), [("rh_pct", 10.0), ("temp_c", 3.0)])
def test_a_step_lasts_half_an_hour_on_both_sides(name: str, least: float) -> None:
    for size, told in ((0.9 * least, []), (1.1 * least, ["step"]), (-1.1 * least, ["step"])):
        values = steady(200, name)
        values[100:] += size
        assert flags(values, name) == told


def test_a_flag_says_from_when_to_when_and_how_many_records() -> None:
    """A step lies between two records; a stuck value spans its own; a spike is one moment."""
    step, stuck, spike = steady(200), steady(600), steady(100)
    step[100:] += 15.0
    stuck[100:301] = 90.0
    spike[50] += 15.0
    dew = {
        "temp_c": np.where(np.arange(10) < 5, 15.0, 18.0) + 0.01 * (np.arange(10) % 2),
        "rh_pct": 85.0 + 0.1 * (np.arange(10) % 2),
    }
    for values, first, last, records in (
        ({"rh_pct": step}, 99, 100, 2),
        ({"rh_pct": stuck}, 100, 300, 201),
        ({"rh_pct": spike}, 50, 50, 1),
        (dew, 4, 5, 2),
    ):
        time = np.arange(len(values["rh_pct"])) * MINUTE
        [(_, flag)] = find_all(time, values, GAP, FlagLimits())
        got = flag["start"] // MINUTE, flag["stop"] // MINUTE, flag["records"]
        assert got == (first, last, records), flag["flag"]


def test_a_change_that_takes_an_hour_is_no_step() -> None:
    values = steady(300) - 12.0 * np.clip((np.arange(300) - 120) / 60, 0, 1)
    assert flags(values) == []


@pytest.mark.parametrize(("rise", "told"), [(2.5, []), (2.7, ["dew point jump"])])
def test_a_dew_point_that_jumps_with_the_temperature(rise: float, told: list[str]) -> None:
    """Humidity holds while the air warms at once; the dew point follows by nearly as much."""
    n = 10
    temp = np.where(np.arange(n) < 5, 15.0, 15.0 + rise) + 0.01 * (np.arange(n) % 2)
    values = {"temp_c": temp, "rh_pct": 85.0 + 0.1 * (np.arange(n) % 2)}
    found = find_all(np.arange(n) * MINUTE, values, GAP, FlagLimits())
    assert [flag["flag"] for _, flag in found] == told


def test_air_that_warms_keeps_its_dew_point() -> None:
    temp = np.where(np.arange(10) < 5, 15.0, 19.0) + 0.01 * (np.arange(10) % 2)
    rh = rh_from_dew_point(temp, np.full(10, 12.0))
    found = find_all(np.arange(10) * MINUTE, {"temp_c": temp, "rh_pct": rh}, GAP, FlagLimits())
    assert list(found) == []


def test_a_gap_is_longer_than_what_is_bridged() -> None:
    time = np.array([0, 1, 11, 12, 23]) * MINUTE
    assert find_gaps(time, GAP) == [(12 * MINUTE, 23 * MINUTE)]


# ------------------------------------------------------------------ two sensors


def pair(days: int, apart: float, drift: float = 0.0, name: str = "rh_pct") -> list[str]:
    """Give the flags of two sensors that are so far apart, and drift by so much over the days."""
    n = days * 144
    second = np.arange(n) * 600
    base = {"rh_pct": 85.0, "temp_c": 15.0}[name]
    wave = 0.1 * (np.arange(n) % 3)
    parts = []
    for sensor, off in (("a", 0.0), ("b", apart)):
        move = drift * second / (second[-1]) if sensor == "b" else 0.0
        parts.append(
            pd.DataFrame(
                {
                    "chamber": "T1", "sensor": sensor,
                    "time": pd.Timestamp("2031-01-13", tz="UTC") + pd.to_timedelta(second, "s"),
                    name: base + wave + off + move,
                }
            )
        )  # fmt: skip
    table = flag_sensors(pd.concat(parts), max_gap_min=30).table
    return sorted(table["flag"])


@pytest.mark.parametrize(("name", "least"), [("rh_pct", 4.5), ("temp_c", 1.05)])
def test_sensors_apart_by_one_and_a_half_times_the_drift_allowed_disagree(
    name: str, least: float
) -> None:
    assert pair(8, 0.95 * least, name=name) == []
    assert pair(8, 1.05 * least, name=name) == ["disagreement"]
    assert pair(8, -1.05 * least, name=name) == ["disagreement"]
    assert pair(3, 1.05 * least, name=name) == []  # three days say nothing


@pytest.mark.parametrize(("name", "least"), [("rh_pct", 3.0), ("temp_c", 0.7)])
def test_a_drift_is_told_from_its_least(name: str, least: float) -> None:
    """From the first daily median to the last it is 9 days of the 10 it drifts."""
    assert pair(10, 0.0, 0.9 * least / 0.9, name=name) == []
    assert pair(10, 0.0, 1.1 * least / 0.9, name=name) == ["drift"]
    assert pair(10, 0.0, -1.1 * least / 0.9, name=name) == ["drift"]


# ------------------------------------------------------------------ salts


#: Greenspan (1977) table 2, limits of error [% points] at 0, 5 … 35 °C, from memory.
GREENSPAN_LIMITS = {
    "LiCl": "0.54 0.47 0.41 0.35 0.31 0.27 0.24 0.22",
    "MgCl2": "0.33 0.28 0.24 0.21 0.18 0.16 0.14 0.13",
    "Mg(NO3)2": "0.55 0.43 0.33 0.27 0.23 0.22 0.24 0.29",
    "NaCl": "0.34 0.27 0.22 0.18 0.14 0.12 0.11 0.12",
    "KCl": "0.53 0.45 0.39 0.33 0.29 0.26 0.25 0.25",
    "KNO3": "2.9 2.1 1.4 0.96 0.66 0.55 0.60 0.83",
    "K2SO4": "1.1 0.91 0.76 0.63 0.53 0.45 0.40 0.38",
}


@pytest.mark.parametrize("salt", list(GREENSPAN_LIMITS))
def test_uncertainty_of_a_reading_above_a_salt(salt: str) -> None:
    """Greenspan (1977) table 2 (from memory): limits as two standard deviations.

    With 0.1 °C between probe and salt, 0.6 % of the humidity, a reading good to 0.3 points, and the
    temperature of the salt known exactly.
    """
    for temp, limit in zip(range(0, 40, 5), GREENSPAN_LIMITS[salt].split(), strict=True):
        probe = 0.006 * salt_rh_pct(salt, temp)
        want = math.sqrt((float(limit) / 2) ** 2 + probe**2 + 0.3**2)
        assert salt_u_pct(salt, temp, temp_u_c=0.0) == pytest.approx(want, rel=1e-9), temp


def test_a_salt_whose_temperature_is_not_known_is_less_sure() -> None:
    """Mg(NO3)2 loses 0.298 points for each °C: 3 °C add 0.894 points."""
    exact = salt_u_pct("Mg(NO3)2", 20.0, temp_u_c=0.0)
    rough = salt_u_pct("Mg(NO3)2", 20.0, temp_u_c=3.0)
    assert rough == pytest.approx(math.hypot(exact, 3 * 0.298153), rel=1e-9)
    half = salt_u_pct("Mg(NO3)2", 20.0)  # half a degree, where nothing is said
    assert half == pytest.approx(math.hypot(exact, 0.5 * 0.298153), rel=1e-9)


def test_a_calibration_without_a_temperature_takes_twenty_degrees_give_or_take_three() -> None:
    given = find_correction(Calibration(sensor="a", salt={"Mg(NO3)2": 55.0}), dt.UTC)
    [(read, truth, u)] = given.points
    assert (read, truth) == (55.0, pytest.approx(54.38, abs=0.015))  # the printed table, 20 °C
    assert u == pytest.approx(salt_u_pct("Mg(NO3)2", 20.0, temp_u_c=3.0))


def test_one_salt_leaves_the_slope_open_by_two_percent() -> None:
    """20 points away from the salt, 2 % of 20 are 0.4 points."""
    one = Correction("a", None, 1.0, 0.0, ((75.0, 75.0, 0.5),))
    assert one.rh_u_pct(75.0) == pytest.approx(math.hypot(0.5, READING_U))
    assert one.rh_u_pct(95.0) == pytest.approx(math.sqrt(0.5**2 + 0.4**2 + READING_U**2))
    assert READING_U == 0.3


def test_two_salts_and_nothing_else_leave_readings_as_they_are() -> None:
    """A line through (75, 75) and (95, 95): half of each weight in the middle, 0.5/√2."""
    two = Correction("a", None, points=((75.0, 75.0, 0.5), (95.0, 95.0, 0.5)))
    assert (two.slope, two.offset, two.add_temp_c) == (1.0, 0.0, None)
    assert two.rh_u_pct(85.0) == pytest.approx(math.hypot(0.5 / 2**0.5, 0.3))


def test_the_correction_that_held_last_tells_the_uncertainty() -> None:
    """Readings are taken back to what the sensor showed: 90 % true is 80 % shown at +10."""
    day = pd.Timestamp("2031-01-20", tz="UTC")
    old = Correction("a", None, 1.0, 0.0, ((75.0, 75.0, 0.5),))
    new = Correction("a", day, 1.0, 10.0, ((80.0, 90.0, 0.7),))
    other = Correction("b", None, 1.0, 0.0, ((75.0, 75.0, 9.0),))
    held = Calibrated(pd.DataFrame(), (new, old, other))
    before, after = day - pd.Timedelta(seconds=1), day + pd.Timedelta(seconds=1)
    assert held.rh_u_pct(["a"], 90.0, after) == pytest.approx(math.hypot(0.7, 0.3))
    assert held.rh_u_pct(["a"], 90.0, day) == pytest.approx(math.hypot(0.7, 0.3))
    want = math.sqrt(0.5**2 + (0.02 * 15) ** 2 + 0.3**2)
    assert held.rh_u_pct(["a"], 90.0, before) == pytest.approx(want)
    assert math.isnan(held.rh_u_pct(["c"], 90.0, after))


@pytest.mark.parametrize(("second", "sound"), [(74.9, False), (75.1, True)])
def test_readings_within_two_points_make_no_line(second: float, sound: bool) -> None:
    from trialkit.errors import LogError

    given = Calibration(sensor="a", salt={"NaCl": 73.0, "KCl": second}, temp_c=20.0)
    if sound:
        assert find_correction(given, dt.UTC).slope > 1
    else:
        with pytest.raises(LogError):
            find_correction(given, dt.UTC)


# ------------------------------------------------------------------ pulses and their answers


def ns(*minutes: float) -> np.ndarray:
    return np.array([round(m * MINUTE) for m in minutes], dtype=np.int64)


def test_the_answer_of_a_pulse_is_the_mean_after_it_less_the_record_before() -> None:
    """Records each minute; a pulse of 0.5 min at 2: up to 2.5 min after it are 3, 4 and 5."""
    time = ns(0, 1, 2, 3, 4, 5, 6)
    vapour = np.array([1.0, 1.0, 1.1, 1.5, 1.4, 1.3, 9.0])
    rh = np.arange(70.0, 77.0)
    lift, around = responses(ns(2), ns(2.5), [(time, vapour, rh)])
    assert lift.tolist() == pytest.approx([1.4 - 1.1])
    assert around.tolist() == [72.0]
    # not past the next pulse: of a pulse at 2 followed by one at 4 only 3 and 4 count
    lift, _ = responses(ns(2, 4), ns(2.5, 4.5), [(time, vapour, rh)])
    assert lift[0] == pytest.approx(1.45 - 1.1)
    # two sensors are averaged
    twin = (time, vapour + np.where(time > 2 * MINUTE, 0.2, 0.0), rh + 2)
    lift, around = responses(ns(2), ns(2.5), [(time, vapour, rh), twin])
    assert lift.tolist() == pytest.approx([0.4])
    assert around.tolist() == [73.0]


def test_a_pulse_without_a_record_before_it_has_no_answer() -> None:
    """The last record may be five minutes old, not older."""
    vapour, rh = np.array([1.0, 1.5]), np.array([80.0, 85.0])
    for before, known in ((5.0, True), (5.1, False)):
        air = (ns(0, before + 1), vapour, rh)
        lift, _ = responses(ns(before), ns(before + 0.5), [air])
        assert np.isfinite(lift[0]) == known
    lift, _ = responses(ns(1), ns(1.5), [(ns(2, 3), vapour, rh)])
    assert np.isnan(lift[0])


def test_the_rolling_answer_is_the_mean_of_the_pulses_around() -> None:
    on = ns(0, 10, 20, 30)
    pulses = Pulses(on, on + MINUTE, np.array([1.0, 3.0, np.nan, 8.0]), np.full(4, 80.0))
    mean, n = rolling_response(pulses, 10 * MINUTE)
    assert n.tolist() == [2, 2, 2, 1]
    assert mean.tolist() == pytest.approx([2.0, 2.0, 5.5, 8.0])


def test_usual_answer_and_noise_need_twenty_pulses() -> None:
    """Of 1, 2 … 21 the median is 11; deviations from it have the median 5: 1.4826 × 5 = 7.413."""
    on = np.arange(21) * MINUTE
    pulses = Pulses(on, on + MINUTE, np.arange(1.0, 22.0), np.full(21, 80.0))
    assert pulses.usual == 11
    assert pulses.noise == pytest.approx(7.413)
    assert pulses.judged  # 11 is more than half of 7.4
    few = pulses.between(0, 19)
    assert np.isnan(few.usual)
    assert np.isnan(few.noise)
    assert not few.judged
    assert np.isfinite(pulses.between(0, 20).usual)
    low = Pulses(on, on + MINUTE, np.arange(1.0, 22.0) - 9.0, np.full(21, 80.0))
    assert not low.judged  # 2 is less than half of 7.4


def test_long_pulses_and_silence_are_told_from_their_limits() -> None:
    """Pulses of 20 s every 4 min. Told: over 600 s; no pulse for more than 3 h."""
    assert (ResponseLimits().long_pulse_s, ResponseLimits().silent_h) == (600.0, 3.0)
    climate = pd.DataFrame({"chamber": [], "time": pd.Series([], dtype="datetime64[ns, UTC]")})

    def faults(longest_s: float, silent_min: float) -> list[tuple[str, float]]:
        second = np.arange(0, 24 * 3600, 240.0)
        second[180:] += 60 * silent_min - (240 - 20)  # from the end of one to the next
        stop = second + 20
        stop[100] = second[100] + longest_s
        second = second + np.where(np.arange(len(second)) > 100, longest_s, 0)
        stop = stop + np.where(np.arange(len(stop)) > 100, longest_s, 0)
        mist = pd.DataFrame(
            {
                "chamber": "T1",
                "start": START + pd.to_timedelta(second, unit="s"),
                "stop": START + pd.to_timedelta(stop, unit="s"),
            }
        )
        run = pd.DataFrame(
            {"chamber": ["T1"], "run": ["B1 T1"], "start": [START],
             "stop": [mist["stop"].max() + pd.Timedelta(minutes=1)]}
        )  # fmt: skip
        table = check_response(climate, mist, within=run).table
        return list(zip(table["fault"], table["hours"], strict=True))

    assert faults(600, 180) == []
    assert faults(605, 180) == [("stuck on", pytest.approx(605 / 3600, abs=6e-4))]
    assert faults(600, 181) == [("no mist", pytest.approx(181 / 60, abs=6e-4))]
