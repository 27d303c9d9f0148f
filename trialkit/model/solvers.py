"""The two engines a fit may hold: a dense one, and one for designs with thousands of effects.

Both give the same things of a solved likelihood: variances, coefficients with their covariance,
answers to questions about them, and predicted effects. What the large one cannot compute it says
by name.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Protocol

import numpy as np

from trialkit.arrays import Floats
from trialkit.errors import Finding, ModelError
from trialkit.model.columns.terms import Grouping
from trialkit.model.inference import default
from trialkit.model.inference.answer import Answer, State, make_state
from trialkit.model.inference.question import Question
from trialkit.model.inference.reasons import variance_findings
from trialkit.model.inference.smallsample import combine_df, satterthwaite_df
from trialkit.model.inference.validity import without_invalid
from trialkit.model.likelihood.absorb import LargeDesign, LargePoint
from trialkit.model.likelihood.large_objective import evaluate_large
from trialkit.model.likelihood.large_search import maximise_large
from trialkit.model.likelihood.objective import evaluate
from trialkit.model.likelihood.prepare import Prepared, check_response
from trialkit.model.likelihood.reduced import Reduced
from trialkit.model.likelihood.search import Optimum, maximise
from trialkit.model.likelihood.strata import Responses
from trialkit.model.likelihood.threads import one_blas_thread
from trialkit.short_repr import short_repr
from trialkit.wording import finding

METHOD = "satterthwaite, average information"


class Solver(Protocol):
    """A solved restricted likelihood, in internal units where not said otherwise."""

    @property
    def n(self) -> int:
        """Rows used."""

    @property
    def p(self) -> int:
        """Rank of the fixed part."""

    @property
    def scale(self) -> float:
        """The internal unit, in the user's unit."""

    @property
    def params(self) -> tuple[str, ...]:
        """Names of the variances."""

    @property
    def units(self) -> Floats:
        """Internal unit of each variance over the squared scale."""

    @property
    def log_xx(self) -> float:
        """Logarithm of ``|X'X|``."""

    @property
    def phi(self) -> Floats:
        """Variances, shape (m,)."""

    @property
    def loglik(self) -> float:
        """Core of the restricted log-likelihood at the maximum."""

    @property
    def kept_beta(self) -> Floats:
        """Coefficients that are not aliased, user's unit."""

    @property
    def kept_cov(self) -> Floats:
        """``(X'V^-1 X)^-1`` of these."""

    @property
    def path(self) -> Sequence[tuple[Floats, float]]:
        """Variances and core log-likelihood of each step of the search."""

    @property
    def settled(self) -> bool:
        """Whether the search settled."""

    def loglik_at(self, phi: Floats) -> float:
        """Give the core log-likelihood at given variances; −inf outside."""

    def ask(self, data: Prepared, rows: Floats, df: str, *, joint: bool) -> Answer:
        """Answer a question about rows over the kept coefficients."""

    def effects(self, groupings: Sequence[Grouping], left: Floats) -> list[Floats]:
        """Predict the effects of each term from the marginal residuals, user's unit."""


