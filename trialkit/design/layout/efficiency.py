"""How much of the information a plan keeps: of one plan, of many at once, and at most.

References
----------
.. [1] James, A. T. and Wilkinson, G. N. (1971). Factorization of the residual operator and
   canonical decomposition of nonorthogonal factors in the analysis of variance.
   Biometrika 58, 279-294. doi:10.1093/biomet/58.2.279
.. [2] John, J. A. and Williams, E. R. (1995). Cyclic and Computer Generated Designs.
   Chapman and Hall, ch. 2 (bounds).
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from math import prod

import numpy as np
from numpy.typing import NDArray

from trialkit.arrays import Floats, Ints
from trialkit.design.layout.site import Site
from trialkit.design.layout.units import Grouping
from trialkit.structure import Term

_TINY = 1e-8
_ROWS = 20_000  # plans valued at a time
_LEAST = 1e-6  # share of information below which a comparison counts as lost
_UNEVEN = 1e-3  # what uneven spreading over coarser treatments costs, beside information


def steady(values: Floats | float, digits: int = 10) -> Floats:
    """Cut numbers to a grid so that equal ones stay equal whatever the last bits are.

    Rounding noise differs between processors. The grid is shifted by an odd amount, since
    simple fractions such as 2⁻¹¹ lie exactly halfway between neighbours of a decimal grid.
    """
    scale = 10.0**digits
    return np.asarray(np.floor(np.asarray(values) * scale + 0.3183098861837907) / scale)


def incidence(treatment: Ints, unit: Ints, n_treatments: int, n_units: int) -> Floats:
    """Count each treatment in each unit: array (treatments, units)."""
    counts = np.bincount(treatment * n_units + unit, minlength=n_treatments * n_units)
    return counts.reshape(n_treatments, n_units).astype(float)


def information(
    groupings: Sequence[Grouping], treatment: Ints, n_treatments: int
) -> dict[Term, Floats]:
    """Give the treatments' information in the units' own stratum and in every one above it.

    The structure is complete and balanced, so that everything follows from counts of
    treatments in the units of each stratum.

    Parameters
    ----------
    groupings : sequence of Grouping
        Of the treated units, from the grand mean down to the units themselves.
    treatment : array of int, shape (units,)
        Treatment number of each unit, in plan order.
    n_treatments : int

    Returns
    -------
    dict
        Stratum (the name that stands for it) → information matrix, shape (treatments,
        treatments), in units of one observation per treated unit.
    """
    n = len(treatment)
    average: dict[Term, Floats] = {}
    for group in groupings:
        table = incidence(treatment, group.unit, n_treatments, group.size)
        average[group.stratum] = table @ table.T * (group.size / n)
    out: dict[Term, Floats] = {}
    for group in groupings[1:]:
        total = sum(value * average[key] for key, value in group.projection.items())
        out[group.stratum] = np.asarray(total, dtype=np.float64)
    return out


def canonical_factors(info: Floats, replication: Sequence[float]) -> Floats:
    """Give the canonical efficiency factors of a plan.

    Parameters
    ----------
    info : array, shape (t, t)
        Information matrix of the treatments in a stratum.
    replication : sequence of float, length t
        Units per treatment.

    Returns
    -------
    array, shape (t − 1,)
        Eigenvalues of R^(-1/2) C R^(-1/2) without the one of the mean, ascending ([1]_).

    References
    ----------
    .. [1] James and Wilkinson (1971), doi:10.1093/biomet/58.2.279.
    """
    root = np.sqrt(np.asarray(replication, dtype=float))
    scaled = info / np.outer(root, root)
    # the mean's direction has eigenvalue zero: move it out of the way, then drop it
    scaled = scaled - 2.0 * np.outer(root, root) / float(root @ root)
    values = np.linalg.eigvalsh(scaled)[1:]
    return np.clip(values, 0.0, 1.0)


def average_efficiency(info: Floats, replication: Sequence[float]) -> float:
    """Give the harmonic mean of the canonical efficiency factors; zero if disconnected."""
    factors = canonical_factors(info, replication)
    if len(factors) == 0:
        return 1.0
    return 0.0 if factors[0] < _TINY else float(len(factors) / np.sum(1.0 / factors))


def plan_efficiency(groupings: Sequence[Grouping], treatment: Ints, t: int) -> float:
    """Give the average efficiency factor of a plan within its own stratum."""
    info = information(groupings, treatment, t)[groupings[-1].stratum]
    replication = np.bincount(treatment, minlength=t).astype(float)
    if replication.min() == 0:
        return 0.0
    return average_efficiency(info, [float(r) for r in replication])


def block_design_efficiency(blocks: Sequence[Sequence[int]], n_treatments: int) -> float:
    """Give the average efficiency factor of treatments in blocks.

    Parameters
    ----------
    blocks : sequence of sequences of int
        Treatment numbers in each block (sizes may differ).
    n_treatments : int

    Examples
    --------
    >>> fano = [[(d + j) % 7 for d in (0, 1, 3)] for j in range(7)]
    >>> round(block_design_efficiency(fano, 7), 6)  # λv/(rk) = 7/9
    0.777778
    """
    table = np.zeros((n_treatments, len(blocks)))
    for j, block in enumerate(blocks):
        for treatment in block:
            table[treatment, j] += 1
    sizes, replication = table.sum(axis=0), table.sum(axis=1)
    info = np.diag(replication) - (table / sizes) @ table.T
    return average_efficiency(info, replication)


def plan_bound(blocks: Sequence[Grouping], replication: Sequence[int]) -> float:
    """Give an upper bound on the efficiency that any plan over these units can have.

    Parameters
    ----------
    blocks : sequence of Grouping
        The finest groupings of the treated units.
    replication : sequence of int
        Units per treatment.

    Notes
    -----
    What treatments lose to a grouping into b units of k is least when each is spread evenly
    over them; the average of the canonical factors is one minus the sum of such losses, and
    their harmonic mean is no larger. Losses to groupings that share a coarser one are not
    added, since they may be the same loss; then the largest counts.

    Examples
    --------
    Three schedules on 4 batches × 6 chambers lose 1/16 to chambers and nothing to batches:

    >>> from trialkit.design.layout.units import groupings
    >>> from trialkit.structure import parse_structure
    >>> cells = {"batch": 4, "chamber": 6}
    >>> found = groupings(parse_structure("batch * chamber"), cells, ("batch", "chamber"))
    >>> plan_bound(found[1:-1], (8, 8, 8))
    0.9375
    """
    n, t = sum(replication), len(replication)
    losses = []
    for b in (block.size for block in blocks):
        spread = sum(_least_squares_sum(r, b) / r for r in replication) / (n / b)
        if len(set(replication)) == 1:
            spread = max(spread, b * _least_squares_sum(n // b, t) / replication[0] / (n / b))
        losses.append((spread - 1) / (t - 1))
    names = [set(block.stratum) for block in blocks]
    apart = all(not (a & b) for a, b in combinations(names, 2))
    return 1.0 - (sum(losses) if apart else max(losses, default=0.0))


def _least_squares_sum(total: int, parts: int) -> int:
    """Give the least sum of squares of whole numbers with a given total."""
    full, rest = divmod(total, parts)
    return rest * (full + 1) ** 2 + (parts - rest) * full**2


def effect_weights(sizes: Sequence[int]) -> Floats:
    """Weigh effects: main effects 1, each further order of interaction a hundredth of the last.

    Returns
    -------
    array, shape (t, t)
        Sum over effects of L L'/df times the effect's weight, L its orthonormal contrasts.
        The trace of its product with a covariance matrix is the average variance of the
        comparisons asked for.
    """
    t = prod(sizes)
    total = np.zeros((t, t))
    for order in range(1, len(sizes) + 1):
        for combo in combinations(range(len(sizes)), order):
            part = np.ones((1, 1))
            df = 1.0
            for i, size in enumerate(sizes):
                mean = np.full((size, size), 1.0 / size)
                part = np.kron(part, np.eye(size) - mean if i in combo else mean)
                df *= size - 1 if i in combo else 1
            if df:
                total += part * (0.01 ** (order - 1) / df)
    return total


class Valuation:
    """How good plans of one stratum are: the information they keep, less uneven spreading.

    Parameters
    ----------
    site : Site

    Notes
    -----
    For one treatment the value is its average efficiency factor; for several given together,
    the average variance of their effects turned into a share in the same way.
    """

    def __init__(self, site: Site) -> None:
        self.site = site
        *above, mine = site.groupings
        holders = {g.stratum: g for g in above}
        self.own = float(mine.projection[mine.stratum])
        self.parts = [
            (weight * holders[key].size / site.n, holders[key].unit, holders[key].size)
            for key, weight in mine.projection.items()
            if key in holders
        ]
        self.weights = effect_weights(site.sizes)
        self.replication = np.asarray(site.target, dtype=float)

    def values(self, plans: Ints) -> Floats:
        """Value many plans, shape (plans,); higher is better, and equal ones are equal."""
        out = [self._some(plans[i : i + _ROWS]) for i in range(0, len(plans), _ROWS)]
        return steady(np.concatenate(out), 9) if out else np.zeros(0)

    def information(self, plans: Ints) -> Floats:
        """Give the information matrices in the plans' own stratum, shape (plans, t, t)."""
        t = self.site.t
        out = np.zeros((len(plans), t, t))
        out[:] = self.own * np.diag(self.replication)
        for scale, unit, size in self.parts:
            table = self._tables(plans, unit, size)
            out += scale * (table @ table.transpose(0, 2, 1))
        return out

    def _tables(self, plans: Ints, unit: Ints, size: int) -> Floats:
        t = self.site.t
        codes = plans * size + unit + (np.arange(len(plans)) * t * size)[:, None]
        counts = np.bincount(codes.ravel(), minlength=len(plans) * t * size)
        return np.asarray(counts.reshape(len(plans), t, size), dtype=float)

    def _some(self, plans: Ints) -> Floats:
        info = self.information(plans)
        n, t = self.site.n, self.site.t
        if len(self.site.sizes) == 1:
            root = np.sqrt(self.replication)
            scaled = info / np.outer(root, root) - 2.0 * np.outer(root, root) / n
            factors = np.clip(np.linalg.eigvalsh(scaled)[:, 1:], _LEAST, 1.0)
            value = (t - 1) / np.sum(1.0 / factors, axis=1)
        else:
            mean = np.outer(self.replication, self.replication) / n
            whole = info + mean + np.eye(t) * (_LEAST * n / t)
            spread = np.einsum("pij,ji->p", np.linalg.inv(whole), self.weights)
            value = np.trace(self.weights) * t / n / spread
        for group in self.site.spread_over:
            table = self._tables(plans, group, int(group.max()) + 1)
            value = value - _UNEVEN * (table**2).sum(axis=(1, 2)) / n**2
        return np.asarray(value)


