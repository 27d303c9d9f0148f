"""What people wait for, in seconds of processor time: import, help, power, demo and report.

    python benchmarks/waiting.py
    python benchmarks/waiting.py --before ../older --only power

Each is done in a process of its own, so that loading counts; the package is compiled before, as
it is where it was installed. With `--before`, the folder of another state of the code, both take
turns in one run and the ratio is printed too: seconds depend on the machine and on what else it
does, ratios hardly.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).resolve().parents[1]
_POWER = "import trialkit as tk; tk.power(tk.read_trial(tk.demo_folder()), trials={}, workers=1)"
#: What is waited for → what Python is given; `{folder}` holds a copy of the demo, once it is made.
WAYS = {
    "import": ["-c", "import trialkit"],
    "help": ["-m", "trialkit", "--help"],
    "power, 1 000 trials": ["-c", _POWER.format(1000)],
    "power, 4 000 trials": ["-c", _POWER.format(4000)],
    "demo": ["-m", "trialkit", "demo", "{folder}/demo"],
    "report": ["-m", "trialkit", "report", "{folder}/demo"],
}


def spent(tree: Path, asked: list[str], folder: Path) -> float:
    """Give the processor time that one run of Python takes [s]."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    one = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    subprocess.run(
        [sys.executable, *(part.replace("{folder}", str(folder)) for part in asked)],
        env={**os.environ, **one, "PYTHONPATH": str(tree)}, check=True, capture_output=True,
        cwd=folder,
    )  # fmt: skip
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> None:
    """Time and print."""
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("--before", type=Path, help="folder of another state of the code")
    ask.add_argument("--only", default="", help="what is waited for begins with this")
    asked = ask.parse_args()
    trees = [HERE, *([asked.before.resolve()] if asked.before else [])]
    for tree in trees:  # else each process would compile all it loads where none may be kept
        subprocess.run([sys.executable, "-m", "compileall", "-q", tree / "trialkit"], check=True)
    with tempfile.TemporaryDirectory() as name:
        folders = [Path(name) / str(i) for i in range(len(trees))]
        for folder in folders:
            folder.mkdir()
        for what, given in WAYS.items():
            if not what.startswith(asked.only):
                continue
            if what == "report" and not (folders[0] / "demo").exists():
                for tree, folder in zip(trees, folders, strict=True):
                    spent(tree, WAYS["demo"], folder)
            took = [spent(tree, given, folder) for tree, folder in zip(trees, folders, strict=True)]
            line = f"{what}: {took[0]:.2f} s of processor time"
            if asked.before:
                line += f"; before {took[1]:.2f} s, {took[1] / took[0]:.1f} times"
            print(line, flush=True)


if __name__ == "__main__":
    main()
