"""The three parts of the trial in one picture: what the air did, what it gave, what it used.

Heights are counted in points from the top, so that words and rows fit whatever the numbers are.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from trialkit.figures.rows import strike_out
from trialkit.fit_text import lanes, width_of
from trialkit.style import DRY, FLAG, PAPER, RULE, SOFT, WASH, WET, Look

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from trialkit.figures.trial_tables import TrialTables

Outline = list[tuple[float, float]]

FULL_POINTS = 8.0  #: points outside the band that fill a strip from edge to edge
LANE = 9.0  #: height of a line that names a fault, in points
_SMALL = 7.4  # size of the words that name a fault
_FAINT = 0.1  # points outside the band that are too few to be drawn


@dataclass(frozen=True)
class Row:
    """One run at its height.

    Parameters
    ----------
    run : mapping
        A row of the table of runs.
    y : float
        Middle of the row, in points from the top.
    tall : float
        Height of its strip, in points.
    """

    run: Mapping[Any, Any]
    y: float
    tall: float

    @property
    def top(self) -> float:
        """Upper edge of its strip."""
        return self.y - self.tall / 2

    @property
    def bottom(self) -> float:
        """Lower edge of its strip."""
        return self.y + self.tall / 2


@dataclass(frozen=True)
class FaultWord:
    """The name of a fault, placed under its strip."""

    text: str
    left: float
    lane: int


def fault_words(
    faults: Sequence[Mapping[Any, Any]], days: float, width: float
) -> tuple[FaultWord, ...]:
    """Place the names of a run's faults under its strip so that none covers another.

    Parameters
    ----------
    faults : sequence of mapping
        `start_day, words` of one run.
    days : float
        Days along the axis.
    width : float
        Width of the axis, in points.

    Returns
    -------
    tuple of FaultWord
        `left` in points from the left edge of the axis.
    """
    spans = []
    texts = list(dict.fromkeys((f["words"], f["start_day"]) for f in faults))
    for text, day in sorted(texts, key=lambda pair: pair[1]):
        wide = width_of(text, _SMALL) + 4
        left = max(0.0, min(day / max(days, 1e-9) * width, width - wide))
        spans.append((left, left + wide, text))
    where = lanes([(a, b) for a, b, _ in spans])
    return tuple(FaultWord(t, a, n) for (a, _, t), n in zip(spans, where, strict=True))


def draw_air(ax: Axes, rows: Sequence[Row], tables: TrialTables, look: Look) -> None:
    """Draw the strips of one group: the band, what lay outside it, flushes and faults."""
    air = dict(tuple(tables.air.groupby("run"))) if len(tables.air) else {}
    faults = dict(tuple(tables.faults.groupby("run"))) if len(tables.faults) else {}
    known = [row for row in rows if math.isfinite(row.run["last_day"])]
    strips = [_box(0, row.run["last_day"], row.top, row.bottom) for row in known]
    _fill(ax, strips, facecolor=PAPER, edgecolor=RULE, linewidth=0.5, zorder=1)
    _draw_strips(ax, [(air[row.run["run"]], row) for row in rows if row.run["run"] in air])
    for row in rows:
        if row.run["run"] in faults:
            _draw_faults(ax, faults[row.run["run"]].to_dict("records"), row)
    _draw_flushes(ax, rows, tables.flushes, look)


def _box(left: float, right: float, top: float, bottom: float) -> Outline:
    return [(left, top), (right, top), (right, bottom), (left, bottom)]


def _fill(ax: Axes, outlines: Sequence[Outline], **style: Any) -> None:
    """Fill outlines that look alike, as one path: it is drawn much faster than many."""
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path

    if outlines:
        whole = Path.make_compound_path(*(Path([*o, o[0]], closed=True) for o in outlines))
        ax.add_artist(PathPatch(whole, **style))  # the limits of the axes are set already


def _draw_strips(ax: Axes, strips: Sequence[tuple[pd.DataFrame, Row]]) -> None:
    """Draw the band where there are records, dry from below and wet from above."""
    band: list[Outline] = []
    outside: dict[str, list[Outline]] = {DRY: [], WET: []}
    for strip, row in strips:
        first, last, dry, wet = (
            strip[name].to_numpy(float).tolist() for name in ("start_day", "stop_day", "dry", "wet")
        )
        for a, b in _stretches([math.isfinite(v) for v in dry]):
            band.append(_box(first[a], last[b - 1], row.top, row.bottom))
        for values, edge, way, color in ((dry, row.bottom, -1, DRY), (wet, row.top, 1, WET)):
            shown = [math.isfinite(v) and v >= _FAINT for v in values]
            for a, b in _stretches(shown):
                outline = [(first[a], edge)]
                for i in range(a, b):
                    height = edge + way * row.tall * min(values[i] / FULL_POINTS, 1.0)
                    outline += [(first[i], height), (last[i], height)]
                outside[color].append([*outline, (last[b - 1], edge)])
    _fill(ax, band, facecolor=WASH, linewidth=0, zorder=1.1)
    for color, outlines in outside.items():
        _fill(ax, outlines, facecolor=color, linewidth=0, zorder=1.2)


def _stretches(wanted: Sequence[bool]) -> list[tuple[int, int]]:
    """Find stretches of True: (first, one past last) pairs."""
    out, begun = [], None
    for i, yes in enumerate([*wanted, False]):
        if yes and begun is None:
            begun = i
        elif not yes and begun is not None:
            out.append((begun, i))
            begun = None
    return out


def _draw_faults(ax: Axes, faults: Sequence[Mapping[Any, Any]], row: Row) -> None:
    """Mark what was doubted, what is missing and mist that did not come; name each below."""
    left, right = ax.get_xlim()
    span = right - left
    width = ax.bbox.width / ax.figure.dpi * 72
    least = 2.0 / width * span  # so that a short fault is seen at all
    for fault in faults:
        a, b = fault["start_day"], max(fault["stop_day"], fault["start_day"] + least)
        place = [_box(a, b, row.top, row.bottom)]
        if fault["kind"] == "gap":
            _fill(ax, place, facecolor=PAPER, edgecolor=SOFT, hatch="////", linewidth=0, zorder=1)
        elif fault["kind"] == "mist":
            _fill(ax, place, facecolor="none", edgecolor=FLAG, linewidth=1.3, zorder=4)
            continue
        ax.plot([a, b], [row.bottom] * 2, color=FLAG, linewidth=2.0, solid_capstyle="butt")
    for word in fault_words(faults, span, width):
        ax.text(
            left + word.left / width * span,
            row.bottom + 1.6 + LANE * word.lane,
            word.text,
            fontsize=_SMALL,
            color=FLAG,
            ha="left",
            va="top",
        )


def _draw_flushes(ax: Axes, rows: Sequence[Row], flushes: pd.DataFrame, look: Look) -> None:
    """Draw one mark for each flush; its area is the weight."""
    most_g = float(flushes["weight_g"].max()) if len(flushes) else 1.0
    picked = dict(tuple(flushes.groupby("run"))) if len(flushes) else {}
    days: list[float] = []
    heights: list[float] = []
    sizes: list[float] = []
    for row in rows:
        own = picked.get(row.run["run"], flushes.head(0))
        largest = (row.tall * 1.02) ** 2
        days += own["day"].tolist()
        heights += [row.y] * len(own)
        sizes += [max(largest * float(g) / most_g, 3.0) for g in own["weight_g"]]
    if not days:
        return
    ax.scatter(
        days,
        heights,
        s=sizes,
        marker=look.mark,
        facecolor=look.color,
        edgecolor=PAPER,
        linewidth=0.6,
        zorder=5,
        clip_on=False,
    )


def draw_yields(ax: Axes, rows: Sequence[Row], heights: Sequence[float], look: Look) -> None:
    """Draw one open mark for each run at its height; strike out those that lack a flush."""
    pairs = [(row.run, y) for row, y in zip(rows, heights, strict=True)]
    pairs = [(run, y) for run, y in pairs if math.isfinite(run["value"])]
    known = [(run["value"], y) for run, y in pairs]
    if not known:
        return
    values, places = zip(*known, strict=True)
    ax.plot(
        values,
        places,
        linestyle="none",
        marker=look.mark,
        markersize=5.0,
        markerfacecolor="none",
        markeredgecolor=look.color,
        markeredgewidth=1.1,
        zorder=3,
    )
    strike_out(ax, [(run["value"], y) for run, y in pairs if run.get("lacks")], look)


def draw_uses(ax: Axes, rows: Sequence[Row], look: Look, column: str) -> None:
    """Draw a pale bar for each run's water, or its electricity."""
    known = [row for row in rows if math.isfinite(row.run[column])]
    bars = [_box(0, row.run[column], row.top, row.bottom) for row in known]
    _fill(ax, bars, facecolor=look.color, alpha=0.4, linewidth=0, zorder=1)
