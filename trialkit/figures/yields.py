"""Pictures of yield: by level, against the reference, by flush, and effects with intervals."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from trialkit.columns import head
from trialkit.columns.response import Better, response_of
from trialkit.display import decimals_beside
from trialkit.figures.rows import (
    draw_interval,
    draw_margin,
    draw_points,
    height_for,
    legend_above,
    number_axis,
    set_range,
    set_rows,
    side_label,
)
from trialkit.style import INK, axes, dress, looks, note, plain_looks, styled
from trialkit.wording import Wording, read_wording

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes


def unit_means(
    table: pd.DataFrame,
    *,
    factor: str,
    units: Sequence[str],
    response: str = "fresh_g",
    by: Sequence[str] = (),
) -> pd.DataFrame:
    """Average the response over the units that received a level: the raw points of a figure.

    Parameters
    ----------
    table : DataFrame
        One row per smallest unit and flush, with the columns named here.
    factor : str
        Treatment column.
    units : sequence of str
        Unit factors whose units received the treatment, such as ``["batch", "chamber"]``.
    response : str
        Column averaged; rows without it are left out.
    by : sequence of str
        Further columns to keep apart, such as ``["flush"]``.

    Returns
    -------
    DataFrame
        `level, unit, value, rows`, and the columns of `by`; one row per unit.

    Examples
    --------
    >>> import pandas as pd
    >>> t = pd.DataFrame({"tent": ["A", "A", "B"], "mist": ["low", "low", "high"],
    ...                   "fresh_g": [100.0, 120.0, 90.0]})
    >>> unit_means(t, factor="mist", units=["tent"])["value"].tolist()
    [110.0, 90.0]
    """
    rows = table[table[response].notna()]
    keys = list(dict.fromkeys([*units, factor, *by]))
    means = rows.groupby(keys, sort=False, observed=True)[response].agg(["mean", "size"])
    out = means.reset_index()
    out["unit"] = out[list(units)].astype(str).agg(":".join, axis=1)
    out = out.rename(columns={factor: "level", "mean": "value", "size": "rows"})
    out["level"] = out["level"].astype(str)
    return out[["level", "unit", *by, "value", "rows"]]


@styled
def yield_by_level(
    means: pd.DataFrame,
    points: pd.DataFrame | None = None,
    *,
    reference: str | None = None,
    margin_pct: float | None = None,
    better: Better = "more",
    response: str = "fresh_g",
    quantity: str | None = None,
    units: str = "",
    lacking: str = "",
    level: float = 0.95,
    wording: Wording | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw each level's mean with its interval, and the units it rests on.

    Parameters
    ----------
    means : DataFrame
        `level, estimate, low, high`, in the response's unit; drawn in this order. With a column
        `at`, such as the light, a row is drawn for each level at each of them.
    points : DataFrame, optional
        `level, value`: one row per unit that received the level (see `unit_means`); with `at`
        where the means have it, and with `lacks` (see `trialkit.figures.unit_totals`) where units
        may lack a flush: these are struck out.
    reference : str, optional
        Level the others are compared with.
    margin_pct : float, optional
        Loss accepted, in percent of the reference's mean; shaded when given.
    better : {"more", "less"}
        Whether more or less of the response is better; the loss is on the other side.
    response : str
        Column drawn, for its label and unit.
    quantity : str, optional
        Axis label instead of that of the response.
    units : str
        What one point is, in the plural, such as ``"chamber runs"``.
    lacking : str
        Flushes that units lack, in words, told under the figure.
    level : float
        Confidence of the intervals.
    wording : Wording, optional
        Words and numbers; English by default.
    ax : Axes, optional
        Where to draw; new axes by default.

    Returns
    -------
    Axes
    """
    say = wording or read_wording()
    ax = axes(ax, height=height_for(len(means)))
    names = [str(x) for x in means["level"]]
    look = looks(names)
    at = [str(x) for x in means["at"]] if "at" in means else [""] * len(names)
    own = [_own(points, n, a) for n, a in zip(names, at, strict=True)]
    values = [[float(v) for v in rows["value"]] if len(rows) else [] for rows in own]
    shown = [*means["low"], *means["high"], *(v for vs in values for v in vs)]
    base = _estimate_of(means, reference)
    loss = math.nan if margin_pct is None else margin_pct / 100
    edge = base * (1 + (-loss if better == "more" else loss))
    set_range(ax, [float(v) for v in [*shown, edge, base]])
    if math.isfinite(edge):
        draw_margin(ax, edge, base, wording=say, margin_pct=float(margin_pct or 0))
    places = decimals_of(means)
    for i, (name, row) in enumerate(zip(names, means.to_dict("records"), strict=True)):
        struck = [bool(x) for x in own[i]["lacks"]] if "lacks" in own[i] else []
        draw_points(ax, values[i], i, look[name], struck=struck)
        drawn = draw_interval(ax, row["estimate"], row["low"], row["high"], i, look[name])
        side_label(ax, estimate_words(row, say, places) if drawn else say.text("figure.none"), i)
    counted = points is not None
    labels = [f"{n}, {a}" if a else n for n, a in zip(names, at, strict=True)]
    set_rows(
        ax, [f"{n}\nn = {len(v)}" if counted else n for n, v in zip(labels, values, strict=True)]
    )
    ax.set_xlabel(quantity or head(response))
    number_axis(ax, say)
    key = "figure.yield.note_points" if counted else "figure.yield.note"
    told = say.text(key, level=say.confidence(level), units=units)
    note(ax, " ".join([told, *([say.text("figure.lacking", lacking=lacking)] if lacking else [])]))
    return dress(ax, grid="x")


