"""How much of the information a plan keeps, its upper bound, and a search for better plans.

The search starts from a given plan and exchanges the treatments of two units as long as
that lowers the average variance of the comparisons asked for (A-efficiency).

References
----------
.. [1] James, A. T. and Wilkinson, G. N. (1971). Factorization of the residual operator and
   canonical decomposition of nonorthogonal factors in the analysis of variance.
   Biometrika 58, 279-294. doi:10.1093/biomet/58.2.279
.. [2] John, J. A. and Williams, E. R. (1995). Cyclic and Computer Generated Designs.
   Chapman and Hall, ch. 2 (bounds) and 4 (exchange).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from math import prod

import numpy as np

from trialkit.arrays import Bools, Floats, Ints
from trialkit.design.layout.units import (
    coarser,
    incidence,
    information,
    strata_coefficients,
    unit_of,
)
from trialkit.structure import Structure, Term

_TINY = 1e-8
Progress = Callable[[int, int], None]


def steady(values: Floats | float, digits: int = 10) -> Floats:
    """Cut numbers to a grid so that equal ones stay equal whatever the last bits are.

    Rounding noise differs between processors. The grid is shifted by an odd amount, since
    simple fractions such as 2⁻¹¹ lie exactly halfway between neighbours of a decimal grid.
    """
    scale = 10.0**digits
    return np.asarray(np.floor(np.asarray(values) * scale + 0.3183098861837907) / scale)


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


def plan_bound(
    structure: Structure, counts: Mapping[str, int], term: Term, replication: Sequence[int]
) -> float:
    """Give an upper bound on the efficiency that any plan over these units can have.

    Parameters
    ----------
    structure, counts
        Unit structure and levels per unit factor.
    term : tuple of str
        Stratum whose units are treated.
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

    >>> from trialkit.structure import parse_structure
    >>> plan_bound(parse_structure("batch * chamber"), {"batch": 4, "chamber": 6},
    ...            ("batch", "chamber"), (8, 8, 8))
    0.9375
    """
    n, t = sum(replication), len(replication)
    above = coarser(structure, counts, term)
    finest = [s for s in above if not any(set(s) < set(o) for o in above)]
    losses = []
    for stratum in finest:
        b = prod(counts[name] for name in stratum)
        spread = sum(_least_squares_sum(r, b) / r for r in replication) / (n / b)
        if len(set(replication)) == 1:
            spread = max(spread, b * _least_squares_sum(n // b, t) / replication[0] / (n / b))
        losses.append((spread - 1) / (t - 1))
    apart = all(not (set(a) & set(b)) for a in finest for b in finest if a != b)
    return 1.0 - (sum(losses) if apart else max(losses, default=0.0))


def _least_squares_sum(total: int, parts: int) -> int:
    """Give the least sum of squares of whole numbers with a given total."""
    full, rest = divmod(total, parts)
    return rest * (full + 1) ** 2 + (parts - rest) * full**2


@dataclass(frozen=True)
class Criterion:
    """What the search lowers: weighted average variance of the effects asked for.

    Parameters
    ----------
    weights : array, shape (t, t)
        Sum over effects of L L'/df times the effect's weight, L its orthonormal contrasts.
    """

    weights: Floats

    @classmethod
    def for_levels(cls, sizes: Sequence[int]) -> Criterion:
        """Weigh main effects 1 and each further order of interaction a hundredth of the last."""
        from itertools import combinations

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
        return cls(total)


class Exchange:
    """Exchange search over the treatments of the units of one stratum.

    Parameters
    ----------
    structure, counts, term
        Unit structure, levels per factor, and the stratum whose units are treated.
    n_treatments : int
    criterion : Criterion
    groups : sequence of array of int, optional
        Other groupings of the units (levels of a treatment given to larger units) over
        which treatments should be spread evenly, as a tie-break.

    Notes
    -----
    The objective is tr(W M⁻¹), M the information within the stratum plus small shares of
    that in the strata above (0.02 in the nearest, 0.0004 in the next, …), so that
    comparisons lost to the stratum are kept as near to it as can be. An exchange changes M
    by a matrix of rank two, δz' + zδ', hence all exchanges are valued at once.
    """

    share = 0.02

    def __init__(
        self,
        structure: Structure,
        counts: Mapping[str, int],
        term: Term,
        n_treatments: int,
        criterion: Criterion,
        *,
        groups: Sequence[Ints] = (),
    ) -> None:
        self.t, self.W = n_treatments, criterion.weights
        self.n = prod(counts[name] for name in term)
        term = structure.merged(counts)[term]
        mix: dict[Term, float] = {}
        for depth, stratum in enumerate((*coarser(structure, counts, term), term)):
            weight = self.share ** (len(coarser(structure, counts, term)) - depth)
            for key, value in strata_coefficients(structure, counts, stratum).items():
                mix[key] = mix.get(key, 0.0) + weight * value
        self.own: float = mix.pop(term)
        self.mean: float = mix.pop((), 0.0)
        self.units: list[Ints] = []
        self.scale: list[float] = []
        for key, share in mix.items():
            if abs(share) > 1e-12:
                self.units.append(unit_of(term, key, counts))
                self.scale.append(share * prod(counts[f] for f in key) / self.n)
        self.groups = [(g, int(g.max()) + 1) for g in groups]
        # what uneven spreading costs: little beside any difference in efficiency
        self.uneven = 1e-3 * float(np.trace(self.W)) * self.t / self.n**2

    def _matrix(self, treatment: Ints) -> tuple[Floats, list[Floats]]:
        replication = np.bincount(treatment, minlength=self.t).astype(float)
        tables = [incidence(treatment, u, self.t, int(u.max()) + 1) for u in self.units]
        M = self.own * np.diag(replication)
        for table, scale in zip(tables, self.scale, strict=True):
            M = M + scale * (table @ table.T)
        # the mean, with a weight that makes M of full rank and leaves comparisons as they are
        M = M + (1.0 + self.mean) * np.outer(replication, replication) / self.n
        return M + np.eye(self.t) * (1e-6 * self.n / self.t), tables

    def value(self, treatment: Ints) -> float:
        """Give the objective: lower is better."""
        M, _ = self._matrix(treatment)
        squares = sum(
            float((incidence(treatment, group, self.t, size) ** 2).sum())
            for group, size in self.groups
        )
        return float(np.sum(np.linalg.inv(M) * self.W)) + self.uneven * squares

    def gains(self, treatment: Ints, u: Ints, v: Ints) -> Floats:
        """Give the change of the objective for exchanging each pair of units (u, v)."""
        M, tables = self._matrix(treatment)
        inverse = np.linalg.inv(M)
        H = inverse @ self.W @ inverse
        a, b = treatment[u], treatment[v]
        z = np.zeros((len(u), self.t))
        kappa = np.zeros(len(u))
        for table, scale, unit in zip(tables, self.scale, self.units, strict=True):
            differ = unit[u] != unit[v]
            z += scale * (table.T[unit[u]] - table.T[unit[v]]) * differ[:, None]
            kappa += scale * differ
        rows = np.arange(len(u))
        delta = np.zeros((len(u), self.t))
        delta[rows, b] += 1.0
        delta[rows, a] -= 1.0
        z += kappa[:, None] * delta
        dM, zM = delta @ inverse, z @ inverse
        dH, zH = delta @ H, z @ H
        dd, dz, zz = (dM * delta).sum(1), 1.0 + (dM * z).sum(1), (zM * z).sum(1)
        hdd, hdz, hzz = (dH * delta).sum(1), (dH * z).sum(1), (zH * z).sum(1)
        determinant = dd * zz - dz * dz
        with np.errstate(divide="ignore", invalid="ignore"):
            change = -(zz * hdd - 2 * dz * hdz + dd * hzz) / determinant
        for group, size in self.groups:
            table = incidence(treatment, group, self.t, size)
            gu, gv = group[u], group[v]
            moved = table[b, gu] - table[a, gu] + table[a, gv] - table[b, gv] + 2
            change = change + self.uneven * 2 * moved * (gu != gv)
        change[~np.isfinite(change) | (determinant >= -1e-12)] = np.inf
        change[a == b] = 0.0
        return steady(change)

    def improve(
        self,
        treatment: Ints,
        pairs: tuple[Ints, Ints],
        *,
        allowed: Callable[[Ints, Ints, Ints], Bools] | None = None,
        steps: int = 10_000,
    ) -> Ints:
        """Exchange the best pair again and again until none helps."""
        current = treatment.copy()
        u, v = pairs
        for _ in range(steps):
            change = self.gains(current, u, v)
            if allowed is not None:
                change = np.where(allowed(current, u, v), change, np.inf)
            best = int(np.argmin(change))
            if not change[best] < -1e-9 * max(1.0, abs(self.value(current))):
                break
            i, j = int(u[best]), int(v[best])
            current[i], current[j] = current[j], current[i]
        return current


def plan_efficiency(
    structure: Structure, counts: Mapping[str, int], term: Term, treatment: Ints, t: int
) -> float:
    """Give the average efficiency factor of a plan within its own stratum."""
    info = information(structure, counts, term, treatment, t)[structure.merged(counts)[term]]
    replication = np.bincount(treatment, minlength=t).astype(float)
    if replication.min() == 0:
        return 0.0
    return average_efficiency(info, [float(r) for r in replication])
