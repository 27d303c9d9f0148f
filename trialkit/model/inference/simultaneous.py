"""Chances of the largest of several comparisons, by quadrature and not by dice.

Tukey's range and Dunnett's many-to-one comparisons both ask how large the largest
of several correlated t statistics gets by chance. With ``T_i = Z_i / s``, where ``Z``
is normal with correlation ``R`` and ``df * s**2`` is chi-square, every such chance is an
integral over ``s`` of a normal chance. The outer integral is a trapezoid rule in
``log s``; the inner one is

- for the range of ``k`` independent means, one integral over the largest of them;
- for a correlation of product form ``R_ij = l_i l_j``, one integral over the shared part;
- otherwise sequential conditioning on fixed, scrambled Sobol points, with its error stated.

Upper tails are summed directly, so small chances keep their leading digits.

References
----------
.. [1] Dunnett CW (1955). A multiple comparison procedure for comparing several treatments
   with a control. J Am Stat Assoc 50:1096-1121. doi:10.1080/01621459.1955.10501294
.. [2] Genz A, Bretz F (2009). Computation of Multivariate Normal and t Probabilities.
   Lecture Notes in Statistics 195. Springer. doi:10.1007/978-3-642-01689-9
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import special

Floats = NDArray[np.float64]
Tails = Literal["two", "upper"]

_NORMAL_FROM = 1e7  # above this many df the t and normal chances agree to about 1e-8
_SMALLEST_SPREAD = 0.005  # own part of a contrast below which the shared integral is too sharp
_ENDLESS = 1e12  # critical values beyond this (far below one df) are called infinite
_SCRAMBLES, _POINTS = 8, 2**13


@lru_cache(maxsize=256)
def _scale_nodes(df: float) -> tuple[Floats, Floats]:
    """Give points ``s`` and weights for the law of ``sqrt(chi-square / df)``."""
    if not df < _NORMAL_FROM:
        return np.ones(1), np.ones(1)

    def drop(y: float) -> float:  # log density of y = log s, relative to its mode at 0
        return df * (y - math.expm1(2 * y) / 2)

    spread = 1 / math.sqrt(2 * df)
    ends = []
    for sign in (-1, 1):
        edge = min(spread, 1.0)
        while drop(sign * edge) > -40 and edge < 45:
            edge *= 1.2
        ends.append(sign * edge)
    step = min(0.4 * spread, 0.11)
    y = np.arange(ends[0], ends[1] + step, step)
    weights = np.exp(df * (y - np.expm1(2 * y) / 2))
    # what lies below the first point, where the density is exp(df y): matters below 1 df only
    weights[0] *= 0.5 + 1 / (df * step)
    return np.exp(y), weights / weights.sum()


def range_tail(q: float, means: int, df: float) -> float:
    """Give the chance that a studentised range exceeds `q`.

    Parameters
    ----------
    q : float
        Range of the means divided by the standard error of one mean.
    means : int
        Number of means, at least 2.
    df : float
        Degrees of freedom of the standard error; may be a fraction or infinite.

    Returns
    -------
    float
        Upper tail chance.

    References
    ----------
    .. [1] Tukey JW (1953). The problem of multiple comparisons.

    Examples
    --------
    The tabled 5 % point for 3 means and 10 df is 3.87678:

    >>> round(range_tail(3.87678, 3, 10.0), 6)
    0.05
    """
    if not q > 0:
        return math.nan if math.isnan(q) else 1.0
    s, weight = _scale_nodes(df)
    z = np.arange(-9.0, 12.0, 0.125)
    below = special.ndtr(z)
    density = means * 0.125 * np.exp(-(z**2) / 2) / math.sqrt(2 * math.pi) * below ** (means - 1)
    share = special.ndtr(z[:, None] - q * s[None, :]) / below[:, None]
    with np.errstate(divide="ignore"):
        outside = -np.expm1((means - 1) * np.log1p(-np.minimum(share, 1.0)))
    return float(min(1.0, density @ outside @ weight))


@lru_cache(maxsize=512)
def range_point(level: float, means: int, df: float) -> float:
    """Give the `level` point of the studentised range.

    Examples
    --------
    >>> round(range_point(0.95, 4, 20.0), 5)
    3.95829
    """
    from scipy.optimize import brentq

    lowest = -math.sqrt(2) * float(special.stdtrit(df, (1 - level) / 2))
    pairs = means * (means - 1) / 2
    highest = -math.sqrt(2) * float(special.stdtrit(df, (1 - level) / 2 / pairs))
    if means == 2 or highest > _ENDLESS:
        return lowest if means == 2 else math.inf
    return float(
        brentq(
            lambda q: range_tail(q, means, df) - (1 - level),
            lowest * 0.999,
            highest * 1.001,
            xtol=1e-11,
        )
    )


def product_loadings(correlation: Floats) -> Floats | None:
    """Find ``l`` with ``R_ij = l_i l_j`` off the diagonal, if there is one.

    Parameters
    ----------
    correlation : ndarray, shape (m, m)
        Correlation of the contrasts.

    Returns
    -------
    ndarray of shape (m,), or None
        Loadings in [-1, 1]; None where the correlation has no such form.

    Examples
    --------
    >>> product_loadings(np.array([[1.0, 0.5, 0.5], [0.5, 1.0, 0.5], [0.5, 0.5, 1.0]])).round(4)
    array([0.7071, 0.7071, 0.7071])
    """
    size = len(correlation)
    if size == 1:
        return np.zeros(1)
    if size == 2:
        rho = float(correlation[0, 1])
        root = math.sqrt(abs(rho))
        return np.array([root, math.copysign(root, rho)])
    off = correlation - np.diag(np.diag(correlation))
    loadings = np.zeros(size)
    first = int(np.argmax(np.abs(off).sum(axis=0)))
    others = [i for i in range(size) if i != first]
    j, k = max(
        ((a, b) for i, a in enumerate(others) for b in others[i + 1 :]),
        key=lambda pair: abs(off[pair]),
    )
    if off[j, k] == 0:
        # every pair among the others is unrelated: only the all-zero form is of use here
        return loadings if not off.any() else None
    square = off[first, j] * off[first, k] / off[j, k]
    if not 0 < square <= 1:
        return None
    loadings[first] = math.sqrt(square)
    loadings[others] = off[first, others] / loadings[first]
    fitted = np.outer(loadings, loadings)
    np.fill_diagonal(fitted, 0.0)
    if np.abs(loadings).max() > 1 or np.abs(fitted - off).max() > 1e-9:
        return None
    return loadings


def _tail_by_product(d: float, loadings: Floats, df: float, tails: Tails) -> float:
    own = np.sqrt(np.maximum(1 - loadings**2, 0.0))
    step = min(0.125, 0.35 * float(own.min()))
    z = np.arange(-9.0, 9.0 + step, step)
    density = step * np.exp(-(z**2) / 2) / math.sqrt(2 * math.pi)
    s, weight = _scale_nodes(df)
    inside = np.zeros((len(z), len(s)))
    for loading, spread in zip(loadings, own, strict=True):
        miss = special.ndtr((loading * z[:, None] - d * s[None, :]) / spread)
        if tails == "two":
            miss = miss + special.ndtr((-loading * z[:, None] - d * s[None, :]) / spread)
        with np.errstate(divide="ignore"):
            inside += np.log1p(-np.minimum(miss, 1.0))
    return float(density @ -np.expm1(inside) @ weight)


@lru_cache(maxsize=16)
def _sobol(dimensions: int) -> Floats:
    from scipy.stats import qmc

    blocks = [
        qmc.Sobol(dimensions, scramble=True, rng=np.random.default_rng(seed)).random(_POINTS)
        for seed in range(_SCRAMBLES)
    ]
    points: Floats = np.clip(np.stack(blocks), 1e-15, 1 - 1e-15)
    return points


def _tail_by_points(d: float, correlation: Floats, df: float, tails: Tails) -> tuple[float, float]:
    """Condition one contrast at a time (Genz and Bretz 2009, section 4.2)."""
    size = len(correlation)
    points = _sobol(size)
    if df < _NORMAL_FROM:
        s = np.sqrt(2 * special.gammaincinv(df / 2, points[..., 0]) / df)
    else:
        s = np.ones(points.shape[:2])
    root = _lower_root(correlation)
    kept = np.ones_like(s)
    y = np.zeros((*s.shape, size))
    for i in range(size):
        centre = y[..., :i] @ root[i, :i]
        spread = max(root[i, i], 1e-12)
        high = special.ndtr((d * s - centre) / spread)
        low = special.ndtr((-d * s - centre) / spread) if tails == "two" else 0.0
        width = high - low
        kept = kept * width
        if i + 1 < size:
            inner = np.clip(low + points[..., i + 1] * width, 1e-16, 1 - 1e-16)
            y[..., i] = special.ndtri(inner)
    each = 1 - kept.mean(axis=1)
    return float(each.mean()), float(3 * each.std(ddof=1) / math.sqrt(_SCRAMBLES))


def _lower_root(correlation: Floats) -> Floats:
    """Give a lower triangular root that also serves singular correlations."""
    size = len(correlation)
    root = np.zeros((size, size))
    for i in range(size):
        for j in range(i):
            if root[j, j] > 1e-9:
                rest = correlation[i, j] - root[i, :j] @ root[j, :j]
                root[i, j] = rest / root[j, j]
        root[i, i] = math.sqrt(max(correlation[i, i] - root[i, :i] @ root[i, :i], 0.0))
    return root


def largest_tail(
    d: float, correlation: Floats, df: float, *, tails: Tails = "two"
) -> tuple[float, float]:
    """Give the chance that the largest of several t statistics exceeds `d`.

    Parameters
    ----------
    d : float
        Value to exceed; absolute values are compared when ``tails="two"``.
    correlation : ndarray, shape (m, m)
        Correlation of the contrasts.
    df : float
        Degrees of freedom of the shared standard error; may be a fraction or infinite.
    tails : {"two", "upper"}
        Whether large negative values count as well.

    Returns
    -------
    chance, error : float
        The chance, and a bound on its error: 1e-9 for the product form, three standard
        errors over eight scramblings of the points otherwise.

    References
    ----------
    .. [1] Dunnett CW (1955), doi:10.1080/01621459.1955.10501294
    .. [2] Genz A, Bretz F (2009), doi:10.1007/978-3-642-01689-9

    Examples
    --------
    Dunnett's two-sided 5 % point for three treatments and 10 df is 2.75900:

    >>> chance, error = largest_tail(2.759, np.full((3, 3), 0.5) + 0.5 * np.eye(3), 10.0)
    >>> round(chance, 5), error
    (0.05, 1e-09)
    """
    correlation = np.asarray(correlation, dtype=float)
    alone = float(special.stdtr(df, -abs(d) if tails == "two" else -d))
    alone *= 2 if tails == "two" else 1
    size = len(correlation)
    if math.isnan(d) or math.isnan(df):
        return math.nan, math.nan
    if size == 1:
        return alone, 0.0
    value = abs(d) if tails == "two" else d
    loadings = product_loadings(correlation)
    sharp = loadings is not None and float(np.abs(loadings).max()) > math.sqrt(
        1 - _SMALLEST_SPREAD**2
    )
    if loadings is None or sharp:
        chance, error = _tail_by_points(value, correlation, df, tails)
    else:
        chance, error = _tail_by_product(value, loadings, df, tails), 1e-9
    # one contrast alone, and the sum over all of them, bound the chance from both sides
    return min(max(chance, alone), min(1.0, size * alone)), error


def largest_point(level: float, correlation: Floats, df: float, *, tails: Tails = "two") -> float:
    """Give the value that the largest of several t statistics stays below at `level`.

    Parameters
    ----------
    level : float
        Chance of staying below, such as 0.95.
    correlation, df, tails
        As in `largest_tail`.

    Returns
    -------
    float
        Critical value.

    Examples
    --------
    >>> round(largest_point(0.95, np.full((2, 2), 0.5) + 0.5 * np.eye(2), 20.0), 4)
    2.3787
    """
    whole = np.ascontiguousarray(correlation, dtype=float)
    return _largest_point(level, whole.tobytes(), len(whole), df, tails)


@lru_cache(maxsize=512)
def _largest_point(level: float, numbers: bytes, size: int, df: float, tails: Tails) -> float:
    """Find the value once for each family: differences, ratios and limits ask for the same."""
    from scipy.optimize import brentq

    correlation = np.frombuffer(numbers).reshape(size, size)
    share = (1 - level) / (2 if tails == "two" else 1)
    lowest = -float(special.stdtrit(df, share))
    if len(correlation) == 1:
        return lowest
    highest = -float(special.stdtrit(df, share / len(correlation)))
    excess: Callable[[float], float] = lambda d: (  # noqa: E731
        largest_tail(d, correlation, df, tails=tails)[0] - (1 - level)
    )
    if highest > _ENDLESS:
        return math.inf
    if excess(lowest) <= 0:
        return lowest
    if excess(highest) >= 0:
        return highest
    return float(brentq(excess, lowest, highest, xtol=1e-10))
