"""Listing plans unit by unit, all partial plans side by side, or a random part of them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trialkit.design.constraints import Constraints
from trialkit.design.layout import BASE_SEED
from trialkit.design.plan_value import Ceiling, State

MOST_LISTED = 6_000_000  # units of plans, finished or not, held side by side


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
        self, unit: int, target: Sequence[int], rules: Constraints, ceiling: Ceiling | None,
        least: float,
    ) -> Iterator[_Partial]:  # fmt: skip
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
