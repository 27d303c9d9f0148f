"""Plain words for units and counts, used in messages and tables."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path


def plural(name: str) -> str:
    """Give the plural of a unit's name.

    Examples
    --------
    >>> plural("batch"), plural("shelf"), plural("tray")
    ('batches', 'shelves', 'trays')
    """
    if name.endswith(("ch", "sh", "s", "x")):
        return name + "es"
    return name[:-1] + "ves" if name.endswith("f") else name + "s"


def units_in_words(term: Sequence[str]) -> str:
    """Name the units of a stratum in plain words, in the plural.

    Examples
    --------
    >>> units_in_words(("batch", "chamber")), units_in_words(("block", "plot"))
    ('chamber runs', 'plots within blocks')
    """
    if tuple(term) == ("batch", "chamber"):
        return "chamber runs"
    if tuple(term[:2]) == ("batch", "chamber"):
        rest = " within ".join(plural(name) for name in reversed(term[2:]))
        return f"{rest} within chamber runs"
    return " within ".join(plural(name) for name in reversed(term))


def quoted(path: Path) -> str:
    """Write a path as it is typed after a command, in quotes where it has blanks.

    Examples
    --------
    >>> quoted(Path("my trial")), quoted(Path("mine"))
    ('"my trial"', 'mine')
    """
    text = str(path)
    return f'"{text}"' if " " in text else text
