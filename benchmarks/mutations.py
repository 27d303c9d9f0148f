"""Would the tests notice? Small faults are put into the code one at a time, and the tests run.

A fault is a changed comparison, sign, number, condition or default. A fault that no test notices is
a survivor: a test is missing, or the fault changes nothing that can be seen (an equivalent one;
these are listed with the reason in `mutations_equivalent.toml`).

    python benchmarks/mutations.py decision model --sample 30 --seed 1
    python benchmarks/mutations.py logs/harvest logs/mist --sample 10

First the tests of each package run once under coverage, to learn which test reaches which line and
how long it takes (`--keep` keeps that in a folder until the package or its tests change); then each
fault is tried in a copy of the package with just those tests, the quickest first, up to the first
that fails. Prints one line a fault and the share noticed; `--out` appends them to a CSV.

The limit is of processor time, so that a busy machine judges as an idle one does.
"""

from __future__ import annotations

import argparse
import ast
import compileall
import copy
import csv
import importlib
import math
import multiprocessing
import os
import random
import resource
import shutil
import signal
import sys
import tempfile
import time
import tomllib
from dataclasses import dataclass, field
from pathlib import Path

from mutation_reach import ROOT, environment, learn, naming, tests_of

EQUIVALENT = Path(__file__).with_name("mutations_equivalent.toml")

#: So many tests are tried in a fork without a fault, to see that a fork can run them at all.
_TRIED_FIRST = 30

#: A fault is given so many times its processor time by the clock.
_WAITED = 15

COMPARE = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq, ast.NotEq: ast.Eq, ast.In: ast.NotIn, ast.NotIn: ast.In,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is,
}  # fmt: skip
ARITHMETIC = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult, ast.Mod: ast.Mult, ast.Pow: ast.Mult,
}  # fmt: skip


@dataclass(frozen=True)
class Fault:
    """One change to one file: which node in the order of the walk, and how."""

    path: Path
    line: int
    lines: range  # of the statement it stands in: coverage may count any of them
    index: int
    kind: str
    shown: str
    whole: str = field(repr=False)  # text of the file, as it was when the run began

    @property
    def name(self) -> str:
        """Name the fault by its text, so that it is found again when lines move."""
        return f"{self.path.relative_to(ROOT).as_posix()}: {self.shown}"


def changes(node: ast.AST) -> list[tuple[str, ast.AST]]:
    """List what can be changed at a node, each as a new node."""
    out: list[tuple[str, ast.AST]] = []
    new = copy.deepcopy(node)
    if isinstance(new, ast.Compare) and len(new.ops) == 1 and type(new.ops[0]) in COMPARE:
        new.ops = [COMPARE[type(new.ops[0])]()]
        out.append(("comparison", new))
    elif isinstance(new, ast.BinOp) and type(new.op) in ARITHMETIC:
        text = any(isinstance(s, ast.JoinedStr) or (isinstance(s, ast.Constant) and
                   isinstance(s.value, str)) for s in ast.walk(new))  # fmt: skip
        if not text:
            new.op = ARITHMETIC[type(new.op)]()
            out.append(("arithmetic", new))
    elif isinstance(new, ast.BoolOp):
        new.op = ast.Or() if isinstance(new.op, ast.And) else ast.And()
        out.append(("and/or", new))
    elif isinstance(new, ast.UnaryOp) and isinstance(new.op, ast.Not | ast.USub | ast.Invert):
        out.append(("sign or not", new.operand))
    elif isinstance(new, ast.Constant) and type(new.value) in (int, float):
        new.value = new.value + 1 if isinstance(new.value, int) else new.value * 1.1 + 0.01
        out.append(("number", new))
    elif isinstance(new, ast.Constant) and isinstance(new.value, bool):
        new.value = not new.value
        out.append(("truth value", new))
    elif isinstance(new, ast.If | ast.IfExp):
        new.test = ast.UnaryOp(ast.Not(), new.test)
        out.append(("condition", new))
    return out


def skipped(node: ast.AST) -> bool:
    """Say whether a part of the code is not what the tests are about."""
    if isinstance(node, ast.Raise | ast.JoinedStr | ast.Import | ast.ImportFrom | ast.Assert):
        return True
    return isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test)


