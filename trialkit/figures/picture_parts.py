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
    from matplotlib.axes import Axes

    from trialkit.figures.trial_tables import TrialTables

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
    most_g = float(tables.flushes["weight_g"].max()) if len(tables.flushes) else 1.0
    air = dict(tuple(tables.air.groupby("run"))) if len(tables.air) else {}
    flushes = dict(tuple(tables.flushes.groupby("run"))) if len(tables.flushes) else {}
    faults = dict(tuple(tables.faults.groupby("run"))) if len(tables.faults) else {}
    for row in rows:
        name, last = row.run["run"], row.run["last_day"]
        top, bottom = row.y - row.tall / 2, row.y + row.tall / 2
        if math.isfinite(last):
            _box(ax, 0, last, top, bottom, facecolor=PAPER, edgecolor=RULE, linewidth=0.5)
        if name in air:
            _draw_strip(ax, air[name], top, bottom)
        if name in faults:
            _draw_faults(ax, faults[name].to_dict("records"), top, bottom)
        if name in flushes:
            own = flushes[name]
            _draw_flushes(ax, own["day"], own["weight_g"] / most_g, row, look)


def _box(ax: Axes, left: float, right: float, top: float, bottom: float, **style: Any) -> None:
    from matplotlib.patches import Rectangle

    options = {"zorder": 1, **style}
    ax.add_patch(Rectangle((left, top), right - left, bottom - top, **options))


def _draw_strip(ax: Axes, strip: Any, top: float, bottom: float) -> None:
    """Draw the band where there are records, dry from below and wet from above."""
    first, last = (strip[name].to_numpy(float) for name in ("start_day", "stop_day"))
    dry, wet = (strip[name].to_numpy(float) for name in ("dry", "wet"))
    for a, b in _stretches([math.isfinite(v) for v in dry]):
        _box(ax, first[a], last[b - 1], top, bottom, facecolor=WASH, linewidth=0, zorder=1.1)
    tall = bottom - top
    for values, edge, way, color in ((dry, bottom, -1, DRY), (wet, top, 1, WET)):
        shown = [math.isfinite(v) and v >= _FAINT for v in values]
        for a, b in _stretches(shown):
            outline = [(first[a], edge)]
            for i in range(a, b):
                height = edge + way * tall * min(values[i] / FULL_POINTS, 1.0)
                outline += [(first[i], height), (last[i], height)]
            _polygon(ax, [*outline, (last[b - 1], edge)], color)


def _polygon(ax: Axes, outline: list[tuple[float, float]], color: str) -> None:
    from matplotlib.patches import Polygon

    ax.add_patch(Polygon(outline, closed=True, facecolor=color, linewidth=0, zorder=1.2))


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


def _draw_faults(ax: Axes, faults: Sequence[Mapping[Any, Any]], top: float, bottom: float) -> None:
    """Mark what was doubted, what is missing and mist that did not come; name each below."""
    left, right = ax.get_xlim()
    span = right - left
    width = ax.bbox.width / ax.figure.dpi * 72
    least = 2.0 / width * span  # so that a short fault is seen at all
    for fault in faults:
        a, b = fault["start_day"], max(fault["stop_day"], fault["start_day"] + least)
        if fault["kind"] == "gap":
            _box(ax, a, b, top, bottom, facecolor=PAPER, edgecolor=SOFT, hatch="////", lw=0)
        elif fault["kind"] == "mist":
            _box(ax, a, b, top, bottom, facecolor="none", edgecolor=FLAG, linewidth=1.3, zorder=4)
            continue
        ax.plot([a, b], [bottom, bottom], color=FLAG, linewidth=2.0, solid_capstyle="butt")
    for word in fault_words(faults, span, width):
        ax.text(
            left + word.left / width * span,
            bottom + 1.6 + LANE * word.lane,
            word.text,
            fontsize=_SMALL,
            color=FLAG,
            ha="left",
            va="top",
        )


def _draw_flushes(ax: Axes, days: Any, shares: Any, row: Row, look: Look) -> None:
    """Draw one mark for each flush; its area is the weight."""
    largest = (row.tall * 1.02) ** 2
    sizes = [max(largest * float(s), 3.0) for s in shares]
    ax.scatter(
        list(days),
        [row.y] * len(sizes),
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
    for row in rows:
        if math.isfinite(row.run[column]):
            _box(
                ax,
                0,
                row.run[column],
                row.y - row.tall / 2,
                row.y + row.tall / 2,
                facecolor=look.color,
                alpha=0.4,
                linewidth=0,
            )
