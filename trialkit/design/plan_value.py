"""What plans are worth, one by one and at most: the information they keep."""

from __future__ import annotations

from collections.abc import Sequence
from math import prod

import numpy as np
from numpy.typing import NDArray

from trialkit.design.efficiency import Criterion, steady
from trialkit.design.layout import Site
from trialkit.design.units import Floats, Ints, strata_coefficients, unit_of

_ROWS = 20_000  # plans valued at a time
_LEAST = 1e-6  # share of information below which a comparison counts as lost
_UNEVEN = 1e-3  # what uneven spreading over coarser treatments costs, beside information


class Valuation:
    """How good plans of one stratum are: the information they keep, less uneven spreading.

    Parameters
    ----------
    site : Site
    groups : sequence of array of int
        Levels of treatments given to larger units, to be spread over evenly.

    Notes
    -----
    For one treatment the value is its average efficiency factor; for several given together,
    the average variance of their effects turned into a share in the same way.
    """

    def __init__(self, site: Site, groups: Sequence[Ints] = ()) -> None:
        self.site, self.groups = site, groups
        term = site.structure.merged(site.counts)[site.term]
        self.parts: list[tuple[float, Ints, int]] = []
        self.own = 0.0
        for key, weight in strata_coefficients(site.structure, site.counts, term).items():
            if key == term:
                self.own = float(weight)
                continue
            size = prod(site.counts[name] for name in key)
            self.parts.append((weight * size / site.n, unit_of(site.term, key, site.counts), size))
        self.weights = Criterion.for_levels(site.sizes).weights
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
        for group in self.groups:
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