def faults_of(path: Path) -> list[Fault]:
    """List every fault that can be put into a file."""
    found = []
    whole = path.read_text(encoding="utf-8")
    tree = ast.parse(whole)
    lines = lines_of_statements(tree)
    for index, (node, parent) in enumerate(walk(tree)):
        for kind, new in changes(node):
            line = getattr(node, "lineno", 0)
            if kind == "condition":
                shown = f"not ({ast.unparse(node.test)})"
            else:
                shown = f"{ast.unparse(node)} -> {ast.unparse(new)} in {ast.unparse(parent)[:90]}"
            near = lines.get(id(node), range(line, line + 1))
            found.append(Fault(path, line, near, index, kind, " ".join(shown.split()), whole))
    return found


def lines_of_statements(tree: ast.AST) -> dict[int, range]:
    """Give for each node the lines of its statement, without those of a body below it."""
    out: dict[int, range] = {}

    def visit(node: ast.AST, lines: range) -> None:
        if isinstance(node, ast.stmt):
            body = getattr(node, "body", None)
            end = body[0].lineno - 1 if body else node.end_lineno or node.lineno
            lines = range(node.lineno, max(end, node.lineno) + 1)
        out[id(node)] = lines
        for child in ast.iter_child_nodes(node):
            visit(child, lines)

    visit(tree, range(0))
    return out


def walk(tree: ast.AST) -> list[tuple[ast.AST, ast.AST]]:
    """Walk the statements and expressions that count, each with what it stands in."""
    out: list[tuple[ast.AST, ast.AST]] = []

    def visit(node: ast.AST, parent: ast.AST) -> None:
        if skipped(node):
            return
        out.append((node, parent))
        for name, value in ast.iter_fields(node):
            if name in ("annotation", "returns", "decorator_list", "type_comment"):
                continue
            for child in value if isinstance(value, list) else [value]:
                if isinstance(child, ast.AST):
                    visit(child, node)

    visit(tree, tree)
    return out


def broken(fault: Fault) -> str:
    """Give the text of the file with the fault in it."""
    tree = ast.parse(fault.whole)
    nodes = walk(tree)
    target, _ = nodes[fault.index]
    new = next(new for kind, new in changes(target) if kind == fault.kind)

    class Swap(ast.NodeTransformer):
        def visit(self, node: ast.AST) -> ast.AST:
            return new if node is target else self.generic_visit(node)

    return ast.unparse(ast.fix_missing_locations(Swap().visit(tree)))


def is_noticed(fault: Fault, nodes: list[str], work: Path, limit: float) -> str:
    """Run the tests on a copy with the fault: ``killed``, ``survived`` or ``timed out``."""
    target = work / "copy" / fault.path.relative_to(ROOT)
    target.write_text(broken(fault), encoding="utf-8")
    try:
        return outcome(nodes, work, limit)
    finally:
        target.write_text(fault.whole, encoding="utf-8")


def outcome(nodes: list[str], work: Path, limit: float) -> str:
    """Run tests on the copy as it stands, and say how they end."""
    args = (work / "copy", nodes, limit)
    done = multiprocessing.get_context("fork").Process(target=_run_tests, args=args)
    done.start()
    done.join(_WAITED * limit)  # of what waits without working
    if done.is_alive():
        os.killpg(done.pid, signal.SIGKILL)
        done.join()
        return "timed out"
    if done.exitcode == -signal.SIGXCPU:
        return "timed out"
    return "survived" if done.exitcode == 0 else "killed"


def preload() -> None:
    """Import the large libraries once: each fault is tried in a fork, which has them already."""
    os.environ |= environment(ROOT)
    for name in ("numpy", "pandas", "scipy.stats", "scipy.signal", "scipy.optimize",
                 "matplotlib.figure", "pyarrow.parquet", "dask.dataframe", "pytest",
                 "hypothesis"):  # fmt: skip
        try:
            importlib.import_module(name)
        except ImportError:  # not needed by every package; the tests then say what is missing
            continue


def _run_tests(copy_root: Path, nodes: list[str], limit: float) -> None:
    """Run tests on the copy, in a process of its own that has none of trialkit imported yet."""
    import pytest

    os.setpgrp()
    resource.setrlimit(resource.RLIMIT_CPU, (math.ceil(limit), math.ceil(limit) + 5))
    os.chdir(copy_root)
    os.environ |= environment(copy_root)
    sys.path[:] = [str(copy_root), *(p for p in sys.path if Path(p or ".").resolve() != ROOT)]
    quiet = os.open(os.devnull, os.O_WRONLY)
    os.dup2(quiet, 1)
    os.dup2(quiet, 2)
    wanted = ["-n", "0", "-x", "-q", "-p", "no:cacheprovider", "--no-header"]
    wanted += ["-W", "ignore::pytest.PytestAssertRewriteWarning"]  # of what is preloaded
    os._exit(int(pytest.main([*wanted, *nodes])))


