"""How many units are needed, and which to add next, with their cost."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from trialkit.design.comparisons import compare_in, with_counts
from trialkit.design.power_questions import all_chances
from trialkit.errors import DesignError, PlanError
from trialkit.trial import Trial

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.design.power import Power

_MOST = 60


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


def _power_with(power: Power, unit: str, count: int) -> tuple[float, float, float] | None:
    """Give the weakest of the questions' powers with another count; None if impossible."""
    changed = with_counts(power.trial, {unit: count})
    try:
        c = compare_in(changed, power.factor, quick=True)
    except (DesignError, PlanError):
        return None
    chances = all_chances(c, power.variation, power.asked, power.questions)
    low, middle, high = (min(three[i] for three in chances.values()) for i in range(3))
    return low, middle, high


def grid(power: Power, *, most: int = 8) -> pd.DataFrame:
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


def how_many(power: Power) -> pd.DataFrame:
    """Find the smallest count of each unit factor that reaches the wanted power."""
    import pandas as pd

    rows = []
    for unit in power.trial.structure.factors:
        now = power.trial.counts[unit]
        found, reached = _first_count(power, unit, now)
        added = found - now if found is not None else None
        rows.append(
            {
                "unit": unit,
                "now": now,
                "needed": float("nan") if found is None else found,
                "added": float("nan") if added is None else max(0, added),
                "cost": added_cost(power.trial, unit, max(0, added))
                if added is not None
                else float("nan"),
                "power": reached,
            }
        )  # fmt: skip
    return pd.DataFrame(rows)


def _first_count(power: Power, unit: str, now: int) -> tuple[int | None, float]:
    """Step upward (downward where already enough) to the smallest count that is enough."""
    best = 0.0
    start = now
    got = _power_with(power, unit, now)
    if got is not None and got[1] >= power.wanted:
        start = 2
    last = 0.0
    for count in range(start, max(_MOST, now) + 1):
        got = _power_with(power, unit, count)
        if got is None:
            continue
        best = got[1]
        if best >= power.wanted:
            return count, best
        if count > now + 8 and best - last < 0.001 and best < power.wanted - 0.05:
            break  # more of this unit alone no longer helps
        last = best
    return None, best


def one_more(power: Power) -> pd.DataFrame:
    """Give what one more of each kind of unit brings and costs, best first."""
    import pandas as pd

    rows = []
    for unit in power.trial.structure.factors:
        now = power.trial.counts[unit]
        base, then = _power_with(power, unit, now), _power_with(power, unit, now + 1)
        if base is None or then is None:
            continue
        cost = added_cost(power.trial, unit, 1)
        gain = then[1] - base[1]
        rows.append(
            {
                "unit": unit,
                "now": now,
                "then": now + 1,
                "power": then[1],
                "gain": gain,
                "cost": cost,
                "gain_per_100": 100 * gain / cost if cost > 0 else float("nan"),
            }
        )
    table = pd.DataFrame(rows)
    by = "gain_per_100" if table["gain_per_100"].notna().all() else "gain"
    return table.sort_values(by, ascending=False, ignore_index=True)
