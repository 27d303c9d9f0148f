"""Ten thousand shared answers: time, memory, and how often a made-up one is noticed.

    python benchmarks/federation.py [--answers 10000] [--pools 300]

Writes that many answer files, pools them by the command, and prints seconds and the largest
memory. Then draws pools of several sizes: how often an honest pool names an answer as unlike the
others (which should be in no more than 5 of 100), and how often one made-up answer is named that
lies 3, 5 or 8 standard errors off (each trial's standard error 0.04, trials differing by as much).
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

from trialkit.federation.answer import COUNTS, TrialAnswer
from trialkit.federation.answer_file import write_answer
from trialkit.federation.influence import leave_one_out

SE = 0.04


def write_answers(folder: Path, count: int, seed: int = 1) -> None:
    """Write invented answers of growers with four to forty chamber runs each."""
    rng = np.random.default_rng(seed)
    for i in range(count):
        runs = int(rng.integers(4, 40))
        se = 0.16 / np.sqrt(runs) * rng.uniform(0.8, 1.3)
        counts = dict(zip(COUNTS, (2, 2, runs, 6 * runs, 12 * runs), strict=True))
        answer = TrialAnswer(
            title=f"Grower {i}",
            species=("oyster", "shiitake", "lion's mane")[i % 3],
            begun=f"20{30 + i % 5}-{1 + i % 12:02d}",
            response="fresh_g",
            unit="g",
            better="more",
            level="sparse",
            control="usual",
            estimate=float(rng.normal(rng.normal(-0.03, 0.05), se)),
            se=float(se),
            df=float(runs - 2),
            method="fieller, kenward-roger",
            counts=counts,
            fingerprint=f"{i:064x}",
            rig={"chamber_m3": float(rng.choice([0.5, 1.0, 2.0])), "mist_l_h": 1.5},
            invented=True,
        )
        lot = folder.parent / f"lot {i // 200}"  # a folder of thousands is slow to write into
        lot.mkdir(exist_ok=True)
        write_answer(answer, lot / f"{i:06d}.json").rename(folder / f"{i:06d}.json")


def time_pool(count: int) -> None:
    """Pool that many files by the command and print what it took."""
    with tempfile.TemporaryDirectory() as spare:
        folder = Path(spare) / "answers"
        folder.mkdir()
        write_answers(folder, count)
        to = Path(spare) / "pooled.html"
        before = time.perf_counter()
        subprocess.run(
            [sys.executable, "-m", "trialkit", "pool", str(folder), "--to", str(to)],
            check=True,
            stdout=subprocess.DEVNULL,
        )
        took = time.perf_counter() - before
        used = resource.getrusage(resource.RUSAGE_CHILDREN)
        most, worked = used.ru_maxrss / 1024, used.ru_utime + used.ru_stime
        size = to.stat().st_size / 1e6
    words = f"{took:.1f} s ({worked:.1f} s of computing), {most:.0f} MB, page {size:.2f} MB"
    print(f"{count} answers: {words}", flush=True)


def named(k: int, off: float, pools: int, seed: int) -> float:
    """Give the share of pools that name an answer; of the made-up one, where there is one."""
    rng, seen = np.random.default_rng(seed), 0
    for _ in range(pools):
        y = rng.normal(0, SE, k) + rng.normal(0, SE, k)
        if off:
            y[0] = off * SE
        p = leave_one_out(y, np.full(k, SE**2)).p
        seen += bool(p[0] <= 0.05) if off else bool((p <= 0.05).any())
    return 100 * seen / pools


def main() -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--answers", type=int, default=10_000)
    parser.add_argument("--pools", type=int, default=300)
    told = parser.parse_args()
    if told.answers:
        time_pool(told.answers)
    print(
        "trials,honest_pools_that_name_one_pct,noticed_3_se_pct,noticed_5_se_pct,noticed_8_se_pct"
    )
    for k in (3, 4, 5, 6, 8, 12, 20, 50):
        pools = max(50, told.pools * 12 // max(12, k))
        shares = [named(k, off, pools, seed=k) for off in (0.0, 3.0, 5.0, 8.0)]
        print(f"{k},{','.join(f'{s:.0f}' for s in shares)}", flush=True)


if __name__ == "__main__":
    main()
