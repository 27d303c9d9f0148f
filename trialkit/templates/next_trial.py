"""The next trial of tuned settings: what to try, what that is worth, and its trial file."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from trialkit.analysis.trials_of_ranges import analyse_trials_of_ranges
from trialkit.arrays import Floats
from trialkit.columns.response import response_of
from trialkit.decision.best_setting import money_of_settings
from trialkit.decision.harvest_ahead import parts_ahead
from trialkit.decision.next_ranges import (
    NextRange,
    candidates_of,
    chosen_values,
    next_ranges,
)
from trialkit.decision.range_doubts import early_ranges, form_doubts
from trialkit.design.points.criteria import unit_weights
from trialkit.design.points.draw import finest_site, random_parts, settings_of_units
from trialkit.design.variation import Variation, given_variation
from trialkit.errors import Finding, ModelError
from trialkit.settings.polynomial import terms
from trialkit.settings.setting_range import MOST, coded_grid
from trialkit.surface.best_region import BestRegion, best_region
from trialkit.surface.expected_gain import (
    Belief,
    believe,
    chance_of_more,
    gain_of_trial,
    information_of,
)
from trialkit.surface.fit_surface import Surface
from trialkit.surface.pick_settings import pick_settings
from trialkit.templates import read_draft
from trialkit.templates.next_file import next_file, next_title, raw_file
from trialkit.templates.next_outlook import NextTrial
from trialkit.templates.next_words import say_next_trial
from trialkit.wording import Number, finding, spoken

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.alignment.result import Aligned
    from trialkit.trial import Trial

#: Least chance of a gain worth finding for which a further trial is in sight.
IN_SIGHT = 0.05
#: Settings looked at when the gain of a trial is worked out.
_LOOKED_AT = 400
#: Units with today's settings, of so many, as plans have them.
_ONE_IN = 12


@dataclass(frozen=True)
class Worth:
    """What a block's harvest is worth: in money, or in the response itself.

    Parameters
    ----------
    price : float
        Of one unit of the response; 1 without prices.
    cost : callable or None
        Money that settings cost a block.
    unit : str
        Currency, or unit of the response.
    year_blocks : float
        Blocks grown in a year; NaN where the trial file does not say.
    """

    price: float
    cost: Any
    unit: str
    year_blocks: float

    def dearer(self, values: Floats, today: Floats) -> Floats:
        """Give what settings cost a block more than today's, shape (n,)."""
        if self.cost is None:
            return np.zeros(len(values))
        return np.asarray(self.cost(values) - self.cost(today[None, :])[0])


def propose_next_trial(
    trials: Sequence[Trial], data: Sequence[Aligned], *, cost: float = 0.0
) -> NextTrial:
    """Work out the next trial from all trials of the same settings so far.

    Parameters
    ----------
    trials : sequence of Trial
        Whose treatments have ranges, in the order in which they ran. Units, rig and prices of
        the last are those of the next.
    data : sequence of Aligned
    cost : float
        Money that the next trial costs beside the harvest it gives up, such as for weighing.

    Returns
    -------
    NextTrial

    Raises
    ------
    ModelError
        If trials compare named levels, do not ask the same, rest on the same harvest, or have too
        few error degrees of freedom.

    Notes
    -----
    The joint surface is drawn towards no effect (`trialkit.surface.expected_gain.believe`).
    Ranges come from the settings that may be the best, values within them from what each may
    gain over today's and what it teaches, and the plan from `trialkit.assign`, drawn here as
    `trialkit plan` will. What the plan is worth is simulated: a truth, its harvest, and the
    choice after it, against the choice of now. Prices and water are taken as known.
    """
    surface = analyse_trials_of_ranges(trials, data)
    last, worth = trials[-1], _worth(trials[-1], data[-1], trials[-1].question.response)
    if cost and worth.cost is None:
        raise ModelError("a cost is money: give [prices] with mushrooms_per_kg in the trial file")
    region, belief = best_region(surface, seed=last.seed), believe(surface)
    raw, titles = raw_file(last), [t.title for t in trials]
    ranges = next_ranges(surface, region, last.tuned)
    values = _values(surface, belief, region, ranges, last, worth)
    settings: dict[str, Any] = {
        "title": next_title(titles, spoken().text("next.trial")),
        "seed": max(t.seed for t in trials) + 1,
    }
    draft = read_draft(next_file(raw, ranges, values, **settings))
    found = NextTrial(
        surface=surface,
        region=region,
        ranges=tuple(ranges),
        cost=cost,
        unit=worth.unit,
        decimals=_decimals(worth.price * _mean_today(surface)),
        text="",
        trial=draft,
        said=(),
        findings=_findings(surface, region, belief, trials, data),
        **_weighed(surface, belief, worth, ranges, draft, cost),
    )
    said = say_next_trial(found, worth.year_blocks, math.prod(draft.counts.values()))
    say = spoken().text
    notes = [say("next.file.head", trials=titles), *map(str, said), say("next.file.keep")]
    return replace(found, said=said, text=next_file(raw, ranges, values, notes=notes, **settings))


