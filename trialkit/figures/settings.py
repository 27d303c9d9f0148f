"""Pictures of settings tuned as numbers: the surface, what may be best, yield against use."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from trialkit.figures.rows import legend_above, number_axis
from trialkit.style import INK, PAPER, RULE, SOFT, WASH, axes, dress, note, styled
from trialkit.wording import Wording, read_wording

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from matplotlib.axes import Axes

#: Contour lines of a surface.
_LINES = 7


@styled
def setting_curve(
    curve: pd.DataFrame,
    *,
    setting: str,
    axis: str,
    quantity: str,
    today: float,
    tried: pd.DataFrame | None = None,
    beside: pd.DataFrame | None = None,
    basis: str = "",
    level: float = 0.95,
    wording: Wording | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw the response along one setting, with limits that hold over the whole range.

    Parameters
    ----------
    curve : DataFrame
        `setting`'s column, `estimate, low, high`, and `within` (whether the setting may be the
        best), at the other settings' best values.
    setting : str
        Column along the axis.
    axis, quantity : str
        Labels of both axes, with unit.
    today : float
        Today's value.
    tried : DataFrame, optional
        `setting`'s column and `mean`, one row per unit: what was seen.
    beside : DataFrame, optional
        `setting`'s column and `estimate`: another curve to compare with, drawn dashed.
    basis : str
        What the figure rests on, written under it.
    level : float
    wording : Wording, optional
    ax : Axes, optional

    Returns
    -------
    Axes
    """
    say = wording or read_wording()
    ax = axes(ax, height=3.6)
    own = curve.sort_values(setting, kind="stable")
    x = own[setting].to_numpy(dtype=float)
    ax.fill_between(x, own["low"], own["high"], color=WASH, linewidth=0)
    ax.plot(x, own["estimate"], color=INK)
    if tried is not None:
        ax.plot(
            tried[setting],
            tried["mean"],
            "o",
            color=INK,
            markerfacecolor=PAPER,
            markersize=5,
            linestyle="none",
        )
    if beside is not None:
        other = beside.sort_values(setting, kind="stable")
        ax.plot(other[setting], other["estimate"], color=INK, linewidth=1.0, linestyle="dashed")
    ax.axvline(today, color=SOFT, linewidth=1.0, linestyle=(0, (4, 2)))
    top = ax.get_ylim()[1]
    ax.text(today, top, f" {say.text('figure.setting.today')}", color=SOFT, va="top", fontsize=8.5)
    held = own.loc[own["within"], setting].to_numpy(dtype=float)
    if len(held):
        low = ax.get_ylim()[0]
        ax.plot([held.min(), held.max()], [low, low], color=INK, linewidth=5, clip_on=False)
        ax.set_ylim(low, top)
    ax.set_xlabel(axis)
    ax.set_ylabel(quantity)
    number_axis(ax, say)
    number_axis(ax, say, axis="y")
    key = f"figure.setting.{'note' if own['low'].notna().any() else 'unlimited'}"
    key += "_alone" if tried is None else ""
    told = say.text("figure.setting.beside") + " " if beside is not None else ""
    note(ax, told + say.text(key, level=say.confidence(level), basis=basis))
    return dress(ax)


