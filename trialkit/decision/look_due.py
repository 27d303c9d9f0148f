"""When the next planned look is due, and what would end the trial there."""

from __future__ import annotations

from typing import TYPE_CHECKING

from trialkit.analysis.look import IN_FROM, batches_in_order, to_come
from trialkit.decision.sentences import confidence_number
from trialkit.design.power.looks import planned_looks
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
    looks = planned_looks(trial)
    if not looks:
        return None
    order, done = batches_in_order(trial), _done(trial, harvest)
    if 0 < done < looks[-1].batches and not to_come(trial, done):
        return "done", message("look_due.given_up", done=done)
    at = next((look for look in looks if look.batches >= done), looks[-1])
    words = {"number": at.number, "of": at.of, "total": looks[-1].batches, "done": done}
    ending = _ending(trial, at.level)
    if done == at.batches:
        state = "done" if at.number == at.of else "under way"
        return state, Joined((message("look_due.now", **words), ending), "; ")
    dates = trial.batches.get(order[at.batches - 1])
    said: list[object] = [message("look_due.later", after=at.batches, **words)]
    if dates is not None and dates.end is not None:
        said.append(message("look_due.planned", date=dates.end.astimezone(trial.zone).date()))
    return "to do", Joined((*said, ending), "; ")


def _ending(trial: Trial, level: float) -> Message:
    """Say what would end the trial at a level."""
    return message(
        "look_due.ending",
        level=confidence_number(level),
        control=trial.primary.reference,
        margin=trial.question.margin_pct,
    )


def _done(trial: Trial, harvest: pd.DataFrame | None) -> int:
    """Count the batches, from the first on, of which every flush has come in."""
    if harvest is None or not {BATCH, "unit", "flush"} <= set(harvest):
        return 0
    each = trial.grown_units()[BATCH].astype(str).value_counts().to_dict()
    keys = [harvest[BATCH].astype(str), harvest["flush"].astype(int)]
    seen = harvest.groupby(keys)["unit"].nunique()
    share = {
        (name, flush): n / each[name]
        for (name, flush), n in zip(seen.index, seen, strict=True)
        if name in each
    }
    done = 0
    for name in batches_in_order(trial):
        flushes = (share.get((name, flush), 0.0) for flush in range(1, trial.flushes + 1))
        if min(flushes) < IN_FROM:
            break
        done += 1
    return done