def _weighed(
    surface: Surface,
    belief: Belief,
    worth: Worth,
    ranges: Sequence[NextRange],
    draft: Trial,
    cost: float,
) -> dict[str, Any]:
    """Draw the plan of the next trial, and weigh what it brings against what it costs."""
    plan, question = _planned(draft), draft.question
    rows, dearer = _looked_at(surface, worth, ranges)
    told: dict[str, Any] = {"price": worth.price, "dearer": dearer, "seed": draft.seed}
    teaches = _teaches(surface, draft, plan)
    gain = gain_of_trial(belief, teaches, rows, level=question.level, **told)
    table = _table(surface, belief, worth, plan)
    blocks = math.prod(draft.counts.values())
    less = (gain.known - table["gain"]) * table["units"]
    loss = float(less.sum()) * blocks / len(plan)
    net = gain.expected * worth.year_blocks - loss - cost
    wanted = worth.price * question.difference_pct / 100 * _mean_today(surface)
    sight = chance_of_more(belief, rows, wanted, **told)
    return {
        "table": table,
        "gain": gain,
        "loss": loss,
        "net": net,
        "in_sight": sight,
        "stop": net <= 0 if math.isfinite(net) else sight < IN_SIGHT,
    }


def _worth(trial: Trial, data: Aligned, response: str) -> Worth:
    """Say what a block's harvest is worth, and how many blocks a year has."""
    from trialkit.columns import house_unit

    asked = response_of(response, trial.harvest_columns)
    if asked.better == "less":
        raise ModelError(
            f"a next trial is worked out for a response of which more is better, not {response!r}"
        )
    money, prices = money_of_settings(trial, data, response), trial.prices
    runs = trial.counts.get("batch", 1)
    yearly = math.nan if prices is None else prices.batches_per_year or math.nan
    blocks = yearly * math.prod(trial.counts.values()) / runs
    if money is None or prices is None:
        return Worth(1.0, None, house_unit(response, trial.columns) or response, math.nan)
    return Worth(money[0], money[1], prices.currency, blocks)


def _mean_today(surface: Surface) -> float:
    return float(surface.at(surface.usual[None, :])[0])


def _decimals(today: float) -> int:
    """Give the decimals that show a five-hundredth of today's worth of a block."""
    return max(0, math.ceil(-math.log10(today / 500))) if today > 0 else 2


def _coded(surface: Surface, values: Floats) -> Floats:
    """Code settings in their own units by the surface's ranges."""
    pairs = zip(surface.settings, values.T, strict=True)
    return np.column_stack([setting.code(v) for setting, v in pairs])


