"""How much of the error may be spent by the time a share of the information is in.

References
----------
.. [1] Lan KKG, DeMets DL (1983). Discrete sequential boundaries for clinical trials.
   Biometrika 70:659-663.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Literal, get_args

import numpy as np
from scipy import special

from trialkit.arrays import Floats
from trialkit.errors import ModelError

#: "late" keeps nearly all of the error for the end (O'Brien-Fleming-like), "even" makes the looks
#: nearly alike (Pocock-like), "steady" spends in proportion to the information.
Spending = Literal["late", "even", "steady"]
SPENDINGS: tuple[Spending, ...] = get_args(Spending)


def _late(alpha: float, share: float) -> float:
    return float(2 * special.ndtr(special.ndtri(alpha / 2) / math.sqrt(share)))


def _even(alpha: float, share: float) -> float:
    return alpha * math.log1p((math.e - 1) * share)


def _steady(alpha: float, share: float) -> float:
    return alpha * share


_RULES: dict[str, Callable[[float, float], float]] = {
    "late": _late,
    "even": _even,
    "steady": _steady,
}


def error_spent(alpha: float, information: Sequence[float], spending: Spending = "late") -> Floats:
    """Give the one-sided error that may be spent up to and with each look.

    Parameters
    ----------
    alpha : float
        One-sided error in all.
    information : sequence of float
        Share of the whole information at each look; rising, above 0 and at most 1.
    spending : {"late", "even", "steady"}

    Returns
    -------
    ndarray

    Examples
    --------
    >>> error_spent(0.025, [0.5, 1.0]).round(5).tolist()
    [0.00153, 0.025]
    """
    shares = np.asarray(information, dtype=float)
    if not 0 < alpha < 0.5:
        raise ModelError(f"the error to spend, {alpha:g}, must lie between 0 and 0.5")
    if not len(shares) or (np.diff(shares) <= 0).any() or shares[0] <= 0 or shares[-1] > 1:
        raise ModelError(
            f"the shares of information must rise from above 0 to at most 1, not {shares.tolist()}"
        )
    if spending not in _RULES:
        raise ModelError(f"spending={spending!r} is not known; use one of {', '.join(_RULES)}")
    return np.array([_RULES[spending](alpha, float(share)) for share in shares])
