"""One call from a table to a fitted mixed model, and the result that answers questions.

The fit is four steps that can be looked at alone: columns
(`trialkit.model.matrices`, `trialkit.model.terms`), cross-products
(`trialkit.model.reduced`), the maximum of the restricted likelihood (`trialkit.model.reml`), and
tests (`trialkit.model.smallsample`, `trialkit.model.inference`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from trialkit.display import Shown, show_table
from trialkit.errors import Finding, ModelError
from trialkit.model import inference, prepare
from trialkit.model.answers import Answer
from trialkit.model.explain import explain_methods, validity_findings, variance_findings
from trialkit.model.fitted import Fitted
from trialkit.model.matrices import INTERCEPT, Floats, estimable_part
from trialkit.model.prepare import Spec
from trialkit.model.question import Question
from trialkit.model.rank import independent
from trialkit.model.reml import Optimum, maximise  # noqa: F401 (fields that Fit inherits)
from trialkit.model.strata import Responses  # noqa: F401
from trialkit.model.tails import f_upper, t_quantile, t_two_sided
from trialkit.model.threads import one_blas_thread


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
    >>> row = result.tests().loc["schedule"]
    >>> int(row.num_df), round(float(row.den_df), 6), row.method
    (1, 4.0, 'kenward-roger')
    """
    spec = Spec(
        response=response,
        fixed=fixed,
        random=(random,) if isinstance(random, str) else tuple(random),
        variances=variances,
        residual_by=residual_by,
        level=level,
    )
    return fit_prepared(prepare.prepare(table, spec))


def fit_prepared(data: prepare.Prepared) -> Fit:
    """Maximise the restricted likelihood of prepared columns and pack the result."""
    if data.large is not None:
        from trialkit.model.largefit import fit_large

        return fit_large(data)
    kind = data.spec.variances
    with one_blas_thread(len(data.reduced.stratum)):
        responses = data.reduced.project(data.y[None])
        prepare.check_response(responses, data.spec)
        optimum = maximise(data.reduced, responses, variances=kind)  # type: ignore[arg-type]
    made = Fit(data=data, responses=responses, optimum=optimum)
    return replace(made, noted=(*data.findings, *variance_findings(made)))


@dataclass(frozen=True, eq=False)
class Fit(Fitted):
    """A fitted mixed model that answers questions.

    Made by `fit`. What it holds (estimates, objective, predicted effects, record) is described
    at `Fitted`.
    """

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

    def _ask(self, rows: Floats, df: str, *, joint: bool) -> Answer:
        with one_blas_thread(len(self.reduced.stratum)):
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
        tests = self._default_tests
        return (*self.noted, *explain_methods(tests["method"]), *validity_findings(tests))

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

    # ---- fitting again
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
        if keep is None and random is None and self.data.large is None:
            table = self.table.assign(**{spec.response: y})
            return fit_prepared(replace(self.data, y=y, spec=spec, table=table))
        rows = np.ones(self.n, bool) if keep is None else np.asarray(keep, dtype=bool)
        table = self.table.loc[rows].copy()
        table[spec.response] = y[rows]
        return fit_prepared(prepare.prepare(table, spec))

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
