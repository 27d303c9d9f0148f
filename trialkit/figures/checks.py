"""Pictures that test the model: residuals, influence, and the trial re-randomised."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from trialkit.columns import head
from trialkit.figures.rows import legend_above, number_axis, set_range, set_rows
from trialkit.style import INK, RULE, SOFT, WASH, axes, dress, looks, note, plain_looks, styled
from trialkit.wording import Wording, read_wording

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd
    from matplotlib.axes import Axes


@styled
def residuals_by_fitted(
    rows: pd.DataFrame,
    *,
    response: str = "fresh_g",
    group: str | None = None,
    order: Sequence[str] | None = None,
    wording: Wording | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw what the model leaves over against what it expects.

    Parameters
    ----------
    rows : DataFrame
        `fitted`, `residual` in the response's unit, and the column of `group`.
    response : str
        Column that was fitted, for its unit.
    group : str, optional
        Column told apart by colour and mark.
    order : sequence of str, optional
        Values of `group` in the order that fixes their colours.
    wording : Wording, optional
        Words and numbers; English by default.
    ax : Axes, optional
        Where to draw; new axes by default.

    Returns
    -------
    Axes
    """
    say = wording or read_wording()
    ax = axes(ax, width=5.0, height=3.4)
    ax.axhline(0, color=INK, linewidth=0.9, zorder=1)
    seen = list(order) if order is not None else rows[group].astype(str) if group else [""]
    names = list(dict.fromkeys(seen))
    for name, look in (looks(names) if group else plain_looks(names)).items():
        own = rows[rows[group].astype(str) == name] if group else rows
        ax.plot(
            own["fitted"],
            own["residual"],
            linestyle="none",
            marker=look.mark,
            markersize=3.6,
            markerfacecolor="none",
            markeredgecolor=look.color,
            markeredgewidth=0.8,
            label=name,
        )
    if group:
        legend_above(ax)
    ax.set_xlabel(say.text("figure.residuals.axis_x", quantity=head(response)))
    ax.set_ylabel(say.text("figure.residuals.axis_y", quantity=head(response)))
    number_axis(ax, say)
    number_axis(ax, say, axis="y", sign=True)
    note(ax, say.text("figure.residuals.note", n=say.number(len(rows), 0)))
    return dress(ax)


