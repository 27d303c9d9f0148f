"""Fitted responses as tests need them, and answers by one named method."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trialkit.arrays import Floats
from trialkit.model.inference import smallsample
from trialkit.model.inference.smallsample import Gls
from trialkit.model.likelihood.reduced import Reduced
from trialkit.model.likelihood.search import Optimum, Variances, maximise
from trialkit.model.likelihood.strata import Responses


@dataclass(frozen=True)
class State:
    """Responses fitted on one design, one row per response.

    Parameters
    ----------
    reduced : Reduced
    phi : ndarray, shape (R, m)
        Internal units.
    beta : ndarray, shape (R, p)
        User's unit.
    scale : ndarray, shape (R,)
    y : ndarray, shape (R, r)
        The responses in coordinates.
    expected_cov, observed_cov : ndarray, shape (R, m, m)
        Inverse informations of `phi`; the observed one is zero where held at zero.
    edge : ndarray of bool, shape (R,)
    held : ndarray of bool, shape (R, m)
    """

    reduced: Reduced
    phi: Floats
    beta: Floats
    scale: Floats
    y: Floats
    expected_cov: Floats
    observed_cov: Floats
    edge: NDArray[np.bool_]
    held: NDArray[np.bool_]
    solved: Gls | None = None

    @property
    def gls(self) -> Gls:
        """Give generalised least squares, made afresh where it is not kept (it is large)."""
        if self.solved is not None:
            return self.solved
        return smallsample.generalised_least_squares(self.reduced, self.phi, self.y)

    def take(self, at: NDArray[np.intp]) -> State:
        """Give some responses."""
        return State(
            self.reduced,
            self.phi[at],
            self.beta[at],
            self.scale[at],
            self.y[at],
            self.expected_cov[at],
            self.observed_cov[at],
            self.edge[at],
            self.held[at],
        )


@dataclass
class Answer:
    """Rows ``L beta`` estimated and tested, one row per response.

    Parameters
    ----------
    estimate : ndarray, shape (R, l)
    cov : ndarray, shape (R, l, l)
        Adjusted covariance, user's unit.
    df : ndarray, shape (R, l)
        Degrees of freedom of each row alone.
    F, den_df : ndarray, shape (R,)
        All rows together, ``num_df`` being l; missing where the rows are dependent.
    method : ndarray of str, shape (R,)
    """

    estimate: Floats
    cov: Floats
    df: Floats
    F: Floats
    den_df: Floats
    method: NDArray[np.object_]

    def take(self, at: NDArray[np.intp]) -> Answer:
        """Give some responses."""
        return Answer(
            self.estimate[at],
            self.cov[at],
            self.df[at],
            self.F[at],
            self.den_df[at],
            self.method[at],
        )

    def put(self, at: NDArray[np.intp], other: Answer) -> None:
        """Overwrite some responses."""
        self.estimate[at], self.cov[at], self.df[at] = other.estimate, other.cov, other.df
        self.F[at], self.den_df[at], self.method[at] = other.F, other.den_df, other.method


def fit_state(reduced: Reduced, Y: Floats, variances: Variances = "free") -> State:
    """Fit responses on one design.

    Parameters
    ----------
    reduced : Reduced
    Y : ndarray, shape (R, n)
    variances : {"free", "nonnegative"}

    Returns
    -------
    State
    """
    responses = reduced.project(Y)
    return make_state(reduced, responses, maximise(reduced, responses, variances=variances))


def make_state(
    reduced: Reduced, responses: Responses, optimum: Optimum, *, keep: bool = True
) -> State:
    """Give what tests need of fitted responses; `keep` their generalised least squares."""
    point, scale = optimum.point, responses.scale
    gls = smallsample.generalised_least_squares(reduced, point.phi, responses.y)
    return State(
        reduced,
        point.phi,
        gls.beta * scale[:, None] + responses.beta0,
        scale,
        responses.y,
        invert_information(point.expected),
        invert_information(point.observed, optimum.held),
        optimum.edge,
        optimum.held,
        gls if keep else None,
    )


def by_kenward_roger(state: State, L: Floats, *, joint: bool) -> Answer:
    """Answer by Kenward and Roger's method in one model."""
    return kenward_roger_with(state, L, np.zeros((1, 1, 1)), "kenward-roger", joint=joint)


