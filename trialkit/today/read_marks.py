"""What was seen of each log file the last time, so that files that are done need not be opened.

The marks stand in ``.cache/today.json`` in the trial's folder and may be deleted at any time.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from trialkit.logs.cache import ships
from trialkit.whole_files import write_whole


class Marks:
    """Size, time of change and last moment of each chamber, by file.

    Parameters
    ----------
    files : mapping
        Name → ``[size, changed_ns, {chamber: last moment}]``.
    """

    def __init__(self, files: Mapping[str, Any] | None = None) -> None:
        self.files: dict[str, Any] = dict(files or {})

    @classmethod
    def read(cls, folder: Path) -> Marks:
        """Read the marks of a trial's folder; none where there are none that can be read."""
        try:
            found = json.loads((folder / ".cache" / "today.json").read_text(encoding="utf-8"))
            return cls(
                {
                    str(name): [
                        int(size),
                        int(changed),
                        {str(c): dt.datetime.fromisoformat(m) for c, m in last.items()},
                    ]
                    for name, (size, changed, last) in found.items()
                }
            )
        except (OSError, ValueError, TypeError, AttributeError):
            return cls()

    def write(self, folder: Path) -> None:
        """Keep the marks; the demo as it ships and a folder that cannot be written keep none."""
        if ships(folder):
            return
        files = {
            name: [size, changed, {c: m.isoformat() for c, m in last.items()}]
            for name, (size, changed, last) in sorted(self.files.items())
        }
        try:
            write_whole(folder / ".cache" / "today.json", json.dumps(files, indent=0) + "\n")
            write_whole(folder / ".cache" / ".gitignore", "*\n")
        except OSError:
            return

    def unchanged(self, name: str, path: Path, since: dt.datetime) -> bool:
        """Whether a file is as it was and ended before a moment."""
        known = self.files.get(name)
        if known is None or [known[0], known[1]] != _state(path):
            return False
        return bool(known[2]) and all(moment < since for moment in known[2].values())

    def last(self, names: Iterable[str]) -> dict[str, dt.datetime]:
        """Give the last moment of each chamber over files."""
        out: dict[str, dt.datetime] = {}
        for name in names:
            for chamber, moment in self.files[name][2].items():
                out[chamber] = max(moment, out.get(chamber, moment))
        return out

    def put(self, name: str, path: Path, last: Mapping[str, dt.datetime]) -> None:
        """Keep what was seen of a file."""
        self.files[name] = [*_state(path), dict(last)]


def _state(path: Path) -> list[int]:
    there = path.stat()
    return [there.st_size, there.st_mtime_ns]
