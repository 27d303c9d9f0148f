"""Polynomials of second order in coded settings: terms, rows, slopes and bends.

References
----------
.. [1] Box GEP, Wilson KB (1951). On the experimental attainment of optimum conditions.
   J R Stat Soc B 13:1-45. doi:10.1111/j.2517-6161.1951.tb00067.x
"""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import ArrayLike

from trialkit.arrays import Floats


def powers(settings: int, *, order: int = 2) -> list[tuple[int, ...]]:
    """Give the exponents of each term: constant, linear, squares, products.

    Parameters
    ----------
    settings : int
        Number of settings.
    order : {1, 2}

    Returns
    -------
    list of tuple of int
        One exponent per setting.

    Examples
    --------
    >>> powers(2)
    [(0, 0), (1, 0), (0, 1), (2, 0), (0, 2), (1, 1)]
    """
    own = np.eye(settings, dtype=int)
    out = [np.zeros(settings, dtype=int), *own]
    if order == 2:
        out += [2 * row for row in own]
        out += [own[i] + own[j] for i, j in itertools.combinations(range(settings), 2)]
    return [tuple(int(v) for v in row) for row in out]


def terms(coded: ArrayLike, *, order: int = 2) -> Floats:
    """Work out the terms at coded settings.

    Parameters
    ----------
    coded : array, shape (n, settings)
    order : {1, 2}

    Returns
    -------
    ndarray, shape (n, terms)

    Examples
    --------
    >>> terms([[0.5, -1.0]]).tolist()
    [[1.0, 0.5, -1.0, 0.25, 1.0, -0.5]]
    """
    x = np.atleast_2d(np.asarray(coded, dtype=float))
    exponents = np.array(powers(x.shape[-1], order=order))
    each = x[..., None] ** np.arange(exponents.max() + 1)  # every power of a setting once
    out = each[..., 0, exponents[:, 0]]
    for i in range(1, x.shape[-1]):
        out = out * each[..., i, exponents[:, i]]
    return np.asarray(out)


def slopes(coded: ArrayLike) -> Floats:
    """Work out the derivative of each second-order term by each setting.

    Parameters
    ----------
    coded : array, shape (n, settings)

    Returns
    -------
    ndarray, shape (n, settings, terms)

    Examples
    --------
    >>> slopes([[0.5, -1.0]])[0].tolist()
    [[0.0, 1.0, 0.0, 1.0, 0.0, -1.0], [0.0, 0.0, 1.0, 0.0, -2.0, 0.5]]
    """
    x = np.atleast_2d(np.asarray(coded, dtype=float))
    exponents = np.array(powers(x.shape[1]))
    out = np.empty((len(x), x.shape[1], len(exponents)))
    for i in range(x.shape[1]):
        lower = exponents.copy()
        lower[:, i] = np.maximum(exponents[:, i] - 1, 0)
        out[:, i] = exponents[:, i] * np.prod(x[:, None, :] ** lower, axis=-1)
    return out + 0.0  # no minus zero


def linear_and_bend(coefficients: ArrayLike) -> tuple[Floats, Floats]:
    """Split coefficients into slopes at the centre and the matrix of bends.

    Parameters
    ----------
    coefficients : array, shape (terms,)
        In the order of `powers`.

    Returns
    -------
    linear : ndarray, shape (settings,)
    bend : ndarray, shape (settings, settings)
        Symmetric ``B`` with response ``b0 + linear' x + x' B x``.

    Examples
    --------
    >>> linear_and_bend([84, 0.9, 0.6, -1.3, -0.9, 0.1])[1].tolist()
    [[-1.3, 0.05], [0.05, -0.9]]
    """
    b = np.asarray(coefficients, dtype=float)
    settings = next(k for k in range(1, len(b)) if len(powers(k)) == len(b))
    linear, bend = b[1 : 1 + settings], np.diag(b[1 + settings : 1 + 2 * settings])
    pairs = itertools.combinations(range(settings), 2)
    for (i, j), value in zip(pairs, b[1 + 2 * settings :], strict=True):
        bend[i, j] = bend[j, i] = value / 2
    return linear, bend


def mean_products(settings: int) -> Floats:
    """Give the mean of the products of terms over the whole coded range.

    Parameters
    ----------
    settings : int

    Returns
    -------
    ndarray, shape (terms, terms)
        Mean of ``f f'`` over the box from -1 to 1; the mean of ``x ** e`` is ``1 / (e + 1)``
        for an even exponent and 0 for an odd one.

    Examples
    --------
    >>> mean_products(1).round(4).tolist()
    [[1.0, 0.0, 0.3333], [0.0, 0.3333, 0.0], [0.3333, 0.0, 0.2]]
    """
    exponents = np.array(powers(settings))
    both = exponents[:, None, :] + exponents[None, :, :]
    return np.asarray(np.prod(np.where(both % 2 == 0, 1 / (both + 1), 0.0), axis=-1))