@styled
def setting_map(
    surface: pd.DataFrame,
    *,
    settings: Sequence[str],
    labels: Sequence[str],
    quantity: str,
    today: Mapping[str, float],
    best: Mapping[str, float],
    tried: pd.DataFrame,
    basis: str = "",
    level: float = 0.95,
    wording: Wording | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw the response over two settings: lines of equal yield, what may be best, what was tried.

    Parameters
    ----------
    surface : DataFrame
        Both settings' columns in a full grid, `estimate`, and `within` (whether they may be best).
    settings : sequence of str
        The two columns.
    labels : sequence of str
        Of the axes, with unit.
    quantity : str
        What the lines are of, with unit.
    today, best : mapping
        Setting → value.
    tried : DataFrame
        Both columns and `n`, units at each.
    basis : str
    level : float
    wording : Wording, optional
    ax : Axes, optional

    Returns
    -------
    Axes
    """
    say = wording or read_wording()
    ax = axes(ax, height=4.6)
    first, second = settings
    grid = surface.pivot_table(index=second, columns=first, values=["estimate", "within"])
    x = grid["estimate"].columns.to_numpy(dtype=float)
    y = grid["estimate"].index.to_numpy(dtype=float)
    within = grid["within"].to_numpy(dtype=float)
    ax.contourf(x, y, within, levels=[0.5, 1.5], colors=[WASH])
    if within.min() < 0.5 < within.max():
        ax.contour(x, y, within, levels=[0.5], colors=[SOFT], linewidths=1.0, linestyles="dashed")
    lines = ax.contour(x, y, grid["estimate"].to_numpy(float), _LINES, colors=[INK], linewidths=1.1)
    ax.clabel(lines, fmt=lambda v: say.number(v, 0), fontsize=8, colors=[INK])
    leave_edges_free(ax, lines)
    mark_tried(ax, tried, first, second)
    told: dict[str, Any] = {"color": INK, "linestyle": "none", "zorder": 4, "clip_on": False}
    ax.plot(
        [today[first]],
        [today[second]],
        "x",
        markersize=9,
        markeredgewidth=2,
        label=say.text("figure.setting.today"),
        **told,
    )
    ax.plot([best[first]], [best[second]], "D", label=say.text("figure.setting.best"), **told)
    legend_above(ax)
    ax.set_xlabel(labels[0])
    ax.set_ylabel(labels[1])
    number_axis(ax, say)
    number_axis(ax, say, axis="y")
    words: dict[str, Any] = {"level": say.confidence(level), "quantity": quantity}
    note(ax, say.text("figure.setting.map_note", basis=basis, **words))
    return dress(ax, grid="")


def mark_tried(ax: Axes, tried: pd.DataFrame, first: str, second: str) -> None:
    """Draw the settings that are tried, larger where more units get them."""
    ax.scatter(
        tried[first],
        tried[second],
        s=18 * tried["n"],
        facecolors=PAPER,
        edgecolors=INK,
        zorder=3,
        clip_on=False,
    )


def leave_edges_free(ax: Axes, lines: Any) -> None:
    """Take away numbers of lines that would lie on those of the axes."""
    box = ax.get_window_extent()
    near = 12 * ax.figure.dpi / 72
    for word in list(lines.labelTexts):
        x, y = ax.transData.transform(word.get_position())
        if min(x - box.x0, box.x1 - x) < near or min(y - box.y0, box.y1 - y) < near:
            word.remove()


@styled
def yield_against_use(
    frontier: pd.DataFrame,
    *,
    today: Mapping[str, float],
    axis: str,
    quantity: str,
    marks: Mapping[str, tuple[float, float]] | None = None,
    basis: str = "",
    level: float = 0.95,
    wording: Wording | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw the most yield that each use allows, with today's settings on it.

    Parameters
    ----------
    frontier : DataFrame
        `use, yield, yield_low, yield_high, loses_no_more`.
    today : mapping
        `use` and `yield` of today's settings.
    axis, quantity : str
        Labels of both axes, with unit.
    marks : mapping, optional
        Name of a choice → its use and yield.
    basis : str
        What the figure rests on, written under it.
    level : float
    wording : Wording, optional
    ax : Axes, optional

    Returns
    -------
    Axes
    """
    say = wording or read_wording()
    ax = axes(ax, height=3.4)
    own = frontier.sort_values("use", kind="stable")
    ax.fill_between(own["use"], own["yield_low"], own["yield_high"], color=WASH, linewidth=0)
    ax.plot(own["use"], own["yield"], color=RULE)
    sure = own["loses_no_more"].to_numpy(dtype=bool)
    for mask, face, key in ((sure, INK, "sure"), (~sure, PAPER, "open")):
        if np.any(mask):
            ax.plot(
                own["use"][mask],
                own["yield"][mask],
                "o",
                color=INK,
                markerfacecolor=face,
                linestyle="none",
                label=say.text(f"figure.setting.{key}"),
            )
    ax.plot(
        [today["use"]],
        [today["yield"]],
        "x",
        color=INK,
        markersize=9,
        markeredgewidth=2,
        linestyle="none",
        label=say.text("figure.setting.today"),
    )
    for shape, (name, (used, gives)) in zip("Ds^v", (marks or {}).items(), strict=False):
        ax.plot(
            [used],
            [gives],
            shape,
            color=INK,
            markerfacecolor="none",
            markersize=11,
            linestyle="none",
            label=name,
        )
    legend_above(ax)
    ax.set_xlabel(axis)
    ax.set_ylabel(quantity)
    number_axis(ax, say)
    number_axis(ax, say, axis="y")
    note(ax, f"{say.text('figure.setting.use_note', level=say.confidence(level))} {basis}")
    return dress(ax)
