"""What to do next: only what the limits of the verdict carry."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from trialkit.decision.cells import at_words
from trialkit.decision.further import HOLDS, next_setting
from trialkit.decision.harvest_ahead import Ahead, carry_on
from trialkit.decision.settle import settle_in_words
from trialkit.wording import Message, message

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.decision.recommend import Recommendation
    from trialkit.errors import Finding
    from trialkit.trial import Trial


@dataclass(frozen=True)
class Outlook:
    """What the next steps rest on.

    Parameters
    ----------
    answer, level : str
        The verdict's.
    table, by : DataFrame
        `Verdict.table` and `Verdict.by`.
    use : DataFrame
        Water and energy per kilogram.
    settle : DataFrame
    needed : int or None
    advised : Recommendation or None
        What the prices say, where there are any.
    ahead : Ahead or None
        What of the planned harvest is not in yet.
    """

    answer: str
    level: str
    table: pd.DataFrame
    by: pd.DataFrame
    use: pd.DataFrame
    settle: pd.DataFrame
    needed: int | None
    advised: Recommendation | None = None
    ahead: Ahead | None = None


def next_steps(trial: Trial, outlook: Outlook, stops: list[Finding]) -> tuple[Message, ...]:
    """Say what to do next.

    Parameters
    ----------
    trial : Trial
    outlook : Outlook
    stops : list of Finding
        Those that block the verdict.

    Returns
    -------
    tuple of Message
        A level is proposed for use only where its limits exclude the loss that is not accepted;
        a new setting only where `next_setting` finds one. While parts of the planned harvest are
        to come, the advice is to finish the trial, unless limits of 99.9 % give the answer.
    """
    if stops:
        return tuple(message("step.first", what=f.cure or f.said) for f in stops)
    ahead = outlook.ahead
    if ahead is not None and outlook.level not in ahead.clear:
        return (carry_on(ahead),)
    words = {"level": outlook.level, "control": trial.primary.reference}
    if outlook.answer == "depends":
        return tuple(_by_level(trial, outlook))
    further = None if len(outlook.by) else next_setting(trial, outlook.table)
    more = () if further is None else (further.said,)
    if outlook.advised is not None and outlook.advised.said is not None:
        return (outlook.advised.said, *more)
    if outlook.answer == "better":
        return (message("step.use", **words), *more)
    if outlook.answer == "no worse":
        return (message("step.use_if", reason=_reason(outlook), **words), *more)
    if outlook.answer == "worse":
        return (message("step.keep", **words), *more)
    return (*_settle(outlook), *more)


def _reason(outlook: Outlook) -> Message:
    use = outlook.use
    saves = use.loc[use["level"] == outlook.level, "saving_low_pct"].max() > 0
    return message("step.reason.saves" if saves else "step.reason.easier")


def _by_level(trial: Trial, outlook: Outlook) -> list[Message]:
    """Advise at each level of what the answer depends on."""
    rows = outlook.by[outlook.by["level"] == outlook.level]
    words = {"level": outlook.level, "control": trial.primary.reference}
    if (rows["factor"] == "batch").all():
        return [message("step.by_batch", **words)]
    steps = []
    for row in rows.to_dict("records"):
        where = at_words(row)
        if row["answer"] == "better":
            steps.append(message("step.at.use", where=where, **words))
        elif row["answer"] in HOLDS:
            steps.append(message("step.at.use_if", where=where, reason=_reason(outlook), **words))
        elif row["answer"] == "worse":
            steps.append(message("step.at.keep", where=where, **words))
        else:
            steps.append(message("step.at.open", where=where, **words))
    if trial.prices is not None:
        steps.append(message("step.at.prices", factor=str(rows["factor"].iloc[0])))
    return steps


def _settle(outlook: Outlook) -> tuple[Message, ...]:
    words = settle_in_words(outlook.settle, outlook.needed)
    return (words,) if outlook.needed is not None else (words, message("step.margin_stays"))
