"""The shared frame of interval figures: one row per level, an interval and its raw points."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from trialkit.fit_text import shorten, width_of, wrap
from trialkit.style import INK, PAPER, SAND, SOFT, Look, is_narrow
from trialkit.wording import Wording

if TYPE_CHECKING:
    from matplotlib.axes import Axes

ROW_IN = 0.62  # height of one row, inches
MARGINS_IN = 1.15  # axis label, ticks and note
_WORDS = 9.0  # size of words beside rows, in points
_LINE = 1.22  # height of a line, in sizes of its words
_BESIDE = 0.34  # share of the width that words at either end of the rows may take
_SIGN = 46.0  # width of a sign and of the space beside it in a legend, in points
_LINES_NAMED = 2  # lines of a name in a legend
_ABOVE = 0.4  # share of the width that either half of the words above a row may take


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


def draw_points(
    ax: Axes, values: Sequence[float], y: float, look: Look, *, struck: Sequence[bool] = ()
) -> None:
    """Draw the raw points of one row just under its interval; strike out those that say so."""
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
    places = zip(values, moves, struck or [False] * len(values), strict=True)
    strike_out(ax, [(v, y + 0.2 + move) for v, move, out in places if out], look)


def strike_out(ax: Axes, places: Sequence[tuple[float, float]], look: Look) -> None:
    """Strike out marks that are not whole, each by a cross through it."""
    if not places:
        return
    values, heights = zip(*places, strict=True)
    ax.plot(
        values,
        heights,
        linestyle="none",
        marker="x",
        markersize=8.0,
        markeredgecolor=look.color,
        markeredgewidth=1.1,
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
    most, lines = _BESIDE * _figure_width(ax), 1 if dense else _lines_in_a_row(ax, len(labels))
    ax.set_yticks(range(len(labels)), [_fitted(label, most, lines) for label in labels])
    for word in ax.get_yticklabels():
        word.set_parse_math(False)  # names come from users' files, also on axes handed in
    ax.set_ylim(len(labels) - 0.35, -0.8 if is_narrow() and not dense else -0.65)
    ax.spines["left"].set_visible(False)
    ax.tick_params(axis="y", length=0)


def _figure_width(ax: Axes) -> float:
    """Give the width of a figure, in points."""
    fig: Any = ax.get_figure(root=True)
    return 72 * float(fig.get_size_inches()[0])


def _lines_in_a_row(ax: Axes, rows: int) -> int:
    """Count the lines of words that a row has room for."""
    fig: Any = ax.get_figure(root=True)
    tall = float(ax.get_window_extent().height) / fig.dpi * 72
    return max(1, int(tall / max(rows, 1) / (_WORDS * _LINE)))


def _fitted(text: str, most: float, lines: int) -> str:
    """Break words into so many lines at most; the longest part is shortened where more are needed.

    Lines that are there already stay lines.
    """
    given = text.split("\n")
    broken = [wrap(line, most, _WORDS) or [""] for line in given]
    while sum(map(len, broken)) > max(lines, len(given)):
        i = max(range(len(broken)), key=lambda k: len(broken[k]))
        kept = len(broken[i]) - 1
        broken[i] = _shortened(given[i], most, kept)
    return "\n".join(line for part in broken for line in part)


def _shortened(text: str, most: float, lines: int) -> list[str]:
    """Break words into exactly so many lines; what has no room is left out in the last one."""
    broken = wrap(text, most, _WORDS)
    head = broken[: lines - 1]
    rest = " ".join(broken[lines - 1 :])
    return [*head, shorten(rest, most, _WORDS)]


def _labels_above(ax: Axes, labels: Sequence[str]) -> None:
    """Write the name of each row above it: a phone has no room beside."""
    for i, label in enumerate(labels):
        whole = " · ".join(label.split("\n"))
        ax.annotate(
            _fitted(whole, _ABOVE * _figure_width(ax), 2),
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
    left, right = ax.get_xlim()
    ahead = (edge - left) > 0.5 * (right - left)
    ax.annotate(
        words,
        xy=(edge, 1.0),
        xycoords=("data", "axes fraction"),
        xytext=(-3 if ahead else 3, 3),
        textcoords="offset points",
        fontsize=8.5,
        color=INK,
        ha="right" if ahead else "left",
        va="bottom",
    )


def side_label(ax: Axes, text: str, y: float) -> None:
    """Write the numbers of a row at its right end; on a phone above it."""
    narrow = is_narrow()
    share, lines = (_ABOVE, 2) if narrow else (_BESIDE, 3)
    ax.annotate(
        _fitted(text, share * _figure_width(ax), lines),
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
    fig: Any = ax.get_figure(root=True)
    alone = len(fig.axes) == 1  # names may then begin at the edge of the figure
    room = _figure_width(ax) * (1.0 if alone else ax.get_position().width) - 8
    handles, names = ax.get_legend_handles_labels()
    if not names:
        return
    names = [_fitted(str(name), room - _SIGN, _LINES_NAMED) for name in names]
    widest = max(width_of(line, _WORDS) for name in names for line in name.split("\n")) + _SIGN
    columns = max(1, min(most, len(names), int(room // widest)))
    options: dict[str, Any] = {"ncols": columns, "borderaxespad": 0.5, "borderpad": 0.2}
    if alone:
        from matplotlib.transforms import blended_transform_factory

        options["bbox_transform"] = blended_transform_factory(fig.transFigure, ax.transAxes)
    ax.legend(handles, names, loc="lower left", bbox_to_anchor=(0, 1.0), **options)


def number_axis(ax: Axes, wording: Wording, *, axis: str = "x", sign: bool = False) -> None:
    """Write the numbers of an axis as the reader's locale does."""
    from matplotlib.ticker import MaxNLocator

    from trialkit.figures.ticks import LocaleNumbers

    which: Any = ax.xaxis if axis == "x" else ax.yaxis
    which.set_major_locator(MaxNLocator(nbins=6, steps=[1, 2, 2.5, 5, 10]))
    which.set_major_formatter(LocaleNumbers(wording, sign=sign))
