"""The plan as a workbook: assignment, harvest sheet to fill in, timers, strata."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.design.assign import Plan


def write_workbook(plan: Plan, path: str | Path) -> Path:
    """Write the workbook of a plan."""
    from openpyxl import Workbook

    from trialkit.design.planfile import harvest_sheet, timer_table
    from trialkit.design.strata import strata

    book = Workbook()
    del book[book.sheetnames[0]]
    _fill(book.create_sheet("assignment"), plan.table)
    _fill(book.create_sheet("harvest"), harvest_sheet(plan))
    _fill(book.create_sheet("timers"), timer_table(plan))
    _fill(book.create_sheet("strata"), strata(plan.trial).table)
    book.save(path)
    return Path(path)


def _fill(sheet: Any, table: pd.DataFrame) -> None:
    sheet.append(list(table.columns))
    for row in table.itertuples(index=False):
        sheet.append([None if value == "" else value for value in row])
