"""Results of reading are kept by content; a damaged or stale cache is never believed."""

from __future__ import annotations

import dataclasses
import shutil
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from tests.logs.folder import make_trial
from trialkit.columns import own_column
from trialkit.logs import cache as kept
from trialkit.logs.climate.read import read_environment
from trialkit.logs.harvest.read import read_harvest
from trialkit.logs.log import Log
from trialkit.logs.mist.read import read_mist
from trialkit.trial import Trial, read_trial
from trialkit.wording import catalogue, read_wording, speaking

FILES = {
    "T1.csv": b"time,temp_c,rh_pct\n2031-01-14 00:00,20,88\n2031-01-14 00:00,20,88\n"
    b"2031-01-14 00:01,x,87\n",
    "mist.csv": b"time,chamber,state\n2031-01-14 00:00,T1,on\n2031-01-14 00:01,T1,off\n",
    "harvest.csv": b"unit,flush,date,fresh_g\nB1-T1-top-1,1,2031-01-20,400\nB9,1,2031-01-20,3\n",
}
LOGS = """
[logs.environment]
files = ["T1.csv"]
[logs.mist]
files = ["mist.csv"]
[logs.harvest]
files = ["harvest.csv"]
"""
READERS = {"environment": read_environment, "mist": read_mist, "harvest": read_harvest}


@pytest.fixture
def trial(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Trial:
    monkeypatch.setattr(kept, "SMALLEST", 0)
    return make_trial(tmp_path, FILES, LOGS)


def same(first: Log, second: Log) -> None:
    pd.testing.assert_frame_equal(first.table, second.table)
    pd.testing.assert_frame_equal(first.ledger.table, second.ledger.table)
    pd.testing.assert_frame_equal(first.ledger.counts, second.ledger.counts)
    pd.testing.assert_frame_equal(first.spans, second.spans)
    assert (first.findings, first.files, first.kind) == (
        second.findings,
        second.files,
        second.kind,
    )


def refuse(*args: Any, **more: Any) -> Log:
    raise AssertionError("the files were read again")


@pytest.mark.parametrize("kind", READERS)
def test_the_second_reading_is_the_same_and_reads_nothing(kind: str, trial: Trial) -> None:
    first = READERS[kind](trial)
    second = kept.read_cached(trial, kind, refuse)
    same(first, second)
    same(first, READERS[kind](trial, cache=False))


def test_what_was_found_is_kept_as_messages_and_said_in_any_language(
    trial: Trial, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Findings and ledger of a cached log, said in a second language and in English again."""
    real = catalogue._entries
    own = {"finding.noon": "bez godziny", "row_reason.unknown_unit": "nie ma takiego kodu"}
    monkeypatch.setattr(catalogue, "_entries", lambda name: own if name == "pl" else real(name))
    read_wording.cache_clear()
    try:
        first = read_harvest(trial)
        second = kept.read_cached(trial, "harvest", refuse)
        same(first, second)
        with speaking("pl"):
            told = [str(f) for log in (first, second) for f in log.findings if f.code == "noon"]
            reasons = [log.ledger.table["reason"].iloc[-1] for log in (first, second)]
        assert told == 2 * ["Note: bez godziny"]
        assert reasons == 2 * ["nie ma takiego kodu"]
        assert second.ledger.table["reason"].iloc[-1] == "no unit of the trial has this code"
    finally:
        read_wording.cache_clear()


def test_a_cache_whose_messages_the_catalogue_no_longer_has_is_not_used(
    trial: Trial, monkeypatch: pytest.MonkeyPatch
) -> None:
    read_environment(trial)
    real = catalogue._entries
    more = {"row_reason.of_a_later_version": "words"}
    monkeypatch.setattr(catalogue, "_entries", lambda name: real(name) | more)
    read_wording.cache_clear()
    try:
        with pytest.raises(AssertionError, match="read again"):
            kept.read_cached(trial, "environment", refuse)
    finally:
        read_wording.cache_clear()


@pytest.mark.parametrize("change", ["a log", "the trial file", "a new file"])
def test_any_change_is_noticed(change: str, trial: Trial) -> None:
    before = read_environment(trial)
    if change == "a log":
        path = trial.folder / "T1.csv"
        path.write_bytes(path.read_bytes() + b"2031-01-14 00:02,21,80\n")
    elif change == "the trial file":
        text = trial.source.read_text(encoding="utf-8").replace(
            '["T1.csv"]', '["T1.csv"]\nunits = { temp_c = "degF" }'
        )
        trial.source.write_text(text, encoding="utf-8")
    else:
        shutil.copy(trial.folder / "T1.csv", trial.folder / "T2.csv")
        text = trial.source.read_text(encoding="utf-8").replace('"T1.csv"', '"T*.csv"')
        trial.source.write_text(text, encoding="utf-8")
    after = read_environment(read_trial(trial.folder))
    assert not after.table.equals(before.table)


@pytest.mark.parametrize("name", ["table.parquet", "ledger.parquet", "log.json", "counts.parquet"])
@pytest.mark.parametrize("damage", ["cut", "changed", "gone", "another"])
def test_a_damaged_cache_is_read_anew(name: str, damage: str, trial: Trial) -> None:
    first = read_environment(trial)
    [place] = (trial.folder / ".cache" / "logs").glob("environment-*")
    path = place / name
    data = path.read_bytes()
    if damage == "gone":
        path.unlink()
    elif damage == "cut":
        path.write_bytes(data[: len(data) // 2])
    elif damage == "changed":
        path.write_bytes(data[:20] + b"\x00\x01" + data[22:])
    else:
        path.write_bytes(b"{}")
    same(first, read_environment(trial))


def test_only_the_last_result_is_kept_and_all_may_be_deleted(trial: Trial) -> None:
    read_environment(trial)
    path = trial.folder / "T1.csv"
    path.write_bytes(path.read_bytes() + b"2031-01-14 00:02,21,80\n")
    log = read_environment(trial)
    assert len(list((trial.folder / ".cache" / "logs").glob("environment-*"))) == 1
    shutil.rmtree(trial.folder / ".cache")
    same(log, read_environment(trial))


def test_a_folder_that_cannot_be_written_is_read_all_the_same(
    trial: Trial, monkeypatch: pytest.MonkeyPatch
) -> None:
    def deny(*args: Any, **more: Any) -> str:
        raise PermissionError("read-only")

    monkeypatch.setattr(kept.tempfile, "mkdtemp", deny)
    assert len(read_environment(trial).table) == 2
    assert not list((trial.folder / ".cache" / "logs").glob("environment-*"))


def test_small_logs_and_the_demo_as_it_ships_leave_no_traces(tmp_path: Path) -> None:
    read_environment(make_trial(tmp_path, FILES, LOGS))
    assert not (tmp_path / ".cache").exists()
    assert kept.ships(Path(kept.__file__).parents[1] / "_demo")
    assert not kept.ships(tmp_path)


def test_a_harvest_is_read_again_when_a_column_is_added_to_the_register(tmp_path: Path) -> None:
    trial = make_trial(tmp_path, {}, "")
    other = dataclasses.replace(trial, columns={"stem_mm": own_column("stem_mm", unit="mm")})
    assert kept._key(trial, "harvest", []) != kept._key(other, "harvest", [])
    assert kept._key(trial, "mist", []) == kept._key(other, "mist", [])
