"""A timed setting for a new trial: only where the verdict's limits carry it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from trialkit.wording import Message, message

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.trial import Trial

#: Answers that show a level not to lose more than the margin.
HOLDS = ("better", "no worse")


@dataclass(frozen=True)
class Further:
    """A timed setting for a new trial. Made by `next_setting`.

    Parameters
    ----------
    duty_pct : float
        Duty cycle [%].
    on_s, off_s : float
        Seconds on (as the control has) and off that give it, rounded to what a timer can be
        set to.
    said : Message
        Why this one; says itself in the language in use.
    """

    duty_pct: float
    on_s: float
    off_s: float
    said: Message

    @property
    def sentence(self) -> str:
        """Why this one, in the language in use."""
        return str(self.said)


def next_setting(trial: Trial, table: pd.DataFrame) -> Further | None:
    """Find a duty cycle for a new trial from what the limits of this one show.

    Parameters
    ----------
    trial : Trial
    table : DataFrame
        `Verdict.table`: `level, answer` for each level against the reference.

    Returns
    -------
    Further or None
        None where schedules are not timed, or where the level next to try is still open.

    Notes
    -----
    Timed levels with less mist than the reference are taken in turn, most mist first. As
    long as each is shown not to lose more than the margin, the search goes on. The first
    that is shown to lose more brackets the duty at which the accepted loss is reached (if
    less mist never yields more): the setting halfway between the two is proposed. Where even
    the lowest is shown to hold, it is half of that. A level whose answer is open ends the
    search without a proposal: it has to be settled first. Estimates play no part.

    Examples
    --------
    >>> import pandas as pd, trialkit as tk
    >>> trial = tk.read_trial(tk.demo_folder())
    >>> table = pd.DataFrame({"level": ["sparse", "banded"], "answer": ["worse", "no worse"]})
    >>> round(next_setting(trial, table).duty_pct, 2)
    6.25
    """
    levels = trial.primary.levels
    duty = {name: float(s.duty_pct) for name, s in levels.items() if s.duty_pct}
    reference = trial.primary.reference
    if reference not in duty:
        return None
    answers = dict(zip(table["level"].astype(str), table["answer"], strict=True))
    below = sorted(
        (n for n in duty if n in answers and duty[n] < duty[reference]), key=lambda n: -duty[n]
    )
    if not below:
        return None
    holds, loses = reference, ""
    for name in below:
        if answers[name] in HOLDS:
            holds = name
            continue
        if answers[name] != "worse":
            return None
        loses = name
        break
    wanted = (duty[holds] + duty[loses]) / 2 if loses else duty[holds] / 2
    on_s = float(levels[reference].on_s or 0)
    off_s = on_s * (100 / wanted - 1)
    off_s = round(off_s, -1) if off_s >= 100 else round(off_s)
    found = 100 * on_s / (on_s + off_s)
    words = {"on": on_s, "off": off_s, "duty": found, "margin": trial.question.margin_pct}
    key = "further.between" if loses else "further.lower"
    return Further(found, on_s, off_s, message(key, holds=holds, loses=loses, **words))
