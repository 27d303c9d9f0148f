"""Plans drawn anew by the trial's own procedure, whole or in the parts in which it was drawn."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from trialkit.arrays import Codes

if TYPE_CHECKING:
    from trialkit.design.plan import Plan
    from trialkit.trial import Factor, Trial


def draw_plans(
    trial: Trial,
    factor: Factor,
    draws: int,
    seed: int,
    progress: Callable[[int, int], None] | None = None,
    *,
    plan: Plan | None = None,
) -> Codes:
    """Draw plans by the trial's own procedure.

    A plan that was drawn in parts is drawn again in the same parts, one after the other.

    Returns
    -------
    ndarray of int, shape (draws, units)
        Level of each unit of the treatment's stratum, in plan order.
    """
    from trialkit.design.layout.procedure import re_randomise
    from trialkit.design.layout.site import treated_sites

    if plan is not None and plan.in_parts:
        return _draw_in_parts(trial, factor, draws, seed, plan, progress)
    rng = np.random.default_rng(seed)
    position = {name: i for i, name in enumerate(factor.levels)}
    out, sites = [], treated_sites(trial)
    for done in range(draws):
        drawn = re_randomise(trial, rng, sites=sites)[factor.name]
        out.append([position[str(name)] for name in drawn])
        if progress is not None and (done + 1) % 50 == 0:
            progress(done + 1, draws)
    if progress is not None:
        progress(draws, draws)
    return np.array(out, dtype=np.intp)


def _draw_in_parts(
    trial: Trial,
    factor: Factor,
    draws: int,
    seed: int,
    plan: Plan,
    progress: Callable[[int, int], None] | None,
) -> Codes:
    """Draw again each part of a plan, beside what stood when it was drawn."""
    from trialkit.design.layout.parts_redrawn import parts_redrawer

    chance = np.random.default_rng(seed)
    position = {name: i for i, name in enumerate(factor.levels)}
    units = trial.strata_units(factor.stratum)[list(factor.applied_to)].astype(str)
    keys = list(units.itertuples(index=False, name=None))
    out = np.zeros((draws, len(keys)), dtype=np.intp)
    redraw = parts_redrawer(plan)
    for done in range(draws):
        drawn = redraw(chance)[factor.name]
        out[done] = [position[drawn[key]] if key in drawn else 0 for key in keys]
        if progress is not None and ((done + 1) % 50 == 0 or done + 1 == draws):
            progress(done + 1, draws)
    return out
