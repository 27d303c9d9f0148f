"""What is told once for several places: each place once, and what to do only where it differs."""

from __future__ import annotations

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
