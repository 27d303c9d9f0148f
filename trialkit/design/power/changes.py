"""What a trial can find as it is, and what each change to it would buy, as a grower asks it.

The measure is a loss that can be told from none: the smallest accepted loss that a level which
loses nothing is shown to keep, with the wanted chance.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal

from trialkit.design.power.covariates import covariates_cost
from trialkit.design.power.drawn_plan import comparison_drawn
from trialkit.design.power.drift import variation_for
from trialkit.design.power.exact import smallest_for
from trialkit.design.power.grid import added_cost, steps_of
from trialkit.design.power.questions import Question, Wanted, chance
from trialkit.design.power.result import PowerTable
from trialkit.design.strata.comparisons import Comparison, compare_in, with_counts
from trialkit.design.variation import Variation
from trialkit.errors import DesignError, PlanError
from trialkit.trial import Trial
from trialkit.trial.over_time import (
    BATCH,
    laid_name,
    laid_out,
    one_box,
    plain_name,
)

if TYPE_CHECKING:
    import pandas as pd

Kind = Literal["as it is", "more units", "fewer levels", "larger loss accepted"]
#: A gain of less than this in the chance is no reason to change anything …
WORTH_SAYING = 0.02
#: … nor are whole losses told from none that are smaller by less than this [%].
_LOSS_WORTH_SAYING = 2.0
_SLACK = 1e-6  #: how far a margin may lie above a whole number that counts as reached [%]
_QUESTION: Question = "no worse"


@dataclass(frozen=True)
class _Change:
    """A trial that differs from the one asked about in one thing."""

    kind: Kind
    trial: Trial
    margin_pct: float
    unit: str = ""
    added: int = 0
    level: str = ""
    cost: float = math.nan


def what_changes_buy(power: PowerTable) -> pd.DataFrame:
    """Say which loss can be told from none as the trial is, and with each change to it.

    Parameters
    ----------
    power : PowerTable
        Of one treatment.

    Returns
    -------
    DataFrame
        One row for the trial as it is, then one per change: `change` ("as it is", "more units",
        "fewer levels", "larger loss accepted": the smallest whole loss that has the wanted
        chance, where more than the accepted one is needed), `unit, added, now, level` (what is
        added or left out), `margin_pct` (the accepted loss), `chance` (that a level without
        loss is shown to keep it), `detectable_pct` (the accepted loss that has the wanted
        chance; infinite where none has), `detectable_low, detectable_high` (with little and
        much variation), `cost` (missing where no price says).

    Examples
    --------
    >>> import trialkit as tk
    >>> bought = what_changes_buy(tk.power(tk.read_trial(tk.demo_folder()), method="exact"))
    >>> bought["change"].iloc[0], bool((bought["detectable_pct"] > 0).all())
    ('as it is', True)
    """
    import pandas as pd

    rows = [row for change in _changes(power) if (row := _row(power, change)) is not None]
    if rows and rows[0]["change"] == "as it is":
        larger = _larger_loss(power, float(rows[0]["detectable_pct"]))
        row = _row(power, larger) if larger is not None else None
        rows += [row] if row is not None else []
    return pd.DataFrame(rows)


def _row(power: PowerTable, change: _Change) -> dict[str, Any] | None:
    """Give what one change buys; None where it cannot be laid out."""
    found = _compared(power, change)
    if found is None:
        return None
    c, variation, wanted = found
    ends = _detectable(c, variation, wanted, power.wanted)
    return {
        "change": change.kind,
        "unit": change.unit,
        "added": change.added,
        "now": power.trial.counts.get(change.unit, 0),
        "level": change.level,
        "margin_pct": change.margin_pct,
        "chance": chance(c, _QUESTION, variation, wanted, effect=change.margin_pct)[1],
        "detectable_pct": ends[1],
        "detectable_low": ends[0],
        "detectable_high": ends[2],
        "cost": change.cost,
    }


def _changes(power: PowerTable) -> Iterator[_Change]:
    trial, margin = power.trial, power.asked.margin_pct
    yield _Change("as it is", trial, margin)
    for unit in trial.structure.factors:
        added = steps_of(trial, unit)
        bigger = with_counts(trial, {unit: trial.counts[unit] + added})
        cost = added_cost(trial, unit, added)
        yield _Change("more units", bigger, margin, unit=unit, added=added, cost=cost)
    factor = trial.factors[power.factor]
    others = [level for level in factor.levels if level != factor.reference]
    if len(others) > 1:
        kept = {k: v for k, v in factor.levels.items() if k != others[-1]}
        shares = factor.replication and {k: v for k, v in factor.replication.items() if k in kept}
        fewer = replace(factor, levels=kept, replication=shares)
        smaller = replace(trial, factors={**trial.factors, factor.name: fewer})
        yield _Change("fewer levels", smaller, margin, level=others[-1])


def whole_loss(loss: float) -> float:
    """Give the smallest whole loss that is at least this one [%]; infinity stays.

    Examples
    --------
    >>> whole_loss(11.2), whole_loss(12.0)
    (12.0, 12.0)
    """
    return float(math.ceil(loss - _SLACK)) if math.isfinite(loss) else math.inf


def _larger_loss(power: PowerTable, enough: float) -> _Change | None:
    """Give the smallest whole margin with the wanted chance, where it is larger than accepted."""
    margin = whole_loss(enough)
    if not power.asked.margin_pct < margin < 100:
        return None
    return _Change("larger loss accepted", power.trial, margin)


def worth_saying(bought: pd.DataFrame) -> pd.DataFrame:
    """Give the changes, without the trial as it is, that a reader could notice.

    A change that adds less than `WORTH_SAYING` to the chance and does not tell a loss that is
    2 % smaller is left out, and so is one that makes it worse.

    Parameters
    ----------
    bought : DataFrame
        As `what_changes_buy` gives it.

    Examples
    --------
    >>> import trialkit as tk
    >>> bought = what_changes_buy(tk.power(tk.read_trial(tk.demo_folder()), method="exact"))
    >>> len(worth_saying(bought)) < len(bought)
    True
    """
    if bought.empty:
        return bought
    now, changes = bought.iloc[0], bought.iloc[1:]
    gain = changes["chance"] - now["chance"]
    then = changes["detectable_pct"].map(whole_loss)
    smaller = then <= whole_loss(now["detectable_pct"]) - _LOSS_WORTH_SAYING
    smaller &= then < math.inf
    told: pd.DataFrame = changes[(gain >= WORTH_SAYING) | smaller]
    return told


def _compared(power: PowerTable, change: _Change) -> tuple[Comparison, Variation, Wanted] | None:
    """Give how a changed trial compares its levels; None where it cannot be laid out."""
    trial, laid = change.trial, laid_out(change.trial)
    try:
        c = comparison_drawn(trial, covariates_cost(trial, compare_in(trial, power.factor)))
    except (DesignError, PlanError):
        return None
    variation = variation_for(power.variation, trial)
    if variation is None:
        return None
    lost = {
        ":".join(laid.structure.merged(laid.counts)[laid.structure.term(name)]): share
        for name, share in (
            (laid_name(laid, plain_name(tuple(key.split(":")))), share)
            for key, share in power.asked.lost.items()
        )
    }
    levels = list(trial.factors[power.factor].levels)
    wanted = replace(
        power.asked,
        margin_pct=change.margin_pct,
        reference=levels.index(trial.factors[power.factor].reference),
        lost=lost,
    )
    return c, variation, wanted


def _detectable(
    c: Comparison, variation: Variation, wanted: Wanted, aim: float
) -> tuple[float, float, float]:
    """Give the loss told from none with little, middle and much variation; infinite from 100 %."""

    def at(end: int) -> float:
        def reached(loss: float) -> float:
            return chance(c, _QUESTION, variation, wanted, effect=loss)[end]

        found = smallest_for(reached, aim, start=10.0)
        return found if found < 100 else math.inf

    return at(2), at(1), at(0)


@dataclass(frozen=True)
class SecondBox:
    """What a second, equal box would buy a trial in one box.

    Parameters
    ----------
    batches : int
        Batches of two boxes that tell at least as small a loss from none.
    saved : int
        Batches fewer than in one box; zero or less where it saves none.
    box_cost : float
        Price of the box; missing where `[prices]` does not say.
    batch_cost : float
        What the batches saved would have cost, blocks included, less the blocks of the second
        box; missing where `[prices]` does not say.
    """

    batches: int
    saved: int
    box_cost: float
    batch_cost: float


def second_box(power: PowerTable) -> SecondBox | None:
    """Work out how many batches two equal boxes need to tell what one box tells.

    Parameters
    ----------
    power : PowerTable

    Returns
    -------
    SecondBox or None
        None where the trial is not in one box, or even as many batches of two tell less.
    """
    trial = power.trial
    if not one_box(trial) or trial.counts.get("chamber") != 1:
        return None
    found = _compared(power, _Change("as it is", trial, power.asked.margin_pct))
    if found is None:
        return None
    aim = _detectable(*found, power.wanted)[1]
    for batches in range(2, trial.counts[BATCH] + 1):
        changed = with_counts(trial, {"chamber": 2, BATCH: batches})
        found = _compared(power, _Change("more units", changed, power.asked.margin_pct))
        if found is not None and _detectable(*found, power.wanted)[1] <= aim:
            return _priced(trial, batches)
    return None


def _priced(trial: Trial, batches: int) -> SecondBox:
    now, prices = trial.counts[BATCH], trial.prices
    saved = now - batches
    box = prices.chamber_each if prices is not None else None
    each, block = (prices.batch_each, prices.block_each) if prices is not None else (None, None)
    cost = math.nan
    if each is not None or block is not None:
        run = math.prod(n for name, n in trial.counts.items() if name not in (BATCH, "chamber"))
        cost = saved * (each or 0.0) + (now - 2 * batches) * run * (block or 0.0)
    return SecondBox(batches, saved, math.nan if box is None else box, cost)