def _own(points: pd.DataFrame | None, level: str, at: str) -> pd.DataFrame:
    """Give the points of one row."""
    if points is None:
        import pandas as pd

        return pd.DataFrame({"value": []})
    own = points["level"].astype(str) == level
    if at and "at" in points:
        own &= points["at"].astype(str) == at
    return points[own]


def _estimate_of(means: pd.DataFrame, reference: str | None) -> float:
    """Give the reference's mean; none where each cell has a reference of its own."""
    if "at" in means:
        return math.nan
    rows = means.loc[means["level"].astype(str) == str(reference), "estimate"]
    return float(rows.iloc[0]) if len(rows) else math.nan


def decimals_of(rows: pd.DataFrame) -> int:
    """Give the decimals that show every interval of a figure, the same for all its rows."""
    half = (rows["high"] - rows["low"]).abs() / 2
    sizes = [float(h) for h in half if math.isfinite(h) and h > 0]
    return max(0, math.ceil(-math.log10(min(sizes) / 3))) if sizes else 0


def estimate_words(row: dict[Any, Any], say: Wording, decimals: int, *, sign: bool = False) -> str:
    """Write an estimate and its limits."""
    one, low, high = (say.number(row[k], decimals) for k in ("estimate", "low", "high"))
    plus = "+" if sign and round(row["estimate"], decimals) > 0 else ""
    return say.text("figure.interval", estimate=plus + one, low=low, high=high)


def _change_words(
    row: dict[Any, Any], say: Wording, decimals: int, edges: tuple[float, float]
) -> str:
    """Write a change and its limits, each seen to lie beside no change and the accepted loss."""
    low, high = (
        say.number(row[k], decimals_beside(1 + row[k] / 100, edges, fewest=decimals))
        for k in ("low", "high")
    )
    plus = "+" if round(row["estimate"], decimals) > 0 else ""
    estimate = plus + say.number(row["estimate"], decimals)
    return say.text("figure.interval", estimate=estimate, low=low, high=high)