def kenward_roger_with(
    state: State, L: Floats, extra: Floats, method: str, *, joint: bool
) -> Answer:
    """Answer by Kenward and Roger, with ``extra`` added to the adjusted covariance."""
    estimate = state.beta @ L.T
    weights = state.expected_cov
    cov, slopes, adjusted = smallsample.kenward_roger_cov(state.gls, L, weights)
    nu = smallsample.satterthwaite_df(
        np.einsum("rll->rl", cov), np.einsum("rill->ril", slopes), weights
    )
    adjusted = adjusted + extra
    F = den = np.full(len(estimate), np.nan)
    if joint:
        unit = estimate / state.scale[:, None]
        F, den = smallsample.kenward_roger_test(cov, slopes, adjusted, weights, unit)
    return pack_answer(estimate, adjusted * state.scale[:, None, None] ** 2, nu, F, den, method)


def pack_answer(
    estimate: Floats, cov: Floats, df: Floats, F: Floats, den_df: Floats, method: str
) -> Answer:
    """Pack an answer; rows whose variance is not positive say that they are not computed."""
    methods = np.full(len(estimate), method, dtype=object)
    bad = ~(np.einsum("rll->rl", cov) > 0).all(axis=1)
    if bad.any():
        methods[bad] = f"{method}: not computed, its variance is not above zero"
        df, F, den_df = df.copy(), F.copy(), den_df.copy()
        df[bad], F[bad], den_df[bad] = np.nan, np.nan, np.nan
    return Answer(estimate, cov, df, F, den_df, methods)


def by_satterthwaite(state: State, L: Floats, *, joint: bool) -> Answer:
    """Answer by Satterthwaite's degrees of freedom (Fai and Cornelius 1996 for several rows)."""
    gls = state.gls
    estimate = state.beta @ L.T
    weights = state.observed_cov
    cov = L @ gls.C @ L.T
    _, slopes = smallsample.derivative_blocks(gls, L)
    nu = smallsample.satterthwaite_df(
        np.einsum("rll->rl", cov), np.einsum("rill->ril", slopes), weights
    )
    F = den = np.full(len(estimate), np.nan)
    if joint:
        both = smallsample.satterthwaite(gls, L, weights, estimate / state.scale[:, None])
        F, den = both.F, both.den_df
    return pack_answer(estimate, cov * state.scale[:, None, None] ** 2, nu, F, den, "satterthwaite")


def by_containment(state: State, L: Floats, df: int, *, joint: bool) -> Answer:
    """Answer with the df of the stratum that contains the hypothesis."""
    estimate = state.beta @ L.T
    cov = L @ state.gls.C @ L.T
    F = np.full(len(estimate), np.nan)
    if joint:
        unit = estimate / state.scale[:, None]
        solved = smallsample.solve_each(cov, unit[:, :, None])[:, :, 0]
        F = np.einsum("rl,rl->r", unit, solved) / len(L)
    return pack_answer(
        estimate,
        cov * state.scale[:, None, None] ** 2,
        np.full(estimate.shape, float(df)),
        F,
        np.full(len(estimate), float(df)),
        "containment",
    )


def invert_information(information: Floats, held: NDArray[np.bool_] | None = None) -> Floats:
    """Give the covariance of the variance parameters; held ones get zero rows."""
    scale = 1 / np.sqrt(np.maximum(np.abs(np.einsum("rii->ri", information)), 1e-300))
    both = scale[:, :, None] * scale[:, None, :]
    scaled = information * both
    if held is not None and held.any():
        free = ~held
        mask = free[:, :, None] & free[:, None, :]
        at = np.arange(held.shape[1])
        scaled = scaled * mask
        scaled[:, at, at] = np.where(held, 1.0, scaled[:, at, at])
        both = both * mask
    try:
        return np.asarray(np.linalg.inv(scaled) * both)
    except np.linalg.LinAlgError:  # two variances that act alike at the edge of the space
        return np.asarray(np.linalg.pinv(scaled, hermitian=True) * both)
