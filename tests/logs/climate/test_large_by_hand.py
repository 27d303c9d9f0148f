"""A log read chamber by chamber: steps told, findings of pieces, copies beyond count; by hand."""

from __future__ import annotations

import re
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from tests.logs.climate.test_series_by_hand import HEAD, finding, minutes, read, said
from tests.logs.folder import make_trial
from trialkit.errors import LogError
from trialkit.logs.climate import copies, large, split_file
from trialkit.logs.climate.large import EvenRows, read_large_environment

LOGS = '\n[logs.environment]\nfiles = ["*.csv"]\ntime_zone = "UTC"\n'
ROWS = "2031-01-14 10:00,T1,20,80\n2031-01-14 10:00,T3,21,81\n"


def test_the_bounds_are_those_that_the_documentation_states() -> None:
    docs = Path(__file__).parents[3] / "docs"
    for name in ("limits.md", "reliability.md"):
        text = (docs / name).read_text(encoding="utf-8")
        [stated] = re.findall(r"Climate logs above (\d+) MB of text", text)
        assert int(stated) * 1024**2 == large.LARGE_BYTES
    assert split_file.SPLIT_BYTES == 64 * 1024**2  # an eighth of it


def test_each_file_and_each_chamber_is_a_step(tmp_path: Path) -> None:
    """Two files and four chambers: two of them have records, the others are done at the end."""
    files = {"a.csv": (HEAD + ROWS).encode(), "b.csv": (HEAD + ROWS).encode()}
    steps: list[tuple[int, int]] = []
    log = read_large_environment(
        make_trial(tmp_path, files, LOGS),
        progress=lambda done, planned: steps.append((done, planned)),
    )
    assert steps == [(1, 6), (2, 6), (3, 6), (4, 6), (6, 6)]
    assert log.outline.chambers == ("T1", "T3")
    assert log.read("T3")["temp_c"].tolist() == [21]
    assert log.ledger.summary()[["read", "kept", "set_aside"]].to_numpy().tolist() == [
        [2, 2, 0], [2, 0, 2]
    ]  # fmt: skip
    assert log.spans["records"].tolist() == [1, 1]


def test_a_unit_is_doubted_once_of_all_pieces_of_a_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(split_file, "SPLIT_BYTES", 10)
    rows = "".join(f"{t},T{1 + k % 2},70,80\n" for k, t in enumerate(minutes(24)))
    log = read_large_environment(make_trial(tmp_path, {"a.csv": (HEAD + rows).encode()}, LOGS))
    assert [f.values["file"] for f in log.findings if f.code == "unit_doubtful"] == ["a.csv"]
    assert log.ledger.summary()["read"].tolist() == [24]
    assert log.ledger.lines["row"].tolist() == []


def test_rows_of_pieces_have_the_numbers_of_the_whole_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(split_file, "SPLIT_BYTES", 10)
    a, b, c = minutes(3)
    text = f"{HEAD}{a},T1,20,80\n{a},T2,20,80\n{b},T1,x,80\nbroken\n{c},T2,,\n"
    log = read_large_environment(make_trial(tmp_path, {"a.csv": text.encode()}, LOGS))
    small = read(tmp_path / "small", {"a.csv": text})
    assert sorted(zip(log.ledger.lines["row"], log.ledger.lines["rule"], strict=True)) == sorted(
        zip(small.ledger.lines["row"], small.ledger.lines["rule"], strict=True)
    )
    assert {4, 5, 6} <= set(log.ledger.lines["row"])
    assert log.ledger.summary()["set_aside"].tolist() == [2]


def test_a_trial_without_chambers_has_no_such_log() -> None:
    nowhere: Any = SimpleNamespace(levels={"block": ("1",)})
    with pytest.raises(LogError, match="no chambers"):
        read_large_environment(nowhere)


def test_files_that_cannot_be_read_are_told_beside_those_that_can(tmp_path: Path) -> None:
    files = {"a.csv": (HEAD + ROWS).encode(), "b.csv": b"nothing,here\n1,2\n"}
    log = read_large_environment(make_trial(tmp_path / "1", files, LOGS))
    assert len([f for f in log.findings if f.code == "file_unread"]) == 1
    with pytest.raises(LogError, match=r"b\.csv"):
        read_large_environment(make_trial(tmp_path / "2", {"b.csv": files["b.csv"]}, LOGS))


def test_line_numbers_that_follow_each_other() -> None:
    rows = EvenRows(5, 3)
    assert (len(rows), rows[2], rows[[0, 1]].tolist()) == (3, 7, [5, 6])


# ------------------------------------------------------------------ copies


def test_copies_beyond_count_are_set_aside_without_a_look(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Here two beyond the first are compared; of five alike the last two count as others."""
    monkeypatch.setattr(copies, "_MOST_COPIES", 2)
    a = minutes(1)[0]
    log = read(tmp_path, {"a.csv": HEAD + f"{a},T1,20,80\n" * 5})
    assert said(log, "row", "rule") == [
        (3, "double export"), (4, "double export"), (5, "same time, other values"),
        (6, "same time, other values"),
    ]  # fmt: skip
    assert log.table["temp_c"].tolist() == [20]
    assert [v["count"] for v in finding(log, "double_export")] == [2]


def test_two_records_are_enough_to_be_copies_and_series_are_apart(tmp_path: Path) -> None:
    a, b = minutes(2)
    log = read(tmp_path / "1", {"a.csv": f"{HEAD}{a},T1,20,80\n{a},T1,20,80\n"})
    assert said(log, "row", "rule") == [(3, "double export")]
    apart = read(tmp_path / "2", {"a.csv": f"{HEAD}{a},T1,20,80\n{a},T2,20,80\n{b},T1,20,80\n"})
    assert len(apart.table) == 3
    assert said(apart, "row") == []


def test_a_record_that_adds_and_contradicts_is_set_aside_whole(tmp_path: Path) -> None:
    """Row 3 has another temperature, and a humidity that row 2 lacks: it is not used."""
    a = minutes(1)[0]
    log = read(tmp_path, {"a.csv": f"{HEAD}{a},T1,20,\n{a},T1,25,80\n"})
    assert said(log, "row", "rule") == [(3, "same time, other values")]
    assert log.table["temp_c"].tolist() == [20]
    assert log.table["rh_pct"].isna().all()
