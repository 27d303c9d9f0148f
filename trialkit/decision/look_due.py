"""When the next planned look is due, and what would end the trial there."""

from __future__ import annotations

from typing import TYPE_CHECKING

from trialkit.analysis.look import IN_FROM, batches_in_order, batches_that_count
from trialkit.decision.sentences import confidence_number
from trialkit.design.power.looks import ending_after, level_at, look_plan
from trialkit.trial.look_checks import BATCH
from trialkit.wording import Joined, Message, message

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.trial import Trial


def look_due(trial: Trial, harvest: pd.DataFrame | None) -> tuple[str, object] | None:
    """Say when the next planned look is due.

    Parameters
    ----------
    trial : Trial
    harvest : DataFrame or None
        Rows of the harvest log that were kept, if there are any.

    Returns
    -------
    state : {"to do", "under way", "done"}
        "under way": a look is due now; "done": nothing is left but the end.
    detail : object
        Says itself in the language in use.

    None where the trial plans no look before the end.
    """
    plan = look_plan(trial)
    if plan is None:
        return None
    whole = _whole(trial, harvest)
    order = batches_that_count(trial, whole)
    if not order:
        return None
    done = next((i for i, name in enumerate(order) if name not in whole), len(order))
    if done == len(order) and order[-1] != batches_in_order(trial)[-1]:
        return "done", message("look_due.given_up", done=done)
    plan = ending_after(plan, len(order))
    at = next(i for i, batches in enumerate(plan.batches) if batches >= done)
    after, last = plan.batches[at], at == len(plan.batches) - 1
    words = {"number": at + 1, "of": len(plan.batches), "total": plan.batches[-1], "done": done}
    level = level_at(trial, plan, plan.shares[: at + 1])[1]
    ending = _ending(trial, level, last=last)
    if done == after and last:
        return "done", message("look_due.all_in", level=confidence_number(level), **words)
    if done == after:
        return "under way", Joined((message("look_due.now", **words), ending), "; ")
    dates = trial.batches.get(order[after - 1])
    said: list[object] = [message("look_due.later", after=after, **words)]
    if dates is not None and dates.end is not None:
        said.append(message("look_due.planned", date=dates.end.astimezone(trial.zone).date()))
    return "to do", Joined((*said, ending), "; ")


def _ending(trial: Trial, level: float, *, last: bool) -> Message:
    """Say what would end the trial at a level; the last look ends it in any case."""
    if last:
        return message("look_due.last", level=confidence_number(level))
    return message(
        "look_due.ending",
        level=confidence_number(level),
        control=trial.primary.reference,
        margin=trial.question.margin_pct,
    )


def _whole(trial: Trial, harvest: pd.DataFrame | None) -> set[str]:
    """Name the batches of which every flush has come in."""
    if harvest is None or not {BATCH, "unit", "flush"} <= set(harvest):
        return set()
    each = trial.grown_units()[BATCH].astype(str).value_counts().to_dict()
    keys = [harvest[BATCH].astype(str), harvest["flush"].astype(int)]
    seen = harvest.groupby(keys)["unit"].nunique()
    share = {
        (name, flush): n / each[name]
        for (name, flush), n in zip(seen.index, seen, strict=True)
        if name in each
    }
    flushes = range(1, trial.flushes + 1)
    return {
        str(name)
        for name in each
        if min(share.get((name, flush), 0.0) for flush in flushes) >= IN_FROM
    }
