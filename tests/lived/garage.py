"""An invented garage of a few tents whose truth is known, written as a trial's folder.

The truth: a block yields 500 g under "usual" and 500 g × `effect` under "sparse", by the schedule
that it was really given; batches, runs and blocks add what is drawn from the seed.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import pandas as pd

import trialkit as tk

HEAD = """
[trial]
title = "A garage"
species = "oyster mushroom"
time_zone = "Europe/Vienna"
seed = {seed}
invented = true
[units]
structure = "(batch * chamber) / block"
batch = {batches}
chamber = [{chambers}]
block = 4
flushes = 1
[factors.schedule]
applied_to = "batch:chamber"
control = "usual"
levels.usual = {{ on_s = 20, off_s = 220 }}
levels.sparse = {{ on_s = 20, off_s = 460 }}
[question]
primary = "schedule"
margin_pct = 10
difference_pct = 15
[batches]
{dates}
[logs.harvest]
files = ["logs/harvest.csv"]
{logs}
"""
LOGS = """[logs.environment]
files = ["logs/climate.csv"]
[logs.mist]
files = ["logs/mist.csv"]
"""
FIRST = dt.datetime(2031, 3, 3, 9)
EVERY = dt.timedelta(days=28)
LASTS = dt.timedelta(days=10)
#: A moment before anything began, and one a day before batch `n` begins.
EARLY = dt.datetime(2031, 2, 20, tzinfo=dt.UTC)


def before(batch: int) -> dt.datetime:
    """Give the day before a batch begins."""
    return (FIRST + (batch - 1) * EVERY - dt.timedelta(days=1)).replace(tzinfo=dt.UTC)


def write_garage(
    folder: Path,
    *,
    batches: int = 3,
    chambers: tuple[str, ...] = ("T1", "T2", "T3", "T4"),
    happened: str = "",
    seed: int = 7,
    logs: bool = False,
    first: dt.datetime = FIRST,
) -> tk.Trial:
    """Write the trial file and read it."""
    starts = [first + k * EVERY for k in range(batches)]
    dates = "\n".join(
        f"B{k} = {{ start = {start:%Y-%m-%dT%H:%M:%S}, end = {start + LASTS:%Y-%m-%dT%H:%M:%S} }}"
        for k, start in enumerate(starts, 1)
    )
    named = ", ".join(f'"{name}"' for name in chambers)
    text = HEAD.format(
        seed=seed, batches=batches, chambers=named, dates=dates, logs=LOGS if logs else ""
    )
    (folder / "trial.toml").write_text(text + happened, encoding="utf-8")
    return tk.read_trial(folder)


def grow(
    folder: Path,
    given: pd.DataFrame,
    *,
    effect: float = 1.0,
    sd_batch: float = 30.0,
    sd_run: float = 12.0,
    sd_block: float = 20.0,
    seed: int = 1,
    names: dict[str, str] | None = None,
    first: dt.datetime = FIRST,
) -> None:
    """Write the harvest of every unit: `given` has unit, batch, chamber and the real schedule.

    `names` are other names of chambers, as somebody writes them on the sheet.
    """
    rng = np.random.default_rng(seed)
    luck_batch = {b: rng.normal(0, sd_batch) for b in sorted(set(given["batch"]))}
    keys = sorted(set(zip(given["batch"], given["chamber"], strict=True)))
    luck_run = {key: rng.normal(0, sd_run) for key in keys}
    rows = []
    for row in given.to_dict("records"):
        mean = 500 * (effect if row["schedule"] == "sparse" else 1.0)
        luck = luck_batch[row["batch"]] + luck_run[row["batch"], row["chamber"]]
        day = first + (int(row["batch"][1:]) - 1) * EVERY + dt.timedelta(days=8)
        chamber = (names or {}).get(row["chamber"], row["chamber"])
        unit = "-".join([row["batch"], chamber, row["unit"].split("-")[-1]])
        weight = round(mean + luck + rng.normal(0, sd_block), 1)
        rows.append({"unit": unit, "date": f"{day:%Y-%m-%d}", "fresh_g": weight})
    (folder / "logs").mkdir(exist_ok=True)
    pd.DataFrame(rows).to_csv(folder / "logs" / "harvest.csv", index=False)


def swapped(table: pd.DataFrame, batch: str, one: str, other: str) -> pd.DataFrame:
    """Give a plan's table as it was given when two timers were swapped in a batch."""
    out = table.copy()
    runs = out.drop_duplicates(["batch", "chamber"]).set_index(["batch", "chamber"])["schedule"]
    for first, second in ((one, other), (other, one)):
        own = (out["batch"] == batch) & (out["chamber"] == first)
        out.loc[own, "schedule"] = runs[batch, second]
    return out


def write_mist(folder: Path, runs: pd.DataFrame, names: dict[str, str] | None = None) -> None:
    """Write mist and climate logs of runs: batch, chamber, schedule, and from, to (days)."""
    mist, climate = [], []
    rng = np.random.default_rng(3)
    for row in runs.to_dict("records"):
        start = pd.Timestamp(FIRST + (int(row["batch"][1:]) - 1) * EVERY)
        begin = start + pd.Timedelta(days=row.get("since", 0))
        end = start + pd.Timedelta(days=row.get("until", LASTS.days))
        off = 220 if row["schedule"] == "usual" else 460
        on = pd.date_range(begin, end, freq=f"{20 + off}s", inclusive="left")
        chamber = (names or {}).get(row["chamber"], row["chamber"])
        stop = on + pd.Timedelta("20s")
        mist.append(pd.DataFrame({"chamber": chamber, "start": on, "stop": stop}))
        time = pd.date_range(begin, end, freq="20min", inclusive="left")
        wet = 91.0 if row["schedule"] == "usual" else 86.0
        rh = (wet + rng.normal(0, 0.5, len(time))).round(1)
        climate.append(
            pd.DataFrame({"chamber": chamber, "time": time, "temp_c": 15.0, "rh_pct": rh})
        )
    (folder / "logs").mkdir(exist_ok=True)
    pd.concat(mist).to_csv(folder / "logs" / "mist.csv", index=False)
    pd.concat(climate).to_csv(folder / "logs" / "climate.csv", index=False)
