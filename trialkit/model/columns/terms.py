"""Random terms: their names, their levels, and the checks that they can be fitted."""

from __future__ import annotations

import re
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trialkit.arrays import Codes, Floats
from trialkit.errors import ModelError
from trialkit.model.columns.formula import factor_levels
from trialkit.short_repr import short_repr

_SLOPE = re.compile(r"^\s*(?P<slope>.+?)\s+by\s+(?P<term>.+?)\s*$")


@dataclass(frozen=True)
class RandomTerm:
    """One random term: which rows share an effect.

    Parameters
    ----------
    name : str
        As given: ``"batch"``, ``"batch:chamber"``, or ``"days by batch"`` for an
        independent random coefficient of the numeric column ``days``.
    columns : tuple of str
        Columns whose combinations are the levels.
    slope : str or None
        Numeric column whose coefficient varies between the levels.
    """

    name: str
    columns: tuple[str, ...]
    slope: str | None = None


@dataclass(frozen=True)
class Grouping:
    """A random term met with data.

    Parameters
    ----------
    term : RandomTerm
    codes : ndarray of int, shape (n,)
        Level of each row.
    labels : tuple
        Names of the levels, parts joined by ":".
    weight : ndarray, shape (n,), or None
        The slope's column, scaled to a mean square of one; None for an intercept.
    unit : float
        Root mean square of the slope's column (1 for an intercept).
    """

    term: RandomTerm
    codes: Codes
    labels: tuple[Any, ...]
    weight: Floats | None = None
    unit: float = 1.0

    __repr__ = short_repr

    @property
    def q(self) -> int:
        """Give the number of levels."""
        return len(self.labels)


def parse_random(random: str | Sequence[str], columns: Sequence[str]) -> tuple[RandomTerm, ...]:
    """Read the names of random terms.

    Parameters
    ----------
    random : str or sequence of str
        ``"batch"``, ``"batch:chamber"``, ``"days by batch"``.
    columns : sequence of str
        Columns of the table.

    Returns
    -------
    tuple of RandomTerm

    Raises
    ------
    ModelError
        An unknown column, or a term given twice.
    """
    names = [random] if isinstance(random, str) else list(random)
    terms: list[RandomTerm] = []
    for name in names:
        if not isinstance(name, str):
            raise ModelError(f"random terms are names such as 'batch:chamber', not {name!r}")
        if "|" in name:
            raise ModelError(
                f"random='{name}': write the grouping columns joined by ':', such as "
                "'batch:chamber', and a random coefficient as 'days by batch'"
            )
        slope, rest = None, name
        if name not in columns and (match := _SLOPE.match(name)):
            slope, rest = match["slope"], match["term"]
        parts = (rest,) if rest in columns else tuple(p.strip() for p in rest.split(":"))
        unknown = [c for c in (*parts, *([slope] if slope else [])) if c not in columns]
        if unknown:
            raise ModelError(
                f"random term '{name}': the table has no column "
                f"{', '.join(repr(c) for c in unknown)}; it has {', '.join(map(str, columns))}"
            )
        term = RandomTerm(name, parts, slope)
        if any((set(t.columns), t.slope) == (set(parts), slope) for t in terms):
            raise ModelError(f"random term '{name}' is given twice: leave one out")
        terms.append(term)
    return tuple(terms)


def group(
    table: pd.DataFrame,
    term: RandomTerm,
    known: dict[str, tuple[tuple[Hashable, ...], Codes]] | None = None,
) -> Grouping:
    """Give the level of each row for a random term.

    Parameters
    ----------
    table : DataFrame
    term : RandomTerm
    known : dict, optional
        Levels and codes of columns already read; filled as terms are.
    """
    known = {} if known is None else known
    codes = np.zeros(len(table), dtype=np.intp)
    levels: list[tuple[Hashable, ...]] = []
    labels: tuple[Any, ...]
    for column in term.columns:
        if column not in known:
            known[column] = factor_levels(table[column])
        own, c = known[column]
        codes = codes * len(own) + c
        levels.append(own)
    if len(levels) == 1:  # every level of one column is there
        dense, labels = codes, levels[0]
    else:
        dense, labels = _combined(codes, levels)
    weight, unit = None, 1.0
    if term.slope is not None:
        if not pd.api.types.is_numeric_dtype(table[term.slope]):
            raise ModelError(
                f"random term '{term.name}': '{term.slope}' must be a number; "
                f"for a factor write '{':'.join((*term.columns, term.slope))}'"
            )
        weight = np.asarray(table[term.slope], dtype=float)
        unit = float(np.sqrt(np.mean(weight**2)))
        if not np.isfinite(unit) or unit == 0:
            raise ModelError(f"random term '{term.name}': '{term.slope}' is zero on every row")
        weight = weight / unit
    return Grouping(term, dense, labels, weight, unit)


def _combined(codes: Codes, levels: list[tuple[Hashable, ...]]) -> tuple[Codes, tuple[str, ...]]:
    """Give each row the number of its combination, of those that are there, and their names."""
    present, dense = np.unique(codes, return_inverse=True)
    at = np.unravel_index(present, tuple(len(own) for own in levels))
    labels = tuple(
        ":".join(str(own[i]) for own, i in zip(levels, index, strict=True))
        for index in zip(*at, strict=True)
    )
    return dense.reshape(-1).astype(np.intp), labels


def check_groupings(groupings: Sequence[Grouping], n: int, *, separate_residuals: bool) -> None:
    """Refuse random terms whose variance the data cannot hold.

    Raises
    ------
    ModelError
        One level, one row per level, or two terms with the same groups.
    """
    for g in groupings:
        name = g.term.name
        if g.q < 2:
            raise ModelError(
                f"random term '{name}' has one level: its variance cannot be estimated; "
                "leave it out"
            )
        if g.q == n and g.weight is None and not separate_residuals:
            raise ModelError(
                f"random term '{name}' has one row per level: it is the same as the residual; "
                "leave it out (the residual stands for it)"
            )
    for i, a in enumerate(groupings):
        for b in groupings[i + 1 :]:
            if a.q != b.q or (a.weight is None) != (b.weight is None):
                continue
            if a.term.slope != b.term.slope:
                continue
            pairs = np.unique(a.codes * b.q + b.codes)
            if len(pairs) == a.q:
                raise ModelError(
                    f"random terms '{a.term.name}' and '{b.term.name}' make the same groups: "
                    "leave one out"
                )


def indicator(g: Grouping) -> NDArray[np.float64]:
    """Give the columns of a random term as a dense array, shape (n, q)."""
    Z = np.zeros((len(g.codes), g.q))
    Z[np.arange(len(g.codes)), g.codes] = 1.0 if g.weight is None else g.weight
    return Z