State = tuple[Floats, list[NDArray[np.int32]]]


class Ceiling:
    """The most information that a partial plan can still reach, for one treatment.

    The harmonic mean of the canonical factors is at most their average, which is one minus
    the losses to the groupings above; and what is lost to a group is least when its free
    places go where they add least to the sum of ``count² / replication``.

    Parameters
    ----------
    valuation : Valuation
    """

    most_codes = 2_000_000

    def __init__(self, valuation: Valuation) -> None:
        site = valuation.site
        self.t = site.t
        self.base = valuation.own * site.t
        self.parts: list[tuple[float, Ints, Floats, NDArray[np.int32]]] = []
        for scale, unit, size in valuation.parts:
            each = site.n // size
            if scale > 0 or size == 1:  # the mean: its squares are the same in every plan
                squares = float(valuation.replication.sum()) if size == 1 else each * site.t
                self.base += scale * squares
            elif (each + 1) ** self.t <= self.most_codes:
                radix = (each + 1) ** np.arange(self.t, dtype=np.int32)
                least = _least_squares(each, valuation.replication)
                self.parts.append((scale, unit, least, radix))
                self.base += scale * least[0] * size

    def start(self) -> State:
        """Give the state of the plan with no unit filled."""
        widths = [int(unit.max()) + 1 for _, unit, _, _ in self.parts]
        return np.array([self.base]), [np.zeros((1, w), dtype=np.int32) for w in widths]

    def grow(self, state: State | None, at: Ints, unit: int, treatment: int) -> State:
        """Fill one unit of some of the plans."""
        assert state is not None
        total, codes = state[0][at].copy(), [code[at] for code in state[1]]
        for (scale, where, least, radix), code in zip(self.parts, codes, strict=True):
            group = where[unit]
            before = least[code[:, group]]
            code[:, group] += radix[treatment]
            total += scale * (least[code[:, group]] - before)
        return total, codes

    def take(self, state: State | None, keep: NDArray[np.intp]) -> State:
        """Keep some of the plans."""
        assert state is not None
        return state[0][keep], [code[keep] for code in state[1]]

    def join(self, states: Sequence[State]) -> State:
        """Put plans side by side."""
        codes = [np.vstack(parts) for parts in zip(*(s[1] for s in states), strict=True)]
        return np.concatenate([s[0] for s in states]), codes

    def reach(self, state: State) -> Floats:
        """Give the most that each plan can still reach."""
        return state[0] / (self.t - 1)


def _least_squares(each: int, replication: Floats) -> Floats:
    """Give, by code of a group's counts, the least ``sum count² / r`` once it is full."""
    t = len(replication)
    counts = np.indices((each + 1,) * t).reshape(t, -1)[::-1]  # the first count varies fastest
    out = np.full(counts.shape[1], np.inf)
    fits = np.flatnonzero(counts.sum(axis=0) <= each)
    full = counts[:, fits].astype(np.int64)
    free = each - full.sum(axis=0)
    while (free > 0).any():
        cost = (2 * full + 1) / replication[:, None]
        cheapest = cost.argmin(axis=0)
        full[cheapest, np.arange(len(fits))] += free > 0
        free = free - (free > 0)
    out[fits] = (full**2 / replication[:, None]).sum(axis=0)
    return out
