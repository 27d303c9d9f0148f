"""The looks that a trial plans: after which batches, with how much of the information and error.

Before the data the information is that of the layout at planning variation. The error df are
those of the layout, so that the levels do not lean on variances that a few units tell.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from trialkit.design.power.covariates import covariates_cost
from trialkit.design.power.questions import rows_against, worst_row
from trialkit.design.strata.comparisons import Comparison, compare_in, with_counts
from trialkit.design.variation import Variation, planning_ranges
from trialkit.errors import DesignError, PlanError
from trialkit.model.answers.comparisons import correlation_of
from trialkit.model.sequential.spending import error_spent
from trialkit.model.sequential.stage_levels import stage_levels
from trialkit.trial import Trial
from trialkit.trial.look_checks import BATCH, error_df_after


@dataclass(frozen=True)
class PlannedLook:
    """One look of a trial. Made by `planned_looks`.

    Parameters
    ----------
    number, of : int
        Which look it is, of how many; the end is the last.
    batches : int
        Batches that are in.
    share : float
        Share of the whole information that the effect has then.
    df : float
        Error df of the treatment of the question.
    spent : float
        One-sided error spent up to and with this look.
    level : float
        Confidence of the joint limits of this look.
    """

    number: int
    of: int
    batches: int
    share: float
    df: float
    spent: float
    level: float


@dataclass(frozen=True)
class LookPlan:
    """When a trial is looked at, and what levels rest on.

    Parameters
    ----------
    batches : tuple of int
        Batches that are in at each look; the last are all.
    df : tuple of float
    shares : tuple of float
        Planned shares of information.
    comparisons : int
        Levels compared with the reference.
    correlation : float
        Mean correlation of these comparisons.
    """

    batches: tuple[int, ...]
    df: tuple[float, ...]
    shares: tuple[float, ...]
    comparisons: int
    correlation: float


def look_plan(trial: Trial, variation: Variation | None = None) -> LookPlan | None:
    """Work out when a trial is looked at; None where it plans no look before the end.

    Parameters
    ----------
    trial : Trial
    variation : Variation, optional
        Planning ranges by default.
    """
    total = trial.counts.get(BATCH, 0)
    before = [n for n in trial.question.looks if n < total]
    if not before:
        return None
    spread, name = variation or planning_ranges(trial.structure), trial.question.primary
    batches = (*before, total)
    at = [comparison_after(trial, n) for n in batches]
    reference = list(trial.primary.levels).index(trial.primary.reference)
    variances = [None if c is None else _variance(c, reference, spread) for c in at]
    whole = variances[-1]
    shares: list[float] = []
    for n, variance in zip(batches, variances, strict=True):
        share = n / total
        if whole and variance and np.isfinite(variance) and variance > whole:
            share = whole / variance
        shares.append(float(max(share, shares[-1] + 1e-3 if shares else 1e-3)))
    df = [
        c.left_df(free=c.solve(spread.point(1)).free_df())
        if c is not None
        else float(error_df_after(n, trial.structure, trial.levels, trial.factors, name))
        for n, c in zip(batches, at, strict=True)
    ]
    last = at[-1]
    correlation = 0.5
    if last is not None and len(trial.primary.levels) > 2:
        rows = rows_against(last, reference)
        matrix = correlation_of(last.solve(spread.point(1)).covariance(rows))
        correlation = float(matrix[np.triu_indices(len(rows), 1)].mean())
    return LookPlan(
        batches,
        tuple(max(nu, 1.0) for nu in df),
        (*shares[:-1], 1.0),
        len(trial.primary.levels) - 1,
        correlation,
    )


def ending_after(plan: LookPlan, batches: int) -> LookPlan:
    """Let a plan end after the batches that there are, once others were given up."""
    if batches == plan.batches[-1]:
        return plan
    kept = sum(n < batches for n in plan.batches)
    return replace(
        plan,
        batches=(*plan.batches[:kept], batches),
        df=(*plan.df[:kept], float(np.interp(batches, plan.batches, plan.df))),
        shares=(*plan.shares[:kept], 1.0),
    )


def comparison_after(trial: Trial, batches: int) -> Comparison | None:
    """Give the comparison of the question once some batches are in; None where there is none."""
    try:
        fewer = with_counts(trial, {BATCH: batches})
        return covariates_cost(fewer, compare_in(fewer, trial.question.primary))
    except (DesignError, PlanError):
        return None


def _variance(c: Comparison, reference: int, spread: Variation) -> float:
    return worst_row(c.solve(spread.point(1)), rows_against(c, reference))[1]


def level_at(trial: Trial, plan: LookPlan, shares: tuple[float, ...]) -> tuple[float, float]:
    """Give the one-sided error spent up to a look, and the confidence of its joint limits.

    Parameters
    ----------
    trial : Trial
    plan : LookPlan
    shares : tuple of float
        Shares of information of this look and of all before it.

    Returns
    -------
    spent, level : float
    """
    question = trial.question
    alpha, rule = (1 - question.level) / 2, question.spend_error
    one_sided = stage_levels(
        alpha,
        shares,
        plan.df[: len(shares)],
        spending=rule,
        comparisons=plan.comparisons,
        correlation=plan.correlation,
    )
    return float(error_spent(alpha, shares, rule)[-1]), float(1 - 2 * one_sided[-1])


def planned_looks(trial: Trial, variation: Variation | None = None) -> tuple[PlannedLook, ...]:
    """List the looks of a trial with the level that each will have if all goes as planned.

    Parameters
    ----------
    trial : Trial
    variation : Variation, optional
        Planning ranges by default.

    Returns
    -------
    tuple of PlannedLook
        Empty where the trial plans no look before the end.

    Examples
    --------
    >>> import trialkit as tk
    >>> planned_looks(tk.read_trial(tk.demo_folder()))
    ()
    """
    plan = look_plan(trial, variation)
    if plan is None:
        return ()
    out = []
    for i, batches in enumerate(plan.batches):
        spent, level = level_at(trial, plan, plan.shares[: i + 1])
        out.append(
            PlannedLook(i + 1, len(plan.batches), batches, plan.shares[i], plan.df[i], spent, level)
        )
    return tuple(out)
