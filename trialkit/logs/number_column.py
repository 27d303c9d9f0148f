"""A number column of a file → values in the house unit, with every doubt told."""

from __future__ import annotations

import numpy as np

from trialkit.logs.opening import Opened
from trialkit.logs.text.numbers import read_numbers
from trialkit.wording import message


def read_number_column(
    opened: Opened,
    column: str,
    head: str,
    house: str,
    *,
    unit: str | None = None,
    remedy: str = "not_a_number",
) -> np.ndarray:
    """Read the values of one column; a cell that is no number becomes NaN and is recorded.

    Parameters
    ----------
    opened : Opened
    column, head : str
        Column of the glossary, and its head in the file.
    house : str
        Its house unit; empty where the values have none.
    unit : str or None
        Unit of the values; that of the file's column where it is None.
    remedy : str
        What to do about cells that are no number: ``row_remedy.<remedy>`` of the catalogue.
    """
    raw, unit = opened.raw, unit or opened.columns.units.get(column)
    numbers = read_numbers(raw.columns[head], house, unit=unit, decimal=raw.decimal)
    for index, rule, reason, cure in (
        (numbers.unreadable, "value unreadable", "not_a_number", message(f"row_remedy.{remedy}")),
        (numbers.with_unit, "written otherwise", "own_unit", ""),
    ):
        if len(index):
            opened.account.change(
                index,
                rule=rule,
                column=head,
                old=[numbers.cells[int(i)] for i in index],
                new=["" if np.isnan(v) else f"{v:.6g}" for v in numbers.values[index]],
                reason=message(f"row_reason.{reason}"),
                remedy=cure,
            )
    return numbers.values
