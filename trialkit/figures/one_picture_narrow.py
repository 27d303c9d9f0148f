"""The trial in one picture on a phone: the three parts one below the other for every group."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from trialkit.figures.picture_frames import (
    air_axes,
    draw_control,
    draw_mean,
    draw_note,
    draw_title,
    fill_axes,
    gave_axes,
    inset,
    used_axes,
    write,
    write_phrases,
)
from trialkit.figures.picture_parts import Row, draw_air, draw_uses, draw_yields
from trialkit.figures.picture_space import (
    AXIS,
    LINE,
    Phrase,
    heading_height,
    label_width,
    name_phrases,
    note_height,
    place_rows,
    title_height,
    told_phrases,
    used_lines,
    uses_of,
)
from trialkit.figures.rows import spread
from trialkit.fit_text import shorten
from trialkit.style import SOFT, Look, axes, looks
from trialkit.wording import Wording

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from trialkit.figures.trial_tables import TrialTables

_SMALL = 8.2  # size of the names of runs
_PITCH = 11.5  # height of a run
_HEAP = 5.5  # height of one layer of open marks
_BAR = 13.0  # height of the bar of what was used
_APART = 20.0  # between groups


@dataclass(frozen=True)
class _Block:
    """One group: its words, and from where to where each of its parts reaches."""

    row: dict[Any, Any]
    look: Look
    phrases: tuple[Phrase, ...]
    top: float
    rows: tuple[Row, ...]
    air: tuple[float, float] | None
    gave: tuple[float, float]
    used: tuple[float, float] | None
    bottom: float


def draw_narrow(
    tables: TrialTables, width: float, *, titled: bool, say: Wording, ax: Axes | None
) -> Axes:
    """Draw the picture group by group; see `trial_in_one_picture`."""
    label = label_width(tables, width, _SMALL) + 7
    place = (label, width - label - 8)
    top = title_height(tables, width) if titled else 0.0
    blocks = _stack(tables, place, width, top)
    end = blocks[-1].bottom if blocks else top
    note = note_height(tables, width, say) + 8 if titled else 0.0
    ax = axes(ax, width=width / 72, height=(end + note) / 72)
    ax, _ = fill_axes(ax, width, end + note)
    if titled:
        draw_title(ax, tables, width)
        draw_note(ax, tables, end + 4, width, say)
    for block in blocks:
        _draw_block(ax, tables, block, place, say)
    return ax


def _stack(
    tables: TrialTables, place: tuple[float, float], width: float, top: float
) -> list[_Block]:
    """Put the parts of every group one below the other."""
    look = looks([str(x) for x in tables.groups["level"]])
    out, y = [], top
    for row in tables.groups.to_dict("records"):
        runs = tables.runs[tables.runs["level"] == row["level"]]
        named = name_phrases(row, 2.0, width - 4)
        told = told_phrases(str(row["verdict"]), 2.0, width - 4, named[-1].top + LINE)
        phrases, at = (*named, *told), y
        y += heading_height(phrases) + 2
        shown = bool(len(tables.air) or len(tables.flushes) or runs["last_day"].notna().any())
        air, rows = None, tuple(Row(run, 0.0, 0.0) for run in runs.to_dict("records"))
        if shown:
            rows, below = place_rows(tables, runs, y, _PITCH, place)
            air, y = (y, below + 3), below + 3 + AXIS
        gave = (y, y + 14 + _HEAP * (1 + max(_layers(tables, rows), default=0)) + 14)
        y = gave[1] + AXIS + 10
        used = None
        if uses_of(tables):
            lines = len(used_lines(row, place[1]))
            used, y = (y, y + _BAR), y + _BAR + AXIS + LINE * lines
        out.append(_Block(row, look[row["level"]], phrases, at, rows, air, gave, used, y))
        y += _APART
    return out


def _layers(tables: TrialTables, rows: tuple[Row, ...]) -> list[int]:
    """Give the layer of each open mark, so that none covers another."""
    known = [float(v) for v in tables.runs["value"] if math.isfinite(v)]
    values = [float(row.run["value"]) for row in rows]
    near = (max(known) - min(known)) / 42 if known else 1.0
    return [round(v) for v in spread(values, width=near or 1.0, step=1.0)]


def _draw_block(
    ax: Axes, tables: TrialTables, block: _Block, place: tuple[float, float], say: Wording
) -> None:
    """Draw one group: its words, its strips, its yields and what it used."""
    write_phrases(ax, block.phrases, block.top, block.look)
    if block.air is not None:
        for row in block.rows:
            name = shorten(str(row.run["name"]), place[0] - 5, _SMALL)
            at = {"ha": "right", "va": "center_baseline"}
            write(ax, place[0] - 5, row.y, name, fontsize=_SMALL, color=SOFT, **at)
        draw_air(air_axes(inset(ax, place, block.air), tables, say), block.rows, tables, block.look)
    gave = gave_axes(inset(ax, place, block.gave), tables, say)
    draw_control(gave, tables, block.gave)
    draw_mean(gave, block.row, block.gave[0] + 10, block.look)
    heights = [block.gave[0] + 22 + _HEAP * n for n in _layers(tables, block.rows)]
    draw_yields(gave, block.rows, heights, block.look)
    if block.used is not None:
        _draw_used(ax, tables, block, place, say)


def _draw_used(
    ax: Axes, tables: TrialTables, block: _Block, place: tuple[float, float], say: Wording
) -> None:
    """Draw what a run of the group used on average, and say it per kilogram."""
    assert block.used is not None  # the caller has checked
    column = uses_of(tables)
    known = [row.run[column] for row in block.rows if math.isfinite(row.run[column])]
    mean = sum(known) / len(known) if known else math.nan
    bar = Row({column: mean}, (block.used[0] + block.used[1]) / 2, _BAR * 0.8)
    draw_uses(used_axes(inset(ax, place, block.used), tables, say), [bar], block.look, column)
    for i, line in enumerate(used_lines(block.row, place[1])):
        y = block.used[1] + AXIS + LINE * i
        write(ax, place[0], y, line, weight="bold", color=block.look.words)
