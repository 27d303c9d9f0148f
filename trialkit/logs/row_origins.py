"""Where the rows of a file come from: chamber, shelf and sensor."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from pathlib import PurePosixPath
from typing import NoReturn

import numpy as np

from trialkit.errors import LogError
from trialkit.logs.heads import WideColumn
from trialkit.logs.opening import Opened, Reading
from trialkit.logs.text.arrow import encode_cells
from trialkit.logs.text.names import match_names, suggest
from trialkit.trial.text import Places
from trialkit.wording import message, suggestion


def chambers_of_rows(
    opened: Opened,
    chambers: Sequence[str],
    given: Mapping[str, str],
    kind: str,
    also: Mapping[str, str] | None = None,
) -> np.ndarray:
    """Give the chamber of each row, from the chamber column or else from the file's name.

    Parameters
    ----------
    opened : Opened
    chambers : sequence of str
        The trial's chambers.
    given : mapping
        Cell → chamber, as the trial file says.
    kind : {"environment", "mist"}
    also : mapping, optional
        Another name of a chamber that was renamed → its name in the trial file.

    Returns
    -------
    ndarray of int
        Index of each row's chamber; -1 where it is none of the trial's, and the row is set aside.

    Raises
    ------
    LogError
        If there is no chamber column and the file's name does not tell.
    """
    head = opened.columns.heads.get("chamber")
    if head is None:
        name = chamber_of_file(opened.raw.name, chambers, opened.chamber, kind, also)
        return np.full(opened.raw.n, chambers.index(name))
    names = match_names(opened.raw.columns[head], chambers, given=given, also=also)
    unknown = np.flatnonzero(names.codes < 0)
    if len(unknown):
        cells = np.array(names.cells, dtype=object)[names.cell_of[unknown]]
        hints, section = {c: suggestion(c, chambers) for c in set(cells)}, f"[logs.{kind}]"
        opened.account.set_aside(
            unknown,
            rule="chamber unknown",
            column=head,
            old=cells,
            keepable=False,
            reason=message("row_reason.chamber_unknown"),
            remedy=[
                message("row_remedy.chamber_unknown", hint=hints[c], cell=c, section=section)
                if c.strip()
                else message("row_remedy.chamber_blank")
                for c in cells
            ],
        )
    return names.codes


def chamber_of_file(
    file: str,
    chambers: Sequence[str],
    given: str | None,
    kind: str,
    also: Mapping[str, str] | None = None,
) -> str:
    """Give the chamber that a file belongs to, from the trial file or from its name.

    Parameters
    ----------
    file : str
    chambers : sequence of str
        The trial's chambers.
    given : str or None
        The chamber that the trial file names for this file.
    kind : {"environment", "mist"}
    also : mapping, optional
        Another name of a chamber that was renamed → its name in the trial file.

    Raises
    ------
    LogError
        If the name holds no chamber, or more than one.

    Examples
    --------
    >>> chamber_of_file("logs/climate_T1.csv.gz", ["T1", "T2"], None, "environment")
    'T1'
    """
    other = dict(also or {})
    if given is not None:
        given = other.get(given, given)
        if given not in chambers:
            raise LogError(
                f"{file}: the trial file gives it to {given!r}, which is no chamber "
                f"→ {suggest(given, chambers)}"
            )
        return given
    stem = PurePosixPath(file).name
    every = (*chambers, *other)
    hits = _named_in(stem, every) or _named_in(file, every)
    hits = list(dict.fromkeys(other.get(name, name) for name in hits))
    if len(hits) == 1:
        return hits[0]
    what = "holds no chamber" if not hits else f"holds several chambers ({', '.join(hits)})"
    raise LogError(
        f"{file}: there is no chamber column and the file name {what} "
        f'→ add chamber = {{ "{stem}" = "…" }} to [logs.{kind}] (one of {", ".join(chambers)}), or '
        f"name the column; if a chamber was renamed, tell it by [[happened]] with renamed and to"
    )


def _named_in(text: str, chambers: Sequence[str]) -> list[str]:
    return [
        c
        for c in chambers
        if re.search(rf"(?<![A-Za-z0-9]){re.escape(c)}(?![A-Za-z0-9])", text, re.IGNORECASE)
    ]


def chamber_of_column(
    wide: WideColumn,
    chambers: Sequence[str],
    given: Mapping[str, str],
    file: str,
    also: Mapping[str, str] | None = None,
) -> int:
    """Give the index of the chamber that a column of a wide file belongs to.

    `also` gives other names of chambers that were renamed.

    Raises
    ------
    LogError
        If it is none of the trial's.
    """
    asked = {written.casefold(): chamber for written, chamber in given.items()}
    name = wide.chamber if wide.chamber in chambers else asked.get(wide.chamber.casefold(), "")
    name = name or (also or {}).get(wide.chamber, "")
    if name not in chambers:
        raise LogError(
            f"{file}: the column {wide.head!r} belongs to {wide.chamber!r}, which is no "
            f"chamber → {suggest(wide.chamber, chambers)}"
        )
    return chambers.index(name)


def refuse_two_columns(reading: Reading, file: str, one: WideColumn, two: WideColumn) -> NoReturn:
    """Refuse two columns of a wide file that the trial file gives to one chamber.

    Either of them alone would be read without a word, and the other would be lost.

    Raises
    ------
    LogError
        Always, with the line of the trial file.
    """
    kind, source = reading.kind, reading.trial.source
    chambers, given = reading.trial.levels["chamber"], reading.spec.chamber
    also = reading.trial.aliases.get("chamber")
    name = chambers[chamber_of_column(one, chambers, given, file, also)]
    try:
        places = Places(source.read_text(encoding="utf-8-sig"))
    except (OSError, ValueError):
        places = Places("")
    raise LogError(
        f"{file}: {name} is named twice, for {one.chamber!r} and {two.chamber!r}: the columns "
        f"{one.head!r} and {two.head!r} both have values in the same rows "
        f"→ correct {source.name}, {places.where('logs', kind, 'chamber')}; if both stand in "
        f"{name}, leave one of them out there"
    )


def shelves_of_rows(opened: Opened, shelves: Sequence[str]) -> np.ndarray | None:
    """Give the index of each row's shelf, -1 where there is none; None without a shelf column."""
    head = opened.columns.heads.get("shelf")
    if head is None:
        return None
    names = match_names(opened.raw.columns[head], shelves)
    cells = np.array([*names.cells, ""], dtype=object)
    strange = np.flatnonzero((names.codes < 0) & (cells[names.cell_of] != ""))
    if len(strange):
        opened.account.change(
            strange,
            rule="shelf unknown",
            column=head,
            old=cells[names.cell_of[strange]],
            new="",
            reason=message("row_reason.shelf_unknown"),
            remedy=message("suggestion.known", names=list(shelves)),
        )
    return names.codes


def sensors_of_rows(opened: Opened, given: Mapping[str, str]) -> tuple[tuple[str, ...], np.ndarray]:
    """Name the sensors of a file, by its column or as the trial file says; -1 where none is.

    Parameters
    ----------
    opened : Opened
    given : mapping
        Cell → name of the sensor, as the trial file says.

    Returns
    -------
    (tuple of str, ndarray of int)
        The sensors, and the index of each row's among them.
    """
    head = opened.columns.heads.get("sensor")
    if head is not None:
        texts, codes = encode_cells(opened.raw.columns[head])
        return tuple(given.get(t.strip(), t.strip()) for t in texts), codes
    if opened.sensor is not None:
        return (opened.sensor,), np.zeros(opened.raw.n, np.int64)
    return (), np.full(opened.raw.n, -1, np.int64)
