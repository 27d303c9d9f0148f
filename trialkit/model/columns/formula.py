"""Reading a fixed formula: its terms, the columns it needs, the levels of a factor."""

from __future__ import annotations

import re
from collections.abc import Hashable, Sequence
from functools import lru_cache
from typing import Any, cast

import numpy as np
import pandas as pd

from trialkit.arrays import Codes
from trialkit.errors import ModelError
from trialkit.model.columns.functions import columns_of


@lru_cache(maxsize=256)
def parse_fixed(formula: str) -> tuple[tuple[tuple[str, str], ...], ...]:
    """Read a fixed formula (Wilkinson–Rogers notation) into terms.

    Parameters
    ----------
    formula : str
        Right-hand side, such as ``"schedule * flush + light"``.

    Returns
    -------
    tuple of terms, each a tuple of (name, kind), kind ``"lookup"`` or ``"python"``
    """
    from formulaic import Formula

    if "~" in formula:
        raise ModelError(
            f"fixed='{formula}': give only the right-hand side; the response has its own option"
        )
    if "|" in formula:
        raise ModelError(
            f"fixed='{formula}': random terms go in random=[...], such as random=['batch']"
        )
    try:
        parsed = Formula(formula or "1")
    except Exception as fault:  # the parser has errors of several kinds, with terminal colours
        raise ModelError(_unreadable(formula, str(fault))) from None
    terms: list[tuple[tuple[str, str], ...]] = []
    for term in parsed:
        factors = []
        for factor in term.factors:
            kind = factor.eval_method.value
            if kind == "literal":
                if factor.expr == "1":
                    continue
                raise ModelError(f"fixed='{formula}': the number {factor.expr} is not a term")
            factors.append((str(factor.expr), str(kind)))
        terms.append(tuple(factors))
    return tuple(terms)


def _unreadable(formula: str, told: str) -> str:
    """Say where a formula cannot be read; the parser marks the place with terminal colours."""
    marked = re.search("\x1b\\[1;31m(.*?)\x1b\\[0m", told)
    place = f" at '{marked.group(1)}'" if marked else ""
    return (
        f"fixed='{formula}' is incomplete or cannot be read{place}: write terms joined by +, and "
        "interactions by : or *, as in 'schedule * light + flush'"
    )


def needed_columns(formula: str) -> list[str]:
    """Give the table columns that a fixed formula reads, in order of appearance."""
    names: list[str] = []
    for term in parse_fixed(formula):
        for name, kind in term:
            found = [name] if kind == "lookup" else expression_columns(name)
            names += [column for column in found if column not in names]
    return names


#: Texts up to which a plain array of them is sorted out sooner than a column of a library's own.
_FEW = 5_000

AS_FACTOR = re.compile(r"^C\(\s*`?([^`(),]+?)`?\s*\)$")


@lru_cache(maxsize=256)
def expression_columns(expression: str) -> list[str]:
    """Give the table columns that a computed factor reads."""
    match = AS_FACTOR.match(expression)
    if match:
        return [match.group(1)]
    return columns_of(expression)


def factor_levels(values: pd.Series) -> tuple[tuple[Hashable, ...], Codes]:
    """Give the levels present, in order, and the position of each row's level.

    A categorical column keeps its declared order; other columns are sorted.
    """
    if isinstance(values.dtype, pd.CategoricalDtype):
        codes = np.asarray(values.cat.codes, dtype=np.intp)
        present = np.bincount(codes[codes >= 0], minlength=len(values.cat.categories)) > 0
        levels = [v for v, here in zip(values.cat.categories, present, strict=True) if here]
        return tuple(_plain(v) for v in levels), (np.cumsum(present) - 1)[codes].astype(np.intp)
    few = isinstance(values.dtype, pd.StringDtype) and len(values) < _FEW
    codes_raw, uniques = pd.factorize(values.to_numpy(dtype=object) if few else values, sort=False)
    items = [_plain(v) for v in np.asarray(uniques, dtype=object)]
    try:
        order = sorted(range(len(items)), key=lambda i: items[i])  # type: ignore[arg-type,return-value]
    except TypeError:
        order = sorted(range(len(items)), key=lambda i: str(items[i]))
    rank = np.empty(len(items), dtype=np.intp)
    rank[order] = np.arange(len(items))
    return tuple(items[i] for i in order), rank[codes_raw]


def _plain(value: Any) -> Hashable:
    if isinstance(value, np.generic):
        return cast(Hashable, value.item())
    return cast(Hashable, value)


def read_columns(table: pd.DataFrame, columns: Sequence[str], *, role: str) -> None:
    """Refuse names that the table does not have, saying what it has."""
    unknown = [name for name in columns if name not in table.columns]
    if unknown:
        raise ModelError(
            f"{role}: the table has no column {', '.join(repr(n) for n in unknown)}; "
            f"it has {', '.join(map(str, table.columns))}"
        )
