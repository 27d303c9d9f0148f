"""Which chamber a file belongs to, where no column says it."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from pathlib import PurePosixPath

from trialkit.errors import LogError
from trialkit.logs.text.files import matches_file
from trialkit.logs.text.names import suggest


def chamber_of_file(file: str, chambers: Sequence[str], given: Mapping[str, str], kind: str) -> str:
    """Give the chamber that a file belongs to, from the trial file or from its name.

    Raises
    ------
    LogError
        If the name holds no chamber, or more than one.

    Examples
    --------
    >>> chamber_of_file("logs/climate_T1.csv.gz", ["T1", "T2"], {}, "environment")
    'T1'
    """
    for pattern, chamber in given.items():
        if matches_file(file, pattern):
            if chamber not in chambers:
                raise LogError(
                    f"{file}: the trial file gives it to {chamber!r}, which is no chamber "
                    f"→ {suggest(chamber, chambers)}"
                )
            return chamber
    stem = PurePosixPath(file).name
    hits = _tokens(stem, chambers) or _tokens(file, chambers)
    if len(hits) == 1:
        return hits[0]
    what = "holds no chamber" if not hits else f"holds several chambers ({', '.join(hits)})"
    raise LogError(
        f"{file}: there is no chamber column and the file name {what} "
        f'→ add chamber = {{ "{stem}" = "{chambers[0]}" }} to [logs.{kind}], or name the column'
    )


def _tokens(text: str, chambers: Sequence[str]) -> list[str]:
    return [
        c
        for c in chambers
        if re.search(rf"(?<![A-Za-z0-9]){re.escape(c)}(?![A-Za-z0-9])", text, re.IGNORECASE)
    ]
