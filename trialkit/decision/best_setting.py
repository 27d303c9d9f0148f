"""How much mist? The setting that pays best, and what the trial knows of it."""

from __future__ import annotations

import html
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from trialkit.analysis.batches_to_come import BATCH
from trialkit.analysis.tuned import analyse_settings
from trialkit.analysis.tuned_delivered import DeliveredSurface, surfaces_delivered
from trialkit.arrays import Floats
from trialkit.columns.response import response_of
from trialkit.decision.harvest_ahead import Ahead, parts_ahead
from trialkit.decision.range_doubts import batch_doubts, early_ranges, form_doubts, lost_blocks
from trialkit.decision.setting_sentences import say_best
from trialkit.errors import Finding
from trialkit.short_repr import short_repr
from trialkit.surface.best_region import BestRegion, best_region
from trialkit.surface.between_batches import slopes_between_batches
from trialkit.surface.choices import Choices, choose_settings
from trialkit.surface.departures import Departures
from trialkit.surface.limits import surface_limits
from trialkit.surface.stationary import Stationary, stationary_point
from trialkit.trial.rig_use import kilowatt_hours, litres
from trialkit.wording import Message, finding

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.alignment.result import Aligned
    from trialkit.surface.fit_surface import Surface
    from trialkit.trial import Trial


@dataclass(frozen=True, eq=False)
class BestSetting:
    """What a trial of ranges says. Made by `find_best_setting`.

    Parameters
    ----------
    surface : Surface
    tests : DataFrame
        `Surface.tests`.
    stationary : Stationary
        Where the estimated surface is level.
    region : BestRegion
        Settings that may be the best.
    limits : DataFrame
        `surface_limits`: the response over the range, with limits that hold jointly.
    choices : Choices or None
        What to choose, by what one wants; None where less of the response is better.
    said : tuple of Message
        The answer, then what each choice gives.
    findings : tuple of Finding
    delivered : tuple of DeliveredSurface
        The same over what chambers really got, which was not randomised.
    ahead : Ahead or None
        What of the planned harvest is not in yet.
    between_batches : DataFrame or None
        `slopes_between_batches`: whether each setting acts alike in every batch.
    """

    surface: Surface
    tests: pd.DataFrame
    stationary: Stationary
    region: BestRegion
    limits: pd.DataFrame
    choices: Choices | None
    said: tuple[Message, ...]
    findings: tuple[Finding, ...] = ()
    delivered: tuple[DeliveredSurface, ...] = ()
    ahead: Ahead | None = None
    between_batches: pd.DataFrame | None = None

    __repr__ = short_repr

    @property
    def sentence(self) -> str:
        """The answer in the language in use."""
        return str(self.said[0])

    def __str__(self) -> str:
        return "\n".join(str(line) for line in self.said)

    def _repr_html_(self) -> str:
        return "".join(f"<p>{html.escape(str(line))}</p>" for line in self.said)


def find_best_setting(trial: Trial, data: Aligned) -> BestSetting:
    """Say which setting is the best, as far as a trial of ranges can tell.

    Parameters
    ----------
    trial : Trial
        Whose treatments have ranges.
    data : Aligned

    Returns
    -------
    BestSetting

    Raises
    ------
    ModelError
        If the surface cannot be fitted.

    Notes
    -----
    Water and electricity are calculated from the settings and the rig; prices are taken as known.
    The region and the limits are about the settings that were set, which were drawn by chance.
    """
    surface = analyse_settings(trial, data)
    asked = response_of(trial.question.response, trial.harvest_columns)
    more = asked.better == "more"
    region = best_region(surface, more_is_better=more, seed=trial.seed)
    ahead = parts_ahead(trial, data.table)
    choices = None
    findings = [*data.findings, *early_ranges(ahead), *lost_blocks(trial, data.table)]
    if more:
        choices = choices_of(trial, data, surface)
        if trial.prices is not None and choices.table["worth_change"].isna().all():
            findings.append(finding("settings_not_priced", "note"))
    tests = surface.tests()
    between = slopes_between_batches(surface, BATCH)
    findings += [*form_doubts(tests, seen=region.seen), *batch_doubts(between)]
    level = stationary_point(surface)
    delivered, untold = surfaces_delivered(trial, data, more_is_better=more)
    findings += untold
    p = float(tests["p"]["settings"])
    said = tuple(say_best(trial, surface, region, choices, p, ahead=ahead))
    return BestSetting(
        surface,
        tests,
        level,
        region,
        surface_limits(surface, seed=trial.seed),
        choices,
        said,
        tuple(findings),
        tuple(delivered),
        ahead,
        between,
    )


