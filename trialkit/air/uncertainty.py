"""How sensor errors carry over to results."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd

from trialkit.air.kernels import (
    apply_to,
    log_saturation,
)
from trialkit.arrays import Floats


def vpd_uncertainty_kpa(temp_c: Any, rh_pct: Any, *, temp_u_c: Any, rh_u_pct: Any) -> Any:
    """Give how uncertain a vapour pressure deficit is, from the errors of the sensor.

    Near saturation this matters: at 20 °C and 90 %, two points of humidity are one fifth of
    the deficit.

    Parameters
    ----------
    temp_c, rh_pct : float, array or Series
        Readings [°C, %].
    temp_u_c, rh_u_pct : float, array or Series
        Standard uncertainties of the two sensors [°C, % points]. For limits ± a without more
        knowledge, use a/√3.

    Returns
    -------
    float, array or Series
        Standard uncertainty [kPa], the two errors taken as independent.

    Notes
    -----
    ``u² = (s (1 − RH/100) u_T)² + (es u_RH / 100)²``, s the slope of the saturation line: the
    law of propagation, JCGM 100:2008 (GUM) eq. 10.

    Examples
    --------
    >>> round(vpd_uncertainty_kpa(20.0, 90.0, temp_u_c=0.0, rh_u_pct=2.0), 4)
    0.0468
    """

    def total(t: Floats, r: Floats, u_t: Floats, u_r: Floats) -> Floats:
        logp, slope = log_saturation(t)
        sat = np.exp(logp)
        return np.hypot(sat * slope * (1 - r / 100) * u_t, sat / 100 * u_r)

    return apply_to(total, temp_c=temp_c, rh_pct=rh_pct, temp_u_c=temp_u_c, rh_u_pct=rh_u_pct)


def uncertainty_of(
    function: Callable[..., Any], temp_c: Any, rh_pct: Any, *, temp_u_c: float, rh_u_pct: float
) -> Any:
    """Give the standard uncertainty of any result of this module from sensor errors.

    Parameters
    ----------
    function : callable
        A function of ``(temp_c, rh_pct)``, such as `dew_point_c`.
    temp_c, rh_pct : float, array or Series
        Readings [°C, %].
    temp_u_c, rh_u_pct : float
        Standard uncertainties of the sensors [°C, % points], taken as independent.

    Returns
    -------
    float, array or Series
        Standard uncertainty, in the unit of the function's result.

    Notes
    -----
    Law of propagation with central differences of ±0.01 °C and ±0.01 %: JCGM 100:2008 5.1.2; at
    the ends of humidity (0 and 120 %) the difference is one-sided.

    Examples
    --------
    >>> from trialkit.air import dew_point_c
    >>> round(uncertainty_of(dew_point_c, 20.0, 90.0, temp_u_c=0.2, rh_u_pct=2.0), 2)
    0.41
    """
    if not isinstance(temp_c, pd.Series):
        temp_c = np.asarray(temp_c, dtype=float)
    if not isinstance(rh_pct, pd.Series):
        rh_pct = np.asarray(rh_pct, dtype=float)
    step = 0.01
    above, below = np.minimum(rh_pct + step, 120.0), np.maximum(rh_pct - step, 0.0)
    by_temp = (function(temp_c + step, rh_pct) - function(temp_c - step, rh_pct)) / (2 * step)
    by_rh = (function(temp_c, above) - function(temp_c, below)) / (above - below)
    total = ((by_temp * temp_u_c) ** 2 + (by_rh * rh_u_pct) ** 2) ** 0.5
    return float(total) if np.ndim(total) == 0 else total
