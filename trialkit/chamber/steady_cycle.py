"""The cycle a room settles into: found directly, put in numbers, judged."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from trialkit import air
from trialkit.arrays import Floats
from trialkit.chamber.constants import WATER_G_L, Constants, State, rest_fog
from trialkit.chamber.room import Band, ChamberError, Room, Timed
from trialkit.chamber.schedule import (
    Block,
    Flows,
    Run,
    run_setting,
    steady_cycle,
    timed_cycle,
)
from trialkit.chamber.tracing import weigh_cycle
from trialkit.errors import Finding
from trialkit.wording import finding

#: Longest time a room is followed to find its settled cycle [s].
LONGEST_S = 10 * 86400.0


def settle(room: Constants, setting: Timed | Band, start: State) -> tuple[Block, Run | None]:
    """Find the cycle that repeats itself, and the run followed to find it if there was one.

    A timer's cycle is a map from the state at its start to the state at its end; its fixed
    point is found by Newton steps on vapour and temperature, with the surfaces dry or full.
    Where that fails (surfaces between the two, a humidity band) the room is followed in time.
    """
    if isinstance(setting, Timed):
        cycle = steady_cycle(setting)
        for water in sorted({0.0, room.holds}):
            block = _fixed_point(room, cycle, start._replace(w=water))
            if block is not None:
                return block, None
    run = run_setting(room, setting, start=start, at_most_s=LONGEST_S)
    return run.blocks[-1], run


def start_state(room: Room, rh_pct: float | None = None, temp_c: float | None = None) -> State:
    """Give the state of a chamber full of room air, or of air as told."""
    temp = room.room_temp_c if temp_c is None or not room.cooling else temp_c
    rh = room.room_rh_pct if rh_pct is None else rh_pct
    if not 0 <= rh <= 100:
        raise ChamberError(f"the air cannot start at {rh:g} % relative humidity")
    vapour = float(air.absolute_humidity_g_m3(temp, rh))
    return State(vapour, temp, rh, room.outside_co2_ppm, 0.0)


def _fixed_point(room: Constants, cycle: Timed, start: State) -> Block | None:
    """Solve end(x, T) = (x, T) for one cycle, x vapour and fog together; None if it has none."""

    def end(c: float, t: float) -> Floats:
        after = timed_cycle(room, rest_fog(start._replace(c=c, t=t, f=0.0)), cycle).state
        return np.array([after.c + after.f, after.t])

    x = np.array([start.c + start.f, start.t])
    for _ in range(30):
        away = end(*x) - x
        if abs(away[0]) < 1e-12 * (x[0] + 1) and abs(away[1]) < 1e-11:
            rest = rest_fog(start._replace(c=float(x[0]), t=float(x[1]), f=0.0))
            return _close(room, cycle, rest)
        step_c, step_t = -1e-5 * (x[0] + 1), 1e-4
        slope_c = (end(x[0] + step_c, x[1]) - x - away) / step_c - [1, 0]
        slope_t = np.array([0.0, -1.0])
        if room.cooling:
            slope_t = (end(x[0], x[1] + step_t) - x - away) / step_t - [0, 1]
        matrix = np.column_stack([slope_c, slope_t])
        if abs(np.linalg.det(matrix)) < 1e-14:
            return None
        x = x - np.linalg.solve(matrix, away)
        x[1] = min(max(x[1], -40.0), 80.0)
        x[0] = max(x[0], 0.0)
    return None


def _close(room: Constants, cycle: Timed, start: State) -> Block | None:
    """Bring sensor and carbon dioxide to rest as well, and check the water."""
    kept = math.exp(-cycle.cycle_s / room.lag) if room.lag > 0 else 0.0
    stays = math.exp(-room.n_on * cycle.on_s - room.n_off * cycle.off_s)
    if stays == 1.0:
        return None
    after = timed_cycle(room, start, cycle).state
    start = start._replace(
        s=start.s + (after.s - start.s) / (1 - kept) if room.lag > 0 else after.s,
        q=start.q + (after.q - start.q) / (1 - stays),
    )
    walker = timed_cycle(room, start, cycle)
    block = Block(0.0, walker.pieces, walker.state, walker.gained, math.inf)
    if room.g_wet > 0:
        full = start.w > 0 and walker.gained >= -1e-9
        dry = start.w == 0 and walker.state.w == 0
        if not (full or dry):
            return None
    return block


def summarise(room: Room, setting: Timed | Band, block: Block) -> dict[str, float]:
    """Put a settled cycle in numbers."""
    rows, weights = weigh_cycle(block)
    rh, share_on = rows[7], float(weights @ rows[6])
    if isinstance(setting, Timed):
        share_on = setting.duty
    wet = (rows[4] > 1e-9) | (rh > 99.99)  # water on surfaces; air is full wherever there is fog
    fan_share = 1.0 if room.fan == "always" else share_on
    water = room.mist_l_h * share_on * 24
    flows = Flows()
    for piece, length in block.pieces:
        flows.add(piece, length)
    cycles = 86400 / block.length_s
    switched = sum(
        1
        for (before, _), (after, _) in zip(block.pieces, block.pieces[1:], strict=False)
        if after.on != before.on
    )
    return {
        "mean_rh_pct": float(weights @ rh),
        "low_rh_pct": float(rh.min()),
        "high_rh_pct": min(float(rh.max()), 100.0),
        "ripple_rh_pct": min(float(rh.max()), 100.0) - float(rh.min()),
        "mean_temp_c": float(weights @ rows[1]),
        "cooling_c": room.room_temp_c - float(weights @ rows[1]),
        "mean_vpd_kpa": float(weights @ rows[8]),
        "duty_pct": 100 * share_on,
        "cycles_day": cycles if switched else 0.0,
        "water_l_day": water,
        "settled_l_day": flows.settled_g * cycles / WATER_G_L,
        "energy_kwh_day": math.nan
        if room.fogger_w is None
        else (room.fogger_w * share_on + (room.fan_w or 0.0) * fan_share) * 24 / 1000,
        "refill_days": _refill_days(room, water),
        "hours_wet_day": 24 * float(weights @ wet),
        "hours_saturated_day": 24 * float(weights @ (rh > 99.9)),
        "co2_ppm": float(weights @ rows[3]),
    }


def _refill_days(room: Room, water: float) -> float:
    """Give the days a full reservoir lasts; NaN where its size is not given."""
    if room.reservoir_l is None:
        return math.nan
    return room.reservoir_l / water if water else math.inf


def judge(setting: Timed | Band, block: Block, settled: bool) -> tuple[Finding, ...]:
    """Say what is doubtful about a settled cycle."""
    found = []
    if not settled:
        found.append(finding("not_settled", "caution"))
    pieces = block.pieces
    if isinstance(setting, Band):
        if all(piece.on for piece, _ in pieces):
            found.append(finding("never_stops", "caution", limit=setting.stop_above_rh))
        elif not any(piece.on for piece, _ in pieces):
            found.append(finding("never_starts", "note", limit=setting.start_below_rh))
    if any(piece.kind == "saturated" for piece, _ in pieces):
        found.append(finding("saturates", "note"))
    return tuple(found)


#: Size of drops from which the calculated humidity is too high by a point or more [µm], and by
#: how much at most (drops of finite speed, `tests/test_chamber_balance.py`).
COARSE_UM, COARSE_POINTS = 15.0, 7.0
#: Resistance between chamber air and wall [m² K/W] (ISO 6946 table 7).
INNER_M2_K_W = 0.13


def judge_room(room: Room, summary: Mapping[str, float]) -> tuple[Finding, ...]:
    """Say where the balance leaves something out in this room: coarse drops, cold walls."""
    found = []
    if room.drop_um > COARSE_UM:
        found.append(finding("coarse_drops", "caution", size=room.drop_um, points=COARSE_POINTS))
    temp, rh = summary["mean_temp_c"], min(summary["mean_rh_pct"], 100.0)
    area = 6 * room.volume_m3 ** (2 / 3)
    wall = temp - (temp - room.room_temp_c) * min(room.walls_w_k / area * INNER_M2_K_W, 1.0)
    held = float(air.absolute_humidity_g_m3(temp, rh))
    spare = held - float(air.absolute_humidity_g_m3(wall, 100.0))
    full = float(air.absolute_humidity_g_m3(temp, 100.0))
    carried = room.air_changes_h * room.volume_m3
    taken = room.transfer_m_h * area * spare
    # what the walls take lowers the air until it no longer gives: both together, at rest
    points = 100 * taken / (carried + room.transfer_m_h * area) / full
    if spare > 0 and points >= 1.0:
        found.append(finding("walls_condense", "caution", wall=wall, points=points))
    return tuple(found)
