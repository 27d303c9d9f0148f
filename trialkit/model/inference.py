"""Which small-sample method a test uses, and the rows it gives."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from trialkit.errors import ModelError
from trialkit.model import smallsample
from trialkit.model.matrices import Floats

if TYPE_CHECKING:
    from trialkit.model.fit import Fit

Df = Literal["default", "kenward-roger", "satterthwaite", "containment"]
METHODS = ("default", "kenward-roger", "satterthwaite", "containment")


@dataclass(frozen=True)
class Rows:
    """Estimates of some rows ``L beta``, each alone, with their common covariance.

    Parameters
    ----------
    estimate, se, df : ndarray, shape (l,)
    cov : ndarray, shape (l, l)
    method : tuple of str
    """

    estimate: Floats
    se: Floats
    df: Floats
    cov: Floats
    method: tuple[str, ...]


@dataclass(frozen=True)
class JointTest:
    """A test of several rows at once."""

    num_df: int
    den_df: float
    F: float
    method: str


def invert_information(information: Floats, held: NDArray[np.bool_] | None = None) -> Floats:
    """Give the covariance of the variance parameters; held ones get zero rows."""
    scale = 1 / np.sqrt(np.maximum(np.abs(np.einsum("rii->ri", information)), 1e-300))
    both = scale[:, :, None] * scale[:, None, :]
    scaled = information * both
    if held is None or not held.any():
        out: Floats = np.linalg.inv(scaled) * both
        return out
    free = ~held
    mask = free[:, :, None] & free[:, None, :]
    at = np.arange(held.shape[1])
    scaled = scaled * mask
    scaled[:, at, at] = np.where(held, 1.0, scaled[:, at, at])
    return np.asarray(np.linalg.inv(scaled) * both * mask)


def independent(L: Floats) -> Floats:
    """Give rows of ``L`` that are linearly independent, from top to bottom."""
    if len(L) <= 1:
        return L if len(L) and np.abs(L).max() > 1e-12 else L[:0]
    kept: list[int] = []
    for i in range(len(L)):
        if np.linalg.matrix_rank(L[[*kept, i]], tol=1e-9 * max(1.0, np.abs(L).max())) > len(kept):
            kept.append(i)
    return L[kept]


def rows_by(fit: Fit, L: Floats, df: str) -> Rows:
    """Estimate rows of ``L`` (treatment coding, kept columns) by a named method."""
    estimate = fit.kept_beta @ L.T
    weights = fit.expected_cov
    s2 = fit.scale**2
    if df in ("default", "kenward-roger"):
        cov, slopes, adjusted = smallsample.kenward_roger_cov(fit.gls, L, weights)
        nu = smallsample.satterthwaite_df(
            np.einsum("rll->rl", cov), np.einsum("rill->ril", slopes), weights
        )
        cov, method = adjusted, "kenward-roger"
    elif df == "satterthwaite":
        cov = L @ fit.gls.C @ L.T
        _, slopes = smallsample.derivative_blocks(fit.gls, L)
        nu = smallsample.satterthwaite_df(
            np.einsum("rll->rl", cov), np.einsum("rill->ril", slopes), fit.observed_cov
        )
        method = "satterthwaite"
    else:
        raise ModelError(f"df='{df}': choose from {', '.join(METHODS)}")
    out = cov[0] * s2
    return Rows(estimate, np.sqrt(np.diag(out)), nu[0], out, (method,) * len(L))


def joint_by(fit: Fit, L: Floats, df: str) -> JointTest:
    """Test rows of ``L`` together by a named method."""
    estimate = (fit.kept_beta @ L.T / fit.scale)[None]
    if df in ("default", "kenward-roger"):
        joint = smallsample.kenward_roger(fit.gls, L, fit.expected_cov, estimate)
        method = "kenward-roger"
    elif df == "satterthwaite":
        joint = smallsample.satterthwaite(fit.gls, L, fit.observed_cov, estimate)
        method = "satterthwaite"
    else:
        raise ModelError(f"df='{df}': choose from {', '.join(METHODS)}")
    return JointTest(joint.num_df, float(joint.den_df[0]), float(joint.F[0]), method)
