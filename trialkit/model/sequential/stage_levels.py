"""The level of each look where the error is estimated on few degrees of freedom.

A boundary of normal statistics, read as a level and used with t, is a little too bold where the
degrees of freedom are few, and where the best of several comparisons counts at each look. So the
levels are found from drawn trials: estimates with independent increments, error sums of squares
that grow from look to look, and the largest t of all comparisons. What the treatments do in one
stage and not in another is in the later sum of squares, as it is in an analysis of variance.

References
----------
.. [1] Jennison C, Turnbull BW (1991). Exact calculations for sequential t, chi-square and F tests.
   Biometrika 78:133-141 (cited from memory).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import lru_cache

import numpy as np
from scipy import special

from trialkit.arrays import Floats
from trialkit.errors import ModelError
from trialkit.model.sequential.boundaries import spending_boundary
from trialkit.model.sequential.spending import Spending, error_spent

_DRAWS = 300_000  #: trials drawn for levels; both directions of each count
_DRAWS_FOR_CHANCES = 100_000
_SEED = 1983
_MANY_DF = 2000.0  #: df from which the error counts as known
_FEWEST_HITS = 100  #: hits below which a portion is too small to be found by drawing


def stage_levels(
    alpha: float,
    information: Sequence[float],
    df: Sequence[float],
    *,
    spending: Spending = "late",
    comparisons: int = 1,
    correlation: float = 0.5,
) -> Floats:
    """Give the one-sided level of each look, so that all looks together spend their error.

    Parameters
    ----------
    alpha : float
        One-sided error in all.
    information : sequence of float
        Share of the whole information at each look.
    df : sequence of float
        Degrees of freedom of the error at each look; infinite where it is known.
    spending : {"late", "even", "steady"}
    comparisons : int
        Comparisons with one reference that are judged jointly at each look.
    correlation : float
        Correlation of their estimates; 0.5 where all levels have as many units.

    Returns
    -------
    ndarray
        Level of the joint one-sided test at each look: limits there have the two-sided confidence
        ``1 - 2 level``.

    Examples
    --------
    >>> levels = stage_levels(0.025, [0.5, 1.0], [5, 13])
    >>> bool(0.0015 < levels[0] < 0.0016) and bool(0.024 < levels[1] < 0.025)
    True
    """
    if len(df) != len(information):
        raise ModelError(f"{len(df)} degrees of freedom are given for {len(information)} looks")
    shares = tuple(round(float(share), 3) for share in information)
    found = _stage_levels(
        float(alpha),
        shares,
        tuple(round(float(nu), 3) for nu in df),
        spending,
        int(comparisons),
        round(float(np.clip(correlation, 0.0, 0.99)), 2),
    )
    return np.array(found)


@lru_cache(maxsize=256)
def _stage_levels(
    alpha: float,
    shares: tuple[float, ...],
    df: tuple[float, ...],
    spending: Spending,
    comparisons: int,
    correlation: float,
) -> tuple[float, ...]:
    spent = error_spent(alpha, shares, spending)
    portions = np.diff(spent, prepend=0.0)
    if comparisons == 1 and min(df) >= _MANY_DF:
        return tuple(special.ndtr(-spending_boundary(alpha, shares, spending)).tolist())
    levels: list[float] = [float(portions[0])]
    if len(shares) == 1:
        return tuple(levels)
    alive = np.ones(2 * _DRAWS, dtype=bool)
    for j, both in enumerate(_largest(shares, df, comparisons, correlation, _DRAWS)):
        wanted = portions[j] * len(both)
        if j == 0:
            alive &= both <= np.quantile(both, 1 - portions[0])
            continue
        level = float(portions[j])  # never less: what it gives if no look before had crossed
        if wanted >= _FEWEST_HITS:
            left = both[alive]
            count = min(round(wanted), len(left) - 1)
            critical = float(np.partition(left, len(left) - count)[len(left) - count])
            level = float(np.clip((both >= critical).mean(), portions[j], spent[j]))
            alive &= both < critical
        levels.append(level)
    return tuple(levels)


def _largest(
    shares: tuple[float, ...],
    df: tuple[float, ...],
    comparisons: int,
    correlation: float,
    draws: int,
) -> Iterator[Floats]:
    """Give at each look the largest t of all comparisons, upwards and then downwards."""
    corr = np.full((comparisons, comparisons), correlation) + (1 - correlation) * np.eye(
        comparisons
    )
    root = np.linalg.cholesky(corr)
    for score, spread in _draw(shares, df, comparisons, draws):
        t = (score @ root.T) / spread[:, None]
        yield np.concatenate([t.max(axis=1), -t.min(axis=1)])


def _draw(
    shares: tuple[float, ...], df: tuple[float, ...], comparisons: int, draws: int
) -> Iterator[tuple[Floats, Floats]]:
    """Draw standardised, uncorrelated estimates and the root of the error mean square by look."""
    rng = np.random.default_rng(_SEED)
    total = np.zeros((draws, comparisons))
    squares, have_df, have = np.zeros(draws), 0.0, 0.0
    for share, nu in zip(shares, df, strict=True):
        gap, step = share - have, rng.standard_normal((draws, comparisons))
        if nu >= _MANY_DF:
            spread = np.ones(draws)
        else:
            more = nu - have_df
            if have and more >= comparisons:
                apart = step / np.sqrt(gap) - total / have
                squares += (apart**2).sum(axis=1) / (1 / gap + 1 / have)
                more -= comparisons
            if more > 0:
                squares += 2 * rng.standard_gamma(more / 2, draws)
            have_df = max(nu, have_df)  # a look whose error has fewer df keeps the sums it has
            spread = np.sqrt(squares / have_df)
        total = total + np.sqrt(gap) * step
        have = share
        yield total / np.sqrt(have), spread


def chances_by_look(
    information: Sequence[float],
    df: Sequence[float],
    levels: Sequence[float],
    alone: Sequence[float],
) -> Floats:
    """Give the chance that each look is the first to give an answer.

    Parameters
    ----------
    information, df : sequence of float
        As in `stage_levels`.
    levels : sequence of float
        One-sided level of each look.
    alone : sequence of float
        Chance of the answer at each look if it were the only one.

    Returns
    -------
    ndarray
        The sum is the chance of an answer in all.

    Notes
    -----
    How far the looks agree comes from drawn trials; the effect at each look is set so that the
    look alone has the chance given.

    Examples
    --------
    >>> first = chances_by_look([0.5, 1.0], [5, 13], [0.0015, 0.0245], [0.2, 0.8])
    >>> bool(abs(first[0] - 0.2) < 0.01) and bool(0.8 <= first.sum() < 0.85)
    True
    """
    shares = tuple(float(share) for share in information)
    given = tuple(float(nu) for nu in df)
    alive = np.ones(_DRAWS_FOR_CHANCES, dtype=bool)
    out = []
    drawn = _draw(shares, given, 1, _DRAWS_FOR_CHANCES)
    for (score, spread), nu, level, chance in zip(drawn, given, levels, alone, strict=True):
        margin = -special.stdtrit(min(nu, 1e6), level) * spread - score[:, 0]
        crossed = margin <= np.quantile(margin, np.clip(chance, 0.0, 1.0))
        if chance <= 0:
            crossed = np.zeros_like(alive)
        out.append(float((alive & crossed).mean()))
        alive &= ~crossed
    return np.array(out)