@styled
def ratio_to_reference(
    ratios: pd.DataFrame,
    *,
    margin_pct: float,
    better: Better = "more",
    response: str = "fresh_g",
    level: float = 0.95,
    basis: str = "",
    wording: Wording | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw each level against the reference, with the loss that would be accepted.

    Parameters
    ----------
    ratios : DataFrame
        `level, reference, ratio, low, high`: ratio of means and its limits (1 = equal).
        Limits that are infinite are drawn as open ends. With a column `at`, a row is drawn for
        each level at each of them, labelled by both; with a column `said`, what is said of a row
        stands at its end.
    margin_pct : float
        Loss accepted, in percent of the reference.
    better : {"more", "less"}
        Whether more or less of the response is better; the loss is on the other side.
    response : str
        Column compared, for the axis label.
    level : float
        Joint confidence of the intervals.
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
    ax = axes(ax, height=height_for(len(ratios)))
    reference = str(ratios["reference"].iloc[0]) if len(ratios) else ""
    names = [str(x) for x in ratios["level"]]
    look = looks([reference, *names])
    change = (100 * (ratios[["ratio", "low", "high"]] - 1)).rename(columns={"ratio": "estimate"})
    values = [float(v) for v in change.to_numpy().ravel()]
    said = [str(x) for x in ratios["said"]] if "said" in ratios else [""] * len(names)
    side = -1 if better == "more" else 1
    set_range(ax, [*values, side * margin_pct * 1.6, -side * margin_pct])
    draw_margin(ax, side * margin_pct, 0.0, wording=say, margin_pct=margin_pct)
    places, edges = decimals_of(change), (1.0, 1 + side * margin_pct / 100)
    for i, (name, row) in enumerate(zip(names, change.to_dict("records"), strict=True)):
        drawn = draw_interval(ax, row["estimate"], row["low"], row["high"], i, look[name])
        words = _change_words(row, say, places, edges) if drawn else say.text("figure.none")
        side_label(ax, "\n".join(filter(None, (said[i], words))), i)
    at = [str(x) for x in ratios["at"]] if "at" in ratios else [""] * len(names)
    set_rows(ax, [f"{n}\n{a}" if a else n for n, a in zip(names, at, strict=True)])
    noun = say.written(response_of(response).noun)
    ax.set_xlabel(say.text("figure.ratio.axis", reference=reference, noun=noun))
    number_axis(ax, say, sign=True)
    note(ax, f"{say.text('figure.ratio.note', level=say.confidence(level))} {basis}")
    return dress(ax, grid="x")


@styled
def flush_profiles(
    points: pd.DataFrame,
    means: pd.DataFrame | None = None,
    *,
    order: Sequence[str] | None = None,
    response: str = "fresh_g",
    units: str = "",
    level: float = 0.95,
    wording: Wording | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw how the harvest runs from flush to flush under each level.

    Parameters
    ----------
    points : DataFrame
        `level, flush, value`: one row per unit and flush (see `unit_means` with ``by``).
    means : DataFrame, optional
        `level, flush, estimate, low, high`; the plain means of the points without it.
    order : sequence of str, optional
        Levels in the order that fixes their colours.
    response : str
        Column drawn, for its label and unit.
    units : str
        What one point is, in the plural.
    level : float
        Confidence of the intervals.
    wording : Wording, optional
        Words and numbers; English by default.
    ax : Axes, optional
        Where to draw; new axes by default.

    Returns
    -------
    Axes
    """
    say = wording or read_wording()
    ax = axes(ax, height=3.7)
    names = list(dict.fromkeys(map(str, order if order is not None else points["level"])))
    look = looks(names)
    flushes = sorted({int(f) for f in points["flush"]})
    shift = 0.5 / max(len(names), 1)
    for j, name in enumerate(names):
        move = (j - (len(names) - 1) / 2) * shift
        _draw_profile(ax, points, means, name, flushes, move, look[name])
    ax.set_xticks(flushes, [str(f) for f in flushes])
    ax.set_xlim(min(flushes) - 0.6, max(flushes) + 0.6)
    ax.set_xlabel(say.text("figure.flush.axis"))
    ax.set_ylabel(head(response))
    number_axis(ax, say, axis="y")
    legend_above(ax)
    n = points.groupby("level", observed=True)["unit"].nunique() if "unit" in points else None
    count = "" if n is None else ", ".join(f"{k}: n = {v}" for k, v in n.items())
    key = "figure.flush.note" if means is not None else "figure.flush.note_plain"
    note(ax, say.text(key, level=say.confidence(level), units=units, count=count))
    return dress(ax)


def _draw_profile(
    ax: Axes,
    points: pd.DataFrame,
    means: pd.DataFrame | None,
    name: str,
    flushes: Sequence[int],
    move: float,
    look: Any,
) -> None:
    own = points[points["level"].astype(str) == name]
    ax.plot(
        own["flush"].astype(int) + move + 0.05,
        own["value"],
        linestyle="none",
        marker=look.mark,
        markersize=3.6,
        markerfacecolor="none",
        markeredgecolor=look.color,
        markeredgewidth=0.8,
        zorder=2,
    )
    if means is None:
        middle = own.groupby(own["flush"].astype(int))["value"].mean().reindex(list(flushes))
        x, y = [f + move - 0.03 for f in flushes], middle.tolist()
    else:
        rows = means[means["level"].astype(str) == name]
        rows = rows.assign(flush=rows["flush"].astype(int)).sort_values("flush")
        x, y = [f + move - 0.03 for f in rows["flush"]], rows["estimate"].tolist()
        ax.vlines(x, rows["low"], rows["high"], color=look.color, linewidth=2.2, zorder=3)
    ax.plot(x, y, color=look.color, linestyle=look.dash, marker=look.mark, label=name, zorder=4)


@styled
def effects(
    differences: pd.DataFrame,
    *,
    quantity: str,
    level: float = 0.95,
    basis: str = "",
    wording: Wording | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw differences between levels with their intervals, zero marked.

    Parameters
    ----------
    differences : DataFrame
        `first, second, estimate, low, high`: first minus second.
    quantity : str
        What is compared, with its unit, for the axis.
    level : float
        Joint confidence of the intervals.
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
    ax = axes(ax, height=height_for(len(differences)))
    set_range(ax, [0.0, *map(float, differences[["low", "high"]].to_numpy().ravel())])
    ax.axvline(0, color=INK, linewidth=1.0, zorder=1)
    look = plain_looks(["difference"])["difference"]
    labels, places = [], decimals_of(differences)
    for i, row in enumerate(differences.to_dict("records")):
        drawn = draw_interval(ax, row["estimate"], row["low"], row["high"], i, look)
        words = estimate_words(row, say, places, sign=True) if drawn else say.text("figure.none")
        side_label(ax, words, i)
        labels.append(say.text("figure.effects.row", first=row["first"], second=row["second"]))
    set_rows(ax, labels)
    ax.set_xlabel(say.text("figure.effects.axis", quantity=quantity))
    number_axis(ax, say, sign=True)
    note(ax, f"{say.text('figure.effects.note', level=say.confidence(level))} {basis}")
    return dress(ax, grid="x")
