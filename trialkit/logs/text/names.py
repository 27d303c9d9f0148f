"""Names in cells → known names, whatever their case, blanks, signs and leading zeros."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from trialkit.logs.text.arrow import encode_cells
from trialkit.wording import read_wording, suggestion


def tidy(text: str) -> str:
    """Give a name without case, blanks, signs between its parts and leading zeros.

    Examples
    --------
    >>> tidy(" b1 / T03_Top-2 ") == tidy("B1-T3-top-2")
    True
    """
    parts = re.findall(r"[^\W_]+", text.casefold())
    return "-".join(re.sub(r"(?<!\d)0+(?=\d)", "", p) for p in parts)


@dataclass(frozen=True)
class Names:
    """Cells matched with known names.

    Parameters
    ----------
    known : tuple of str
        Names that appear, in the trial's spelling.
    codes : ndarray of int, shape (n,)
        Index into `known`; -1 where the cell fits none.
    cells : tuple of str
        The different cells of the column.
    cell_of : ndarray of int
        Index of each row's cell in `cells`.
    tidied : dict
        Cell → name, where they differ in spelling and the trial file does not say so.
    """

    known: tuple[str, ...]
    codes: np.ndarray
    cells: tuple[str, ...]
    cell_of: np.ndarray
    tidied: dict[str, str]


def match_names(
    column: Any,
    known: Sequence[str],
    *,
    given: Mapping[str, str] | None = None,
    also: Mapping[str, str] | None = None,
) -> Names:
    """Match a column of cells with known names; each different cell is looked at once.

    Parameters
    ----------
    column : Arrow array, shape (n,)
    known : sequence of str
        The trial's names.
    given : mapping, optional
        Cell → name, as the trial file says.
    also : mapping, optional
        Another name → name, of what was renamed; it may be written as freely as the names.
    """
    texts, cell_of = encode_cells(column)
    other = dict(also or {})
    tidy_known = [tidy(k) for k in (*known, *other)]
    named = [*known, *other.values()]
    lookup = dict(zip(reversed(tidy_known), reversed(named), strict=True))
    clash = {t for t, times in Counter(tidy_known).items() if times > 1}
    asked = {k.strip().casefold(): v for k, v in (given or {}).items()}
    index = {k: i for i, k in enumerate(known)}
    codes, tidied = np.full(len(texts) + 1, -1), {}
    for j, text in enumerate(texts):
        bare = text.strip()
        name = asked.get(bare.casefold(), bare)
        name = other.get(name, name)
        if name in index:
            codes[j] = index[name]
        elif tidy(bare) in lookup and tidy(bare) not in clash:
            name = lookup[tidy(bare)]
            codes[j], tidied[text] = index[name], name
    return Names(tuple(known), codes[cell_of], tuple(texts), cell_of, tidied)


def suggest(text: str, known: Sequence[str]) -> str:
    """Suggest the nearest right names in an error, as the end of a sentence.

    Examples
    --------
    >>> suggest("B2-T3-tpo-1", ["B2-T3-top-1", "B1-T1-bottom-3"])
    "did you mean 'B2-T3-top-1'?"
    """
    return suggestion(text, known).said_in(read_wording())
