"""The rules of the harvest sheet about single values: impossible, or doubtful."""

from __future__ import annotations

import numpy as np

from trialkit.columns import HarvestColumn
from trialkit.logs.harvest.entries import Sheet, show_values
from trialkit.logs.reading import Reading
from trialkit.wording import message

#: Dry matter of fresh mushrooms beyond these shares is doubtful (common practice, no source).
DRY_SHARE = (0.02, 0.40)


def check_values(reading: Reading, sheet: Sheet) -> None:
    """Catch values of one sheet that cannot be, by the rule of their column.

    What loses the whole entry comes first: it is set aside once, by the first rule.
    """
    columns = reading.trial.harvest_columns.values()
    for column in columns:
        if column.loses == "entry":
            _set_entries_aside(sheet, column)
    _heavier_than_block(reading, sheet)
    _doubtful_dry(sheet)
    for column in columns:
        if column.loses == "value":
            _leave_values_out(sheet, column)


def _impossible(values: np.ndarray, column: HarvestColumn) -> np.ndarray:
    """Give the positions of values outside the range of their column."""
    low, most = column.possible
    with np.errstate(invalid="ignore"):
        odd = (values < low) | (values > most)
        if column.whole:
            odd |= (values != np.floor(values)) & ~np.isnan(values)
    return np.flatnonzero(odd)


def _set_entries_aside(sheet: Sheet, column: HarvestColumn) -> None:
    values = sheet.values[column.name]
    odd = _impossible(values, column)
    sheet.opened.account.set_aside(
        odd,
        rule=column.rule,
        column=sheet.opened.columns.heads.get(column.name, column.name),
        old=show_values(values[odd]),
        reason=column.reason,
        remedy=column.remedy,
    )


def _leave_values_out(sheet: Sheet, column: HarvestColumn) -> None:
    values = sheet.values[column.name]
    odd = _impossible(values, column)
    if len(odd):
        may = sheet.opened.account.change(
            odd,
            rule=column.rule,
            column=sheet.opened.columns.heads.get(column.name, column.name),
            old=show_values(values[odd]),
            new="",
            reason=column.reason,
            remedy=column.remedy,
        )
        values[may] = np.nan


def _heavier_than_block(reading: Reading, sheet: Sheet) -> None:
    """Set entries aside that weigh more than a flush, or the whole block, can."""
    blocks = reading.trial.blocks
    most = blocks.max_flush_g or blocks.wet_g
    if most is None:
        return
    form = "heavier_than_flush" if blocks.max_flush_g else "heavier_than_block"
    fresh = sheet.values["fresh_g"]
    heavy = np.flatnonzero(fresh > most)
    sheet.opened.account.set_aside(
        heavy,
        rule="heavier than the block",
        column=sheet.opened.columns.heads.get("fresh_g", "fresh_g"),
        old=show_values(fresh[heavy]),
        reason=message(f"row_reason.{form}", most=float(most)),
        remedy=message("row_remedy.heavier"),
    )


def _doubtful_dry(sheet: Sheet) -> None:
    """Leave dry weights above the fresh weight out, and tell shares that are rare."""
    account, head = sheet.opened.account, sheet.opened.columns.heads.get("dry_g", "dry_g")
    fresh, dry = sheet.values["fresh_g"], sheet.values["dry_g"]
    above = np.flatnonzero(dry > fresh)
    if len(above):
        may = account.change(
            above,
            rule="dry weight above fresh",
            column=head,
            old=show_values(dry[above]),
            new="",
            reason=message("row_reason.dry_above_fresh"),
            remedy=message("row_remedy.dry_above_fresh"),
        )
        dry[may] = np.nan
    with np.errstate(divide="ignore", invalid="ignore"):
        share = dry / fresh
    odd = np.flatnonzero(((share < DRY_SHARE[0]) | (share > DRY_SHARE[1])) & (fresh > 0))
    if len(odd):
        account.note(
            odd,
            rule="dry weight doubtful",
            column=head,
            old=show_values(dry[odd]),
            reason=[message("row_reason.dry_doubtful", percent=100 * float(s)) for s in share[odd]],
            remedy=message("row_remedy.dry_doubtful"),
        )
