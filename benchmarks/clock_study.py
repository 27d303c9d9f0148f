"""Count how often the room names a clock that is hours off, and how often it accuses a sound one.

Trials are invented: 3 to 8 loggers for 8 to 39 days, each in a chamber that follows its room with a
delay of 5 to 150 minutes, with a lamp and a heater of its own, records every 1 to 30 minutes, gaps,
and sensors that round to 0.1, 0.25 or 0.5 °C. The room has a daily wave, weather and doors.

    python benchmarks/clock_study.py --trials 250

In each trial one clock is put 1, 2 and 12 hours off (early or late); it counts as named only with
the right logger, the right number of hours and the right sign. Then all clocks are right, in rooms
of five kinds: felt well, felt hardly, felt not at all, doors of the chambers opened in turn, and
one chamber behind two more walls, which feels the room hours later. Last, each clock of the demo is
put 1, 2 and 12 hours late. Prints the counts with 95 %
limits (Clopper and Pearson, by scipy).
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain

import numpy as np
from scipy.signal import lfilter
from scipy.stats import binomtest

import trialkit as tk
from trialkit.logs.clocks.unrest import find_offsets

MINUTE = 60_000_000_000
START = np.datetime64("2031-01-13", "ns").astype(np.int64)

#: How much of the room's changes reach the chambers, as a range, by kind of room.
FELT = {
    "felt well": (0.5, 1.2),
    "felt hardly": (0.05, 0.2),
    "not felt": (0.0, 0.0),
    "doors in turn": (0.0, 0.0),
    "one behind walls": (0.5, 1.2),
}
KINDS = tuple(FELT)


@dataclass(frozen=True)
class Trial:
    """Loggers of one invented trial: moments [minutes] and temperatures [°C] of each."""

    moments: list[np.ndarray]
    temps: list[np.ndarray]

    @property
    def days(self) -> float:
        """Give the days from the first record to the last."""
        return (max(at[-1] for at in self.moments) - min(at[0] for at in self.moments)) / 1440

    def accused(self, *, unit: int = 0, off_h: int = 0) -> list[tuple[int, int]]:
        """Give what is found, as logger and hours, when one clock is put so many hours off."""
        times = [
            START + (moment + 60 * off_h * (k == unit)) * MINUTE
            for k, moment in enumerate(self.moments)
        ]
        found = find_offsets(times, self.temps, range(len(times)))
        return [(one.unit, one.hours) for one in found]


def follow(signal: np.ndarray, minutes: float) -> np.ndarray:
    """Follow a signal with a delay: first-order decay."""
    keep = np.exp(-1 / minutes)
    return np.asarray(lfilter([1 - keep], [1, -keep], signal))


def doors(rng: np.random.Generator, n: int, a_day: float) -> np.ndarray:
    """Open a door at no fixed hour: each lets in cold for a minute."""
    out = np.zeros(n)
    out[rng.integers(0, n, int(a_day * n / 1440))] = -rng.uniform(20, 90)
    return out


def room(rng: np.random.Generator, n: int) -> np.ndarray:
    """Give the temperature of a room, minute by minute, about its mean [°C]."""
    t = np.arange(n)
    wave = rng.uniform(0.5, 3) * np.sin(2 * np.pi * (t / 1440 - rng.uniform()))
    weather = follow(rng.normal(0, rng.uniform(10, 30), n), rng.uniform(300, 900))
    return np.asarray(wave + weather + follow(doors(rng, n, rng.uniform(2, 8)), 25))


def own(rng: np.random.Generator, n: int) -> np.ndarray:
    """Give what a chamber's own lamp and heater do to its temperature [°C]."""
    t = np.arange(n)
    lamp = (t - 60 * int(rng.integers(5, 20))) % 1440 < 60 * int(rng.integers(6, 16))
    cycle = int(rng.integers(15, 120))
    heater = (t + int(rng.integers(cycle))) % cycle < cycle * rng.uniform(0.2, 0.5)
    return np.asarray(
        follow(rng.uniform(0.5, 3) * lamp, rng.uniform(10, 60))
        + follow(rng.uniform(0, 1.5) * heater, rng.uniform(10, 40))
    )


