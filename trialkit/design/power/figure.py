"""The power of a trial as a picture: what more batches, chambers or blocks would bring."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from trialkit.design.power.grid import grid as counts_grid
from trialkit.design.power.grid import one_more
from trialkit.design.power.result import PowerTable
from trialkit.style import INK, SOFT, WASH, axes, dress, plain_looks, styled
from trialkit.wording import Units, plural, spoken

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes


@styled
def draw_curve(power: PowerTable, ax: Axes | None = None, *, most: int = 8) -> Axes:
    """Draw the chance of all answers against what is added, one line per kind of unit.

    Against money where prices are given, otherwise against the number added. The shaded
    band spans the range of the variation for the line that rises fastest.

    Parameters
    ----------
    power : Power
    ax : Axes, optional
        Where to draw; new axes by default.
    most : int
        Largest number added of each kind.
    """
    table = counts_grid(power, most=most)
    priced = bool(table.loc[table["added"] > 0, "cost"].notna().all())
    x = "cost" if priced else "added"
    table[x] = table[x].fillna(0.0)
    ax = axes(ax, height=3.9)
    units = list(dict.fromkeys(table["unit"]))
    best = str(one_more(power)["unit"].iloc[0])
    band = table[table["unit"] == best]
    ax.fill_between(band[x], band["low"], band["high"], color=WASH, linewidth=0)
    for unit, look in plain_looks(units).items():
        line = table[table["unit"] == unit]
        ax.plot(
            line[x],
            line["power"],
            color=look.color,
            linestyle=look.dash,
            marker=look.mark,
            markersize=4,
            label=_label(power, unit, line),
        )
    ax.axhline(power.wanted, color=SOFT, linewidth=0.9)
    say = spoken()
    wanted = say.text("power.figure.wanted", wanted=say.percent(100 * power.wanted))
    ax.annotate(
        wanted,
        (1, power.wanted),
        xycoords=("axes fraction", "data"),
        ha="right",
        va="bottom",
        color=SOFT,
        fontsize=8.5,
    )
    ax.set_ylim(0, 1.02)
    ax.set_yticks([0, 0.2, 0.4, 0.6, 0.8, 1.0], ["0", "20", "40", "60", "80", "100 %"])
    ax.set_ylabel(say.text("power.figure.chance"), color=INK)
    currency = power.trial.prices.currency if priced and power.trial.prices else ""
    axis = ("cost" if currency else "cost_no_currency") if priced else "added"
    ax.set_xlabel(say.text(f"power.figure.{axis}", currency=currency))
    ax.set_title(say.text("power.figure.title", treatment=power.factor))
    ax.legend(loc="lower right")
    return dress(ax, grid="y")


def _label(power: PowerTable, unit: str, line: pd.DataFrame) -> str:
    first, last = int(line["count"].min()), int(line["count"].max())
    above = [t for t in power.trial.structure.terms if unit in t]
    values = {"first": first, "last": last, "units": Units((unit,))}
    if len(above[0]) == 1:
        return spoken().text("power.figure.line", **values)
    return spoken().text("power.figure.line_within", outer=Units((above[0][-2],), 1), **values)


def sliders(power: PowerTable, *, again: Callable[..., PowerTable]) -> Any:
    """Give sliders for the counts of units, the difference and the margin (notebooks).

    Returns
    -------
    ipywidgets.VBox
        Sliders above the table that they change.
    """
    import ipywidgets as widgets

    from trialkit.design.strata.comparisons import with_counts
    from trialkit.errors import TrialkitError

    trial = power.trial
    style = {"description_width": "11em"}
    counts = {
        name: widgets.IntSlider(
            value=n,
            min=1,
            max=max(12, 3 * n),
            description=plural(name),
            style=style,
            continuous_update=False,
        )
        for name, n in trial.counts.items()
    }
    difference = widgets.FloatSlider(
        value=power.asked.difference_pct,
        min=1,
        max=60,
        step=1,
        style=style,
        description=spoken().text("power.figure.difference"),
        continuous_update=False,
    )
    margin = widgets.FloatSlider(
        value=power.asked.margin_pct,
        min=1,
        max=50,
        step=1,
        style=style,
        description=spoken().text("power.figure.margin"),
        continuous_update=False,
    )
    shown = widgets.HTML()
    begun = (dict(trial.counts), difference.value, margin.value)

    def refresh(_: object = None) -> None:
        now = {name: s.value for name, s in counts.items()}
        if (now, difference.value, margin.value) == begun:
            shown.value = power._repr_html_()  # the same numbers as in the table above
            return
        changed = with_counts(trial, now)
        try:
            got = again(
                changed,
                factor=power.factor,
                difference_pct=difference.value,
                margin_pct=margin.value,
                variation=power.variation,
                method="exact",
                lost={name: 100 * share for name, share in power.asked.lost.items()},
                wanted=power.wanted,
                level=power.asked.level,
                joint=power.asked.joint,
            )
            shown.value = got._repr_html_()
        except TrialkitError as problem:
            import html

            shown.value = f"<p>{html.escape(str(problem))}</p>"

    controls = [*counts.values(), difference, margin]
    for control in controls:
        control.observe(refresh, names="value")
    refresh()
    return widgets.VBox([*controls, shown])