@dataclass(frozen=True, eq=False)
class DenseSolver:
    """Cross-products with one row for each coordinate of the error contrasts.

    Parameters
    ----------
    reduced : Reduced
    responses : Responses
        The response in coordinates.
    optimum : Optimum
        Where the restricted likelihood is largest, with the path there.
    """

    reduced: Reduced
    responses: Responses
    optimum: Optimum

    __repr__ = short_repr

    @property
    def n(self) -> int:
        """Rows used."""
        return self.reduced.n

    @property
    def p(self) -> int:
        """Rank of the fixed part."""
        return self.reduced.p

    @property
    def scale(self) -> float:
        """The least-squares residual SD."""
        return float(self.responses.scale[0])

    @property
    def params(self) -> tuple[str, ...]:
        """Names of the variances."""
        return self.reduced.params

    @property
    def units(self) -> Floats:
        """Internal unit of each variance over the squared scale."""
        return self.reduced.units

    @property
    def log_xx(self) -> float:
        """Logarithm of ``|X'X|``."""
        return self.reduced.log_xx

    @property
    def phi(self) -> Floats:
        """Variances, shape (m,)."""
        return np.asarray(self.optimum.point.phi[0])

    @property
    def loglik(self) -> float:
        """Core of the restricted log-likelihood at the maximum."""
        return float(self.optimum.point.loglik[0])

    @cached_property
    def state(self) -> State:
        """What tests need of the fit, as a batch of one."""
        return make_state(self.reduced, self.responses, self.optimum)

    @property
    def kept_beta(self) -> Floats:
        """Coefficients that are not aliased, user's unit."""
        return np.asarray(self.state.beta[0])

    @property
    def kept_cov(self) -> Floats:
        """``(X'V^-1 X)^-1`` of these."""
        return np.asarray(self.state.gls.C[0] * self.scale**2)

    @property
    def path(self) -> Sequence[tuple[Floats, float]]:
        """Variances and core log-likelihood of each step of the search."""
        return list(self.optimum.path)

    @property
    def settled(self) -> bool:
        """Whether the search settled."""
        return bool(self.optimum.settled[0])

    def loglik_at(self, phi: Floats) -> float:
        """Give the core log-likelihood at given variances; −inf outside."""
        point = evaluate(
            self.reduced, phi[None], self.responses.e, self.responses.out_ss, derivatives=False
        )
        return float(point.loglik[0])

    def ask(self, data: Prepared, rows: Floats, df: str, *, joint: bool) -> Answer:
        """Answer a question about rows over the kept coefficients."""
        with one_blas_thread(len(self.reduced.stratum)):
            question = Question(data, rows)
            return default.answer(question, self.state, data.y[None], df, joint=joint)

    def effects(self, groupings: Sequence[Grouping], left: Floats) -> list[Floats]:
        """Predict the effects of each term from the marginal residuals, user's unit."""
        values = self.phi * self.units * self.scale**2
        solved = self._solved(left)
        out = []
        for g in groupings:
            raw = solved if g.weight is None else solved * g.weight * g.unit
            at = self.params.index(g.term.name)
            out.append(values[at] * np.bincount(g.codes, weights=raw, minlength=g.q))
        return out

    def _solved(self, left: Floats) -> Floats:
        """Give ``V^-1`` times a column of rows, in the user's unit."""
        lam = (self.reduced.coef @ self.phi)[: self.reduced.n_strata]
        rows = self.reduced.rows
        marginal = left / self.scale
        coords = rows.A @ marginal
        V = np.tensordot(self.reduced.coef @ self.phi, self.reduced.G, axes=1)
        solved = np.linalg.solve(V, coords)
        out = rows.A.T @ (solved - coords / lam[self.reduced.stratum])
        for s, stratum in enumerate(rows.strata):
            out += stratum.apply(marginal[None])[0] / lam[s]
        return np.asarray(out / self.scale)


