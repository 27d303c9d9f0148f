"""A search for the arrangement that compares the treatments most precisely.

It starts from a given arrangement and exchanges the treatments of two units as long as that
lowers the average variance of the comparisons asked for (A-efficiency); in a crossover, as long
as that and the succession of treatments together get better.

References
----------
.. [1] John, J. A. and Williams, E. R. (1995). Cyclic and Computer Generated Designs.
   Chapman and Hall, ch. 4 (exchange).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from trialkit.arrays import Floats, Ints
from trialkit.design.layout.blocks import systematic_starts
from trialkit.design.layout.chance import BASE_SEED, Draws
from trialkit.design.layout.efficiency import effect_weights, incidence, information, steady
from trialkit.design.layout.site import Site
from trialkit.errors import PlanError
from trialkit.structure import Term

Progress = Callable[[int, int], None]
MOST_SEARCHED = 200  # units of a crossover beyond which its search would take too long
_CROSSOVER_STARTS = 12
_LARGE = 500  # units beyond which only the systematic start is polished, for a while
_MOST_KNOWN = 2_000  # situations kept: a question of power looks at some 150 of them


def searched(
    site: Site,
    *,
    draws: Draws | None = None,
    progress: Progress | None = None,
    quick: bool = False,
) -> list[Ints]:
    """Search for efficient arrangements by exchanges from several starts.

    All arrangements that tie for the best are given, so that chance can choose among them.

    Parameters
    ----------
    site : Site
        With limits, these are kept throughout; then every start is random.
    draws : Draws, optional
        Chance for the starts; a fixed stream by default, so that the search gives the
        same arrangement each time.
    progress : callable, optional
        Called with (starts done, starts planned).
    quick : bool
        Start from systematic arrangements and one random one only.
    """
    engine, draws = Exchange(site), draws or Draws(BASE_SEED)
    starts = [] if site.limits else systematic_starts(site)
    planned = len(starts) + _random_starts(site, quick)
    best: list[Ints] = []
    best_value = np.inf
    for i in range(planned):
        if progress is not None:
            progress(i, planned)
        start = starts[i] if i < len(starts) else _random_start(site, draws)
        if start is None:
            continue
        found = engine.improve(start, _pairs(site.n, draws))
        value = float(steady(engine.value(found), 9))
        if value < best_value:
            best, best_value = [], value
        if value == best_value and not any(np.array_equal(found, other) for other in best):
            best.append(found)
    if progress is not None:
        progress(planned, planned)
    if not best:
        raise no_plan(site)
    return best[:1] if site.spread_over else engine.alike(best)


def no_plan(site: Site) -> PlanError:
    """Say that the constraints leave no plan."""
    return PlanError(
        f"no arrangement over the {':'.join(site.term)} units keeps all the constraints; "
        "loosen 'forbidden' or 'apart', or add units"
    )


_known: dict[object, list[Ints]] = {}


def searched_once(site: Site, progress: Progress | None, *, quick: bool) -> list[Ints]:
    """Search once for each situation; the result does not depend on the trial's seed."""
    key = (site.key, quick)
    if key not in _known:
        while len(_known) >= _MOST_KNOWN:
            _known.pop(next(iter(_known)))
        _known[key] = searched(site, progress=progress, quick=quick)
    return _known[key]


def _random_starts(site: Site, quick: bool) -> int:
    if site.limits:
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


def shuffled(site: Site, draws: Draws) -> Ints:
    """Draw an arrangement with the wanted replication."""
    out = [level for level, r in enumerate(site.target) for _ in range(r)]
    draws.shuffle(out)
    return np.asarray(out, dtype=np.int64)


def _random_start(site: Site, draws: Draws) -> Ints | None:
    """Draw an arrangement with the wanted replication that keeps the limits, or None.

    Units that break something are exchanged with the partner that mends most, ties drawn at
    random.
    """
    current = shuffled(site, draws)
    if site.limits is None:
        return current
    everyone = np.arange(len(current))
    for _ in range(40 * len(current) + 200):
        broken = site.limits.broken(current)
        if not broken.any():
            return current
        u = int(draws.choice(np.flatnonzero(broken).tolist()))
        cost = site.limits.cost(current, np.full(len(current), u), everyone)
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


