"""One tree of errors, and the findings that results carry.

Impossible things raise an error that says what, where and what to do next.
Doubtful things become a `Finding` stored on the result and shown with it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from trialkit.visible_text import LONGEST_MESSAGE, bounded, brief, visible

Severity = Literal["note", "caution", "stop"]


#: Faults of one file that are told at once.
MOST_TOLD = 40


class TrialkitError(Exception):
    """Root of every error that trialkit raises on purpose; no line of its words is too long."""

    def __init__(self, words: object = "") -> None:
        super().__init__(bounded(str(words)))


class TrialFileError(TrialkitError):
    """The trial file cannot be used; `faults` lists everything wrong with it.

    Parameters
    ----------
    source : str
        Name of the file.
    faults : sequence of Fault
        Every fault found, in file order.
    """

    def __init__(self, source: str, faults: Sequence[Fault]) -> None:
        self.source = source
        self.faults = tuple(faults)
        lines = [f"{source}: {len(self.faults)} problem{'s' * (len(self.faults) != 1)} to fix"]
        lines += [f"  {i}. {fault}" for i, fault in enumerate(self.faults[:MOST_TOLD], 1)]
        left = len(self.faults) - MOST_TOLD
        lines += [f"  and {left} more, told when these are fixed"] if left > 0 else []
        super().__init__("\n".join(lines))


class AnswerFileError(TrialFileError):
    """A file with the answer of a trial cannot be used; `faults` lists everything wrong with it."""


class DesignError(TrialkitError):
    """The question cannot be answered by this layout of units."""


class PlanError(TrialkitError):
    """No plan can be made, or an existing plan must not be overwritten."""


class LogError(TrialkitError):
    """A log file cannot be read at all."""


class AlignError(TrialkitError):
    """Logs, plan and trial do not fit together."""


class ModelError(TrialkitError):
    """The model cannot be fitted as asked."""


class ReportError(TrialkitError):
    """The report cannot be written."""


@dataclass(frozen=True)
class Fault:
    """One thing wrong with an input, with its place and remedy.

    Parameters
    ----------
    where : str
        Place in the input, such as ``"[units] batch (line 12)"``.
    what : str
        What is wrong, in plain words.
    remedy : str
        What to do about it.
    """

    where: str
    what: str
    remedy: str = ""

    def __post_init__(self) -> None:
        # what a file says may be of any length and hold any character
        where, remedy = brief(visible(self.where), 110), brief(visible(self.remedy), 240)
        what = brief(visible(self.what), LONGEST_MESSAGE - 10 - len(where) - len(remedy))
        for name, words in (("where", where), ("what", what), ("remedy", remedy)):
            object.__setattr__(self, name, words)

    def __str__(self) -> str:
        return f"{self.where}: {self.what}" + (f" → {self.remedy}" if self.remedy else "")


@dataclass(frozen=True)
class Finding:
    """Something doubtful that the reader of a result must know.

    It holds what was found; the sentence is made where it is shown.

    Parameters
    ----------
    code : str
        Stable short name, such as ``"component_below_zero"``.
    severity : {"note", "caution", "stop"}
        ``"stop"`` blocks a verdict.
    said : object
        What was found: plain words, or something whose ``str()`` says it in the language in use.
    cure : object
        What to do about it, likewise; may be empty.
    """

    code: str
    severity: Severity
    said: object
    cure: object = ""

    @property
    def message(self) -> str:
        """Say what was found."""
        return str(self.said)

    @property
    def remedy(self) -> str:
        """Say what to do about it."""
        return str(self.cure)

    @property
    def values(self) -> Mapping[str, object]:
        """Give the values that the sentence is made of."""
        return getattr(self.said, "values", {})

    @property
    def kind(self) -> str:
        """Say how grave it is, in the language of what was found."""
        beside = getattr(self.said, "beside", None)
        return str(beside(f"severity.{self.severity}")) if beside else self.severity.capitalize()

    def __str__(self) -> str:
        return f"{self.kind}: {self.message}" + (f" → {self.remedy}" if self.remedy else "")