@styled
def residuals_by_normal(
    residuals: Sequence[float],
    *,
    level: float = 0.95,
    wording: Wording | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw ordered residuals against those of a normal distribution, with a band.

    Parameters
    ----------
    residuals : sequence of float
        Standardised residuals; missing ones are left out.
    level : float
        Share of normal samples whose point falls in the band, point by point.
    wording : Wording, optional
        Words and numbers; English by default.
    ax : Axes, optional
        Where to draw; new axes by default.

    Returns
    -------
    Axes

    Notes
    -----
    The i-th of n ordered uniform values follows a beta distribution with i and n + 1 - i;
    its median and quantiles, taken through the normal quantile function, give the place and
    the band (David and Nagaraja 2003, Order Statistics, 3rd ed., ch. 2).
    """
    import numpy as np
    from scipy import special

    say = wording or read_wording()
    ax = axes(ax, width=5.0, height=3.4)
    values = np.sort(np.asarray([v for v in residuals if math.isfinite(v)], dtype=float))
    n = len(values)
    rank = np.arange(1, n + 1)
    tail = (1 - level) / 2
    place, low, high = (
        special.ndtri(special.betaincinv(rank, n + 1 - rank, q)) for q in (0.5, tail, 1 - tail)
    )
    ax.fill_between(place, low, high, color=WASH, linewidth=0, zorder=0)
    ax.plot(place, place, color=SOFT, linewidth=1.0, zorder=1)
    ax.plot(
        place,
        values,
        linestyle="none",
        marker="o",
        markersize=3.4,
        markerfacecolor="none",
        markeredgecolor=INK,
        markeredgewidth=0.8,
    )
    ax.set_xlabel(say.text("figure.normal.axis_x"))
    ax.set_ylabel(say.text("figure.normal.axis_y"))
    number_axis(ax, say)
    number_axis(ax, say, axis="y")
    words = {"n": say.number(n, 0), "level": say.confidence(level)}
    note(ax, say.text("figure.normal.note", **words))
    return dress(ax)


@styled
def influence(
    table: pd.DataFrame,
    *,
    most: int = 12,
    wording: Wording | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw how far the answer moves when one batch, chamber or run is left out.

    Parameters
    ----------
    table : DataFrame
        `level` (what is left out), `change_se` (largest move of a comparison, in its
        standard errors; its size is drawn), and, if there, `term`.
    most : int
        Only the so many largest moves are drawn.
    wording : Wording, optional
        Words and numbers; English by default.
    ax : Axes, optional
        Where to draw; new axes by default.

    Returns
    -------
    Axes
    """
    say = wording or read_wording()
    rows = table[table["change_se"].notna()]
    rows = rows.reindex(rows["change_se"].abs().sort_values(ascending=False, kind="stable").index)
    rows = rows.head(most)
    ax = axes(ax, height=1.2 + 0.27 * len(rows))
    sizes = [abs(float(v)) for v in rows["change_se"]]
    set_range(ax, [0.0, 1.0, *sizes])
    ax.set_xlim(left=0)
    ax.axvspan(0, 1, color=WASH, linewidth=0, zorder=0)
    look = plain_looks(["move"])["move"]
    labels = []
    for i, (row, size) in enumerate(zip(rows.to_dict("records"), sizes, strict=True)):
        ax.plot([0, size], [i, i], color=look.color, linewidth=1.6, zorder=2)
        ax.plot([size], [i], color=look.color, marker=look.mark, zorder=3)
        term = f"{row['term']} " if "term" in row else ""
        labels.append(f"{term}{row['level']}".strip())
    set_rows(ax, labels, dense=True)
    ax.set_xlabel(say.text("figure.influence.axis"))
    number_axis(ax, say)
    note(ax, say.text("figure.influence.note", n=say.number(len(table), 0)))
    return dress(ax, grid="x")


@styled
def randomisation_null(
    draws: Sequence[float],
    observed: float,
    *,
    p: float,
    statistic: str,
    wording: Wording | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw the trial's statistic among those of the same trial randomised anew.

    Parameters
    ----------
    draws : sequence of float
        The statistic under fresh assignments by the plan's own procedure.
    observed : float
        The statistic of the real assignment.
    p : float
        Share of assignments at least as extreme.
    statistic : str
        Name of the statistic, with its unit, for the axis.
    wording : Wording, optional
        Words and numbers; English by default.
    ax : Axes, optional
        Where to draw; new axes by default.

    Returns
    -------
    Axes
    """
    import numpy as np
    import seaborn as sns

    say = wording or read_wording()
    ax = axes(ax, height=3.0)
    values = np.asarray(draws, dtype=float)
    values = values[np.isfinite(values)]
    sns.histplot(
        x=values,
        bins=min(40, max(8, len(values) // 25)),
        color=RULE,
        edgecolor=SOFT,
        linewidth=0.5,
        alpha=1.0,
        ax=ax,
    )
    ax.axvline(observed, color=INK, linewidth=2.2)
    words = say.text("figure.null.observed", p=say.p(p))
    left = observed > (values.min() + values.max()) / 2 if len(values) else False
    ax.annotate(
        words,
        xy=(observed, 1.0),
        xycoords=("data", "axes fraction"),
        xytext=(-5 if left else 5, -2),
        textcoords="offset points",
        ha="right" if left else "left",
        va="top",
    )
    ax.set_xlabel(statistic)
    ax.set_ylabel(say.text("figure.null.axis_y"))
    number_axis(ax, say)
    number_axis(ax, say, axis="y")
    note(ax, say.text("figure.null.note", n=say.number(len(values), 0)))
    return dress(ax)


@styled
def variance_shares(
    variances: pd.Series,
    *,
    labels: dict[str, str] | None = None,
    unit: str = "",
    basis: str = "",
    wording: Wording | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw how much of the differences between weights each kind of unit accounts for.

    Parameters
    ----------
    variances : Series
        Variance per random term and ``"residual"``; may be below zero.
    labels : dict, optional
        Term → words.
    unit : str
        Unit of the response.
    basis : str
        What the figure rests on, such as ``"n = 24 chamber runs."``, written under it.
    wording : Wording, optional
        Words and numbers; English by default.
    ax : Axes, optional
        Where to draw; new axes by default.

    Returns
    -------
    Axes
        The square roots, in the unit of the response; no bar for a variance below zero, which
        has no root: words say so in its place.
    """
    say = wording or read_wording()
    ax = axes(ax, height=1.1 + 0.32 * len(variances))
    values: list[Any] = [math.sqrt(max(v, 0.0)) for v in variances]
    set_range(ax, [0.0, *values])
    ax.barh(range(len(values)), values, height=0.55, color=SOFT)
    ax.axvline(0, color=INK, linewidth=1.0)
    for row in (i for i, v in enumerate(variances) if v < 0):
        words = say.text("figure.variances.below")
        ax.annotate(words, (0, row), (6, 0), textcoords="offset points", va="center", color=SOFT)
    names = dict(labels or {})
    set_rows(ax, [names.get(str(k), str(k)) for k in variances.index], dense=True)
    ax.set_xlabel(say.text("figure.variances.axis", unit=f" [{unit}]" if unit else ""))
    number_axis(ax, say)
    note(ax, basis)
    return dress(ax, grid="x")
