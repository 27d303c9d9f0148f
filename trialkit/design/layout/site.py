"""Where treatments go: the units of one stratum, what holds them, and what they may hold.

All that a layout needs to know of a trial is taken from it here, once.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from math import prod

import numpy as np

from trialkit.arrays import Bools, Ints
from trialkit.design.layout.units import Grouping, groupings, parents, unit_levels, unit_of
from trialkit.errors import PlanError
from trialkit.structure import Structure, Term
from trialkit.trial import Factor, Trial
from trialkit.trial.over_time import laid_out, over_starts


@dataclass(frozen=True, eq=False)
class Site:
    """The units of one stratum and the treatments to be laid out over them.

    Parameters
    ----------
    structure : Structure
    counts : dict
        Unit factor → number of levels.
    term : tuple of str
        The stratum whose units are treated.
    asked : dict
        Treatment → how often each of its levels is asked for, beside the others.
    target : tuple of int
        Units per treatment combination.
    methods : tuple of str
        Ways of laying out that were asked for by name.
    limits : Constraints, optional
        Where units may not hold everything.
    spread_over : tuple of array of int
        Levels of the treatments given to larger units, one per unit here, to be spread over.
    trend : bool
        Its units are starts in their order, which is to be balanced against a trend.
    """

    structure: Structure
    counts: dict[str, int]
    term: Term
    asked: dict[str, tuple[int, ...]]
    target: tuple[int, ...]
    methods: tuple[str, ...] = ()
    limits: Constraints | None = None
    spread_over: tuple[Ints, ...] = ()
    trend: bool = False

    @property
    def sizes(self) -> tuple[int, ...]:
        """Levels of each treatment given to these units."""
        return tuple(map(len, self.asked.values()))

    @property
    def t(self) -> int:
        """Number of treatment combinations."""
        return prod(self.sizes)

    @property
    def n(self) -> int:
        """Number of units."""
        return prod(self.counts[name] for name in self.term)

    @cached_property
    def level_of(self) -> dict[str, Ints]:
        """Treatment → its level in each treatment combination."""
        grid = np.indices(self.sizes).reshape(len(self.sizes), -1)
        return dict(zip(self.asked, grid, strict=True))

    @cached_property
    def place(self) -> dict[str, Ints]:
        """Unit factor → its level at each unit, in plan order."""
        return unit_levels(self.term, self.counts)

    @cached_property
    def nested_in(self) -> dict[str, Term]:
        """Unit factor, in the structure's order → the factors it is nested in."""
        return parents(self.structure)

    @cached_property
    def groupings(self) -> tuple[Grouping, ...]:
        """The grand mean, the distinct strata above, coarsest first, and the units themselves."""
        return groupings(self.structure, self.counts, self.term)

    @cached_property
    def blocks(self) -> tuple[Grouping, ...]:
        """The finest groupings of the units: those that hold no other."""
        above = self.groupings[1:-1]
        return tuple(g for g in above if not any(set(g.stratum) < set(o.stratum) for o in above))

    @cached_property
    def square(self) -> tuple[Ints, Ints, Ints] | None:
        """Of each unit, its Latin square and its row and column there; None where none fits."""
        real = [name for name in self.term if self.counts[name] > 1]
        if len(self.blocks) != 2 or self.n % self.t**2 or len(set(self.target)) > 1:
            return None
        a, b = (set(block.stratum) & set(real) for block in self.blocks)
        if a | b != set(real) or len(a - b) != 1 or len(b - a) != 1:
            return None
        row, column = next(iter(a - b)), next(iter(b - a))
        if self.counts[row] != self.t or self.counts[column] != self.t:
            return None
        context = [f for f in self.term if f not in (row, column)]
        return self.holder(context), self.place[row], self.place[column]

    @property
    def of_smallest(self) -> Ints:
        """For each smallest unit of the trial, the unit here that holds it."""
        return unit_of(self.structure.smallest, self.term, self.counts)

    def holder(self, above: Sequence[str]) -> Ints:
        """Give, for each unit, the number of the unit of `above` that holds it."""
        number = np.zeros(self.n, dtype=np.int64)
        for name in above:
            if self.counts[name] > 1:
                number = number * self.counts[name] + self.place[name]
        return number

    @property
    def key(self) -> tuple[object, ...]:
        """All that decides which arrangements are best, to remember them by."""
        rules = (self.limits.may, self.limits.conflict) if self.limits else ()
        return (
            self.structure.text,
            tuple(self.counts.items()),
            self.term,
            self.sizes,
            self.target,
            tuple(a.tobytes() for a in (*rules, *self.spread_over)),
        )


