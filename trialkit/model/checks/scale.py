"""Whether a power of the response would suit the model better.

References
----------
.. [1] Box GEP, Cox DR (1964). An analysis of transformations. J R Stat Soc B 26:211-252.
   doi:10.1111/j.2517-6161.1964.tb00553.x
.. [2] Gurka MJ, Edwards LJ, Muller KE, Kupper LL (2006). Extending the Box-Cox transformation
   to the linear mixed model. J R Stat Soc A 169:273-288. doi:10.1111/j.1467-985X.2005.00391.x
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from trialkit.arrays import Floats
from trialkit.errors import ModelError
from trialkit.model.fitted import Fitted
from trialkit.model.likelihood.search import Variances, maximise
from trialkit.wording import Message, message

if TYPE_CHECKING:
    from trialkit.model.checks.influence import Solved


_WORDS = {
    -1.0: "reciprocal",
    -0.5: "reciprocal_root",
    0.0: "logarithm",
    0.5: "root",
    1.0: "as_it_is",
    2.0: "square",
}
_WIDEST = 3.0


@dataclass(frozen=True)
class PowerHint:
    """Which power of the response the data prefer.

    Parameters
    ----------
    power : float
        Power with the highest likelihood; 0 stands for the logarithm.
    low, high : float
        Powers whose likelihood is not lower by more than chi-square(1) / 2.
    suggestion : float
        The plainest power within the limits: 1 if it is there, else the nearest of
        -1, -1/2, 0, 1/2, 2.
    """

    power: float
    low: float
    high: float
    suggestion: float

    @property
    def words(self) -> str:
        """The suggestion in words, in the language in use."""
        return str(self.said)

    @property
    def said(self) -> Message:
        """The suggestion, to be said in any language."""
        return message(f"power_words.{_WORDS[self.suggestion]}")


def scaled_power(y: Floats, power: float) -> Floats:
    """Give ``(y^power - 1) / (power g^(power-1))`` with ``g`` the geometric mean.

    The scaling makes likelihoods of different powers comparable (Box and Cox 1964, eq. 10).

    Examples
    --------
    >>> scaled_power(np.array([1.0, 4.0]), 0.0).round(4)
    array([0.    , 2.7726])
    """
    logs = np.log(y)
    middle = logs.mean()
    if abs(power) < 1e-9:
        return np.asarray(logs * math.exp(middle))
    return np.asarray(np.expm1(power * logs) / power * math.exp(-(power - 1) * middle))


def _is_plain(fit: Fitted) -> bool:
    """Say whether the residual is the only variance."""
    return not fit.groupings and fit.spec.residual_by is None


def power_loglik(fit: Fitted, power: float) -> float:
    """Give the log-likelihood of a fit to a power of its response.

    Restricted, with the variances fitted again for each power (Gurka et al. 2006); for a
    model without random terms the full likelihood of Box and Cox, ``-n/2 log RSS``.
    """
    one = fit.reduced.project(scaled_power(fit.y, power)[None, :])
    scale = math.log(float(one.scale[0]))
    if _is_plain(fit):
        return -fit.n * scale
    kind: Variances = "free" if fit.spec.variances == "free" else "nonnegative"
    best = maximise(fit.reduced, one, variances=kind, start=fit.phi[None, :])
    return float(best.point.loglik[0]) - (fit.n - fit.p) * scale


def held_loglik(solved: Solved, power: float) -> float:
    """Give the same with the ratios of the variances held, so that no search is needed.

    ``-(n - p)/2 log z'Pz`` with ``z`` the scaled power. It touches the profile at the fitted
    scale and lies below it elsewhere.
    """
    n, p = solved.X.shape
    z = scaled_power(solved.y, power)
    Q, _ = np.linalg.qr(solved.X)
    for _ in range(2):  # P takes no notice of the fixed part, and large constants would cancel
        z = z - Q @ (Q.T @ z)
    left = solved.times_inverse(z[:, None])[:, 0]
    taken = solved.X.T @ left
    rest = float(z @ left - taken @ solved.cov @ taken)
    return -0.5 * float(n - p) * math.log(rest)


def power_hint(fit: Fitted, *, level: float = 0.95, solved: Solved | None = None) -> PowerHint:
    """Find the power of a positive response that suits the model best.

    Parameters
    ----------
    fit : Fitted
        A fitted model whose response is positive throughout.
    level : float
        Confidence of the limits.
    solved : Solved, optional
        With it the ratios of the variances are held at the fit's: for large designs, where
        every search takes long. Limits are then a little too narrow.

    Returns
    -------
    PowerHint

    Raises
    ------
    ModelError
        The response has a value of zero or below.

    References
    ----------
    .. [1] Box, Cox (1964), doi:10.1111/j.2517-6161.1964.tb00553.x; Gurka et al. (2006),
       doi:10.1111/j.1467-985X.2005.00391.x
    """
    from scipy.optimize import brentq, minimize_scalar

    if not (fit.y > 0).all():
        raise ModelError(
            f"a power of '{fit.spec.response}' needs values above zero; the lowest is "
            f"{fit.y.min():g}"
        )
    near = 1e-7 if _is_plain(fit) else 1e-4  # each step of a mixed model is a fit

    def loglik(power: float) -> float:
        return power_loglik(fit, power) if solved is None else held_loglik(solved, power)

    found = minimize_scalar(
        lambda power: -loglik(power),
        bounds=(-_WIDEST, _WIDEST),
        method="bounded",
        options={"xatol": near},
    )
    best, top = float(found.x), -float(found.fun)
    drop = float(special.chdtri(1, 1 - level)) / 2

    def gap(power: float) -> float:
        return top - loglik(power) - drop

    ends = []
    for edge in (-_WIDEST, _WIDEST):
        crosses = gap(edge) > 0
        ends.append(float(brentq(gap, best, edge, xtol=near)) if crosses else edge)
    low, high = sorted(ends)
    inside = [power for power in _WORDS if low <= power <= high]
    choice = 1.0 if low <= 1 <= high else min(inside or _WORDS, key=lambda power: abs(power - best))
    return PowerHint(best, low, high, choice)