def log(rng: np.random.Generator, temp: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Record a temperature: a step, a rounding, noise, and up to three gaps of up to a day."""
    step = int(rng.choice([1, 2, 5, 10, 15, 30]))
    at = np.arange(int(rng.integers(step)), len(temp), step)
    keep = np.ones(len(at), dtype=bool)
    for _ in range(int(rng.integers(4))):
        begin = int(rng.integers(len(temp)))
        keep &= ~((at >= begin) & (at < begin + int(rng.integers(30, 1440))))
    digit = float(rng.choice([0.1, 0.25, 0.5]))
    seen = temp[at] + rng.normal(0, rng.uniform(0.02, 0.2), len(at))
    return at[keep], (np.round(seen / digit) * digit)[keep]


def invent(rng: np.random.Generator, kind: str) -> Trial:
    """Invent a trial in a room of this kind."""
    n = 1440 * int(rng.integers(8, 40))
    shared = room(rng, n)
    visits = rng.integers(6 * 60, 20 * 60, n // 1440) + 1440 * np.arange(n // 1440)
    apart = int(rng.choice([20, 60, 120]))  # from one chamber to the next [min]
    low, high = FELT[kind]
    parts = []
    for k in range(int(rng.integers(3, 9))):
        delay = float(np.exp(rng.uniform(np.log(5), np.log(150))))
        air = follow(shared, delay)
        if kind == "one behind walls" and k == 0:
            air = follow(follow(air, 120), 120)
        temp = 15 + rng.uniform(low, high) * air + own(rng, n)
        if kind == "doors in turn":
            opened = np.zeros(n)
            opened[np.minimum(visits + apart * k, n - 1)] = -60.0
            temp = temp + follow(opened, 25)
        parts.append(log(rng, temp))
    return Trial([at for at, _ in parts], [temp for _, temp in parts])


def share(count: int, n: int) -> str:
    """Write a count of so many, its share and the share's limits."""
    limits = binomtest(count, n).proportion_ci(0.95)
    low, high = (f"{100 * v:.1f}" for v in limits)
    return f"{count:4d} of {n} ({100 * count / n:.0f} %; 95 % limits {low} to {high} %)"


def off(trials: int, seed: int) -> Iterator[str]:
    """Put one clock off, and count how often it is named, and how often another is."""
    for kind in ("felt well", "felt hardly"):
        named = {1: 0, 2: 0, 12: 0}
        wrong = long = long_named = 0
        for number in range(trials):
            rng = np.random.default_rng([seed, number, KINDS.index(kind)])
            trial = invent(rng, kind)
            is_long = len(trial.moments) >= 5 and trial.days >= 14
            unit = int(rng.integers(len(trial.moments)))
            for hours in named:
                off_h = hours if rng.random() < 0.5 else -hours
                found = trial.accused(unit=unit, off_h=off_h)
                named[hours] += (unit, off_h) in found
                long += is_long
                long_named += is_long and (unit, off_h) in found
                wrong += any(one != (unit, off_h) for one in found)
        for hours, count in named.items():
            yield f"room {kind}, one clock {hours:2d} h off: named {share(count, trials)}"
        if long:
            told = share(long_named, long)
            yield f"room {kind}, one clock off, 5 or more loggers, 14 days or more: named {told}"
        yield f"room {kind}, one clock off: another accused {share(wrong, 3 * trials)}"


def sound(trials: int, seed: int) -> Iterator[str]:
    """Leave all clocks right, and count the trials in which one is accused."""
    total = 0
    for kind in KINDS:
        count = 0
        for number in range(trials):
            rng = np.random.default_rng([seed + 1, number, KINDS.index(kind)])
            count += bool(invent(rng, kind).accused())
        total += count
        yield f"all clocks right, {kind}: accused {share(count, trials)}"
    yield f"all clocks right, together: accused {share(total, len(KINDS) * trials)}"


def demo() -> Iterator[str]:
    """Put each clock of the demo late, one at a time, and count those that are named."""
    table = tk.read_environment(tk.read_trial(tk.demo_folder())).table
    moments, temps = [], []
    for _, part in table.groupby("file", observed=True):
        ns = part["time"].dt.as_unit("ns").astype("int64").to_numpy()
        moments.append((ns - START) // MINUTE)
        temps.append(part["temp_c"].to_numpy(dtype=float))
    trial = Trial(moments, temps)
    cases = [(unit, hours) for unit in range(len(moments)) for hours in (1, 2, 12)]
    found = [trial.accused(unit=unit, off_h=hours) for unit, hours in cases]
    named = sum(case in told for case, told in zip(cases, found, strict=True))
    wrong = sum(any(one != case for one in told) for case, told in zip(cases, found, strict=True))
    yield f"demo, one clock late: named {named} of {len(cases)}, another accused {wrong}"
    yield f"demo, all clocks right: accused {len(trial.accused())} of {len(moments)}"


def main() -> None:
    """Read the arguments, run the study and print it."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--trials", type=int, default=250, help="trials of each kind")
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    begin = time.process_time()
    for line in chain(off(args.trials, args.seed), sound(args.trials, args.seed), demo()):
        print(line, flush=True)
    print(f"{time.process_time() - begin:.0f} s of computing")


if __name__ == "__main__":
    main()
