"""What to use: the answer to the question, and what the user's own prices say of it.

The answer stays what it is, whatever the prices. What is recommended weighs what was priced,
says so, and says where the two part.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from trialkit.decision.further import HOLDS
from trialkit.wording import Message, Named, Number, message

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.decision.money import Money
    from trialkit.trial import Trial


@dataclass(frozen=True)
class Recommendation:
    """What to use. Made by `recommend`.

    Parameters
    ----------
    level : str
        Level to use; the control where nothing else is recommended.
    basis : {"money", "answer"}
        Whether prices decided, or the answer alone.
    parts : bool
        Whether money and answer point to different levels.
    said : Message or None
        What to do, in words with the gain and its limits; None without prices.
    """

    level: str
    basis: Literal["money", "answer"]
    parts: bool = False
    said: Message | None = None


def recommend(trial: Trial, table: pd.DataFrame, level: str, money: Money | None) -> Recommendation:
    """Choose the level to use.

    Parameters
    ----------
    trial : Trial
    table : DataFrame
        `Verdict.table`: `level, answer`.
    level : str
        Level the answer is about.
    money : Money or None

    Returns
    -------
    Recommendation

    Notes
    -----
    Without prices a level is recommended where it is *better* or *no worse*; else the control.
    With prices two kinds of level may be used: those that the answer allows, and those whose
    gain has limits above zero, whatever the answer. Of these and the control the one worth most
    is recommended, which is the one with the smallest expected loss among them. A level whose
    answer is open is not recommended for a gain that may be a loss.
    """
    control = trial.primary.reference
    answers = {str(k): str(v) for k, v in zip(table["level"], table["answer"], strict=True)}
    allowed = answers.get(level, "") in HOLDS
    gains = {} if money is None else _gains(money)
    if not gains or money is None:
        return Recommendation(level if allowed else control, "answer")
    may = {x: g for x, g in gains.items() if answers.get(x) in HOLDS or g["gain_low"] > 0}
    best = max(may, key=lambda x: may[x]["gain"], default=control)
    if best != control and not may[best]["gain"] > 0:
        best = control
    about = best if best != control else level
    if about not in gains:
        return Recommendation(best, "money")
    parts = best != (level if allowed else control)
    holds = answers.get(about) in HOLDS
    if best == control and not holds:  # the answer is open or against it, and so is the money
        return Recommendation(control, "money", said=None)
    form = _form(gains[about], used=best != control, holds=holds)
    words: dict[str, Any] = {
        k: Number(v, 2) for k, v in zip(("gain", "low", "high"), gains[about].values(), strict=True)
    }
    said = message(
        f"step.priced.{form}",
        level=about,
        control=control,
        currency=money.currency,
        answer=Named(f"row_answer.{answers.get(about, '')}"),
        prices=[message(f"saves.price.{name}") for name in money.counted],
        **words,
    )
    return Recommendation(best, "money", parts, said)


def _gains(money: Money) -> dict[str, dict[str, float]]:
    """Give the gain of each level over the control with its limits, where it is known."""
    names = ["gain", "gain_low", "gain_high"]
    return {
        str(row["level"]): {k: float(row[k]) for k in names}
        for row in money.table.to_dict("records")
        if math.isfinite(row["gain"])
    }


def _form(gain: dict[str, float], *, used: bool, holds: bool) -> str:
    """Name the sentence: surely or likely, used or kept, with the answer or against it."""
    if used and not holds:
        return "use_against"
    if used:
        return "use" if gain["gain_low"] > 0 else "use_likely"
    return "keep" if gain["gain_high"] < 0 else "keep_likely"
