"""`Proposal`: a proposed mapping, and how it is written into the trial file."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from trialkit.short_repr import short_repr
from trialkit.trial.sections import LogSection
from trialkit.wording import Message, message

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class Question:
    """What the files do not tell, with the evidence, and what may be answered.

    Parameters
    ----------
    said : Message
        The question, in one line.
    choices : tuple of (Message or str, dict)
        Each answer, and the keys of the section that it sets; empty where the answer is free.
    likely : int, optional
        Position of the answer that names suggest; it is proposed, and still to be checked.
    """

    said: Message
    choices: tuple[tuple[Message | str, Mapping[str, Any]], ...] = ()
    likely: int | None = None

    def __str__(self) -> str:
        return str(self.said)

    def __hash__(self) -> int:
        return hash(self.said)


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
    asked : tuple of Question
        The `questions`, to be said in any language, with their answers.
    heads : dict
        Column → all its heads, where files of several makes differ.
    keys : dict
        Further keys of the section, such as ``day_first``.
    """

    kind: str
    files: tuple[str, ...]
    columns: dict[str, str]
    units: dict[str, str]
    clues: pd.DataFrame
    asked: tuple[Question, ...] = ()
    heads: dict[str, tuple[str, ...]] = field(default_factory=dict)
    keys: dict[str, Any] = field(default_factory=dict)

    __repr__ = short_repr

    @property
    def table(self) -> pd.DataFrame:
        """One row per proposed column, in the language in use: ``column, head, reason``."""
        return self.clues.assign(reason=[str(reason) for reason in self.clues["reason"]])

    @property
    def questions(self) -> tuple[str, ...]:
        """What the files do not tell and must be answered in the trial file."""
        return tuple(map(str, self.asked))

    def answered(self, question: Question, choice: int) -> Proposal:
        """Give the proposal with one of its questions answered by one of its choices."""
        _, given = question.choices[choice]
        columns, keys = dict(self.columns), dict(self.keys)
        for key, value in given.items():
            if key == "columns":
                columns |= value
            else:
                keys[key] = {**keys.get(key, {}), **value} if isinstance(value, Mapping) else value
        left = tuple(q for q in self.asked if q is not question)
        return replace(self, columns=columns, keys=keys, asked=left)

    def _with_likely(self) -> Proposal:
        """Give the proposal with the suggested answers in its keys; the questions stay open."""
        filled = self
        for question in self.asked:
            if question.likely is not None:
                filled = filled.answered(question, question.likely)
        return replace(filled, asked=self.asked)

    def settings(self) -> dict[str, Any]:
        """Give the keys of the section and their values, as the trial file holds them."""
        heads = {c: list(h) if isinstance(h, tuple) else h for c, h in self._heads().items()}
        out: dict[str, Any] = {"files": list(self.files), "columns": heads}
        return out | ({"units": dict(self.units)} if self.units else {}) | self.keys

    def _heads(self) -> dict[str, str | tuple[str, ...]]:
        return {**self.columns, **self.heads}

    def section(self) -> str:
        """Write the proposal as lines for the trial file."""
        lines = [f"[logs.{self.kind}]", "files = [" + ", ".join(map(_quote, self.files)) + "]"]
        if self.columns:
            lines.append(f"columns = {{ {_pairs(self._heads())} }}")
        if self.units:
            lines.append(f"units = {{ {_pairs(self.units)} }}")
        lines += [_key_line(key, value) for key, value in self.keys.items()]
        lines += [f"# {message('proposal.open', question=q)}" for q in self.asked]
        # what names suggest is never taken unseen: the file is not read until somebody says so
        guessed = {k: v for k, v in self._with_likely().keys.items() if v != self.keys.get(k)}
        lines += [
            f"# {message('proposal.check', line=_key_line(k, v))}" for k, v in guessed.items()
        ]
        return "\n".join(lines)

    def reasons(self) -> list[str]:
        """Say of each column why it was chosen, in the language in use."""
        return [
            str(message("proposal.column", column=column, head=repr(head), reason=reason))
            for column, head, reason in self.clues.itertuples(index=False)
        ]

    def __str__(self) -> str:
        reasons = [f"  {reason}" for reason in self.reasons()]
        asked = [f"  ? {question}" for question in self.questions]
        title = str(message("proposal.title", kind=self.kind))
        return "\n".join([title, *reasons, *asked, "", self.section()])


def _key_line(key: str, value: Any) -> str:
    """Write a key of the section with its value."""
    if isinstance(value, Mapping):
        return f"{key} = {{ {_pairs(value, quoted=True)} }}"
    return f"{key} = {str(value).lower()}"


def _quote(text: str) -> str:
    """Write text as a string of the trial file; JSON writes these the same way."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _pairs(pairs: Mapping[str, str | tuple[str, ...]], *, quoted: bool = False) -> str:
    names = {name: _quote(name) if quoted else name for name in pairs}
    return ", ".join(f"{names[name]} = {_listed(value)}" for name, value in pairs.items())


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
