"""How long `trialkit today` takes for a season of one-minute logs.

Six chambers, four batches of four weeks one after the other: a climate reading each minute (968 000
rows) and every mist interval (242 000 rows), as one file for each chamber or one for all. The
command runs in a process of its own, as from cron: first without anything kept, then again, then
with a day more in the logs.

    python benchmarks/today_speed.py

Prints wall and processor seconds of each. Invented data; nothing is a result about mushrooms.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

CHAMBERS = [f"T{i}" for i in range(1, 7)]
FIRST = pd.Timestamp("2031-01-06 09:00")
BATCHES, BATCH_DAYS = 4, 28
OFF_S = {"usual": 220, "sparse": 460}
HEAD = """
[trial]
title = "A season"
time_zone = "Europe/Vienna"
seed = 4
invented = true
[units]
structure = "(batch * chamber) / block"
batch = 4
chamber = ["T1", "T2", "T3", "T4", "T5", "T6"]
block = 6
flushes = 2
[factors.schedule]
applied_to = "batch:chamber"
control = "usual"
levels.usual = { on_s = 20, off_s = 220 }
levels.sparse = { on_s = 20, off_s = 460 }
[question]
primary = "schedule"
[rig]
band_low_rh = 82
band_high_rh = 95
[logs.harvest]
files = ["logs/harvest.csv"]
[logs.environment]
files = ["logs/climate*.csv"]
[logs.mist]
files = ["logs/mist*.csv"]
[batches]
"""


def write_trial(folder: Path) -> pd.DataFrame:
    """Write trial file and plan; give the plan's table."""
    import trialkit as tk

    starts = [FIRST + pd.Timedelta(days=BATCH_DAYS * k) for k in range(BATCHES)]
    lines = [
        f"B{k} = {{ start = {s:%Y-%m-%dT%H:%M:%S}, "
        f"end = {s + pd.Timedelta(days=BATCH_DAYS - 1):%Y-%m-%dT%H:%M:%S} }}"
        for k, s in enumerate(starts, 1)
    ]
    (folder / "trial.toml").write_text(HEAD + "\n".join(lines) + "\n", encoding="utf-8")
    plan = tk.assign(tk.read_trial(folder))
    plan.write(folder)
    return plan.table


def write_logs(folder: Path, plan: pd.DataFrame, until: pd.Timestamp, *, apart: bool) -> int:
    """Write climate, mist and harvest up to a moment; give the rows."""
    rng = np.random.default_rng(1)
    (folder / "logs").mkdir(exist_ok=True)
    runs = plan.drop_duplicates(["batch", "chamber"]).set_index(["batch", "chamber"])["schedule"]
    climate, mist = [], []
    for chamber in CHAMBERS:
        time_at = pd.date_range(FIRST, until, freq="1min")
        rh = np.clip(89 + np.cumsum(rng.normal(0, 0.05, len(time_at))) % 3, 0, 100).round(1)
        temp = (15 + rng.normal(0, 0.2, len(time_at))).round(2)
        climate.append(
            pd.DataFrame({"chamber": chamber, "time": time_at, "temp_c": temp, "rh_pct": rh})
        )
        for k in range(BATCHES):
            begin = FIRST + pd.Timedelta(days=BATCH_DAYS * k)
            end = min(begin + pd.Timedelta(days=BATCH_DAYS - 1), until)
            if begin < end:
                every = 20 + OFF_S[runs[f"B{k + 1}", chamber]]
                on = pd.date_range(begin, end, freq=f"{every}s")
                stop = on + pd.Timedelta("20s")
                mist.append(pd.DataFrame({"chamber": chamber, "start": on, "stop": stop}))
    for name, parts in (("climate", climate), ("mist", mist)):
        table = pd.concat(parts)
        pieces = table.groupby("chamber") if apart else [("", table)]
        for chamber, rows in pieces:
            tail = f"_{chamber}" if chamber else ""
            by_time = rows.sort_values("time" if name == "climate" else "start", kind="stable")
            by_time.to_csv(folder / "logs" / f"{name}{tail}.csv", index=False)
    weighed = [
        {"unit": unit, "flush": flush, "date": f"{day:%Y-%m-%d}", "fresh_g": weight}
        for unit, batch in zip(plan["unit"], plan["batch"], strict=True)
        for flush, after in ((1, 12), (2, 24))
        for day in [FIRST + pd.Timedelta(days=BATCH_DAYS * (int(batch[1:]) - 1) + after)]
        for weight in [round(float(rng.normal(400, 40)))]
        if day < until
    ]
    pd.DataFrame(weighed).to_csv(folder / "logs" / "harvest.csv", index=False)
    return sum(map(len, climate)) + sum(map(len, mist))


def timed(folder: Path, at: pd.Timestamp) -> tuple[float, float]:
    """Run the command; give wall and processor seconds."""
    before, began = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    at_text = f"{at:%Y-%m-%dT%H:%M}"
    command = [sys.executable, "-m", "trialkit", "today", str(folder), "--at", at_text]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode not in (0, 1):
        raise SystemExit(done.stderr)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    used = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return time.perf_counter() - began, used


def main() -> None:
    """Build both folders and time three mornings in each."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--keep", type=Path, help="build in this folder and leave it there")
    given = asked.parse_args()
    last = FIRST + pd.Timedelta(days=BATCHES * BATCH_DAYS - 8)
    rows = []
    for apart in (True, False):
        with tempfile.TemporaryDirectory() as made:
            folder = (given.keep or Path(made)) / ("apart" if apart else "together")
            folder.mkdir(parents=True, exist_ok=True)
            plan = write_trial(folder)
            count = write_logs(folder, plan, last, apart=apart)
            looks = {"first": timed(folder, last), "again": timed(folder, last)}
            morning = last + pd.Timedelta(days=1)
            write_logs(folder, plan, morning, apart=apart)
            looks["a day later"] = timed(folder, morning)
            files = "one file a chamber" if apart else "one file"
            for name, (wall, used) in looks.items():
                rows.append(
                    {"logs": files, "rows": count, "look": name, "wall_s": wall, "cpu_s": used}
                )
    print(pd.DataFrame(rows).round(2).to_string(index=False))


if __name__ == "__main__":
    main()
