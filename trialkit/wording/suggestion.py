"""Which name was meant, said in the language in use."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass

from trialkit.wording.catalogue import Wording
from trialkit.wording.message import Message, message, spoken


@dataclass(frozen=True)
class Either:
    """Names joined by the language's *or*.

    Examples
    --------
    >>> str(Either(("B1", "B2")))
    "'B1' or 'B2'"
    """

    names: tuple[str, ...]

    def said_in(self, wording: Wording, /) -> str:
        """Give the names in a language."""
        return wording.listed([repr(name) for name in self.names], "or")

    def __str__(self) -> str:
        return self.said_in(spoken())


def suggestion(word: str, known: Iterable[str], *, list_all: bool = False) -> Message:
    """Suggest the known names that are nearest to a word.

    Parameters
    ----------
    word : str
    known : iterable of str
    list_all : bool
        Whether all known names are listed where none is near; else only a dozen at most.

    Examples
    --------
    >>> str(suggestion("B2-T3-tpo-1", ["B2-T3-top-1", "B1-T1-bottom-3"]))
    "did you mean 'B2-T3-top-1'?"
    """
    names, word = list(known), word.strip()
    close = difflib.get_close_matches(word, names, n=3, cutoff=0.5 if list_all else 0.6)
    if len(close) > 1:
        ratio = [difflib.SequenceMatcher(None, word, c).ratio() for c in close]
        close = [c for c, r in zip(close, ratio, strict=True) if r > ratio[0] - 0.06]
    if close:
        return message("suggestion.meant", names=Either(tuple(close)))
    if names and (list_all or len(names) <= 12):
        return message("suggestion.known", names=names)
    return message("suggestion.labels")
