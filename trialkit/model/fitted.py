"""What a fit holds: estimates, the objective, predicted effects, the record of the search."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from trialkit.errors import Finding
from trialkit.model import prepare, smallsample
from trialkit.model.answers import State, make_state
from trialkit.model.matrices import Design, Floats
from trialkit.model.objective import evaluate
from trialkit.model.prepare import Spec
from trialkit.model.reduced import Reduced
from trialkit.model.reml import Optimum, maximise
from trialkit.model.strata import Responses
from trialkit.model.terms import Grouping


@dataclass(frozen=True, eq=False)
class Fitted:
    """A fitted mixed model: its estimates, objective and predictions.

    Parameters
    ----------
    data : Prepared
        Table, columns and cross-products.
    responses : Responses
        The response in coordinates.
    optimum : Optimum
        Where the restricted likelihood is largest, with the path there.
    noted : tuple of Finding
        What preparing and fitting found; see `findings` for all.
    """

    data: prepare.Prepared = field(repr=False)
    responses: Responses = field(repr=False)
    optimum: Optimum = field(repr=False)
    noted: tuple[Finding, ...] = ()

    # ---- what was fitted -------------------------------------------------------------
    @property
    def spec(self) -> Spec:
        """Give what was asked for."""
        return self.data.spec

    @property
    def design(self) -> Design:
        """Give the fixed part: names, levels, rows for any combination."""
        return self.data.design

    @property
    def reduced(self) -> Reduced:
        """Give the cross-products."""
        return self.data.reduced

    @property
    def groupings(self) -> tuple[Grouping, ...]:
        """Give the random terms with the level of each row."""
        return self.data.groupings

    @property
    def table(self) -> pd.DataFrame:
        """Give the rows that were used."""
        return self.data.table

    @property
    def y(self) -> Floats:
        """Give the response of the rows used, in the user's unit."""
        return self.data.y

    @property
    def n(self) -> int:
        """Give the number of rows used."""
        return self.reduced.n

    @property
    def p(self) -> int:
        """Give the rank of the fixed part."""
        return self.reduced.p

    @property
    def names(self) -> tuple[str, ...]:
        """Give the names of the fixed coefficients (treatment coding)."""
        return self.design.names

    @property
    def level(self) -> float:
        """Give the confidence level."""
        return self.spec.level

    @property
    def scale(self) -> float:
        """Give the unit in which the engine worked: the least-squares residual SD."""
        return float(self.responses.scale[0])

    # ---- estimates ---------------------------------------------------------------------
    @cached_property
    def phi(self) -> Floats:
        """Give the variance parameters in internal units, shape (m,)."""
        return np.asarray(self.optimum.point.phi[0])

    @cached_property
    def variances(self) -> pd.Series:
        """Give the variance of each random term and of the residual."""
        values = self.phi * self.reduced.units * self.scale**2
        return pd.Series(values, index=list(self.reduced.params), name="variance")

    @cached_property
    def loglik(self) -> float:
        """Give the restricted log-likelihood of the treatment-coded model."""
        return self._full_loglik(float(self.optimum.point.loglik[0]))

    def _full_loglik(self, core: float) -> float:
        df = self.n - self.p
        constant = df * np.log(2 * np.pi) + self.reduced.log_xx
        return float(core - df * np.log(self.scale) - 0.5 * constant)

    @cached_property
    def state(self) -> State:
        """Give what tests need of the fit, as a batch of one."""
        return make_state(self.reduced, self.responses, self.optimum)

    @property
    def gls(self) -> smallsample.Gls:
        """Give generalised least squares at the estimated variances."""
        return self.state.gls

    @cached_property
    def kept_beta(self) -> Floats:
        """Give the coefficients that are not aliased."""
        return np.asarray(self.state.beta[0])

    @cached_property
    def beta(self) -> Floats:
        """Give all coefficients; aliased ones are zero, shape (p_all,)."""
        out = np.zeros(len(self.names))
        out[self.design.kept] = self.kept_beta
        return out

    @cached_property
    def vcov(self) -> Floats:
        """Give ``(X'V^-1 X)^-1``; zero for aliased coefficients, shape (p_all, p_all)."""
        out = np.zeros((len(self.names), len(self.names)))
        kept = np.flatnonzero(self.design.kept)
        out[np.ix_(kept, kept)] = self.gls.C[0] * self.scale**2
        return out

    # ---- objective and predictions
    def objective(self, variances: ArrayLike) -> float:
        """Give the restricted log-likelihood at given variances (user's unit); −inf outside."""
        phi = np.asarray(variances, dtype=float) / self.reduced.units / self.scale**2
        point = evaluate(
            self.reduced,
            phi[None],
            self.responses.e,
            self.responses.out_ss,
            derivatives=False,
        )
        return self._full_loglik(float(point.loglik[0]))

    def profile_loglik(self, name: str, value: float) -> float:
        """Give the restricted log-likelihood with one variance pinned, the others at their best."""
        at = self.reduced.params.index(name)
        unit = self.reduced.units[at] * self.scale**2
        best = -np.inf
        for start in (self.phi, None):
            optimum = maximise(
                self.reduced,
                self.responses,
                variances=self.spec.variances,  # type: ignore[arg-type]
                start=None if start is None else start[None],
                pinned={at: value / unit},
            )
            best = max(best, float(optimum.point.loglik[0]))
            if np.isfinite(best):
                break
        return self._full_loglik(best)

    @cached_property
    def _weighted_residuals(self) -> Floats:
        """Give ``V^-1 (y − X beta)`` by row, in the user's unit."""
        lam = (self.reduced.coef @ self.phi)[: self.reduced.n_strata]
        rows = self.reduced.rows
        marginal = self.residuals_marginal / self.scale
        coords = rows.A @ marginal
        V = np.tensordot(self.reduced.coef @ self.phi, self.reduced.G, axes=1)
        solved = np.linalg.solve(V, coords)
        out = rows.A.T @ (solved - coords / lam[self.reduced.stratum])
        for s, stratum in enumerate(rows.strata):
            out += stratum.apply(marginal[None])[0] / lam[s]
        return np.asarray(out / self.scale)

    @cached_property
    def fitted_fixed(self) -> Floats:
        """Give ``X beta`` by row."""
        return np.asarray(self.data.X @ self.kept_beta)

    @cached_property
    def residuals_marginal(self) -> Floats:
        """Give ``y − X beta`` by row."""
        return self.y - self.fitted_fixed

    @cached_property
    def effects(self) -> dict[str, pd.Series]:
        """Give the predicted random effects of each term (user's unit)."""
        out = {}
        for g in self.groupings:
            value = float(self.variances[g.term.name])
            raw = self._weighted_residuals
            raw = raw if g.weight is None else raw * g.weight * g.unit
            sums = np.bincount(g.codes, weights=raw, minlength=g.q)
            out[g.term.name] = pd.Series(
                value * sums, index=pd.Index(g.labels, name=g.term.name), name="effect"
            )
        return out

    @cached_property
    def residuals(self) -> Floats:
        """Give ``y − X beta − Z u`` by row."""
        out = self.residuals_marginal.copy()
        for g in self.groupings:
            u = self.effects[g.term.name].to_numpy()[g.codes]
            out -= u if g.weight is None else u * g.weight * g.unit
        return out

    @cached_property
    def record(self) -> pd.DataFrame:
        """Give the path of the search: one row per step, variances and log-likelihood."""
        unit = self.reduced.units * self.scale**2
        rows = [[*(phi * unit), self._full_loglik(value)] for phi, value in self.optimum.path]
        out = pd.DataFrame(rows, columns=[*self.reduced.params, "loglik"])
        out.index.name = "step"
        out.attrs["settled"] = bool(self.optimum.settled[0])
        out.attrs["decrement"] = float(self.optimum.decrement[0])
        return out
