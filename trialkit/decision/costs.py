"""What a chamber run earns and costs at the user's prices, and what is paid once for a level."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING

from trialkit.decision.use import USES
from trialkit.errors import Finding
from trialkit.wording import finding, message

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.trial import Trial

#: Prices that are moved to see what happens, and the field of `[prices]` each stands in.
MOVED = {
    "mushrooms": "mushrooms_per_kg",
    "water": "water_per_m3",
    "energy": "energy_per_kwh",
    "labour": "labour_per_h",
}


def run_value(
    trial: Trial, totals: pd.DataFrame, multiples: Mapping[str, float] | None = None
) -> pd.Series:
    """Give what each chamber run was worth after its costs.

    Parameters
    ----------
    trial : Trial
        With `[prices]`.
    totals : DataFrame
        From `trialkit.decision.use.run_totals`.
    multiples : mapping, optional
        Factor by which a price is moved: ``{"water": 2}``.

    Returns
    -------
    Series
        Sales less picking, water, electricity, blocks started, the run's share of the batch,
        work and what was bought, each where it has a price. A lost run sold nothing and has
        cost all the rest. Missing where the run was not weighed whole.
    """
    prices = trial.prices
    assert prices is not None  # the caller has checked
    by = {name: (multiples or {}).get(name, 1.0) for name in MOVED}
    sold = (prices.mushrooms_per_kg or 0.0) * by["mushrooms"]
    work = (prices.labour_per_h or 0.0) * by["labour"]
    picking = work / prices.picking_kg_per_h if prices.picking_kg_per_h else 0.0
    level = totals[trial.primary.name].astype(str)
    value = totals["kg_all"] * (sold - picking)
    if "water_l" in totals and prices.water_per_m3:
        value = value - totals["water_l"] / 1000 * prices.water_per_m3 * by["water"]
    if "energy_kwh" in totals and prices.energy_per_kwh:
        value = value - totals["energy_kwh"] * prices.energy_per_kwh * by["energy"]
    value = value - totals["started"] * (prices.block_each or 0.0)
    value = value - level.map(lambda x: prices.labour_h.get(x, 0.0)).astype(float) * work
    fixed = level.map(lambda x: bought_per_run(trial, x)).astype(float)
    return value - fixed - (prices.batch_each or 0.0) / trial.counts.get("chamber", 1)


def bought_per_run(trial: Trial, level: str) -> float:
    """Give the share of one run in the chamber and in what its level needs; 0 where not spread."""
    prices = trial.prices
    assert prices is not None  # the caller has checked
    if not prices.runs_paid:
        return 0.0
    return ((prices.chamber_each or 0.0) + prices.equipment.get(level, 0.0)) / prices.runs_paid


def counted_prices(trial: Trial, totals: pd.DataFrame) -> tuple[str, ...]:
    """Name what is in the money, a price of zero included: it is an answer."""
    prices = trial.prices
    assert prices is not None  # the caller has checked
    given = {
        "mushrooms": prices.mushrooms_per_kg is not None,
        "water": prices.water_per_m3 is not None and "water_l" in totals,
        "energy": prices.energy_per_kwh is not None and "energy_kwh" in totals,
        "picking": prices.labour_per_h is not None and prices.picking_kg_per_h is not None,
        "labour": prices.labour_per_h is not None and bool(prices.labour_h),
        "block": prices.block_each is not None,
        "batch": prices.batch_each is not None,
        "chamber": prices.chamber_each is not None and prices.runs_paid is not None,
        "equipment": bool(prices.equipment) and prices.runs_paid is not None,
    }
    return tuple(name for name, counted in given.items() if counted)


def counted_uses(trial: Trial, totals: pd.DataFrame) -> tuple[pd.DataFrame, list[Finding]]:
    """Leave out uses that no run has a count of, and say what is not in the money, and why."""
    prices = trial.prices
    assert prices is not None  # the caller has checked
    findings = []
    priced = {"water_l": prices.water_per_m3, "energy_kwh": prices.energy_per_kwh}
    for column in USES:
        use = message(f"figure.use.{column}")
        if not priced[column]:
            continue
        known = int(totals[column].notna().sum()) if column in totals else 0
        if not known:
            totals = totals.drop(columns=column, errors="ignore")
            findings.append(finding("use_not_priced", "note", use=use))
        elif known < len(totals):
            unknown, runs = len(totals) - known, len(totals)
            findings.append(
                finding("use_partly_priced", "caution", use=use, unknown=unknown, runs=runs)
            )
    if any(prices.equipment.values()) and prices.runs_paid is None:
        findings.append(finding("equipment_not_spread", "caution"))
    return totals, findings


def pays_from(bought: float, gain: float) -> float:
    """Give the runs after which something bought is paid; infinite where it never is.

    Examples
    --------
    >>> pays_from(180, 20.0), pays_from(180, 21.0), pays_from(180, -1.0), pays_from(0, 2.0)
    (9.0, 9.0, inf, 0.0)
    """
    if math.isnan(gain):
        return math.nan
    if bought <= 0:
        return 0.0 if gain >= 0 else math.inf
    return float(math.ceil(bought / gain - 1e-9)) if gain > 0 else math.inf
