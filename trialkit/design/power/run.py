"""Run a power simulation and put its numbers beside the exact ones."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from trialkit.design.layout.chance import Draws
from trialkit.design.layout.procedure import draw_plan, plan_table
from trialkit.design.layout.progress import shown_progress
from trialkit.design.power.questions import Question, Wanted
from trialkit.design.power.simulate import CHUNK, ENDS, make_job
from trialkit.design.power.variation import Variation
from trialkit.design.power.workers import run_chunks
from trialkit.design.strata.comparisons import Comparison
from trialkit.errors import DesignError
from trialkit.trial import Trial
from trialkit.wording import Message, message, spoken

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class Simulated:
    """Positive answers of simulated trials.

    Parameters
    ----------
    answers : dict
        Question → positive answers at low, middle and high variation.
    trials : tuple of int
        Trials at low, middle and high variation.
    failed : int
        Trials too damaged by losses to be analysed; they count as unanswered.
    """

    answers: dict[Question, tuple[int, int, int]]
    trials: tuple[int, int, int]
    failed: int

    def put_into(self, table: pd.DataFrame) -> pd.DataFrame:
        """Replace powers by simulated ones and add their Monte-Carlo error `mc_se`."""
        out = table.copy()
        for i, question in enumerate(out["question"]):
            shares = [a / n for a, n in zip(self.answers[question], self.trials, strict=True)]
            out.loc[i, "high"], out.loc[i, "power"], out.loc[i, "low"] = shares
            p, n = shares[1], self.trials[1]
            out.loc[i, "mc_se"] = float(np.sqrt(p * (1 - p) / n))
            out.loc[i, "method"] = f"simulated, {n} trials"
        return out

    @property
    def notes(self) -> tuple[Message, ...]:
        """What a reader of the numbers must know."""
        said = message("power.simulated", middle=self.trials[1], ends=self.trials[0])
        return (said, message("power.failed", count=self.failed)) if self.failed else (said,)


def simulate_power(
    trial: Trial,
    c: Comparison,
    variation: Variation,
    wanted: Wanted,
    questions: tuple[Question, ...],
    *,
    trials: int,
    seed: int | None,
    workers: int | None,
    cluster: str | None,
    progress: Callable[[int, int], None] | bool | None,
) -> Simulated:
    """Simulate trials of the layout that `assign` would draw, and count positive answers."""
    if trials < 1:
        raise DesignError(f"trials={trials} must be 1 or more")
    seed = trial.seed if seed is None else seed
    table = plan_table(trial, draw_plan(trial, Draws(seed)))
    job = make_job(trial, table, c, variation, wanted, questions, seed)
    ends = max(1, round(ENDS * trials))
    counts = (ends, trials, ends)
    chunks = [
        (end, i, min(CHUNK, n - i * CHUNK))
        for end, n in enumerate(counts)
        for i in range(-(-n // CHUNK))
    ]
    with shown_progress(progress, spoken().text("progress.power")) as tell:
        results = run_chunks(job, chunks, workers=workers, cluster=cluster, progress=tell)
    answers: dict[Question, tuple[int, int, int]] = {}
    for question in questions:
        sums = [0, 0, 0]
        for (end, _, _), result in zip(chunks, results, strict=True):
            sums[end] += result[question]
        answers[question] = (sums[0], sums[1], sums[2])
    failed = sum(result["failed"] for result in results)
    return Simulated(answers, counts, failed)
