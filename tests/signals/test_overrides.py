"""What the trial file asks of sensors: flags trusted, stretches left out, and idle requests."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from tests.logs.folder import make_trial
from trialkit.alignment.checks import check_logs
from trialkit.errors import TrialFileError
from trialkit.signals.sensors import SensorFlags, flag_sensors, leave_out
from trialkit.templates import new_trial
from trialkit.trial import read_trial
from trialkit.trial.sections import LeaveOut, Trust

VIENNA = ZoneInfo("Europe/Vienna")  # UTC+1 in January (IANA time zone data)
MIDNIGHT = pd.Timestamp("2031-01-14", tz="UTC")


def log_of(*, days: int = 3, stuck: tuple[int, int] = (600, 900)) -> pd.DataFrame:
    """Two sensors, one record a minute; that of T1 is stuck over some records."""
    minute = np.arange(days * 1440)
    rng = np.random.default_rng(1)
    parts = []
    for chamber in ("T1", "T2"):
        rh = 86 + 2 * np.sin(2 * np.pi * minute / 1440) + rng.normal(0, 0.5, len(minute))
        if chamber == "T1":
            rh[stuck[0] : stuck[1]] = 88.0
        parts.append(
            pd.DataFrame(
                {
                    "chamber": chamber,
                    "sensor": f"{chamber}-a",
                    "time": MIDNIGHT + pd.to_timedelta(minute, unit="min"),
                    "temp_c": 15 + rng.normal(0, 0.1, len(minute)).round(2),
                    "rh_pct": rh.round(2),
                }
            )
        )
    return pd.concat(parts, ignore_index=True)


def at(minute: int) -> dt.datetime:
    """Give a minute of the log as local time without a zone, as it stands in the trial file."""
    local = (MIDNIGHT + pd.Timedelta(minutes=minute)).tz_convert(VIENNA).tz_localize(None)
    return dt.datetime.fromisoformat(str(local))


def trust(first: int, last: int, **more: Any) -> Trust:
    fields = {"chamber": "T1", "flag": "stuck", "because": "seen by hand"} | more
    return Trust(since=at(first), until=at(last), **fields)


def left(first: int, last: int, **more: Any) -> LeaveOut:
    fields = {"chamber": "T2", "because": "lay on the floor"} | more
    return LeaveOut(since=at(first), until=at(last), **fields)


def flagged(log: pd.DataFrame, *asked: Trust | LeaveOut) -> SensorFlags:
    return flag_sensors(log, zone=VIENNA, asked=asked)


def missing(log: pd.DataFrame, flags: SensorFlags, chamber: str, quantity: str) -> list[int]:
    """Give the minutes whose reading is not used."""
    used = leave_out(log, flags)
    gone = used[(used["chamber"] == chamber) & used[quantity].isna()]["time"]
    return [int(m) for m in (gone - MIDNIGHT).dt.total_seconds() // 60]


def test_without_a_request_the_stuck_stretch_is_left_out() -> None:
    log = log_of()
    assert missing(log, flagged(log), "T1", "rh_pct") == list(range(600, 900))


def test_a_trusted_stretch_is_used_and_recorded_with_its_reason() -> None:
    log = log_of()
    out = flagged(log, trust(600, 899, sensor="T1-a", quantity="rh_pct"))
    assert missing(log, out, "T1", "rh_pct") == []
    assert leave_out(log, out) is log
    row = out.table.iloc[0]
    assert row[["flag", "action", "because"]].tolist() == ["stuck", "trusted", "seen by hand"]
    assert row["records"] == 300
    [told] = out.findings
    assert told.code == "sensor_trusted"
    assert "300 readings of humidity flagged as stuck from 2031-01-14 11:00 to" in told.message
    assert "seen by hand" in told.message


def test_both_ends_of_a_trusted_interval_are_in_it_and_the_rest_stays_flagged() -> None:
    log = log_of()
    out = flagged(log, trust(700, 800))
    assert missing(log, out, "T1", "rh_pct") == [*range(600, 700), *range(801, 900)]
    assert out.table["action"].tolist() == ["left out", "trusted", "left out"]
    assert out.table["records"].tolist() == [100, 101, 99]
    codes = sorted(f.code for f in out.findings)
    assert codes == ["sensor_stuck", "sensor_trusted"]


def test_two_requests_for_one_flag_are_told_once_each() -> None:
    log = log_of()
    out = flagged(log, trust(600, 650), trust(851, 899, because="again"))
    assert missing(log, out, "T1", "rh_pct") == list(range(651, 851))
    told = [f.message for f in out.findings if f.code == "sensor_trusted"]
    assert len(told) == 2
    assert "51 readings" in told[0]
    assert "49 readings" in told[1]


def test_a_single_reading_can_be_trusted() -> None:
    log = log_of(stuck=(0, 0))
    log.loc[1000, "rh_pct"] = 20.0
    assert missing(log, flagged(log), "T1", "rh_pct") == [1000]
    out = flagged(log, trust(1000, 1000, flag="spike"))
    assert missing(log, out, "T1", "rh_pct") == []
    assert "1 reading of humidity flagged as spike at 2031-01-14 17:40" in out.findings[0].message


def test_a_flag_that_only_tells_can_be_answered_too() -> None:
    log = log_of(stuck=(0, 0))
    log.loc[(log["chamber"] == "T1") & (log.index >= 2000), "rh_pct"] -= 15.0
    assert [f.code for f in flagged(log).findings] == ["sensor_step"]
    out = flagged(log, trust(1990, 2010, flag="step", because="door left open"))
    assert [f.code for f in out.findings] == ["sensor_trusted"]
    assert out.table["action"].tolist() == ["trusted"]


def test_a_sound_stretch_is_left_out_with_both_ends_for_every_quantity() -> None:
    log = log_of(stuck=(0, 0))
    out = flagged(log, left(100, 160))
    for quantity in ("rh_pct", "temp_c"):
        assert missing(log, out, "T2", quantity) == list(range(100, 161))
        assert missing(log, out, "T1", quantity) == []
    assert out.table["flag"].unique().tolist() == ["left out by request"]
    [told] = out.findings
    assert told.code == "sensor_left_out"
    assert "61 readings of humidity and temperature" in told.message.replace(
        "temperature, humidity", "humidity, temperature"
    )
    only = flagged(log, left(100, 160, quantity="temp_c"))
    assert missing(log, only, "T2", "rh_pct") == []
    assert missing(log, only, "T2", "temp_c") == list(range(100, 161))


def test_moments_with_an_offset_hold_as_they_stand() -> None:
    log = log_of(stuck=(0, 0))
    since = dt.datetime(2031, 1, 14, 1, 40, tzinfo=dt.UTC)
    ask = LeaveOut(chamber="T2", since=since, until=since, because="x")
    assert missing(log, flagged(log, ask), "T2", "rh_pct") == [100]


@pytest.mark.parametrize(
    ("ask", "words"),
    [
        (trust(1200, 1300), "flags of chamber T1: stuck"),
        (trust(600, 899, flag="saturated"), "flags of chamber T1: stuck"),
        (trust(600, 899, chamber="T2"), "flags of chamber T2: none"),
        (trust(600, 899, sensor="T1-b"), "did you mean 'T1-a'"),
        (left(9_000, 9_100), "correct its times"),
    ],
)
def test_a_request_that_matches_nothing_is_told(ask: Trust | LeaveOut, words: str) -> None:
    log = log_of()
    out = flagged(log, ask)
    [told] = [f for f in out.findings if f.code == "idle_request"]
    assert "had no effect" in told.message
    assert words in told.remedy
    assert missing(log, out, "T1", "rh_pct") == list(range(600, 900))


SECTION = """
[logs.environment]
files = ["T*.csv"]
[[logs.environment.trust]]
chamber = "T1"
flag = "stuck"
since = 2031-01-14T11:00:00
until = 2031-01-14T15:59:00
because = "seen by hand"
[[logs.environment.leave_out]]
chamber = "T2"
since = 2031-01-14T02:40:00
until = 2031-01-14T03:40:00
because = "lay on the floor"
"""


def test_the_trial_file_is_heeded_by_the_check(tmp_path: Path) -> None:
    trial = make_trial(tmp_path, {}, SECTION)
    check = check_logs(trial, log_of(), None)
    assert check.climate is not None
    gone = check.climate[check.climate["rh_pct"].isna()]
    assert gone["chamber"].unique().tolist() == ["T2"]
    assert [str(t) for t in gone["time"].iloc[[0, -1]]] == [
        "2031-01-14 01:40:00+00:00",
        "2031-01-14 02:40:00+00:00",
    ]
    codes = [f.code for f in check.findings]
    assert codes.count("sensor_trusted") == codes.count("sensor_left_out") == 1
    assert "B1" in str(check.flags.table["run"].iloc[0])  # type: ignore[union-attr]


def test_a_check_that_cannot_heed_requests_says_so(tmp_path: Path) -> None:
    trial = make_trial(tmp_path, {}, SECTION)
    [told] = check_logs(trial, None, None).findings
    assert told.code == "request_unheeded"
    assert "2 requests" in told.message


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('flag = "stuck"', 'flag = "stcuk"', r"flag .*line 31.*should be 'stuck', 'saturated'"),
        ('chamber = "T1"', 'chamber = "T9"', "no chamber is called 'T9'"),
        ("until = 2031-01-14T15:59:00", "until = 2031-01-14T10:59:00", "ends before it starts"),
        ("since = 2031-01-14T11:00:00", "since = 2031-01-14", "2031-01-14T09:00:00"),
        ('because = "seen by hand"', "", "'because' is missing"),
        ('because = "seen by hand"', 'because = ""', "because"),
        ('because = "seen by hand"', 'because = "x"\nsensr = "a"', "did you mean 'sensor'"),
        ('chamber = "T2"', 'chamber = "T1"\nquantity = "rh"', "quantity"),
    ],
)
def test_mistakes_are_told_with_line_key_and_remedy(
    tmp_path: Path, old: str, new: str, words: str
) -> None:
    import re

    with pytest.raises(TrialFileError) as caught:
        make_trial(tmp_path, {}, SECTION.replace(old, new, 1))
    [fault] = caught.value.faults
    assert re.search(words, str(fault)), str(fault)
    assert re.search(r"\[logs\] environment\.(trust|leave_out).*line \d+", str(fault)), str(fault)


def test_the_examples_of_a_new_trial_file_can_be_used_as_they_stand(tmp_path: Path) -> None:
    new_trial(tmp_path / "new", seed=1)
    path = tmp_path / "new" / "trial.toml"
    text = path.read_text(encoding="utf-8")
    start, stop = text.index("# [[logs.environment.trust]]"), text.index("# Mist: a log")
    lines = [x.removeprefix("# ") for x in text[start:stop].splitlines() if "[[" in x or "=" in x]
    section = '[logs.environment]\nfiles = ["x.csv"]\n' + "\n".join(lines) + "\n"
    path.write_text(text[:start] + section + text[stop:], encoding="utf-8")
    spec = read_trial(tmp_path / "new").logs["environment"]
    assert [type(a).__name__ for a in spec.asked] == ["Trust", "LeaveOut"]
    assert len(spec.clock) == len(spec.keep) == 1


def test_readings_both_trusted_and_left_out_are_refused(tmp_path: Path) -> None:
    text = SECTION.replace('"T2"', '"T1"').replace("T02:40", "T10:40").replace("T03:40", "T11:40")
    with pytest.raises(TrialFileError, match="both to be trusted and to be left out"):
        make_trial(tmp_path, {}, text)


@pytest.mark.parametrize(
    ("first", "second", "sound"),
    [
        ("", "", False),
        ("since = 2031-01-14,", "since = 2031-01-14T00:00:00,", False),
        ("since = 2031-01-14,", "since = 2031-01-15,", True),
        ("", "since = 2031-01-14,", True),
    ],
)
def test_two_calibrations_of_a_sensor_from_one_moment_are_refused(
    tmp_path: Path, first: str, second: str, sound: bool
) -> None:
    """Nobody knows which holds; both salts of one day belong into one entry."""
    entries = [f'{{ sensor = "T1", {first} salt = {{ NaCl = 73.0 }} }}']
    entries += [f'{{ sensor = "T1", {second} salt = {{ K2SO4 = 93.5 }} }}']
    section = f'\n[logs.environment]\nfiles = ["x.csv"]\ncalibration = [{", ".join(entries)}]\n'
    if sound:
        assert len(make_trial(tmp_path, {}, section).logs["environment"].calibration) == 2
        return
    with pytest.raises(TrialFileError, match="a second calibration of 'T1'"):
        make_trial(tmp_path, {}, section)


def test_only_climate_logs_have_sensors(tmp_path: Path) -> None:
    with pytest.raises(TrialFileError, match="a mist log has no sensors"):
        make_trial(tmp_path, {}, SECTION.replace("logs.environment", "logs.mist"))