def try_package(package: str, args: argparse.Namespace, writer: csv.DictWriter | None) -> str:
    """Try a sample of faults in one package and say how many were noticed."""
    root = ROOT / "trialkit" / package
    paths = sorted(root.rglob("*.py")) if root.is_dir() else [root.with_suffix(".py")]
    known = {}
    if EQUIVALENT.exists():
        known = tomllib.loads(EQUIVALENT.read_text(encoding="utf-8")).get("equivalent", {})
    faults = [fault for path in paths for fault in faults_of(path)]
    files, names = {str(p.relative_to(ROOT).as_posix()) for p in paths}, {f.name for f in faults}
    for name in known:
        if name.split(": ")[0] in files and name not in names:
            print(f"listed as equivalent, but no fault of today: {name}", flush=True)
    chosen = random.Random(args.seed).sample(faults, min(args.sample, len(faults)))
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    before = used.ru_utime + used.ru_stime
    counts = {"killed": 0, "survived": 0, "timed out": 0, "equivalent": 0}
    with tempfile.TemporaryDirectory() as folder:
        work = Path(folder)
        reach, seconds = learn(package, work, args.keep)
        for name in ("trialkit", "tests", "data", "notebooks", "docs", "benchmarks"):
            shutil.copytree(ROOT / name, work / "copy" / name)
        for name in ("pyproject.toml", "README.md", "DEVELOPERS.md", "CHANGELOG.md"):
            shutil.copy(ROOT / name, work / "copy" / name)
        compileall.compile_dir(work / "copy" / "trialkit", quiet=2)
        quickest = sorted(seconds, key=seconds.__getitem__)[:_TRIED_FIRST]
        if outcome(quickest, work, 4 * args.limit) != "survived":
            sys.exit(f"the tests of {package} do not pass in a fork; no fault can be judged")
        for fault in chosen:
            lines = reach.get(str(fault.path), {})
            nodes = {c for line in fault.lines for c in lines.get(line, [])}
            reached = bool(nodes)
            if "" in nodes:  # done on import or in a fixture: what reaches the file may notice it
                nodes = {c for contexts in lines.values() for c in contexts}
                named = naming(fault.path, package)
                nodes |= {node for node in seconds if node.split("::")[0] in named}
            ordered = sorted(nodes - {""}, key=lambda node: seconds.get(node, 0.0))
            start = time.perf_counter()
            if fault.name in known:
                said = "equivalent"
            elif not reached:
                said = "survived"
            else:
                said = is_noticed(fault, ordered or tests_of(package), work, args.limit)
            counts[said] += 1  # out of time is no proof: a busy machine is slow too
            spent = time.perf_counter() - start
            print(f"{said:10} {fault.line:4} {fault.name} ({len(ordered)} tests, {spent:.0f} s)",
                  flush=True)  # fmt: skip
            if writer is not None:
                writer.writerow({"package": package, "line": fault.line, "fault": fault.name,
                                 "result": said, "reason": known.get(fault.name, "")})  # fmt: skip
    judged = counts["killed"] + counts["survived"]
    share = 100 * counts["killed"] / judged if judged else float("nan")
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return (f"{package}: {counts['killed']} of {judged} noticed ({share:.0f} %), "
            f"{counts['timed out']} out of time and not judged (try again with a larger "
            f"--limit), {counts['equivalent']} equivalent, of {len(faults)} possible; "
            f"{used.ru_utime + used.ru_stime - before:.0f} s of processor time")  # fmt: skip


def main() -> None:
    """Read the arguments and try each package."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("packages", nargs="+", help="packages or modules below trialkit/")
    parser.add_argument("--sample", type=int, default=30, help="faults in each package")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--limit", type=float, default=150.0, help="seconds of processor time for one fault"
    )
    parser.add_argument("--keep", type=Path, help="folder for which test reaches which line")
    parser.add_argument("--out", type=Path, help="CSV to append to")
    args = parser.parse_args()
    said = []
    preload()
    file = args.out.open("a", newline="", encoding="utf-8") if args.out else None
    writer = None
    if file is not None:
        writer = csv.DictWriter(file, ["package", "line", "fault", "result", "reason"])
        if file.tell() == 0:
            writer.writeheader()
    for package in args.packages:
        said.append(try_package(package, args, writer))
        print(said[-1], flush=True)
    if file is not None:
        file.close()
    print("\n".join(["", *said]))


if __name__ == "__main__":
    main()
