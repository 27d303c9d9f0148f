"""Decimal commas in a file whose fields are parted by commas too: `refuse_bare_commas`."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence

from trialkit.errors import LogError
from trialkit.logs.text.head_lines import DATE

_TIME_WORD = re.compile(
    r"time|date|zeit|datum|fecha|hora|heure|stamp|created|logged|recorded", re.IGNORECASE
)
_WHOLE = re.compile(r"[-+]?\d+")


def refuse_bare_commas(heads: Sequence[str], under: Sequence[Sequence[str]], name: str) -> None:
    """Refuse a table whose values were cut in two at their decimal commas.

    Its rows have more fields than heads, although the moments stand under the head of the time: so
    no column without a head comes before them, and the fields too many come from the values. Which
    ones is open where a whole number is written without a comma.

    Parameters
    ----------
    heads : sequence of str
    under : sequence of sequence of str
        The rows, taken apart at commas.
    name : str
        File name for messages.

    Raises
    ------
    LogError
        If the rows look so.

    Examples
    --------
    >>> refuse_bare_commas(["time", "temp"], [["2031-01-14 07:00", "21.5"]], "a.csv")
    """
    counts = Counter(len(row) for row in under)
    width = counts.most_common(1)[0][0] if counts else 0
    if width <= len(heads):
        return
    rows = [row for row in under if len(row) == width]
    cut = sum(_is_cut(heads, row) for row in rows)
    if cut > 0.8 * len(rows):
        raise LogError(
            f"{name}: its rows have {width} fields under {len(heads)} heads, because commas stand "
            "both between the fields and inside the numbers, and it is open which are which → "
            "export it again with semicolons between the fields, or with decimal points"
        )


def _is_cut(heads: Sequence[str], row: Sequence[str]) -> bool:
    """Whether a row's moment is under the head of the time, and its last value is cut in two."""
    at = next((j for j, cell in enumerate(row) if DATE.search(cell)), None)
    if at is None or at >= len(heads) or not _TIME_WORD.search(heads[at]):
        return False
    if at and _TIME_WORD.search(heads[at - 1]):
        return False  # date and time apart, after a column without a head
    spare = len(row) - len(heads)
    values = [cell.strip() for cell in row[-2 * spare :]]
    return all(map(_WHOLE.fullmatch, values)) and all(v.isdecimal() for v in values[1::2])
