"""Fit the trial as it was randomised and compare its treatments."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from trialkit.analysis.as_given import data_as_given, given_findings, reading_followed
from trialkit.analysis.findings import analysis_findings
from trialkit.analysis.fit_response import fit_response
from trialkit.analysis.flush_error import fit_for_flush, with_flush_test
from trialkit.analysis.logscale import geometric, geometric_differences
from trialkit.analysis.look import with_level
from trialkit.analysis.look_reached import look_reached
from trialkit.analysis.result import Analysis, Scale
from trialkit.analysis.tables_of_answers import ByTreatment, TermTests
from trialkit.columns.response import response_of
from trialkit.errors import ModelError
from trialkit.right_kind import check_kinds
from trialkit.wording import finding

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.alignment.result import Aligned
    from trialkit.trial import Trial


def analyse(
    trial: Trial, data: Aligned, *, response: str | None = None, residual_by: str | None = None
) -> Analysis:
    """Fit the trial as it was randomised and compare its treatments.

    The fixed and random terms come from the trial's layout (`derive_terms`), so that a
    schedule given to chamber runs is judged against chamber runs, never against blocks. Where the
    trial file tells that units were given something else than planned, both readings are fitted;
    which of them the result is, `follows` says (`trialkit.analysis.as_given` has the rule). Where
    the harvest has reached a look that the trial file plans, it is analysed as at that look, with
    limits of its level (`trialkit.analysis.look`).

    Parameters
    ----------
    trial : Trial
    data : Aligned
        Made by `align`: one row per block and flush.
    response : str, optional
        Column to analyse; that of the question by default.
    residual_by : str, optional
        Column whose levels get a residual variance each, such as ``"flush"``.

    Returns
    -------
    Analysis

    Raises
    ------
    ModelError
        If no row holds the response, or the model cannot be fitted.

    Examples
    --------
    >>> import trialkit as tk
    >>> trial = tk.read_trial(tk.demo_folder())
    >>> data = tk.align(trial, tk.read_harvest(trial), tk.read_environment(trial),
    ...                 tk.read_mist(trial))
    >>> tk.analyse(trial, data).table["level"].tolist()
    ['usual', 'sparse', 'banded']
    """
    check_kinds("analyse", trial=trial, data=data)
    planned = _analyse(trial, data, response=response, residual_by=residual_by)
    given = data_as_given(trial, data)
    told = given_findings(trial, data, given)
    if given is None:
        return replace(planned, findings=(*planned.findings, *told))
    try:
        second = _analyse(trial, given, response=response, residual_by=residual_by)
    except ModelError as problem:
        told.append(finding("given_not_fitted", "caution", problem=str(problem)))
        return replace(planned, findings=(*planned.findings, *told))
    follows = reading_followed(trial, data)
    main, other = (second, planned) if follows == "as given" else (planned, second)
    found = tuple(dict.fromkeys([*main.findings, *told]))
    return replace(main, findings=found, follows=follows, other=other)


def _analyse(
    trial: Trial, data: Aligned, *, response: str | None, residual_by: str | None
) -> Analysis:
    """Fit and compare under the levels that stand in the data."""
    asked = response in (None, trial.question.response)
    scale: Scale = trial.question.scale if asked else "plain"
    look = None
    reached = look_reached(trial, data) if asked else None
    if reached is not None:
        look, data = reached
        trial = with_level(trial, look.level)
    terms, table, fit = fit_response(
        trial, data, response=response, residual_by=residual_by, scale=scale
    )
    primary = trial.primary
    differences = {
        f.name: fit.differences(
            f.name, against=f.control, adjust="dunnett" if f.control else "tukey"
        )
        for f in trial.factors.values()
    }
    joint = joint_limits_level(differences[primary.name], trial.question.level)
    ratios = fit.noninferior(
        primary.name,
        against=primary.reference,
        margin_pct=trial.question.margin_pct,
        level=trial.question.level,
        adjust="dunnett" if primary.control else "tukey",
        scale="log" if scale == "logarithm" else "raw",
        better=response_of(terms.response, trial.harvest_columns).better,
    )
    repeated = "flush" in terms.fixed.split(" + ")
    with_batches = fit_for_flush(fit) if repeated else fit
    by_flush = None
    if repeated and with_batches is not None:
        by_flush = with_batches.means(primary.name, by="flush")
    means = {name: fit.means(name) for name in trial.factors}
    if scale == "logarithm":
        differences = {k: geometric_differences(v, means[k]) for k, v in differences.items()}
        means = {name: geometric(frame) for name, frame in means.items()}
        by_flush = None if by_flush is None else geometric(by_flush)
    tests, told = with_flush_test(fit.tests(), fit, with_batches)
    return Analysis(
        trial=trial,
        data=data,
        terms=terms,
        fit=fit,
        tests=TermTests(tests),
        means=ByTreatment(means, primary.name),
        differences=ByTreatment(differences, primary.name),
        ratios=ratios,
        joint_level=joint,
        flush_means=by_flush,
        n_used=fit.n,
        n_missing=len(table) - fit.n,
        findings=(*analysis_findings(trial, data, terms, table, fit), *told),
        scale=scale,
        look=look,
    )


def joint_limits_level(differences: pd.DataFrame, level: float) -> float:
    """Find the single-interval confidence at which all comparisons hold jointly.

    The joint limits of the differences say how many standard errors are needed; a t
    interval that wide has this confidence.
    """
    from scipy import special

    rows = differences.dropna(subset=["se", "high", "df"])
    if len(rows) <= 1:
        return level
    reach = ((rows["high"] - rows["estimate"]) / rows["se"]).to_numpy()
    single = 2 * special.stdtr(rows["df"].to_numpy(), reach) - 1
    return float(max(level, single.max()))
