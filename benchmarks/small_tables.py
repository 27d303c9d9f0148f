"""Thousands of small, awkward trials, to see whether a failed test is ever shown as a result.

Draws tables such as growers end up with: chambers alone or crossed with batches, shelves in
them, lost runs and lost blocks, one to four levels, a second treatment, a covariate, separate
residual variances, rounded weights. Each is fitted and asked everything a reader may ask
(tests, coefficients, contrasts, means, differences, ratios).

    python benchmarks/small_tables.py --tables 20000 --out benchmarks/small_tables.csv
    python benchmarks/small_tables.py --level --layouts 1500

The first counts what went wrong, prints the cases and writes a line per thousand tables (kept
result: ``benchmarks/small_tables.csv``; a slice alone is repeated with ``--first``). Wrong are
an F below zero, degrees of freedom that are not positive or are infinite, a missing p without a
reason in its row and a finding, an error other than `ModelError`. The second draws null trials
and gives how often a true null is rejected among the answers that a method had to hand over, by
the method that took over.
"""

from __future__ import annotations

import argparse
import collections
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

import trialkit as tk
from trialkit.errors import ModelError
from trialkit.model.batch import fit_batch
from trialkit.model.inference.validity import HELD, NO_TEST

MODEL_SENTENCE = 40  # characters below which a refusal cannot say what and what to do
REASONS = (NO_TEST, "not estimable")
REFUSED = "refused"
SLICE = 1_000  # tables between two lines of the result
WAYS = (f"kenward-roger, {HELD}", f"containment, {HELD}", NO_TEST)


@dataclass(frozen=True)
class Small:
    """One table, the model asked of it, and the variances it was drawn with."""

    table: pd.DataFrame
    fixed: str
    random: tuple[str, ...]
    residual_by: str | None
    variances: dict[str, float]


def draw_layout(rng: np.random.Generator) -> Small:
    """Draw a layout and its model, with a response of no true effect in column ``y``."""
    kind = rng.choice(["chambers", "crossed", "crossed", "shelves"])
    levels = int(rng.choice([1, 2, 2, 2, 3, 3, 4]))
    table = _chambers(rng, levels) if kind == "chambers" else _crossed(rng, levels, str(kind))
    if rng.random() < 0.5:
        table = _lose(rng, table)
    terms = {
        "chambers": ("chamber",),
        "crossed": ("batch", "chamber", "batch:chamber"),
        "shelves": ("batch", "batch:chamber", "batch:chamber:shelf"),
    }[str(kind)]
    random = tuple(t for t in terms if rng.random() < 0.9)
    fixed = ["schedule"] if levels > 1 else []
    if kind == "shelves" and rng.random() < 0.8:
        fixed = [" * ".join([*fixed, "light"])]
    if rng.random() < 0.2:
        fixed.append("weight")
        if rng.random() < 0.5:
            key = table["batch"] + table["chamber"]
            table["weight"] = table.groupby(key)["weight"].transform("mean")
    by = None
    if rng.random() < 0.2:
        by = str(rng.choice(["chamber", "batch", "schedule", "light"]))
    variances = {t: float(rng.choice([0.0, 0.0, 0.1, 0.5, 2.0])) for t in random}
    small = Small(table, " + ".join(fixed) or "1", random, by, variances)
    y = 400 + 30 * draw_null(small, 1, rng)[0]
    table["y"] = y.round(-1) if rng.random() < 0.1 else y
    return small


def draw_null(small: Small, trials: int, rng: np.random.Generator) -> np.ndarray:
    """Draw responses without any effect, residual variance one, with the true variances."""
    Y = rng.standard_normal((trials, len(small.table)))
    for term, variance in small.variances.items():
        columns = (small.table[name] for name in term.split(":"))
        keys = np.array(["-".join(parts) for parts in zip(*columns, strict=True)], dtype=object)
        codes, labels = pd.factorize(keys)
        Y += np.sqrt(variance) * rng.standard_normal((trials, len(labels)))[:, codes]
    return Y


def _rows(cells: list[tuple[str, str, str, str, str]], rng: np.random.Generator) -> pd.DataFrame:
    names = ["batch", "chamber", "shelf", "schedule", "light"]
    table = pd.DataFrame(cells, columns=names)
    table["weight"] = rng.normal(0.0, 1.0, len(table))
    return table


