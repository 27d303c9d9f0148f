"""Time `decide` on the demo's harvest (432 rows, 24 chamber runs, prices and mist logs).

    python benchmarks/decide_speed.py --rounds 7

It prints the smallest wall-clock and processor time of several rounds [s]; the first, which
loads libraries, is not counted.
"""

from __future__ import annotations

import argparse
import time

import trialkit as tk


def main() -> None:
    """Time and print."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--rounds", type=int, default=7)
    rounds = ask.parse_args().rounds
    trial = tk.read_trial(tk.demo_folder())
    logs = tk.read_harvest(trial), tk.read_environment(trial), tk.read_mist(trial)
    result = tk.analyse(trial, tk.align(trial, *logs))
    tk.decide(trial, result)
    wall, processor = [], []
    for _ in range(rounds):
        start = time.perf_counter(), time.process_time()
        tk.decide(trial, result)
        wall.append(time.perf_counter() - start[0])
        processor.append(time.process_time() - start[1])
    print(f"decide: {min(wall):.3f} s, processor {min(processor):.3f} s")


if __name__ == "__main__":
    main()
