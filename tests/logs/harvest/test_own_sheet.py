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
    filled = _fill(tmp_path / "plan" / "harvest_sheet.xlsx", tmp_path / "filled.xlsx")
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


def _unread(folder: Path, head: str, row: str, section: str = "") -> list[str]:
    sheet = f"unit,flush,date,fresh_g,{head}\nB1-T1-top-1,1,2031-01-20,400,{row}\n"
    logs = f'\n[logs.harvest]\nfiles = ["h.csv"]\n{section}'
    log = tk.read_harvest(make_trial(folder, {"h.csv": sheet.encode()}, logs))
    return [str(f) for f in log.findings if f.code == "columns_unread"]


def test_a_column_that_nothing_reads_is_told(tmp_path: Path) -> None:
    [told] = _unread(tmp_path / "1", "picker,cap diameter", "Ann,55")
    assert "'picker' and 'cap diameter'" in told
    assert "dry_g" in told  # one that could be meant and is not named yet
    [one] = _unread(tmp_path / "2", "picker,cap diameter", "Ann,")  # empty: nothing is lost
    assert "'picker'" in one
    assert "cap diameter" not in one
    assert _unread(tmp_path / "3", "remark", "wet", 'columns = { note = "remark" }\n') == []
    assert _unread(tmp_path / "4", "batch,chamber,shelf,block", "B1,T1,top,1") == []
    own = '\n[columns.cap_mm]\nrange = [5, 250]\npools = "mean"\nunit = "mm"\n'
    mapped = 'columns = { cap_mm = "cap (cm)" }\n' + own
    assert _unread(tmp_path / "5", "cap (cm)", "5.5", mapped) == []
