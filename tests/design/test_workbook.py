"""The workbook survives being filled in and read back."""

import datetime as dt

import pytest
from openpyxl import load_workbook

import trialkit as tk
from tests.design.conftest import write_trial
from trialkit.columns.harvest import STATES
from trialkit.design.sheets.plan_folder import harvest_sheet
from trialkit.design.sheets.workbook import read_sheet, write_harvest_book, write_workbook
from trialkit.errors import PlanError


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    trial = write_trial(
        tmp_path_factory.mktemp("book"),
        "structure = '(batch * chamber) / block'\nbatch = ['=B1', 'B2']\nchamber = 4\nblock = 2\n"
        "flushes = 2",
        {"schedule": ("batch:chamber", 2, "")},
        extra="[blocks]\nwet_g = 2500\n",
    )
    return tk.assign(trial)


def test_reading_back_is_exact(plan, tmp_path):
    book = write_harvest_book(plan, tmp_path / "weigh.xlsx")
    written = harvest_sheet(plan).astype(object)
    assert read_sheet(book).equals(written)
    path = write_workbook(plan, tmp_path / "plan.xlsx")
    assert read_sheet(path, "assignment").equals(plan.table.astype(object))


def test_filled_in_values_come_back_as_typed(plan, tmp_path):
    path = write_harvest_book(plan, tmp_path / "weigh.xlsx")
    book = load_workbook(path)
    sheet = book["harvest"]
    heads = [cell.value for cell in sheet[1]]
    values = {"date": dt.date(2031, 2, 3), "fresh_g": 412.7, "dry_g": 39.25, "caps": 17,
              "status": "ok", "note": "=1+1 is not a sum; ünïcode – too"}  # fmt: skip
    for name, value in values.items():
        cell = sheet.cell(4, heads.index(name) + 1)
        cell.value = value
        if name == "note":
            cell.data_type = "s"
    book.save(path)
    row = read_sheet(path).iloc[2]
    assert {name: row[name] for name in values} == values


def test_text_that_begins_like_a_formula_stays_text(plan, tmp_path):
    path = write_workbook(plan, tmp_path / "plan.xlsx")
    sheet = load_workbook(path)["assignment"]
    cell = sheet.cell(2, 1)
    assert (cell.value, cell.data_type) == ("=B1", "s")
    assert cell.quotePrefix


def test_another_reader_sees_the_same(plan, tmp_path):
    """Read by calamine, which shares no code with the writer."""
    from python_calamine import CalamineWorkbook

    path = write_workbook(plan, tmp_path / "plan.xlsx")
    rows = CalamineWorkbook.from_path(path).get_sheet_by_name("assignment").to_python()
    assert rows[0] == list(plan.table.columns)
    assert rows[1:] == plan.table.to_numpy().tolist()


def test_codes_are_locked_and_entries_open(plan, tmp_path):
    sheet = load_workbook(write_harvest_book(plan, tmp_path / "weigh.xlsx"))["harvest"]
    assert sheet.protection.sheet
    heads = [cell.value for cell in sheet[1]]
    locked = {name: sheet.cell(2, j + 1).protection.locked for j, name in enumerate(heads)}
    assert [name for name, shut in locked.items() if not shut] == [
        "date", "fresh_g", "dry_g", "caps", "status", "note"
    ]  # fmt: skip


def test_entries_are_checked_while_typing(plan, tmp_path):
    sheet = load_workbook(write_harvest_book(plan, tmp_path / "weigh.xlsx"))["harvest"]
    rules = {str(rule.sqref): rule for rule in sheet.data_validations.dataValidation}
    by_type = {rule.type: rule for rule in rules.values()}
    assert by_type["list"].formula1 == '"' + ",".join(STATES) + '"'
    assert float(by_type["decimal"].formula2) == 2500  # no flush outweighs the wet block
    assert by_type["whole"].operator == "between"
    last = sheet.max_row
    assert all(str(last) in where for where in rules)


def test_sheet_for_whoever_weighs_holds_no_treatment(plan, tmp_path):
    path = write_harvest_book(plan, tmp_path / "weigh.xlsx")
    assert load_workbook(path).sheetnames == ["harvest"]
    sheet = read_sheet(path)
    for level in plan.trial.factors["schedule"].levels:
        assert not (sheet == level).any().any()


def test_the_plans_workbook_has_no_sheet_to_weigh_into(plan, tmp_path):
    book = load_workbook(write_workbook(plan, tmp_path / "plan.xlsx"))
    assert book.sheetnames == ["assignment", "timers", "strata"]


def test_unreadable_files_and_missing_sheets_are_refused(plan, tmp_path):
    path = write_harvest_book(plan, tmp_path / "weigh.xlsx")
    with pytest.raises(PlanError, match="no sheet 'timers'"):
        read_sheet(path, "timers")
    (tmp_path / "no.xlsx").write_text("not a workbook")
    with pytest.raises(PlanError, match="cannot be read"):
        read_sheet(tmp_path / "no.xlsx")
