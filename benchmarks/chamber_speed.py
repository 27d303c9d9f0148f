"""How fast the chamber model is: a month at one second for 40 chambers, a day's log fitted.

Run with ``python benchmarks/chamber_speed.py``. Peer for the forward part: the same balance
by a general ODE solver (scipy LSODA) for one hour of one chamber, scaled up.
"""

from __future__ import annotations

import time

import numpy as np
import pandas as pd
from scipy.integrate import solve_ivp

from trialkit import air
from trialkit.chamber import Room, identify_room, simulate
from trialkit.chamber.constants import WATER_G_L

MONTH_H = 30 * 24.0
START = pd.Timestamp("2031-03-01", tz="UTC")


def chambers(count: int) -> list[tuple[Room, dict[str, float]]]:
    """Make chambers that all differ, with cooling, timers and humidity bands in use."""
    rng = np.random.default_rng(40)
    made: list[tuple[Room, dict[str, float]]] = []
    for k in range(count):
        room = Room(
            volume_m3=float(rng.uniform(1, 4)),
            air_changes_h=float(rng.uniform(2, 8)),
            mist_l_h=float(rng.uniform(0.2, 0.6)),
            room_temp_c=float(rng.uniform(15, 21)),
            room_rh_pct=float(rng.uniform(50, 75)),
            crop_m2=float(rng.uniform(0, 1)),
        )
        setting = [
            {"on_s": 20, "off_s": 220},
            {"on_s": 20, "off_s": 460},
            {"on_s": 40, "off_s": 440},
            {"start_below_rh": 86.0, "stop_above_rh": 93.0},
        ][k % 4]
        made.append((room, setting))
    return made


def time_month() -> tuple[float, float, int]:
    """Time humidity and temperature of a month at one second for 40 chambers."""
    begin, cpu, points = time.perf_counter(), time.process_time(), 0
    for room, setting in chambers(40):
        result = simulate(room, setting, MONTH_H)
        points += result.sample(step_s=1.0, columns=("rh_pct", "temp_c"))["rh_pct"].size
    return time.perf_counter() - begin, time.process_time() - cpu, points


def time_peer_hour() -> float:
    """Time one hour of one chamber by a general solver at one-second output."""
    room, setting = chambers(1)[0]
    c_in = air.absolute_humidity_g_m3(room.room_temp_c, room.room_rh_pct)
    n, mist = room.air_changes_h / 3600, room.mist_l_h * WATER_G_L / 3600 / room.volume_m3
    begin, x = time.perf_counter(), [c_in]
    for _ in range(15):
        for on, span in ((1, setting["on_s"]), (0, setting["off_s"])):
            out = solve_ivp(
                lambda _, c, on=on: n * (c_in - c) + mist * on,
                (0, span),
                x,
                method="LSODA",
                rtol=1e-8,
                t_eval=np.arange(1, span + 1),
            )
            x = out.y[:, -1]
    return time.perf_counter() - begin


def time_fit(step_s: float) -> tuple[float, float, int]:
    """Time the fit of one day's log."""
    room = Room(volume_m3=2.0, air_changes_h=4.0, mist_l_h=0.3)
    trace = simulate(room, {"on_s": 20, "off_s": 220}, 24.0, step_s=step_s).trace
    noise = np.random.default_rng(3).normal(0, 0.3, len(trace))
    log = pd.DataFrame(
        {
            "time": START + pd.to_timedelta(trace["time_s"], unit="s"),
            "temp_c": trace["temp_c"],
            "rh_pct": trace["sensor_rh_pct"] + noise,
        }
    )
    on = START + pd.to_timedelta(np.arange(0, 86400, 240), unit="s")
    mist = pd.DataFrame({"start": on, "stop": on + pd.Timedelta("20s")})
    identify_room(log.head(60), mist)  # libraries loaded
    begin, cpu = time.perf_counter(), time.process_time()
    identify_room(log, mist)
    return time.perf_counter() - begin, time.process_time() - cpu, len(log)


def main() -> None:
    """Print the timings."""
    simulate(*chambers(1)[0])
    seconds, cpu, points = min(time_month() for _ in range(3))
    peer = time_peer_hour() * MONTH_H * 40
    print(
        f"month at 1 s, 40 chambers (a quarter on humidity bands): {seconds:.2f} s, of which "
        f"{cpu:.2f} s computing, for {points / 1e6:.0f} million moments"
    )
    print(f"  general solver, scaled from one hour: {peer:.0f} s ({peer / seconds:.0f} times)")
    for step in (60.0, 10.0, 1.0):
        seconds, cpu, rows = time_fit(step)
        print(
            f"one day's log every {step:g} s ({rows} readings) fitted in {seconds:.2f} s, of "
            f"which {cpu:.2f} s computing"
        )


if __name__ == "__main__":
    main()
