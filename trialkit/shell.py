"""Paths as they are typed in a shell."""

from __future__ import annotations

import os
import re
from pathlib import Path

from trialkit.visible_text import is_plain

_BARE = re.compile(r"[\w@%+=:,./\\-]+")
_IN_DOUBLE = re.compile(r"[\w@%+=:,./ ()\[\]{}#;&|<>*?~'-]+")


def quoted(path: Path, *, windows: bool = os.name == "nt") -> str:
    """Write a path as it is typed after a command, so that the shell takes it for that path.

    Parameters
    ----------
    path : Path
    windows : bool
        For a shell of Windows, where a file name holds no quotation mark.

    Examples
    --------
    >>> quoted(Path("my trial")), quoted(Path("mine")), quoted(Path("a$b"))
    ('"my trial"', 'mine', "'a$b'")
    """
    text = str(path)
    if text.startswith("-"):
        text = os.path.join(".", text)
    if _BARE.fullmatch(text) and (windows or "\\" not in text):
        return text
    if windows or _IN_DOUBLE.fullmatch(text):
        return f'"{text}"'
    if is_plain(text):
        return "'" + text.replace("'", "'\\''") + "'"
    return "$'" + "".join(map(_written_out, text)) + "'"


def _written_out(letter: str) -> str:
    """Write a letter as the shell's own notation for what cannot be seen has it."""
    if letter in "'\\":
        return f"\\{letter}"
    if is_plain(letter):
        return letter
    return "".join(f"\\x{byte:02x}" for byte in os.fsencode(letter))
