"""What settings give where the crop's curve may depart from one of second order.

A surface of second order cannot follow a cliff, a narrow top or two humps. Here the departure from
it is a smooth random function of the settings, on top of the trial's own random terms. How large
and how smooth it is, is not known: several answers are averaged, each weighted by how likely
it makes the harvest, and half of the weight beforehand is on no departure at all.

References
----------
.. [1] Sacks J, Welch WJ, Mitchell TJ, Wynn HP (1989). Design and analysis of computer experiments.
   Stat Sci 4:409-423. doi:10.1214/ss/1177012413
.. [2] Hoeting JA, Madigan D, Raftery AE, Volinsky CT (1999). Bayesian model averaging: a tutorial.
   Stat Sci 14:382-401. doi:10.1214/ss/1009212519
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np
from scipy import linalg

from trialkit.arrays import Floats
from trialkit.settings.polynomial import terms
from trialkit.surface.fit_surface import Surface, term_name

#: Standard deviations of a departure, as a share of the response at the middle of the range.
SIZES = (0.1, 0.2)
#: Distances over which it loses its likeness, in coded units (the range is 2 long).
LENGTHS = (0.4, 0.8)
#: Shares of the estimated variances of the random terms that are tried: a departure may hide there.
SHARES = (1.0, 0.4)
#: Weight beforehand of no departure.
NONE = 0.5
#: Rows above which departures are not worked out: their covariance is made in full.
MOST_ROWS = 1500
#: Answers of less weight than this are left out.
_LITTLE = 1e-3


@dataclass(frozen=True)
class Answer:
    """One answer to how large and how smooth the departure is.

    Parameters
    ----------
    weight : float
        How likely it is, given the harvest.
    gains, variances : ndarray, shape (points,)
        Gain over today's settings, and its variance.
    covariance : ndarray, shape (points, points), or None
        Of the gains, where it was asked for.
    """

    weight: float
    gains: Floats
    variances: Floats
    covariance: Floats | None = None


@dataclass(frozen=True)
class Departures:
    """Gains over today's settings, departures allowed for. Made by `allow_departures`.

    Parameters
    ----------
    gains, errors : ndarray, shape (points,)
        Mean and standard deviation of the gain at each point, over all answers.
    weight : float
        How likely it is that there is a departure at all, given the harvest.
    answers : tuple of Answer
    """

    gains: Floats
    errors: Floats
    weight: float
    answers: tuple[Answer, ...]


def allow_departures(surface: Surface, coded: Floats, *, joint: bool = False) -> Departures | None:
    """Work out what settings gain over today's, with smooth departures from the surface.

    Parameters
    ----------
    surface : Surface
    coded : ndarray, shape (points, settings)
    joint : bool
        Whether the covariance of all points is wanted too.

    Returns
    -------
    Departures or None
        None where the trial has more than `MOST_ROWS` rows, or other factors beside the
        settings.

    Notes
    -----
    Variances are those of the surface's fit, and a share of them, since a departure of settings
    given to whole runs looks like variation between runs. They are taken as known.
    """
    table = surface.fit.table
    if len(table) > MOST_ROWS or surface.others:
        return None
    names = [term_name([s.name], (1,)) for s in surface.settings]
    x = table[names].to_numpy(dtype=float)
    y = table[surface.response].to_numpy(dtype=float)
    at = np.vstack([np.atleast_2d(coded), surface.usual])
    found: list[tuple[float, Answer]] = []
    ways = list(itertools.product(SIZES, LENGTHS))
    for share in SHARES:
        base = _covariance(surface, share)
        found.append(_answer(x, y, at, base, None, NONE / len(SHARES), joint))
        prior = (1 - NONE) / len(SHARES) / len(ways)
        for size, length in ways:
            kernel = (size * abs(float(surface.estimate[0])), length)
            found.append(_answer(x, y, at, base, kernel, prior, joint))
    logs = np.array([fit for fit, _ in found])
    weights = np.exp(logs - logs.max())
    weights /= weights.sum()
    kept = [
        replace(a, weight=float(w)) for w, (_, a) in zip(weights, found, strict=True) if w > _LITTLE
    ]
    total = sum(a.weight for a in kept)
    mean = np.asarray(sum((a.weight * a.gains for a in kept), np.zeros(len(at) - 1)) / total)
    square = sum((a.weight * (a.variances + a.gains**2) for a in kept), np.zeros(len(at) - 1))
    error = np.sqrt(np.maximum(square / total - mean**2, 0))
    plain = float(weights[:: 1 + len(ways)].sum())
    return Departures(mean, error, 1 - plain, tuple(kept))


def _covariance(surface: Surface, share: float) -> Floats:
    """Give the covariance of the rows, random terms taken at a share of their variance."""
    table, variances = surface.fit.table, surface.fit.variances
    cov = max(float(variances["residual"]), 1e-12) * np.eye(len(table))
    for term in surface.fit.spec.random:
        unit = table.groupby(term.split(":"), sort=False, observed=True).ngroup().to_numpy()
        cov += share * max(float(variances[term]), 0.0) * (unit[:, None] == unit[None, :])
    return np.asarray(cov)


def _answer(
    x: Floats,
    y: Floats,
    at: Floats,
    base: Floats,
    kernel: tuple[float, float] | None,
    prior: float,
    joint: bool,
) -> tuple[float, Answer]:
    """Give the weight of one answer as a logarithm, and its gains over the last point."""
    rows, X = terms(at), terms(x)
    cov = base if kernel is None else base + _likeness(x, x, kernel)
    factor = linalg.cho_factor(cov, lower=True, check_finite=False)
    both = linalg.cho_solve(factor, np.column_stack([X, y]), check_finite=False)
    info = X.T @ both[:, :-1]
    estimate = np.linalg.solve(info, X.T @ both[:, -1])
    rest = both[:, -1] - both[:, :-1] @ estimate  # V^-1 (y - X b)
    fit = -np.log(np.diag(factor[0])).sum() - 0.5 * np.linalg.slogdet(info)[1]
    fit += np.log(prior) - 0.5 * float((y - X @ estimate) @ rest)
    D = rows[:-1] - rows[-1]
    gains = D @ estimate
    parts = []  # pairs of factors whose products sum to the covariance
    own: Floats | float = 0.0
    if kernel is not None:
        near = _likeness(at, x, kernel)
        c = near[:-1] - near[-1]
        gains = gains + c @ rest
        D = D - c @ both[:, :-1]
        parts.append((-c, linalg.cho_solve(factor, c.T, check_finite=False).T))
        own = _own(at, kernel, joint)
    parts.append((D, np.linalg.solve(info, D.T).T))
    if not joint:
        spread = own + sum((a * b).sum(axis=1) for a, b in parts)
        return float(fit), Answer(0.0, np.asarray(gains), np.asarray(spread))
    whole = np.asarray(own + sum((a @ b.T for a, b in parts), np.zeros((len(D), len(D)))))
    return float(fit), Answer(0.0, np.asarray(gains), np.diag(whole), whole)


def _own(at: Floats, kernel: tuple[float, float], joint: bool) -> Floats:
    """Give the covariance of departures from that at the last point, or its diagonal alone."""
    if not joint:
        return np.asarray(2 * kernel[0] ** 2 - 2 * _likeness(at[:-1], at[-1:], kernel)[:, 0])
    own = _likeness(at, at, kernel)
    return np.asarray(own[:-1, :-1] - own[:-1, [-1]] - own[[-1], :-1] + own[-1, -1])


def _likeness(a: Floats, b: Floats, kernel: tuple[float, float]) -> Floats:
    """Give covariances of a smooth function (Matérn, smoothness 5/2), shape (n, m)."""
    size, length = kernel
    squares = ((a[:, None, :] - b[None, :, :]) ** 2).sum(axis=-1)
    away = np.sqrt(5 * squares) / length
    return np.asarray(size**2 * (1 + away + away**2 / 3) * np.exp(-away))
