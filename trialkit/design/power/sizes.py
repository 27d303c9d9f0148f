"""The chance of an answer for trials of other sizes, as one picture for growers."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from trialkit.design.power.grid import added_cost, chance_at, steps_of
from trialkit.design.power.result import PowerTable
from trialkit.figure_frame import HEAD, fit_frame
from trialkit.fit_text import wrap
from trialkit.style import (
    INK,
    NARROW,
    PAPER,
    SOFT,
    WASH,
    WIDTH,
    drawing,
    dress,
    is_narrow,
    note,
)
from trialkit.wording import Units, plural, spoken

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_FEWER, _MORE = 2, 4  # steps of the first kind of unit to either side of today's count
_PANELS = (-1, 0, 1, 2)  # steps of the second kind of unit, one panel each
_SAME = 0.005  # chances nearer than this are alike


def other_sizes(power: PowerTable) -> pd.DataFrame:
    """Give the chance of an answer with more and fewer of the two outermost kinds of unit.

    Parameters
    ----------
    power : PowerTable

    Returns
    -------
    DataFrame
        One row per size: the counts of the two units (of one, where there is one), `power, low,
        high` as in `PowerTable`, `today` (whether it is the trial's own size), and `falls` (whether
        a trial with one of them less has the better chance, as where its layout is more balanced).
    """
    import pandas as pd

    names = list(power.trial.structure.factors)[:2]
    now, rows = power.trial.counts, []
    for inner in _counts(power, names[1], _PANELS) if len(names) == 2 else [0]:
        for outer in _counts(power, names[0], range(-_FEWER, _MORE + 1)):
            counts = dict(zip(names, (outer, inner), strict=False))
            got = chance_at(power, counts)
            if got is not None:
                today = all(counts[name] == now[name] for name in names)
                low, middle, high = got
                rows.append({**counts, "power": middle, "low": low, "high": high, "today": today})
    table = pd.DataFrame(rows, columns=[*names, "power", "low", "high", "today"])
    table["falls"] = [_falls(table, row, names) for row in table.to_dict("records")]
    return table


def _counts(power: PowerTable, unit: str, steps: Any) -> list[int]:
    """Give the counts of a unit so many steps away from today's, from two on."""
    now, size = power.trial.counts[unit], steps_of(power.trial, unit)
    return [n for n in (now + size * step for step in steps) if n >= 2 or n == now]


def _falls(table: pd.DataFrame, row: dict[Any, Any], names: list[str]) -> bool:
    """Tell whether a trial with fewer units has a better chance than this one."""
    fewer = table
    for name in names:
        fewer = fewer[fewer[name] <= row[name]]
    return bool((fewer["power"] > row["power"] + _SAME).any())


