"""Do the stated bounds of slow readings hold the true humidity? Simulated rooms, worst moments.

    python benchmarks/slow_readings.py [rooms] [seed]

Rooms, mist cycles, intervals of readings and their phase are drawn at random, the phase fixed
or with a clock that runs off; the truth is the course every 5 s over a day.
"""

from __future__ import annotations

import sys

import numpy as np
import pandas as pd

from trialkit.alignment.frame import expose_frame
from trialkit.alignment.measures import ExposureSettings
from trialkit.alignment.slow_readings import judge_readings
from trialkit.chamber import room_from_rig, simulate
from trialkit.chamber.room_draws import draw_rooms
from trialkit.trial.sections import RigSection

START = pd.Timestamp("2031-03-01", tz="UTC")
HOURS = 24
BAND = ExposureSettings(band_low_rh=82.0, band_high_rh=95.0, max_gap_min=60.0)
RIG = {"chamber_m3": 1.8, "air_changes_h": 5.0, "mist_l_h": 0.4, "room_rh_pct": 60.0}


def fine_course(room, on_s: float, cycle_s: float) -> np.ndarray:
    """Give humidity every 5 s once settled, as a sensor without lag sees it."""
    run = simulate(room, {"on_s": on_s, "off_s": cycle_s - on_s}, HOURS + 6.0)
    rh = run.sample(step_s=5.0)["rh_pct"]
    return np.minimum(rh[6 * 720 :], 100.0)


def read_log(rh: np.ndarray, every_s: float, first_s: float, runs_off: float) -> pd.DataFrame:
    """Take readings of a course."""
    moments = np.arange(first_s, HOURS * 3600.0, every_s * (1 + runs_off))
    values = np.interp(moments, 5.0 * np.arange(len(rh)), rh)
    time = START + pd.to_timedelta(moments, unit="s")
    return pd.DataFrame({"chamber": "T1", "time": time, "temp_c": 15.0, "rh_pct": values.round(1)})


def bounds_of(log: pd.DataFrame, on_s: float, cycle_s: float, rig: dict) -> pd.Series:
    """Give exposures and their bounds."""
    # the course begins six hours into the run, which is not a whole number of every cycle
    shift = (-6 * 3600.0) % cycle_s
    on = START + pd.to_timedelta(np.arange(shift, HOURS * 3600.0, cycle_s), unit="s")
    mist = pd.DataFrame({"chamber": "T1", "start": on, "stop": on + pd.Timedelta(on_s, "s")})
    window = pd.DataFrame(
        {"chamber": ["T1"], "window": "whole", "start": START,
         "stop": START + pd.Timedelta(HOURS, "h")}
    )  # fmt: skip
    runs = expose_frame(log, window, settings=BAND).chambers
    told = judge_readings(log, mist, runs, rig=RigSection(**rig), settings=BAND)
    return pd.concat([runs, told], axis=1).iloc[0]


def main(rooms: int, seed: int) -> None:
    """Print how often the truth lies within the bounds, and how wide they are."""
    rng = np.random.default_rng(seed)
    rows = []
    for room in draw_rooms(room_from_rig(RIG), rooms, seed=seed).rooms:
        cycle = 60.0 * float(rng.choice([4, 5, 8, 10, 15]))
        on = max(5.0, 5.0 * round(cycle * rng.uniform(0.03, 0.15) / 5.0))
        every = 60.0 * float(rng.choice([2, 4, 5, 8, 10, 15, 20]))
        off = float(rng.choice([0.0, 0.0, 1e-4, 1e-3, 0.02]))
        rh = fine_course(room, on, cycle)
        got = bounds_of(read_log(rh, every, 5.0 * rng.integers(0, cycle / 5), off), on, cycle, RIG)
        covered = HOURS * got["rh_coverage_pct"] / 100  # not before the first reading
        true = {
            "mean": rh.mean(), "below": covered * (rh < 82).mean(),
            "above": covered * (rh > 95).mean(),
            "in": covered * ((rh >= 82) & (rh <= 95)).mean(),
        }  # fmt: skip
        slow = np.isfinite(got["phases_missed_pct"])
        row = {
            "slow": slow,
            "missed": got["phases_missed_pct"],
            "off": got["rh_pct"] - true["mean"],
            "said": got["rh_slow_pct"],
        }
        row["mean held"] = abs(row["off"]) <= got["rh_slow_pct"] + 0.1
        for side in ("below", "in", "above"):
            least, most = (got[f"hours_{side}_band_{end}"] for end in ("least", "most"))
            row[f"{side} held"] = least - 0.1 <= true[side] <= most + 0.1
            row[f"{side} width"] = most - least
            row[f"{side} off"] = abs(got[f"hours_{side}_band"] - true[side])
        rows.append(row)
    table = pd.DataFrame(rows)
    for name, part in (
        ("four readings a cycle or more, nothing is said", table[~table["slow"]]),
        ("slow, phases spread", table[table["slow"] & (table["missed"] <= 26)]),
        ("slow, phases missed", table[table["slow"] & (table["missed"] > 26)]),
    ):
        print(f"{name}: {len(part)} rooms; mean off by up to {part['off'].abs().max():.1f} points")
        if not len(part) or not part["slow"].any():
            print(f"  hours in band off by up to {part['in off'].max():.1f} h of 24")
            continue
        print(f"  mean held {part['mean held'].mean():.1%}, said ±{part['said'].mean():.1f} points")
        for side in ("below", "in", "above"):
            print(
                f"  hours {side} band: held {part[f'{side} held'].mean():.1%}, "
                f"off by up to {part[f'{side} off'].max():.1f} h, "
                f"mean width {part[f'{side} width'].mean():.1f} h"
            )


if __name__ == "__main__":
    main(*(int(a) for a in [*sys.argv[1:], *["200", "1"][len(sys.argv) - 1 :]]))
