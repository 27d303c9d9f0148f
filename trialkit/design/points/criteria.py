"""How much a plan of numeric settings knows: prediction variance and determinant.

Every unit's response is a second-order polynomial of the coded settings plus the random parts of
the units it lies in; the covariance ``V`` of the responses is known up to planning values.

References
----------
.. [1] Box GEP, Draper NR (1959). A basis for the selection of a response surface design.
   J Am Stat Assoc 54:622-654. doi:10.1080/01621459.1959.10501525
.. [2] Goos P, Vandebroek M (2003). D-optimal split-plot designs with given numbers and sizes of
   whole plots. Technometrics 45:235-245. doi:10.1198/004017003000000059
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from trialkit.arrays import Floats
from trialkit.settings.polynomial import mean_products, terms

Criterion = Literal["average variance", "determinant"]


def unit_weights(
    units: Mapping[str, ArrayLike], variances: Mapping[str, float], residual: float
) -> Floats:
    """Invert the covariance of the responses of the smallest units.

    Parameters
    ----------
    units : mapping
        Random part → label of every smallest unit, each of shape (n,).
    variances : mapping
        Random part → variance, those not below zero.
    residual : float
        Variance of the smallest units themselves, above zero.

    Returns
    -------
    ndarray, shape (n, n)

    Examples
    --------
    Two chambers of two shelves, variance 1 each: 2 on the diagonal and 1 beside it, inverted.

    >>> w = unit_weights({"chamber": ["T1", "T1", "T2", "T2"]}, {"chamber": 1.0}, 1.0)
    >>> w.round(3)[0].tolist()
    [0.667, -0.333, 0.0, 0.0]
    """
    count = len(np.asarray(next(iter(units.values())))) if units else 0
    cov = residual * np.eye(count)
    for name, labels in units.items():
        each = np.asarray(labels)
        cov += variances[name] * (each[:, None] == each[None, :])
    return np.asarray(np.linalg.inv(cov))


def information(rows: Floats, weights: Floats) -> Floats:
    """Give ``X' V^-1 X`` for one plan or for many, shape (…, terms, terms).

    Parameters
    ----------
    rows : ndarray, shape (…, n, terms)
    weights : ndarray, shape (n, n)
    """
    return np.swapaxes(rows, -1, -2) @ (weights @ rows)


def score(info: Floats, products: Floats, criterion: Criterion) -> Floats:
    """Score information matrices: the smaller, the better; infinite where singular.

    Parameters
    ----------
    info : ndarray, shape (…, terms, terms)
    products : ndarray, shape (terms, terms)
        Mean of ``f f'`` over the range.
    criterion : {"average variance", "determinant"}
        Mean variance of the predicted response over the range; or the determinant of the
        coefficients' covariance to the power one over their number.

    Returns
    -------
    ndarray, shape (…)
    """
    sign, logarithm = np.linalg.slogdet(info)
    size = info.shape[-1]
    good = (sign > 0) & (logarithm > -20 * size)
    if criterion == "determinant":
        return np.where(good, np.exp(-np.where(good, logarithm, 0.0) / size), np.inf)
    safe = np.where(good[..., None, None], info, np.eye(size))
    return np.where(good, np.trace(np.linalg.solve(safe, products), axis1=-2, axis2=-1), np.inf)


def average_variance(coded: ArrayLike, weights: Floats, over: ArrayLike | None = None) -> float:
    """Give the mean variance of the predicted response over the range.

    Parameters
    ----------
    coded : array, shape (n, settings)
        Coded settings of the smallest units.
    weights : ndarray, shape (n, n)
        From `unit_weights`.
    over : array, shape (points, settings), optional
        Coded settings to average over; the whole range by default.

    Returns
    -------
    float

    Examples
    --------
    Half the units in the middle, a quarter at each end; the variance of one unit is 1:

    >>> average_variance([[-1], [0], [0], [1]], np.eye(4))
    0.5333333333333333
    """
    rows = terms(coded)
    products = range_products(rows.shape[1], np.asarray(coded).shape[1], over)
    return float(score(information(rows, weights), products, "average variance"))


def range_products(size: int, settings: int, over: ArrayLike | None) -> Floats:
    """Give the mean of ``f f'`` over the whole range, or over the points given."""
    if over is None:
        return mean_products(settings)
    rows = terms(over)
    assert rows.shape[1] == size
    return rows.T @ rows / len(rows)


def prediction_variance(coded: ArrayLike, weights: Floats, at: ArrayLike) -> Floats:
    """Give the variance of the predicted response at some settings.

    Parameters
    ----------
    coded : array, shape (n, settings)
    weights : ndarray, shape (n, n)
    at : array, shape (points, settings)

    Returns
    -------
    ndarray, shape (points,)
    """
    rows = terms(at)
    info = information(terms(coded), weights)
    return np.asarray(np.einsum("ij,ji->i", rows, np.linalg.solve(info, rows.T)))
