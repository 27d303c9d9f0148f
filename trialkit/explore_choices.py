"""Sliders for notebooks: what to choose at other prices and another accepted loss."""

from __future__ import annotations

import html
import io
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from trialkit.wording import spoken

if TYPE_CHECKING:
    from trialkit.alignment.result import Aligned
    from trialkit.decision.best_setting import BestSetting
    from trialkit.surface.departures import Departures
    from trialkit.trial import Trial

#: Slider → the price in the trial file, where it starts if there is none, and its most.
_PRICES = {
    "mushrooms": ("mushrooms_per_kg", 8.0, 30.0),
    "water": ("water_per_m3", 3.0, 30.0),
    "energy": ("energy_per_kwh", 0.3, 2.0),
}


def choice_sliders(trial: Trial, data: Aligned, found: BestSetting) -> Any:
    """Give sliders for prices and the accepted loss, above the frontier and what to choose.

    Parameters
    ----------
    trial : Trial
        Whose treatments have ranges.
    data : Aligned
    found : BestSetting
        Its surface is not fitted again.

    Returns
    -------
    ipywidgets.VBox
        Prices stay with the sliders: the trial file is not changed.
    """
    import ipywidgets as widgets

    from trialkit.surface.choices import choosable
    from trialkit.surface.departures import allow_departures

    prices = trial.prices

    def slider(name: str, value: float, most: float) -> Any:
        return widgets.FloatSlider(
            value=min(value, most),
            min=0.0,
            max=most,
            step=most / 200,
            description=spoken().text(f"explore.{name}"),
            continuous_update=False,
            readout_format=".3g",
            style={"description_width": "13em"},
            layout={"width": "32em"},
        )

    controls = {}
    for name, (key, usual, most) in _PRICES.items():
        given = None if prices is None else getattr(prices, key)
        controls[name] = slider(name, usual if given is None else float(given), most)
    controls["margin"] = slider("margin", trial.question.margin_pct, 30.0)
    picture = widgets.Image(format="png", layout={"max_width": "44em", "object_fit": "contain"})
    words = widgets.HTML()

    known = allow_departures(found.surface, choosable(found.surface))  # whatever the prices

    def refresh(_: object = None) -> None:
        at = {name: float(control.value) for name, control in controls.items()}
        picture.value, words.value = choices_at(trial, data, found, departures=known, **at)

    for control in controls.values():
        control.observe(refresh, names="value")
    refresh()
    return widgets.VBox([*controls.values(), picture, words])


def choices_at(
    trial: Trial,
    data: Aligned,
    found: BestSetting,
    *,
    mushrooms: float,
    water: float,
    energy: float,
    margin: float,
    departures: Departures | None = None,
) -> tuple[bytes, str]:
    """Draw the frontier as a PNG and write the choices as HTML, at some prices.

    Parameters
    ----------
    trial : Trial
    data : Aligned
    found : BestSetting
    mushrooms, water, energy : float
        Money per kg, per m³ and per kWh.
    margin : float
        Accepted loss against today [%].
    departures : Departures, optional
        As in `choose_settings`.

    Returns
    -------
    (bytes, str)
        The picture is empty where the rig does not say what the settings use.
    """
    from trialkit.decision.best_setting import choices_of
    from trialkit.decision.choice_table import (
        choice_caption,
        choice_heads,
        setting_formats,
        told_choices,
    )
    from trialkit.display import show_table
    from trialkit.trial.sections import PricesSection

    say = spoken()
    if found.choices is None:
        return b"", f"<p>{html.escape(say.text('explore.no_choices'))}</p>"
    paid = {"mushrooms_per_kg": mushrooms, "water_per_m3": water, "energy_per_kwh": energy}
    prices = trial.prices or PricesSection()
    asked = replace(
        trial,
        prices=prices.model_copy(update=paid),
        question=trial.question.model_copy(update={"margin_pct": margin}),
    )
    choices = choices_of(asked, data, found.surface, departures)
    names = [s.name for s in found.surface.settings]
    columns = ["choice", *names, "yield", "yield_change_low", "yield_change_high"]
    columns += [n for n in ("use_change_pct", "worth_change", "regret") if n in choices.table]
    shown = show_table(
        told_choices(choices, say, seen=found.region.seen),
        columns=columns,
        formats=setting_formats(found.surface, say),
        heads=choice_heads(asked, found.surface, choices, columns, say),
        caption=say.text(choice_caption(found.ahead)),
    )
    if len(choices.frontier) < 2:
        return b"", f"<p>{html.escape(say.text('explore.no_use'))}</p>{shown.html()}"
    return _drawn(trial, found, choices), shown.html()


def _drawn(trial: Trial, found: BestSetting, choices: Any) -> bytes:
    """Draw yield against use with the choices on it."""
    from matplotlib.figure import Figure

    from trialkit.decision.best_setting import daily_use
    from trialkit.figures import yield_against_use

    say = spoken()
    rows = choices.table.set_index("choice")
    picked = [n for n in ("careful", "most money", "least use") if n in rows.index]
    figure = Figure(figsize=(7.2, 3.4), layout="constrained")
    yield_against_use(
        choices.frontier,
        today={name: float(rows[name]["today"]) for name in ("use", "yield")},
        marks={
            say.text(f"best.choice.{name.replace(' ', '_')}"): (
                rows["use"][name],
                rows["yield"][name],
            )
            for name in picked
        },
        axis=say.text(
            f"best.page.use.{'water' if daily_use(trial, 'water_l') is not None else 'energy'}"
        ),
        quantity=f"{found.surface.response} [{_unit(trial)}]",
        level=found.surface.level,
        ax=figure.subplots(),
    )
    target = io.BytesIO()
    figure.savefig(target, format="png", dpi=90)
    return target.getvalue()


def _unit(trial: Trial) -> str:
    from trialkit.columns import house_unit

    return house_unit(trial.question.response, trial.columns) or ""
