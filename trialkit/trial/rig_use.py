"""Water and electricity that a rig uses, by the time its mist is on."""

from __future__ import annotations

import math
from typing import TypeVar

from trialkit.arrays import Floats
from trialkit.trial.sections import RigSection

Hours = TypeVar("Hours", float, Floats)


def litres(rig: RigSection, on_h: Hours) -> Hours:
    """Give the water of some hours of mist [L]; missing where `mist_l_h` is not stated.

    Examples
    --------
    >>> litres(RigSection(mist_l_h=1.5), 2.0)
    3.0
    """
    return on_h * (math.nan if rig.mist_l_h is None else rig.mist_l_h)


def kilowatt_hours(rig: RigSection, on_h: Hours, all_h: Hours) -> Hours:
    """Give the electricity of some hours of mist [kWh]; missing where `fogger_w` is not stated.

    Parameters
    ----------
    rig : RigSection
        `fogger_w`, `fan_w` (none: 0 W) and `fan` (``"with mist"`` or ``"always"``).
    on_h : float or ndarray
        Hours of mist.
    all_h : float or ndarray
        Hours in all, through which a fan that always runs draws power.

    Examples
    --------
    >>> rig = RigSection(fogger_w=80, fan_w=20, fan="always")
    >>> kilowatt_hours(rig, 2.0, 24.0)
    0.64
    """
    fogger = math.nan if rig.fogger_w is None else rig.fogger_w
    fan_h = all_h if rig.fan == "always" else on_h
    return (on_h * fogger + fan_h * (rig.fan_w or 0.0)) / 1000
