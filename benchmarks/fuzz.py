"""Read hostile files for as long as wanted, and count what went wrong.

    python benchmarks/fuzz.py --minutes 60
    python benchmarks/fuzz.py --files 20000 --seed 7 --keep found

Every case is drawn from the seed and its number, so that one is found again by the two. The
last line is the count; the exit code is 1 where anything is not as promised in
docs/reliability.md.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from tests.fuzzing.cases import Bench
from tests.fuzzing.judging import FAULTS


def main() -> int:
    """Run cases until the time or their number is up; print the counts."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=float, default=1.0, help="time to run [min]")
    parser.add_argument("--files", type=int, help="run just so many files instead")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--first", type=int, default=0, help="number of the first case")
    parser.add_argument("--keep", type=Path, help="folder for the files that went wrong")
    given = parser.parse_args()
    counts: Counter[tuple[str, str]] = Counter()
    start, number = time.monotonic(), given.first
    with tempfile.TemporaryDirectory(prefix="fuzz-") as spare:
        bench = Bench(Path(spare), given.seed)
        try:
            while (
                number - given.first < given.files
                if given.files
                else time.monotonic() - start < 60 * given.minutes
            ):
                area, outcome = bench.run(number)
                counts[area, outcome.result] += 1
                if outcome.result in FAULTS:
                    print(f"{outcome.result}: case {number} ({area}): {outcome.detail}", flush=True)
                    if given.keep:
                        bench.keep(number, given.keep)
                number += 1
        except KeyboardInterrupt:  # what was counted so far is told
            pass
    took = time.monotonic() - start
    for (area, result), count in sorted(counts.items()):
        print(f"{area:>12}  {result:<16} {count:>8}")
    faults = {name: sum(n for (_, r), n in counts.items() if r == name) for name in FAULTS}
    told = ", ".join(f"{count} {name}" for name, count in faults.items())
    print(f"{counts.total()} files in {took:.0f} s with seed {given.seed}: {told}")
    return int(any(faults.values()))


if __name__ == "__main__":
    sys.exit(main())
