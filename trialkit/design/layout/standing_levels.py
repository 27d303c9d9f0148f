"""What of a plan stands when more is drawn: levels drawn before, or told of what ran already."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from trialkit.design.layout.allocation import Allocation
from trialkit.design.layout.chance import Draws
from trialkit.design.layout.draw_record import batch_of
from trialkit.design.layout.joined_units import draw_joined
from trialkit.trial import Deviation, Trial

if TYPE_CHECKING:
    import pandas as pd


def standing_levels(
    trial: Trial, old: Allocation | None, begun: Collection[str], *, again: bool
) -> dict[str, dict[tuple[str, ...], str]]:
    """Give the levels that stand: drawn before, or told of what ran before any draw.

    Parameters
    ----------
    trial : Trial
    old : Allocation or None
        The plan so far.
    begun : collection of str
        Batches that have begun.
    again : bool
        Draw again what has been drawn but has not begun.

    Returns
    -------
    dict
        Treatment → {unit of its stratum → level}.
    """
    batches = batch_of(trial)
    late = ran_before(old) if old is not None else set()
    drawn: dict[str, Any] = {}
    if old is not None:
        drawn = {str(row["unit"]): row for row in old.table.to_dict("records")}
    out: dict[str, dict[tuple[str, ...], str]] = {name: {} for name in trial.factors}
    for row in trial.grown_units().astype(str).to_dict("records"):
        unit = {str(k): str(v) for k, v in row.items()}
        code, runs = unit["unit"], batches[unit["unit"]] in begun
        for name, factor in trial.factors.items():
            key = tuple(unit[f] for f in factor.applied_to)
            told = [d.level for d in trial.happened if _told(d, name, unit)]
            if told and runs and (code in late or code not in drawn):
                out[name][key] = told[0]
            elif code in drawn and (runs or not again):
                out[name][key] = str(drawn[code][name])
    return out


def ran_before(plan: Allocation) -> set[str]:
    """Give the codes of units that had begun before they were drawn, by the plan's own record."""
    batches = batch_of(plan.trial)
    drawn = [code for draw in plan.draws for code in draw.units]
    late = {code for draw in plan.draws for code in draw.units if batches.get(code) in draw.begun}
    never = set(plan.table["unit"].astype(str)) - set(drawn) if plan.draws else set()
    return late | never


def ran_before_and_told(trial: Trial, plan: Allocation) -> set[str]:
    """Give those of them of which the trial file says what they got."""
    name, late = trial.primary.name, ran_before(plan)
    units = trial.grown_units().astype(str).to_dict("records")
    named = [{str(k): str(v) for k, v in unit.items()} for unit in units if unit["unit"] in late]
    return {u["unit"] for u in named if any(_told(d, name, u) for d in trial.happened)}


def _told(deviation: Deviation, treatment: str, unit: dict[str, str]) -> bool:
    """Tell whether an entry says which level of a treatment a unit got."""
    told = deviation.kind == "got" and deviation.treatment == treatment
    return told and deviation.about(unit)


def continued_table(
    trial: Trial, standing: Mapping[str, dict[tuple[str, ...], str]], earlier: int, seed: int
) -> tuple[pd.DataFrame, NDArray[np.bool_]]:
    """Draw the levels of units that have none, beside those that stand.

    Parameters
    ----------
    trial : Trial
    standing : mapping
        As `standing_levels` gives it.
    earlier : int
        Draws before this one.
    seed : int

    Returns
    -------
    table : DataFrame
        Units that are grown, with the level of each treatment.
    stood : ndarray of bool
        Whether all levels of a unit stood already.
    """
    import pandas as pd

    chance = Draws(np.random.PCG64(np.random.SeedSequence([seed, earlier])))
    drawn = draw_joined(trial, standing, chance)
    table = trial.grown_units()
    stood = np.ones(len(table), dtype=bool)
    for name, factor in trial.factors.items():
        keys = list(table[list(factor.applied_to)].astype(str).itertuples(index=False, name=None))
        table[name] = pd.Series([drawn[name][key] for key in keys], dtype=object)
        stood &= np.array([key in standing[name] for key in keys])
    return table, stood
