"""Long tables: a column that names the quantity, and one that holds the values of all."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from trialkit.logs.heads import plain_head
from trialkit.logs.mapping.head_words import LETTERS, named_score, words_of
from trialkit.logs.text.arrow import encode_cells
from trialkit.logs.text.numbers import BLANKS, read_numbers
from trialkit.logs.text.on_off import is_state
from trialkit.logs.text.times import read_moments

#: Heads of a column that holds whatever another column says.
_ANYTHING_TEXT = """
value values val reading readings state states wert werte messwert messwerte valor valores valeur
valeurs valore waarde värde verdi arvo measurement measure measured result data wartość hodnota
vrijednost значение 値 数值"""
_ANYTHING = frozenset(_ANYTHING_TEXT.split())
_MOST_WORDS, _NAMED, _SURE = 60, 2.0, 0.8


def find_quantities(
    sample: dict[str, Any], columns: Sequence[str], decimal: str | None
) -> tuple[str, str, list[str]] | None:
    """Find the column that names quantities, that of their values, and the words that name one.

    Parameters
    ----------
    sample : dict
        Head → cells.
    columns : sequence of str
        Columns of the glossary that hold measured values.
    decimal : str or None

    Returns
    -------
    (head of the names, head of the values, words) or None
        None where no column names a quantity, or a head of its own does.
    """
    if any(named_score(h, c)[0] >= _NAMED and _has_values(sample[h], decimal)
           for h in sample for c in columns if not words_of(h) & _ANYTHING):  # fmt: skip
        return None
    holders = [h for h in sample if words_of(h) & _ANYTHING and _has_values(sample[h], decimal)]
    best: tuple[int, str, list[str]] | None = None
    for head, cells in sample.items():
        if head in holders or not holders:
            continue
        words = _words(cells)
        named = [
            word
            for word, told in zip(words, choice_heads(head, "value", words), strict=True)
            if any(_names(told, c) for c in columns)
        ]
        if named and (best is None or len(named) > best[0]):
            best = len(named), head, named
    return None if best is None else (best[1], holders[0], best[2])


def _names(head: str, column: str) -> bool:
    score, word = named_score(head, column)
    return score >= _NAMED and word not in LETTERS


def choice_heads(names: str, values: str, words: Sequence[str]) -> list[str]:
    """Write the heads that choose the values of each word.

    Examples
    --------
    >>> choice_heads("kind", "value", ["temp"])
    ['value where kind is temp']
    """
    return [f"{values} where {names} is {word}" for word in words]


def _has_values(cells: Any, decimal: str | None) -> bool:
    """Whether cells are mostly numbers, or words of a switch, and no moments."""
    texts, codes = encode_cells(cells)
    filled = np.array([t.strip().casefold() not in BLANKS for t in texts] or [False])[codes]
    if not filled.any():
        return False
    numbers = ~np.isnan(read_numbers(cells, "", unit=None, decimal=decimal).values)
    states = np.array([is_state(t) for t in texts])[codes]
    return bool((numbers | states)[filled].mean() > _SURE)


def _words(cells: Any) -> list[str]:
    """Give the different words of a column that may name quantities; none where it does not."""
    texts, _ = encode_cells(cells)
    words = list(dict.fromkeys(plain for t in texts if (plain := t.strip())))
    few = len(words) <= _MOST_WORDS and len({plain_head(w) for w in words}) == len(words)
    if not few or not any(any(c.isalpha() or c == "%" for c in w) for w in words):
        return []
    import pyarrow as pa

    return [] if read_moments(pa.array(words), day_first=True).ok.any() else words