def choices_of(
    trial: Trial, data: Aligned, surface: Surface, departures: Departures | None = None
) -> Choices:
    """Say what to choose at the trial's prices and its accepted loss.

    Parameters
    ----------
    trial : Trial
    data : Aligned
    surface : Surface
        Of a response of which more is better.
    departures : Departures, optional
        As in `choose_settings`; they do not depend on prices.

    Returns
    -------
    Choices
    """
    money = money_of_settings(trial, data, surface.response)
    return choose_settings(
        surface,
        margin_pct=trial.question.margin_pct,
        use=daily_use(trial, "water_l") or daily_use(trial, "energy_kwh"),
        price=None if money is None else money[0],
        cost=None if money is None else money[1],
        departures=departures,
        seed=trial.seed,
    )


def daily_use(trial: Trial, name: str) -> Callable[[Floats], Floats] | None:
    """Give the water [L] or electricity [kWh] a chamber uses a day, by its settings.

    Parameters
    ----------
    trial : Trial
    name : {"water_l", "energy_kwh"}

    Returns
    -------
    callable or None
        Takes settings, shape (n, settings); None where no duty cycle is tuned, or the rig's
        figures do not say.
    """
    tuned = [f.tuned.name for f in trial.tuned if f.tuned is not None]
    if "duty_pct" not in tuned:
        return None
    at, rig = tuned.index("duty_pct"), trial.rig
    if (rig.mist_l_h if name == "water_l" else rig.fogger_w) is None:
        return None

    def use(values: Floats) -> Floats:
        on_h = np.asarray(0.24 * values[:, at])
        if name == "water_l":
            return litres(rig, on_h)
        return kilowatt_hours(rig, on_h, np.full_like(on_h, 24.0))

    return use


def money_of_settings(
    trial: Trial, data: Aligned, response: str
) -> tuple[float, Callable[[Floats], Floats]] | None:
    """Give the price of one unit of the response, and what settings cost a block.

    None where the trial file has no price for it, or does not say what settings use.
    """
    prices = trial.prices
    if prices is None or prices.mushrooms_per_kg is None or response != "fresh_g":
        return None
    per_g = prices.mushrooms_per_kg / 1000
    if prices.labour_per_h and prices.picking_kg_per_h:
        per_g -= prices.labour_per_h / prices.picking_kg_per_h / 1000
    runs = [name for name in ("batch", "chamber") if name in trial.levels]
    blocks = math.prod(n for name, n in trial.counts.items() if name not in runs)
    days = _days(trial, data)
    paid = {
        "water_l": None if prices.water_per_m3 is None else prices.water_per_m3 / 1000,
        "energy_kwh": prices.energy_per_kwh,
    }
    parts = []
    for name, price in paid.items():
        if not price:
            continue
        use = daily_use(trial, name)
        if use is None or days is None:
            return None
        parts.append((price * days / blocks, use))

    def cost(values: Floats) -> Floats:
        return np.asarray(sum((times * use(values) for times, use in parts), np.zeros(len(values))))

    return per_g, cost


def _days(trial: Trial, data: Aligned) -> float | None:
    """Give the mean days of a chamber run: by its log, else by the dates of batches; or None."""
    runs = data.runs
    if runs is not None and "window_h" in runs:
        hours = runs.loc[runs["window"] == "whole", "window_h"].astype(float)
        if hours.notna().any():
            return float(hours.mean() / 24)
    spans = [(d.end - d.start) for d in trial.batches.values() if d.start and d.end]
    return sum(s.total_seconds() for s in spans) / 86400 / len(spans) if spans else None
