"""Which files a name or pattern means, in a folder that may hold anything."""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Collection, Iterator
from fnmatch import fnmatch
from pathlib import Path

from trialkit.errors import LogError

#: Names looked at before a search is given up.
MOST_NAMES = 200_000


def match_names(folder: Path, pattern: str) -> list[Path]:
    """List what fits a name or a pattern with ``*``, ``?``, ``[…]`` and ``**``.

    A name that is there as it is written is that name, also where it has ``[`` or ``*`` in it.
    Folders that are links are entered, but under ``**`` each real folder only once, so that links
    in a circle end. Names that begin with a dot fit only patterns that do.

    Parameters
    ----------
    folder : Path
    pattern : str
        Relative to the folder.

    Returns
    -------
    list of Path
        In order, below `folder`: files, folders and all else of that name.

    Raises
    ------
    LogError
        If there are more than `MOST_NAMES` names to look at.
    """
    if not pattern or "\0" in pattern:
        return []
    if kind_of(folder / pattern) != "nothing":
        return [folder / pattern]
    parts = [part for part in Path(pattern).parts if part != "."]
    search = _Search()
    return sorted(set(search.fitting(folder, parts)))


def file_name(words: str, ending: str, taken: Collection[str] = ()) -> str:
    """Make a file name of words that may hold any character, unlike those that are taken.

    Examples
    --------
    >>> file_name("humidity_left/a", ".png"), file_name("a:b", ".png", {"a_b.png"})
    ('humidity_left_a.png', 'a_b_2.png')
    """
    plain = re.sub(r"[^\w .+-]", "_", words).strip(" .")[:80] or "_"
    name, number = f"{plain}{ending}", 1
    while name.casefold() in {other.casefold() for other in taken}:
        number += 1
        name = f"{plain}_{number}{ending}"
    return name


def kind_of(path: Path) -> str:
    """Say what stands at a path: ``"file"``, ``"folder"``, ``"other"`` or ``"nothing"``.

    Examples
    --------
    >>> kind_of(Path("/")), kind_of(Path("/no/such/place"))
    ('folder', 'nothing')
    """
    try:
        mode = path.stat().st_mode
    except (OSError, ValueError):
        return "nothing"
    if stat.S_ISREG(mode):
        return "file"
    return "folder" if stat.S_ISDIR(mode) else "other"


class _Search:
    def __init__(self) -> None:
        self.seen = 0
        self.entered: set[tuple[str, int]] = set()

    def fitting(self, folder: Path, parts: list[str]) -> Iterator[Path]:
        """Give what fits the parts of a pattern below a folder."""
        if not parts:
            yield folder
            return
        first, rest = parts[0], parts[1:]
        if first == "**":
            yield from self._at_any_depth(folder, rest)
        elif not any(mark in first for mark in "*?["):
            if kind_of(folder / first) != "nothing":
                yield from self.fitting(folder / first, rest)
        else:
            for name in self._names(folder):
                if fnmatch(name, first) and (name[0] != "." or first[0] == "."):
                    yield from self.fitting(folder / name, rest)

    def _at_any_depth(self, top: Path, rest: list[str]) -> Iterator[Path]:
        """Give what fits below a folder and all folders in it, each real folder once."""
        waiting = [top]
        while waiting:
            folder = waiting.pop()
            here = (os.path.realpath(folder), len(rest))
            if here in self.entered:
                continue
            self.entered.add(here)
            if rest:
                yield from self.fitting(folder, rest)
            inside = [folder / name for name in self._names(folder) if name[0] != "."]
            kinds = {path: kind_of(path) for path in inside}
            if not rest:
                yield from (path for path in inside if kinds[path] in ("file", "other"))
            folders = [path for path in inside if kinds[path] == "folder"]
            # the last is entered first: real folders before links to them
            waiting += sorted(folders, key=lambda path: (path.is_symlink(), path), reverse=True)

    def _names(self, folder: Path) -> list[str]:
        try:
            names = sorted(os.listdir(folder))
        except OSError:
            return []
        self.seen += len(names)
        if self.seen > MOST_NAMES:
            raise LogError(
                f"{folder.name}/: more than {MOST_NAMES} names to look at → name the files more "
                "closely under files"
            )
        return names
