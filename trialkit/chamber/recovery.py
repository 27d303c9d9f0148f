"""How long a room needs to come back after a door was opened."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from trialkit.arrays import Floats
from trialkit.chamber.constants import Constants, State
from trialkit.chamber.forward import simulate
from trialkit.chamber.room import ChamberError, Room, Timed
from trialkit.chamber.schedule import Run, run_setting
from trialkit.chamber.tracing import rh_of, sample_run, weigh_cycle

#: Longest time looked at [s].
LONGEST_S = 86400.0
_PER_CYCLE = 48


def recovery_minutes(
    room: Room, setting: Any, *, exchanged: float = 1.0, share: float = 0.95
) -> float:
    """Give the minutes until humidity is back after a door was opened.

    Back means: the mean humidity over one cycle of the mist, read around the moment, has made
    up `share` of the way from the opened state to its usual mean; a single pulse does not count.
    The door is shut as a cycle begins.
    For constant mist without cooling this is ``ln 20 / n``.

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
    constants = Constants.of(usual.room)
    rows, weights = weigh_cycle(usual.cycle)
    c_mean, t_mean = float(weights @ rows[0]), float(weights @ rows[1])
    opened = State(
        c_mean + exchanged * (room.outside_g_m3 - c_mean),
        t_mean,
        usual.mean_rh_pct,
        room.outside_co2_ppm,
        float(weights @ np.minimum(rows[4], constants.holds)),  # the rest has dripped off
        (1 - exchanged) * float(weights @ rows[5]),
    )
    from_rh = float(rh_of(np.float64(opened.c), np.float64(opened.t)))  # type: ignore[arg-type]
    again = run_setting(constants, usual.setting, start=opened, at_most_s=LONGEST_S)
    timer = usual.setting
    steady = isinstance(timer, Timed) and not (timer.on_s and timer.off_s)
    cycle = 60.0 if steady else usual.cycle.length_s
    made_up = _running_mean(again, cycle) - from_rh
    wanted = share * (usual.mean_rh_pct - from_rh)
    there = np.flatnonzero(made_up >= wanted if wanted > 0 else made_up <= wanted)
    if not there.size:
        return math.inf
    k = int(there[0])
    part = 0.0
    if k:
        part = float((wanted - made_up[k - 1]) / (made_up[k] - made_up[k - 1])) - 1
    return (cycle / 2 + (k + part) * cycle / _PER_CYCLE) / 60


def _running_mean(run: Run, cycle_s: float) -> Floats:
    """Give the mean humidity of stretches one cycle long, each a part of a cycle later."""
    step = cycle_s / _PER_CYCLE
    (rh,) = sample_run(run, step_s=step, count=int(LONGEST_S / step) + 1, names=("rh_pct",))
    rh = np.minimum(rh, 100.0)
    total = np.concatenate([[0.0], np.cumsum((rh[1:] + rh[:-1]) / 2)])
    return np.asarray((total[_PER_CYCLE:] - total[:-_PER_CYCLE]) / _PER_CYCLE)
