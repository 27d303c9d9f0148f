"""Read and align climate logs many times larger than a bound on memory; print time and memory.

    python benchmarks/large_logs.py [--rows MILLIONS] [--chambers N] [--files N] [--memory MB]

Writes logs of the wanted size into a temporary folder (text as loggers write it, other heads and
units, local times, doubled rows), reads and aligns them in a process of its own, and compares the
peak of its memory, over that of the program itself, with the bound: more is an error.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

TRIAL = """
[trial]
title = "large"
time_zone = "Europe/Vienna"
[units]
structure = "(batch * chamber) / block"
batch = 2
chamber = [{chambers}]
block = 2
flushes = 2
[factors.schedule]
applied_to = "batch:chamber"
levels.usual = {{ on_s = 20, off_s = 580 }}
levels.sparse = {{ on_s = 20, off_s = 1180 }}
[question]
primary = "schedule"
[rig]
band_low_rh = 82
band_high_rh = 92
[batches]
B1 = {{ start = 2031-03-10T09:00:00, end = 2031-{half}T09:00:00 }}
B2 = {{ start = 2031-{half}T10:00:00, end = 2031-{end}T09:00:00 }}
[logs.environment]
files = ["logs/*.csv"]
units = {{ temp_c = "degF" }}
time_zone = "UTC"
[logs.environment.columns]
time = "When"
chamber = "Tent"
temp_c = "Temp"
rh_pct = "Hum"
[[logs.environment.clock]]
file = "log-1.csv"
add_s = -60
"""


def write_logs(folder: Path, millions: float, count: int, files: int) -> tuple[int, int]:
    """Write the logs; give their bytes and their rows."""
    import numpy as np
    import pandas as pd

    chambers = [f"T{i + 1}" for i in range(count)]
    each = int(millions * 1e6 / count)
    start, stop = pd.Timestamp("2031-03-10 08:00"), pd.Timestamp("2031-06-10 08:00")
    every = (stop - start) / each
    size = rows = 0
    (folder / "logs").mkdir()
    rng = np.random.default_rng(1)
    for number in range(files):
        first, last = number * each // files, (number + 1) * each // files
        moments = start + every * np.arange(first, last)
        path = folder / "logs" / f"log-{number}.csv"
        with path.open("w", encoding="utf-8") as out:
            out.write("When,Tent,Temp,Hum\n")
            for lo in range(0, len(moments), 20_000):
                some = moments[lo : lo + 20_000]
                part = pd.DataFrame({"When": np.repeat(some, count), "Tent": chambers * len(some)})
                part["Temp"] = (59 + rng.normal(0, 1, len(part))).round(1)
                part["Hum"] = (86 + rng.normal(0, 2, len(part))).round(1)
                part.to_csv(out, index=False, header=False, date_format="%Y-%m-%d %H:%M:%S")
                rows += len(part)
        size += path.stat().st_size
    text = TRIAL.format(chambers=", ".join(f'"{c}"' for c in chambers), half="04-20", end="06-10")
    (folder / "trial.toml").write_text(text, encoding="utf-8")
    return size, rows


def read_and_align(folder: Path, way: str) -> float:
    """Read and align a log in this process; print what it took, give the memory [MB]."""
    import pandas as pd

    import trialkit as tk
    from trialkit.alignment.align import align
    from trialkit.logs.climate.large import read_large_environment
    from trialkit.logs.climate.read import read_environment

    trial = tk.read_trial(folder)
    base = _peak_mb()
    begun = time.perf_counter()
    log = read_large_environment(trial) if way == "large" else read_environment(trial, cache=False)
    print(f"  read   {time.perf_counter() - begun:6.1f} s, peak {_peak_mb() - base:6.0f} MB more")
    units = trial.unit_table()
    plan = units.assign(schedule="usual")
    harvest = units.merge(pd.DataFrame({"flush": [1, 2]}), how="cross")
    first = harvest["batch"].map({"B1": "2031-03-25", "B2": "2031-05-05"})
    moments = pd.to_datetime(first, utc=True) + pd.to_timedelta(9 * harvest["flush"], unit="D")
    harvest = harvest.assign(time=moments, fresh_g=300.0, status="ok")
    begun = time.perf_counter()
    data = align(trial, harvest, log, plan=plan)
    print(f"  align  {time.perf_counter() - begun:6.1f} s, peak {_peak_mb() - base:6.0f} MB more")
    print(f"  mean humidity {data.runs['rh_pct'].mean():.12f} %, {len(data.findings)} findings")
    return _peak_mb() - base


def _peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main() -> None:
    """Write, read, compare."""
    given = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    given.add_argument("--rows", type=float, default=12.0, help="millions of rows")
    given.add_argument("--chambers", type=int, default=12)
    given.add_argument("--files", type=int, default=24)
    given.add_argument("--ways", default="large", help="large, small or large,small")
    given.add_argument("--memory", type=float, default=float("inf"), help="bound in MB")
    given.add_argument("--inner", help=argparse.SUPPRESS)
    asked = given.parse_args()
    if asked.inner:
        more = read_and_align(Path(asked.inner), asked.ways)
        if more > asked.memory:
            sys.exit(f"{more:.0f} MB are more than the bound of {asked.memory:.0f} MB")
        return
    with tempfile.TemporaryDirectory() as name:
        size, rows = write_logs(Path(name), asked.rows, asked.chambers, asked.files)
        print(f"{rows / 1e6:.1f} million rows, {size / 1e6:.0f} MB of text, {asked.files} files")
        for way in asked.ways.split(","):
            print(way)
            command = [sys.executable, __file__, "--inner", name, "--ways", way]
            command += ["--memory", str(asked.memory)]
            if subprocess.run(command, check=False).returncode:
                sys.exit(1)


if __name__ == "__main__":
    main()
