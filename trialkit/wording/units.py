"""Names of units in plain words, in the language in use: a batch, chamber runs, shelves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from trialkit.wording.catalogue import Wording
from trialkit.wording.message import spoken

_RUN = ("batch", "chamber")
_START = ("time_block", "start")


@dataclass(frozen=True)
class Units:
    """The units of a stratum, said in the language of whoever shows them.

    Parameters
    ----------
    term : tuple of str
        Factors of the stratum, such as ``("batch", "chamber")``.
    count : int
        How many: 1 gives the singular.

    Examples
    --------
    >>> str(Units(("batch", "chamber"))), str(Units(("block",), 1))
    ('chamber runs', 'block')
    """

    term: tuple[str, ...]
    count: int = 2

    def said_in(self, wording: Wording, /) -> str:
        """Give the name in a language."""
        term = tuple(self.term)
        if term[:2] == _START:  # a start within its time block is a batch
            term = ("batch", *term[2:])
        if term[:2] != _RUN:
            names, outer = list(reversed(term)), ""
        else:
            names, outer = list(reversed(term[2:])), _named(wording, "run", self.count)
        if not names:
            return outer
        first = _named(wording, names[0], self.count)
        others = [_named(wording, name, 2) for name in names[1:]]
        others += [_named(wording, "run", 2)] * bool(outer)
        for name in others:
            first = wording.text("unit.within", inner=first, outer=name)
        return first

    def __str__(self) -> str:
        return self.said_in(spoken())


def _named(wording: Wording, name: str, count: int) -> str:
    """Name one kind of unit; a name of the user's own gets an English plural in English only."""
    key = f"unit.{name}"
    if f"{key}.other" in wording.entries:
        return wording.entries[f"{key}.{wording.form(key, count)}"]
    return name if count == 1 or wording.language != "en" else _english_plural(name)


def _english_plural(name: str) -> str:
    if name.endswith(("ch", "sh", "s", "x")):
        return name + "es"
    return name[:-1] + "ves" if name.endswith("f") else name + "s"


def plural(name: str) -> str:
    """Give the plural of a unit's name in the language in use.

    Examples
    --------
    >>> plural("batch"), plural("shelf"), plural("tray")
    ('batches', 'shelves', 'trays')
    """
    return str(Units((name,)))


def units_in_words(term: Sequence[str]) -> str:
    """Name the units of a stratum in the plural, in the language in use.

    Examples
    --------
    >>> units_in_words(("batch", "chamber")), units_in_words(("block", "plot"))
    ('chamber runs', 'plots within blocks')
    """
    return str(Units(tuple(term)))
