"""Where the estimated surface is level, and whether that is a top, a bottom or a saddle.

References
----------
.. [1] Box GEP, Draper NR (2007). Response Surfaces, Mixtures, and Ridge Analyses, 2nd ed. Wiley,
   ch. 11 (canonical analysis).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from trialkit.arrays import Floats
from trialkit.settings.polynomial import linear_and_bend
from trialkit.surface.fit_surface import Surface

Kind = Literal["top", "bottom", "saddle", "flat"]
#: Bends below this share of the largest count as none.
_FLAT = 1e-9


@dataclass(frozen=True)
class Stationary:
    """The stationary point of an estimated surface. Made by `stationary_point`.

    Parameters
    ----------
    coded, values : ndarray, shape (settings,)
        The point, coded and in the settings' units; NaN where there is none.
    kind : {"top", "bottom", "saddle", "flat"}
    bends : ndarray, shape (settings,)
        Bends along the main axes, the largest first (coded units): all below zero at a top.
    axes : ndarray, shape (settings, settings)
        Main axes, one per column, in the order of `bends`.
    inside : bool
        Whether the point lies within the range that was tried.
    """

    coded: Floats
    values: Floats
    kind: Kind
    bends: Floats
    axes: Floats
    inside: bool


def stationary_point(surface: Surface) -> Stationary:
    """Find where the estimated surface is level.

    Parameters
    ----------
    surface : Surface

    Returns
    -------
    Stationary
        An estimate only: `best_region` says what the trial knows of it.
    """
    linear, bend = linear_and_bend(surface.estimate)
    bends, axes = np.linalg.eigh(bend)
    bends, axes = bends[::-1], axes[:, ::-1]
    largest = np.abs(bends).max()
    if not np.abs(bends).min() > _FLAT * max(largest, 1e-300):
        nowhere = np.full(len(linear), np.nan)
        return Stationary(nowhere, nowhere, "flat", bends, axes, inside=False)
    at = np.linalg.solve(-2 * bend, linear)
    kind: Kind = "top" if (bends < 0).all() else "bottom" if (bends > 0).all() else "saddle"
    values = np.array([float(s.decode(x)) for s, x in zip(surface.settings, at, strict=True)])
    return Stationary(
        np.asarray(at, dtype=float), values, kind, bends, axes, bool((np.abs(at) <= 1).all())
    )