def draw_sizes(power: PowerTable) -> Figure:
    """Draw the chance against the two outermost kinds of unit, today's trial marked.

    One panel for each count of the second unit, with what a step costs where prices are given.
    Sizes whose chance falls although they have more units are left out; the note says so.

    Parameters
    ----------
    power : PowerTable

    Returns
    -------
    Figure
    """
    from matplotlib.figure import Figure

    table = other_sizes(power)
    names = [name for name in power.trial.structure.factors if name in table]
    inner = names[1] if len(names) == 2 else ""
    panels = list(dict.fromkeys(table[inner])) if inner else [0]
    down = -(-len(panels) // 2) if is_narrow() else 1
    across = -(-len(panels) // down)
    with drawing():
        figure = Figure(figsize=(NARROW if is_narrow() else WIDTH, 2.6 * down))
        space = {"wspace": 0.12, "hspace": 0.75}
        grid = figure.subplots(down, across, squeeze=False, sharey=True, gridspec_kw=space).ravel()
        for spare in grid[len(panels) :]:
            spare.remove()
        for ax, count in zip(grid, panels, strict=False):
            own = table[table[inner] == count] if inner else table
            _draw_panel(ax, power, own[~own["falls"] | own["today"]], names[0])
            for text, up, style in _panel_head(power, own, inner, int(count)):
                _write_above(ax, text, up, **style)
        _explain(grid[0], power, table, names)
        fit_frame(figure)
    return figure


def _draw_panel(ax: Axes, power: PowerTable, rows: pd.DataFrame, outer: str) -> None:
    """Draw one panel: the range of the variation, the chance, and today's trial."""
    say = spoken()
    ax.axhline(power.wanted, color=SOFT, linewidth=1.0, linestyle=(0, (4, 2)))
    ax.fill_between(rows[outer], rows["low"], rows["high"], color=WASH, linewidth=0)
    ax.plot(rows[outer], rows["power"], color=SOFT, linewidth=1.1)
    enough = rows["power"] >= power.wanted
    for own, face in ((rows[~enough], PAPER), (rows[enough], INK)):
        ax.plot(own[outer], own["power"], "o", color=INK, markerfacecolor=face, markersize=5)
    for row in rows[rows["today"]].to_dict("records"):
        ax.plot([row[outer]], [row["power"]], "s", color=INK, markersize=13, fillstyle="none")
    size = steps_of(power.trial, outer)
    first, last = (int(v) for v in (rows[outer].min(), rows[outer].max()))
    ax.set_xlim(first - 0.9 * size, last + 0.9 * size)
    ax.set_ylim(0, 1.03)
    ax.set_yticks([0, 0.2, 0.4, 0.6, 0.8, 1.0], [say.percent(20.0 * i, 0) for i in range(6)])
    every = size * (2 if last - first > 4 * size else 1)
    ax.set_xticks(range(first, last + 1, every))
    ax.set_xlabel(plural(outer))
    dress(ax, grid="y")


def _panel_head(
    power: PowerTable, rows: pd.DataFrame, inner: str, count: int
) -> list[tuple[str, float, dict[str, Any]]]:
    """Say how many units a panel is for, what they cost more, or the chance of today's trial."""
    say = spoken()
    chance = rows.loc[rows["today"], "power"]
    today = [say.text("power.sizes.today", chance=say.percent(100 * p, 0)) for p in chance]
    if not inner:
        return [(text, 3.0, {}) for text in today]
    added = count - power.trial.counts[inner]
    price = _price(power, inner, added) if added > 0 else ""
    head = say.text("power.sizes.count", count=say.number(count, 0), units=Units((inner,), count))
    return [
        (head, 14.0, {"fontweight": "bold"}),
        (today[0], 3.0, {}) if today else (price, 3.0, {"color": SOFT}),
    ]


def _write_above(ax: Axes, text: str, up: float, **style: Any) -> None:
    """Write a line so many points above axes."""
    options: dict[str, Any] = {"fontsize": 8.5, "ha": "left", "va": "bottom"} | style
    ax.annotate(
        text, (0, 1), (0, up), xycoords="axes fraction", textcoords="offset points", **options
    )


def _price(power: PowerTable, unit: str, added: int) -> str:
    """Say what more units cost with all that fills them; nothing where no price says."""
    say, cost = spoken(), added_cost(power.trial, unit, added)
    if not math.isfinite(cost) or power.trial.prices is None:
        return ""
    money = f"{say.number(cost, 0)} {power.trial.prices.currency}".strip()
    return say.text("power.sizes.more", money=money)


def _explain(ax: Axes, power: PowerTable, table: pd.DataFrame, names: list[str]) -> None:
    """Write above what is shown, and below what the marks mean and what a step costs."""
    say, outer = spoken(), names[0]
    units = say.listed([plural(name) for name in names])
    title = say.text("power.sizes.title", treatment=power.factor, units=units)
    wide = 72 * float(ax.get_figure(root=True).get_size_inches()[0])  # type: ignore[union-attr]
    ax.annotate(
        "\n".join(wrap(title, wide - 10, 10.5, bold=True)),
        (0, 1),
        (4, 34),
        xycoords=("figure fraction", "axes fraction"),
        textcoords="offset points",
        fontsize=10.5,
        fontweight="bold",
        ha="left",
        va="bottom",
        label=HEAD,
    )
    size = steps_of(power.trial, outer)
    price, wanted = _price(power, outer, size), say.percent(100 * power.wanted)
    told = [say.text("power.sizes.note", wanted=wanted)]
    if price:
        told.append(
            say.text(
                "power.sizes.step",
                count=say.number(size, 0),
                units=Units((outer,), size),
                price=price,
            )
        )
    if (table["falls"] & ~table["today"]).any():
        told.append(say.text("power.sizes.falls"))
    note(ax, " ".join(told), whole=True)
