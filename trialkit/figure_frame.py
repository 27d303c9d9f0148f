"""The frame of a figure: axes are moved until every word lies inside it, and none over another."""

from __future__ import annotations

from functools import lru_cache
from itertools import pairwise
from typing import TYPE_CHECKING, Any
from weakref import WeakSet

from trialkit.fit_text import wrap

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: How matplotlib calls a note under the axes, see `trialkit.style.note`.
NOTE = "_note"
#: The same for words above the axes that may be as wide as the figure.
HEAD = "_head"
_PAD_IN = 0.05  # left free at each edge
_LEAST_SHARE = 0.25  # of the width that axes keep, whatever stands beside them
_APART = 7.0  # points between the label of the axis and the note
_FITTED: WeakSet[Figure] = WeakSet()  # whose words all lie inside


def fits_frame(figure: Figure) -> bool:
    """Tell whether a figure was fitted to its frame, so that it need not be cut when saved."""
    return figure in _FITTED


def place_rows(
    figure: Figure,
    *,
    row: float,
    left: float,
    right: float,
    above: float,
    below: float,
    apart: float = 0.0,
) -> None:
    """Place the axes of a figure, one below another, where what stands beside them is known.

    Measuring, as `fit_frame` does, takes longer than drawing.

    Parameters
    ----------
    figure : Figure
        Changed in place; the width stays, the height follows.
    row : float
        Height of each pair of axes, in inches, as all that follow.
    left, right, above, below : float
        Room beside, above and below all of them.
    apart : float
        Room between two.
    """
    count = len(figure.axes)
    wide = float(figure.get_size_inches()[0])
    tall = above + count * row + (count - 1) * apart + below
    figure.set_size_inches(wide, tall)
    for i, ax in enumerate(figure.axes):
        top = tall - above - i * (row + apart)
        ax.set_position((left / wide, (top - row) / tall, 1 - (left + right) / wide, row / tall))
    renderer = _measuring(float(figure.dpi))
    for ax in figure.axes:
        for axis in (ax.xaxis, ax.yaxis):
            _pin_label(axis, renderer)
    _FITTED.add(figure)


def fit_frame(figure: Figure, *, wide: float | None = None) -> None:
    """Move and size what is drawn so that it fills its frame and nothing lies outside.

    The width stays, the height follows from what is written above and below the axes. Labels of
    axes are broken into lines, ticks whose numbers would touch become fewer.

    Parameters
    ----------
    figure : Figure
        Changed in place.
    wide : float, optional
        Another width, in inches.
    """
    if wide is not None:
        figure.set_size_inches(wide, figure.get_size_inches()[1])
    renderer = _measuring(float(figure.dpi))
    for ax in figure.axes:
        _break_label(ax.yaxis.label, _height_of(ax) + 24)
        _break_label(ax.xaxis.label, 72 * figure.get_size_inches()[0])
        _pin_label(ax.yaxis, renderer)
        if ax.xaxis.get_label_position() == "bottom":  # how far below is asked when ticks are known
            ax.xaxis.set_label_coords(ax.xaxis.label.get_position()[0], 0.0)
    for _ in range(2):  # ticks may change with the width
        _fit_sides(figure, renderer)
        for ax in figure.axes:
            _part_ticks(ax, renderer)
    for ax in figure.axes:
        _break_label(ax.xaxis.label, max(_width_of(ax), 100.0))
        _break_title(ax)
        _pin_label(ax.xaxis, renderer)  # other ticks, other numbers
        _lower_notes(ax, renderer)
    _fit_height(figure, renderer)
    _FITTED.add(figure)


def _pin_label(axis: Any, renderer: Any) -> None:
    """Keep the label of an axis at its distance from the numbers, as they are now.

    To place a label that is not kept, all numbers of its axis are measured whenever the axis is
    asked for its box, and when it is drawn.
    """
    from matplotlib.transforms import ScaledTranslation

    if axis.get_label_position() not in ("left", "bottom"):
        return
    ax, upright = axis.axes, axis.axis_name == "y"
    figure, depth = ax.get_figure(root=True), 0.0
    if axis.label.get_text():
        edges = [box.x0 if upright else box.y0 for box in _number_boxes(axis, renderer)]
        inside = ax.get_window_extent()
        edge = inside.x0 if upright else inside.y0
        depth = (edge - min([edge, *edges])) / figure.dpi
    away = depth + axis.labelpad / 72
    along = axis.label.get_position()[1 if upright else 0]
    place, aside, up = ((0, along), -away, 0.0) if upright else ((along, 0), 0.0, -away)
    shift = ScaledTranslation(aside, up, figure.dpi_scale_trans)
    axis.set_label_coords(*place, transform=ax.transAxes + shift)


def _number_boxes(axis: Any, renderer: Any) -> list[Any]:
    """Give the boxes of the numbers, or names, along an axis."""
    low, high = sorted(axis.get_view_interval())
    slack, at = 1e-9 * (high - low), 1 if axis.axis_name == "y" else 0
    return [
        word.get_window_extent(renderer)
        for word in axis.get_majorticklabels()
        if word.get_text() and low - slack <= word.get_position()[at] <= high + slack
    ]


