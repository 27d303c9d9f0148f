"""Paths as they are typed in a shell."""

from __future__ import annotations

from pathlib import Path


def quoted(path: Path) -> str:
    """Write a path as it is typed after a command, in quotes where it has blanks.

    Examples
    --------
    >>> quoted(Path("my trial")), quoted(Path("mine"))
    ('"my trial"', 'mine')
    """
    text = str(path)
    return f'"{text}"' if " " in text else text
