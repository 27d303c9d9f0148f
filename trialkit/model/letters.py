"""Letters that say which means cannot be told apart.

Two means share a letter exactly when their difference is not significant. The letters come
from Piepho's insert-and-absorb algorithm, which also serves patterns that are not
transitive: with unequal standard errors A may differ from C while B differs from neither,
or A may differ from its neighbour B and yet not from the more distant C.

References
----------
.. [1] Piepho H-P (2004). An algorithm for a letter-based representation of all-pairwise
   comparisons. J Comput Graph Stat 13:456-466. doi:10.1198/1061860043515
"""

from __future__ import annotations

import string
from collections.abc import Hashable, Iterable, Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from trialkit.errors import ModelError
from trialkit.model.compare import differences
from trialkit.model.means import means

if TYPE_CHECKING:
    from trialkit.model.fit import Fit

Group = frozenset[int]


def _absorb(groups: Iterable[Group]) -> list[Group]:
    """Drop groups that lie within another (Piepho's absorption)."""
    kept: list[Group] = []
    for group in sorted(set(groups), key=lambda g: (-len(g), sorted(g))):
        if not any(group <= other for other in kept):
            kept.append(group)
    return kept


def letter_groups(different: ArrayLike) -> list[frozenset[int]]:
    """Give the sets of means that share a letter.

    Parameters
    ----------
    different : array_like of bool, shape (k, k)
        Whether means i and j differ significantly; symmetric, false on the diagonal.

    Returns
    -------
    list of frozenset of int
        Every two means that do not differ are together in at least one set; two that differ
        in none; no set lies within another, and none could be left out.

    References
    ----------
    .. [1] Piepho (2004), doi:10.1198/1061860043515

    Examples
    --------
    Means 0 and 2 differ, 1 differs from neither:

    >>> sorted(map(sorted, letter_groups([[0, 0, 1], [0, 0, 0], [1, 0, 0]])))
    [[0, 1], [1, 2]]
    """
    pattern: NDArray[np.bool_] = np.asarray(different, dtype=bool)
    size = len(pattern)
    if pattern.shape != (size, size) or not np.array_equal(pattern, pattern.T):
        raise ModelError("letters need a square, symmetric table of which means differ")
    groups: list[Group] = [frozenset(range(size))]
    for i, j in zip(*np.nonzero(np.triu(pattern, 1)), strict=True):
        split: list[Group] = []
        for group in groups:
            split += [group - {i}, group - {j}] if {i, j} <= group else [group]
        groups = _absorb(split)
    return _without_needless(groups, pattern)


def _without_needless(groups: list[Group], pattern: NDArray[np.bool_]) -> list[Group]:
    """Leave out letters whose every pair (and every lone mean) another letter covers."""
    kept = list(groups)
    for group in sorted(groups, key=len):
        rest = [other for other in kept if other != group]
        covered = all(
            any({i, j} <= other for other in rest) for i in group for j in group if i <= j
        )
        if covered:
            kept = rest
    return kept


