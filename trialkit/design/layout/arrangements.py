"""The arrangement of treatments over the units of one stratum, before it is randomised.

A classical plan is taken where one exists; otherwise an exchange search looks for the one
that compares the treatments most precisely. Treatments of several factors given to the
same units are arranged together, as combinations.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import prod

import numpy as np

from trialkit.arrays import Ints
from trialkit.design.layout.classical import (
    alpha_blocks,
    balanced_blocks,
    difference_set,
    latin_square,
)
from trialkit.design.layout.constraints import Constraints, random_start
from trialkit.design.layout.draws import Draws
from trialkit.design.layout.efficiency import Criterion, Exchange, Progress, plan_efficiency, steady
from trialkit.design.layout.plan_list import PlanList
from trialkit.design.layout.units import coarser, information, unit_levels, unit_of
from trialkit.errors import PlanError
from trialkit.structure import Structure, Term

_LARGE = 500  # units beyond which only the systematic start is polished, for a while
BASE_SEED = 20_310_113  # base plans do not depend on the trial's seed; it randomises them


@dataclass(frozen=True)
class Site:
    """Where treatments of one stratum go.

    Parameters
    ----------
    structure : Structure
    counts : dict
        Unit factor → number of levels.
    term : tuple of str
        The stratum whose units are treated.
    sizes : tuple of int
        Levels of each factor given to these units.
    target : tuple of int
        Units per treatment combination.
    """

    structure: Structure
    counts: dict[str, int]
    term: Term
    sizes: tuple[int, ...]
    target: tuple[int, ...]

    @property
    def t(self) -> int:
        """Number of treatment combinations."""
        return prod(self.sizes)

    @property
    def n(self) -> int:
        """Number of units."""
        return prod(self.counts[name] for name in self.term)

    def size(self, term: Sequence[str]) -> int:
        """Count the units of a stratum."""
        return prod(self.counts[name] for name in term)

    @property
    def blocks(self) -> tuple[Term, ...]:
        """Distinct strata above that divide the units into groups, coarsest first."""
        return coarser(self.structure, self.counts, self.term)

    @property
    def parents(self) -> tuple[Term, ...]:
        """The finest of the blocks: those that hold no other block."""
        return tuple(s for s in self.blocks if not any(set(s) < set(o) for o in self.blocks))

    @property
    def square(self) -> tuple[Term, str, str] | None:
        """The context, row and column factor of a Latin square layout, or None."""
        real = [name for name in self.term if self.counts[name] > 1]
        if len(self.parents) != 2 or self.n % self.t**2 or len(set(self.target)) > 1:
            return None
        a, b = (set(p) & set(real) for p in self.parents)
        if a | b != set(real) or len(a - b) != 1 or len(b - a) != 1:
            return None
        row, column = next(iter(a - b)), next(iter(b - a))
        if self.counts[row] != self.t or self.counts[column] != self.t:
            return None
        return tuple(f for f in self.term if f not in (row, column)), row, column


@dataclass(frozen=True)
class Layout:
    """An arrangement and how it was made.

    Parameters
    ----------
    treatment : array of int, shape (units,)
        Treatment combination of each unit, in plan order.
    method : str
        In words, such as ``"randomised blocks"``.
    ordered : tuple of str
        Unit factors whose order is part of the arrangement and must not be shuffled.
    final : bool
        Already random: units must not be shuffled (because of constraints).
    plans : PlanList, optional
        The plans it was drawn from, where constraints restrict it.
    """

    treatment: Ints
    method: str
    ordered: tuple[str, ...] = ()
    final: bool = False
    plans: PlanList | None = None


def replication(n: int, weights: Sequence[int], draws: Draws | None = None) -> list[int]:
    """Share n units out in proportion to the weights, as nearly as whole numbers allow."""
    total = sum(weights)
    out = [n * w // total for w in weights]
    rest = n - sum(out)
    order = sorted(range(len(weights)), key=lambda i: (-(n * weights[i] % total), i))
    for i in order[:rest]:
        out[i] += 1
    return out


def complete(site: Site) -> Ints | None:
    """Arrange the same set of treatments in every parent unit, where counts allow."""
    if len(site.parents) > 1:
        return None
    number = site.size(site.parents[0]) if site.parents else 1
    if any(r % number for r in site.target):
        return None
    inside = [level for level, r in enumerate(site.target) for _ in range(r // number)]
    out = np.empty(site.n, dtype=np.int64)
    if not site.parents:
        out[:] = inside
        return out
    holder = unit_of(site.term, site.parents[0], site.counts)
    for unit in range(number):
        out[holder == unit] = inside
    return out


def drawn_squares(site: Site, draws: Draws) -> Ints:
    """Draw a Latin square for every context, each uniformly and independently."""
    assert site.square is not None
    context, row, column = site.square
    levels = unit_levels(site.term, site.counts)
    where = unit_of(site.term, context, site.counts)
    out = np.empty(site.n, dtype=np.int64)
    for unit in range(site.size(context)):
        square = latin_square(site.t, draws)
        here = where == unit
        out[here] = square[levels[row][here], levels[column][here]]
    return out


def searched(
    site: Site,
    *,
    groups: Sequence[Ints] = (),
    constraints: Constraints | None = None,
    draws: Draws | None = None,
    progress: Progress | None = None,
    quick: bool = False,
) -> list[Ints]:
    """Search for efficient arrangements by exchanges from several starts.

    All arrangements that tie for the best are given, so that chance can choose among them.

    Parameters
    ----------
    site : Site
    groups : sequence of array of int
        Levels of treatments given to larger units, to be spread over.
    constraints : Constraints, optional
        Kept throughout; then every start is random.
    draws : Draws, optional
        Chance for the starts; a fixed stream by default, so that the search gives the
        same arrangement each time.
    progress : callable, optional
        Called with (starts done, starts planned).
    quick : bool
        Start from systematic arrangements and one random one only.
    """
    criterion = Criterion.for_levels(site.sizes)
    engine = Exchange(site.structure, site.counts, site.term, site.t, criterion, groups=groups)
    kept = constraints if constraints is not None and constraints.any else None
    draws = draws or Draws(BASE_SEED)
    starts: list[Ints] = systematic_starts(site) if kept is None else []
    planned = len(starts) + _random_starts(site, kept is not None, quick)
    best: list[Ints] = []
    best_value = np.inf
    for i in range(planned):
        if progress is not None:
            progress(i, planned)
        if i < len(starts):
            start: Ints | None = starts[i]
        elif kept is not None:
            start = random_start(site.target, kept, draws)
        else:
            start = _shuffled(site.target, draws)
        if start is None:
            continue
        allowed = None if kept is None else kept.allows
        steps = 10_000 if site.n <= _LARGE else 40
        found = engine.improve(start, _pairs(site.n, draws), allowed=allowed, steps=steps)
        value = float(steady(engine.value(found), 9))
        if value < best_value:
            best, best_value = [], value
        if value == best_value and not any(np.array_equal(found, other) for other in best):
            best.append(found)
    if progress is not None:
        progress(planned, planned)
    if not best:
        raise PlanError(
            f"no arrangement over the {':'.join(site.term)} units keeps all the constraints; "
            "loosen 'forbidden' or 'apart', or add units"
        )
    return _alike(site, best) if not groups else best[:1]


def _alike(site: Site, found: list[Ints]) -> list[Ints]:
    """Keep arrangements that share information out over the strata as the first one does."""

    def signature(treatment: Ints) -> list[list[float]]:
        info = information(site.structure, site.counts, site.term, treatment, site.t)
        root = np.sqrt(np.maximum(np.bincount(treatment, minlength=site.t), 1))
        scaled = [matrix / np.outer(root, root) for matrix in info.values()]
        return [steady(np.linalg.eigvalsh(matrix), 8).tolist() for matrix in scaled]

    wanted = signature(found[0])
    return [treatment for treatment in found if signature(treatment) == wanted]


def _random_starts(site: Site, bound: bool, quick: bool) -> int:
    if bound:
        return 6 if site.n <= _LARGE else 1
    if quick:
        return 1 if site.n <= 60 else 0
    return 30 if site.n <= 60 else 8 if site.n <= 200 else 2 if site.n <= _LARGE else 0


def _pairs(n: int, draws: Draws, most: int = 20_000) -> tuple[Ints, Ints]:
    if n * (n - 1) // 2 <= most:
        u, v = np.triu_indices(n, 1)
        return u.astype(np.int64), v.astype(np.int64)
    u = np.array([draws.below(n) for _ in range(most)])
    v = (u + 1 + np.array([draws.below(n - 1) for _ in range(most)])) % n
    return u, v


def _shuffled(target: Sequence[int], draws: Draws) -> Ints:
    out = [level for level, r in enumerate(target) for _ in range(r)]
    draws.shuffle(out)
    return np.asarray(out, dtype=np.int64)


def systematic_starts(site: Site) -> list[Ints]:
    """Give a cyclic arrangement, and classical ones where they are known."""
    position = unit_levels(site.term, site.counts)
    total = np.sum([position[name] for name in site.term], axis=0)
    out = [_with_target(total % site.t, site.target)]
    if len(site.parents) == 1:
        out += [_in_blocks(site, blocks) for blocks in _known_blocks(site)]
    elif len(site.parents) == 2:
        out += _youden(site)
    return [s for s in out if np.array_equal(np.bincount(s, minlength=site.t), site.target)]


def _known_blocks(site: Site) -> list[Ints]:
    number = site.size(site.parents[0])
    k = site.n // number
    blocks = balanced_blocks(site.t, k, number)
    if blocks is not None:
        return [blocks]
    if len(site.sizes) > 1:
        return _confounded(site, k, number)
    if 1 < k < site.t and site.t % k == 0 and number * k % site.t == 0:
        replicates = number * k // site.t
        if 1 < replicates <= 8:
            return [alpha_blocks(site.t // k, k, replicates, Draws(BASE_SEED))]
    return []


def _confounded(site: Site, k: int, number: int) -> list[Ints]:
    """Give a factorial in blocks that gives up only its highest interaction (Yates 1937)."""
    p = site.sizes[0]
    if any(size != p for size in site.sizes) or k * p != site.t or number % p:
        return []
    total = np.indices(site.sizes).reshape(len(site.sizes), -1).sum(axis=0) % p
    blocks = np.array([np.flatnonzero(total == rest) for rest in range(p)])
    return [np.tile(blocks, (number // p, 1))]


def _in_blocks(site: Site, blocks: Ints) -> Ints:
    holder = unit_of(site.term, site.parents[0], site.counts)
    out = np.empty(site.n, dtype=np.int64)
    for unit, block in enumerate(blocks):
        out[holder == unit] = block
    return out


def _youden(site: Site) -> list[Ints]:
    """Give rows by columns in which columns hold a difference set, moved on by one."""
    a, b = (unit_of(site.term, p, site.counts) for p in site.parents)
    out = []
    for row, column in ((a, b), (b, a)):
        shifts = difference_set(site.t, int(row.max()) + 1)
        if shifts is not None and (int(column.max()) + 1) % site.t == 0:
            out.append((np.array(shifts, dtype=np.int64)[row] + column) % site.t)
    return out


def _with_target(start: Ints, target: Sequence[int]) -> Ints:
    """Change as few units as needed so that each treatment has its replication."""
    out = start.copy()
    have = np.bincount(out, minlength=len(target))
    short = [level for level, r in enumerate(target) for _ in range(max(0, r - have[level]))]
    for i in range(len(out) - 1, -1, -1):
        if short and have[out[i]] > target[out[i]]:
            have[out[i]] -= 1
            out[i] = short.pop()
            have[out[i]] += 1
    return out


def spread(site: Site, treatment: Ints) -> float:
    """Give the efficiency factor of the treatments within their own stratum."""
    return plan_efficiency(site.structure, site.counts, site.term, treatment, site.t)
