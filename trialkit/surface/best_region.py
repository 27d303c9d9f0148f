"""All settings that may be the best, as far as the trial can tell.

A setting is left out where the trial shows that it is not the best: that the surface still rises
from it in a direction that may be taken, or that another setting gives more.

References
----------
.. [1] Box GEP, Hunter JS (1954). A confidence region for the solution of a set of simultaneous
   equations with an application to experimental design. Biometrika 41:190-199. doi:10.2307/2333017
.. [2] Peterson JJ, Cahya S, del Castillo E (2002). A general approach to confidence regions for
   optimal factor levels of response surfaces. Biometrics 58:422-431.
   doi:10.1111/j.0006-341X.2002.00422.x
.. [3] Silvapulle MJ, Sen PK (2005). Constrained Statistical Inference. Wiley, ch. 3 (the law of a
   distance to a cone is a mixture of F laws).
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trialkit.arrays import Floats
from trialkit.settings.polynomial import slopes, terms
from trialkit.settings.setting_range import coded_grid
from trialkit.short_repr import short_repr
from trialkit.surface.fit_surface import Surface
from trialkit.surface.joint_limits import joint_point

#: Share of the error that is spent on leaving out settings that another one beats from afar.
_AFAR = 0.1
#: Draws for the law of a distance to a cone.
_DRAWS = 4000


@dataclass(frozen=True)
class BestRegion:
    """Settings that may be the best. Made by `best_region`.

    Parameters
    ----------
    coded, values : ndarray, shape (points, settings)
        Settings looked at, coded and in their own units.
    within : ndarray of bool, shape (points,)
        Whether each may be the best.
    best : ndarray, shape (settings,)
        The one with the largest estimate, in its own units.
    seen : bool
        Whether the trial shows that the settings matter at all; where not, there is no best
        setting in sight and every setting is within.
    open_low, open_high : tuple of bool
        For each setting, whether the region reaches that end of the range: the best may lie
        beyond it.
    level : float
    """

    coded: Floats
    values: Floats
    within: NDArray[np.bool_]
    best: Floats
    seen: bool
    open_low: tuple[bool, ...]
    open_high: tuple[bool, ...]
    level: float

    __repr__ = short_repr

    def limits(self) -> list[tuple[float, float]]:
        """Give the smallest and largest value of each setting within the region."""
        held = self.values[self.within]
        return [(float(v.min()), float(v.max())) for v in held.T]


def best_region(
    surface: Surface, points: Floats | None = None, *, more_is_better: bool = True, seed: int = 0
) -> BestRegion:
    """Find the settings that may be the best within the range.

    Parameters
    ----------
    surface : Surface
    points : ndarray, shape (points, settings), optional
        Coded settings to judge; those of `coded_grid` by default.
    more_is_better : bool
    seed : int

    Returns
    -------
    BestRegion

    Notes
    -----
    At the best setting of the range no slope that may be followed is upward: inside, all slopes
    are zero, and the test is the F test of Box and Hunter [1]_; at an end of the range only
    the way inward counts, and the test's law is a mixture. A level point may also be a bottom or
    a saddle; such points are left out where some other setting is shown to give more, by limits
    that hold over all of them together. A tenth of the error is kept for the latter. Where the
    settings are not shown to matter at all, nothing is left out.
    """
    sign = 1.0 if more_is_better else -1.0
    coded = coded_grid(surface.settings) if points is None else np.atleast_2d(points)
    error = 1 - surface.level
    seen = bool(surface.test(np.eye(len(surface.estimate))[1:])["p"] <= error)
    within = np.ones(len(coded), dtype=bool)
    if seen:
        within = ~_rises(surface, sign, coded, (1 - _AFAR) * error, seed)
        within &= ~_beaten(surface, sign, coded, _AFAR * error, seed)
    values = np.column_stack([s.decode(x) for s, x in zip(surface.settings, coded.T, strict=True)])
    best = values[int((sign * surface.at(coded)).argmax())]
    within |= np.asarray((values == best).all(axis=1))  # the estimate itself is never ruled out
    ends = coded[within]
    return BestRegion(
        coded,
        values,
        within,
        best,
        seen,
        _reached(ends, -1),
        _reached(ends, 1),
        surface.level,
    )


def _reached(coded: Floats, end: float) -> tuple[bool, ...]:
    """Say for each setting whether one of the points stands at this end of its range."""
    return tuple(bool((np.abs(x - end) < 1e-9).any()) for x in coded.T)


def _rises(
    surface: Surface, sign: float, coded: Floats, error: float, seed: int
) -> NDArray[np.bool_]:
    """Say from which settings the surface is shown to rise in a direction that may be taken."""
    each = sign * slopes(coded)  # (points, settings, terms)
    up = each @ surface.estimate
    cov = each @ surface.covariance @ np.swapaxes(each, 1, 2)
    df = np.array([surface.df_at(rows).min() for rows in slopes(_few(coded))]).min()
    rises = np.zeros(len(coded), dtype=bool)
    side = np.where(coded <= -1 + 1e-9, 1, np.where(coded >= 1 - 1e-9, -1, 0))
    for kind in np.unique(side, axis=0):
        at = np.flatnonzero((side == kind).all(axis=1))
        for part in np.array_split(at, max(1, len(at) // 200)):
            rises[part] = _above(up[part], cov[part], kind, df, error, seed)
    return rises


def _few(coded: Floats) -> Floats:
    """Pick the corners and the middle of the settings looked at."""
    ends = [sorted({float(x.min()), 0.0, float(x.max())}) for x in coded.T]
    return np.array(list(itertools.product(*ends)))


def _above(
    up: Floats, cov: Floats, kind: Floats, df: float, error: float, seed: int
) -> NDArray[np.bool_]:
    """Test that no slope that may be followed is upward, at points of one kind."""
    free = len(kind)
    distance = _distance(up, cov, kind)
    rng = np.random.default_rng(seed)
    stretch = df / rng.chisquare(df, _DRAWS)
    if not np.any(kind):
        from scipy import special

        return np.asarray(distance / free > special.fdtri(free, df, 1 - error))
    # one law for all points of a kind, that of the middle one: along an end of the range the
    # correlation of slopes moves it little (benchmarks/best_region.py, "at an end")
    middle = cov[len(cov) // 2]
    noise = rng.multivariate_normal(np.zeros(free), middle, _DRAWS, method="eigh")
    law = _distance(noise, np.broadcast_to(middle, (_DRAWS, free, free)), kind) * stretch
    return np.asarray(distance > np.quantile(law, 1 - error))


def _distance(up: Floats, cov: Floats, kind: Floats) -> Floats:
    """Give the largest squared t of the slopes over all directions that may be taken.

    A direction may have any sign where `kind` is 0, and only that of `kind` where it is not.
    This is ``up' C^-1 up`` less its least distance to slopes that allow no rise, found by trying
    every set of settings that stay at their end.
    """
    bound = np.flatnonzero(kind)
    best = np.zeros(len(up))
    for count in range(len(bound) + 1):
        for stay in itertools.combinations(bound, count):
            move = [i for i in range(len(kind)) if i not in stay]
            if not move:
                continue
            part, within = up[:, move], cov[:, move][:, :, move]
            way = np.linalg.solve(within, part[..., None])[..., 0]
            allowed = [kind[i] * way[:, j] >= 0 for j, i in enumerate(move) if kind[i]]
            good = np.all(allowed, axis=0) if allowed else np.ones(len(up), dtype=bool)
            value = np.where(good, (part * way).sum(axis=1), 0.0)
            best = np.maximum(best, value)
    return best


def _beaten(
    surface: Surface, sign: float, coded: Floats, error: float, seed: int
) -> NDArray[np.bool_]:
    """Say which settings another one is shown to beat, by limits that hold for all pairs."""
    at = terms(coded)
    rivals = terms(_few(coded))
    best = at[int((sign * surface.at(coded)).argmax())]
    rivals = np.vstack([rivals, best])
    rows = sign * (rivals[None, :, :] - at[:, None, :])
    spread = np.sqrt(np.einsum("pri,ij,prj->pr", rows, surface.covariance, rows))
    df = float(surface.df_at(_some_differences(at)).min())
    point = joint_point(
        _directions(len(surface.settings)),
        surface.covariance,
        df,
        level=1 - error,
        sides=1,
        seed=seed,
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        t = np.where(spread > 0, rows @ surface.estimate / spread, -np.inf)
    return np.asarray(t.max(axis=1) > point)


def _some_differences(at: Floats) -> Floats:
    """Give a few differences between settings far apart: those from the first to some others."""
    picked = at[:: max(1, len(at) // 8)][1:]
    return np.asarray(picked - at[0])


def _directions(count: int) -> Floats:
    """Give differences of all pairs of a coarse grid of settings."""
    grid = terms(np.array(list(itertools.product(np.linspace(-1, 1, 5), repeat=count))))
    pairs = np.array(list(itertools.permutations(range(len(grid)), 2)))
    return np.asarray(grid[pairs[:, 0]] - grid[pairs[:, 1]])
