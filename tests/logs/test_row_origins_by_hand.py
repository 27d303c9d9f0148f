"""Whose a file, a column or a row is: chambers, shelves and sensors, each by hand."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest

from trialkit.errors import LogError
from trialkit.logs.heads import Columns, WideColumn
from trialkit.logs.ledger import FileAccount
from trialkit.logs.opening import Opened, _said_of, _zone_stated, raise_together, tell_unread
from trialkit.logs.row_origins import (
    chamber_of_column,
    chamber_of_file,
    chambers_of_rows,
    sensors_of_rows,
    shelves_of_rows,
)
from trialkit.logs.text.raw_table import RawTable

CHAMBERS = ["T1", "T2", "T10"]


def opened(**columns: list[str]) -> Opened:
    n = len(next(iter(columns.values())))
    raw = RawTable("T1.csv", {k: pa.array(v) for k, v in columns.items()}, np.arange(n) + 2)
    found = Columns({name: name for name in columns})
    return Opened(raw, found, FileAccount("T1.csv", raw.rows))


@pytest.mark.parametrize(
    ("file", "chamber"),
    [
        ("T1.csv", "T1"), ("logs/climate_t2_final.csv", "T2"), ("T10.csv", "T10"),
        ("T2/log.csv", "T2"), ("T1/T2.csv", "T2"), ("logT1.csv", None), ("T11.csv", None),
        ("T1_T2.csv", None), ("log.csv", None), ("T1-and-T1.csv", "T1"), ("left.csv", "T2"),
    ],
)  # fmt: skip
def test_the_chamber_in_the_name_of_a_file(file: str, chamber: str | None) -> None:
    """As a word of its own, of any case; in its folders where the name itself says none."""
    also = {"left": "T2"}
    if chamber is None:
        with pytest.raises(LogError, match="no chamber column"):
            chamber_of_file(file, CHAMBERS, None, "environment", also)
    else:
        assert chamber_of_file(file, CHAMBERS, None, "environment", also) == chamber


def test_what_the_trial_file_says_of_a_file_counts_first() -> None:
    assert chamber_of_file("T1.csv", CHAMBERS, "T2", "mist") == "T2"
    assert chamber_of_file("T1.csv", CHAMBERS, "left", "mist", {"left": "T10"}) == "T10"
    with pytest.raises(LogError, match="'T9', which is no chamber"):
        chamber_of_file("T1.csv", CHAMBERS, "T9", "mist")
    with pytest.raises(LogError, match=r"several chambers \(T1, T2\)"):
        chamber_of_file("T1_T2.csv", CHAMBERS, None, "mist")


@pytest.mark.parametrize(
    ("written", "index"), [("T1", 0), ("T10", 2), ("Left", 1), ("old", 2), ("t1", None)]
)
def test_the_chamber_of_a_column(written: str, index: int | None) -> None:
    wide = WideColumn("temp_c", written, f"{written} temp")
    given = (wide, CHAMBERS, {"left": "T2"}, "a.csv", {"old": "T10"})
    if index is None:
        with pytest.raises(LogError, match="no chamber"):
            chamber_of_column(*given)
    else:
        assert chamber_of_column(*given) == index


def test_rows_name_their_chamber_or_their_file_does() -> None:
    one = opened(chamber=["T2", "t10", "T9", "", "x"])
    codes = chambers_of_rows(one, CHAMBERS, {"x": "T1"}, "environment")
    assert codes.tolist() == [1, 2, -1, -1, 0]
    assert one.account.alive.tolist() == [True, True, False, False, True]
    [line] = one.account.lines
    assert line["old"].tolist() == ["T9", ""]
    assert [m.key for m in line["remedy"]] == [
        "row_remedy.chamber_unknown", "row_remedy.chamber_blank"
    ]  # fmt: skip
    assert chambers_of_rows(opened(x=["a", "b"]), CHAMBERS, {}, "mist").tolist() == [0, 0]


def test_shelves_that_are_none_are_left_out_and_blanks_say_nothing() -> None:
    one = opened(shelf=["top", "Bottom", "side", ""])
    codes = shelves_of_rows(one, ["top", "bottom"])
    assert codes is not None
    assert codes.tolist() == [0, 1, -1, -1]
    [line] = one.account.lines
    assert (line["row"].tolist(), line["old"].tolist()) == ([4], ["side"])
    assert one.account.alive.all()
    assert shelves_of_rows(opened(x=["a"]), ["top"]) is None


def test_sensors_are_named_by_their_column_or_by_the_file() -> None:
    names, codes = sensors_of_rows(opened(sensor=[" a ", "b", "a"]), {"b": "second"})
    assert [names[c] for c in codes] == ["a", "second", "a"]
    plain = opened(x=["1", "2"])
    assert sensors_of_rows(plain, {})[0] == ()
    assert sensors_of_rows(plain, {})[1].tolist() == [-1, -1]
    plain.sensor = "probe"
    assert sensors_of_rows(plain, {})[0] == ("probe",)
    assert sensors_of_rows(plain, {})[1].tolist() == [0, 0]


# ------------------------------------------------------------------ what is said of a file


@pytest.mark.parametrize(
    ("file", "said"),
    [("d/a.csv", "whole"), ("e/a.csv", "name"), ("e/b.csv", "pattern"), ("c.txt", None)],
)
def test_a_file_by_its_name_counts_before_a_pattern(file: str, said: str | None) -> None:
    given = {"*.csv": "pattern", "a.csv": "name", "d/a.csv": "whole"}
    assert _said_of(file, given, ()) == said
    assert _said_of("b.csv", {"?.csv": "first", "*.csv": "second"}, ()) == "first"


def test_the_zone_of_a_file() -> None:
    stated = _zone_stated("a.csv", {"a*": "+01:00"}, ())
    assert stated is not None
    assert str(stated) == "UTC+01:00"
    assert _zone_stated("b.csv", {"a*": "+01:00"}, ()) is None
    assert _zone_stated("b.csv", None, ()) is None
    assert str(_zone_stated("b.csv", "Europe/Vienna", ())) == "Europe/Vienna"


def test_one_trouble_is_told_as_it_is_and_many_are_numbered() -> None:
    raise_together([])
    with pytest.raises(LogError, match=r"^one$"):
        raise_together(["one"])
    with pytest.raises(LogError) as two:
        raise_together(["one", "two"])
    assert str(two.value).splitlines() == ["2 log files cannot be read", "  1. one", "  2. two"]


@pytest.mark.parametrize("beyond", [0, 1, 2])
def test_so_many_troubles_are_told_and_how_many_more(
    beyond: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("trialkit.logs.opening.MOST_TOLD", 3)
    with pytest.raises(LogError) as told:
        raise_together([f"t{k}" for k in range(3 + beyond)])
    lines = str(told.value).splitlines()
    assert lines[1:4] == ["  1. t0", "  2. t1", "  3. t2"]
    assert lines[4:] == ([f"  and {beyond} more"] if beyond else [])


@pytest.mark.parametrize(
    ("kind", "severity"), [("harvest", "stop"), ("environment", "caution"), ("mist", "caution")]
)
def test_a_sheet_that_is_not_read_stops_the_verdict(kind: str, severity: str) -> None:
    told = tell_unread(kind, "a.csv: is broken → export it\nmore")
    assert told.severity == severity
    assert (told.values["problem"], told.values["remedy"]) == ("a.csv: is broken", "export it")
