"""Columns beside the unit code that say the same again: batch, chamber, and so on."""

from __future__ import annotations

import numpy as np

from trialkit.errors import Finding
from trialkit.logs.harvest.entries import Sheet
from trialkit.logs.opening import Reading
from trialkit.logs.text.names import match_names
from trialkit.visible_text import quote
from trialkit.wording import Message, Units, finding, message, several


def tell_contradictions(reading: Reading, sheet: Sheet) -> list[Finding]:
    """Tell rows whose code and whose columns name different places; the code is taken.

    A column none of whose cells is a name of the trial says something else, and is passed by.

    Parameters
    ----------
    reading : Reading
    sheet : Sheet
        With its units found.

    Returns
    -------
    list of Finding
        One, where a row contradicts itself; the ledger has each such row and column.
    """
    trial, opened = reading.trial, sheet.opened
    heads, account = opened.columns.heads, opened.account
    if "unit" not in heads:
        return []
    table = trial.unit_table()
    rows = np.flatnonzero((sheet.unit >= 0) & account.alive[: opened.raw.n])
    told: list[tuple[int, Message]] = []
    for factor in (f for f in trial.structure.factors if f in heads):
        levels = trial.levels[factor]
        given = reading.spec.chamber if factor == "chamber" else {}
        also = trial.aliases.get(factor)
        names = match_names(opened.raw.columns[heads[factor]], levels, given=given, also=also)
        if not (names.codes >= 0).any():
            continue
        texts = np.array([*(cell.strip() for cell in names.cells), ""], dtype=object)
        cells = texts[names.cell_of]
        of_code = table[factor].to_numpy(dtype=object)[sheet.unit[rows]]
        of_column = np.array([*levels, ""], dtype=object)[names.codes[rows]]
        wrong = (of_code != of_column) & (cells[rows] != "")
        said = [
            message(
                "row_reason.code_and_column",
                code=str(table["unit"].iloc[sheet.unit[i]]),
                kind=Units((factor,), 1),
                level=str(level),
                head=heads[factor],
                cell=quote(cells[i], 40),
            )
            for i, level in zip(rows[wrong], of_code[wrong], strict=True)
        ]
        account.change(
            rows[wrong],
            rule="code and column differ",
            column=heads[factor],
            old=cells[rows[wrong]],
            new=of_code[wrong],
            reason=said,
            remedy=message("row_remedy.code_and_column"),
        )
        told += zip(account.rows[rows[wrong]].tolist(), said, strict=True)
    if not told:
        return []
    told.sort(key=lambda one: one[0])
    number = len({row for row, _ in told})
    lines = [message("code_and_column.row", row=row, what=what) for row, what in told]
    file = opened.raw.name
    return [finding("code_and_column", "caution", file=file, count=number, rows=several(lines, 4))]
