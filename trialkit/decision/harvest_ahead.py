"""What of the planned harvest is still ahead, and whether the answer may be acted on before."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from trialkit.analysis.harvest_in import Progress, progress
from trialkit.analysis.look import batches_in, next_look_after
from trialkit.columns.response import response_of
from trialkit.wording import Message, Units, message

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.analysis.result import Analysis
    from trialkit.trial import Trial


@dataclass(frozen=True)
class Ahead:
    """What is not harvested yet at a look that was not planned. Made by `harvest_ahead`.

    Parameters
    ----------
    missing, parts : int
        Parts of the harvest without a row that has a fate, of how many.
    kind : Message
        What a part is: a batch, a flush, or a flush of a batch.
    batches : Progress
        Batches that have begun and batches to come.
    next_look : (int, int) or None
        Batches that the next planned look waits for, of how many; None where the end is next.
    clear : tuple of str
        Levels for which limits of 99.9 % give the answer already.
    """

    missing: int
    parts: int
    kind: Message
    batches: Progress
    next_look: tuple[int, int] | None = None
    clear: tuple[str, ...] = ()


def harvest_ahead(trial: Trial, result: Analysis) -> Ahead | None:
    """Say what of the planned harvest is not in yet.

    Parameters
    ----------
    trial : Trial
    result : Analysis

    Returns
    -------
    Ahead or None
        None where every part is in, where nothing tells, and at a look that the trial plans.
    """
    ahead = None if result.look is not None else parts_ahead(trial, result.data.table)
    if ahead is None:
        return None
    strict = 1 - (1 - result.joint_level) / 50
    ratios = result.fit.noninferior(
        trial.primary.name,
        against=trial.primary.reference,
        margin_pct=trial.question.margin_pct,
        scale="log" if result.scale == "logarithm" else "raw",
        level=strict,
        better=response_of(result.terms.response, trial.harvest_columns).better,
    )
    clear = ratios.loc[ratios["verdict"].str.startswith(("better", "no worse"))]
    levels = tuple(str(level) for level in clear["level"])
    return replace(ahead, next_look=_next_look(trial, result), clear=levels)


def parts_ahead(trial: Trial, table: pd.DataFrame) -> Ahead | None:
    """Count the parts of the planned harvest that are not in yet, whatever the answer.

    Parameters
    ----------
    trial : Trial
    table : DataFrame
        One row per block and flush, with `unit` and `status`.

    Returns
    -------
    Ahead or None
        Without a look and without levels that are clear; None where every part is in, or nothing
        tells.
    """
    rows = table
    if "unit" in table:  # what was given up is not waited for
        rows = table[~table["unit"].isin(trial.given_up)]
    keys = [name for name in ("batch", "flush") if name in rows]
    if "status" not in rows or not keys:
        return None
    absent = (rows["status"] == "missing").groupby([rows[k].astype(str) for k in keys]).all()
    if not absent.any():
        return None
    return Ahead(
        missing=int(absent.sum()),
        parts=len(absent),
        kind=message("doubt.parts.batch_flush" if len(keys) == 2 else f"doubt.parts.{keys[0]}"),
        batches=progress(trial, table),
    )


def _next_look(trial: Trial, result: Analysis) -> tuple[int, int] | None:
    if not trial.question.looks:
        return None
    return next_look_after(trial, batches_in(result.data.table)[0])


def carry_on(ahead: Ahead) -> Message:
    """Advise to finish what was planned, and say when to take the answer."""
    left, planned = len(ahead.batches.to_come), ahead.batches.planned
    if left:
        units = Units(("batch",), planned)
        waits = message("step.carry_on.batches", count=left, planned=planned, units=units)
    else:
        words = {"parts": ahead.parts, "kind": ahead.kind}
        waits = message("step.carry_on.parts", count=ahead.missing, **words)
    when = message("step.carry_on.end")
    if ahead.next_look is not None and ahead.next_look[0] < ahead.next_look[1]:
        following, total = ahead.next_look
        when = message("step.carry_on.look", following=following, total=total)
    return message("step.carry_on.whole", waits=waits, when=when)
