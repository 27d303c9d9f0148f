"""How many units are needed, and which to add next, with their cost."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from itertools import product
from math import prod
from typing import TYPE_CHECKING

import numpy as np

from trialkit.design.power.covariates import covariates_cost
from trialkit.design.power.drift import variation_for
from trialkit.design.power.questions import all_chances
from trialkit.design.power.result import PowerTable
from trialkit.design.strata.comparisons import compare_in, with_counts
from trialkit.design.strata.error_terms import BatchTerm
from trialkit.errors import DesignError, PlanError
from trialkit.model.inference.crossed_effect import LEAST_DF
from trialkit.trial import Trial
from trialkit.trial.over_time import BATCH, combinations_over_starts, in_time_blocks, laid_out

if TYPE_CHECKING:
    import pandas as pd


_MOST = 40  # levels of one unit factor up to which power is looked for
_BRIEF = 0.01  # how much a brief search for a layout may fall short of the full one
_MOST_MIXES = 150  # layouts tried in full in the search for a cheap mix


def added_cost(trial: Trial, unit: str, added: int) -> float:
    """Give the cost of more levels of a unit factor; NaN where no price says.

    A chamber is paid once, a batch each time, and every block that fills them.
    """
    prices = trial.prices
    if prices is None:
        return float("nan")
    each = getattr(prices, f"{unit}_each", None) if unit != "block" else None
    blocks = added * int(np.prod([n for name, n in trial.counts.items() if name != unit]))
    per_block = prices.block_each
    if each is None and per_block is None:
        return float("nan")
    return added * (each or 0.0) + blocks * (per_block or 0.0)


def _power_with(
    power: PowerTable, unit: str, count: int, *, quick: bool = False
) -> tuple[float, float, float] | None:
    """Give the weakest of the questions' powers with another count; None if impossible."""
    return chance_at(power, {unit: count}, quick=quick)


def chance_at(
    power: PowerTable, counts: Mapping[str, int], *, quick: bool = False, hopeful: bool = False
) -> tuple[float, float, float] | None:
    """Give low, middle and high of the weakest question's power; None if impossible.

    The layout is the one that `power` itself would take for a trial with these counts. With
    `quick` its arrangement is searched for only briefly, to find where to look closely; with
    `hopeful` it counts as one that cannot tell batch × treatment, if another one might not.
    """
    changed = with_counts(power.trial, counts)
    try:
        c = covariates_cost(changed, compare_in(changed, power.factor, quick=quick))
    except (DesignError, PlanError):
        return None
    if hopeful and min(c.batch_term.df) < 2 * LEAST_DF:
        c = replace(c, batch_term=BatchTerm())
    variation = variation_for(power.variation, changed)
    if variation is None:
        return None
    chances = all_chances(c, variation, power.asked, power.questions)
    low, middle, high = (min(three[i] for three in chances.values()) for i in range(3))
    return low, middle, high


def grid(power: PowerTable, *, most: int = 8) -> pd.DataFrame:
    """Give the power (weakest question) with up to `most` more of each kind of unit."""
    import pandas as pd

    rows = []
    for unit in power.trial.structure.factors:
        now = power.trial.counts[unit]
        for added in range(most + 1):
            got = _power_with(power, unit, now + added)
            if got is None:
                continue
            rows.append(
                {
                    "unit": unit,
                    "count": now + added,
                    "added": added,
                    "cost": added_cost(power.trial, unit, added),
                    "power": got[1],
                    "low": got[0],
                    "high": got[2],
                }
            )
    return pd.DataFrame(rows)


def how_many(power: PowerTable) -> pd.DataFrame:
    """Find the smallest count of each unit factor that reaches the wanted power."""
    import pandas as pd

    rows = []
    for unit in power.trial.structure.factors:
        now = power.trial.counts[unit]
        found, reached = _first_count(power, unit, now, 1)
        little, _ = _first_count(power, unit, now, 2)
        much, _ = _first_count(power, unit, now, 0)
        added = float("nan") if found is None else max(0, found - now)
        rows.append(
            {
                "unit": unit,
                "now": now,
                "needed": _or_missing(found),
                "needed_low": _or_missing(little),
                "needed_high": _or_missing(much),
                "added": added,
                "cost": float("nan")
                if found is None
                else added_cost(power.trial, unit, int(added)),
                "power": reached,
            }
        )
    return pd.DataFrame(rows)


def _or_missing(count: int | None) -> float:
    return float("nan") if count is None else float(count)


def _first_count(power: PowerTable, unit: str, now: int, end: int) -> tuple[int | None, float]:
    """Find the smallest count that is enough at the low, middle or high end of the power.

    Power rises with the count (but for the step from which batch × treatment can be told):
    double the steps until it is enough, then halve them. That is done on brief searches for the
    layout; the full one has the last word.
    """
    size = steps_of(power.trial, unit)  # counts come in whole time blocks
    start, most = now // size, max(_MOST, now) // size

    def at(count: int, *, quick: bool = True) -> float:
        got = _power_with(power, unit, count * size, quick=quick)
        return 0.0 if got is None else got[end]

    below, step = 1, 1
    above = start
    while at(above) < power.wanted:
        if above == most:
            return None, at(most, quick=False)
        below, above, step = above, min(above + step, most), 2 * step
    while above - below > 1:
        middle = (below + above) // 2
        below, above = (below, middle) if at(middle) >= power.wanted else (middle, above)
    if end != 1:  # an end of the range: a brief search is close enough
        return above * size, at(above)
    while above > 2 and at(above - 1, quick=False) >= power.wanted:
        above -= 1
    while at(above, quick=False) < power.wanted:
        if above == most:
            return None, at(most, quick=False)
        above += 1
    return above * size, at(above, quick=False)


