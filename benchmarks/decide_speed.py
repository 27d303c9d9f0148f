"""Time `analyse` and `decide` on the demo's harvest and on a drawn trial of 24 chamber runs.

    python benchmarks/decide_speed.py --rounds 7
    python benchmarks/decide_speed.py --before ../older --rounds 7

Prints the smallest wall-clock and processor time of several rounds [s]; the first, which loads
libraries, is not counted. With `--before`, the folder of another state of the code, both take
turns in one run, each in a process of its own, and the ratio is printed too: seconds depend on
the machine and on what else it does, ratios hardly.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parents[1]
TURNS = 3  # of each state of the code, when two are compared


def cases(folder: Path) -> dict[str, tuple[Any, Any]]:
    """Give trials with their aligned tables: the demo, and 24 runs of six blocks."""
    from whole_verdicts import draw, make_trial, rows

    import trialkit as tk

    demo = tk.read_trial(tk.demo_folder())
    logs = tk.read_harvest(demo), tk.read_environment(demo), tk.read_mist(demo)
    row = next(r for r in rows() if r.name == "6 × 4, 3 schedules")
    drawn = make_trial(row, folder)
    return {
        "demo (432 rows, 3 flushes)": (demo, tk.align(demo, *logs)),
        "24 runs (144 rows)": (drawn, draw(row, drawn, seed=1)),
    }


def measure(rounds: int) -> dict[str, tuple[float, float]]:
    """Time the tree that is imported; wall-clock and processor time by what was done."""
    out = {}
    with tempfile.TemporaryDirectory() as folder:
        for name, (trial, data) in cases(Path(folder)).items():
            out |= measure_one(name, trial, data, rounds)
    return out


def measure_one(name: str, trial: Any, data: Any, rounds: int) -> dict[str, tuple[float, float]]:
    """Time the analysis and the verdict of one trial."""
    import trialkit as tk

    tk.decide(trial, tk.analyse(trial, data))
    # a fresh analysis each time: a second verdict on one would find much of it done
    results = [tk.analyse(trial, data) for _ in range(rounds)]
    return {
        f"analyse, {name}": smallest(rounds, lambda: tk.analyse(trial, data)),
        f"decide, {name}": smallest(rounds, lambda: tk.decide(trial, results.pop())),
    }


def smallest(rounds: int, work: Any) -> tuple[float, float]:
    """Give the smallest wall-clock and processor time of some rounds [s]."""
    wall, processor = [], []
    for _ in range(rounds):
        start = time.perf_counter(), time.process_time()
        work()
        wall.append(time.perf_counter() - start[0])
        processor.append(time.process_time() - start[1])
    return min(wall), min(processor)


def in_its_own(tree: Path, rounds: int) -> dict[str, tuple[float, float]]:
    """Measure one state of the code in a process of its own."""
    done = subprocess.run(
        [sys.executable, __file__, "--child", "--rounds", str(rounds)],
        env={**os.environ, "PYTHONPATH": str(tree)}, check=True, capture_output=True, text=True,
    )  # fmt: skip
    return json.loads(done.stdout)  # type: ignore[no-any-return]


def best(turns: list[dict[str, tuple[float, float]]]) -> dict[str, tuple[float, float]]:
    """Take the smallest of several turns."""
    return {k: (min(t[k][0] for t in turns), min(t[k][1] for t in turns)) for k in turns[0]}


def main() -> None:
    """Time and print."""
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("--rounds", type=int, default=7)
    ask.add_argument("--before", type=Path, help="folder of another state of the code")
    ask.add_argument("--child", action="store_true", help=argparse.SUPPRESS)
    asked = ask.parse_args()
    if asked.child:
        print(json.dumps(measure(asked.rounds)))
        return
    now, then = [], []
    for _ in range(TURNS if asked.before else 1):
        now.append(in_its_own(HERE, asked.rounds))
        if asked.before:
            then.append(in_its_own(asked.before.resolve(), asked.rounds))
    before = best(then) if then else {}
    for name, (wall, processor) in best(now).items():
        line = f"{name}: {wall:.3f} s, processor {processor:.3f} s"
        if name in before:
            line += f"; before {before[name][1]:.3f} s, {before[name][1] / processor:.1f} times"
        print(line)


if __name__ == "__main__":
    main()
