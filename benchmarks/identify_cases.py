"""Do the limits of `identify_room` hold the truth? Twelve kinds of log, by an independent solver.

Run with ``python benchmarks/identify_cases.py [rooms of each case] [seed=100] [cases]``. Truth:
`room_steps`. For each case: how often each constant was determined, how often its 95 % limits held
the truth, and the median half width of those limits as a share of the estimate.
"""

from __future__ import annotations

import sys
import time
from typing import Any

import numpy as np
import pandas as pd
from room_steps import Rooms, follow, saturation_g_m3

from trialkit.chamber import ChamberError, Room, identify_room

START = pd.Timestamp("2031-03-01", tz="UTC")
#: Case → what differs from a good log: 10 s readings for 3 h, 120 s of mist in 20 min.
CASES: dict[str, dict[str, Any]] = {
    "good log": {},
    "starts in mist": {"start": "in mist", "begin_s": 60},
    "read every 60 s": {"step_s": 60},
    "starts in mist, 60 s": {"step_s": 60, "start": "in mist", "begin_s": 60},
    "thermometer 120 s slower": {"temp_lag_s": 120.0},
    "read every 10 min": {"step_s": 600, "hours": 24},
    "pulses fill the air": {"rich": 5.0, "off_s": 2280, "hours": 4},
    "wet crop": {"crop": (0.1, 0.5)},
    "short cycles, 60 s": {"on_s": 20, "off_s": 220, "step_s": 60, "hours": 6},
    "noise that lasts": {"memory": 0.7},
    "clock 40 s off": {"shift_s": 40.0},
    "slow sensor, tight room": {"lag": (80, 100), "changes": (1.0, 2.0), "off_s": 2280, "hours": 4},
}


def draw(case: dict[str, Any], count: int, rng: np.random.Generator) -> Rooms:
    """Draw true rooms for a case."""

    def even(low: float, high: float) -> np.ndarray:
        return rng.uniform(low, high, count)

    v = np.exp(rng.uniform(np.log(0.5), np.log(10), count))
    changes = np.exp(rng.uniform(*np.log(case.get("changes", (2.0, 8.0))), count))
    zero = np.zeros(count)
    crop = even(*case.get("crop", (0.0, 0.0))) * v
    return Rooms(
        volume_m3=v, air_changes_h=changes, mist_l_h=v * even(0.08, 0.16) * case.get("rich", 1.0),
        room_temp_c=even(14, 22), room_rh_pct=even(35, 60), evaporating_fraction=even(0.7, 1.0),
        mist_air_changes_h=zero, surface_m2=zero, surface_holds_g_m2=zero + 100, crop_m2=crop,
        crop_co2_g_h=zero, heat_w=zero, machines_w=zero, drop_um=even(3, 8),
        wall_w_k=6 * v ** (2 / 3) / 0.26 * even(0.5, 1.2), transfer_m_h=zero + 10.8,
        surface_heat_w_m2_k=zero + 9.3, heat_kj_k_m3=even(7, 14),
        lag_s=even(*case.get("lag", (15, 45))), temp_lag_s=zero + case.get("temp_lag_s", 0.0),
    )  # fmt: skip


def truth_of(rooms: Rooms, t: np.ndarray) -> dict[str, np.ndarray]:
    """Give the constants that the fit looks for; wet crop pulls as air change does.

    How hard it pulls goes with the mean temperature of the chamber, which is cooler than the room.
    """
    slope = (saturation_g_m3(t + 0.05) - saturation_g_m3(t - 0.05)) / 0.1
    speed = rooms.transfer_m_h / 3600
    speed = speed / (1 + 2454.0 * slope * speed / rooms.surface_heat_w_m2_k)
    return {
        "air_changes_h": rooms.air_changes_h + speed * 3600 * rooms.crop_m2 / rooms.volume_m3,
        "mist_g_m3_h": rooms.evaporating_fraction * rooms.mist_l_h * 998.2 / rooms.volume_m3,
        "lag_s": rooms.lag_s,
    }