def _chambers(rng: np.random.Generator, levels: int) -> pd.DataFrame:
    """Chambers of one batch, each kept at a level, with equal or unequal numbers of blocks."""
    count = int(rng.integers(max(2, levels), 9))
    held = rng.permutation(np.arange(count) % levels)
    sizes = rng.integers(1, 9, count) if rng.random() < 0.6 else [int(rng.integers(2, 7))] * count
    cells = [
        ("B0", f"T{i}", "0", f"s{held[i]}", str(rng.choice(["dim", "bright"])))
        for i in range(count)
        for _ in range(sizes[i])
    ]
    return _rows(cells, rng)


def _crossed(rng: np.random.Generator, levels: int, kind: str) -> pd.DataFrame:
    """Chambers crossed with batches, a schedule a run, two lights a run where there are shelves."""
    batches, chambers = int(rng.integers(2, 5)), int(rng.integers(2, 7))
    even = int(rng.integers(1, 5)) if rng.random() < 0.5 else 0
    cells = []
    for b in range(batches):
        held = rng.permutation(np.arange(chambers) % levels)
        for c in range(chambers):
            for shelf in range(2 if kind == "shelves" else 1):
                light = ["dim", "bright"][shelf] if kind == "shelves" else "dim"
                for _ in range(even or int(rng.integers(1, 5))):
                    cells.append((f"B{b}", f"T{c}", str(shelf), f"s{held[c]}", light))
    return _rows(cells, rng)


def _lose(rng: np.random.Generator, table: pd.DataFrame) -> pd.DataFrame:
    """Lose one to three runs, or a share of the blocks."""
    run = table["batch"] + table["chamber"]
    names = run.unique()
    if rng.random() < 0.6 and len(names) > 3:
        gone = rng.choice(names, int(rng.integers(1, min(4, len(names) - 2))), replace=False)
        keep = ~run.isin(gone)
    else:
        keep = rng.random(len(table)) > rng.uniform(0.1, 0.4)
    left = table[keep].reset_index(drop=True)
    return left if len(left) > 3 else table


def faults(small: Small) -> Iterator[str]:
    """Fit one table, ask everything, and name what should not be.

    A table that is refused with a sentence gives ``"refused"``, which is no fault.
    """
    try:
        made = tk.fit(
            small.table,
            response="y",
            fixed=small.fixed,
            random=small.random,
            residual_by=small.residual_by,
        )
    except ModelError as refused:
        if len(str(refused)) < MODEL_SENTENCE:
            yield f"fit: refused without a sentence ({refused})"
        yield REFUSED
        return
    codes = {f.code for f in made.findings if f.severity != "note"}
    for df in ("default", "kenward-roger", "satterthwaite", "containment"):
        tests = made.tests(df)
        yield from _bad_tests(tests, f"tests, {df}")
        if df == "default" and tests["p"].isna().any() and not codes & {"no_test", "aliased"}:
            yield "tests: p missing without a finding"
    yield from _bad_rows(made.coefficients, "coefficients")
    for factor, levels in made.design.levels.items():
        yield from _bad_rows(made.means(factor), f"means of {factor}")
        if len(levels) < 2:
            continue
        yield from _bad_rows(made.differences(factor), f"differences of {factor}")
        ratios = made.noninferior(factor, against=levels[0], margin_pct=10)
        yield from _bad_ratios(ratios, f"ratios of {factor}")


def _bad_tests(tests: pd.DataFrame, where: str) -> Iterator[str]:
    for row in tests.itertuples():
        if row.method in REASONS:
            if not (np.isnan(row.p) and np.isnan(row.F)):
                yield f"{where}: a p or F beside '{row.method}'"
        elif not (row.F >= 0 and 0 < row.den_df < np.inf and 0 <= row.p <= 1):
            yield f"{where}: F {row.F:.3g}, df {row.den_df:.3g}, p {row.p:.3g} ({row.method})"


def _bad_rows(rows: pd.DataFrame, where: str) -> Iterator[str]:
    for row in rows.to_dict("records"):
        if row["method"] in REASONS or row["method"] == "–":
            if not (np.isnan(row["low"]) and np.isnan(row.get("p", np.nan))):
                yield f"{where}: limits or a p beside '{row['method']}'"
            if not row.get("note", "named in the method"):
                yield f"{where}: no reason in the note"
        elif not (row["se"] > 0 and 0 < row["df"] < np.inf and 0 <= row.get("p", 0.5) <= 1):
            yield f"{where}: se {row['se']:.3g}, df {row['df']:.3g} ({row['method']})"