@dataclass(frozen=True, eq=False)
class Layout:
    """An arrangement over a site and how it was made.

    Parameters
    ----------
    site : Site
    treatment : array of int, shape (units,)
        Treatment combination of each unit, in plan order.
    method : str
        In words, such as ``"randomised blocks"``.
    ordered : tuple of str
        Unit factors whose order is part of the arrangement and must not be shuffled.
    final : bool
        Already random: units must not be shuffled (because of constraints).
    plans : array of int, shape (plans, units), optional
        The plans it was drawn from, where constraints restrict it.
    """

    site: Site
    treatment: Ints
    method: str
    ordered: tuple[str, ...] = ()
    final: bool = False
    plans: Ints | None = None


@dataclass(frozen=True)
class Constraints:
    """Which combinations of treatment levels the units of one stratum may hold.

    Parameters
    ----------
    may : array of bool, shape (units, treatments)
        Whether a unit may hold a treatment.
    conflict : array of bool, shape (treatments, treatments)
        Whether two treatments must not stand in neighbouring units; symmetric.
    neighbours : array of int, shape (units, most neighbours)
        Unit numbers of each unit's neighbours, −1 where there are fewer.
    """

    may: Bools
    conflict: Bools
    neighbours: Ints

    def broken(self, treatment: Ints) -> Ints:
        """Count the constraints each unit breaks."""
        out = (~self.may[np.arange(len(treatment)), treatment]).astype(np.int64)
        return out + self._clashes(np.arange(len(treatment)), treatment, treatment)

    def _clashes(self, unit: Ints, holds: Ints, treatment: Ints) -> Ints:
        near = self.neighbours[unit]
        clash = self.conflict[holds[:, None], treatment[near]] & (near >= 0)
        return np.asarray(clash.sum(axis=1), dtype=np.int64)

    def allows(self, treatment: Ints, u: Ints, v: Ints) -> Bools:
        """Tell which exchanges of two units break nothing at either unit."""
        return np.asarray(self.cost(treatment, u, v) == 0)

    def cost(self, treatment: Ints, u: Ints, v: Ints) -> Ints:
        """Count what the two units would break after each exchange."""
        a, b = treatment[u], treatment[v]
        out = (~self.may[u, b]).astype(np.int64) + (~self.may[v, a])
        for here, there, new, other in ((u, v, b, a), (v, u, a, b)):
            near = self.neighbours[here]
            beside = np.where(near == there[:, None], other[:, None], treatment[near])
            out = out + (self.conflict[new[:, None], beside] & (near >= 0)).sum(axis=1)
        return np.asarray(out, dtype=np.int64)


def treated_sites(trial: Trial) -> list[Site]:
    """Take from a trial where its treatments go, stratum by stratum, coarsest first.

    Raises
    ------
    PlanError
        If a stratum has fewer units than treatment combinations, or a constraint names units
        that it does not have.
    """
    laid = laid_out(trial)
    return [_site(laid, term, factors) for term, factors in strata_factors(laid).items()]


def strata_factors(trial: Trial) -> dict[Term, list[Factor]]:
    """Group the treatments by the stratum they are applied to, coarsest first."""
    return {
        term: here
        for term in trial.structure.terms
        if (here := [f for f in trial.factors.values() if f.applied_to == term])
    }


