"""A zone in the head of a time: used where it is fixed, asked about where it may change.

Offsets: IANA time zone database (MST −7, EST −5, CET +1, …); summer time 2031 in Vienna from
30 March to 26 October, in Denver from 9 March to 2 November (last Sundays of March and October;
second Sunday of March and first of November).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.logs.folder import TRIAL, make_trial
from trialkit.errors import LogError
from trialkit.logs.climate.read import read_environment
from trialkit.logs.clocks.head_zone import zone_in_head
from trialkit.logs.harvest.read import read_harvest
from trialkit.logs.log import Log

WINTER, SUMMER = "2031-01-14 10:00", "2031-04-02 10:00"
DENVER = TRIAL.replace("Europe/Vienna", "America/Denver")


def log_of(folder: Path, head: str, *times: str, section: str = "", trial: str = TRIAL) -> Log:
    text = f'"{head}",temp_c\n' + "".join(f"{time},{15 + k}\n" for k, time in enumerate(times))
    logs = f'\n[logs.environment]\nfiles = ["T1.csv"]\ncolumns.time = "{head}"\n{section}\n'
    return read_environment(make_trial(folder, {"T1.csv": text.encode()}, logs, trial=trial))


def utc(log: Log) -> list[str]:
    return [t.strftime("%m-%d %H:%M") for t in log.table["time"]]


def told(log: Log) -> list[tuple[str, str]]:
    return [(f.code, f.severity) for f in log.findings if f.code.startswith("zone")]


@pytest.mark.parametrize(
    ("head", "hours"),
    [
        ("Date Time, GMT-07:00", -7), ("time (UTC+2)", 2), ("Time [UTC +02:00]", 2),
        ("time +01:00", 1), ("Zeit (+0530)", 5.5), ("GMT-7", -7), ("time_utc", 0), ("UTC", 0),
        ("timestamp (utc)", 0), ("Time (GMT−3:30)", -3.5), ("time (+1)", 1), ("UTC+14", 14),
        ("Date-Time (MST)", -7), ("time EST", -5), ("time_mst", -7), ("Mountain Standard Time", -7),
        ("Date Time, NZST", 12),
    ],
)  # fmt: skip
def test_fixed_offsets_in_heads(head: str, hours: float) -> None:
    found = zone_in_head(head)
    assert found is not None
    assert found.kind in ("fixed", "standard")
    assert found.hours == (hours,)


@pytest.mark.parametrize(
    "head",
    ["time", "Date/Time", "Date-Time", "Time 1", "date (DMY)", "Time (AM/PM)", "time-2", "Start",
     "Zeitpunkt", "recorded at", "Time est.", "best time", "Date (2031-01-14)", "START TIME"],
)  # fmt: skip
def test_heads_without_a_zone(head: str) -> None:
    assert zone_in_head(head) is None


@pytest.mark.parametrize("head", ["time (UTC+15)", "GMT-14:30", "time +99:00", "time (+02:75)"])
def test_an_offset_that_no_clock_has_is_refused(head: str, tmp_path: Path) -> None:
    with pytest.raises(LogError, match="no clock has"):
        log_of(tmp_path, head, WINTER)


def test_an_offset_beyond_14_hours_in_a_cell_is_no_time(tmp_path: Path) -> None:
    log = log_of(tmp_path, "time", f"{WINTER}+14:00", f"{WINTER}+14:30", f"{WINTER}-99:00")
    assert utc(log) == ["01-13 20:00"]
    assert log.ledger.table["rule"].tolist() == ["time unreadable"] * 2


def test_a_fixed_offset_is_used_and_told(tmp_path: Path) -> None:
    """10:00 at −7 h is 17:00 UTC, in winter and in summer."""
    log = log_of(tmp_path, "Date Time, GMT-07:00", WINTER, SUMMER)
    assert utc(log) == ["01-14 17:00", "04-02 17:00"]
    assert told(log) == [("zone_from_head", "note")]
    assert 'time_zone = { "T1.csv" = "Europe/Vienna" }' in log.findings[0].remedy


def test_standard_time_is_standard_time_in_summer_too(tmp_path: Path) -> None:
    """The clocks of Denver are one hour ahead of MST in April: a caution, and not an hour lost."""
    for k, head in enumerate(["Date-Time (MST)", "time (LST)", "Mountain Standard Time"]):
        log = log_of(tmp_path / str(k), head, SUMMER, trial=DENVER)
        assert utc(log) == ["04-02 17:00"]
        assert told(log) == [("zone_from_head", "caution")]
        in_winter = log_of(tmp_path / f"w{k}", head, WINTER, trial=DENVER)
        assert (utc(in_winter), told(in_winter)) == (["01-14 17:00"], [])  # as in the trial's zone


def test_clocks_that_may_have_changed_are_asked_about(tmp_path: Path) -> None:
    """CET in winter is +1 whatever the clock did; in April it could be +1 or +2."""
    winter = log_of(tmp_path / "1", "Zeit (CET)", WINTER)
    assert (utc(winter), told(winter)) == (["01-14 09:00"], [])
    with pytest.raises(LogError) as asked:
        log_of(tmp_path / "2", "Zeit (MEZ)", WINTER, SUMMER)
    assert '"+01:00" } if this one never changed' in str(asked.value)
    assert '"Europe/Vienna" } if it did' in str(asked.value)
    fixed = log_of(tmp_path / "3", "Zeit (MEZ)", SUMMER, section='time_zone = { "T1*" = "+01:00" }')
    assert utc(fixed) == ["04-02 09:00"]
    local = log_of(tmp_path / "4", "Zeit (MEZ)", SUMMER, section='time_zone = "Europe/Vienna"')
    assert utc(local) == ["04-02 08:00"]
    assert told(local) == [("zone_against_head", "note")]
    summer = log_of(tmp_path / "5", "Zeit (MESZ)", SUMMER)
    assert (utc(summer), told(summer)) == (["04-02 08:00"], [])


def test_both_names_of_a_clock_are_the_clock_that_changes(tmp_path: Path) -> None:
    log = log_of(tmp_path / "1", "time (MST/MDT)", WINTER, SUMMER, trial=DENVER)
    assert utc(log) == ["01-14 17:00", "04-02 16:00"]
    with pytest.raises(LogError, match="can mean several clocks"):
        log_of(tmp_path / "2", "time (EST/EDT)", WINTER)


def test_a_name_of_several_zones_is_taken_only_from_the_trials_own(tmp_path: Path) -> None:
    """CST is −6 in Chicago and +8 in Shanghai; GMT is UTC except where clocks leave it."""
    for zone, hour in (("America/Chicago", "16:00"), ("Asia/Shanghai", "02:00")):
        trial = TRIAL.replace("Europe/Vienna", zone)
        log = log_of(tmp_path / zone[:4], "time (CST)", WINTER, trial=trial)
        assert utc(log) == [f"01-14 {hour}"]
    with pytest.raises(LogError, match="can mean several clocks"):
        log_of(tmp_path / "x", "time (CST)", WINTER)
    with pytest.raises(LogError, match="can mean several clocks"):
        log_of(tmp_path / "y", "time (QQT)", WINTER)
    assert utc(log_of(tmp_path / "z", "time (GMT)", SUMMER)) == ["04-02 10:00"]
    london = TRIAL.replace("Europe/Vienna", "Europe/London")
    with pytest.raises(LogError, match="may change"):
        log_of(tmp_path / "l", "time (GMT)", SUMMER, trial=london)


def test_a_full_name_in_the_head_is_used(tmp_path: Path) -> None:
    assert utc(log_of(tmp_path, "time America/New_York", SUMMER)) == ["04-02 14:00"]


def test_a_truth_on_another_clock_needs_its_offset(tmp_path: Path) -> None:
    """The logger shows UTC, the watch Vienna: 10:00 and 11:00 are the same moment in January."""
    clock = "clock = [{{ shows = 2031-01-14T10:00:00, truth = 2031-01-14T11:05:00{} }}]"
    with pytest.raises(LogError, match="with its offset"):
        log_of(tmp_path / "1", "time (UTC)", WINTER, section=clock.format(""))
    log = log_of(tmp_path / "2", "time (UTC)", WINTER, section=clock.format("+01:00"))
    assert utc(log) == ["01-14 10:05"]


def test_the_zone_in_the_head_of_a_harvest_sheet_counts_too(tmp_path: Path) -> None:
    sheet = "unit,flush,time (UTC),fresh_g\nB1-T1-top-1,1,2031-01-20 23:30,400\n"
    logs = '\n[logs.harvest]\nfiles = ["h.csv"]\ncolumns = { time = "time (UTC)" }\n'
    log = read_harvest(make_trial(tmp_path, {"h.csv": sheet.encode()}, logs))
    assert utc(log) == ["01-20 23:30"]
