"""The restricted likelihood of a fit as a function of its variances, and draws from it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from trialkit.model.absorb import LargeDesign
from trialkit.model.largefit import LargeFit, maximise_large
from trialkit.model.largeobjective import evaluate_large
from trialkit.model.objective import evaluate
from trialkit.model.reduced import Reduced
from trialkit.model.reml import Variances, maximise
from trialkit.model.strata import Responses

if TYPE_CHECKING:
    from trialkit.model.fit import Fit

Floats = NDArray[np.float64]

_NUMBERS = 4e6  # numbers in one stack of matrices: about 30 MB, and a few such stacks at once


@dataclass(frozen=True)
class VarianceProblem:
    """A fitted restricted likelihood as a function of the variances.

    Parameters
    ----------
    reduced : Reduced
        The design.
    responses : Responses
        One response.
    phi : ndarray, shape (m,)
        Estimated variances in internal units.
    variances : {"free", "nonnegative"}
        Whether random terms may go below zero.
    """

    reduced: Reduced
    responses: Responses
    phi: Floats
    variances: Variances = "free"

    @classmethod
    def of(cls, fit: Fit) -> VarianceProblem:
        """Take the problem out of a fit; what draws responses needs the dense engine."""
        return cls(fit.reduced, fit.responses, fit.phi, fit.spec.variances)  # type: ignore[arg-type]

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the variances."""
        return self.reduced.params

    @property
    def n_random(self) -> int:
        """Number of random terms; the residual variances come after them."""
        return self.reduced.n_random

    @property
    def unit(self) -> Floats:
        """Factor from internal to the user's unit of each variance."""
        return np.asarray(self.reduced.units * float(self.responses.scale[0]) ** 2)

    def loglik(self, phi: Floats) -> float:
        """Give the restricted log-likelihood (internal constant), −inf outside."""
        one = self.responses
        point = evaluate(self.reduced, phi[None, :], one.e, one.out_ss, derivatives=False)
        return float(point.loglik[0])

    def profile(self, at: int, value: float, start: Floats) -> tuple[float, Floats]:
        """Maximise over the other variances with one of them held.

        Returns
        -------
        loglik : float
            −inf where no admissible point was found.
        phi : ndarray, shape (m,)
        """
        phi = start.copy()
        phi[at] = value
        residuals = np.arange(len(phi)) >= self.reduced.n_random
        for _ in range(60):
            if math.isfinite(self.loglik(phi)):
                break
            # more residual variance makes any covariance positive definite
            raised = residuals & (np.arange(len(phi)) != at)
            phi[raised if raised.any() else slice(0, self.reduced.n_random)] *= 1.5
            phi[at] = value
        else:
            return -math.inf, start
        best = maximise(
            self.reduced,
            self.responses,
            variances=self.variances,
            start=phi[None, :],
            pinned={at: value},
        )
        return float(best.point.loglik[0]), best.point.phi[0]


@dataclass(frozen=True)
class LargeProblem:
    """The same for a design with thousands of effects.

    Parameters
    ----------
    design : LargeDesign
        With its response.
    phi : ndarray, shape (m,)
        Estimated variances in internal units.
    variances : {"free", "nonnegative"}
    """

    design: LargeDesign
    phi: Floats
    variances: Variances = "free"

    @classmethod
    def of(cls, fit: LargeFit) -> LargeProblem:
        """Take the problem out of a fit."""
        return cls(fit.large, fit.phi, fit.spec.variances)  # type: ignore[arg-type]

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the variances."""
        return self.design.params

    @property
    def n_random(self) -> int:
        """Number of random terms; the residual variance comes after them."""
        return self.design.n_random

    @property
    def unit(self) -> Floats:
        """Factor from internal to the user's unit of each variance."""
        return np.asarray(self.design.units * self.design.scale**2)

    def loglik(self, phi: Floats) -> float:
        """Give the restricted log-likelihood (internal constant), −inf outside."""
        point = evaluate_large(self.design, phi)
        return -math.inf if point is None else point.loglik

    def profile(self, at: int, value: float, start: Floats) -> tuple[float, Floats]:
        """Maximise over the other variances with one of them held; see `VarianceProblem`."""
        phi = start.copy()
        phi[at] = value
        last = len(phi) - 1
        for _ in range(60):
            if math.isfinite(self.loglik(phi)):
                break
            phi[slice(0, last) if at == last else last] *= 1.5
        else:
            return -math.inf, start
        point, _, _ = maximise_large(
            self.design,
            nonnegative=self.variances == "nonnegative",
            start=phi,
            pinned={at: value},
        )
        return point.loglik, point.phi


def maximise_each(
    reduced: Reduced,
    responses: Responses,
    start: Floats,
    variances: Variances,
    *,
    pinned: dict[int, float] | None = None,
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Fit many responses a piece at a time, so that memory stays small.

    Parameters
    ----------
    reduced, responses
        Design and R responses.
    start : ndarray, shape (m,)
        Starting variances of each.
    variances : {"free", "nonnegative"}
    pinned : dict, optional
        Variances held, by position.

    Returns
    -------
    phi : ndarray, shape (R, m)
    loglik : ndarray, shape (R,)
    settled : ndarray of bool, shape (R,)
    """
    size = max(1, reduced.K.shape[1])
    piece = max(1, int(_NUMBERS // size**2))
    parts = []
    for first in range(0, len(responses.scale), piece):
        rows = np.arange(first, min(first + piece, len(responses.scale)))
        best = maximise(
            reduced,
            responses.take(rows),
            variances=variances,
            start=np.tile(start, (len(rows), 1)),
            pinned=pinned,
        )
        parts.append((best.point.phi, best.point.loglik, best.settled))
    phi, loglik, settled = (np.concatenate(part) for part in zip(*parts, strict=True))
    return phi, loglik, settled


def draw_responses(
    reduced: Reduced, phi: Floats, draws: int, rng: np.random.Generator
) -> Responses:
    """Draw responses of the model with given variances, in error contrasts.

    Parameters
    ----------
    reduced : Reduced
    phi : ndarray, shape (m,)
        Variances in internal units.
    draws : int
    rng : Generator

    Returns
    -------
    Responses
        Scale one; fixed effects zero, which changes nothing in the restricted likelihood.
    """
    a = reduced.coef @ phi
    W = np.tensordot(a, reduced.GK, axes=1)
    root = np.linalg.cholesky(W)
    e = rng.standard_normal((draws, len(W))) @ root.T
    out = np.stack(
        [
            a[s] * (rng.chisquare(df, draws) if df > 0 else np.zeros(draws))
            for s, df in enumerate(reduced.out)
        ],
        axis=1,
    )
    ones = np.ones(draws)
    nothing = np.zeros((draws, 0))
    return Responses(beta0=nothing, scale=ones, y=nothing, e=e, out_ss=out, spread=ones)
