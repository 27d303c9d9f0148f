"""The planned look that a harvest has reached: its batches, its information, its level.

A look is reached when its batches are in whole. Rows of later batches that are partly in wait for
the next look, so that the same look gives the same answer whenever it is asked for. Looks before
it count as taken, whether anyone looked or not. A batch that was given up whole is left out of the
count: the look after two batches is after the first two that grew.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from trialkit.trial.look_checks import BATCH

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.trial import Trial

IN_FROM = 0.5  #: share of the blocks of a flush from which it counts as in


@dataclass(frozen=True)
class Look:
    """A planned look and what it spends. Made by `look_reached`.

    Parameters
    ----------
    number, of : int
        Which look it is, of how many; the last is the end.
    batches : tuple of str
        The batches it rests on.
    later : tuple of str
        Batches of which some rows are in, but not all: left for the next look.
    total : int
        Batches in all.
    following : int or None
        Batches that the next look waits for.
    share : float
        Share of the whole information on the treatment.
    spent, alpha : float
        One-sided error spent up to and with this look, and in all.
    level, level_at_end : float
        Confidence of the joint limits at this look, and at the end as planned.
    """

    number: int
    of: int
    batches: tuple[str, ...]
    later: tuple[str, ...]
    total: int
    following: int | None
    share: float
    spent: float
    alpha: float
    level: float
    level_at_end: float

    @property
    def is_last(self) -> bool:
        """Whether the trial ends with this look."""
        return self.number == self.of


def batches_in_order(trial: Trial) -> list[str]:
    """List the batches by their start where all are dated, else as the trial file has them."""
    names = list(trial.levels.get(BATCH, ()))
    starts = [trial.batches[n].start if n in trial.batches else None for n in names]
    if all(start is not None for start in starts):
        return [name for _, name in sorted(zip(starts, names, strict=True))]
    return names


def batches_that_count(trial: Trial, whole: Collection[str] = ()) -> list[str]:
    """List the batches that looks are counted in: in order, without those given up whole.

    Parameters
    ----------
    trial : Trial
    whole : collection of str
        Batches that are in whole; one of them counts even if it was given up later.
    """
    units = trial.unit_table()
    kept = set(units.loc[~units["unit"].isin(trial.given_up), BATCH].astype(str))
    return [name for name in batches_in_order(trial) if name in kept or name in whole]


def batches_in(table: pd.DataFrame) -> tuple[set[str], set[str]]:
    """Give the batches that are in whole, and those that are in at least in part.

    Parameters
    ----------
    table : DataFrame
        One row per block and flush, with `batch`, `flush` and `status`.

    Returns
    -------
    whole, some : set of str
        A batch is in whole when at least half of its blocks have a fate in every flush; and all
        are when no flush of any batch is wholly absent, since then nothing is known to be to come.
    """
    here = table["status"] != "missing"
    keys = [table[BATCH].astype(str), table["flush"].astype(str)]
    parts = here.groupby(keys).mean()
    if (parts > 0).all():
        return set(keys[0]), set(keys[0])
    by_batch = parts.groupby(level=0)
    return (
        {str(name) for name, least in by_batch.min().items() if least >= IN_FROM},
        {str(name) for name, most in by_batch.max().items() if most > 0},
    )


def next_look_after(trial: Trial, whole: Collection[str]) -> tuple[int, int]:
    """Give the batches that the next look waits for, and those that there are to be."""
    total = len(batches_that_count(trial, whole))
    return min([n for n in trial.question.looks if n > len(whole)] + [total]), total


def with_level(trial: Trial, level: float) -> Trial:
    """Give the trial with another confidence of its limits."""
    return replace(trial, question=trial.question.model_copy(update={"level": level}))
