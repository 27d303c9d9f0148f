"""The plan and the harvest sheet as workbooks that are filled in and read back exactly.

Unit codes are locked, entries are checked as they are typed (ranges, a list of states),
and text that begins like a formula stays text.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zipfile import BadZipFile

from trialkit.columns import COLUMNS
from trialkit.columns.harvest import STATES
from trialkit.design.layout.allocation import Allocation
from trialkit.design.sheets.harvest_form import entries
from trialkit.errors import PlanError
from trialkit.visible_text import visible
from trialkit.wording import spoken

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.trial import Trial

_SPARE = 2.0  # a flush heavier than the wet block is surely a slip; without it, twice the dry
_WIDTHS = {"unit": 18, "date": 12, "note": 36, "status": 14, "stratum": 26, "source": 20}
_HEAD_FILL, _ENTRY_FILL = "FFDDE6E4", "FFFFFBEA"


def write_workbook(plan: Allocation, path: str | Path) -> Path:
    """Write the plan's workbook: assignment, timers, strata.

    Weights are entered in a book of their own (`write_harvest_book`), so that whoever weighs
    does not see the treatments.

    Parameters
    ----------
    plan : Plan
    path : str or Path

    Returns
    -------
    Path
    """
    from trialkit.design.sheets.timers import timer_table
    from trialkit.design.strata.strata import strata

    book = _new_book()
    _fill(book.create_sheet("assignment"), plan.table)
    _fill(book.create_sheet("timers"), timer_table(plan))
    _fill(book.create_sheet("strata"), strata(plan.trial, plan=plan).table)
    return _save(book, path)


def write_harvest_book(plan: Allocation, path: str | Path) -> Path:
    """Write the harvest sheet alone, for whoever weighs and must not know the treatments."""
    from trialkit.design.sheets.harvest_form import harvest_sheet

    book = _new_book()
    _fill_harvest(book.create_sheet("harvest"), harvest_sheet(plan), plan.trial)
    return _save(book, path)


def read_sheet(path: str | Path, sheet: str = "harvest") -> pd.DataFrame:
    """Read a sheet of the workbook back, exactly as it was written and filled in.

    Parameters
    ----------
    path : str or Path
    sheet : str
        ``"harvest"`` in the harvest book; ``"assignment"``, ``"timers"`` or ``"strata"`` in the
        plan's workbook.

    Returns
    -------
    DataFrame
        Text stays text, numbers stay numbers, dates are `datetime.date`; empty cells are
        empty text.

    Raises
    ------
    PlanError
        If the file or the sheet is not there.
    """
    book = _open_book(path)
    if sheet not in book.sheetnames:
        raise PlanError(f"{path} has no sheet {sheet!r}; it has {', '.join(book.sheetnames)}")
    return _table_of(book[sheet])


def find_sheet(path: str | Path, sheet: str) -> pd.DataFrame | None:
    """Read a sheet as `read_sheet` does; None where the workbook has none of that name."""
    book = _open_book(path)
    return _table_of(book[sheet]) if sheet in book.sheetnames else None


def _table_of(sheet: Any) -> pd.DataFrame:
    import pandas as pd

    rows = list(sheet.iter_rows(values_only=True))
    heads = [str(name) for name in rows[0]]
    cells = [[_back(value) for value in row] for row in rows[1:]]
    kept = [row for row in cells if any(value != "" for value in row)]
    return pd.DataFrame(kept, columns=heads, dtype=object)


def _open_book(path: str | Path) -> Any:
    from openpyxl import load_workbook

    try:
        return load_workbook(path, data_only=False)
    except (OSError, KeyError, ValueError, BadZipFile) as problem:
        raise PlanError(f"{path} cannot be read as a workbook: {problem}") from None


def _back(value: Any) -> Any:
    if value is None:
        return ""
    if isinstance(value, dt.datetime) and value.time() == dt.time():
        return value.date()
    return value


def _new_book() -> Any:
    from openpyxl import Workbook

    book = Workbook()
    del book[book.sheetnames[0]]
    return book


def _save(book: Any, path: str | Path) -> Path:
    """Save without the moment of writing, so that equal plans give equal content."""
    moment = dt.datetime(2000, 1, 1)
    book.properties.created = book.properties.modified = moment
    book.properties.creator = "trialkit"
    book.save(path)
    return Path(path)


def put(cell: Any, value: Any) -> None:
    """Write one value into a cell; text is never taken for a formula.

    A leading apostrophe mark (not part of the text) tells spreadsheet programs the same.
    """
    import numpy as np

    if isinstance(value, np.generic):
        value = value.item()
    if value is None or value == "" or value != value:
        return
    if isinstance(value, str):
        value = visible(value)
    cell.value = value
    if isinstance(value, str):
        cell.data_type = "s"
        if value[0] in "=+-@\t\r":
            cell.quotePrefix = True


def _fill(sheet: Any, table: pd.DataFrame) -> None:
    """Write a table with heads, frozen and locked."""
    _heads(sheet, list(table.columns))
    for i, row in enumerate(table.itertuples(index=False), 2):
        for j, value in enumerate(row, 1):
            put(sheet.cell(i, j), value)
    sheet.protection.sheet = True


def _heads(sheet: Any, names: list[str]) -> None:
    from openpyxl.comments import Comment
    from openpyxl.styles import Alignment, Font, PatternFill
    from openpyxl.utils import get_column_letter

    for j, name in enumerate(names, 1):
        cell = sheet.cell(1, j)
        put(cell, name)
        cell.font = Font(bold=True)
        cell.fill = PatternFill("solid", fgColor=_HEAD_FILL)
        cell.alignment = Alignment(vertical="center")
        if name in COLUMNS:
            what = COLUMNS[name]
            cell.comment = Comment(what.meaning, "trialkit")
        width = _WIDTHS.get(name, max(10, len(name) + 3))
        sheet.column_dimensions[get_column_letter(j)].width = width
    sheet.freeze_panes = "A2"
    sheet.print_title_rows = "1:1"
    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True


def _fill_harvest(sheet: Any, table: pd.DataFrame, trial: Trial) -> None:
    """Write the harvest sheet: codes locked, entries open, checked and lightly tinted."""
    from openpyxl.styles import PatternFill, Protection

    _fill(sheet, table)
    names = list(table.columns)
    tint, free = PatternFill("solid", fgColor=_ENTRY_FILL), Protection(locked=False)
    for name in entries(trial):
        column = names.index(name) + 1
        for i in range(2, len(table) + 2):
            cell = sheet.cell(i, column)
            cell.protection, cell.fill = free, tint
            if name == "date":
                cell.number_format = spoken().date_form()
            elif name == "note":
                cell.number_format = "@"  # whatever is typed there stays text
    for name, rule in _rules(trial).items():
        letter = sheet.cell(1, names.index(name) + 1).column_letter
        rule.add(f"{letter}2:{letter}{len(table) + 1}")
        sheet.add_data_validation(rule)
    sheet.auto_filter.ref = sheet.dimensions
    sheet.protection.autoFilter = sheet.protection.sort = False  # both stay allowed
    sheet.protection.formatColumns = False


def _rules(trial: Trial) -> dict[str, Any]:
    """Give the checks made while typing."""
    from openpyxl.worksheet.datavalidation import DataValidation

    say = spoken().text

    def rule(kind: Any, low: object, high: object, what: str) -> Any:
        return DataValidation(
            type=kind,
            operator="between",
            formula1=str(low),
            formula2=str(high),
            allow_blank=True,
            showErrorMessage=True,
            errorTitle=say("sheet_rule.title"),
            error=say("sheet_rule.all_the_same", what=what),
            showInputMessage=True,
            promptTitle="",
            prompt=what,
        )

    measured = {}
    for name, column in trial.harvest_columns.items():
        most = _heaviest(trial) if column.typed_most is None else column.typed_most
        kind = "whole" if column.whole else "decimal"
        measured[name] = rule(kind, f"{column.possible[0]:.15g}", str(most), column.prompt(most))
    states = DataValidation(
        type="list",
        formula1='"' + ",".join(STATES) + '"',
        allow_blank=True,
        showErrorMessage=True,
        errorTitle=say("sheet_rule.title"),
        error=say("sheet_rule.states", states=", ".join(STATES)),
    )
    return {
        "date": rule("date", "DATE(2000,1,1)", "DATE(2100,12,31)", say("sheet_rule.date")),
        **measured,
        "status": states,
    }


def _heaviest(trial: Trial) -> float:
    blocks = trial.blocks
    if blocks.max_flush_g is not None:
        return float(blocks.max_flush_g)
    if blocks.wet_g is not None:
        return float(blocks.wet_g)
    return float(_SPARE * blocks.dry_substrate_g) if blocks.dry_substrate_g else 20_000.0
