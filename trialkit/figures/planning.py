"""Pictures for choices: power, what would settle it, savings, and prices that move."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd
from matplotlib.ticker import MaxNLocator

from trialkit.figures.rows import (
    draw_interval,
    height_for,
    legend_above,
    number_axis,
    set_range,
    set_rows,
    side_label,
)
from trialkit.figures.yields import decimals_of, estimate_words
from trialkit.style import INK, SOFT, axes, dress, looks, note, plain_looks, styled
from trialkit.wording import Wording, read_wording

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes


@styled
def power_curve(
    curve: pd.DataFrame,
    *,
    x: str,
    axis: str,
    y: str = "power",
    by: str | None = None,
    wanted: float = 0.8,
    runs: int | None = None,
    wording: Wording | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw the chance of a clear answer against the size of the trial or of the difference.

    Parameters
    ----------
    curve : DataFrame
        Columns `x`, `y` (a chance, 0 to 1), and if simulated `low, high` (its limits).
    x : str
        Column along the axis.
    axis : str
        Label of that axis, with unit.
    y : str
        Column with the chance.
    by : str, optional
        Column with one line per value.
    wanted : float
        Chance marked by a line.
    runs : int, optional
        Simulated trials behind each point, written under the figure.
    wording : Wording, optional
        Words and numbers; English by default.
    ax : Axes, optional
        Where to draw; new axes by default.

    Returns
    -------
    Axes
    """
    say = wording or read_wording()
    ax = axes(ax, height=3.4)
    ax.axhline(100 * wanted, color=SOFT, linewidth=1.0, linestyle=(0, (4, 2)))
    groups = list(dict.fromkeys(curve[by].astype(str))) if by else [""]
    for name, look in plain_looks(groups).items():
        own = curve[curve[by].astype(str) == name] if by else curve
        own = own.sort_values(x, kind="stable")
        if {"low", "high"} <= set(own.columns):
            ax.vlines(own[x], 100 * own["low"], 100 * own["high"], color=look.color, linewidth=1.6)
        ax.plot(
            own[x],
            100 * own[y],
            color=look.color,
            linestyle=look.dash,
            marker=look.mark,
            label=name,
        )
    if by:
        legend_above(ax, most=1)
    ax.set_ylim(0, 104)
    ax.set_xlabel(axis)
    ax.set_ylabel(say.text("figure.power.axis_y"))
    number_axis(ax, say)
    if pd.api.types.is_integer_dtype(curve[x]):  # half a batch is none
        ax.xaxis.set_major_locator(MaxNLocator(nbins=6, steps=[1, 2, 5, 10], integer=True))
    number_axis(ax, say, axis="y")
    key = "figure.power.note" if runs is None else "figure.power.note_simulated"
    words = {"wanted": say.percent(100 * wanted), "runs": say.number(runs, 0)}
    note(ax, say.text(key, **words))
    return dress(ax)


@styled
def savings(
    use: pd.DataFrame,
    *,
    level: float = 0.95,
    basis: str = "",
    wording: Wording | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw the water and electricity saved per kilogram of mushrooms, with intervals.

    Parameters
    ----------
    use : DataFrame
        `use` (``"water_l"``, ``"energy_kwh"``), `level`, `saving_pct, saving_low_pct,
        saving_high_pct` [%] against the reference; rows without a saving are left out.
    level : float
        Confidence of each interval.
    basis : str
        What the figure rests on, such as ``"n = 24 chamber runs."``, written under it.
    wording : Wording, optional
        Words and numbers; English by default.
    ax : Axes, optional
        Where to draw; new axes by default.

    Returns
    -------
    Axes
    """
    say = wording or read_wording()
    rows = use[use["saving_pct"].notna()]
    ax = axes(ax, height=height_for(len(rows)) - 0.16 * len(rows))
    columns = ["saving_pct", "saving_low_pct", "saving_high_pct"]
    set_range(ax, [0.0, *map(float, rows[columns].to_numpy().ravel())])
    ax.axvline(0, color=INK, linewidth=1.0, zorder=1)
    look = looks(list(dict.fromkeys(use["level"].astype(str))))
    named = rows[["use", "level", *columns]]
    named = named.set_axis(["use", "level", "estimate", "low", "high"], axis=1)
    labels, places = [], decimals_of(named)
    for i, row in enumerate(named.to_dict("records")):
        name = str(row["level"])
        drawn = draw_interval(ax, row["estimate"], row["low"], row["high"], i, look[name])
        text = estimate_words(row, say, places, sign=True) if drawn else say.text("figure.none")
        side_label(ax, text, i)
        labels.append(f"{say.text('figure.use.' + str(row['use']))}\n{name}")
    set_rows(ax, labels)
    ax.set_xlabel(say.text("figure.savings.axis"))
    number_axis(ax, say, sign=True)
    note(ax, f"{say.text('figure.savings.note', level=say.confidence(level))} {basis}")
    return dress(ax, grid="x")


@styled
def price_sensitivity(
    by_price: pd.DataFrame,
    *,
    price: str,
    currency: str,
    order: Sequence[str] | None = None,
    now: float | None = None,
    basis: str = "",
    wording: Wording | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw how the gain of each level moves when one price moves.

    Parameters
    ----------
    by_price : DataFrame
        `price, at, level, gain, low, high`: gain against the reference per chamber run.
    price : str
        Price that moves: ``"mushrooms"``, ``"water"`` or ``"energy"``.
    currency : str
        Currency code.
    order : sequence of str, optional
        All levels in the order that fixes their colours.
    now : float, optional
        Price in the trial file, marked by a line.
    basis : str
        What the figure rests on, such as ``"n = 24 chamber runs."``, written under it.
    wording : Wording, optional
        Words and numbers; English by default.
    ax : Axes, optional
        Where to draw; new axes by default.

    Returns
    -------
    Axes
    """
    say = wording or read_wording()
    ax = axes(ax, height=3.3)
    rows = by_price[by_price["price"] == price]
    names = list(dict.fromkeys(rows["level"].astype(str)))
    look: dict[Any, Any] = looks(list(order) if order is not None else names)
    ax.axhline(0, color=INK, linewidth=1.0)
    if now is not None:
        ax.axvline(now, color=SOFT, linewidth=1.0, linestyle=(0, (4, 2)))
    for name in names:
        own = rows[rows["level"].astype(str) == name].sort_values("at")
        style = look[name]
        ax.fill_between(own["at"], own["low"], own["high"], color=style.color, alpha=0.14, lw=0)
        ax.plot(
            own["at"],
            own["gain"],
            color=style.color,
            linestyle=style.dash,
            marker=style.mark,
            label=name,
        )
    legend_above(ax)
    ax.set_xlabel(say.text(f"figure.price.{price}", currency=currency))
    ax.set_ylabel(say.text("figure.price.axis_y", currency=currency))
    number_axis(ax, say)
    number_axis(ax, say, axis="y", sign=True)
    note(ax, f"{say.text('figure.price.note')} {basis}")
    return dress(ax)
