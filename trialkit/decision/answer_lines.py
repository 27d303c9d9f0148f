"""The answer to every level, in the order of the trial file, as screen and report say it."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from trialkit.decision.decide import Verdict
    from trialkit.trial import Trial


def answer_lines(trial: Trial, verdict: Verdict) -> list[tuple[str, str]]:
    """Give each level with its answer, in the order in which the trial file asks about them.

    Parameters
    ----------
    trial : Trial
    verdict : Verdict

    Returns
    -------
    list of (level, sentence)
        The reference has no line. Where a finding blocks the verdict, the one line says so and
        has no level.
    """
    if verdict.answer == "blocked":
        return [("", verdict.sentence)]
    out = []
    for level in dict.fromkeys([*trial.primary.levels, *verdict.sentences]):
        if level == verdict.level:
            out.append((level, verdict.sentence))
        elif level in verdict.sentences:
            out.append((level, str(verdict.sentences[level])))
    return out
