"""Thousands of responses on one design, fitted together.

Power, parametric bootstrap and calibration fit the same model to many responses. The
columns and their cross-products are made once; the responses go through the same code as a
single fit, in arrays, so that estimates, tests and boundaries agree with single fits.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from trialkit.arrays import Floats
from trialkit.errors import ModelError
from trialkit.model.columns.matrices import estimable_part
from trialkit.model.columns.rank import independent
from trialkit.model.fitted import Fitted
from trialkit.model.inference import default as inference
from trialkit.model.inference.answer import Answer, State, make_state
from trialkit.model.inference.question import Question
from trialkit.model.inference.tails import f_upper, t_quantile, t_two_sided
from trialkit.model.likelihood.prepare import Prepared, Spec, prepare
from trialkit.model.likelihood.search import maximise
from trialkit.model.likelihood.threads import one_blas_thread

MOST_NUMBERS = 10_000_000  # numbers in the matrices of a pass
MOST_KEPT = 20_000_000  # numbers kept between fitting and testing, to save solving twice


@dataclass(frozen=True, eq=False)
class Batch:
    """Many responses fitted on one design.

    Parameters
    ----------
    prepared : Prepared
        The design.
    responses : ndarray, shape (R, n)
    phi : ndarray, shape (R, m)
        Variances in the user's unit.
    loglik : ndarray, shape (R,)
        Restricted log-likelihood of each response.
    settled, edge : ndarray of bool, shape (R,)
    held : ndarray of bool, shape (R, m)
        Variances held at zero.
    steps : ndarray of int, shape (R,)
    """

    prepared: Prepared = field(repr=False)
    responses: Floats = field(repr=False)
    phi: Floats = field(repr=False)
    loglik: Floats = field(repr=False)
    settled: NDArray[np.bool_] = field(repr=False)
    edge: NDArray[np.bool_] = field(repr=False)
    held: NDArray[np.bool_] = field(repr=False)
    steps: NDArray[np.intp] = field(repr=False)
    states: tuple[State, ...] = field(repr=False, default=())

    @property
    def variances(self) -> pd.DataFrame:
        """Give the variances, one row per response."""
        return pd.DataFrame(self.phi, columns=list(self.prepared.reduced.params))

    @property
    def beta(self) -> Floats:
        """Give the coefficients that are not aliased, shape (R, p)."""
        return np.concatenate([s.beta for s in self.states])

    @property
    def summary(self) -> dict[str, float]:
        """Give the shares that settled, lie on the edge or at zero, and the mean steps."""
        return {
            "settled": float(self.settled.mean()),
            "on_edge": float(self.edge.mean()),
            "held_at_zero": float(self.held.any(axis=1).mean()),
            "steps": float(self.steps.mean()),
        }

    def tests(self, term: str, *, df: str = "default") -> pd.DataFrame:
        """Test a fixed term in every response.

        Parameters
        ----------
        term : str
        df : {"default", "kenward-roger", "satterthwaite", "containment"}

        Returns
        -------
        DataFrame
            One row per response: ``num_df, den_df, F, p, method``.
        """
        design = self.prepared.design
        L = independent(estimable_part(design, design.hypothesis(term))[:, design.kept])
        F, den, method = [], [], []
        for a in self.answers(L, df, joint=True):
            F.append(a.F)
            den.append(a.den_df)
            method.append(a.method)
        F_all, den_all = np.concatenate(F), np.concatenate(den)
        return pd.DataFrame(
            {
                "num_df": len(L),
                "den_df": den_all,
                "F": F_all,
                "p": f_upper(F_all, len(L), den_all),
                "method": np.concatenate(method),
            }
        )

    def contrast(self, row: ArrayLike, *, df: str = "default", level: float = 0.95) -> pd.DataFrame:
        """Estimate one row ``L beta`` in every response.

        Parameters
        ----------
        row : array, shape (p_all,)
        df, level
            As in `trialkit.model.fit.Fit.contrast`.

        Returns
        -------
        DataFrame
            One row per response: ``estimate, se, df, t, p, low, high, method``.
        """
        found = self.limits(np.atleast_2d(np.asarray(row, dtype=float)), df=df, level=level)
        one = {k: v if k == "method" else v[:, 0] for k, v in found.items()}
        with np.errstate(divide="ignore", invalid="ignore"):
            t = one["estimate"] / one["se"]
        return pd.DataFrame(
            {
                "estimate": one["estimate"],
                "se": one["se"],
                "df": one["df"],
                "t": t,
                "p": t_two_sided(t, one["df"]),
                "low": one["low"],
                "high": one["high"],
                "method": one["method"],
            }
        )

    def limits(
        self, L: Floats, *, df: str = "default", level: float = 0.95
    ) -> dict[str, NDArray[Any]]:
        """Estimate several rows ``L beta``, each for itself, in every response.

        Parameters
        ----------
        L : array, shape (l, p_all)
            Rows about the same terms: the rule chooses one way for all of them.
        df, level
            As in `trialkit.model.fit.Fit.contrast`.

        Returns
        -------
        dict
            ``estimate, se, df, low, high``, each of shape (responses, l), and ``method``, one
            for a response.
        """
        if not self.prepared.design.estimable(L).all():
            raise ModelError("the contrast cannot be estimated in this design")
        answers = self.answers(L[:, self.prepared.design.kept], df, joint=False)
        estimate = np.concatenate([a.estimate for a in answers])
        se = np.sqrt(np.concatenate([np.diagonal(a.cov, axis1=1, axis2=2) for a in answers]))
        nu = np.concatenate([a.df for a in answers])
        wide = t_quantile(level, nu) * se
        return {
            "estimate": estimate,
            "se": se,
            "df": nu,
            "low": estimate - wide,
            "high": estimate + wide,
            "method": np.concatenate([a.method for a in answers]),
        }

    def answers(self, L: Floats, df: str, *, joint: bool) -> list[Answer]:
        """Answer a question about rows over the kept coefficients, one answer per pass.

        Parameters
        ----------
        L : ndarray, shape (l, p)
        df : {"default", "kenward-roger", "satterthwaite", "containment"}
        joint : bool
            Whether the rows are tested together.

        Returns
        -------
        list of Answer
        """
        out, start = [], 0
        with one_blas_thread(len(self.prepared.reduced.stratum)):
            question = Question(self.prepared, L)
            for state in self.states:
                stop = start + len(state.phi)
                out.append(
                    inference.answer(question, state, self.responses[start:stop], df, joint=joint)
                )
                start = stop
        return out


def fit_batch(
    table: pd.DataFrame,
    responses: ArrayLike,
    *,
    fixed: str,
    random: str | Sequence[str] = (),
    variances: str = "free",
    residual_by: str | None = None,
) -> Batch:
    """Fit many responses on one design.

    Parameters
    ----------
    table : DataFrame
        The factors, one row per observation, none missing.
    responses : array, shape (R, n)
        One row per response.
    fixed, random, variances, residual_by
        As in `trialkit.model.fit.fit`.

    Returns
    -------
    Batch

    Raises
    ------
    ModelError
        The shapes disagree, or the model cannot be fitted.

    Examples
    --------
    The share of invented trials without any effect that a 5 % test calls different:

    >>> import numpy as np, pandas as pd
    >>> table = pd.DataFrame({
    ...     "chamber": np.repeat(["T1", "T2", "T3", "T4", "T5", "T6"], 4),
    ...     "schedule": np.repeat(["usual", "sparse"] * 3, 4),
    ... })
    >>> rng = np.random.default_rng(1)
    >>> chance = np.repeat(rng.normal(size=(2000, 6)), 4, axis=1) + rng.normal(size=(2000, 24))
    >>> batch = fit_batch(table, chance, fixed="schedule", random=["chamber"])
    >>> bool(0.04 < (batch.tests("schedule").p < 0.05).mean() < 0.06)
    True
    """
    Y = np.atleast_2d(np.asarray(responses, dtype=float))
    if Y.shape[1] != len(table):
        raise ModelError(
            f"responses have {Y.shape[1]} values each, the table {len(table)} rows: give one "
            "row per response and one column per row of the table"
        )
    if not np.isfinite(Y).all():
        raise ModelError("responses must be finite: leave out rows that are missing")
    name = "response"
    while name in table.columns:
        name += "_"
    spec = Spec(
        response=name,
        fixed=fixed,
        random=(random,) if isinstance(random, str) else tuple(random),
        variances=variances,
        residual_by=residual_by,
    )
    data = prepare(table.assign(**{name: Y[0]}), spec)
    if len(data.y) != len(table):
        raise ModelError("the table has missing values in the columns used: leave those rows out")
    return fit_prepared(data, Y, variances=variances)


def refit_batch(fit: Fitted, responses: ArrayLike) -> Batch:
    """Fit many responses on the design of a fit.

    Parameters
    ----------
    fit : Fitted
    responses : array, shape (R, n)

    Returns
    -------
    Batch
    """
    Y = np.atleast_2d(np.asarray(responses, dtype=float))
    return fit_prepared(fit.data, Y, variances=fit.spec.variances)


def fit_prepared(data: Prepared, Y: Floats, *, variances: str = "free") -> Batch:
    """Fit many responses on prepared columns, in passes that fit the memory."""
    with one_blas_thread(len(data.reduced.stratum)):
        return _in_passes(data, Y, variances)


def _in_passes(data: Prepared, Y: Floats, variances: str) -> Batch:
    reduced = data.reduced
    df = reduced.n - reduced.p
    constant = df * np.log(2 * np.pi) + reduced.log_xx
    k, r = reduced.K.shape[1], len(reduced.stratum)
    size = max(1, MOST_NUMBERS // max(1, 4 * (k * k + r * r) + Y.shape[1]))
    keep = len(Y) * r * (r + 2 * reduced.p) < MOST_KEPT
    states, phi, loglik = [], [], []
    flags: list[tuple[NDArray, NDArray, NDArray, NDArray]] = []
    for start in range(0, len(Y), size):
        responses = reduced.project(Y[start : start + size])
        if (responses.scale <= 1e-10 * responses.spread).any():
            raise ModelError("a response is constant, or explained exactly by the fixed part")
        optimum = maximise(reduced, responses, variances=variances)  # type: ignore[arg-type]
        point, scale = optimum.point, responses.scale
        states.append(make_state(reduced, responses, optimum, keep=keep))
        phi.append(point.phi * reduced.units * scale[:, None] ** 2)
        loglik.append(point.loglik - df * np.log(scale) - 0.5 * constant)
        flags.append((optimum.settled, optimum.edge, optimum.held, optimum.steps))
    settled, edge, held, steps = (np.concatenate(part) for part in zip(*flags, strict=True))
    return Batch(
        data,
        Y,
        np.concatenate(phi),
        np.concatenate(loglik),
        settled,
        edge,
        held,
        steps,
        tuple(states),
    )


def simulate(fit: Fitted, count: int, *, seed: int) -> Floats:
    """Draw responses from a fitted model (parametric bootstrap).

    Parameters
    ----------
    fit : Fitted
    count : int
    seed : int

    Returns
    -------
    ndarray, shape (count, n)

    Notes
    -----
    The covariance of the fit is used as it is; components below zero are allowed because the
    whole is positive definite. In the coordinates of the cross-products ``y = X b + A' z``
    with ``z`` of covariance ``V``; outside them the strata are independent.
    """
    reduced, rows = fit.reduced, fit.reduced.rows
    rng = np.random.default_rng(seed)
    a = reduced.coef @ fit.phi
    V = np.tensordot(a, reduced.G, axes=1)
    inside = rng.standard_normal((count, len(V))) @ np.linalg.cholesky(V).T
    noise = rng.standard_normal((count, fit.n))
    out = inside @ rows.A
    start = 0
    for s, stratum in enumerate(rows.strata):
        own = rows.A[start : start + stratum.r]
        start += stratum.r
        part = stratum.apply(noise)
        out += np.sqrt(a[s]) * (part - (part @ own.T) @ own)
    return np.asarray(fit.fitted_fixed + fit.scale * out)
