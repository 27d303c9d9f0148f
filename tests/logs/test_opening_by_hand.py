"""Files of a log opened one after the other: what each leaves in the findings, by hand."""

from __future__ import annotations

import gzip
from pathlib import Path

import pytest

from tests.logs import binary_files
from tests.logs.folder import make_trial
from trialkit.errors import LogError
from trialkit.logs.climate.read import read_environment
from trialkit.logs.log import Log
from trialkit.logs.opening import start_reading

HEAD, ROW = b"time,temp_c\n", b"2031-01-14 10:00,20\n"


def read(folder: Path, files: dict[str, bytes], patterns: str = '"T*"', section: str = "") -> Log:
    logs = f"\n[logs.environment]\nfiles = [{patterns}]\n{section}\n"
    return read_environment(make_trial(folder, files, logs), cache=False)


def codes(log: Log) -> list[str]:
    return [f.code for f in log.findings]


def base() -> bytes:
    return binary_files.database("CREATE TABLE log (time TEXT, temp_c REAL)",
                                 rows={"log": [("2031-01-14 10:00", 20.0)]})  # fmt: skip


@pytest.mark.parametrize(
    ("name", "data", "beside", "told"),
    [("T1.db", base(), b"x", True), ("T1.db", base(), b"", False), ("T1.db", base(), None, False),
     ("T1.csv", HEAD + ROW, b"x", False)],
    ids=["waiting", "empty", "none", "text"],
)  # fmt: skip
def test_changes_that_wait_beside_a_database_are_told(
    name: str, data: bytes, beside: bytes | None, told: bool, tmp_path: Path
) -> None:
    files = {name: data} | ({} if beside is None else {f"{name}-wal": beside})
    log = read(tmp_path, files, f'"{name}"')
    assert codes(log) == (["database_waiting"] if told else [])
    assert len(log.table) == 1


@pytest.mark.parametrize(
    ("text", "found"),
    [(HEAD, ["no_rows"]), (HEAD + ROW, []), (HEAD + b"2031-01-14,1,2,3\n", [])],
    ids=["heads alone", "a row", "a broken row"],
)
def test_heads_without_a_row_are_told(text: bytes, found: list[str], tmp_path: Path) -> None:
    assert codes(read(tmp_path, {"T1.csv": text})) == found


def test_each_file_is_read_once_and_what_is_missing_is_told(tmp_path: Path) -> None:
    log = read(tmp_path / "1", {"T1.csv": HEAD + ROW}, '"T1.csv", "T*", "lost.csv"')
    assert log.ledger.summary()["read"].tolist() == [1]
    [told] = log.findings
    assert (told.code, told.severity) == ("file_unread", "caution")
    assert "'lost.csv'" in told.message
    with pytest.raises(LogError, match="log files are missing"):
        read(tmp_path, {}, '"lost.csv"')


def test_a_file_that_stops_leaves_no_trace_of_itself(tmp_path: Path) -> None:
    """The second file asks for the order of day and month; what it said before is forgotten."""
    doubtful = b"time,temp_c\n03/04/2031 10:00,20\n"
    log = read(tmp_path / "1", {"T1.csv": HEAD + ROW, "T2.csv": doubtful})
    assert codes(log) == ["file_unread"]
    assert log.ledger.summary()["file"].tolist() == ["T1.csv"]
    with pytest.raises(LogError, match="day_first"):
        read(tmp_path / "2", {"T2.csv": doubtful})
    with pytest.raises(LogError, match="2 log files cannot be read"):
        read(tmp_path / "3", {"T2.csv": doubtful, "T3.csv": doubtful})


def test_a_packed_file_that_ends_too_early_is_told(tmp_path: Path) -> None:
    data = gzip.compress(HEAD + ROW * 3000 + b"2031-01-14 10:01,21\n" * 9000, mtime=0)
    log = read(tmp_path, {"T1.csv.gz": data[:-20]})
    assert "cut_short" in codes(log)


def test_sheets_of_a_workbook_without_a_log_are_told_and_left(tmp_path: Path) -> None:
    book = binary_files.workbook({
        "log": [["time", "temp_c"], ["2031-01-14 10:00", 20.5]],
        "notes": [["remark", "by"], ["wet", "me"]],
    })  # fmt: skip
    log = read(tmp_path, {"T1.xlsx": book}, section='columns = { temp_c = "temp_c" }')
    assert len(log.table) == 1
    assert codes(log) == ["sheet_left"]


def test_what_the_trial_file_says_of_files(tmp_path: Path) -> None:
    section = (
        'chamber = { "a.csv" = "T2" }\nsensor = { "a.csv" = "probe" }\n'
        'time_zone = { "a.csv" = "+02:00" }\nclock = [{ file = "a.csv", add_s = 60 }]'
    )
    log = read(tmp_path, {"a.csv": HEAD + ROW, "T1.csv": HEAD + ROW}, '"*.csv"', section)
    table = log.table.set_index("chamber")
    assert table.loc["T2", "sensor"] == "probe"
    assert table.loc["T2", "time"].strftime("%H:%M") == "08:01"  # +2 h, and a minute late
    assert table.loc["T1", "time"].strftime("%H:%M") == "09:00"


def test_a_log_that_the_trial_does_not_name(tmp_path: Path) -> None:
    trial = make_trial(tmp_path, {}, "")
    with pytest.raises(LogError, match="names no mist log"):
        start_reading(trial, "mist", lambda *_: "")
