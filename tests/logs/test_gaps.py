"""One file that cannot be read stops only what depends on it; the gap is told."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.logs.folder import TRIAL, make_trial
from trialkit.errors import LogError
from trialkit.logs.climate.read import read_environment
from trialkit.logs.harvest.read import read_harvest
from trialkit.logs.log import Log
from trialkit.logs.mist.read import read_mist

GOOD = b"time,temp_c\n2031-01-14 10:00,15\n2031-01-14 10:10,16\n"
OPEN = b"time,temp_c\n03/04/2031 10:00,15\n"  # day or month first: nothing tells
TORN = b"PK\x03\x04 no archive"


def climate(folder: Path, files: dict[str, bytes], named: str = '"*.csv"') -> Log:
    return read_environment(make_trial(folder, files, f"\n[logs.environment]\nfiles = [{named}]\n"))


def gaps(log: Log) -> list[tuple[str, str]]:
    return [(f.severity, f.message) for f in log.findings if f.code == "file_unread"]


@pytest.mark.parametrize(
    ("bad", "why"), [(OPEN, "03/04/2031"), (TORN, "damaged"), (b"a,b\n1,2\n", "no column")]
)
def test_the_other_climate_files_are_read_and_the_gap_is_told(
    bad: bytes, why: str, tmp_path: Path
) -> None:
    log = climate(tmp_path, {"T1.csv": GOOD, "T2.csv": bad})
    assert log.table["chamber"].tolist() == ["T1", "T1"]
    assert log.ledger.adds_up
    assert log.ledger.summary()["file"].tolist() == ["T1.csv"]
    [(severity, words)] = gaps(log)
    assert severity == "caution"
    assert "T2.csv" in words
    assert why in words
    assert len(words) < 500


def test_a_file_that_is_not_there_is_a_gap_too(tmp_path: Path) -> None:
    log = climate(tmp_path, {"T1.csv": GOOD}, '"T1.csv", "T2.csv"')
    [(_, words)] = gaps(log)
    assert "'T2.csv'" in words


def test_where_no_file_can_be_read_all_reasons_are_given(tmp_path: Path) -> None:
    with pytest.raises(LogError) as stopped:
        climate(tmp_path, {"T1.csv": OPEN, "T2.csv": TORN})
    assert all(part in str(stopped.value) for part in ("2 log files", "T1.csv", "T2.csv"))
    with pytest.raises(LogError, match="no file fits"):
        climate(tmp_path, {}, '"T9.csv"')


def test_a_harvest_sheet_that_is_missing_blocks_the_verdict(tmp_path: Path) -> None:
    sheet = b"unit,flush,date,fresh_g\nB1-T1-top-1,1,2031-01-20,400\n"
    files = {"a.csv": sheet, "b.csv": TORN}
    trial = make_trial(tmp_path, files, '\n[logs.harvest]\nfiles = ["a.csv", "b.csv"]\n')
    log = read_harvest(trial)
    assert len(log.table) == 1
    [(severity, words)] = gaps(log)
    assert severity == "stop"
    assert "weights are missing" in words


def test_what_a_broken_file_began_to_tell_is_forgotten(tmp_path: Path) -> None:
    """Rows set aside before the file was given up are in no account."""
    power = b"time,power_w\n2031-01-14 10:00,90\nnonsense,80\n"
    state = b"time,state\n2031-01-14 10:00,on\n2031-01-14 10:01,off\n"
    files = {"T1.csv": state, "T2.csv": power}
    logs = '\n[logs.mist]\nfiles = ["*.csv"]\n'
    trial = make_trial(tmp_path, files, logs, trial=TRIAL.replace("fogger_w = 80", ""))
    log = read_mist(trial)
    assert log.table["on_s"].tolist() == [60]
    assert log.ledger.summary()["read"].tolist() == [2]
    assert "which power means mist" in gaps(log)[0][1]
