"""Where everything of the trial in one picture lies, before any of it is drawn."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from trialkit.figures.picture_parts import LANE, Row, fault_words
from trialkit.figures.picture_words import picture_note
from trialkit.fit_text import width_of, wrap
from trialkit.style import Look, looks
from trialkit.wording import Wording

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.figures.trial_tables import TrialTables

WIDE_IN = 10.3  #: width of the wide form
WORDS = 9.0  # size of most words, in points
LINE = 12.5  # height of a line of them
NOTE, NOTE_LINE = 8.0, 11.0  # size and line of what the marks mean
AXIS = 36.0  # numbers and name of an axis
MEAN = 18.0  # height of the row of a mean
_GAP = 16.0  # between parts that stand beside one another
_MOST_LABEL = 0.16  # of the width, for the names of runs
_MANY = 30  # runs from which rows are thinner


@dataclass(frozen=True)
class Space:
    """Where the parts of the picture lie, in points.

    Parameters
    ----------
    width : float
    label : float
        Width of the names of runs.
    air, gave, used : (left, width) or None
        The three parts; None where there is nothing to show.
    pitch : float
        Height of one run.
    """

    width: float
    label: float
    air: tuple[float, float] | None
    gave: tuple[float, float]
    used: tuple[float, float] | None
    pitch: float

    @property
    def small(self) -> float:
        """Size of the names of runs."""
        return min(8.2, self.pitch * 0.78)


@dataclass(frozen=True)
class Phrase:
    """Words at their place, in points from the corner of what they belong to."""

    text: str
    left: float
    top: float
    size: float = WORDS
    bold: bool = False


@dataclass(frozen=True)
class Group:
    """One level at its place.

    Parameters
    ----------
    row : mapping
        A row of the table of groups.
    look : Look
    top : float
        Top of its heading, in points from the top of the picture.
    phrases : tuple of Phrase
        Its heading and its answer, from the left edge of the picture.
    rows : tuple of Row
    mean_y : float
        Height of its mean.
    bottom : float
    """

    row: dict[Any, Any]
    look: Look
    top: float
    phrases: tuple[Phrase, ...]
    rows: tuple[Row, ...]
    mean_y: float
    bottom: float


def share_space(tables: TrialTables, width: float, *, pitch: float | None = None) -> Space:
    """Share the width among the parts there are."""
    runs = tables.runs
    pitch = (11.5 if len(runs) <= _MANY else 9.6) if pitch is None else pitch
    label = label_width(tables, width, min(8.2, pitch * 0.78)) + 8
    used = uses_of(tables)
    right = width - 6
    used_wide = 0.17 * width if used else 0.0
    air = bool(len(tables.air) or len(tables.flushes) or runs["last_day"].notna().any())
    free = right - label - (used_wide + _GAP if used else 0.0)
    gave_wide = 0.36 * free if air else free
    air_wide = free - gave_wide - _GAP
    gave_left = label + air_wide + _GAP if air else label
    return Space(
        width=width,
        label=label,
        air=(label, air_wide) if air else None,
        gave=(gave_left, gave_wide),
        used=(right - used_wide, used_wide) if used else None,
        pitch=pitch,
    )


def label_width(tables: TrialTables, width: float, size: float) -> float:
    """Give the width that the names of runs need, at most a share of the whole."""
    widest = max((width_of(str(n), size) for n in tables.runs["name"]), default=0.0)
    return min(widest, _MOST_LABEL * width)


def uses_of(tables: TrialTables) -> str:
    """Name the column of what runs used that is drawn; empty where there is none."""
    for name in ("water_l", "energy_kwh"):
        if tables.runs[name].notna().any():
            return name
    return ""


def thinner_pitch(tables: TrialTables, space: Space, spare: float) -> float:
    """Make rows thinner where the axes handed in are lower than the picture would be."""
    lacking = max(0.0, -spare)
    return max(3.0, space.pitch - lacking / max(1, len(tables.runs)))


def full_height(tables: TrialTables, space: Space, *, titled: bool, say: Wording) -> float:
    """Give the height that the whole picture needs."""
    top = title_height(tables, space.width) if titled else 0.0
    _, bottom = stack_groups(tables, space, top + heads_height(tables, space, say))
    note = note_height(tables, space.width, say) + 8 if titled else 0.0
    return bottom + AXIS + note


def stack_groups(tables: TrialTables, space: Space, top: float) -> tuple[list[Group], float]:
    """Put the groups one below the other; give them and where they end."""
    look = looks([str(x) for x in tables.groups["level"]])
    out, y = [], top
    for row in tables.groups.to_dict("records"):
        own = tables.runs[tables.runs["level"] == row["level"]]
        phrases = _headings(row, space)
        first = y + heading_height(phrases)
        rows, below = place_rows(tables, own, first, space.pitch, space.air)
        lines = 0 if space.used is None else len(used_lines(row, space.used[1]))
        bottom = below + max(MEAN, LINE * lines) + 9
        out.append(Group(row, look[row["level"]], y, phrases, rows, below + MEAN / 2, bottom))
        y = bottom
    return out, y


def _headings(row: dict[Any, Any], space: Space) -> tuple[Phrase, ...]:
    """Give a group's heading on the left, and its answer in the middle or below."""
    left, wide = space.air or space.gave
    named = name_phrases(row, left, wide)
    low = 0.0 if space.air else named[-1].top + LINE
    left, wide = space.gave
    wide = (space.used[0] + space.used[1] if space.used else left + wide) - left
    told = told_phrases(str(row["verdict"]), left, wide, low)
    if space.air:  # both end just above the first run
        down = told[-1].top - named[-1].top if told else 0.0
        named = tuple(replace(p, top=p.top + max(0.0, down)) for p in named)
        told = tuple(replace(p, top=p.top + max(0.0, -down)) for p in told)
    return (*named, *told)


