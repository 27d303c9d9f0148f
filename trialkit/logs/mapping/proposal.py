"""`Proposal`: a proposed mapping, and how it is written into the trial file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from trialkit.trial.sections import LogSection
from trialkit.wording import Message, message

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class Proposal:
    """A proposed mapping of the columns of a log.

    Parameters
    ----------
    kind : {"harvest", "environment", "mist"}
    files : tuple of str
        Files it was judged from.
    columns : dict
        Column of the glossary → head.
    units : dict
        Column → unit, where it is not the house unit.
    clues : DataFrame
        The rows of `table`, with the reason as a message.
    asked : tuple of Message
        The `questions`, to be said in any language.
    heads : dict
        Column → all its heads, where files of several makes differ.
    """

    kind: str
    files: tuple[str, ...]
    columns: dict[str, str]
    units: dict[str, str]
    clues: pd.DataFrame
    asked: tuple[Message, ...] = ()
    heads: dict[str, tuple[str, ...]] = field(default_factory=dict)

    @property
    def table(self) -> pd.DataFrame:
        """One row per proposed column, in the language in use: ``column, head, reason``."""
        return self.clues.assign(reason=[str(reason) for reason in self.clues["reason"]])

    @property
    def questions(self) -> tuple[str, ...]:
        """What the files do not tell and must be answered in the trial file."""
        return tuple(map(str, self.asked))

    def section(self) -> str:
        """Write the proposal as lines for the trial file."""
        lines = [f"[logs.{self.kind}]", "files = [" + ", ".join(map(_quote, self.files)) + "]"]
        lines.append(f"columns = {{ {_pairs({**self.columns, **self.heads})} }}")
        if self.units:
            lines.append(f"units = {{ {_pairs(self.units)} }}")
        return "\n".join(
            [*lines, *(f"# {message('proposal.open', question=q)}" for q in self.asked)]
        )

    def __str__(self) -> str:
        reasons = [
            "  " + str(message("proposal.column", column=column, head=repr(head), reason=reason))
            for column, head, reason in self.clues.itertuples(index=False)
        ]
        asked = [f"  ? {question}" for question in self.questions]
        title = str(message("proposal.title", kind=self.kind))
        return "\n".join([title, *reasons, *asked, "", self.section()])


def _quote(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


def _pairs(pairs: Mapping[str, str | tuple[str, ...]]) -> str:
    return ", ".join(f"{name} = {_listed(value)}" for name, value in pairs.items())


def _listed(value: str | tuple[str, ...]) -> str:
    if isinstance(value, str):
        return _quote(value)
    return f"[{', '.join(map(_quote, value))}]"


def with_more_heads(spec: LogSection, found: Proposal, values: Sequence[str]) -> str:
    """Write the columns of the trial file with a file's own heads beside those named already.

    Empty where the file holds none of the columns with measured values.
    """
    if not any(c in values for c in found.columns):
        return ""
    heads: dict[str, tuple[str, ...]] = {c: spec.heads(c) for c in spec.columns}
    for column, head in found.columns.items():
        heads[column] = tuple(dict.fromkeys([*heads.get(column, ()), head]))
    return f"columns = {{ {_pairs({c: h[0] if len(h) == 1 else h for c, h in heads.items()})} }}"
