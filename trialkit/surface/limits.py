"""Limits of the response and of its change from today's settings, over the whole range at once."""

from __future__ import annotations

import numpy as np
import pandas as pd

from trialkit.arrays import Floats
from trialkit.settings.polynomial import terms
from trialkit.settings.setting_range import coded_grid
from trialkit.surface.fit_surface import Surface
from trialkit.surface.joint_limits import joint_point


def surface_limits(
    surface: Surface, points: Floats | None = None, *, seed: int = 0
) -> pd.DataFrame:
    """Give the response and its change from today's settings, with limits that hold jointly.

    Parameters
    ----------
    surface : Surface
    points : ndarray, shape (points, settings), optional
        Coded settings; those of `coded_grid` by default.
    seed : int
        Of the simulated critical values.

    Returns
    -------
    DataFrame
        One row per point: the settings in their own units, `estimate, low, high` in the
        response's unit, and `change, change_low, change_high` against today's settings (0 with
        no width there). The limits of each of the two sets hold for all points at once. They
        are missing where the trial has no error degrees of freedom for them.
    """
    coded = coded_grid(surface.settings) if points is None else np.atleast_2d(points)
    rows, usual = terms(coded), terms(surface.usual)
    out = pd.DataFrame(
        {s.name: s.decode(x) for s, x in zip(surface.settings, coded.T, strict=True)}
    )
    for name, L in (("", rows), ("change", rows - usual)):
        middle, half = L @ surface.estimate, half_widths(surface, L, seed=seed)
        heads = ("estimate", "low", "high") if not name else (name, f"{name}_low", f"{name}_high")
        for head, values in zip(heads, (middle, middle - half, middle + half), strict=True):
            out[head] = values
    return out


def half_widths(surface: Surface, L: Floats, *, sides: int = 2, seed: int = 0) -> Floats:
    """Give half the width of limits that hold for all rows at once, shape (m,)."""
    df = np.nanmin(surface.df_at(L))
    level = surface.level if sides == 2 else (1 + surface.level) / 2
    point = joint_point(L, surface.covariance, float(df), level=level, sides=sides, seed=seed)
    spread = np.einsum("ij,jk,ik->i", L, surface.covariance, L)
    return np.asarray(point * np.sqrt(np.maximum(spread, 0)))
