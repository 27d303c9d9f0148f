"""What is said of a planned look: which it is, what it spends, and whether the trial may end."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from trialkit.decision.sentences import confidence_number
from trialkit.wording import Joined, Message, Number, message

if TYPE_CHECKING:
    from trialkit.analysis.look import Look

#: Answers of a level that leave nothing to find out about it.
SETTLED = ("better", "no worse", "worse")


@dataclass(frozen=True)
class LookWords:
    """The words of a look, and whether to go on rather than act.

    Parameters
    ----------
    said : object
        Which look it is and what it spends; says nothing where none is planned.
    steps : tuple of Message
    go_on : bool
        Whether nothing else is to be done before the next look.
    """

    said: object = ""
    steps: tuple[Message, ...] = ()
    go_on: bool = False

    def before(self, others: tuple[Message, ...]) -> tuple[Message, ...]:
        """Put the steps of the look before others."""
        return self.steps if self.go_on else (*self.steps, *others)


def look_words(look: Look | None, answer: str, answers: Sequence[str]) -> LookWords:
    """Say which look a verdict is from, and whether the trial may end with it.

    Parameters
    ----------
    look : Look or None
        The planned look that was reached.
    answer : str
        The verdict's.
    answers : sequence of str
        Those of all levels.

    Returns
    -------
    LookWords
        At a look before the end the trial may end where the verdict is "better" or "no worse",
        or where every level is settled.
    """
    if look is None or answer == "blocked":
        return LookWords()
    said: list[object] = [
        message(
            _said_of(look),
            number=look.number,
            of=look.of,
            done=len(look.batches),
            total=look.total,
            level=confidence_number(look.level),
            plain=confidence_number(1 - 2 * look.alpha),
            spent=Number(100 * look.spent, _decimals(look.spent)),
            whole=Number(100 * look.alpha, _decimals(look.alpha)),
        )
    ]
    if look.later:
        said.append(message("look.waits", batches=list(look.later)))
    if look.is_last:
        return LookWords(Joined(tuple(said)))
    words = {"following": look.following, "total": look.total}
    if answer in ("better", "no worse") or all(a in SETTLED for a in answers):
        return LookWords(Joined(tuple(said)), (message("step.look.may_end", **words),))
    steps = (message("step.look.go_on", **words),)
    return LookWords(Joined(tuple(said)), steps, go_on=answer == "not enough evidence")


def _said_of(look: Look) -> str:
    """Choose the sentence about a look."""
    if look.is_last:  # the only one: no look came before, and the batches after it were given up
        if look.of == 1:
            return "look.only"
        plain = str(confidence_number(1 - 2 * look.alpha))
        return "look.end_plain" if str(confidence_number(look.level)) == plain else "look.end"
    return "look.on_the_way"


def _decimals(share: float) -> int:
    """Give the decimals of a share in per cent that show two digits of it."""
    return next((n for n in range(1, 8) if 100 * share >= 10.0 ** (1 - n)), 8)
