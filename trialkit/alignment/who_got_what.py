"""Who was planned to get what, what ran before it was drawn, and who got what."""

from __future__ import annotations

from typing import Any

import pandas as pd

from trialkit.alignment.given_levels import given_levels
from trialkit.alignment.late_draws import LateDraws, judge_draws
from trialkit.errors import AlignError, TrialkitError
from trialkit.trial import Trial


def who_got_what(
    trial: Trial, plan: Any, picked: pd.DataFrame, spans: pd.DataFrame
) -> tuple[pd.DataFrame | None, LateDraws, pd.DataFrame | None]:
    """Give who was planned to get what, what ran before it was drawn, and who got what.

    Parameters
    ----------
    trial : Trial
    plan : Plan, DataFrame or None
        From the trial's folder where it is None.
    picked : DataFrame
        Harvest table.
    spans : DataFrame
        Windows as `derive_windows` gives them.

    Returns
    -------
    assignment : DataFrame or None
        One row per unit that is grown, as planned; what ran before it was drawn had no plan, and
        stands as it was given. None where nothing is compared.
    late : LateDraws
    given : DataFrame or None
        As `given_levels` gives it.

    Raises
    ------
    AlignError
        If there is no plan, or it lacks a treatment.
    """
    if not trial.factors:
        return None, LateDraws(), None
    plan = plan_of(trial, plan)
    assignment = _assignment(trial, plan)
    late = judge_draws(trial, plan, picked)
    whole = assignment.copy()
    factors = list(trial.structure.factors)
    if "unit" not in whole.columns:
        whole["unit"] = whole[factors].astype(str).agg("-".join, axis=1)
    whole = whole[~whole["unit"].isin(trial.never_grown)].reset_index(drop=True)
    given = given_levels(trial, whole, spans)
    if given is not None and late.units:
        ran = whole["unit"].isin(late.units).to_numpy()
        for name in trial.factors:
            column = given[name].where(given[name].notna(), whole[name])
            whole[name] = whole[name].where(~ran, column)
    return whole, late, given


def as_given_first(
    trial: Trial, assignment: pd.DataFrame | None, given: pd.DataFrame | None
) -> pd.DataFrame | None:
    """Give one row per unit as it was given, those of no one level last."""
    if given is None or assignment is None:
        return assignment
    return given.sort_values(list(trial.factors), na_position="last", kind="stable")


def plan_of(trial: Trial, plan: Any) -> Any:
    """Give the plan, from the trial's folder where none was given.

    Raises
    ------
    AlignError
        If treatments are compared and there is no plan that can be read.
    """
    if plan is not None or not trial.factors:
        return plan
    from trialkit.design.plan import read_plan

    try:
        return read_plan(trial)
    except (TrialkitError, OSError) as problem:
        raise AlignError(
            f"who received what is not known: {problem} → make the plan with "
            "'trialkit plan', or give plan="
        ) from None


def _assignment(trial: Trial, plan: Any) -> pd.DataFrame:
    """Give the treatments of every unit as planned."""
    table = plan if isinstance(plan, pd.DataFrame) else plan.table
    absent = [name for name in trial.factors if name not in table.columns]
    if absent:
        raise AlignError(f"the plan has no column for {', '.join(absent)}")
    return pd.DataFrame(table)