def _looked_at(
    surface: Surface, worth: Worth, ranges: Sequence[NextRange]
) -> tuple[Floats, Floats]:
    """Give gains over today's as rows, and what they cost more: of all settings to choose from."""
    coded = np.vstack([coded_grid(surface.settings), _coded(surface, candidates_of(list(ranges)))])
    coded = coded[:: max(1, len(coded) // _LOOKED_AT)]
    coded = np.vstack([surface.usual, coded])
    own = np.column_stack([s.decode(x) for s, x in zip(surface.settings, coded.T, strict=True)])
    rows = terms(coded) - terms(surface.usual)
    return rows[:, 1:], worth.dearer(own, own[0])


def _values(
    surface: Surface,
    belief: Belief,
    region: BestRegion,
    ranges: list[NextRange],
    last: Trial,
    worth: Worth,
) -> list[tuple[float, ...]]:
    """Pick settings one after another, and give the values they use."""
    values = candidates_of(ranges)
    values = values[:: max(1, len(values) // MOST)]
    units, planning = random_parts(last, finest_site(last), _variation(surface, last))
    count = len(next(iter(units.values()))) if units else finest_site(last).n
    parts, rest = planning[1]
    spread = rest + sum(v for name, v in parts.items() if name != "batch")
    over = region.coded[region.within]
    today = np.array([s.usual for s in surface.settings])
    picked = pick_settings(
        belief,
        _coded(surface, values),
        surface.usual,
        count,
        variance=spread * (_mean_today(surface) / 100) ** 2,
        over=over[:: max(1, len(over) // _LOOKED_AT)],
        usual_units=max(1, count // _ONE_IN),
        price=worth.price,
        dearer=worth.dearer(values, today),
    )
    return chosen_values(ranges, values[picked], tuple(map(float, today)))


def _variation(surface: Surface, trial: Trial) -> Variation:
    """Give the variation that the trials so far have shown, as per cent of today's mean."""
    mean = _mean_today(surface)
    if not mean > 0:
        raise ModelError("the mean at today's setting is not above zero: nothing can be predicted")
    squares = {str(k): max(0.0, float(v)) for k, v in surface.fit.variances.items()}
    finest = ":".join(trial.structure.smallest)
    squares[finest] = squares.get(finest, 0.0) + squares.pop("residual", 0.0)
    known = {":".join(term) for term in trial.structure.terms}
    spread = {k: 100 * math.sqrt(v) / mean for k, v in squares.items() if k in known}
    return given_variation(trial, spread)


def _planned(draft: Trial) -> Floats:
    """Draw the plan of the next trial as `trialkit plan` will; give its units' settings."""
    from trialkit.design.plan import assign

    return settings_of_units(draft, assign(draft).table)


def _teaches(surface: Surface, draft: Trial, plan: Floats) -> Floats:
    """Give what a harvest of the plan teaches of the coefficients."""
    units, planning = random_parts(draft, finest_site(draft), _variation(surface, draft))
    scale = (_mean_today(surface) / 100) ** 2
    parts, rest = planning[1]
    weights = unit_weights(units, {k: v * scale for k, v in parts.items()}, rest * scale)
    return information_of(_coded(surface, plan), weights)


def _table(surface: Surface, belief: Belief, worth: Worth, plan: Floats) -> pd.DataFrame:
    """List the settings of the plan, with what each is expected to give more than today's."""
    import pandas as pd
    from scipy import special

    today = np.array([s.usual for s in surface.settings])
    tried, units = np.unique(plan.round(6), axis=0, return_counts=True)
    rows = (terms(_coded(surface, tried)) - terms(surface.usual))[:, 1:]
    rows[np.isclose(tried, today, atol=1e-5).all(axis=1)] = 0.0  # today does not differ from itself
    dearer = np.where(np.abs(rows).any(axis=1), worth.dearer(tried, today), 0.0)
    gain = worth.price * rows @ belief.mean - dearer
    spread = worth.price * np.sqrt(np.einsum("ij,jk,ik->i", rows, belief.covariance, rows))
    half = special.stdtrit(belief.df, (1 + surface.level) / 2) * spread
    with np.errstate(divide="ignore", invalid="ignore"):
        chance = special.stdtr(belief.df, np.where(spread > 1e-9, gain / spread, np.nan))
    table = pd.DataFrame(tried, columns=[s.name for s in surface.settings])
    return table.assign(
        units=units, gain=gain, gain_low=gain - half, gain_high=gain + half, chance=chance
    )


def _findings(
    surface: Surface,
    region: BestRegion,
    belief: Belief,
    trials: Sequence[Trial],
    data: Sequence[Aligned],
) -> tuple[Finding, ...]:
    """Say what makes the outlook doubtful."""
    found = [finding("next_drawn_to_none", "note", share=Number(100 * belief.share, 0))]
    for trial, came_in in zip(trials, data, strict=True):
        found += early_ranges(parts_ahead(trial, came_in.table))
    found += form_doubts(surface.tests(), seen=region.seen)
    if len(trials) == 1:
        found.append(finding("next_one_season", "note"))
    return tuple(found)
