"""The text of the trial file: where a section or key stands, and which word was meant."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable

from trialkit.errors import Fault
from trialkit.visible_text import quote


def nearest(word: str, known: Iterable[str]) -> str:
    """Suggest the nearest known word, as the end of a sentence.

    Examples
    --------
    >>> nearest("titel", ["title", "seed"])
    "did you mean 'title'?"
    """
    known = list(known)
    near = known if len(known) * len(word) <= _WORTH_COMPARING else []
    close = difflib.get_close_matches(word, near, n=1, cutoff=0.5)
    if close:
        return f"did you mean {quote(close[0])}?"
    return f"known here: {', '.join(known)}" if known else "there is none to name yet"


#: Letters to be compared before a likely word is no longer looked for.
_WORTH_COMPARING = 20_000


_HEADER = re.compile(r"^\s*(\[{1,2})\s*([^\]]+?)\s*\]{1,2}")
_KEY = re.compile(
    r"""^\s*((?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*')(?:\s*\.\s*(?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*'))*)\s*="""
)
_PART = re.compile(r"""[A-Za-z0-9_-]+|"[^"]*"|'[^']*'""")


class Places:
    """Line numbers of sections and keys in a TOML text, for messages.

    A light scan, not a parser: keys inside inline tables get the line of the table.
    """

    def __init__(self, text: str) -> None:
        self._line: dict[tuple[str, ...], int] = {}
        section: tuple[str, ...] = ()
        entries: dict[tuple[str, ...], int] = {}  # tables of an array so far
        for number, line in enumerate(text.splitlines(), 1):
            header = _HEADER.match(line)
            key = _KEY.match(line)
            if key:
                path = section + self._parts(key.group(1))
                for end in range(len(section) + 1, len(path) + 1):
                    self._line.setdefault(path[:end], number)
            elif header:
                section = self._parts(header.group(2))
                if header.group(1) == "[[":
                    entries[section] = entries.get(section, -1) + 1
                    self._line.setdefault(section, number)
                    section = (*section, str(entries[section]))
                for end in range(1, len(section) + 1):
                    self._line.setdefault(section[:end], number)

    @staticmethod
    def _parts(text: str) -> tuple[str, ...]:
        return tuple(part.strip("\"'") for part in _PART.findall(text))

    @staticmethod
    def line_of(fault: Fault) -> int:
        """Find the line a fault names, for putting faults in file order; unplaced ones last."""
        found = re.search(r"\(line (\d{1,9})\)$", fault.where)
        return int(found.group(1)) if found else 10**9

    def where(self, *path: object) -> str:
        """Name a place as ``[section] key (line n)``, as near as the text allows."""
        parts = tuple(str(p) for p in path)
        shown = f"[{parts[0]}]" + (" " + ".".join(parts[1:]) if len(parts) > 1 else "")
        for end in range(len(parts), 0, -1):
            if parts[:end] in self._line:
                return f"{shown} (line {self._line[parts[:end]]})"
        return shown
