"""Lines of the terminal that say which rows were set aside, and which values not used."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from trialkit.wording import message

if TYPE_CHECKING:
    import pandas as pd

#: More lines of the ledger than this that only differ in rows and old values take one line.
_MOST_ALIKE = 3
_ALIKE = ["file", "column", "rule", "action", "reason", "remedy"]


def tell_rows_aside(ledger: pd.DataFrame, *, most: int = 12) -> list[str]:
    """Say of rows set aside and values not used where they stand, why, and what to do.

    Rows of one fate that stand among others, such as those of a tent that the trial does not know,
    are counted in one line.

    Parameters
    ----------
    ledger : DataFrame
        `Ledger.table`, of one log or of several.
    most : int
        Most lines; the rows left out are counted in one line more.

    Examples
    --------
    >>> import pandas as pd
    >>> line = {"file": "a.csv", "row": 2, "row_last": 2, "rows": 1, "column": "tent",
    ...     "rule": "chamber unknown", "action": "set aside", "old": "T9", "reason": "no tent",
    ...     "remedy": "add it"}
    >>> tell_rows_aside(pd.DataFrame([line, line | {"row": 9, "row_last": 10, "rows": 2}]))
    ['a.csv row 2, tent: no tent (T9) → add it', 'a.csv rows 9–10, tent: no tent (T9) → add it']
    >>> tell_rows_aside(pd.DataFrame([line | {"row": k, "row_last": k} for k in (2, 4, 6, 8)]))
    ['a.csv 4 of the rows 2–8, tent: no tent (T9) → add it']
    """
    told = ledger[ledger["action"].isin(["set aside", "changed"]) & ledger["remedy"].ne("")]
    shown: list[dict[Any, Any]] = []
    for _, alike in _first_groups(told, most):
        if len(alike) > _MOST_ALIKE:
            shown.append(_counted(alike))
        else:
            shown += alike.to_dict("records")
    lines = [_line(row) for row in shown[:most]]
    left = int(told["rows"].sum()) - sum(int(row["rows"]) for row in shown[:most])
    return [*lines, str(message("cli.check.more", count=left))] if left else lines


def _first_groups(told: pd.DataFrame, most: int) -> Iterable[tuple[Any, pd.DataFrame]]:
    """Give the first groups of lines that are alike, in the order of the ledger."""
    numbers = told.groupby(_ALIKE, sort=False).ngroup()
    return told[numbers < most].groupby(numbers[numbers < most], sort=True)


def _counted(alike: pd.DataFrame) -> dict[Any, Any]:
    """Put lines that are alike into one, from the first row to the last."""
    olds = list(dict.fromkeys(map(str, alike["old"])))
    return {
        **alike.iloc[0].to_dict(),
        "row": alike["row"].min(),
        "row_last": alike["row_last"].max(),
        "rows": alike["rows"].sum(),
        "old": olds[0] if len(olds) == 1 else f"{olds[0]} … {olds[-1]}",
    }


def _line(row: Mapping[Any, Any]) -> str:
    """Write one line of the ledger, or several that are alike."""
    span = {"file": row["file"], "row": int(row["row"]), "last": int(row["row_last"])}
    count = int(row["rows"])
    if row["row_last"] == row["row"]:
        where = message("cli.check.row", **span)
    elif row["row_last"] - row["row"] + 1 == count:
        where = message("cli.check.row_range", **span)
    else:
        where = message("cli.check.rows_among", count=count, **span)
    column = f", {row['column']}" if row["column"] else ""
    old = f" ({row['old']})" if row["old"] else ""
    return f"{where}{column}: {row['reason']}{old} → {row['remedy']}"
