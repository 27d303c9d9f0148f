"""Boundaries of normal statistics that are looked at several times.

The score ``S_j = Z_j √I_j`` has independent normal increments. The density of those that have not
crossed is carried from look to look by numerical integration, and the chance to cross follows.

References
----------
.. [1] Armitage P, McPherson CK, Rowe BC (1969). Repeated significance tests on accumulating
   data. J R Stat Soc A 132:235-244.
.. [2] Jennison C, Turnbull BW (2000). Group sequential methods with applications to clinical
   trials. Chapman & Hall/CRC, ch. 19.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import optimize, special

from trialkit.arrays import Floats
from trialkit.model.sequential.spending import Spending, error_spent

_FAR = 9.0  #: standard errors beyond which a normal density counts as nothing
_FEWEST, _MOST = 96, 1600  #: nodes of the integration
_HIGHEST = 37.0  #: boundary where next to nothing is spent: the normal tail there is 1e-299


@dataclass(frozen=True)
class _Alive:
    """The density of the statistic of those that have not crossed so far."""

    z: Floats
    weight: Floats  #: density times the weight of the node
    information: float


def _nodes(low: float, high: float, step: float) -> tuple[Floats, Floats]:
    count = int(np.clip(np.ceil((high - low) / step), _FEWEST, _MOST))
    x, w = np.polynomial.legendre.leggauss(count)
    half = (high - low) / 2
    return low + half * (x + 1), half * w


def _crossing(alive: _Alive | None, information: float, critical: float, drift: float) -> float:
    """Give the chance to cross at this look and at none before."""
    if alive is None:
        return float(special.ndtr(drift * np.sqrt(information) - critical))
    gap = information - alive.information
    moved = alive.z * np.sqrt(alive.information) + drift * gap
    reach = (moved - critical * np.sqrt(information)) / np.sqrt(gap)
    return float(alive.weight @ special.ndtr(reach))


def _carry(alive: _Alive | None, information: float, critical: float, drift: float) -> _Alive:
    """Carry the density over a look whose boundary was not crossed."""
    low = min(drift * np.sqrt(information), critical) - _FAR
    if alive is None:
        z, w = _nodes(low, critical, 0.15)
        density = np.exp(-((z - drift * np.sqrt(information)) ** 2) / 2) / np.sqrt(2 * np.pi)
        return _Alive(z, w * density, information)
    gap = information - alive.information
    wide = np.sqrt(gap / information)  # of the kernel, in standard errors
    z, w = _nodes(low, critical, min(0.15, wide / 5))
    centre = (alive.z * np.sqrt(alive.information) + drift * gap) / np.sqrt(information)
    kernel = np.exp(-(((z[:, None] - centre) / wide) ** 2) / 2) / (wide * np.sqrt(2 * np.pi))
    return _Alive(z, w * (kernel @ alive.weight), information)


def crossing_chances(
    information: Sequence[float], critical: Sequence[float], *, drift: float = 0.0
) -> Floats:
    """Give the chance to cross an upper boundary first at each look.

    Parameters
    ----------
    information : sequence of float
        Rising; in the unit of the drift.
    critical : sequence of float
        Boundary of the standardised statistic at each look.
    drift : float
        Mean of the statistic per square root of information.

    Returns
    -------
    ndarray

    Examples
    --------
    Five tests at 5 % (two-sided) on even parts:

    >>> float((2 * crossing_chances([1, 2, 3, 4, 5], [1.96] * 5)).sum().round(3))
    0.142
    """
    alive: _Alive | None = None
    out = []
    for have, bound in zip(information, critical, strict=True):
        out.append(_crossing(alive, have, bound, drift))
        alive = _carry(alive, have, bound, drift)
    return np.array(out)


def spending_boundary(
    alpha: float, information: Sequence[float], spending: Spending = "late"
) -> Floats:
    """Give the upper boundary of a normal statistic that spends its error by a rule.

    Parameters
    ----------
    alpha : float
        One-sided error in all.
    information : sequence of float
        Share of the whole information at each look.
    spending : {"late", "even", "steady"}

    Returns
    -------
    ndarray

    Notes
    -----
    Two boundaries, one on each side, each with its own error: crossing one and later the other is
    left out of account, which errs on the safe side by less than can be seen.

    Examples
    --------
    >>> spending_boundary(0.025, [0.5, 1.0]).round(4).tolist()
    [2.9626, 1.9686]
    """
    portions = np.diff(error_spent(alpha, information, spending), prepend=0.0)
    alive: _Alive | None = None
    out: list[float] = []
    for have, portion in zip(information, portions, strict=True):
        bound = _bound(alive, float(have), float(portion))
        out.append(bound)
        alive = _carry(alive, float(have), bound, 0.0)
    return np.array(out)


def _bound(alive: _Alive | None, information: float, portion: float) -> float:
    """Find the boundary that is crossed first at this look with a given chance."""
    if portion < 1e-290:
        return _HIGHEST
    if alive is None:
        return float(-special.ndtri(portion))

    def excess(bound: float) -> float:
        return math.log(max(_crossing(alive, information, bound, 0.0), 1e-300)) - math.log(portion)

    return float(optimize.brentq(excess, -6.0, _HIGHEST, xtol=1e-10))
