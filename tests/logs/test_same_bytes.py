"""What was read is what was hashed, also while files change, vanish or are swapped."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path
from typing import Any

import pytest

from tests.logs.folder import make_trial
from trialkit import whole_files
from trialkit.errors import LogError
from trialkit.logs import cache as kept
from trialkit.logs import opening
from trialkit.logs.climate.read import _read, read_environment
from trialkit.logs.text import files
from trialkit.trial import Trial
from trialkit.whole_files import (
    TooLargeError,
    read_regular,
    remove_spare,
    whole_folder,
    write_whole,
)

LOGS = '\n[logs.environment]\nfiles = ["T1.csv"]\n'
HEAD = b"time,temp_c\n"
ROWS = [f"2031-01-14 00:{i:02d},{20 + i / 10}\n".encode() for i in range(30)]


@pytest.fixture
def trial(tmp_path: Path) -> Trial:
    return make_trial(tmp_path, {"T1.csv": HEAD + b"".join(ROWS[:10])}, LOGS)


def test_rows_that_a_logger_appends_meanwhile_are_in_both_or_in_neither(
    trial: Trial, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = trial.folder / "T1.csv"

    def then_append(*args: Any) -> Any:
        out = files.read_once(*args)
        with path.open("ab") as log:  # the logger writes just now, half a line
            log.write(ROWS[10] + ROWS[11][:9])
        return out

    monkeypatch.setattr(opening, "read_once", then_append)
    log = read_environment(trial, cache=False)
    assert len(log.table) == 10
    assert log.files[0].sha256 == hashlib.sha256(HEAD + b"".join(ROWS[:10])).hexdigest()
    monkeypatch.undo()
    again = read_environment(trial, cache=False)  # the half line is told, not taken
    assert again.ledger.summary()[["read", "kept", "set_aside"]].values.tolist() == [[12, 11, 1]]
    assert again.files[0].sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


def test_a_file_that_was_another_while_it_was_read_and_returned_meets_no_wrong_cache(
    trial: Trial, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(kept, "SMALLEST", 0)
    path = trial.folder / "T1.csv"
    first = path.read_bytes()
    other = first.replace(b",20.", b",30.")

    def read_the_other() -> Any:
        path.write_bytes(other)
        try:
            return _read(trial)
        finally:
            path.write_bytes(first)

    swapped = kept.read_cached(trial, "environment", read_the_other)
    assert swapped.table["temp_c"].min() == 30
    now = read_environment(trial)
    assert now.table["temp_c"].min() == 20
    assert now.files[0].sha256 == hashlib.sha256(first).hexdigest()
    path.write_bytes(other)
    assert read_environment(trial).table["temp_c"].min() == 30


def test_times_of_files_play_no_part(trial: Trial, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kept, "SMALLEST", 0)
    path = trial.folder / "T1.csv"
    read_environment(trial)
    stat = path.stat()
    path.write_bytes(path.read_bytes().replace(b",20.", b",30."))
    os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    assert read_environment(trial).table["temp_c"].min() == 30


@pytest.mark.parametrize("instead", ["nothing", "a folder", "a pipe"])
def test_a_file_that_is_gone_or_another_thing_when_it_is_opened_is_told(
    instead: str, trial: Trial, monkeypatch: pytest.MonkeyPatch
) -> None:
    def find_then_swap(*args: Any) -> Any:
        out = files.find_files(*args)
        path = trial.folder / "T1.csv"
        path.unlink()
        if instead == "a folder":
            path.mkdir()
        elif instead == "a pipe":
            os.mkfifo(path)
        return out

    monkeypatch.setattr(opening, "find_files", find_then_swap)
    with pytest.raises(LogError, match=r"T1\.csv: cannot be opened"):
        read_environment(trial, cache=False)


def test_a_file_that_grows_without_end_is_not_read_without_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "log.csv"
    path.write_bytes(b"x" * 1000)
    assert read_regular(path, most=1000) == b"x" * 1000
    with pytest.raises(TooLargeError):
        read_regular(path, most=999)
    monkeypatch.setattr(whole_files, "_PIECE", 100)
    stat = os.fstat

    def when_it_was_short(handle: int) -> os.stat_result:
        about = list(stat(handle))
        about[6] = 10
        return os.stat_result(about)

    monkeypatch.setattr(os, "fstat", when_it_was_short)
    assert read_regular(path, most=1000) == b"x" * 1000
    with pytest.raises(TooLargeError):
        read_regular(path, most=500)


def test_spare_files_of_a_killed_run_are_removed_and_those_of_a_running_one_stay(
    tmp_path: Path,
) -> None:
    old, young, ahead = (tmp_path / f".results-spare-{name}" for name in ("old", "young", "ahead"))
    for folder, age in ((old, 7200), (young, 60), (ahead, -7200)):
        folder.mkdir()
        (folder / "half.csv").write_text("x", encoding="utf-8")
        moment = whole_files.time.time() - age
        os.utime(folder, (moment, moment))
    mine = tmp_path / ".results-archive1"
    mine.mkdir()
    with whole_folder(tmp_path / "results") as spare:
        (spare / "a.csv").write_text("1", encoding="utf-8")
    left = sorted(p.name for p in tmp_path.iterdir())
    assert left == [".results-archive1", ".results-spare-young", "results"]
    half = tmp_path / ".report.html.spare-abc"
    half.write_text("x", encoding="utf-8")
    os.utime(half, (1, 1))
    write_whole(tmp_path / "report.html", "whole")
    assert not half.exists()
    remove_spare(tmp_path / "missing", "*")


def test_two_that_keep_the_same_at_once_leave_one_whole_result(
    trial: Trial, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(kept, "SMALLEST", 0)
    log = _read(trial)
    place = (
        trial.folder
        / ".cache"
        / "logs"
        / f"environment-{kept._key(trial, 'environment', log.files)}"
    )
    replace = os.replace

    def another_is_first(source: Any, target: Any) -> None:
        monkeypatch.setattr(os, "replace", replace)
        kept._store(place, "environment", log)
        replace(source, target)

    monkeypatch.setattr(os, "replace", another_is_first)
    kept._store(place, "environment", log)
    assert [p.name for p in place.parent.iterdir()] == [place.name]
    found = kept._load(place, "environment")
    assert found is not None
    assert found.table.equals(log.table)