def _site(trial: Trial, term: Term, factors: Sequence[Factor]) -> Site:
    asked = {f.name: tuple((f.replication or {}).get(x, 1) for x in f.levels) for f in factors}
    weights = np.ones(1, dtype=np.int64)
    for each in asked.values():
        weights = np.kron(weights, np.array(each))
    n = prod(trial.counts[name] for name in term)
    if len(weights) > n:
        raise PlanError(
            f"{len(weights)} combinations of {' and '.join(asked)} do not fit "
            f"on {n} {':'.join(term)} units; add units or drop levels"
        )
    target = tuple(replication(n, weights.tolist()))
    methods = tuple(sorted({f.method for f in factors} - {"auto"}))
    trend = trial.over_time == "trend" and set(asked) <= set(over_starts(trial))
    free = Site(trial.structure, trial.counts, term, asked, target, methods, trend=trend)
    limits = find_constraints(free, factors, trial.levels)
    return free if limits is None else replace(free, limits=limits)


def replication(n: int, weights: Sequence[int]) -> list[int]:
    """Share n units out in proportion to the weights, as nearly as whole numbers allow."""
    total = sum(weights)
    out = [n * w // total for w in weights]
    rest = n - sum(out)
    order = sorted(range(len(weights)), key=lambda i: (-(n * weights[i] % total), i))
    for i in order[:rest]:
        out[i] += 1
    return out


def find_constraints(
    site: Site, factors: Sequence[Factor], levels: Mapping[str, tuple[str, ...]]
) -> Constraints | None:
    """Read the constraints of the factors applied to one stratum; None where nothing binds.

    Neighbours are units that differ by one place in the listed order of one unit factor
    other than `batch` (which is a succession in time), all other unit factors equal.
    """
    may = np.ones((site.n, site.t), dtype=bool)
    conflict = np.zeros((site.t, site.t), dtype=bool)
    for factor in factors:
        names, held = list(factor.levels), site.level_of[factor.name]
        for unit, level in factor.forbidden:
            rows = _units_named(unit, site, levels, factor.name)
            may[np.ix_(rows, held == names.index(level))] = False
        for group in factor.apart:
            inside = [names.index(level) for level in dict.fromkeys(group)]
            for a in inside:
                for b in inside:
                    if a != b or len(inside) == 1:
                        conflict |= np.outer(held == a, held == b)
    if may.all() and not conflict.any():
        return None
    return Constraints(may, conflict, _neighbours(site.term, site.counts))


def _units_named(
    name: str, site: Site, levels: Mapping[str, tuple[str, ...]], factor: str
) -> Bools:
    """Find the units a constraint speaks of: by all their levels, or by one level alone."""
    parts = dict(zip(site.term, (p.strip() for p in name.split(":")), strict=False))
    if name.count(":") == len(site.term) - 1 and all(p in levels[f] for f, p in parts.items()):
        here = [site.place[f] == levels[f].index(part) for f, part in parts.items()]
        return np.asarray(np.logical_and.reduce(here))
    found = [f for f in site.term if name in levels[f]]
    if len(found) == 1:
        return np.asarray(site.place[found[0]] == levels[found[0]].index(name))
    if not found:
        raise PlanError(
            f"{factor}: a constraint names the unit {name!r}, which is not one of the "
            f"{':'.join(site.term)} units; name it by its levels joined by ':' or by one level "
            "alone"
        )
    raise PlanError(
        f"{factor}: a constraint names {name!r}, which is a level of {' and '.join(found)}; "
        "name the unit by all its levels joined by ':'"
    )


def _neighbours(term: Term, counts: Mapping[str, int]) -> Ints:
    shape = tuple(counts[name] for name in term)
    index = np.arange(prod(shape)).reshape(shape)
    columns = []
    for axis, name in enumerate(term):
        if name == "batch":
            continue
        for step in (1, -1):
            moved = np.full(shape, -1)
            to = [slice(None)] * len(shape)
            source = [slice(None)] * len(shape)
            to[axis] = slice(None, -1) if step == 1 else slice(1, None)
            source[axis] = slice(1, None) if step == 1 else slice(None, -1)
            moved[tuple(to)] = index[tuple(source)]
            columns.append(moved.ravel())
    if not columns:
        return np.full((index.size, 1), -1, dtype=np.int64)
    return np.stack(columns, axis=1).astype(np.int64)
