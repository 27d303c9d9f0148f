"""Planned contrasts: trends over spaced levels, and interactions taken apart.

Contrasts asked before the data were seen need no allowance for a search, so their rows are
adjusted only on request.

References
----------
.. [1] Robson DS (1959). A simple method for constructing orthogonal polynomials when the
   independent variable is unequally spaced. Biometrics 15:187-191. doi:10.2307/2527668
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from trialkit.errors import ModelError
from trialkit.model.answers.comparisons import adjust_rows, pairs_matrix
from trialkit.model.answers.means import contrast_rows, mean_cells, split_terms
from trialkit.model.fitted import Fitted
from trialkit.model.inference.adjustments import choose_adjustment

Floats = NDArray[np.float64]

_NAMES = ("linear", "quadratic", "cubic", "quartic", "quintic")


def polynomial_contrasts(values: ArrayLike, *, degree: int | None = None) -> pd.DataFrame:
    """Give orthogonal polynomial contrasts over levels, equally spaced or not.

    Parameters
    ----------
    values : array_like, shape (k,)
        The number each level stands for, such as seconds of mist; all different.
    degree : int, optional
        Highest power, at most ``k - 1`` (the default).

    Returns
    -------
    DataFrame
        One row per power (``linear``, ``quadratic``, …), one column per level. Coefficients
        are the smallest whole numbers where there are such (equal spacing and many others,
        as in printed tables), else scaled to unit sum of squares. The highest value's
        coefficient is positive.

    Raises
    ------
    ModelError
        Fewer than two levels, two equal values, or a degree that the levels cannot carry.

    References
    ----------
    .. [1] Robson (1959), doi:10.2307/2527668. For equal spacing the tables of Fisher RA,
       Yates F (1963). Statistical Tables, table XXIII.

    Examples
    --------
    >>> polynomial_contrasts([0.0, 0.2, 0.4, 0.6]).to_numpy().astype(int)
    array([[-3, -1,  1,  3],
           [ 1, -1, -1,  1],
           [-1,  3, -3,  1]])
    """
    x = np.asarray(values, dtype=float)
    size = len(x)
    top = size - 1 if degree is None else degree
    if size < 2 or len(np.unique(x)) < size or not np.isfinite(x).all():
        raise ModelError("a trend needs two or more levels, each with its own finite number")
    if not 1 <= top <= size - 1:
        raise ModelError(f"{size} levels carry a trend of degree 1 to {size - 1}, not {top}")
    scaled = (x - x.mean()) / np.abs(x - x.mean()).max()
    basis, _ = np.linalg.qr(np.vander(scaled, top + 1, increasing=True))
    rows = [_tidy(basis[:, power], int(np.argmax(x))) for power in range(1, top + 1)]
    names = [_NAMES[i] if i < len(_NAMES) else f"degree {i + 1}" for i in range(top)]
    return pd.DataFrame(rows, index=pd.Index(names, name="trend"), columns=x.tolist())


def _tidy(row: Floats, highest: int) -> Floats:
    """Turn a contrast into small whole numbers if it is proportional to some."""
    row = np.asarray(row * (1.0 if row[highest] > 0 else -1.0), dtype=float)
    smallest = np.abs(row[np.abs(row) > 1e-9]).min()
    for multiple in range(1, 61):
        whole = row / smallest * multiple
        if np.abs(whole - np.round(whole)).max() < 1e-7:
            exact = np.round(whole)
            return np.asarray(exact / math.gcd(*exact.astype(int).tolist()))
    return np.asarray(row / math.sqrt(float(row @ row)))


def trends(
    fit: Fitted,
    factor: str,
    *,
    values: Mapping[object, float] | Sequence[float] | None = None,
    degree: int | None = None,
    by: Sequence[str] | str | None = None,
    adjust: Literal["holm", "none"] = "none",
    df: str = "default",
    level: float | None = None,
) -> pd.DataFrame:
    """Test straight-line and curved trends over the levels of a factor.

    Parameters
    ----------
    fit : Fitted
        A fitted model.
    factor : str
        A factor whose levels stand for numbers.
    values : mapping or sequence, optional
        The number of each level; read from the level names when left out.
    degree : int, optional
        Highest power tested.
    by : str or sequence of str, optional
        Factors within whose levels the trend is tested.
    adjust : {"holm", "none"}
        Allowance for several tests; none, since trends are planned.
    df, level
        As for `differences`.

    Returns
    -------
    DataFrame
        One row per power: the `by` columns, `trend, estimate, se, df, low, high, t, p,
        p_alone, method, adjust, note`; `estimate` is the contrast of `polynomial_contrasts`.

    Raises
    ------
    ModelError
        Levels without a number, or an unknown adjustment.

    References
    ----------
    .. [1] Robson (1959), doi:10.2307/2527668
    """
    choose_adjustment(adjust, "any")
    wanted = fit.level if level is None else level
    frames = []
    for cells in mean_cells(fit, factor, by=by):
        numbers = _numbers(cells.labels, values, factor)
        matrix = polynomial_contrasts(numbers, degree=degree)
        rows, _ = contrast_rows(fit, matrix.to_numpy() @ cells.rows, df=df, level=wanted)
        table = adjust_rows(rows, adjust=adjust, level=wanted)
        table.insert(0, "trend", list(matrix.index))
        for name, value in reversed(cells.by):
            table.insert(0, name, value)
        frames.append(table)
    return pd.concat(frames, ignore_index=True)


def _numbers(
    labels: Sequence[object],
    values: Mapping[object, float] | Sequence[float] | None,
    factor: str,
) -> list[float]:
    try:
        if values is None:
            return [float(str(label)) for label in labels]
        if isinstance(values, Mapping):
            return [float(values[label]) for label in labels]
        numbers = [float(value) for value in values]
    except (KeyError, ValueError) as fault:
        raise ModelError(
            f"the levels of {factor} ({', '.join(map(str, labels))}) need a number each for a "
            "trend; give values={level: number, …}"
        ) from fault
    if len(numbers) != len(labels):
        raise ModelError(f"{factor} has {len(labels)} levels but {len(numbers)} values were given")
    return numbers


def interactions(
    fit: Fitted,
    factors: str | Sequence[str],
    *,
    adjust: Literal["holm", "none"] = "holm",
    df: str = "default",
    level: float | None = None,
) -> pd.DataFrame:
    """Take an interaction apart into differences of differences.

    Parameters
    ----------
    fit : Fitted
        A fitted model.
    factors : str or sequence of str
        Two or more factors, such as ``"flush:schedule"``.
    adjust : {"holm", "none"}
        Allowance for several comparisons.
    df, level
        As for `differences`.

    Returns
    -------
    DataFrame
        One row per combination of one pair of levels from each factor: `contrast` (written
        as ``(usual - sparse) × (1 - 2)``), `estimate, se, df, low, high, t, p, p_alone,
        method, adjust, note`.

    Raises
    ------
    ModelError
        Fewer than two factors, or an adjustment that is unknown or meant for means.
    """
    names = split_terms(factors)
    if len(names) < 2:
        raise ModelError('an interaction needs two factors or more, such as "flush:schedule"')
    choose_adjustment(adjust, "any")
    wanted = fit.level if level is None else level
    (cells,) = mean_cells(fit, names)
    matrix: Floats = np.ones((1, 1))
    labels = [""]
    for name in names:
        levels = fit.design.levels[name]
        one, pairs = pairs_matrix(len(levels))
        matrix = np.asarray(np.kron(matrix, one), dtype=float)
        shown = [f"({levels[i]} - {levels[j]})" for i, j in pairs]
        labels = [
            f"{left} × {right}" if left else right
            for left, right in itertools.product(labels, shown)
        ]
    rows, _ = contrast_rows(fit, matrix @ cells.rows, df=df, level=wanted)
    table = adjust_rows(rows, adjust=adjust, level=wanted)
    table.insert(0, "contrast", labels)
    return table
