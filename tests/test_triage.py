"""What is told once for several places: each place once, and what to do only where it differs."""

from __future__ import annotations

import tomllib

import pytest

from trialkit.triage import merge_repeats
from trialkit.wording import finding


def _unit(file: str, seen: float, line: str = 'units = { rh_pct = "fraction" }'):
    values = {"form": "humidity", "file": file, "seen": seen, "unit": "fraction", "line": line}
    return finding("unit_doubtful", "stop", **values)


def test_two_columns_of_one_file_are_told_once():
    first = _unit("a.csv", 0.94)
    assert merge_repeats([first, _unit("a.csv", 0.91)]) == [first]


def test_each_further_file_is_named_once_and_one_remedy_for_all_stays_as_it_is():
    [told] = merge_repeats([_unit("a.csv", 0.94), _unit("b.csv", 0.9), _unit("b.csv", 0.8)])
    assert "(likewise b.csv)" in told.message
    assert told.remedy == _unit("a.csv", 0.94).remedy


def test_remedies_that_differ_need_one_line_each():
    [told] = merge_repeats([_unit("a.csv", 0.94, "x = 1"), _unit("b.csv", 0.9, "x = 2")])
    assert told.remedy.endswith("one line each for b.csv")


def _clock(file: str):
    line = f'clock = [{{ file = "{file}", since = 2027-03-28T02:00:00, add_s = 3600 }}]'
    values = {"day": "28 Mar 2027", "records": "12 records", "minutes": 60, "way": "early"}
    return finding(
        "clock_not_changed",
        "caution",
        form="open",
        file=file,
        section="[logs.a]",
        line=line,
        **values,
    )


def test_clocks_of_several_files_are_set_right_by_one_line_that_can_be_pasted():
    """A key may stand once in a section: TOML 1.0, "Defining a key multiple times is invalid"."""
    [told] = merge_repeats([_clock(f"{tent}.csv") for tent in "abc"])
    line = told.remedy.partition(": ")[2].partition(" (with until")[0]
    clocks = tomllib.loads(line)["clock"]
    assert [clock["file"] for clock in clocks] == ["a.csv", "b.csv", "c.csv"]
    assert all(clock["add_s"] == 3600 for clock in clocks)


def test_zones_of_several_files_stand_in_one_table():
    lines = [f'time_zone = {{ "{name}.csv" = "+01:00" }}' for name in "ab"]
    [told] = merge_repeats([_unit(f"{i}.csv", 0.9, line) for i, line in enumerate(lines)])
    line = told.remedy.removeprefix("add ").removesuffix(" to [logs.environment]")
    assert tomllib.loads(line)["time_zone"] == {"a.csv": "+01:00", "b.csv": "+01:00"}


@pytest.mark.parametrize(
    "second", ['units = { rh_pct = "g_m3" }', 'clock = [{ file = "b" }]', "units = {}"]
)
def test_lines_that_would_undo_each_other_are_not_put_together(second):
    [told] = merge_repeats([_unit("a.csv", 0.9), _unit("b.csv", 0.9, second)])
    assert told.remedy.endswith("one line each for b.csv")


def _gap(chamber: str, when: str):
    values = {"sensor": f"chamber {chamber}", "when": when, "hours": "", "effect": ""}
    return finding("sensor_gap", "note", **values)


def test_gaps_of_other_loggers_are_told_with_their_own_times():
    [told] = merge_repeats([_gap("A", "on Monday"), _gap("B", "on Monday"), _gap("C", "on Friday")])
    assert "on Monday" in told.message
    assert "(likewise 2 more: chamber B and chamber C on Friday)" in told.message
