"""Axes inside the trial in one picture, and the words around them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from trialkit.figures.picture_space import (
    LINE,
    NOTE,
    NOTE_LINE,
    WORDS,
    Phrase,
    days_of,
    title_size,
    uses_of,
)
from trialkit.figures.picture_words import picture_note
from trialkit.figures.rows import draw_interval, number_axis, set_range
from trialkit.fit_text import wrap
from trialkit.style import INK, SOFT, Look, dress
from trialkit.wording import Wording

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from trialkit.figures.trial_tables import TrialTables


def fill_axes(ax: Axes, width: float, needed: float) -> tuple[Axes, float]:
    """Make axes count in points from their upper left corner; give them and their height.

    Axes that were made for the picture fill their figure; others keep their place.
    """
    fig: Any = ax.get_figure(root=True)
    wide, tall = (72 * float(v) for v in fig.get_size_inches())
    if len(fig.axes) == 1 and abs(wide - width) + abs(tall - needed) < 1:
        ax.set_position((0.0, 0.0, 1.0, 1.0))
    height = float(ax.get_window_extent().height / fig.dpi * 72)
    ax.set_axis_off()
    ax.set_xlim(0, width)
    ax.set_ylim(height, 0)
    return ax, height


def write(ax: Axes, x: float, y: float, text: str, **style: Any) -> None:
    """Write one line whose top is so many points below the top of the picture."""
    options: dict[str, Any] = {"fontsize": WORDS, "color": INK, "ha": "left", "va": "top"} | style
    ax.text(x, y, text, **options)


def draw_title(ax: Axes, tables: TrialTables, width: float) -> float:
    """Write the answer and what the trial was; give where the picture begins below them."""
    size, y = title_size(width), 3.0
    for line in wrap(tables.title, width, size, bold=True):
        write(ax, 0, y, line, fontsize=size, weight="bold")
        y += size * 1.25
    for line in wrap(tables.subtitle, width, WORDS):
        write(ax, 0, y, line, color=SOFT)
        y += LINE
    return y + 12


def draw_note(ax: Axes, tables: TrialTables, y: float, width: float, say: Wording) -> None:
    """Write what the marks mean."""
    for i, line in enumerate(wrap(picture_note(tables, say), width, NOTE)):
        write(ax, 0, y + NOTE_LINE * i, line, fontsize=NOTE, color=SOFT)


def points_wide(ax: Axes) -> float:
    """Give the width of axes, in points."""
    fig: Any = ax.get_figure(root=True)
    return float(ax.get_window_extent().width / fig.dpi * 72)


def inset(ax: Axes, place: tuple[float, float], span: tuple[float, float]) -> Axes:
    """Give axes inside others: left and width, top and bottom in points from the corner."""
    width, height = ax.get_xlim()[1], ax.get_ylim()[0]
    left, wide = place
    top, bottom = span
    box = (left / width, 1 - bottom / height, wide / width, (bottom - top) / height)
    inner = ax.inset_axes(box)
    inner.set_ylim(bottom, top)
    inner.set_yticks([])
    inner.yaxis.set_label_coords(0, 0.5)  # none is drawn, so none need be placed anew
    inner.patch.set_visible(False)
    dress(inner, grid="")
    inner.spines["left"].set_visible(False)
    return inner


def air_axes(inner: Axes, tables: TrialTables, say: Wording) -> Axes:
    """Count days of fruiting along the axis, by weeks where there are several."""
    from matplotlib.ticker import MultipleLocator

    days = days_of(tables)
    inner.set_xlim(0, days)
    inner.set_xlabel(say.text("picture.days"))
    number_axis(inner, say)
    if days > 10:
        inner.xaxis.set_major_locator(MultipleLocator(7 * max(1, round(days / 35))))
    return inner


def gave_axes(inner: Axes, tables: TrialTables, say: Wording) -> Axes:
    """Span all yields and limits."""
    groups = tables.groups
    shown = [*tables.runs["value"], *groups["low"], *groups["high"], *groups["estimate"]]
    set_range(inner, [float(v) for v in shown])
    wide = points_wide(inner)
    lines = wrap(tables.quantity, max(wide, 60), 8.6)
    inner.set_xlabel("\n".join(lines), fontsize=8.6)
    number_axis(inner, say)
    _fewer_ticks(inner, max(2, min(6, int(wide / 42))))
    return inner


def _fewer_ticks(ax: Axes, most: int) -> None:
    """Leave room between the numbers of an axis."""
    locator: Any = ax.xaxis.get_major_locator()
    locator.set_params(nbins=most)


def used_axes(inner: Axes, tables: TrialTables, say: Wording) -> Axes:
    """Count the water, or the electricity, of one run from nothing."""
    column = uses_of(tables)
    most = float(tables.runs[column].max())
    inner.set_xlim(0, most * 1.04 or 1.0)
    inner.set_xlabel(say.text(f"picture.{column}"), fontsize=8.6)
    number_axis(inner, say)
    wide = points_wide(inner)
    _fewer_ticks(inner, max(2, min(4, int(wide / 36))))
    return inner


def draw_control(ax: Axes, tables: TrialTables, span: tuple[float, float]) -> None:
    """Draw a hairline at the control's mean from top to bottom of a group's rows."""
    groups = tables.groups
    control = groups.loc[groups["level"] == tables.reference, "estimate"]
    if len(control) and math.isfinite(float(control.iloc[0])):
        ax.plot([float(control.iloc[0])] * 2, span, color=SOFT, linewidth=0.8, zorder=1)


def draw_mean(ax: Axes, row: dict[Any, Any], y: float, look: Look) -> None:
    """Draw the mean of a group with its limits, at its height."""
    draw_interval(ax, row["estimate"], row["low"], row["high"], y, look)


def write_phrases(ax: Axes, phrases: Sequence[Phrase], top: float, look: Look) -> None:
    """Write a heading and an answer in a level's colour."""
    for phrase in phrases:
        write(
            ax,
            phrase.left,
            top + phrase.top,
            phrase.text,
            fontsize=phrase.size,
            weight="bold" if phrase.bold else "normal",
            color=look.words,
        )
