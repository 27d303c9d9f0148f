"""Which test reaches which line of a package, and how long it takes: what `mutations.py` asks.

It is learnt by running the tests of the package once under coverage.
"""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[1]

#: Tests that speak for a package, beside those in the folder of its name.
TESTS = {
    "air": ["tests/test_air.py", "tests/test_air_sensors.py"],
    "light": ["tests/test_light.py", "tests/test_light_factors.py"],
    "chamber": ["tests/chamber", *(f"tests/test_chamber_{n}.py" for n in
                ("around", "balance", "by_hand", "drops", "figures", "foresee", "identify", "plan",
                 "supply", "roomfit", "ranges", "parts", "course", "rig", "settled", "rooms",
                 "allowances", "borders"))],
    "decision": ["tests/decision", "tests/analysis/test_dose.py"],
    # without the slow ones, which copy the package, write the demo or throw any bytes at a reader
    "alignment": [f"tests/alignment/test_{n}.py" for n in
                  ("align", "carriers", "checks_by_hand", "kernel", "mist", "delivered", "pooled",
                   "slow_readings", "open_checks")],
    "logs": ["tests/logs/text", "tests/logs/harvest", "tests/logs/mapping", "tests/logs/clocks",
             "tests/logs/climate", "tests/logs/mist", "tests/logs/test_nasty_files.py",
             "tests/logs/test_ledger.py", "tests/logs/test_units.py", "tests/logs/test_cache.py",
             "tests/logs/shapes", "tests/logs/test_dates_alone.py", "tests/logs/test_gaps.py",
             "tests/logs/test_head_units.py", "tests/logs/test_same_bytes.py",
             "tests/logs/test_two_columns_one_chamber.py",
             *(f"tests/logs/test_{n}_by_hand.py"
               for n in ("time_column", "file_zone", "ledger", "row_origins", "humidity",
                         "never_kept", "head_units", "opening")),
             "tests/alignment/test_large_logs.py"],
    "design": ["tests/design", "tests/lived/test_dated.py", "tests/lived/test_told.py",
               "tests/test_range_error.py"],
}  # fmt: skip


def tests_of(package: str) -> list[str]:
    """Name the tests that speak for a package: files of the default run, and its examples."""
    given = TESTS.get(package, [f"tests/{package}", f"tests/test_{package}.py"])
    given = [*given, f"trialkit/{package}", f"trialkit/{package}.py"]
    return [name for name in given if (ROOT / name).exists()]


def naming(path: Path, package: str) -> set[str]:
    """Give the test files that name a module: a test of a constant runs no line of it."""
    module = ".".join(path.relative_to(ROOT).with_suffix("").parts)
    found = [ROOT / name for name in tests_of(package) if name.startswith("tests")]
    files = [f for p in found for f in (sorted(p.rglob("test_*.py")) if p.is_dir() else [p])]
    return {f.relative_to(ROOT).as_posix() for f in files if module in f.read_text("utf-8")}


def environment(package_root: Path) -> dict[str, str]:
    """Give an environment in which a copy of the package is the one imported."""
    quiet = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "PYTHONDONTWRITEBYTECODE": "1"}
    return {**os.environ, **quiet, "PYTHONPATH": str(package_root)}


Reach = dict[str, dict[int, list[str]]]


def learn(package: str, work: Path, keep: Path | None) -> tuple[Reach, dict[str, float]]:
    """Give the tests that reach each file and line, and the seconds they take, as kept or anew."""
    kept = None if keep is None else keep / f"{package.replace('/', '_')}-{mark_of(package)}.json"
    if kept is not None and kept.exists():
        found = json.loads(kept.read_text(encoding="utf-8"))
        reach, seconds = found["reach"], found["seconds"]
    else:
        reach, seconds = run_covered(package, work)
        if kept is not None:
            kept.parent.mkdir(parents=True, exist_ok=True)
            kept.write_text(json.dumps({"reach": reach, "seconds": seconds}), encoding="utf-8")
    lines = {
        str(ROOT / name): {int(line): nodes for line, nodes in found.items()}
        for name, found in reach.items()
    }
    return lines, seconds


def mark_of(package: str) -> str:
    """Mark the text of a package and of its tests, by which what was learnt is kept."""
    paths = [ROOT / name for name in tests_of(package)]
    files = {f for p in paths for f in (p.rglob("*.py") if p.is_dir() else [p])}
    texts = "".join(f"{f.relative_to(ROOT)}\n{f.read_text('utf-8')}" for f in sorted(files))
    return hashlib.sha256(texts.encode()).hexdigest()[:16]


def run_covered(
    package: str, work: Path
) -> tuple[dict[str, dict[str, list[str]]], dict[str, float]]:
    """Run the tests once under coverage: file → line → the tests that reach it, and seconds."""
    setup = work / "coverage.ini"
    data = work / "coverage.data"
    setup.write_text(
        f"[run]\ndata_file = {data}\ninclude =\n trialkit/{package}/**\n trialkit/{package}.py\n"
    )
    run = [sys.executable, "-m", "coverage", "run", f"--rcfile={setup}", "-m", "pytest", "-n", "0"]
    run += ["-q", "-p", "mutation_contexts", "-p", "no:cacheprovider", *tests_of(package)]
    times = work / "seconds.json"
    env = {**environment(ROOT), "MUTATION_SECONDS": str(times)}
    env["PYTHONPATH"] += os.pathsep + str(Path(__file__).parent)  # for the plug-in
    done = subprocess.run(run, cwd=ROOT, env=env, capture_output=True, text=True)
    if done.returncode:
        sys.exit(f"the tests of {package} do not pass:\n{done.stdout[-3000:]}")
    out = work / "coverage.json"
    subprocess.run(
        [sys.executable, "-m", "coverage", "json", f"--rcfile={setup}", "--show-contexts", "-q",
         "-o", str(out)], cwd=ROOT, check=True, capture_output=True,
    )  # fmt: skip
    files = json.loads(out.read_text())["files"]
    reach = {name: found["contexts"] for name, found in files.items()}
    return reach, json.loads(times.read_text(encoding="utf-8"))
