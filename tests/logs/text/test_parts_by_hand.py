"""Moments in parts, tables of a database, commas in numbers: each case worked out on paper."""

import datetime as dt

import pyarrow as pa
import pytest

from trialkit.errors import LogError
from trialkit.logs.text.bare_commas import refuse_bare_commas
from trialkit.logs.text.databases import _choose
from trialkit.logs.text.time_parts import read_parts

EPOCH = dt.datetime(1970, 1, 1)


def moments(*columns):
    found = read_parts([f"f{i}" for i in range(len(columns))], [pa.array(c) for c in columns])
    assert found is not None
    assert found.ok.all()
    return [EPOCH + dt.timedelta(microseconds=int(w) // 1000) for w in found.wall]


def test_columns_without_heads_are_told_by_their_numbers():
    """Day 74 of 2031 is 15 March (31 + 28 + 15); of 2032, a leap year, 14 March."""
    at = moments([2031, 2032], [74, 74], [7, 8])
    assert at == [dt.datetime(2031, 3, 15, 7), dt.datetime(2032, 3, 14, 8)]
    at = moments([2031, 2031], [3, 4], [14, 15], [7, 8])
    assert at == [dt.datetime(2031, 3, 14, 7), dt.datetime(2031, 4, 15, 8)]


def test_a_time_of_day_in_figures_is_added_to_the_date_beside_it():
    at = moments(["2031-03-14", "2031-03-14"], [130, 2359])
    assert at == [dt.datetime(2031, 3, 14, 1, 30), dt.datetime(2031, 3, 14, 23, 59)]


def test_the_table_with_most_of_the_columns_wanted_is_taken():
    tables = {"rooms": ["name"], "log": ["time", "rh"], "notes": ["time", "text"]}
    assert _choose(tables, None, "a.db", {"time", "rh"}) == "log"
    with pytest.raises(LogError, match="which table"):
        _choose(tables, None, "a.db", {"time"})
    with pytest.raises(LogError, match="which table"):
        _choose(tables, None, "a.db", {"co2"})


def test_commas_within_numbers_are_refused_above_four_fifths_of_the_rows():
    heads = ["time", "temp"]
    cut = [["2031-01-14 07:00", "21", "5"]] * 4
    refuse_bare_commas(heads, [*cut, ["2031-01-14 07:00", "21", "wet"]], "a.csv")
    with pytest.raises(LogError, match="commas stand"):
        refuse_bare_commas(heads, [*cut, cut[0]], "a.csv")