def _letter_name(position: int) -> str:
    alphabet = string.ascii_lowercase
    name = alphabet[position % 26]
    return name if position < 26 else name + str(position // 26 + 1)


def compact_letters(
    labels: Sequence[Hashable],
    pairs: Sequence[tuple[Hashable, Hashable]],
    p: ArrayLike,
    *,
    estimates: ArrayLike | None = None,
    level: float = 0.95,
) -> pd.Series:
    """Give each mean its letters: means that share one cannot be told apart.

    Parameters
    ----------
    labels : sequence
        Levels, in the order of `estimates`.
    pairs : sequence of (level, level)
        The two levels of each comparison; all pairs must be there.
    p : array_like
        Adjusted p-value of each comparison; NaN where it could not be estimated.
    estimates : array_like, optional
        Means; letters then start from the largest mean. A missing mean gets no letter.
    level : float
        Pairs with ``p <= 1 - level`` differ.

    Returns
    -------
    Series
        Letters per level, such as ``"ab"``; ``"–"`` for a mean that is not estimable.

    Raises
    ------
    ModelError
        A pair of estimable means lacks its comparison.

    References
    ----------
    .. [1] Piepho (2004), doi:10.1198/1061860043515

    Examples
    --------
    >>> compact_letters(
    ...     ["dry", "mid", "wet"], [("dry", "mid"), ("dry", "wet"), ("mid", "wet")],
    ...     [0.30, 0.01, 0.20], estimates=[310.0, 350.0, 390.0],
    ... ).to_dict()
    {'dry': 'b', 'mid': 'ab', 'wet': 'a'}
    """
    values = np.arange(len(labels), 0.0, -1.0)
    if estimates is not None:
        values = np.asarray(estimates, dtype=float)
    place = {label: i for i, label in enumerate(labels)}
    chance = np.full((len(labels), len(labels)), np.nan)
    for (first, second), one in zip(pairs, np.asarray(p, dtype=float), strict=True):
        i, j = place[first], place[second]
        chance[i, j] = chance[j, i] = one
    order = [int(i) for i in np.argsort(-values, kind="stable") if np.isfinite(values[i])]
    between = chance[np.ix_(order, order)]
    if np.isnan(between[~np.eye(len(order), dtype=bool)]).any():
        raise ModelError(
            "letters need the comparison of every pair of means; ask for all pairs, "
            'as in differences("schedule")'
        )
    np.fill_diagonal(between, 1.0)
    groups = sorted(letter_groups(between <= 1 - level), key=sorted)
    shown = dict.fromkeys(labels, "–")
    for row, i in enumerate(order):
        shown[labels[i]] = "".join(
            _letter_name(g) for g, group in enumerate(groups) if row in group
        )
    return pd.Series(shown, name="letters").reindex(list(labels))


def lettered_means(
    fit: Fit,
    factor: str,
    *,
    by: str | Sequence[str] | None = None,
    adjust: str = "tukey",
    df: str = "default",
    level: float | None = None,
) -> pd.DataFrame:
    """Give marginal means with letters: means that share one cannot be told apart.

    Sharing a letter does not show that two means are the same; ask `Fit.noninferior` for
    that.

    Parameters
    ----------
    fit : Fit
        A fitted model.
    factor : str
        Factor, or several joined by ``":"``.
    by : str or sequence of str, optional
        Factors within whose levels means are compared; letters start anew in each.
    adjust : {"tukey", "holm", "none"}
        Allowance for comparing all pairs.
    df, level
        As for `differences`; pairs differ where their p is at most ``1 - level``.

    Returns
    -------
    DataFrame
        As `means`, with a column `letters` ("–" for a mean that is not estimable).

    References
    ----------
    .. [1] Piepho (2004), doi:10.1198/1061860043515
    """
    wanted = fit.level if level is None else level
    table = means(fit, factor, by=by, df=df, level=wanted)
    pairs = differences(fit, factor, adjust=adjust, by=by, df=df, level=wanted)
    names = [str(name) for name in table.columns]
    table.insert(names.index("estimate"), "letters", "–")
    held = names[: names.index("level")]
    for rows, own in _matched(table, pairs, held):
        letters = compact_letters(
            table.loc[rows, "level"].tolist(),
            list(zip(own["first"], own["second"], strict=True)),
            own["p"],
            estimates=table.loc[rows, "estimate"],
            level=wanted,
        )
        table.loc[rows, "letters"] = letters.to_numpy()
    return table


def _matched(
    table: pd.DataFrame, pairs: pd.DataFrame, held: Sequence[str]
) -> list[tuple[pd.Index, pd.DataFrame]]:
    """Give the rows of each group of means with the comparisons within it."""
    if not held:
        return [(table.index, pairs)]
    theirs = dict(iter(pairs.groupby(list(held), sort=False)))
    return [(own.index, theirs[key]) for key, own in table.groupby(list(held), sort=False)]
