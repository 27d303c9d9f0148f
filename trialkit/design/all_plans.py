"""All plans that keep the constraints and the best information, or a large sample of them.

A restricted plan is drawn from this list, each entry equally likely, and so is every plan that
a randomisation test draws anew: the test is valid for the list whether it is complete or a
sample. Plans are listed unit by unit, all partial plans side by side; where these become too
many, a random part of them is kept, each equally likely, so that every plan has the same chance
to be in the sample.

References
----------
.. [1] Bailey RA (1983). Restricted randomization. Biometrika 70:183-198.
   doi:10.1093/biomet/70.1.183
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from trialkit.design.constraints import Constraints
from trialkit.design.draws import Draws
from trialkit.design.layout import Site, searched
from trialkit.design.plan_listing import every_plan
from trialkit.design.plan_value import Ceiling, Valuation
from trialkit.design.units import Ints
from trialkit.errors import PlanError

FEW = 30  # plans of a sample below which the next best are let in
LOSSES = (0.0, 0.005, 0.01, 0.02, 0.05, 0.1, 1.0)  # by so much, as a share of the information


@dataclass(frozen=True)
class PlanList:
    """Plans of one stratum to draw from, each equally likely.

    Parameters
    ----------
    plans : array of int, shape (plans, units)
        Treatment of each unit.
    complete : bool
        Whether these are all plans of the best information, and not a sample.
    kept : float
        Share of the information they keep.
    loss : float
        How far below the best a plan may lie; zero unless too few were found without.
    """

    plans: Ints = field(repr=False)
    complete: bool
    kept: float
    loss: float = 0.0

    @property
    def words(self) -> str:
        """How a plan was laid out, in words."""
        count = f"{len(self.plans)} "
        if self.complete:
            return f"restricted, drawn from all {count}best plans"
        return f"restricted, drawn from {count}sampled " + (
            f"plans within {100 * self.loss:g} % of the best" if self.loss else "best plans"
        )

    def draw(self, draws: Draws) -> Ints:
        """Draw one of the plans."""
        return np.array(self.plans[draws.below(len(self.plans))], dtype=np.int64)


def list_plans(
    site: Site,
    constraints: Constraints,
    *,
    groups: Sequence[Ints] = (),
) -> PlanList:
    """List the plans of the best information that keep the constraints.

    Parameters
    ----------
    site : Site
    constraints : Constraints
    groups : sequence of array of int
        Levels of treatments given to larger units, to be spread over evenly.

    Returns
    -------
    PlanList
        Does not depend on the trial's seed.

    Raises
    ------
    PlanError
        If no plan keeps the constraints.
    """
    valuation = Valuation(site, groups)
    top, starts = _reached(valuation, constraints)
    every, whole = np.zeros((0, site.n), dtype=np.int64), True
    ceiling = Ceiling(valuation) if len(site.sizes) == 1 and site.t > 1 else None
    bound = top if ceiling is None else max(top, float(ceiling.reach(ceiling.start())[0]))
    for share in (0.0, 0.25, 0.5, 1.0) if ceiling is not None else (1.0,):
        least = bound - share * (bound - top) - 1e-8
        listed, whole = every_plan(site.target, constraints, ceiling=ceiling, least=least)
        every = listed.astype(np.int64)
        if len(every) and valuation.values(every).max() >= least:
            break
    if whole and not len(every):
        raise no_plan(site)
    pool = every if whole else np.vstack([every, *starts])
    return _best_of(valuation, pool, whole)


def _reached(valuation: Valuation, constraints: Constraints) -> tuple[float, list[Ints]]:
    """Search by exchanges; give the value reached and the plans that reach it."""
    try:
        found = searched(valuation.site, groups=valuation.groups, constraints=constraints)
    except PlanError:  # no start was found; the list may still find one
        return -np.inf, []
    values = valuation.values(np.array(found))
    return float(values.max()), [found[i][None] for i in np.flatnonzero(values == values.max())]


def _best_of(valuation: Valuation, plans: Ints, whole: bool) -> PlanList:
    """Keep the best plans, and the next best where a sample holds too few of them."""
    if not len(plans):
        raise no_plan(valuation.site)
    values = valuation.values(plans)
    top = float(values.max())
    for loss in (0.0,) if whole else LOSSES:
        best = plans[values >= top - loss * abs(top)]
        if len(np.unique(best, axis=0)) >= FEW:
            break
    if not whole:
        best = np.unique(best, axis=0)
    return PlanList(best, whole, top, loss)


_known: dict[object, PlanList] = {}


def best_plans(
    site: Site,
    constraints: Constraints,
    *,
    groups: Sequence[Ints] = (),
) -> PlanList:
    """Give the list of plans to draw from, made once for each situation; see `list_plans`."""
    parts = [a.tobytes() for a in (constraints.may, constraints.conflict, *groups)]
    key = (site.structure.text, tuple(site.counts.items()), site.term, site.sizes, site.target,
           tuple(parts))  # fmt: skip
    if key not in _known:
        while len(_known) >= 64:
            _known.pop(next(iter(_known)))
        _known[key] = list_plans(site, constraints, groups=groups)
    return _known[key]


def no_plan(site: Site) -> PlanError:
    """Say that the constraints leave no plan."""
    return PlanError(
        f"no arrangement over the {':'.join(site.term)} units keeps all the constraints; "
        "loosen 'forbidden' or 'apart', or add units"
    )
