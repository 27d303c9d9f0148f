"""Flushes of the batch that still grows and that nobody has picked yet."""

from __future__ import annotations

from collections.abc import Collection
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from trialkit.trial.trial import Trial


def flushes_to_come(trial: Trial, seen: Collection[tuple[str, int]]) -> set[tuple[str, int]]:
    """Tell flushes that are still to come from those whose weights are missing.

    Only the latest batch with a harvest can still grow: where the trial file gives it no end,
    the flushes after the last one of which anything was entered are to come.

    Parameters
    ----------
    trial : Trial
    seen : collection of (str, int)
        Batch (``"all"`` in a trial without batches) and flush of each entry.

    Returns
    -------
    set of (str, int)
        Batch and flush.

    Examples
    --------
    >>> import trialkit as tk
    >>> trial = tk.read_trial(tk.demo_folder())  # every batch has its end
    >>> flushes_to_come(trial, {("B4", 1)})
    set()
    """
    order = [str(name) for name in trial.levels.get("batch", ("all",))]
    begun = [name for name in order if any(batch == name for batch, _ in seen)]
    if not begun:
        return set()
    latest = begun[-1]
    dates = trial.batches.get(latest)
    if dates is None or dates.start is None or dates.end is not None:
        return set()
    last = max(flush for batch, flush in seen if batch == latest)
    return {(latest, flush) for flush in range(last + 1, trial.flushes + 1)}
