"""Constraints on a plan: levels a unit cannot hold, levels that must not be neighbours."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import prod

import numpy as np
from numpy.typing import NDArray

from trialkit.design.layout.draws import Draws
from trialkit.design.layout.units import Ints, unit_levels
from trialkit.errors import PlanError
from trialkit.structure import Term
from trialkit.trial import Factor

Bools = NDArray[np.bool_]


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

    @property
    def any(self) -> bool:
        """Whether anything is constrained at all."""
        return not bool(self.may.all()) or bool(self.conflict.any())

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


def find_constraints(
    factors: Sequence[Factor], levels: Mapping[str, tuple[str, ...]], term: Term
) -> Constraints:
    """Read the constraints of the factors applied to one stratum.

    Neighbours are units that differ by one place in the listed order of one unit factor
    other than `batch` (which is a succession in time), all other unit factors equal.
    """
    counts = {name: len(names) for name, names in levels.items()}
    n = prod(counts[name] for name in term)
    sizes = [len(f.levels) for f in factors]
    t = prod(sizes)
    level_of = np.indices(sizes).reshape(len(sizes), -1)
    may, conflict = np.ones((n, t), dtype=bool), np.zeros((t, t), dtype=bool)
    for i, factor in enumerate(factors):
        names = list(factor.levels)
        for unit, level in factor.forbidden:
            rows = _units_named(unit, levels, term, factor.name)
            may[np.ix_(rows, level_of[i] == names.index(level))] = False
        for group in factor.apart:
            inside = [names.index(level) for level in dict.fromkeys(group)]
            for a in inside:
                for b in inside:
                    if a != b or len(inside) == 1:
                        conflict |= np.outer(level_of[i] == a, level_of[i] == b)
    return Constraints(may, conflict, _neighbours(term, counts))


def _units_named(
    name: str, levels: Mapping[str, tuple[str, ...]], term: Term, factor: str
) -> Bools:
    """Find the units a constraint speaks of: by all their levels, or by one level alone."""
    counts = {f: len(levels[f]) for f in levels}
    number = unit_levels(term, counts)
    parts = [p.strip() for p in name.split(":")]
    n = prod(counts[f] for f in term)
    if len(parts) == len(term) and all(p in levels[f] for p, f in zip(parts, term, strict=True)):
        out = np.ones(n, dtype=bool)
        for part, f in zip(parts, term, strict=True):
            out &= number[f] == levels[f].index(part)
        return out
    found = [f for f in term if name in levels[f]]
    if len(found) == 1:
        return np.asarray(number[found[0]] == levels[found[0]].index(name))
    if not found:
        raise PlanError(
            f"{factor}: a constraint names the unit {name!r}, which is not one of the "
            f"{':'.join(term)} units; name it by its levels joined by ':' or by one level alone"
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


def random_start(target: Sequence[int], constraints: Constraints, draws: Draws) -> Ints | None:
    """Draw an arrangement with the wanted replication that breaks no constraint, or None.

    Starts from a random arrangement and exchanges units that break something with the
    partner that mends most, ties drawn at random.
    """
    start = [level for level, r in enumerate(target) for _ in range(r)]
    draws.shuffle(start)
    current = np.asarray(start, dtype=np.int64)
    everyone = np.arange(len(current))
    for _ in range(40 * len(current) + 200):
        broken = constraints.broken(current)
        if not broken.any():
            return current
        u = int(draws.choice(np.flatnonzero(broken).tolist()))
        cost = constraints.cost(current, np.full(len(current), u), everyone)
        now = broken[u] + broken  # what the pair breaks before the exchange
        change = (cost - now).astype(float)
        change[current == current[u]] = np.inf
        if not np.isfinite(change).any():
            return None
        best = np.flatnonzero(change == change.min()).tolist()
        # now and then a random partner, so as not to circle in one place
        v = int(draws.choice(best)) if draws.below(10) else draws.below(len(current))
        current[u], current[v] = current[v], current[u]
    return None
