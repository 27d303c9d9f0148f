"""Every nasty file gets what it must: rows kept, rows set aside by rule, or a clear error."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest

from tests.logs.folder import make_trial
from tests.logs.nasty import CASES, Case
from trialkit.errors import LogError
from trialkit.logs.climate.read import read_environment
from trialkit.logs.harvest.read import read_harvest
from trialkit.logs.mist.read import read_mist

READERS = {"environment": read_environment, "harvest": read_harvest, "mist": read_mist}


def _section(case: Case) -> str:
    files = ", ".join(f'"{name}"' for name in case.files) or '"climate_*.csv"'
    return f"\n[logs.{case.kind}]\nfiles = [{files}]\n{case.logs}"


def test_there_are_enough_nasty_files() -> None:
    assert len(CASES) >= 60
    assert len({case.name for case in CASES}) == len(CASES)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_nasty_file(case: Case, tmp_path: Path) -> None:
    trial = make_trial(tmp_path, case.files, _section(case))
    if case.error is not None:
        with pytest.raises(LogError, match=case.error):
            READERS[case.kind](trial)
        return
    log = READERS[case.kind](trial)
    lines = log.ledger.table
    by_action = {
        action: Counter[str](
            dict(lines[lines["action"] == action].groupby("rule")["rows"].sum().astype(int))
        )
        for action in ("set aside", "changed", "note")
    }
    assert log.ledger.adds_up
    assert by_action["set aside"] == Counter(case.aside)
    assert by_action["changed"] == Counter(case.changed)
    if case.noted:
        assert by_action["note"] == Counter(case.noted)
    if case.rows is not None:
        assert len(log.table) == case.rows
    codes = {f.code for f in log.findings}
    assert set(case.findings) <= codes
    if case.check is not None:
        assert case.check(log), log.table.to_string()


@pytest.mark.parametrize("case", CASES[:60:7], ids=lambda case: case.name)
def test_source_files_are_untouched(case: Case, tmp_path: Path) -> None:
    trial = make_trial(tmp_path, case.files, _section(case))
    try:
        READERS[case.kind](trial)
    except LogError:
        assert case.error is not None
    for name, data in case.files.items():
        assert (tmp_path / name).read_bytes() == data
