"""Zones, clock changes, wrong clocks: held to the zone database and to plain arithmetic."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.logs.folder import make_trial
from trialkit.errors import LogError
from trialkit.logs.climate.read import read_environment
from trialkit.logs.clocks.correction import correct_clock
from trialkit.logs.clocks.zones import NS, clock_changes, find_zone, localise
from trialkit.logs.mist.read import read_mist
from trialkit.trial.sections import Clock

VIENNA = ZoneInfo("Europe/Vienna")
ZONES = ["Europe/Vienna", "America/Chicago", "Australia/Lord_Howe", "Asia/Kolkata", "UTC"]


def wall(text: str) -> int:
    return int(np.datetime64(text, "ns").astype(np.int64))


def utc(text: str) -> int:
    return wall(text)


def test_clock_changes_of_europe() -> None:
    """Last Sundays of March and October at 01:00 UTC (Directive 2000/84/EC, articles 2 and 3)."""
    for year in range(2024, 2040):
        spring, autumn = (
            dt.datetime.fromtimestamp(c.utc / NS, dt.UTC) for c in clock_changes(VIENNA, year, year)
        )
        for moment, month in ((spring, 3), (autumn, 10)):
            assert (moment.month, moment.weekday(), moment.hour) == (month, 6, 1)
            assert moment.day > 24


@settings(max_examples=80, deadline=None)
@given(
    zone=st.sampled_from(ZONES),
    start=st.datetimes(dt.datetime(2030, 1, 1), dt.datetime(2032, 1, 1)),
    step=st.sampled_from([60, 600, 3600]),
)
def test_a_steady_log_comes_back_as_it_was(zone: str, start: dt.datetime, step: int) -> None:
    """UTC to wall time and back, over every clock change: nothing lost, nothing moved."""
    place = ZoneInfo(zone)
    truth = np.int64(start.replace(tzinfo=dt.UTC).timestamp()) * NS + np.arange(400) * step * NS
    shown = [dt.datetime.fromtimestamp(t / NS, place).replace(tzinfo=None) for t in truth.tolist()]
    walls = np.array(shown, dtype="datetime64[ns]").astype(np.int64)
    found = localise(walls, place)
    assert not len(found.missing)
    sure = np.ones(len(truth), bool)
    sure[found.unsure] = False
    assert (found.utc[sure] == truth[sure]).all()
    # only at the ends of the file may the order of rows leave the doubled hour open
    assert len(found.unsure) <= 2 * 3600 // step


def test_newest_first_is_read_backwards() -> None:
    truth = utc("2031-10-25T22:00") + np.arange(300) * 60 * NS
    shown = [dt.datetime.fromtimestamp(t / NS, VIENNA).replace(tzinfo=None) for t in truth.tolist()]
    walls = np.array(shown, dtype="datetime64[ns]").astype(np.int64)[::-1]
    found = localise(walls, VIENNA)
    assert (found.utc == truth[::-1]).all()


def test_a_clock_that_stayed_in_autumn_is_noticed() -> None:
    walls = wall("2031-10-26T00:00") + np.arange(300) * 60 * NS
    found = localise(walls, VIENNA)
    assert [(c.forward, n) for c, n in found.stayed] == [(False, 60)]
    assert not len(found.unsure)


@pytest.mark.parametrize(("text", "hours"), [("+01:00", 1), ("UTC-3", -3), ("-0530", -5.5)])
def test_fixed_offsets(text: str, hours: float) -> None:
    assert find_zone(text).utcoffset(None) == dt.timedelta(hours=hours)


@pytest.mark.parametrize("text", ["", "Vienna", "+99:00", "../etc", "/etc/passwd"])
def test_unknown_zones_are_refused(text: str) -> None:
    with pytest.raises(LogError, match="unknown time zone"):
        find_zone(text)


def _moment(text: str) -> dt.datetime:
    return dt.datetime.fromisoformat(text)


def test_drift_is_a_line_through_the_known_moments() -> None:
    """A clock that gains 6 s a day, known at three moments, one of them in the middle."""
    shown = wall("2031-01-01T00:00") + np.arange(0, 21) * 86400 * NS
    known = [
        Clock(shows=_moment(f"2031-01-{1 + d:02d}T00:00:00"),
              truth=_moment(f"2031-01-{1 + d:02d}T00:00:00") - dt.timedelta(seconds=6 * d))
        for d in (5, 10, 15)
    ]  # fmt: skip
    add, touched = correct_clock(shown, known, zone=VIENNA, aware=False, file="x")
    assert touched.all()
    assert (add == -6 * NS * np.arange(0, 21)).all()


def test_corrections_hold_only_between_since_and_until() -> None:
    shown = wall("2031-01-01T00:00") + np.arange(4) * 86400 * NS
    entry = Clock(add_s=90.5, since=_moment("2031-01-02T00:00:00"), until=_moment("2031-01-04"))
    add, touched = correct_clock(shown, [entry], zone=VIENNA, aware=False, file="x")
    assert touched.tolist() == [False, True, True, False]
    assert add.tolist() == [0, 90.5 * NS, 90.5 * NS, 0]


def _climate(folder: Path, *, late: str = "T4", logs: str = "", jump: bool = True) -> object:
    """Four loggers over a fortnight; one stays on winter time, and is set right after a week."""
    files = {}
    start = utc("2031-03-24T00:00")
    truth = start + np.arange(14 * 144) * 600 * NS
    for chamber in ("T1", "T2", "T3", "T4"):
        lines = ["time,temp_c,light_lux"]
        for t in truth.tolist():
            local = dt.datetime.fromtimestamp(t / NS, VIENNA)
            lux = 300 if 8 <= local.hour < 18 else 0
            naive = local.replace(tzinfo=None)
            wrong = jump and "2031-03-30T03:00" <= naive.isoformat() < "2031-04-04T12:00"
            if chamber == late and wrong:
                naive -= dt.timedelta(hours=1)
            lines.append(f"{naive:%Y-%m-%d %H:%M},20,{lux}")
        files[f"{chamber}.csv"] = "\n".join(lines).encode()
    section = f'\n[logs.environment]\nfiles = ["T*.csv"]\n{logs}'
    return read_environment(make_trial(folder, files, section))


def test_a_logger_that_stayed_on_winter_time_is_found_with_its_end(tmp_path: Path) -> None:
    log = _climate(tmp_path)
    told = [f for f in log.findings if f.code.startswith("clock")]
    assert [f.code for f in told] == ["clock_not_changed"]
    assert "T4.csv" in told[0].message
    assert (
        "since = 2031-03-30T02:00:00, until = 2031-04-04T12:00:00, add_s = 3600" in told[0].remedy
    )


def test_the_proposed_correction_puts_it_right(tmp_path: Path) -> None:
    [told] = [f.remedy for f in _climate(tmp_path).findings if f.code == "clock_not_changed"]
    start = told.index("clock = [")
    log = _climate(tmp_path, logs=told[start:] + "\n")
    assert not [f for f in log.findings if f.code.startswith("clock")]
    assert int(log.ledger.summary()["set_aside"].sum()) == 0
    by_chamber = log.table.groupby("chamber")["time"].apply(list)
    assert by_chamber["T4"] == by_chamber["T1"]


def test_sound_clocks_are_not_accused(tmp_path: Path) -> None:
    log = _climate(tmp_path, jump=False)
    assert log.findings == ()


def test_a_mist_log_over_the_doubled_hour_is_told_by_order(tmp_path: Path) -> None:
    """Events every four minutes: the second pass through the hour is an hour later."""
    truth = utc("2031-10-25T22:00") + np.arange(0, 240) * 60 * NS
    lines = ["time,chamber,state"]
    for k, t in enumerate(truth.tolist()):
        local = dt.datetime.fromtimestamp(t / NS, VIENNA)
        for chamber in ("T1", "T2"):
            lines.append(f"{local:%Y-%m-%d %H:%M:%S},{chamber},{'on' if k % 2 == 0 else 'off'}")
    trial = make_trial(
        tmp_path, {"mist.csv": "\n".join(lines).encode()}, '\n[logs.mist]\nfiles = ["mist.csv"]\n'
    )
    log = read_mist(trial)
    assert len(log.table) == 240
    assert (log.table["on_s"] == 60).all()
    assert int(log.ledger.summary()["set_aside"].sum()) == 0
