"""What is believed of settings, what a further trial would teach, and what that is worth.

References
----------
.. [1] Liang F, Paulo R, Molina G, Clyde MA, Berger JO (2008). Mixtures of g priors for Bayesian
   variable selection. J Am Stat Assoc 103:410-423. doi:10.1198/016214507000001337 (the hyper-g
   prior, here with a = 3).
.. [2] Mockus J, Tiesis V, Zilinskas A (1978). The application of Bayesian methods for seeking the
   extremum. In: Towards Global Optimisation 2:117-129. North-Holland (expected improvement).
.. [3] Raiffa H, Schlaifer R (1961). Applied Statistical Decision Theory, ch. 5 (expected value of
   sample information).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from trialkit.arrays import Floats
from trialkit.errors import ModelError
from trialkit.settings.polynomial import terms
from trialkit.surface.fit_surface import Surface
from trialkit.surface.joint_limits import root

#: Trials drawn to work out what a further one is worth.
DRAWS = 4000
#: Of the hyper-g prior; 3 makes all shares about alike before the data.
_A = 3.0
_SHARES = (np.arange(2000) + 0.5) / 2000


@dataclass(frozen=True)
class Belief:
    """What is believed of a surface's coefficients, the constant apart. Made by `believe`.

    Parameters
    ----------
    mean : ndarray, shape (terms - 1,)
    covariance : ndarray, shape (terms - 1, terms - 1)
    df : float
        Of Student's t; infinite for the normal law.
    share : float
        Share of the estimated effects that is believed, from 0 to 1.
    """

    mean: Floats
    covariance: Floats
    df: float
    share: float = 1.0


def believe(surface: Surface) -> Belief:
    """Say what a surface makes believable, less what chance alone would show.

    Parameters
    ----------
    surface : Surface

    Returns
    -------
    Belief

    Raises
    ------
    ModelError
        With too few error degrees of freedom for an expectation.

    Notes
    -----
    The best-looking of many settings looks too good. The effects of settings are therefore drawn
    towards none, by a share that follows from how clearly the settings matter at all [1]_.
    """
    estimate, cov = surface.estimate[1:], surface.covariance[1:, 1:]
    rows = np.eye(len(surface.estimate))[1:]
    df = float(np.nanmin(surface.df_at(rows)))
    if not df > 2:
        raise ModelError("the trials have too few error degrees of freedom to foretell the next")
    squares = float(estimate @ np.linalg.solve(cov, estimate))
    share = believed_share(squares, len(estimate), df)
    return Belief(share * estimate, share * cov, df, share)


def believed_share(squares: float, count: int, df: float) -> float:
    """Give the share of estimated effects that is believed.

    Parameters
    ----------
    squares : float
        Squared distance of the effects from none, in units of their covariance.
    count : int
        Number of effects.
    df : float
        Error degrees of freedom.

    Returns
    -------
    float

    Examples
    --------
    Nothing seen of two effects: 1 / (2 / 2 + 3 / 2) = 0.4 of nothing; much seen: nearly all.

    >>> round(believed_share(0.0, 2, 1e9), 3), round(believed_share(200.0, 2, 1e9), 2)
    (0.4, 0.99)
    """
    left = 1 - _SHARES
    log = (count / 2 + _A / 2 - 2) * np.log(left)
    log -= (df + count) / 2 * np.log1p(left * squares / df)
    weight = np.exp(log - log.max())
    return float(weight @ _SHARES / weight.sum())


def expected_improvement(mean: ArrayLike, sd: ArrayLike, df: float = math.inf) -> Floats:
    """Give the expected gain of what is used only if it gains: ``E max(0, mean + sd T)`` [2]_.

    Parameters
    ----------
    mean, sd : array
    df : float
        Of Student's t, above 1; infinite for the normal law.

    Returns
    -------
    ndarray

    Examples
    --------
    At no gain on average, half of what is left of a normal law: sd / sqrt(2 pi).

    >>> round(float(expected_improvement(0.0, 1.0)), 4)
    0.3989
    """
    m, s = np.asarray(mean, dtype=float), np.asarray(sd, dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        z = np.where(s > 0, m / s, 0.0)
    if math.isinf(df):
        below, part = special.ndtr(z), np.exp(-(z**2) / 2) / math.sqrt(2 * math.pi)
    else:
        log = special.gammaln((df + 1) / 2) - special.gammaln(df / 2)
        density = np.exp(log - (df + 1) / 2 * np.log1p(z**2 / df)) / math.sqrt(df * math.pi)
        below, part = special.stdtr(df, z), density * (df + z**2) / (df - 1)
    return np.asarray(np.where(s > 0, m * below + s * part, np.maximum(m, 0)))


def information_of(coded: ArrayLike, weights: Floats) -> Floats:
    """Give what a plan teaches of the coefficients, the constant being unknown.

    Parameters
    ----------
    coded : array, shape (n, settings)
        Coded settings of the units.
    weights : ndarray, shape (n, n)
        Inverse covariance of their responses.

    Returns
    -------
    ndarray, shape (terms - 1, terms - 1)
    """
    rows = terms(coded)
    info = rows.T @ weights @ rows
    return np.asarray(info[1:, 1:] - np.outer(info[1:, 0], info[0, 1:]) / info[0, 0])


@dataclass(frozen=True)
class GainOfTrial:
    """What a further trial is expected to bring. Made by `gain_of_trial`.

    Parameters
    ----------
    known : float
        Expected value of the best known setting over today's.
    expected : float
        What the choice after a further trial is expected to give more than the best known.
    low, high : float
        Limits of what it truly gives more.
    chance : float
        Chance that it truly gives more.
    chance_over_today : float
        Chance that the choice after the trial truly gives more than today's setting.
    """

    known: float
    expected: float
    low: float
    high: float
    chance: float
    chance_over_today: float


def gain_of_trial(
    belief: Belief,
    information: Floats,
    gains: Floats,
    *,
    price: float = 1.0,
    dearer: ArrayLike = 0.0,
    level: float = 0.95,
    seed: int = 0,
) -> GainOfTrial:
    """Work out by simulation what a further trial is worth [3]_.

    Parameters
    ----------
    belief : Belief
    information : ndarray, shape (terms - 1, terms - 1)
        From `information_of`.
    gains : ndarray, shape (n, terms - 1)
        Settings to choose among, as terms less those of today's; one row may be all zero.
    price : float
        Value of one unit of the response.
    dearer : array, shape (n,)
        What each setting costs more than today's.
    level : float
    seed : int

    Returns
    -------
    GainOfTrial
        Per block; low and high hold the true gain at `level`.

    Notes
    -----
    A truth is drawn from the belief, a further trial from the truth; the setting that is then
    best on average is chosen. The spread of units is taken as known up to the common t factor.
    """
    rng = np.random.default_rng(seed)
    size, extra = len(belief.mean), np.broadcast_to(np.asarray(dearer, float), len(gains))
    stretch = np.ones(DRAWS)
    if np.isfinite(belief.df):
        stretch = np.sqrt(belief.df / rng.chisquare(belief.df, DRAWS))
    noise = rng.standard_normal((2, DRAWS, size)) * stretch[:, None]
    truth = belief.mean + noise[0] @ root(belief.covariance).T
    before = np.linalg.inv(belief.covariance)
    after = np.linalg.inv(before + information)
    told = before @ belief.mean + truth @ information + noise[1] @ root(information).T
    values = price * (told @ after) @ gains.T - extra
    now = price * gains @ belief.mean - extra
    best, each = int(now.argmax()), np.arange(DRAWS)
    chosen = values.argmax(axis=1)
    true = price * np.einsum("jt,jt->j", truth, gains[chosen]) - extra[chosen]
    at_best = price * truth @ gains[best] - extra[best]
    more = true - at_best
    low, high = np.quantile(more, [(1 - level) / 2, (1 + level) / 2])
    return GainOfTrial(
        known=float(now[best]),
        expected=float((values[each, chosen] - values[:, best]).mean()),
        low=float(low),
        high=float(high),
        chance=float((more > 0).mean()),
        chance_over_today=float((true > 0).mean()),
    )


def chance_of_more(
    belief: Belief,
    gains: Floats,
    than: float,
    *,
    price: float = 1.0,
    dearer: ArrayLike = 0.0,
    seed: int = 0,
) -> float:
    """Give the chance that some setting truly gives so much more than the best known one.

    Parameters
    ----------
    belief, gains, price, dearer, seed
        As for `gain_of_trial`.
    than : float
        In the unit of the values.

    Returns
    -------
    float
    """
    rng, extra = np.random.default_rng(seed), np.asarray(dearer, float)
    stretch = np.ones(DRAWS)
    if np.isfinite(belief.df):
        stretch = np.sqrt(belief.df / rng.chisquare(belief.df, DRAWS))
    noise = rng.standard_normal((DRAWS, len(belief.mean))) * stretch[:, None]
    values = price * (belief.mean + noise @ root(belief.covariance).T) @ gains.T - extra
    best = int((price * gains @ belief.mean - extra).argmax())
    return float((values.max(axis=1) - values[:, best] >= than).mean())