@lru_cache(maxsize=8)
def _measuring(dots: float) -> Any:
    """Give what measures words, so many dots an inch; it remembers them from figure to figure."""
    from matplotlib.backends.backend_agg import RendererAgg

    return RendererAgg(1, 1, dots)  # type: ignore[no-untyped-call, unused-ignore]


def _width_of(ax: Axes) -> float:
    fig: Any = ax.get_figure(root=True)
    return float(ax.get_window_extent().width / fig.dpi * 72)


def _height_of(ax: Axes) -> float:
    fig: Any = ax.get_figure(root=True)
    return float(ax.get_window_extent().height / fig.dpi * 72)


def _break_label(label: Any, most: float) -> None:
    """Break the label of an axis into lines of at most so many points."""
    whole = " ".join(label.get_text().split()).replace(" [", "\u00a0[")  # a unit is never alone
    if whole:
        label.set_text("\n".join(wrap(whole, most, label.get_fontsize())[:4]))


def _break_title(ax: Axes) -> None:
    """Break a title into lines as wide as the figure leaves room for."""
    fig: Any = ax.get_figure(root=True)
    room = 72 * fig.get_size_inches()[0] * (1 - ax.get_position().x0) - 4
    for place in ("left", "center"):
        whole = " ".join(ax.get_title(loc=place).split())
        if whole:
            lines = wrap(whole, room, float(ax.title.get_fontsize()), bold=True)
            ax.set_title("\n".join(lines[:3]), loc=place)


def _beside(ax: Axes, renderer: Any) -> Any:
    """Give the box of axes and of what stands beside them; lines above and below do not count."""
    from matplotlib.text import Annotation

    below: list[Any] = [ax.title, ax._left_title]  # type: ignore[attr-defined]
    below += ax.spines.values()  # no further out than the axes
    below += [word for word in ax.texts if word.get_label() in (NOTE, HEAD)]
    legend = ax.get_legend()
    below += [legend] if legend is not None else []
    counted = [artist.get_in_layout() for artist in below]
    for artist in below:
        artist.set_in_layout(False)
    for word in ax.texts:
        if isinstance(word, Annotation) and word.get_label() not in (NOTE, HEAD):
            word.set_in_layout(True)
    box = ax.get_tightbbox(renderer)
    for artist, before in zip(below, counted, strict=True):
        artist.set_in_layout(before)
    return box


def _fit_sides(figure: Figure, renderer: Any) -> None:
    """Move the sides of all axes so that what stands beside them fills the width."""
    whole = float(figure.get_size_inches()[0])
    boxes = [_beside(ax, renderer) for ax in figure.axes]
    first_dot = min(box.x0 for box in boxes) / figure.dpi
    last_dot = max(box.x1 for box in boxes) / figure.dpi
    places = [ax.get_position() for ax in figure.axes]
    left, right = min(p.x0 for p in places), max(p.x1 for p in places)
    first = left + (_PAD_IN - first_dot) / whole
    last = right + (whole - _PAD_IN - last_dot) / whole
    first = min(max(first, _PAD_IN / whole), 1 - _LEAST_SHARE)
    last = max(min(last, 1 - _PAD_IN / whole), first + _LEAST_SHARE)
    stretch = (last - first) / (right - left)
    for ax, p in zip(figure.axes, places, strict=True):
        width = (p.x1 - p.x0) * stretch
        ax.set_position((first + (p.x0 - left) * stretch, p.y0, width, p.y1 - p.y0))


def _part_ticks(ax: Axes, renderer: Any) -> None:
    """Take fewer ticks along the bottom while their numbers touch."""
    from matplotlib.ticker import MaxNLocator

    locator: Any = ax.xaxis.get_major_locator()
    most = 6
    while isinstance(locator, MaxNLocator) and most > 2:
        boxes = [
            word.get_window_extent(renderer)
            for word in ax.get_xticklabels()
            if word.get_text() and word.get_visible()
        ]
        boxes.sort(key=lambda box: box.x0)
        gap = 4 * ax.figure.dpi / 72
        if all(a.x1 + gap <= b.x0 for a, b in pairwise(boxes)):
            return
        most -= 1
        locator.set_params(nbins=most)


def _lower_notes(ax: Axes, renderer: Any) -> None:
    """Put the note under the axes below the label of the axis, however many lines that has."""
    notes: list[Any] = [word for word in ax.texts if word.get_label() == NOTE]
    if not notes:
        return
    for word in notes:
        word.set_in_layout(False)
    axis = ax.xaxis.get_tightbbox(renderer)
    bottom = ax.get_window_extent().y0
    depth = 0.0 if axis is None else (bottom - axis.y0) / ax.figure.dpi * 72
    for word in notes:
        word.set_in_layout(True)
        word.xyann = (word.xyann[0], min(word.xyann[1], -depth - _APART))


def _fit_height(figure: Figure, renderer: Any) -> None:
    """Make the figure as high as what is drawn; the axes keep their height."""
    tall = float(figure.get_size_inches()[1])
    box = figure.get_tightbbox(renderer)
    below, above = _PAD_IN - box.y0, _PAD_IN + box.y1 - tall
    whole = tall + below + above
    figure.set_size_inches(figure.get_size_inches()[0], whole)
    for ax in figure.axes:
        p = ax.get_position()
        bottom = (p.y0 * tall + below) / whole
        ax.set_position((p.x0, bottom, p.width, p.height * tall / whole))
