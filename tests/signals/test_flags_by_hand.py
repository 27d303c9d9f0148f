"""Flags of sensors whose every reading is written out: steps, jumps of the dew point, pairs, gaps.

The limits are those that `FlagLimits` states; each case lies just within and just beyond one.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from trialkit.signals.faults import FlagLimits, find_all
from trialkit.signals.sensors import SensorFlags, flag_sensors

MINUTE = 60_000_000_000
START = pd.Timestamp("2031-01-13 08:00", tz="UTC")


def lively(n: int, level: float = 70.0, step: float = 0.1) -> np.ndarray:
    """Give a series that never stays on a value, and steps by 0.1 or 0.2."""
    return level + step * np.array([0, 1, -1, 1])[np.arange(n) % 4]


def found(values: np.ndarray | dict, minute: np.ndarray | None = None, gap_min: int = 30) -> list:
    """Give kind, first and last minute of the flags of one sensor."""
    values = values if isinstance(values, dict) else {"rh_pct": values}
    n = len(next(iter(values.values())))
    time = (np.arange(n) if minute is None else np.asarray(minute)) * MINUTE
    return [
        (flag["flag"], flag["start"] // MINUTE, flag["stop"] // MINUTE)
        for _, flag in find_all(time, values, gap_min * MINUTE, FlagLimits())
    ]


# ------------------------------------------------------------------ steps


@pytest.mark.parametrize(("apart", "told"), [(55, [99]), (65, [99, 164])])
def test_a_second_step_within_the_hour_belongs_to_the_first(apart: int, told: list[int]) -> None:
    values = lively(300)
    values[100:] += 12.0
    values[100 + apart :] += 12.0
    assert [start for _, start, _ in found(values)] == told


@pytest.mark.parametrize(("every", "told"), [(7, 1), (8, 0)])
def test_a_step_needs_five_records_on_either_side(every: int, told: int) -> None:
    """In half an hour records of every 7 min are five, at 0, 7, 14, 21 and 28; of every 8, four."""
    values = lively(60)
    values[30:] += 12.0
    assert len(found(values, np.arange(60) * every)) == told


@pytest.mark.parametrize(("n", "told"), [(19, 0), (20, 1)])
def test_a_step_needs_twenty_records_in_all(n: int, told: int) -> None:
    values = lively(n)
    values[10:] += 12.0
    assert len(found(values)) == told


@pytest.mark.parametrize(("at_once", "told"), [(6.8, 0), (7.4, 1)])
def test_seven_tenths_of_a_step_come_from_one_record_to_the_next(at_once: float, told: int) -> None:
    """A rise of 11 points, of which so much at once and the rest in the ten minutes after."""
    values = lively(200)
    values[100:] += at_once
    values[101:] += (11.0 - at_once) * np.clip(np.arange(1, 100) / 10, 0, 1)
    assert len(found(values)) == told


@pytest.mark.parametrize(("swing", "told"), [(9.6, 1), (10.4, 0)])
def test_a_step_is_a_fifth_larger_than_what_the_sensor_swings_anyway(
    swing: float, told: int
) -> None:
    """Two readings within the half hour before, or after, are off by so much.

    The series itself swings by 0.2: 1.2 times 9.6 + 0.2 is 11.8, times 10.4 + 0.2 is 12.7.
    """
    for at in (80, 110):
        values = lively(200)
        values[100:] += 12.0
        values[at : at + 2] += -swing if at < 100 else swing  # away from the other side
        assert len(found(values)) == told


@pytest.mark.parametrize(("pause", "told"), [(19, 1), (21, 0)])
def test_a_change_over_more_than_twenty_minutes_is_not_sudden(pause: int, told: int) -> None:
    """The gap itself is bridged: up to 30 min are."""
    minute = np.arange(200) + np.where(np.arange(200) >= 100, pause - 1, 0)
    values = lively(200)
    values[100:] += 12.0
    assert len(found(values, minute)) == told
    spike = lively(200)
    spike[100] += 30.0
    assert len(found(spike, minute)) == told


def test_a_step_must_be_nine_times_the_usual_step() -> None:
    """Steps of 1.2: six times 1.4826 × 1.2 is 10.7 points."""
    for size, told in ((10.4, 0), (13.4, 1)):
        values = 60.0 + 1.2 * (np.arange(200) % 2)
        values[100:] += size
        assert values[100] - values[99] == pytest.approx(size - 1.2)  # from a high record to a low
        assert len(found(values)) == told


# ------------------------------------------------------------------ the dew point


def dew_flags(rise: float, wetter: float, usual: float = 0.01) -> int:
    """Count jumps where air warms by `rise` and its humidity goes up by `wetter` at once."""
    n = 40
    temp = 15.0 + np.where(np.arange(n) < 20, 0.0, rise) + usual * (np.arange(n) % 2)
    rh = 70.0 + np.where(np.arange(n) < 20, 0.0, wetter) + 0.1 * (np.arange(n) % 2)
    return [flag for flag, _, _ in found({"temp_c": temp, "rh_pct": rh})].count("dew point jump")


def test_the_temperature_itself_must_jump_by_a_degree_and_a_half() -> None:
    """At 15 °C and 70 % the dew point is 9.57 °C; at 16.4 °C and 79 % 12.76 °C: 3.2 more."""
    assert dew_flags(1.4, 9.0) == 0
    assert dew_flags(1.6, 9.0) == 1


def test_the_jump_must_be_nine_times_the_usual_one() -> None:
    """Usual steps of 0.4 °C: six times 1.4826 × 0.4 is 3.56 °C; from an odd record 0.4 go off."""
    assert dew_flags(3.7, 0.0, usual=0.4) == 0
    assert dew_flags(4.2, 0.0, usual=0.4) == 1


def test_a_dew_point_that_falls_as_the_air_warms_is_no_jump() -> None:
    """From 70 to 45 % while the air warms by 2 °C: the dew point falls by 4.6 °C."""
    assert dew_flags(2.0, -25.0) == 0
    assert dew_flags(-3.0, 0.0) == 1  # both fall


# ------------------------------------------------------------------ two sensors


def pair(
    differences: np.ndarray,
    name: str = "rh_pct",
    *,
    shelf: bool = False,
    third: float | None = None,
) -> SensorFlags:
    """Check sensors a and b that differ by so much day by day, with three readings a day each."""
    parts = []
    known = {"a": np.zeros(len(differences)), "b": differences}
    if third is not None:
        known["c"] = np.full(len(differences), third)
    for sensor, off in known.items():
        for hour in (2, 10, 18):
            time = pd.Timestamp("2031-01-13", tz="UTC") + pd.to_timedelta(
                24 * np.arange(len(off)) + hour, unit="h"
            )
            level = {"rh_pct": 70.0, "temp_c": 15.0}[name] + (hour - 10) / 100
            part = pd.DataFrame({"chamber": "T1", "sensor": sensor, "time": time,
                                 name: level + off})  # fmt: skip
            parts.append(part.assign(shelf=f"shelf of {sensor}") if shelf else part)
    return flag_sensors(pd.concat(parts), max_gap_min=600)


#: Neither its mean nor its slope over eight days is other than nought.
QUIET = np.array([1.0, -1.0, -1.0, 1.0, 1.0, -1.0, -1.0, 1.0])


@pytest.mark.parametrize(("noise", "told"), [(0.68, ["drift"]), (0.72, [])])
def test_a_drift_is_more_than_four_of_its_standard_errors(noise: float, told: list[str]) -> None:
    """Half a point a day over eight days; the days' squares about their mean add up to 42.

    The noise is square to the line, so that the standard error of the slope is
    √(8 noise²/6/42) = 0.1782 noise, four of them 0.485 or 0.513 points a day.
    """
    flags = pair(0.5 * np.arange(8) - 2.0 + noise * QUIET)
    assert list(flags.table["flag"]) == told


def test_a_drift_says_by_how_much_over_which_days_and_beside_what() -> None:
    table = pair(0.5 * np.arange(8) - 2.0).table
    [row] = table.to_dict("records")
    assert (row["sensor"], row["quantity"], row["records"], row["action"]) == (
        "b", "rh_pct", 8, "kept"
    )  # fmt: skip
    assert row["start"] == pd.Timestamp("2031-01-13", tz="UTC")
    assert row["stop"] == pd.Timestamp("2031-01-21", tz="UTC")  # the end of the last of eight days
    assert row["hours"] == 192.0
    values = row["detail"].values
    assert values["change"] == pytest.approx(3.5)
    assert (values["days"], values["other"], values["unit"]) == (7.0, "a", "%")


def test_a_third_sensor_is_held_against_the_first_too() -> None:
    """Sensors apart by 5 points disagree; the third by 6 the other way."""
    table = pair(np.full(8, 5.0), third=-6.0).table
    assert [(r["sensor"], r["flag"]) for r in table.to_dict("records")] == [
        ("b", "disagreement"), ("c", "disagreement")
    ]  # fmt: skip
    assert [d.values["off"] for d in table["detail"]] == pytest.approx([5.0, -6.0])


def test_four_days_are_enough_to_disagree_and_sensors_of_other_shelves_may_differ() -> None:
    assert len(pair(np.full(4, 5.0)).table) == 1
    assert len(pair(np.full(3, 5.0)).table) == 0
    assert len(pair(np.full(8, 5.0), shelf=True).table) == 0
    [row] = pair(np.full(8, 1.2), "temp_c").table.to_dict("records")
    assert (row["quantity"], row["detail"].values["unit"]) == ("temp_c", "°C")


# ------------------------------------------------------------------ gaps and runs


def with_gap(
    run_h: float, gap_min: float, *, at_min: int = 300, batch: bool = False
) -> SensorFlags:
    """Check a log of a reading a minute for the length of a run, with one gap."""
    minute = np.arange(int(run_h * 60) + 1)
    minute = minute[(minute <= at_min) | (minute >= at_min + gap_min)]
    log = pd.DataFrame(
        {"chamber": "T1", "time": START + pd.to_timedelta(minute, unit="min"),
         "rh_pct": lively(len(minute))}
    )  # fmt: skip
    run = pd.DataFrame({"chamber": ["T1"], "run": ["1"], "start": [START],
                        "stop": [START + pd.Timedelta(hours=run_h)]})  # fmt: skip
    return flag_sensors(log, within=run.assign(batch=7) if batch else run)


@pytest.mark.parametrize(
    ("run_h", "gap_min", "told"),
    [(100, 29, 0), (100, 31, 1), (100, 30, 1), (600, 119, 0), (600, 120, 1)],
)
def test_a_gap_is_told_from_two_hours_or_half_a_percent_of_its_run(
    run_h: int, gap_min: int, told: int
) -> None:
    """Half a per cent of 100 h are 30 min, of 600 h three hours."""
    assert len(with_gap(run_h, gap_min).table) == told


def test_a_gap_has_its_two_ends_and_its_share_of_the_run() -> None:
    found = with_gap(100, 60, batch=True)
    [row] = found.table.to_dict("records")
    assert row["start"] == START + pd.Timedelta(minutes=300)
    assert row["stop"] == START + pd.Timedelta(minutes=360)
    assert (row["hours"], row["records"], row["action"], row["quantity"]) == (1.0, 0, "kept", "all")
    assert (row["run"], row["share_pct"]) == ("1", pytest.approx(1.0))
    [finding] = found.findings
    assert (finding.code, finding.severity) == ("sensor_gap", "note")
    assert finding.values["effect"].values["shares"][0].values["percent"] == pytest.approx(1.0)
    assert finding.values["hours"].values["hours"] == 1.0


def test_a_flag_over_two_runs_belongs_to_the_one_that_has_more_of_it() -> None:
    """Stuck for six hours: four of them in the second run of 40 h, a tenth of it."""
    log = pd.DataFrame(
        {"chamber": "T1", "time": START + pd.to_timedelta(np.arange(4800), unit="min"),
         "rh_pct": lively(4800)}
    )  # fmt: skip
    log.loc[2280:2640, "rh_pct"] = 75.0
    half = START + pd.Timedelta(minutes=2400)
    runs = pd.DataFrame(
        {"chamber": ["T1", "T1"], "run": ["first", "second"], "start": [START, half],
         "stop": [half, START + pd.Timedelta(minutes=4800)]}
    )  # fmt: skip
    [row] = flag_sensors(log, within=runs).table.to_dict("records")
    assert (row["flag"], row["run"], row["hours"]) == ("stuck", "second", 6.0)
    assert row["share_pct"] == pytest.approx(100 * 4 / 40)
    # a run of another chamber, or one that ended before, is not touched at all
    assert len(flag_sensors(log, within=runs.assign(chamber="T2")).table) == 0
    assert len(flag_sensors(log, within=runs.assign(stop=[half, half])).table) == 1
    early = runs.assign(stop=[START + pd.Timedelta(minutes=2279)] * 2, start=[START] * 2)
    assert len(flag_sensors(log, within=early).table) == 0


def test_a_finding_names_what_is_left_out_and_for_how_long() -> None:
    """Two stuck stretches of 3.5 h and 4 h in a run of 100 h take 7.5 % of it together."""
    log = pd.DataFrame(
        {"chamber": "T1", "sensor": "s1", "time": START + pd.to_timedelta(np.arange(6001), "min"),
         "rh_pct": lively(6001)}
    )  # fmt: skip
    log.loc[1000:1210, "rh_pct"] = 75.0
    log.loc[3000:3240, "rh_pct"] = 72.0
    run = pd.DataFrame({"chamber": ["T1"], "run": ["1"], "batch": [2], "start": [START],
                        "stop": [START + pd.Timedelta(hours=100)]})  # fmt: skip
    flags = flag_sensors(log, within=run)
    assert list(flags.table["hours"]) == [3.5, 4.0]
    [finding] = flags.findings
    assert (finding.code, finding.severity) == ("sensor_stuck", "caution")
    assert finding.values["hours"].values["hours"] == pytest.approx(7.5)
    [share] = finding.values["effect"].values["shares"]
    assert share.values["percent"] == pytest.approx(7.5)
    assert finding.values["when"].values["number"] == 2
    assert finding.values["when"].values["last"] == START + pd.Timedelta(minutes=3240)
    # a flag that only tells takes nothing, and one record is told without a length
    spike = pd.DataFrame({"chamber": "T1", "time": log["time"], "rh_pct": lively(6001)})
    spike.loc[500, "rh_pct"] += 30.0
    [told] = flag_sensors(spike, within=run).findings
    assert (told.code, told.values["hours"]) == ("sensor_spike", "")
    assert told.values["effect"] != ""
    step = spike.assign(rh_pct=lively(6001) + 12.0 * (np.arange(6001) > 3000))
    [told] = flag_sensors(step, within=run).findings
    assert (told.code, told.values["effect"]) == ("sensor_step", "")
