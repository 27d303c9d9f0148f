"""Thousands of small, awkward trials: is a failed test ever shown as a result?

Draws tables such as growers end up with: chambers alone or crossed with batches, shelves in
them, lost runs and lost blocks, one to four levels, a second treatment, a covariate, separate
residual variances, rounded weights. Each is fitted and asked everything a reader may ask
(tests, coefficients, contrasts, means, differences, ratios).

    python benchmarks/small_tables.py --tables 20000
    python benchmarks/small_tables.py --level --layouts 1500

The first counts what went wrong and prints the cases: an F below zero, degrees of freedom
that are not positive or are infinite, a missing p without a reason in its row and a finding,
an error other than `ModelError`. The second draws null trials and gives how often a true null
is rejected among the answers that a method had to hand over, by the method that took over.
"""

from __future__ import annotations

import argparse
import collections
import warnings
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

import trialkit as tk
from trialkit.errors import ModelError


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
    variances = {t: float(rng.choice([0.0, 0.0, 0.1, 0.5, 2.0])) for t in terms}
    small = Small(table, " + ".join(fixed) or "1", random, by, variances)
    y = 400 + 30 * draw_null(small, 1, rng)[0]
    table["y"] = y.round(-1) if rng.random() < 0.1 else y
    return small


def draw_null(small: Small, trials: int, rng: np.random.Generator) -> np.ndarray:
    """Draw responses without any effect, residual variance one, with the true variances."""
    Y = rng.standard_normal((trials, len(small.table)))
    for term, variance in small.variances.items():
        keys = small.table[term.split(":")].agg("-".join, axis=1)
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
