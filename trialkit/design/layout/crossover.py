"""Crossovers of chambers over batches, balanced for what each chamber had before.

References
----------
.. [1] Williams, E. J. (1949). Aust. J. Sci. Res. A 2, 149-168. doi:10.1071/CH9490149
.. [2] Lucas, H. L. (1957). Extra-period Latin-square change-over designs. J. Dairy Sci. 40,
   225-239.
"""

from __future__ import annotations

import numpy as np

from trialkit.arrays import Floats, Ints
from trialkit.design.layout.arrangements import BASE_SEED, Layout, Site, systematic_starts
from trialkit.design.layout.classical import williams_sequences
from trialkit.design.layout.draws import Draws
from trialkit.design.layout.efficiency import Criterion, Exchange, steady
from trialkit.design.layout.units import unit_levels, unit_of
from trialkit.errors import PlanError
from trialkit.wording import plural

_STARTS = 12
_MOST = 200  # units beyond which the search would take too long


def carry_over(site: Site) -> Layout:
    """Arrange a crossover: sequences over the periods balanced for what came before.

    Exact (Williams [1]_) where there are as many periods as treatments and the units are a
    multiple of the sequences; with one period more, the last is repeated, which balances
    carry-over from a treatment to itself as well (Lucas [2]_). Otherwise a search looks for
    the arrangement nearest to balance, efficiency and carry-over weighed together.

    References
    ----------
    .. [1] Williams (1949), doi:10.1071/CH9490149.
    .. [2] Lucas (1957), J. Dairy Sci. 40, 225-239.
    """
    period = "batch" if "batch" in site.term else site.term[0]
    rest = tuple(name for name in site.term if name != period)
    periods = site.counts[period]
    if not rest or periods < 2:
        raise PlanError(
            f"carry-over balance needs units that go through several {plural(period)}; "
            f'{":".join(site.term)} has {periods} {plural(period)}. Use method = "auto"'
        )
    line = unit_of(site.term, rest, site.counts)
    when = unit_levels(site.term, site.counts)[period]
    sequences = williams_sequences(site.t)
    equal = len(set(site.target)) == 1
    if equal and site.size(rest) % len(sequences) == 0 and periods in (site.t, site.t + 1):
        if periods == site.t + 1:
            sequences = np.concatenate([sequences, sequences[:, -1:]], axis=1)
        return Layout(sequences[line % len(sequences), when], "carry-over balanced", (period,))
    if site.n > _MOST:
        raise PlanError(
            f"carry-over balance of {site.t} levels over {site.n} units is found by search, "
            f"which is limited to {_MOST} units. Use {site.t} or {site.t + 1} {plural(period)}, "
            'or method = "auto"'
        )
    return Layout(_nearly(site, line, when), "carry-over nearly balanced", (period,))


def _grid(line: Ints, when: Ints) -> Ints:
    """Give the unit at each line and period: array (lines, periods)."""
    out = np.empty((int(line.max()) + 1, int(when.max()) + 1), dtype=np.int64)
    out[line, when] = np.arange(len(line))
    return out


def _successions(treatments: Ints, grid: Ints, t: int) -> Ints:
    """Count ordered pairs for many arrangements at once: array (arrangements, t²)."""
    along = treatments[:, grid]
    codes = (along[:, :, :-1] * t + along[:, :, 1:]).reshape(len(treatments), -1)
    offset = np.arange(len(treatments))[:, None] * t * t
    counts = np.bincount((codes + offset).ravel(), minlength=len(treatments) * t * t)
    return np.asarray(counts.reshape(len(treatments), t * t), dtype=np.int64)


def _unevenness(counts: Ints, t: int, repeats: bool) -> Floats:
    """Sum squared departures from every pair coming up equally often.

    A treatment after itself counts as one of the pairs where periods outnumber treatments,
    and as a fault otherwise.
    """
    own = np.zeros(t * t, dtype=bool)
    own[:: t + 1] = True
    if repeats:
        even = counts.sum(axis=1, keepdims=True) / (t * t)
        return np.asarray(((counts - even) ** 2).sum(axis=1), dtype=np.float64)
    even = counts.sum(axis=1, keepdims=True) / (t * (t - 1))
    other = ((counts[:, ~own] - even) ** 2).sum(axis=1)
    return np.asarray(other + 2.0 * (counts[:, own] ** 2).sum(axis=1), dtype=np.float64)


def _nearly(site: Site, line: Ints, when: Ints) -> Ints:
    """Search by exchanges for efficiency within units and even succession together."""
    engine = Exchange(
        site.structure, site.counts, site.term, site.t, Criterion.for_levels(site.sizes)
    )
    grid = _grid(line, when)
    repeats = grid.shape[1] > site.t
    draws = Draws(BASE_SEED)
    u, v = (x.astype(np.int64) for x in np.triu_indices(site.n, 1))
    starts = systematic_starts(site)
    best, best_value = None, np.inf
    for i in range(_STARTS):
        current = starts[i].copy() if i < len(starts) else _random(site, draws)
        base = engine.value(current)
        for _ in range(500):
            swapped = np.repeat(current[None], len(u), axis=0)
            rows = np.arange(len(u))
            swapped[rows, u], swapped[rows, v] = current[v], current[u]
            now = _unevenness(_successions(current[None], grid, site.t), site.t, repeats)
            then = _unevenness(_successions(swapped, grid, site.t), site.t, repeats)
            change = engine.gains(current, u, v) / base + 0.05 * (then - now) / grid.size
            at = int(np.argmin(steady(change)))
            if not change[at] < -1e-9:
                break
            current = swapped[at]
        uneven = _unevenness(_successions(current[None], grid, site.t), site.t, repeats)[0]
        whole = engine.value(current) / site.t + 0.05 * float(uneven) / grid.size
        value = float(steady(whole, 9))
        if value < best_value:
            best, best_value = current, value
    assert best is not None
    return np.asarray(best, dtype=np.int64)


def _random(site: Site, draws: Draws) -> Ints:
    out = [level for level, r in enumerate(site.target) for _ in range(r)]
    draws.shuffle(out)
    return np.asarray(out, dtype=np.int64)
