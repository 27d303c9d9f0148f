"""One's own trials of one question: the answer of each, to be taken together."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from trialkit.errors import ModelError
from trialkit.federation.answer import levels_to_share

if TYPE_CHECKING:
    from trialkit.federation.answer import TrialAnswer
    from trialkit.pipeline import Pipeline
    from trialkit.trial import Trial


def answers_of_trials(
    jobs: Sequence[Pipeline],
    *,
    level: str | None = None,
    tell: Callable[..., None] | None = None,
) -> list[TrialAnswer]:
    """Analyse trials, and give the answer of each on one level against the control.

    Parameters
    ----------
    jobs : sequence of Pipeline
    level : str, optional
        Level to compare with the control; the only one that all trials share by default. Of
        trials whose treatments have ranges the settings, such as ``"6.5 %, 650 lux"``.
    tell : callable, optional
        Called with 0 and the title before each trial, and with 1 after it.

    Returns
    -------
    list of TrialAnswer

    Raises
    ------
    ModelError
        If there is no one level to compare, or a trial has no answer.

    Examples
    --------
    >>> import trialkit as tk
    >>> from trialkit.pipeline import Pipeline
    >>> (answer,) = answers_of_trials([Pipeline(tk.demo_folder())], level="sparse")
    >>> answer.level, answer.control
    ('sparse', 'usual')
    """
    level = level or _only_level(jobs)
    answers = []
    for job in jobs:
        if tell is not None:
            tell(0, job.trial.title)
        answers.append(_answer(job, level))
        if tell is not None:
            tell(1)
    return answers


def level_to_pool(trial: Trial) -> str:
    """Name the level to pool where none is asked for, without looking at the harvest.

    Parameters
    ----------
    trial : Trial

    Returns
    -------
    str
        The first that is compared with the control; of ranges, their middle.

    Examples
    --------
    >>> import trialkit as tk
    >>> level_to_pool(tk.read_trial(tk.demo_folder(tuned=True)))
    '6 %, 550 lux'
    """
    if not trial.tuned:
        return levels_to_share(trial)[0]
    middle = []
    for factor in trial.tuned:
        levels = [name for name in factor.levels if name != factor.reference]
        middle.append(levels[len(levels) // 2])
    return ", ".join(middle)


def _only_level(jobs: Sequence[Pipeline]) -> str:
    """Give the one level that all trials compare with their control."""
    tuned = [job.trial for job in jobs if job.trial.tuned]
    if tuned:
        raise ModelError(
            f"trial {tuned[0].title!r} tunes a setting over a range: say which setting to compare "
            f"with today's, chosen before looking, such as --level {level_to_pool(tuned[0])!r}; "
            "for the best of all settings take such trials together with: trialkit next"
        )
    first = levels_to_share(jobs[0].trial) if jobs else []
    shared = [n for n in first if all(n in job.trial.primary.levels for job in jobs)]
    if len(shared) != 1:
        names = ", ".join(shared) or "none that all have"
        raise ModelError(f"say which level to compare with --level; the trials share: {names}")
    return shared[0]


def _answer(job: Pipeline, level: str) -> TrialAnswer:
    """Take the answer of one trial: of a named level, or of settings in its ranges."""
    from trialkit.federation.answer import answer_of_trial

    source = job.trial.folder.resolve().name
    if not job.trial.tuned:
        return answer_of_trial(job.result, level=level, source=source)
    from trialkit.analysis.tuned import analyse_settings
    from trialkit.federation.answer_of_settings import answer_of_settings, levels_named

    levels = levels_named(job.trial, level)
    surface = analyse_settings(job.trial, job.data)
    return answer_of_settings(job.trial, job.data, surface, levels=levels, source=source)