def heading_height(phrases: tuple[Phrase, ...]) -> float:
    """Give the height of a heading."""
    return max(phrase.top for phrase in phrases) + LINE + 2


def name_phrases(row: dict[Any, Any], left: float, wide: float) -> tuple[Phrase, ...]:
    """Name a level, with its setting beside it, or below where both are too long."""
    name, setting = str(row["level"]), str(row["setting"])
    big = WORDS + 1
    beside = width_of(name, big, bold=True) + 7
    if beside + width_of(setting, WORDS) <= wide:
        first = Phrase(name, left, 0.0, big, bold=True)
        return (first, Phrase(setting, left + beside, 1.0)) if setting else (first,)
    names = wrap(name, wide, big, bold=True)
    lines = [(text, big, True) for text in names]
    lines += [(text, WORDS, False) for text in wrap(setting, wide, WORDS)]
    return tuple(Phrase(t, left, LINE * i, size, bold) for i, (t, size, bold) in enumerate(lines))


def told_phrases(told: str, left: float, wide: float, top: float = 0.0) -> tuple[Phrase, ...]:
    """Break an answer into lines."""
    lines = wrap(told, wide, WORDS, bold=True)
    return tuple(Phrase(t, left, top + LINE * i, bold=True) for i, t in enumerate(lines))


def place_rows(
    tables: TrialTables,
    runs: pd.DataFrame,
    first: float,
    pitch: float,
    air: tuple[float, float] | None,
) -> tuple[tuple[Row, ...], float]:
    """Give each run its height, with room for the names of its faults; and where they end."""
    faults: dict[Any, list[dict[Any, Any]]] = {}
    for fault in tables.faults.to_dict("records"):
        faults.setdefault(fault["run"], []).append(fault)
    rows, y, days = [], first, days_of(tables)
    for run in runs.to_dict("records"):
        rows.append(Row(run, y + pitch / 2, pitch * 0.74))
        names = fault_words(faults.get(run["run"], []), days, air[1]) if air else ()
        y += pitch + LANE * (1 + max((w.lane for w in names), default=-1))
    return tuple(rows), y


def days_of(tables: TrialTables) -> float:
    """Give the days along the axis."""
    known = [float(d) for d in tables.runs["last_day"] if math.isfinite(d)]
    picked = [float(d) for d in tables.flushes["day"]]
    return max([*known, *picked, 1.0])


def used_lines(row: dict[Any, Any], wide: float) -> list[str]:
    """Break what a group used into lines."""
    return wrap(str(row["used"]), wide, WORDS, bold=True)


def title_size(width: float) -> float:
    """Give the size of the answer above the picture."""
    return 15.0 if width > 400 else 11.5


def title_height(tables: TrialTables, width: float) -> float:
    """Give the height of the title and what stands below it."""
    size = title_size(width)
    lines = len(wrap(tables.title, width, size, bold=True))
    small = len(wrap(tables.subtitle, width, WORDS))
    return lines * size * 1.25 + small * LINE + 12


def note_height(tables: TrialTables, width: float, say: Wording) -> float:
    """Give the height of what the marks mean."""
    return len(wrap(picture_note(tables, say), width, NOTE)) * NOTE_LINE


def part_heads(tables: TrialTables, space: Space, say: Wording) -> list[tuple[float, list[str]]]:
    """Give the lines above the three parts."""
    out = []
    for place, key in (
        (space.air, "air" if len(tables.air) else "picked"),
        (space.gave, "gave"),
        (space.used, "used"),
    ):
        if place is not None:
            out.append((place[0], wrap(say.text(f"picture.{key}"), place[1], WORDS + 0.5)))
    return out


def heads_height(tables: TrialTables, space: Space, say: Wording) -> float:
    """Give the height of the lines above the three parts."""
    return LINE * max(len(lines) for _, lines in part_heads(tables, space, say)) + 6
