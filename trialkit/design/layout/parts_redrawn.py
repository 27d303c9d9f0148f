"""A plan that was drawn in parts, drawn again in the same parts: for randomisation tests."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from trialkit.design.layout.allocation import Allocation
from trialkit.design.layout.chance import Draws
from trialkit.design.layout.draw_record import Draw
from trialkit.design.layout.joined_units import draw_prepared, prepare_joined
from trialkit.design.layout.procedure import re_randomise
from trialkit.trial import Trial

_Standing = dict[str, dict[tuple[str, ...], str]]


def parts_redrawer(plan: Allocation) -> Callable[[np.random.Generator], _Standing]:
    """Make a function that draws each part of a plan again, beside what stood when it was drawn.

    Parameters
    ----------
    plan : Allocation
        With `draws`. Units in none of them keep what they had.

    Returns
    -------
    callable
        From a source of chance to treatment → {unit of its stratum: level}.
    """
    drawn = {code for draw in plan.draws for code in draw.units}
    first = _levels(plan, set(plan.table["unit"].astype(str)) - drawn)
    parts = [(_levels(plan, set(part.units)), _way(plan.trial, part)) for part in plan.draws]

    def redraw(rng: np.random.Generator) -> _Standing:
        chance, standing = Draws(rng), first
        for own, way in parts:
            fresh = way(standing, chance)
            standing = {
                name: standing[name] | {key: fresh[name][key] for key in keys}
                for name, keys in own.items()
            }
        return standing

    return redraw


def _way(trial: Trial, part: Draw) -> Callable[[_Standing, Draws], _Standing]:
    """Give how one part is drawn, as it was: whole, or joining what stands."""
    if not part.levels:
        ready = prepare_joined(trial, units=part.units)
        return lambda standing, chance: draw_prepared(ready, standing, chance)
    whole = replace(trial, levels={name: part.levels[name] for name in trial.levels}, happened=())
    keys = {}
    for name, factor in trial.factors.items():
        units = whole.strata_units(factor.stratum)[list(factor.applied_to)].astype(str)
        keys[name] = list(units.itertuples(index=False, name=None))

    def draw_whole(_: _Standing, chance: Draws) -> _Standing:
        drawn = re_randomise(whole, chance)
        return {
            name: dict(zip(own, map(str, drawn[name]), strict=True)) for name, own in keys.items()
        }

    return draw_whole


def _levels(plan: Allocation, codes: set[str]) -> _Standing:
    """Give the levels of the units of each stratum that hold some smallest units."""
    rows = plan.table[plan.table["unit"].astype(str).isin(codes)]
    out: _Standing = {}
    for name, factor in plan.trial.factors.items():
        table = rows[[*factor.applied_to, name]].astype(str).drop_duplicates()
        out[name] = {tuple(row[:-1]): row[-1] for row in table.itertuples(index=False, name=None)}
    return out