def _bad_ratios(rows: pd.DataFrame, where: str) -> Iterator[str]:
    for row in rows.to_dict("records"):
        if np.isfinite(row["p"]) and not 0 < row["df"] < np.inf and not row["note"]:
            yield f"{where}: p {row['p']:.3g} with df {row['df']:.3g} ({row['method']})"
        if not np.isfinite(row["p"]) and not (
            row["note"] and row["verdict"] == "not enough evidence"
        ):
            yield f"{where}: p missing, {row['verdict']} ({row['method']}, note '{row['note']}')"


def check(tables: int, seed: int, first: int = 0) -> tuple[collections.Counter[str], int]:
    """Check that many tables; give the faults by kind and how many tables were refused."""
    found: collections.Counter[str] = collections.Counter()
    refused = 0
    for k in range(first, first + tables):
        small = draw_layout(np.random.default_rng([seed, k]))
        with warnings.catch_warnings():
            warnings.simplefilter("error", RuntimeWarning)
            try:
                said = list(faults(small))
            except Exception as fault:  # anything but a ModelError is what is looked for
                said = [f"{type(fault).__name__}: {fault}"]
        refused += REFUSED in said
        for text in said:
            if text != REFUSED:
                print(f"table {k}: {text}", flush=True)
                found[text.split(":")[0]] += 1
    return found, refused


def check_in_slices(tables: int, seed: int, first: int, out: Path | None) -> pd.DataFrame:
    """Check many tables, one line of the result per slice, written as soon as it is known."""
    rows = []
    for start in range(first, first + tables, SLICE):
        many = min(SLICE, first + tables - start)
        found, refused = check(many, seed, start)
        kinds = "; ".join(f"{name} {count}" for name, count in found.items())
        rows.append(
            {"seed": seed, "first": start, "tables": many, "refused": refused,
             "faults": sum(found.values()), "kinds": kinds}
        )  # fmt: skip
        if out is not None:
            pd.DataFrame(rows).to_csv(out, index=False)
    return pd.DataFrame(rows)


def level_of_layout(small: Small, trials: int, rng: np.random.Generator) -> pd.DataFrame:
    """Test the terms of null trials on one layout; one row per term and way of testing."""
    Y = draw_null(small, trials, rng)
    batch = fit_batch(
        small.table, Y, fixed=small.fixed, random=small.random, residual_by=small.residual_by
    )
    rows = []
    for term in batch.prepared.design.term_names:
        tests = batch.tests(term)
        if not tests["num_df"].iloc[0]:
            continue
        way = tests["method"].where(tests["method"].isin(WAYS), "as the rule says")
        kind = "several residuals" if small.residual_by else "one residual"
        rejected = (tests["p"] < 0.05).astype(int)
        part = pd.DataFrame({"kind": kind, "way": way, "trials": 1, "rejected": rejected})
        rows.append(part.groupby(["kind", "way"], as_index=False).sum())
    return pd.concat(rows) if rows else pd.DataFrame()


def levels(layouts: int, trials: int, seed: int, first: int = 0) -> pd.DataFrame:
    """Give how often a true null is rejected, by the way that tested it."""
    found = []
    for k in range(first, first + layouts):
        rng = np.random.default_rng([seed, k])
        small = draw_layout(rng)
        if small.fixed == "1":
            continue
        try:
            found.append(level_of_layout(small, trials, rng))
        except ModelError:
            continue
    out = pd.concat(found).groupby(["kind", "way"]).sum()
    out["rejected_pct"] = 100 * out["rejected"] / out["trials"]
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--tables", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--first", type=int, default=0, help="number of the first table or layout")
    parser.add_argument("--out", type=Path, help="file that gets a line per slice")
    parser.add_argument("--level", action="store_true", help="null trials instead of single tables")
    parser.add_argument("--layouts", type=int, default=1_500)
    parser.add_argument("--trials", type=int, default=100, help="null trials per layout")
    options = parser.parse_args()
    if options.level:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", RuntimeWarning)
            print(levels(options.layouts, options.trials, options.seed, options.first).round(2))
        return
    made = check_in_slices(options.tables, options.seed, options.first, options.out)
    tables, refused, faulty = made[["tables", "refused", "faults"]].sum()
    print(f"{tables} tables, {refused} refused with a reason, {faulty} faults")


if __name__ == "__main__":
    main()
