"""One call from a table to a fitted mixed model, and the result that answers questions.

The fit is four steps that can be looked at alone: columns
(`trialkit.model.matrices`, `trialkit.model.terms`), cross-products
(`trialkit.model.reduced`), the maximum of the restricted likelihood (`trialkit.model.reml`), and
tests (`trialkit.model.smallsample`, `trialkit.model.inference`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from trialkit.display import Shown, show_table
from trialkit.errors import Finding, ModelError
from trialkit.model import inference, prepare, smallsample
from trialkit.model.explain import explain_methods, variance_findings
from trialkit.model.matrices import INTERCEPT, Design, Floats, estimable_part
from trialkit.model.prepare import Spec
from trialkit.model.question import Question
from trialkit.model.reduced import Reduced, Responses
from trialkit.model.reml import Optimum, evaluate, maximise
from trialkit.model.tails import f_upper, t_quantile, t_two_sided
from trialkit.model.terms import Grouping


def fit(
    table: pd.DataFrame,
    *,
    response: str,
    fixed: str,
    random: str | Sequence[str] = (),
    variances: str = "free",
    residual_by: str | None = None,
    level: float = 0.95,
) -> Fit:
    """Fit a linear mixed model by restricted maximum likelihood.

    For trials in which units are nested or crossed and few: blocks in
    chambers, chambers crossed with batches. Tests and intervals use small-sample
    degrees of freedom, and every row says which method gave them.

    Parameters
    ----------
    table : DataFrame
        One row per observation.
    response : str
        Numeric column to explain.
    fixed : str
        Fixed part in Wilkinson–Rogers notation, such as ``"schedule * flush + light"``.
        Text, boolean and categorical columns are factors; numeric columns are covariates
        (``C(flush)`` makes a factor of a numeric one).
    random : str or sequence of str
        Random terms: ``"batch"``; ``"batch:chamber"`` for combinations;
        ``"days by batch"`` for an independent random coefficient of a numeric column.
    variances : {"free", "nonnegative"}
        ``"free"`` lets a component be estimated below zero while the covariance of the data
        stays positive definite, as the analysis of variance does; ``"nonnegative"`` holds it
        at zero.
    residual_by : str, optional
        Column whose levels each get their own residual variance.
    level : float
        Confidence level of intervals.

    Returns
    -------
    Fit

    Raises
    ------
    ModelError
        The model cannot be fitted as asked; the message names the column and the remedy.

    References
    ----------
    .. [1] Patterson HD, Thompson R (1971). Recovery of inter-block information when block
       sizes are unequal. Biometrika 58:545-554. doi:10.1093/biomet/58.3.545

    Examples
    --------
    Six invented chambers, two schedules, four blocks weighed in each:

    >>> import numpy as np, pandas as pd
    >>> rng = np.random.default_rng(3)
    >>> table = pd.DataFrame({
    ...     "chamber": np.repeat(["T1", "T2", "T3", "T4", "T5", "T6"], 4),
    ...     "schedule": np.repeat(["usual", "sparse"] * 3, 4),
    ... })
    >>> table["fresh_g"] = 400 + np.repeat(rng.normal(0, 20, 6), 4) + rng.normal(0, 30, 24)
    >>> result = fit(table, response="fresh_g", fixed="schedule", random=["chamber"])
    >>> result.tests()[["num_df", "den_df", "method"]].round(6).iloc[0].tolist()
    [1, 4.0, 'kenward-roger']
    """
    spec = Spec(
        response=response,
        fixed=fixed,
        random=(random,) if isinstance(random, str) else tuple(random),
        variances=variances,
        residual_by=residual_by,
        level=level,
    )
    data = prepare.prepare(table, spec)
    if data.large is not None:
        from trialkit.model.largefit import fit_large

        return fit_large(data)
    responses = data.reduced.project(data.y[None])
    prepare.check_response(responses, spec)
    optimum = maximise(data.reduced, responses, variances=spec.variances)  # type: ignore[arg-type]
    return pack(data, responses, optimum)


def pack(data: prepare.Prepared, responses: Responses, optimum: Optimum) -> Fit:
    """Turn an optimum into a result, with its findings."""
    made = Fit(data=data, responses=responses, optimum=optimum)
    return replace(made, noted=(*data.findings, *variance_findings(made)))


@dataclass(frozen=True, eq=False)
class Fit:
    """A fitted mixed model.

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
    def state(self) -> inference.State:
        """Give what tests need of the fit, as a batch of one."""
        return inference.make_state(self.reduced, self.responses, self.optimum)

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

    @cached_property
    def coefficients(self) -> pd.DataFrame:
        """Give a frame indexed by coefficient: estimate, se, df, t, p, low, high, method."""
        out = self.contrast(np.eye(len(self.names)))
        out.index = pd.Index(self.names, name="coefficient")
        return out

    # ---- questions ---------------------------------------------------------------------
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
        out = pd.DataFrame(
            np.full((len(rows), 7), np.nan),
            columns=["estimate", "se", "df", "t", "p", "low", "high"],
        )
        method = np.full(len(rows), "not estimable", dtype=object)
        for i in np.flatnonzero(good):
            a = self._ask(rows[i : i + 1], df, joint=False)
            estimate, nu = float(a.estimate[0, 0]), float(a.df[0, 0])
            se = float(np.sqrt(a.cov[0, 0, 0])) if a.cov[0, 0, 0] > 0 else np.nan
            t = estimate / se if se > 0 else np.nan
            wide = float(t_quantile(self.level, nu)) * se
            p = float(t_two_sided(t, nu))
            out.loc[i, :] = [estimate, se, nu, t, p, estimate - wide, estimate + wide]
            method[i] = a.method[0]
        out["method"] = method
        return out

    def _ask(self, rows: Floats, df: str, *, joint: bool) -> inference.Answer:
        question = Question(self.data, rows)
        return inference.answer(question, self.state, self.y[None], df, joint=joint)

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
        part = inference.independent(estimable_part(self.design, rows)[:, self.design.kept])
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
        return (*self.noted, *explain_methods(self._default_tests["method"]))

    # ---- other modules' answers ----------------------------------------------------------
    def means(self, term: str | Sequence[str], **options: Any) -> pd.DataFrame:
        """Give estimated marginal means; see `trialkit.model.means.means`."""
        from trialkit.model import means

        return means.means(self, term, **options)

    def differences(self, term: str, **options: Any) -> pd.DataFrame:
        """Give differences between means; see `trialkit.model.compare.differences`."""
        from trialkit.model import compare

        return compare.differences(self, term, **options)

    def noninferior(self, factor: str, **options: Any) -> pd.DataFrame:
        """Give ratios to a reference with a margin; see `trialkit.model.ratio.noninferior`."""
        from trialkit.model import ratio

        return ratio.noninferior(self, factor, **options)

    def equivalent(self, factor: str, **options: Any) -> pd.DataFrame:
        """Test equivalence of ratios to a reference; see `trialkit.model.ratio.equivalent`."""
        from trialkit.model import ratio

        return ratio.equivalent(self, factor, **options)

    def trends(self, factor: str, **options: Any) -> pd.DataFrame:
        """Give polynomial contrasts; see `trialkit.model.contrasts.trends`."""
        from trialkit.model import contrasts

        return contrasts.trends(self, factor, **options)

    def interactions(self, factors: str | Sequence[str], **options: Any) -> pd.DataFrame:
        """Give interaction contrasts; see `trialkit.model.contrasts.interactions`."""
        from trialkit.model import contrasts

        return contrasts.interactions(self, factors, **options)

    def diagnose(self, **options: Any) -> Any:
        """Check what could mislead; see `trialkit.model.diagnose.diagnose`."""
        from trialkit.model import diagnose

        return diagnose.diagnose(self, **options)

    def profile_intervals(self, **options: Any) -> pd.DataFrame:
        """Give profile-likelihood intervals; see `trialkit.model.intervals`."""
        from trialkit.model import intervals

        return intervals.profile_intervals(self, **options)

    def bootstrap_intervals(self, **options: Any) -> pd.DataFrame:
        """Give parametric-bootstrap intervals; see `trialkit.model.intervals`."""
        from trialkit.model import intervals

        return intervals.bootstrap_intervals(self, **options)

    def lr_test(self, term: str, **options: Any) -> Any:
        """Test a variance component by likelihood ratio; see `trialkit.model.intervals`."""
        from trialkit.model import intervals

        return intervals.lr_test(self, term, **options)

    # ---- hooks for the modules above -------------------------------------------------------
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

    def refit(
        self,
        *,
        response: ArrayLike | None = None,
        keep: ArrayLike | None = None,
        variances: str | None = None,
        random: Sequence[str] | None = None,
    ) -> Fit:
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
        Fit
        """
        spec = self.spec
        if variances is not None:
            spec = replace(spec, variances=variances)
        if random is not None:
            spec = replace(spec, random=tuple(random))
        y = self.y if response is None else np.asarray(response, dtype=float)
        if keep is None and random is None:
            data = replace(self.data, y=y, spec=spec)
        else:
            rows = np.ones(self.n, bool) if keep is None else np.asarray(keep, dtype=bool)
            table = self.table.loc[rows].copy()
            table[spec.response] = y[rows]
            data = prepare.prepare(table, spec)
        responses = data.reduced.project(data.y[None])
        prepare.check_response(responses, spec)
        optimum = maximise(data.reduced, responses, variances=spec.variances)  # type: ignore[arg-type]
        return pack(data, responses, optimum)

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

    # ---- display -----------------------------------------------------------------------
    def _shown(self) -> Shown:
        title = (
            f"{self.spec.response} ~ {self.spec.fixed}; random: "
            f"{', '.join(self.spec.random) or 'none'} ({self.n} rows)"
        )
        spread = ", ".join(f"{k} {v:.4g}" for k, v in self.variances.items())
        notes = [f"Variances: {spread}", *map(str, self.findings)]
        return show_table(self.tests().reset_index(), caption=title, notes=notes)

    def __str__(self) -> str:
        return self._shown().text()

    def __repr__(self) -> str:
        return f"<Fit of {self.spec.response} ~ {self.spec.fixed}, {self.n} rows>"

    def _repr_html_(self) -> str:
        return self._shown().html()


__all__ = ["INTERCEPT", "Fit", "fit"]
