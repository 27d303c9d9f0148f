"""The shared frame of interval figures: one row per level, an interval and its raw points."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from trialkit.style import INK, PAPER, SAND, SOFT, Look, is_narrow
from trialkit.wording import Wording

if TYPE_CHECKING:
    from matplotlib.axes import Axes

ROW_IN = 0.62  # height of one row, inches
MARGINS_IN = 1.15  # axis label, ticks and note


def height_for(rows: int) -> float:
    """Give the height of a figure that holds so many rows, in inches."""
    return MARGINS_IN + ROW_IN * max(rows, 1)


def spread(values: Sequence[float], *, width: float, step: float = 0.075) -> list[float]:
    """Move points that would cover one another apart, the same way every time.

    Parameters
    ----------
    values : sequence of float
        Places along the axis, in data units.
    width : float
        Distance within which two points touch, in data units.
    step : float
        How far a point moves sideways, in rows.

    Returns
    -------
    list of float
        One sideways move per value, in the order given; the first of a heap stays at 0.

    Examples
    --------
    >>> spread([1.0, 1.01, 5.0], width=0.1)
    [0.0, 0.075, 0.0]
    """
    moves = [0.0] * len(values)
    placed: list[tuple[float, int]] = []
    for i in sorted(range(len(values)), key=lambda k: (values[k], k)):
        taken = {lane for at, lane in placed if abs(at - values[i]) < width}
        lane = next(k for k in range(len(values) + 1) if k not in taken)
        placed.append((values[i], lane))
        moves[i] = step * lane
    return moves


def draw_points(ax: Axes, values: Sequence[float], y: float, look: Look) -> None:
    """Draw the raw points of one row just under its interval."""
    if not values:
        return
    low, high = ax.get_xlim()
    moves = spread(list(values), width=(high - low) / 60)
    ax.plot(
        values,
        [y + 0.2 + m for m in moves],
        linestyle="none",
        marker=look.mark,
        markersize=4.4,
        markerfacecolor="none",
        markeredgecolor=look.color,
        markeredgewidth=1.0,
        zorder=3,
    )


def draw_interval(ax: Axes, estimate: float, low: float, high: float, y: float, look: Look) -> bool:
    """Draw one estimate with its interval; open ends get arrows at the edge of the axes.

    Returns
    -------
    bool
        Whether there was anything to draw.
    """
    if not math.isfinite(estimate):
        return False
    left, right = ax.get_xlim()
    a = left if not math.isfinite(low) else low
    b = right if not math.isfinite(high) else high
    ax.plot([a, b], [y, y], color=look.color, linewidth=3.4, solid_capstyle="butt", zorder=4)
    for end, open_end, arrow in ((a, low, "<"), (b, high, ">")):
        mark = "|" if math.isfinite(open_end) else arrow
        ax.plot([end], [y], color=look.color, marker=mark, markersize=9, linestyle="none", zorder=4)
    ax.plot(
        [estimate],
        [y],
        marker=look.mark,
        markersize=9.5,
        markerfacecolor=look.color,
        markeredgecolor=PAPER,
        markeredgewidth=1.2,
        linestyle="none",
        zorder=5,
    )
    return True


def set_rows(ax: Axes, labels: Sequence[str], *, dense: bool = False) -> None:
    """Label the rows, the first on top, and hide the axis line that means nothing here.

    Names stand beside the rows, on a phone above them unless the rows are dense.
    """
    if is_narrow() and not dense:
        _labels_above(ax, labels)
        labels = [""] * len(labels)
    ax.set_yticks(range(len(labels)), list(labels))
    for word in ax.get_yticklabels():
        word.set_parse_math(False)  # names come from users' files, also on axes handed in
    ax.set_ylim(len(labels) - 0.35, -0.65)
    ax.spines["left"].set_visible(False)
    ax.tick_params(axis="y", length=0)


def _labels_above(ax: Axes, labels: Sequence[str]) -> None:
    """Write the name of each row above it: a phone has no room beside."""
    for i, label in enumerate(labels):
        ax.annotate(
            " · ".join(label.split("\n")),
            xy=(0.0, i),
            xycoords=("axes fraction", "data"),
            xytext=(0, 8),
            textcoords="offset points",
            fontsize=9,
            color=INK,
            ha="left",
            va="bottom",
            parse_math=False,
        )


def set_range(ax: Axes, values: Sequence[float], *, pad: float = 0.06) -> None:
    """Set the horizontal range from the finite values, with a little room."""
    finite = [v for v in values if math.isfinite(v)]
    if not finite:
        ax.set_xlim(0, 1)
        return
    low, high = min(finite), max(finite)
    room = (high - low) * pad or abs(high) * 0.1 or 1.0
    ax.set_xlim(low - room, high + room)


def draw_margin(
    ax: Axes, edge: float, reference: float, *, wording: Wording, margin_pct: float
) -> None:
    """Shade the loss that would still be accepted, and mark its limit."""
    low, high = sorted((edge, reference))
    ax.axvspan(low, high, color=SAND, linewidth=0, zorder=0)
    ax.axvline(reference, color=SOFT, linewidth=1.0, zorder=1)
    ax.axvline(edge, color=INK, linewidth=1.2, linestyle=(0, (4, 2)), zorder=1)
    words = wording.text("figure.margin", margin=wording.number(margin_pct))
    ax.annotate(
        words,
        xy=(edge, 1.0),
        xycoords=("data", "axes fraction"),
        xytext=(3, 3),
        textcoords="offset points",
        fontsize=8.5,
        color=INK,
        ha="left",
        va="bottom",
    )


def side_label(ax: Axes, text: str, y: float) -> None:
    """Write the numbers of a row at its right end; on a phone above it."""
    narrow = is_narrow()
    ax.annotate(
        text,
        xy=(1.0, y),
        xycoords=("axes fraction", "data"),
        xytext=(0, 8) if narrow else (8, 0),
        textcoords="offset points",
        fontsize=9,
        color=INK,
        ha="right" if narrow else "left",
        va="bottom" if narrow else "center",
        annotation_clip=False,
    )


def legend_above(ax: Axes, *, most: int = 4) -> None:
    """Name the lines above the axes, in as many columns as their names leave room for.

    Parameters
    ----------
    ax : Axes
    most : int
        Most columns.
    """
    from trialkit.figures.fit_text import width_of

    fig: Any = ax.get_figure(root=True)
    room = ax.get_window_extent().width / fig.dpi * 72
    names = [str(name) for name in ax.get_legend_handles_labels()[1]]
    widest = max((width_of(name, 9.0) for name in names), default=0.0) + 46
    columns = max(1, min(most, len(names), int(room // widest)))
    ax.legend(loc="lower left", bbox_to_anchor=(0, 1.0), ncols=columns, borderaxespad=0.2)


def number_axis(ax: Axes, wording: Wording, *, axis: str = "x", sign: bool = False) -> None:
    """Write the numbers of an axis as the reader's locale does."""
    from matplotlib.ticker import MaxNLocator

    from trialkit.figures.ticks import LocaleNumbers

    which: Any = ax.xaxis if axis == "x" else ax.yaxis
    which.set_major_locator(MaxNLocator(nbins=6, steps=[1, 2, 2.5, 5, 10]))
    which.set_major_formatter(LocaleNumbers(wording, sign=sign))
