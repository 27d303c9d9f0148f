"""The trial in one picture: every run with its air, its flushes, its yield and what it used."""

from __future__ import annotations

from typing import TYPE_CHECKING

from trialkit.figures.one_picture_narrow import draw_narrow
from trialkit.figures.picture_frames import (
    air_axes,
    draw_control,
    draw_mean,
    draw_note,
    draw_title,
    fill_axes,
    gave_axes,
    inset,
    points_wide,
    used_axes,
    write,
    write_phrases,
)
from trialkit.figures.picture_parts import draw_air, draw_uses, draw_yields
from trialkit.figures.picture_space import (
    AXIS,
    LINE,
    MEAN,
    WIDE_IN,
    WORDS,
    Group,
    Space,
    full_height,
    heading_height,
    heads_height,
    part_heads,
    share_space,
    stack_groups,
    thinner_pitch,
    used_lines,
    uses_of,
)
from trialkit.fit_text import shorten
from trialkit.style import NARROW, SOFT, axes, is_narrow, styled
from trialkit.wording import Wording, read_wording

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from trialkit.figures.trial_tables import TrialTables

_READABLE = 4.5  # names of runs smaller than this are left out, in points


@styled
def trial_in_one_picture(
    tables: TrialTables,
    *,
    narrow: bool = False,
    titled: bool = True,
    wording: Wording | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw the whole trial: each run's air and flushes, its yield, and what it used.

    Rows are runs, grouped by the level they received. On the left each run is a strip of its days
    of fruiting: pale where the air was as wanted, dark from below where it was too dry, blue from
    above where it was too wet, with one mark for each flush. In the middle is its yield, with the
    mean of the group; on the right the water of its mist. What was not recorded is left out.

    Parameters
    ----------
    tables : TrialTables
        Made by `trial_tables`.
    narrow : bool
        The form for a phone: the three parts one below the other for every group; always so
        inside `trialkit.style.page_form` for a phone.
    titled : bool
        Write the answer above and what the marks mean below.
    wording : Wording, optional
        Words and numbers; English by default.
    ax : Axes, optional
        Where to draw; new axes by default, as high as the runs need. Rows become thinner on axes
        that are lower.

    Returns
    -------
    Axes
        The axes that hold the parts, each of them inset axes.
    """
    say = wording or read_wording()
    narrow = narrow or is_narrow()
    own = 72 * (NARROW if narrow else WIDE_IN)
    width = own if ax is None else points_wide(ax)
    if narrow:
        return draw_narrow(tables, width, titled=titled, say=say, ax=ax)
    space = share_space(tables, width)
    needed = full_height(tables, space, titled=titled, say=say)
    ax, height = fill_axes(axes(ax, width=width / 72, height=needed / 72), width, needed)
    pitch = thinner_pitch(tables, space, height - needed)
    space = share_space(tables, width, pitch=pitch)
    top = draw_title(ax, tables, width) if titled else 0.0
    groups, bottom = stack_groups(tables, space, top + heads_height(tables, space, say))
    for left, lines in part_heads(tables, space, say):
        for i, line in enumerate(lines):
            write(ax, left, top + LINE * i, line, fontsize=WORDS + 0.5, color=SOFT)
    frames = _frames(ax, tables, space, (top, bottom), say)
    for group in groups:
        _draw_group(ax, tables, space, group, frames)
    if titled:
        draw_note(ax, tables, bottom + AXIS + 8, width, say)
    return ax


def _frames(
    ax: Axes, tables: TrialTables, space: Space, span: tuple[float, float], say: Wording
) -> dict[str, Axes]:
    """Make the axes of the three parts."""
    frames = {"gave": gave_axes(inset(ax, space.gave, span), tables, say)}
    if space.air is not None:
        frames["air"] = air_axes(inset(ax, space.air, span), tables, say)
    if space.used is not None:
        frames["used"] = used_axes(inset(ax, space.used, span), tables, say)
    return frames


def _draw_group(
    ax: Axes, tables: TrialTables, space: Space, group: Group, frames: dict[str, Axes]
) -> None:
    """Draw one group through all parts."""
    write_phrases(ax, group.phrases, group.top, group.look)
    for row in group.rows if space.small >= _READABLE else ():
        name = shorten(str(row.run["name"]), space.label - 6, space.small)
        place = {"ha": "right", "va": "center_baseline"}
        write(ax, space.label - 6, row.y, name, fontsize=space.small, color=SOFT, **place)
    if "air" in frames:
        draw_air(frames["air"], group.rows, tables, group.look)
    draw_yields(frames["gave"], group.rows, [row.y for row in group.rows], group.look)
    draw_mean(frames["gave"], group.row, group.mean_y, group.look)
    first = group.top + heading_height(group.phrases)
    draw_control(frames["gave"], tables, (first, group.mean_y + MEAN / 2))
    if space.used is not None:
        draw_uses(frames["used"], group.rows, group.look, uses_of(tables))
        bold = {"weight": "bold", "color": group.look.words}
        for i, line in enumerate(used_lines(group.row, space.used[1])):
            write(ax, space.used[0], group.mean_y - MEAN / 2 + 4 + LINE * i, line, **bold)
