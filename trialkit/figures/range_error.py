"""A picture of how exact a plan of settings as numbers will be over its range."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from trialkit.figures.rows import legend_above, number_axis
from trialkit.figures.settings import leave_edges_free, mark_tried
from trialkit.style import INK, PAPER, SHADES, SOFT, axes, dress, note, styled
from trialkit.wording import Wording, read_wording

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd
    from matplotlib.axes import Axes

#: Standard errors that differ by less than this share are drawn as one.
_FLAT = 0.01


@styled
def setting_error(
    error: pd.DataFrame,
    *,
    settings: Sequence[str],
    labels: Sequence[str],
    today: Mapping[str, float],
    tried: pd.DataFrame,
    held: Mapping[str, float] | None = None,
    basis: str = "",
    wording: Wording | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw the standard error of the predicted mean over the range of a plan.

    One setting gives a curve, two give lines of equal standard error. All of it is made by
    `trialkit.design.points.three_levels.error_over_range`.

    Parameters
    ----------
    error : DataFrame
        The settings' columns, for two in a full grid, and `error_pct` [% of the mean yield].
    settings : sequence of str
        One column or two.
    labels : sequence of str
        Of their axes, with unit.
    today : mapping
        Setting → value.
    tried : DataFrame
        The settings' columns and `n`, units at each.
    held : mapping, optional
        Label of a third setting → the value at which the picture is taken.
    basis : str
        What the figure rests on, written under it.
    wording : Wording, optional
    ax : Axes, optional

    Returns
    -------
    Axes
    """
    say = wording or read_wording()
    alone = len(settings) == 1
    ax = axes(ax, height=3.6 if alone else 4.6)
    if alone:
        _draw_curve(ax, error, settings[0], tried, today[settings[0]], say)
    else:
        _draw_map(ax, error, settings, tried, say)
        ax.plot(
            [today[settings[0]]],
            [today[settings[1]]],
            "x",
            color=INK,
            markersize=9,
            markeredgewidth=2,
            linestyle="none",
            label=say.text("figure.setting.today"),
        )
        legend_above(ax)
        ax.set_ylabel(labels[1])
    ax.set_xlabel(labels[0])
    number_axis(ax, say)
    number_axis(ax, say, axis="y")
    words = [say.text(f"figure.setting.{'error_note' if alone else 'error_map_note'}")]
    for name, value in (held or {}).items():
        words.append(say.text("figure.setting.error_held", name=name, value=say.number(value)))
    note(ax, " ".join([*words, basis]).strip())
    return dress(ax) if alone else dress(ax, grid="")


def _draw_curve(
    ax: Axes, error: pd.DataFrame, setting: str, tried: pd.DataFrame, today: float, say: Wording
) -> None:
    """Draw the standard error along one setting, what is tried as circles on the curve."""
    own = error.sort_values(setting, kind="stable")
    x, y = own[setting].to_numpy(dtype=float), own["error_pct"].to_numpy(dtype=float)
    top = 1.25 * y.max()
    ax.set_ylim(0, top)
    ax.plot(x, y, color=INK)
    for at, count in zip(tried[setting], tried["n"], strict=True):
        height = float(np.interp(at, x, y))
        ax.plot([at], [height], "o", color=INK, markerfacecolor=PAPER, markersize=5)
        ax.annotate(
            say.number(count, 0),
            (at, height),
            xytext=(0, 6),
            textcoords="offset points",
            ha="center",
            fontsize=8.5,
            color=INK,
            bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 0.8},
        )
    ax.axvline(today, color=SOFT, linewidth=1.0, linestyle=(0, (4, 2)))
    right = today > (x.min() + x.max()) / 2  # the word stays inside the frame
    ax.text(
        today,
        0.03 * top,
        f" {say.text('figure.setting.today')} ",
        color=SOFT,
        ha="right" if right else "left",
        fontsize=8.5,
    )
    ax.set_ylabel(say.text("figure.setting.error"))


def _draw_map(
    ax: Axes, error: pd.DataFrame, settings: Sequence[str], tried: pd.DataFrame, say: Wording
) -> None:
    """Draw lines of equal standard error over two settings, shaded, and what is tried."""
    first, second = settings
    grid = error.pivot_table(index=second, columns=first, values="error_pct")
    x, y = grid.columns.to_numpy(dtype=float), grid.index.to_numpy(dtype=float)
    z = grid.to_numpy(dtype=float)
    if z.max() > z.min() * (1 + _FLAT):
        steps = np.linspace(z.min(), z.max(), len(SHADES) + 1)
        ax.contourf(x, y, z, levels=steps, colors=list(SHADES))
        lines = ax.contour(x, y, z, levels=steps[1:-1], colors=[INK], linewidths=1.1)
        ax.clabel(lines, fmt=lambda v: f"{say.number(v, 1)} %", fontsize=8, colors=[INK])
        leave_edges_free(ax, lines)
    mark_tried(ax, tried, first, second)
