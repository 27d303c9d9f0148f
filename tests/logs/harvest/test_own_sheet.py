"""The harvest sheet that the plan writes is read back without naming a column."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import openpyxl

import trialkit as tk
from tests.logs.folder import make_trial


def _fill(book: Path, out: Path) -> int:
    """Enter weights for the first batch into the sheet of a plan's workbook."""
    workbook = openpyxl.load_workbook(book)
    page = workbook["harvest"]
    heads = [cell.value for cell in page[1]]
    filled = 0
    for row in page.iter_rows(min_row=2):
        if str(row[heads.index("unit")].value).startswith("B1"):
            first = row[heads.index("flush")].value == 1
            row[heads.index("date")].value = dt.date(2031, 1, 20) if first else dt.date(2031, 2, 1)
            row[heads.index("fresh_g")].value = 300.5
            filled += 1
    workbook.save(out)
    return filled


def test_filled_workbook(tmp_path: Path) -> None:
    tk.assign(make_trial(tmp_path, {}, "")).write(tmp_path)
    filled = _fill(tmp_path / "plan" / "assignment.xlsx", tmp_path / "filled.xlsx")
    trial = make_trial(tmp_path, {}, '\n[logs.harvest]\nfiles = ["filled.xlsx"]\n')
    log = tk.read_harvest(trial)
    assert len(log.table) == filled
    assert set(log.table["fresh_g"]) == {300.5}
    assert set(log.table["time"].dt.strftime("%Y-%m-%d %H:%M")) == {
        "2031-01-20 11:00",
        "2031-02-01 11:00",
    }
    assert set(log.ledger.table["rule"]) == {"not filled in"}
    assert log.ledger.adds_up


def test_the_empty_sheet_is_an_empty_harvest(tmp_path: Path) -> None:
    tk.assign(make_trial(tmp_path, {}, "")).write(tmp_path)
    trial = make_trial(tmp_path, {}, '\n[logs.harvest]\nfiles = ["plan/harvest_sheet.csv"]\n')
    log = tk.read_harvest(trial)
    assert len(log.table) == 0
    assert len(log.ledger.table) == 1
    assert log.ledger.summary()["set_aside"].tolist() == [64]