def run(case: dict[str, Any], count: int, seed: int) -> pd.DataFrame:
    """Identify every room of a case; one row per room and constant."""
    rng = np.random.default_rng(seed)
    rooms = draw(case, count, rng)
    on_s, off_s = case.get("on_s", 120), case.get("off_s", 1080)
    hours, step, begin = case.get("hours", 3), case.get("step_s", 10), case.get("begin_s", 0)
    seconds = np.arange(int(hours * 3600))
    on = ((seconds + begin) % (on_s + off_s) < on_s).astype(float)
    course = follow(
        rooms, np.repeat(on[:, None], count, axis=1), start=case.get("start", "room air")
    )
    edges = np.flatnonzero(np.diff(np.concatenate([[0.0], on, [0.0]])))
    mist = pd.DataFrame({"start": START + pd.to_timedelta(edges[::2], unit="s"),
                         "stop": START + pd.to_timedelta(edges[1::2], unit="s")})  # fmt: skip
    truth, rows = truth_of(rooms, course["temp_c"].mean(axis=0)), []
    for k in range(count):
        at = np.arange(step - 1, len(seconds), step)
        noise = rng.normal(0, 0.3, len(at))
        memory = case.get("memory", 0.0)
        for j in range(1, len(at) if memory else 0):
            noise[j] = memory * noise[j - 1] + np.sqrt(1 - memory**2) * noise[j]
        shift = pd.Timedelta(case.get("shift_s", 0.0) + 1, "s")
        log = pd.DataFrame({
            "time": START + pd.to_timedelta(at, unit="s") + shift,
            "temp_c": np.round(course["temp_c"][at, k] + rng.normal(0, 0.03, len(at)), 2),
            "rh_pct": np.round(np.minimum(course["sensor_rh_pct"][at, k] + noise, 100.0), 1),
        })  # fmt: skip
        like = Room(volume_m3=float(rooms.volume_m3[k]), air_changes_h=1.0,
                    mist_l_h=float(rooms.mist_l_h[k]))  # fmt: skip
        try:
            found = identify_room(log, mist, like=like, empty="crop" not in case).table.iloc[0]
        except ChamberError:
            found = None
        for name, values in truth.items():
            row: dict[str, Any] = {"constant": name, "truth": values[k], "estimate": np.nan}
            if found is not None:
                row |= {"estimate": found[name], "low": found[f"{name}_low"],
                        "high": found[f"{name}_high"]}  # fmt: skip
            rows.append(row)
    return pd.DataFrame(rows)


def main() -> None:
    """Print one line per case and constant."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    seeds = [int(a.removeprefix("seed=")) for a in sys.argv[2:] if a.startswith("seed=")]
    chosen = [a for a in sys.argv[2:] if a in CASES] or list(CASES)
    first = seeds[0] if seeds else 100
    for seed, (name, case) in enumerate(CASES.items(), first):
        if name not in chosen:
            continue
        begin = time.process_time()
        table = run(case, count, seed)
        for constant, part in table.groupby("constant", sort=False):
            known = part.dropna(subset=["estimate"])
            share = len(known) / len(part)
            if known.empty:
                print(f"{name:26} {constant:14} not determined")
                continue
            held = (known["low"] <= known["truth"]) & (known["truth"] <= known["high"])
            wide = ((known["high"] - known["low"]) / 2 / known["estimate"]).median()
            off = (known["estimate"] / known["truth"] - 1).median()
            print(f"{name:26} {constant:14} determined {100 * share:3.0f} %, limits hold "
                  f"{100 * held.mean():3.0f} %, half width {100 * wide:4.1f} %, "
                  f"median error {100 * off:+.1f} %")  # fmt: skip
        print(f"{'':26} {time.process_time() - begin:.0f} s of computing", flush=True)


if __name__ == "__main__":
    main()
