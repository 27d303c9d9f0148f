"""What to try next: the duty cycle at which another trial would teach most."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from trialkit.dose import dose_response
from trialkit.errors import ModelError

if TYPE_CHECKING:
    from trialkit.analysis import Analysis
    from trialkit.trial import Trial


@dataclass(frozen=True)
class Further:
    """A timed setting worth trying next. Made by `next_setting`.

    Parameters
    ----------
    duty_pct : float
        Duty cycle [%].
    on_s, off_s : float
        Seconds on (as the control has) and off that give it.
    sentence : str
        Why this one.
    """

    duty_pct: float
    on_s: float
    off_s: float
    sentence: str


def next_setting(trial: Trial, result: Analysis) -> Further | None:
    """Find the duty cycle that the data leave most open, for the next trial.

    Parameters
    ----------
    trial : Trial
    result : Analysis

    Returns
    -------
    Further or None
        None where schedules are not timed, no mist was logged, or the duty hardly differs.

    Notes
    -----
    A line through yield and delivered duty, judged between chamber runs, says where the loss
    against the control would reach the accepted margin. A trial at that duty is as likely to
    come out on one side as on the other, so it is the one that teaches most (the same reasoning
    as placing the next dose at the current estimate of the target [1]_). Where less mist shows
    no loss, the next step is half the lowest duty tried: a line must not be followed further.

    References
    ----------
    .. [1] Chaloner, K. and Verdinelli, I. (1995). Bayesian experimental design: a review.
       Statistical Science 10, 273-304. doi:10.1214/ss/1177009939 (cited from memory)
    """
    timed = {
        name: (level.duty_pct, level.on_s)
        for name, level in trial.primary.levels.items()
        if level.duty_pct
    }
    control = timed.get(trial.primary.reference)
    if control is None or len({duty for duty, _ in timed.values()}) < 2:
        return None
    try:
        dose = dose_response(trial, result.data, exposure="duty_pct", response=None)
    except ModelError:
        return None
    lowest = min(duty for duty, _ in timed.values() if duty)
    usual, on_s = float(control[0] or 0), float(control[1] or 0)
    line = dose.summary.iloc[0]
    means = result.means[trial.primary.name].set_index("level")["estimate"]
    loss = trial.question.margin_pct / 100 * float(means[trial.primary.reference])
    slope = float(line["estimate"])
    duty = usual - loss / slope if slope > 0 else -math.inf
    if duty < lowest / 2:
        duty = lowest / 2
        why = "no loss beyond the margin is in sight at the levels tried; this is half the lowest"
    else:
        why = (
            "there a line through these data puts the loss at the accepted "
            f"{trial.question.margin_pct:g} %, so a trial could come out either way"
        )
    off_s = on_s * (100 / duty - 1)
    return Further(
        duty_pct=duty,
        on_s=on_s,
        off_s=off_s,
        sentence=f"A next trial would learn most near a duty of {duty:.1f} % "
        f"({on_s:g} s on, {round(off_s, -1):.0f} s off): {why}.",
    )
