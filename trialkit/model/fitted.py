"""What a fit holds and answers about its own coefficients: estimates, contrasts, tests.

Means, comparisons, ratios and checks are built on it elsewhere; it knows none of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, Self

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from trialkit.arrays import Floats
from trialkit.display import Shown, show_table
from trialkit.errors import Finding, ModelError
from trialkit.model.columns.matrices import Design, estimable_part
from trialkit.model.columns.rank import independent
from trialkit.model.columns.terms import Grouping
from trialkit.model.inference import smallsample
from trialkit.model.inference.answer import Answer, State
from trialkit.model.inference.reasons import explain_methods, validity_findings
from trialkit.model.inference.tails import f_upper, t_quantile, t_two_sided
from trialkit.model.likelihood.prepare import Prepared, Spec, prepare
from trialkit.model.likelihood.reduced import Reduced
from trialkit.model.likelihood.search import Optimum, maximise
from trialkit.model.likelihood.strata import Responses
from trialkit.model.solvers import DenseSolver, LargeSolver, Solver, solve
from trialkit.tabular import Tabular
from trialkit.wording import spoken
from trialkit.wording.method_names import method_words


@dataclass(frozen=True, eq=False)
class Fitted(Tabular):
    """A fitted mixed model: its estimates, objective, predictions and tests.

    Parameters
    ----------
    data : Prepared
        Table, columns and cross-products.
    solver : Solver
        The engine that maximised the restricted likelihood.
    noted : tuple of Finding
        What preparing and fitting found; see `findings` for all.
    """

    data: Prepared = field(repr=False)
    solver: Solver = field(repr=False)
    noted: tuple[Finding, ...] = ()

    _frame = "coefficients"
    _entries = (
        "spec.response", "spec.fixed", "spec.random", "n", "level", "loglik", "variances",
        "coefficients", "tests", "findings",
    )  # fmt: skip

    @classmethod
    def of(cls, data: Prepared) -> Self:
        """Maximise the restricted likelihood of prepared columns."""
        solver, noted = solve(data)
        return cls(data=data, solver=solver, noted=noted)

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
        return self.solver.n

    @property
    def p(self) -> int:
        """Give the rank of the fixed part."""
        return self.solver.p

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
        """Give the unit in which the engine worked, in the user's unit."""
        return self.solver.scale

    # ---- engines -------------------------------------------------------------------------
    @property
    def is_large(self) -> bool:
        """Whether the effects are too many for the dense engine."""
        return isinstance(self.solver, LargeSolver)

    @property
    def dense(self) -> DenseSolver:
        """Give the dense engine, or refuse where the effects are too many for it."""
        if not isinstance(self.solver, DenseSolver):
            self.data.reduced  # noqa: B018 (refuses with the reason)
            raise ModelError("this needs the dense engine")
        return self.solver

    @property
    def large(self) -> LargeSolver:
        """Give the engine for thousands of effects."""
        assert isinstance(self.solver, LargeSolver)
        return self.solver

    @property
    def responses(self) -> Responses:
        """Give the response in coordinates of the dense engine."""
        return self.dense.responses

    @property
    def optimum(self) -> Optimum:
        """Give where the dense engine's likelihood is largest, with the path there."""
        return self.dense.optimum

    @property
    def state(self) -> State:
        """Give what tests need of the fit, as a batch of one."""
        return self.dense.state

    @property
    def gls(self) -> smallsample.Gls:
        """Give generalised least squares at the estimated variances."""
        return self.state.gls

    # ---- estimates -----------------------------------------------------------------------
    @cached_property
    def phi(self) -> Floats:
        """Give the variance parameters in internal units, shape (m,)."""
        return self.solver.phi

    @cached_property
    def variances(self) -> pd.Series:
        """Give the variance of each random term and of the residual."""
        values = self.phi * self.solver.units * self.scale**2
        return pd.Series(values, index=list(self.solver.params), name="variance")

    @cached_property
    def loglik(self) -> float:
        """Give the restricted log-likelihood of the treatment-coded model."""
        return self._full_loglik(self.solver.loglik)

    def _full_loglik(self, core: float) -> float:
        df = self.n - self.p
        constant = df * np.log(2 * np.pi) + self.solver.log_xx
        return float(core - df * np.log(self.scale) - 0.5 * constant)

    @cached_property
    def kept_beta(self) -> Floats:
        """Give the coefficients that are not aliased."""
        return self.solver.kept_beta

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
        out[np.ix_(kept, kept)] = self.solver.kept_cov
        return out

    # ---- objective and predictions -------------------------------------------------------
    def objective(self, variances: ArrayLike) -> float:
        """Give the restricted log-likelihood at given variances (user's unit); −inf outside."""
        phi = np.asarray(variances, dtype=float) / self.solver.units / self.scale**2
        return self._full_loglik(self.solver.loglik_at(phi))

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
        values = self.solver.effects(self.groupings, self.residuals_marginal)
        return {
            g.term.name: pd.Series(u, index=pd.Index(g.labels, name=g.term.name), name="effect")
            for g, u in zip(self.groupings, values, strict=True)
        }

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
        unit = self.solver.units * self.scale**2
        rows = [[*(phi * unit), self._full_loglik(value)] for phi, value in self.solver.path]
        out = pd.DataFrame(rows, columns=[*self.solver.params, "loglik"])
        out.index.name = "step"
        out.attrs["settled"] = self.solver.settled
        if not self.is_large:
            out.attrs["decrement"] = float(self.optimum.decrement[0])
        return out

    # ---- questions about the coefficients ------------------------------------------------
    @cached_property
    def coefficients(self) -> pd.DataFrame:
        """Give a frame indexed by coefficient: estimate, se, df, t, p, low, high, method."""
        out = self.contrast(np.eye(len(self.names)))
        out.index = pd.Index(self.names, name="coefficient")
        return out

    def _kept_rows(self, L: ArrayLike) -> tuple[Floats, NDArray[np.bool_]]:
        rows = np.atleast_2d(np.asarray(L, dtype=float))
        if rows.shape[1] != len(self.names):
            raise ModelError(
                f"a contrast needs {len(self.names)} numbers, one per coefficient "
                f"({', '.join(self.names)}), not {rows.shape[1]}"
            )
        return rows[:, self.design.kept], self.design.estimable(rows)

    def contrast(self, L: ArrayLike, *, df: str = "default") -> pd.DataFrame:
        """Estimate each row of ``L beta`` alone.

        Parameters
        ----------
        L : array, shape (l, p_all)
        df : {"default", "kenward-roger", "satterthwaite", "containment"}

        Returns
        -------
        DataFrame
            ``estimate, se, df, t, p, low, high, method``; missing where not estimable.
        """
        rows, good = self._kept_rows(L)
        found = np.full((len(rows), 7), np.nan)
        method = np.full(len(rows), "not estimable", dtype=object)
        for i in np.flatnonzero(good):
            a = self._ask(rows[i : i + 1], df, joint=False)
            estimate, nu = float(a.estimate[0, 0]), float(a.df[0, 0])
            se = float(np.sqrt(a.cov[0, 0, 0])) if a.cov[0, 0, 0] > 0 else np.nan
            t = estimate / se if se > 0 else np.nan
            wide = float(t_quantile(self.level, nu)) * se
            p = float(t_two_sided(t, nu))
            found[i] = estimate, se, nu, t, p, estimate - wide, estimate + wide
            method[i] = a.method[0]
        out = pd.DataFrame(found, columns=["estimate", "se", "df", "t", "p", "low", "high"])
        out["method"] = method
        return out

    def _ask(self, rows: Floats, df: str, *, joint: bool) -> Answer:
        return self.solver.ask(self.data, rows, df, joint=joint)

    def contrast_cov(self, L: ArrayLike, *, df: str = "default") -> Floats:
        """Give the covariance of the rows of ``L beta``, asked together, shape (l, l)."""
        rows, good = self._kept_rows(L)
        out = np.full((len(rows), len(rows)), np.nan)
        if good.any():
            at = np.flatnonzero(good)
            out[np.ix_(at, at)] = self._ask(rows[good], df, joint=False).cov[0]
        return out

    def joint(self, L: ArrayLike, *, df: str = "default") -> dict[str, Any]:
        """Test the rows of ``L beta = 0`` together: num_df, den_df, F, p, method."""
        rows = np.atleast_2d(np.asarray(L, dtype=float))
        part = independent(estimable_part(self.design, rows)[:, self.design.kept])
        if not len(part):
            none = float("nan")
            return {"num_df": 0, "den_df": none, "F": none, "p": none, "method": "not estimable"}
        a = self._ask(part, df, joint=True)
        F, den = float(a.F[0]), float(a.den_df[0])
        p = float(f_upper(F, len(part), den))
        return {"num_df": len(part), "den_df": den, "F": F, "p": p, "method": a.method[0]}

    def tests(self, df: str = "default") -> pd.DataFrame:
        """Test each fixed term (marginal hypotheses, sum-to-zero coding).

        Parameters
        ----------
        df : {"default", "kenward-roger", "satterthwaite", "containment"}

        Returns
        -------
        DataFrame
            Index ``term``; ``num_df, den_df, F, p, method``.
        """
        if df == "default":
            return self._default_tests.copy()
        return self._tests(df)

    @cached_property
    def _default_tests(self) -> pd.DataFrame:
        return self._tests("default")

    def _tests(self, df: str) -> pd.DataFrame:
        rows = [self.joint(self.design.hypothesis(t), df=df) for t in self.design.term_names]
        columns = ["num_df", "den_df", "F", "p", "method"]
        index = pd.Index(self.design.term_names, name="term")
        return pd.DataFrame(rows, index=index, columns=columns)

    @cached_property
    def findings(self) -> tuple[Finding, ...]:
        """Give what a reader of the result must know, the choice of tests included."""
        if self.is_large:
            return self.noted
        tests = self._default_tests
        return (*self.noted, *explain_methods(tests["method"]), *validity_findings(tests))

    # ---- fitting again -------------------------------------------------------------------
    def refit(
        self,
        *,
        response: ArrayLike | None = None,
        keep: ArrayLike | None = None,
        variances: str | None = None,
        random: Sequence[str] | None = None,
    ) -> Self:
        """Fit again: another response, fewer rows, other random terms.

        Parameters
        ----------
        response : array, shape (n,), optional
            New values for the rows used.
        keep : array of bool, shape (n,), optional
            Rows to keep.
        variances : {"free", "nonnegative"}, optional
        random : sequence of str, optional

        Returns
        -------
        Fitted
            Of the same class.
        """
        spec = self.spec
        if variances is not None:
            spec = replace(spec, variances=variances)
        if random is not None:
            spec = replace(spec, random=tuple(random))
        y = self.y if response is None else np.asarray(response, dtype=float)
        if keep is None and random is None and self.data.large is None:
            table = self.table.assign(**{spec.response: y})
            return type(self).of(replace(self.data, y=y, spec=spec, table=table))
        rows = np.ones(self.n, bool) if keep is None else np.asarray(keep, dtype=bool)
        table = self.table.loc[rows].copy()
        table[spec.response] = y[rows]
        return type(self).of(prepare(table, spec))

    # ---- display -----------------------------------------------------------------------
    def _shown(self) -> Shown:
        say = spoken()
        title = say.text(
            "fitted_words.title",
            response=self.spec.response,
            fixed=self.spec.fixed,
            random=", ".join(self.spec.random) or say.text("fitted_words.no_random"),
            rows=self.n,
        )
        spread = ", ".join(
            say.text("fitted_words.variance", term=str(name), value=float(value))
            for name, value in self.variances.items()
        )
        notes = [say.text("fitted_words.variances", spread=spread), *map(str, self.findings)]
        formats = {"method": lambda code: method_words(str(code), say)}
        table = self.tests().reset_index()
        return show_table(table, caption=title, notes=notes, formats=formats)

    def __str__(self) -> str:
        return self._shown().text()

    def __repr__(self) -> str:
        return f"<Fit of {self.spec.response} ~ {self.spec.fixed}, {self.n} rows>"

    def _repr_html_(self) -> str:
        return self._shown().html()
