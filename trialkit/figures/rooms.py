"""Pictures of the chamber model: what settings hold, how a room was read, what rooms cost."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from trialkit.figures.rows import legend_above, number_axis
from trialkit.style import INK, SOFT, WASH, axes, dress, looks, note, styled
from trialkit.wording import plural, spoken

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from trialkit.chamber import Identified, Simulation, Sizing


@styled
def setting_courses(
    results: Mapping[str, Simulation],
    *,
    band: tuple[float, float] | None = None,
    hours: float = 0.5,
    ax: Axes | None = None,
) -> Axes:
    """Draw the humidity that each setting should hold once the room has settled.

    Parameters
    ----------
    results : mapping
        Level → `Simulation`, such as `Comparison.results`.
    band : (low, high), optional
        Humidity wanted [%].
    hours : float
        Stretch of time drawn [h].
    ax : Axes, optional
        Where to draw; new axes by default.

    Returns
    -------
    Axes
    """
    say = spoken()
    ax = axes(ax, height=3.2)
    look, step = looks(list(results)), max(1.0, round(hours * 2.0))
    if band is not None:
        ax.axhspan(*band, color=WASH, zorder=0)
        ax.annotate(
            say.text("figure.room.band"),
            (1, sum(band) / 2),
            xycoords=("axes fraction", "data"),
            xytext=(4, 0),
            textcoords="offset points",
            ha="left",
            va="center",
            fontsize=8.5,
            color=SOFT,
        )
    for level, result in results.items():
        rh = _from_a_start(result, step, int(hours * 3600 / step) + 1)
        minutes = np.arange(len(rh)) * step / 60
        ax.plot(
            minutes,
            rh,
            color=look[level].color,
            linestyle=look[level].dash,
            label=f"{level}: {result.setting.words}",
        )
    ax.set_xlim(0, hours * 60)
    ax.set_xlabel(say.text("figure.room.time_settled"))
    ax.set_ylabel(say.text("figure.room.humidity"))
    legend_above(ax, most=2)
    number_axis(ax, say)
    number_axis(ax, say, axis="y")
    note(ax, say.text("figure.room.not_measured"))
    return dress(ax)


def _from_a_start(result: Simulation, step_s: float, count: int) -> np.ndarray:
    """Give the humidity of a settled room from a start of the mist on."""
    course = result.sample(step_s=step_s, columns=("rh_pct", "mist_on"))
    last = max(len(course["rh_pct"]) - count, 0)
    starts = np.flatnonzero(np.diff(course["mist_on"][: last + 1]) > 0)
    first = int(starts[-1]) + 1 if starts.size else last
    return course["rh_pct"][first : first + count]


@styled
def room_fit(
    found: Identified, *, chamber: str | None = None, hours: float = 2.0, ax: Axes | None = None
) -> Axes:
    """Draw a chamber's readings and what its estimated constants expect.

    Parameters
    ----------
    found : Identified
        From `identify_room`.
    chamber : str, optional
        Which; the first by default.
    hours : float
        Stretch of time drawn, from the first reading [h].
    ax : Axes, optional
        Where to draw; new axes by default.

    Returns
    -------
    Axes
    """
    say = spoken()
    ax = axes(ax, height=3.0)
    name = next(iter(found.fits)) if chamber is None else chamber
    fit = found.fits[name]
    course = fit.course
    shown = course.time_s <= hours * 3600
    minutes = course.time_s[shown] / 60
    ax.plot(
        minutes,
        course.rh_pct[shown],
        linestyle="none",
        marker="o",
        markersize=2.6,
        color=SOFT,
        label=say.text("figure.room.readings"),
    )
    known = "air_changes_h" in fit.determined
    expected = say.text("figure.room.expected" if known else "figure.room.one_of_many")
    ax.plot(
        minutes,
        fit.fitted_rh_pct[shown],
        color=INK if known else SOFT,
        linestyle="-" if known else ":",
        label=expected,
    )
    for begin, end, on in zip(
        course.switch_s, np.append(course.switch_s[1:], course.time_s[-1]), course.on, strict=True
    ):
        if on and begin <= hours * 3600:
            ax.axvspan(begin / 60, end / 60, ymax=0.04, color=INK, linewidth=0)
    values = fit.estimates
    ax.set_xlim(0, min(hours * 60, course.time_s[-1] / 60))
    ax.set_xlabel(say.text("figure.room.time"))
    ax.set_ylabel(say.text("figure.room.humidity"))
    legend_above(ax, most=2)
    number_axis(ax, say)
    number_axis(ax, say, axis="y")
    told = {"chamber": name, "readings": int(fit.used.sum())}
    if known:
        air = values.to_dict("index")["air_changes_h"]
        told |= {k: float(air[k]) for k in ("estimate", "low", "high")}
        told |= {"level": 100 * found.level, "spread": float(fit.residual_sd_pct)}
        note(ax, say.text("figure.room.fit", **told))
    else:
        note(ax, say.text("figure.room.not_fit", why=fit.why_not["air_changes_h"], **told))
    return dress(ax)


@styled
def cost_by_chambers(sizing: Sizing, *, currency: str = "", ax: Axes | None = None) -> Axes:
    """Draw what mist and air cost to run against the number of chambers.

    Parameters
    ----------
    sizing : Sizing
        From `size_up`. Without prices, electricity is drawn instead of cost, or water where
        the fogger's power is not given.
    currency : str
        Unit of the cost axis.
    ax : Axes, optional
        Where to draw; new axes by default.

    Returns
    -------
    Axes
    """
    say = spoken()
    ax = axes(ax, height=3.0)
    table = sizing.table
    priced = bool(table["cost_day"].notna().all())
    powered = bool(table["energy_kwh_day"].notna().all())
    column = "cost_day" if priced else "energy_kwh_day" if powered else "water_l_day"
    label = {"cost_day": "cost", "energy_kwh_day": "energy", "water_l_day": "water"}[column]
    words = {"unit": {"cost": currency, "energy": "kWh", "water": "L"}[label]}
    ax.plot(table["chambers"], table[column], color=INK, marker="o")
    ax.set_xlabel(plural("chamber"))
    ax.set_ylabel(say.text(f"figure.room.{label}", **words))
    ax.set_ylim(bottom=0)
    ax.set_xlim(left=0)
    number_axis(ax, say)
    number_axis(ax, say, axis="y")
    built = table["cost_build"]
    last = table.iloc[-1]
    told = {k: float(last[k]) for k in ("mist_l_h", "power_w", "cost_build")}
    key = "figure.room.rig_built" if built.notna().all() else "figure.room.rig"
    key += "" if powered else "_unpowered"
    ax.annotate(
        say.text(key, currency=currency, **told),
        (last["chambers"], last[column]),
        xytext=(-8, 0),
        textcoords="offset points",
        ha="right",
        va="center",
        fontsize=8.5,
        color=SOFT,
    )
    note(ax, sizing.sentence)
    return dress(ax, grid="both")