def steps_of(trial: Trial, unit: str) -> int:
    """Give by how many a unit factor grows: batches by whole time blocks, all others by one."""
    return combinations_over_starts(trial) if unit == BATCH and in_time_blocks(trial) else 1


def one_more(power: PowerTable) -> pd.DataFrame:
    """Give what one more of each kind of unit brings and costs, best first."""
    import pandas as pd

    rows = []
    for unit in power.trial.structure.factors:
        now, added = power.trial.counts[unit], steps_of(power.trial, unit)
        base, then = _power_with(power, unit, now), _power_with(power, unit, now + added)
        if base is None or then is None:
            continue
        cost = added_cost(power.trial, unit, added)
        gain = then[1] - base[1]
        rows.append(
            {
                "unit": unit,
                "now": now,
                "then": now + added,
                "power": then[1],
                "gain": gain,
                "cost": cost,
                "gain_per_100": 100 * gain / cost if cost > 0 else float("nan"),
            }
        )
    heads = ["unit", "now", "then", "power", "gain", "cost", "gain_per_100"]
    table = pd.DataFrame(rows, columns=heads)  # with its columns where nothing can be laid out
    by = "gain_per_100" if table["gain_per_100"].notna().all() else "gain"
    return table.sort_values(by, ascending=False, ignore_index=True)


def mix_cost(trial: Trial, counts: Mapping[str, int]) -> float:
    """Give the cost of going from a trial's counts to larger ones; NaN where no price says."""
    prices = trial.prices
    if prices is None:
        return float("nan")
    now = trial.counts
    total, known = 0.0, prices.block_each is not None
    for unit, count in counts.items():
        each = getattr(prices, f"{unit}_each", None) if unit != "block" else None
        if each is not None:
            known = True
            total += (count - now[unit]) * each
    blocks = prod(counts.values()) - prod(now.values())
    return total + blocks * (prices.block_each or 0.0) if known else float("nan")


def cheapest_mixes(power: PowerTable, *, most: int = 8, show: int = 5) -> pd.DataFrame:
    """Try mixes of added units from the cheapest upward until enough of them suffice."""
    import pandas as pd

    trial = power.trial
    names = list(trial.structure.factors)
    mixes = []
    for added in product(range(most + 1), repeat=len(names)):
        counts = {name: trial.counts[name] + a for name, a in zip(names, added, strict=True)}
        units = prod(counts.values())
        cost = mix_cost(trial, counts)
        mixes.append((units if cost != cost else cost, units, cost, counts))
    mixes.sort(key=lambda mix: mix[:2])
    rows: list[dict[str, float]] = []
    tried = 0
    for _, units, cost, counts in mixes:
        if len(rows) == show or tried == _MOST_MIXES:
            break
        if any(all(counts[n] >= row[n] for n in names) for row in rows):
            continue  # more of everything than a mix that is enough already
        if not _promising(power, counts):
            continue
        tried += 1
        brief = chance_at(power, counts, quick=True, hopeful=True)
        if brief is None or brief[1] < power.wanted - _BRIEF:
            continue
        got = chance_at(power, counts)
        if got is not None and got[1] >= power.wanted:
            rows.append({**counts, "cost": cost, "units": units, "power": got[1]})
    return pd.DataFrame(rows, columns=[*names, "cost", "units", "power"])


def _promising(power: PowerTable, counts: Mapping[str, int]) -> bool:
    """Rule out mixes that would be too weak even with an orthogonal layout and ample df.

    The layout's own information is scaled by its units, which no arrangement can beat by
    more than its efficiency falls short of one. One error serves all, on ample df. Where a
    second chamber (or batch) makes a new kind of stratum, the layout of two of them serves.
    """
    now, c, variation = power.trial.counts, power.comparison, power.variation
    second = {name: 2 for name, count in counts.items() if now[name] == 1 < count}
    if second:
        changed = with_counts(power.trial, second)
        found = variation_for(variation, changed)
        try:
            c = covariates_cost(changed, compare_in(changed, power.factor, quick=True))
        except (DesignError, PlanError):
            return True
        if found is None:
            return True
        variation = found
    if c.error_df <= 3:
        return True
    laid = laid_out(with_counts(power.trial, counts)).counts
    sizes = {s: prod(laid[name] for name in s) for s in c.sizes}
    gain = sizes[c.finest] / c.sizes[c.finest] / max(c.efficiency, 0.1)
    bigger = replace(
        c,
        info=c.info * gain,
        mean_info=c.mean_info * gain,
        sizes=sizes,
        error_df=10 * c.error_df,
        spare_df={s: 10 * df for s, df in c.spare_df.items()},
        finer={s: matrix * gain for s, matrix in c.finer.items()},
        batch_term=BatchTerm(),
        level_errors=None,
    )
    chances = all_chances(bigger, variation, power.asked, power.questions)
    return min(three[1] for three in chances.values()) >= power.wanted