class Exchange:
    """Exchange search over the treatments of the units of one stratum.

    Parameters
    ----------
    site : Site
        Treatments given to larger units, where it names any, are spread over evenly, as a
        tie-break; its limits are kept.

    Notes
    -----
    The objective is tr(W M⁻¹), M the information within the stratum plus small shares of
    that in the strata above (0.02 in the nearest, 0.0004 in the next, …), so that
    comparisons lost to the stratum are kept as near to it as can be. An exchange changes M
    by a matrix of rank two, δz' + zδ', hence all exchanges are valued at once.
    """

    share = 0.02

    def __init__(self, site: Site) -> None:
        self.site, self.t, self.n = site, site.t, site.n
        self.W = effect_weights(site.sizes)
        *above, mine = site.groupings
        strata = [*above[1:], mine]
        mix: dict[Term, float] = {}
        for depth, stratum in enumerate(strata):
            weight = self.share ** (len(strata) - 1 - depth)
            for key, value in stratum.projection.items():
                mix[key] = mix.get(key, 0.0) + weight * value
        self.own: float = mix.pop(mine.stratum)
        self.mean: float = mix.pop((), 0.0)
        holders = {g.stratum: g for g in above}
        self.units: list[Ints] = []
        self.scale: list[float] = []
        for key, share in mix.items():
            if abs(share) > 1e-12:
                self.units.append(holders[key].unit)
                self.scale.append(share * holders[key].size / self.n)
        self.groups = [(g, int(g.max()) + 1) for g in site.spread_over]
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

    def _inverse(self, treatment: Ints) -> tuple[Floats, list[Floats]]:
        M, tables = self._matrix(treatment)
        return np.asarray(np.linalg.inv(M), dtype=np.float64), tables

    def value(self, treatment: Ints) -> float:
        """Give the objective: lower is better."""
        return self._value(treatment, self._inverse(treatment)[0])

    def _value(self, treatment: Ints, inverse: Floats) -> float:
        squares = sum(
            float((incidence(treatment, group, self.t, size) ** 2).sum())
            for group, size in self.groups
        )
        return float(np.sum(inverse * self.W)) + self.uneven * squares

    def gains(self, treatment: Ints, u: Ints, v: Ints) -> Floats:
        """Give the change of the objective for exchanging each pair of units (u, v)."""
        return self._gains(treatment, u, v, *self._inverse(treatment))

    def _gains(
        self, treatment: Ints, u: Ints, v: Ints, inverse: Floats, tables: list[Floats]
    ) -> Floats:
        """Value the pairs whose treatments differ; to exchange the others changes nothing."""
        out = np.zeros(len(u))
        apart = treatment[u] != treatment[v]
        out[apart] = self._changes(treatment, u[apart], v[apart], inverse, tables)
        return out

    def _changes(
        self, treatment: Ints, u: Ints, v: Ints, inverse: Floats, tables: list[Floats]
    ) -> Floats:
        H = inverse @ self.W @ inverse
        a, b = treatment[u], treatment[v]
        z = np.zeros((len(u), self.t))
        kappa = np.zeros(len(u))
        for table, scale, unit in zip(tables, self.scale, self.units, strict=True):
            differ = unit[u] != unit[v]
            z += scale * (table.T[unit[u]] - table.T[unit[v]]) * differ[:, None]
            kappa += scale * differ
        rows = np.arange(len(u))
        z[rows, b] += kappa
        z[rows, a] -= kappa
        # δ is 1 at the new treatment and -1 at the old one
        dM, zM = inverse[b] - inverse[a], z @ inverse
        dH, zH = H[b] - H[a], z @ H
        dd, dz, zz = dM[rows, b] - dM[rows, a], 1.0 + (dM * z).sum(1), (zM * z).sum(1)
        hdd, hdz, hzz = dH[rows, b] - dH[rows, a], (dH * z).sum(1), (zH * z).sum(1)
        determinant = dd * zz - dz * dz
        with np.errstate(divide="ignore", invalid="ignore"):
            change = -(zz * hdd - 2 * dz * hdz + dd * hzz) / determinant
        for group, size in self.groups:
            table = incidence(treatment, group, self.t, size)
            gu, gv = group[u], group[v]
            moved = table[b, gu] - table[a, gu] + table[a, gv] - table[b, gv] + 2
            change = change + self.uneven * 2 * moved * (gu != gv)
        change[~np.isfinite(change) | (determinant >= -1e-12)] = np.inf
        return steady(change)

    def improve(self, treatment: Ints, pairs: tuple[Ints, Ints]) -> Ints:
        """Exchange the best of the pairs again and again until none helps."""
        current, limits = treatment.copy(), self.site.limits
        u, v = pairs
        for _ in range(10_000 if self.n <= _LARGE else 40):
            inverse, tables = self._inverse(current)
            change = self._gains(current, u, v, inverse, tables)
            if limits is not None:
                change = np.where(limits.allows(current, u, v), change, np.inf)
            best = int(np.argmin(change))
            if not change[best] < -1e-9 * max(1.0, abs(self._value(current, inverse))):
                break
            i, j = int(u[best]), int(v[best])
            current[i], current[j] = current[j], current[i]
        return current

    def alike(self, found: Sequence[Ints]) -> list[Ints]:
        """Keep arrangements that share information out over the strata as the first one does."""

        def signature(treatment: Ints) -> list[list[float]]:
            info = information(self.site.groupings, treatment, self.t)
            root = np.sqrt(np.maximum(np.bincount(treatment, minlength=self.t), 1))
            scaled = [matrix / np.outer(root, root) for matrix in info.values()]
            return [steady(np.linalg.eigvalsh(matrix), 8).tolist() for matrix in scaled]

        wanted = signature(found[0])
        return [treatment for treatment in found if signature(treatment) == wanted]


def searched_crossover(site: Site, line: Ints, when: Ints) -> Ints:
    """Search for efficiency within units and even succession over the periods together.

    Parameters
    ----------
    site : Site
        Of at most `MOST_SEARCHED` units.
    line, when : array of int
        For each unit, what goes through the periods, and the period.
    """
    engine = Exchange(site)
    grid = _grid(line, when)
    repeats = grid.shape[1] > site.t
    draws = Draws(BASE_SEED)
    u, v = (x.astype(np.int64) for x in np.triu_indices(site.n, 1))
    starts = systematic_starts(site)
    best, best_value = None, np.inf
    for i in range(_CROSSOVER_STARTS):
        current = starts[i].copy() if i < len(starts) else shuffled(site, draws)
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
