"""The chance that a plan of numeric settings shows that they matter.

References
----------
.. [1] Scheffé H (1959). The Analysis of Variance. Wiley, sec. 2.8 (power of the F test).
"""

from __future__ import annotations

import numpy as np

from trialkit.arrays import Floats
from trialkit.design.points.criteria import unit_weights
from trialkit.design.points.draw import finest_site, random_parts
from trialkit.design.variation import Variation
from trialkit.settings.polynomial import terms
from trialkit.trial import Trial


def chance_to_see(
    trial: Trial,
    values: Floats,
    fall_pct: float,
    error_df: float,
    variation: Variation | None = None,
) -> tuple[float, float, float]:
    """Give the chance that the settings are shown to matter, if the yield is a hill over them.

    Parameters
    ----------
    trial : Trial
        Whose treatments have ranges.
    values : ndarray, shape (units, settings)
        Settings of each unit of the finest treated kind, in plan order.
    fall_pct : float
        How much less is given at the ends of one range than in its middle, the other settings
        staying the same [% of the mean].
    error_df : float
        Degrees of freedom left for error.
    variation : Variation, optional
        How much units vary; planning ranges by default.

    Returns
    -------
    low, middle, high : float
        At much, usual and little variation; by the noncentral F law [1]_ of the test of all
        terms together at 5 %.
    """
    from scipy import stats  # slow to load

    ranges = [f.tuned for f in trial.tuned if f.tuned is not None]
    coded = np.column_stack([r.code(v) for r, v in zip(ranges, values.T, strict=True)])
    rows = terms(coded)
    bend = np.zeros(rows.shape[1])
    bend[1 + len(ranges) : 1 + 2 * len(ranges)] = -fall_pct
    units, planning = random_parts(trial, finest_site(trial), variation)
    chances = []
    for variances, rest in planning:
        info = rows.T @ unit_weights(units, variances, rest) @ rows
        cov = np.linalg.inv(info)[1:, 1:]
        shift = float(bend[1:] @ np.linalg.solve(cov, bend[1:]))
        count = len(bend) - 1
        point = stats.f.ppf(0.95, count, error_df)
        chances.append(float(stats.ncf.sf(point, count, error_df, shift)))
    return chances[2], chances[1], chances[0]
