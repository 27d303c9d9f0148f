"""Speed of exposures beside a bare grouped mean of the same file, as ratios in one run.

    python benchmarks/exposure_speed.py          # 40 chambers × 60 days × 10 s = 20.7 M rows
    python benchmarks/exposure_speed.py --long   # ten times as many rows as well
    python benchmarks/exposure_speed.py --home   # the demo: raw CSV to exposures

Data are made by DuckDB and deleted afterwards. Each measurement runs in a process of its own, so
that peak memory is its own; the bare mean and the exposures take turns.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pandas as pd

CHAMBERS, STEP_S = 40, 10
START = pd.Timestamp("2031-01-01", tz="UTC")


def write_log(folder: Path, days: int, kinds: tuple[str, ...]) -> None:
    """Write the log as Parquet (by chamber, by time, by time with 2 % lost) and as CSV."""
    import duckdb

    con = duckdb.connect()
    con.execute("SET memory_limit = '2GB'")
    con.execute(f"SET temp_directory = '{folder}'")
    records = days * 86400 // STEP_S
    rows = f"""
        SELECT 'T' || lpad(c::VARCHAR, 2, '0') AS chamber,
               TIMESTAMP '2031-01-01' + to_seconds(i * {STEP_S}) AS time,
               round(15 + 2 * sin(i * {STEP_S} / 86400.0 * 2 * pi()) + 0.3 * random(), 2) AS temp_c,
               round(least(100, 88 + 5 * sin(i / 24.0 * 2 * pi()) + 2 * random() - 1 + c * 0.05), 1)
                   AS rh_pct
        FROM (SELECT 1 + k // {records} AS c, k % {records} AS i
              FROM range({CHAMBERS * records}) AS t(k))"""
    con.execute(f"COPY ({rows}) TO '{folder}/by_chamber.parquet'")
    source = f"'{folder}/by_chamber.parquet'"
    if "by_time.parquet" in kinds:
        con.execute(f"COPY (FROM {source} ORDER BY time, chamber) TO '{folder}/by_time.parquet'")
    if "gaps.parquet" in kinds:
        con.execute("SELECT setseed(0.5)")
        gaps = f"FROM '{folder}/by_time.parquet' WHERE random() > 0.02"
        con.execute(f"COPY ({gaps}) TO '{folder}/gaps.parquet'")
    if "by_chamber.csv" in kinds:
        con.execute(f"COPY (FROM {source}) TO '{folder}/by_chamber.csv'")


def make_windows(days: int) -> pd.DataFrame:
    """Make eight overlapping windows for each chamber, with limits between records."""
    rows = []
    for c in range(1, CHAMBERS + 1):
        for k in range(8):
            start = START + pd.Timedelta(days=days * (0.02 + k / 10), seconds=5)
            stop = start + pd.Timedelta(days=days * 0.15)
            rows.append((f"T{c:02d}", str(k), start, stop))
    return pd.DataFrame(rows, columns=["chamber", "window", "start", "stop"])


def bare_mean(file: Path) -> int:
    """Mean humidity by chamber and week."""
    import duckdb

    reader = "read_csv" if file.suffix == ".csv" else "read_parquet"
    query = f"""SELECT chamber, date_trunc('week', time) AS week, avg(rh_pct)
                FROM {reader}('{file}') GROUP BY ALL"""
    return len(duckdb.sql(query).fetchall())


def exposures(file: Path, days: int) -> int:
    """All exposures of all windows."""
    from trialkit.alignment.engine import expose_files
    from trialkit.alignment.measures import ExposureSettings

    settings = ExposureSettings(band_low_rh=82, band_high_rh=92)
    out = expose_files(file, make_windows(days), settings=settings).chambers
    assert out["coverage_pct"].min() > 99.99
    return len(out)


def measure_here(what: str, file: Path, days: int) -> dict[str, float]:
    """Run one measurement in this process: seconds, processor seconds, peak megabytes."""
    import duckdb
    import pyarrow.parquet

    from trialkit import air
    from trialkit.alignment import engine

    _ = duckdb, pyarrow.parquet, air, engine  # loading libraries is not timed
    wall, cpu = time.perf_counter(), time.process_time()
    rows = bare_mean(file) if what == "bare mean" else exposures(file, days)
    return {
        "rows": rows,
        "wall_s": time.perf_counter() - wall,
        "cpu_s": time.process_time() - cpu,
        "peak_mb": peak_mb(),
    }


def peak_mb() -> float:
    """Give the peak memory of this process alone [MB]."""
    status = Path("/proc/self/status")
    if status.exists():  # unlike ru_maxrss it does not remember the process that started this one
        line = next(x for x in status.read_text().splitlines() if x.startswith("VmHWM"))
        return float(line.split()[1]) / 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def measure(what: str, file: Path, days: int) -> dict[str, float]:
    """Run one measurement in a process of its own."""
    command = [sys.executable, __file__, "--one", what, str(file), str(days)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    result: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return result


def compare(folder: Path, days: int, kinds: tuple[str, ...], repeats: int) -> pd.DataFrame:
    """Measure both in turn and give the best of each, with ratios."""
    rows = []
    for kind in kinds:
        found: dict[str, list[dict[str, float]]] = {"bare mean": [], "exposures": []}
        for _ in range(repeats):
            for what, results in found.items():
                results.append(measure(what, folder / kind, days))
        best = {
            what: {key: min(r[key] for r in results) for key in ("wall_s", "cpu_s")}
            for what, results in found.items()
        }
        rows.append(
            {
                "file": kind,
                "million rows": CHAMBERS * days * 86400 / STEP_S / 1e6,
                "mean s": best["bare mean"]["wall_s"],
                "exposures s": best["exposures"]["wall_s"],
                "ratio": best["exposures"]["wall_s"] / best["bare mean"]["wall_s"],
                "ratio of processor time": best["exposures"]["cpu_s"] / best["bare mean"]["cpu_s"],
                "peak MB": max(r["peak_mb"] for r in found["exposures"]),
            }
        )
    return pd.DataFrame(rows)


def check_cluster(folder: Path, days: int) -> str:
    """Compare a local Dask cluster with the file carrier."""
    import dask.dataframe as dd
    from distributed import Client, LocalCluster

    from trialkit.alignment.cluster import expose_dask
    from trialkit.alignment.engine import expose_files
    from trialkit.alignment.measures import ExposureSettings

    settings, windows = ExposureSettings(band_low_rh=82, band_high_rh=92), make_windows(days)
    file = folder / "by_chamber.parquet"
    want = expose_files(file, windows, settings=settings).chambers
    with (
        LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=":0") as cluster,
        Client(cluster),
    ):
        begin = time.perf_counter()
        table = dd.read_parquet(file, split_row_groups=8)
        got = expose_dask(table, windows, settings=settings).chambers
        took = time.perf_counter() - begin
    numbers = want.select_dtypes("number").columns
    apart = ((got[numbers] - want[numbers]).abs() / want[numbers].abs().clip(lower=1e-9)).max()
    return f"local cluster, 2 workers: {took:.1f} s, largest relative difference {apart.max():.1e}"


def time_home() -> str:
    """Time the demo from raw CSV to exposures."""
    import trialkit as tk

    trial = tk.read_trial(tk.demo_folder())
    plan = tk.read_plan(trial)
    best: dict[str, float] = {}
    for _ in range(3):
        begin = time.perf_counter()
        climate, mist = tk.read_environment(trial), tk.read_mist(trial)
        read = time.perf_counter()
        harvest = tk.read_harvest(trial)
        tk.align(trial, harvest, climate, mist, plan=plan)
        took = {"climate and mist": read - begin, "all": time.perf_counter() - begin}
        best = {k: min(v, best.get(k, v)) for k, v in took.items()}
    records = len(climate.table)
    return (
        f"home trial, {records} records of climate, {len(mist.table)} pulses: read "
        f"{best['climate and mist']:.2f} s, read and exposures {best['all']:.2f} s"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--days", type=int, default=60)
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--long", action="store_true", help="also ten times the days, Parquet")
    parser.add_argument("--home", action="store_true", help="only the demo")
    parser.add_argument("--one", nargs=3, metavar=("WHAT", "FILE", "DAYS"), help="used inside")
    given = parser.parse_args()
    if given.one:
        print(json.dumps(measure_here(given.one[0], Path(given.one[1]), int(given.one[2]))))
        return
    print(time_home())
    if given.home:
        return
    kinds = ("by_chamber.parquet", "by_time.parquet", "gaps.parquet", "by_chamber.csv")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_log(folder, given.days, kinds)
        print(compare(folder, given.days, kinds, given.repeats).round(2).to_string(index=False))
        print(check_cluster(folder, given.days))
        if given.long:
            for kind in kinds:
                (folder / kind).unlink()
            write_log(folder, 10 * given.days, kinds[:1])
            long = compare(folder, 10 * given.days, kinds[:1], 1)
            print(long.round(2).to_string(index=False))


if __name__ == "__main__":
    main()