@dataclass(frozen=True, eq=False)
class LargeSolver:
    """Mixed-model equations with the largest factors eliminated.

    The same questions, with Satterthwaite's df from the average information. What needs the
    dense engine (Kenward–Roger) says that it is not computed.

    Parameters
    ----------
    design : LargeDesign
        With its response.
    point : LargePoint
        The maximum.
    path : tuple
    settled : bool
    """

    design: LargeDesign
    point: LargePoint
    path: Sequence[tuple[Floats, float]]
    settled: bool

    __repr__ = short_repr

    @property
    def n(self) -> int:
        """Rows used."""
        return self.design.n

    @property
    def p(self) -> int:
        """Rank of the fixed part."""
        return self.design.p

    @property
    def scale(self) -> float:
        """The internal unit, in the user's unit."""
        return self.design.scale

    @property
    def params(self) -> tuple[str, ...]:
        """Names of the variances."""
        return self.design.params

    @property
    def units(self) -> Floats:
        """Internal unit of each variance over the squared scale."""
        return self.design.units

    @property
    def log_xx(self) -> float:
        """Logarithm of ``|X'X|``."""
        return self.design.log_xx

    @property
    def phi(self) -> Floats:
        """Variances, shape (m,)."""
        return self.point.phi

    @property
    def loglik(self) -> float:
        """Core of the restricted log-likelihood at the maximum."""
        return self.point.loglik

    @property
    def kept_beta(self) -> Floats:
        """Coefficients that are not aliased, user's unit."""
        return np.asarray(self.design.back @ self.point.beta * self.scale + self.design.beta0)

    @property
    def kept_cov(self) -> Floats:
        """``(X'V^-1 X)^-1`` of these."""
        return np.asarray(self.design.back @ self.point.C @ self.design.back.T * self.scale**2)

    def loglik_at(self, phi: Floats) -> float:
        """Give the core log-likelihood at given variances; −inf outside."""
        point = evaluate_large(self.design, phi)
        return -np.inf if point is None else point.loglik

    def ask(self, data: Prepared, rows: Floats, df: str, *, joint: bool) -> Answer:
        """Answer a question about rows over the kept coefficients."""
        if df not in default.METHODS:
            raise ModelError(f"df='{df}': choose from {', '.join(default.METHODS)}")
        estimate = (self.kept_beta @ rows.T)[None]
        own = rows @ self.design.back
        CL = self.point.C @ own.T
        cov = (own @ CL)[None]
        none = np.full(1, np.nan)
        if df not in ("default", "satterthwaite"):
            count = sum(g.q for g in data.groupings)
            name = np.array([f"{df}: not computed with {count} effects"], dtype=object)
            missing = np.full(estimate.shape, np.nan)
            return Answer(estimate, cov * self.scale**2, missing, none, none, name)
        assert self.point.fixed is not None
        slopes = (CL.T @ self.point.fixed @ CL)[None]
        weights = self._information_inverse()
        nu = satterthwaite_df(np.einsum("rll->rl", cov), np.einsum("rill->ril", slopes), weights)
        F, den = none, none
        if joint:
            values, vectors = np.linalg.eigh(cov[0])
            turned = vectors.T @ (estimate[0] / self.scale)
            rotated = np.einsum("lk,ilm,mk->ik", vectors, slopes[0], vectors)
            each = satterthwaite_df(values[None], rotated[None], weights)
            F, den = np.array([np.mean(turned**2 / values)]), combine_df(each)
        method = np.array([METHOD], dtype=object)
        return without_invalid(
            Answer(estimate, cov * self.scale**2, nu, F, den, method), joint=joint
        )

    def _information_inverse(self) -> Floats:
        """Give the covariance of the variances; zero for those held at zero, shape (1, m, m)."""
        held = np.asarray(self.phi == 0)
        held[-1] = False
        out = np.zeros((1, len(held), len(held)))
        free = np.flatnonzero(~held)
        info = self.point.information[np.ix_(free, free)]
        root = 1 / np.sqrt(np.diag(info))
        out[0][np.ix_(free, free)] = np.linalg.inv(info * root[:, None] * root) * (
            root[:, None] * root
        )
        return out

    def effects(self, groupings: Sequence[Grouping], left: Floats) -> list[Floats]:
        """Predict the effects of each term from the marginal residuals, user's unit."""
        values = {self.design.a: self.point.u_a}
        for k, s in self.design.c:
            values[k] = self.point.u_c[s]
        left = left.copy()
        for k, u in values.items():
            g = groupings[k]
            row = u[g.codes] * self.scale
            left -= row if g.weight is None else row * g.weight
        for k, g in enumerate(groupings):
            if k not in values:  # the absorbed factor, from what the others leave
                sums = np.bincount(g.codes, weights=left, minlength=g.q)
                sizes = np.bincount(g.codes, minlength=g.q)
                ratio = self.phi[k] / (self.phi[-1] + self.phi[k] * sizes)
                values[k] = ratio * sums / self.scale
        return [values[k] * self.scale / g.unit for k, g in enumerate(groupings)]


def solve(data: Prepared) -> tuple[Solver, tuple[Finding, ...]]:
    """Maximise the restricted likelihood of prepared columns by the engine they call for.

    Returns
    -------
    solver : Solver
    findings : tuple of Finding
        What preparing and maximising found.
    """
    if data.large is not None:
        return _solve_large(data, data.large)
    with one_blas_thread(len(data.reduced.stratum)):
        responses = data.reduced.project(data.y[None])
        check_response(responses, data.spec)
        kind: Any = data.spec.variances
        optimum = maximise(data.reduced, responses, variances=kind)
    made = DenseSolver(data.reduced, responses, optimum)
    values = made.phi * made.units * made.scale**2
    random = made.params[: data.reduced.n_random]
    return made, (*data.findings, *variance_findings(random, values, optimum))


def _solve_large(data: Prepared, design: LargeDesign) -> tuple[LargeSolver, tuple[Finding, ...]]:
    spec = data.spec
    if design.scale <= 1e-10 * design.spread or design.spread == 0:
        raise ModelError(
            f"'{spec.fixed}' explains '{spec.response}' exactly, or it is constant: no variation "
            "is left to test against"
        )
    point, path, settled = maximise_large(design, nonnegative=spec.variances == "nonnegative")
    final = evaluate_large(design, point.phi, final=True)
    assert final is not None
    notes = [finding("large_design", "note", effects=int(sum(g.q for g in data.groupings)))]
    if not settled:
        notes.append(finding("not_settled", "caution", form="large"))
    return LargeSolver(design, final, tuple(path), settled), (*data.findings, *notes)
