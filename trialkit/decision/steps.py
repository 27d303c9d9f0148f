"""What to do next: only what the limits of the verdict carry."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from trialkit.decision.cells import at_words
from trialkit.decision.further import HOLDS, next_setting
from trialkit.decision.settle import settle_in_words

if TYPE_CHECKING:
    import pandas as pd

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
    """

    answer: str
    level: str
    table: pd.DataFrame
    by: pd.DataFrame
    use: pd.DataFrame
    settle: pd.DataFrame
    needed: int | None


def next_steps(trial: Trial, outlook: Outlook, stops: list[Finding]) -> tuple[str, ...]:
    """Say what to do next.

    Parameters
    ----------
    trial : Trial
    outlook : Outlook
    stops : list of Finding
        Those that block the verdict.

    Returns
    -------
    tuple of str
        A level is proposed for use only where its limits exclude the loss that is not accepted;
        a new setting only where `next_setting` finds one.
    """
    if stops:
        return tuple(f"First: {f.remedy or f.message}" for f in stops)
    answer, level, control = outlook.answer, outlook.level, trial.primary.reference
    if answer == "depends":
        return tuple(_by_level(trial, outlook))
    further = None if len(outlook.by) else next_setting(trial, outlook.table)
    more = () if further is None else (further.sentence,)
    keep = f"keep one chamber on {control} for a batch to see whether it holds"
    if answer == "better":
        return (f"Use {level}, and {keep}.", *more)
    if answer == "no worse":
        why = _reason(outlook)
        return (f"Use {level} if {why}, and {keep}.", *more)
    if answer == "worse":
        return (f"Keep {control}.", *more)
    return (*_settle(outlook), *more)


def _reason(outlook: Outlook) -> str:
    use = outlook.use
    saves = use.loc[use["level"] == outlook.level, "saving_low_pct"].max() > 0
    return "what it saves is worth it" if saves else "it is cheaper or easier to run"


def _by_level(trial: Trial, outlook: Outlook) -> list[str]:
    """Advise at each level of what the answer depends on."""
    rows = outlook.by[outlook.by["level"] == outlook.level]
    control, level = trial.primary.reference, outlook.level
    if (rows["factor"] == "batch").all():
        return [
            f"Keep {control} for now: {level} did not do the same in every batch. Look for what "
            "differed between the batches (season, substrate, spawn), and repeat the trial in "
            "more of them."
        ]
    steps = []
    for row in rows.to_dict("records"):
        where = at_words(row)
        where = where[0].upper() + where[1:]
        if row["answer"] == "better":
            steps.append(f"{where}: use {level}.")
        elif row["answer"] in HOLDS:
            steps.append(f"{where}: use {level} if {_reason(outlook)}.")
        elif row["answer"] == "worse":
            steps.append(f"{where}: keep {control}.")
        else:
            steps.append(f"{where}: keep {control} until more batches settle it.")
    return steps


def _settle(outlook: Outlook) -> tuple[str, ...]:
    words = settle_in_words(outlook.settle, outlook.needed)
    if outlook.needed is not None:
        return (words,)
    return (
        f"{words} Do not change the accepted loss for this trial: it was fixed before the data.",
    )
