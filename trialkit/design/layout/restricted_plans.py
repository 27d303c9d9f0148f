"""Plans that keep the constraints: all with the best information, or a large sample of them.

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

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from trialkit.arrays import Ints
from trialkit.design.layout.chance import BASE_SEED
from trialkit.design.layout.efficiency import Ceiling, State, Valuation
from trialkit.design.layout.search import no_plan, searched
from trialkit.design.layout.site import Constraints, Site
from trialkit.errors import PlanError

FEW = 30  # plans of a sample below which the next best are let in
LOSSES = (0.0, 0.005, 0.01, 0.02, 0.05, 0.1, 1.0)  # by so much, as a share of the information
MOST_LISTED = 6_000_000  # units of plans, finished or not, held side by side


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


_known: dict[object, PlanList] = {}


def best_plans(site: Site) -> PlanList:
    """Give the list of plans to draw from, made once for each situation; see `list_plans`."""
    key = site.key
    if key not in _known:
        while len(_known) >= 64:
            _known.pop(next(iter(_known)))
        _known[key] = list_plans(site)
    return _known[key]


def list_plans(site: Site) -> PlanList:
    """List the plans of the best information that keep the site's limits.

    Returns
    -------
    PlanList
        Does not depend on the trial's seed.

    Raises
    ------
    PlanError
        If no plan keeps the constraints.
    """
    assert site.limits is not None
    valuation = Valuation(site)
    top, starts = _reached(valuation)
    every, whole = np.zeros((0, site.n), dtype=np.int64), True
    ceiling = Ceiling(valuation) if len(site.sizes) == 1 and site.t > 1 else None
    bound = top if ceiling is None else max(top, float(ceiling.reach(ceiling.start())[0]))
    for share in (0.0, 0.25, 0.5, 1.0) if ceiling is not None else (1.0,):
        least = bound - share * (bound - top) - 1e-8
        listed, whole = every_plan(site.target, site.limits, ceiling=ceiling, least=least)
        every = listed.astype(np.int64)
        if len(every) and valuation.values(every).max() >= least:
            break
    if whole and not len(every):
        raise no_plan(site)
    pool = every if whole else np.vstack([every, *starts])
    return _best_of(valuation, pool, whole)


def _reached(valuation: Valuation) -> tuple[float, list[Ints]]:
    """Search by exchanges; give the value reached and the plans that reach it."""
    try:
        found = searched(valuation.site)
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


def every_plan(
    target: Sequence[int],
    constraints: Constraints,
    *,
    most: int | None = None,
    ceiling: Ceiling | None = None,
    least: float = -np.inf,
) -> tuple[NDArray[np.int8], bool]:
    """List every arrangement with the wanted replication that keeps the constraints.

    Parameters
    ----------
    target : sequence of int
        Units per treatment.
    constraints : Constraints
    most : int, optional
        Partial plans beyond which only a random part of so many goes on.
    ceiling : Ceiling, optional
        With it, partial plans that can no longer reach a value of `least` are left out.
    least : float

    Returns
    -------
    plans : array of int, shape (plans, units)
    whole : bool
        Whether these are all, and not a sample in which each is equally likely.

    Examples
    --------
    Two levels on four units, which must not be neighbours of themselves:

    >>> near = np.array([[1, -1], [0, 2], [1, 3], [2, -1]])
    >>> alternate = Constraints(np.ones((4, 2), dtype=bool), np.eye(2, dtype=bool), near)
    >>> sorted(every_plan((2, 2), alternate)[0].tolist())
    [[0, 1, 0, 1], [1, 0, 1, 0]]
    """
    n = len(constraints.may)
    most = MOST_LISTED // n if most is None else most
    bits, whole = np.random.PCG64(BASE_SEED), True
    now = _Partial.empty(len(target), ceiling)
    for unit in range(n):
        parts = list(now.grown(unit, target, constraints, ceiling, least))
        if not parts:
            return np.zeros((0, n), dtype=np.int8), whole
        now = _Partial.joined(parts, ceiling)
        if len(now.plans) > most:
            chance: NDArray[np.uint64] = bits.random_raw(len(now.plans))
            now, whole = now.take(np.argpartition(chance, most)[:most], ceiling), False
    return now.plans, whole


@dataclass(frozen=True)
class _Partial:
    """Plans filled so far: treatment of each unit, how often each is used, what is in reach."""

    plans: NDArray[np.int8]
    used: NDArray[np.int16]
    state: State | None

    @classmethod
    def empty(cls, t: int, ceiling: Ceiling | None) -> _Partial:
        state = None if ceiling is None else ceiling.start()
        return cls(np.zeros((1, 0), dtype=np.int8), np.zeros((1, t), dtype=np.int16), state)

    @classmethod
    def joined(cls, parts: Sequence[_Partial], ceiling: Ceiling | None) -> _Partial:
        plans = np.vstack([part.plans for part in parts])
        used = np.vstack([part.used for part in parts])
        if ceiling is None:
            return cls(plans, used, None)
        return cls(plans, used, ceiling.join([p.state for p in parts if p.state is not None]))

    def take(self, at: NDArray[np.intp], ceiling: Ceiling | None) -> _Partial:
        state = None if ceiling is None else ceiling.take(self.state, at)
        return _Partial(self.plans[at], self.used[at], state)

    def grown(
        self,
        unit: int,
        target: Sequence[int],
        rules: Constraints,
        ceiling: Ceiling | None,
        least: float,
    ) -> Iterator[_Partial]:
        """Fill the next unit in every way that is allowed."""
        before = [int(v) for v in rules.neighbours[unit] if 0 <= v < unit]
        for treatment in np.flatnonzero(rules.may[unit]).tolist():
            fits = self.used[:, treatment] < target[treatment]
            for other in before:
                fits &= ~rules.conflict[treatment, self.plans[:, other]]
            at, state = np.flatnonzero(fits), None
            if ceiling is not None and len(at):
                state = ceiling.grow(self.state, at, unit, treatment)
                keep = np.flatnonzero(ceiling.reach(state) >= least)
                at, state = at[keep], ceiling.take(state, keep)
            if len(at):
                last = np.full((len(at), 1), treatment, dtype=np.int8)
                used = self.used[at]
                used[:, treatment] += 1
                yield _Partial(np.hstack([self.plans[at], last]), used, state)
