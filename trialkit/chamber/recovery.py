"""How long a room needs to come back after a door was opened."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from trialkit.chamber.constants import Constants, State
from trialkit.chamber.forward import simulate
from trialkit.chamber.room import ChamberError, Room
from trialkit.chamber.schedule import run_setting
from trialkit.chamber.tracing import rh_of, weigh_cycle


def recovery_minutes(
    room: Room, setting: Any, *, exchanged: float = 1.0, share: float = 0.95
) -> float:
    """Give the minutes until humidity is back after a door was opened.

    Back means: humidity first stands at `share` of the way from the opened state to its
    usual mean. For constant mist without cooling this is ``ln 20 / n``.

    Parameters
    ----------
    room : Room
    setting : mapping or object
        As in `simulate`.
    exchanged : float
        Share of the chamber's air replaced by room air, 0 to 1.
    share : float
        Share of the loss to be made up.

    Returns
    -------
    float
        Minutes; infinite if it is never reached.

    Examples
    --------
    >>> tent = Room(volume_m3=2.0, air_changes_h=4.0, mist_l_h=0.06, cooling=False)
    >>> round(recovery_minutes(tent, {"on_s": 60, "off_s": 0}))
    45
    """
    if not (0 < exchanged <= 1 and 0 < share < 1):
        raise ChamberError("exchanged must lie in (0, 1], share in (0, 1)")
    usual = simulate(room, setting)
    rows, weights = weigh_cycle(usual.cycle)
    c_mean, t_mean = float(weights @ rows[0]), float(weights @ rows[1])
    opened = State(
        c_mean + exchanged * (room.outside_g_m3 - c_mean),
        t_mean,
        usual.mean_rh_pct,
        room.outside_co2_ppm,
        float(weights @ rows[4]),
    )
    from_rh = float(rh_of(np.float64(opened.c), np.float64(opened.t)))  # type: ignore[arg-type]
    goal = from_rh + share * (usual.mean_rh_pct - from_rh)
    again = run_setting(Constants.of(room), usual.setting, start=opened, at_most_s=86400.0)
    now = 0.0
    up = goal > from_rh
    for block in again.blocks:
        for piece, length in block.pieces:
            t = np.linspace(0.0, length, 65)
            c, temp = piece.sample(t)[:2]
            rh = rh_of(c, temp)
            there = np.flatnonzero(rh >= goal if up else rh <= goal)
            if there.size:
                k = int(there[0])
                if k == 0:
                    return now / 60
                part = (goal - rh[k - 1]) / (rh[k] - rh[k - 1])
                return float(now + t[k - 1] + part * (t[k] - t[k - 1])) / 60
            now += length
    return math.inf
