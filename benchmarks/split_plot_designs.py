"""Plans for settings on whole units and on the units within them, beside a general design library.

    python -m pip install pyoptex    # not needed by trialkit
    python benchmarks/split_plot_designs.py [--starts 12] [--out benchmarks/split_plot_designs.csv]

Five problems: some settings are given to whole units (chamber runs), the others to units within
them (shelves); the full surface of second order; five steps of each setting; no units with today's
settings, as the library knows no such thing. Both search from the same number of random starts,
for the average prediction variance and for the determinant. Both plans are scored here by the same
formulas, written out apart from either. Prints each problem with both scores and the efficiency of
trialkit's plan against the library's (the ratio of average variances, or of determinants to the
power one over the terms): above 1, trialkit's plan knows more.
"""

from __future__ import annotations

import argparse
import itertools
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from trialkit.arrays import Floats
from trialkit.design.points.criteria import Criterion
from trialkit.design.points.search import find_points
from trialkit.settings.setting_range import SettingRange

STEPS = (-1.0, -0.5, 0.0, 0.5, 1.0)


@dataclass(frozen=True)
class Problem:
    """So many settings on whole units, and on the units within."""

    name: str
    whole: int
    within: int
    units: int
    size: int
    ratio: float

    @property
    def count(self) -> int:
        """How many settings there are."""
        return self.whole + self.within


PROBLEMS = (
    Problem("mist on 8 runs, light on 2 shelves of each", 1, 1, 8, 2, 1.0),
    Problem("mist on 12 runs, light on 3 shelves of each", 1, 1, 12, 3, 2.0),
    Problem("mist on 24 runs, light on 2 shelves of each", 1, 1, 24, 2, 0.5),
    Problem("mist on 8 runs, light and hours on 4 shelves of each", 1, 2, 8, 4, 1.0),
    Problem("mist and air on 12 runs, light on 2 shelves of each", 2, 1, 12, 2, 1.0),
)


def main() -> None:
    """Search all problems both ways, print the table, and write it if asked."""
    reader = argparse.ArgumentParser(description=__doc__)
    reader.add_argument("--starts", type=int, default=12)
    reader.add_argument("--out", type=Path)
    asked = reader.parse_args()
    rows = [
        _compare(problem, criterion, asked.starts)
        for problem in PROBLEMS
        for criterion in ("average variance", "determinant")
    ]
    table = pd.DataFrame(rows).round(4)
    print(table.to_string(index=False))
    if asked.out:
        table.to_csv(asked.out, index=False, lineterminator="\n")


def _compare(problem: Problem, criterion: Criterion, starts: int) -> dict[str, object]:
    found = [search(problem, criterion, starts) for search in (_search, _search_by_library)]
    scores = [_score(problem, criterion, coded) for coded in found]
    return {
        "problem": problem.name,
        "criterion": criterion,
        "trialkit": scores[0],
        "library": scores[1],
        "efficiency": scores[1] / scores[0],
    }


def _search(problem: Problem, criterion: Criterion, starts: int) -> Floats:
    n = problem.units * problem.size
    whole = np.repeat(np.arange(problem.units), problem.size)
    settings = [SettingRange(f"x{i}", -1, 1, 0, steps=STEPS) for i in range(problem.count)]
    groups = [whole] * problem.whole + [np.arange(n)] * problem.within
    planning = [({"run": problem.ratio}, 1.0)]
    found = find_points(
        settings,
        groups,
        {"run": whole},
        planning,
        criterion=criterion,
        usual_units=0,
        starts=starts,
        seed=1,
    )
    return found.coded


def _search_by_library(problem: Problem, criterion: Criterion, starts: int) -> Floats:
    from pyoptex._seed import set_seed
    from pyoptex.doe.fixed_structure import Factor
    from pyoptex.doe.fixed_structure.splitk_plot import (
        Plot,
        create_parameters,
        create_splitk_plot_design,
        default_fn,
    )
    from pyoptex.doe.fixed_structure.splitk_plot.metric import Dopt, Iopt
    from pyoptex.utils.model import model2Y2X, partial_rsm_names

    set_seed(1)
    small, large = Plot(level=0, size=problem.size), Plot(1, problem.units, problem.ratio)
    places = [large] * problem.whole + [small] * problem.within
    names = [f"x{i}" for i in range(problem.count)]
    factors = [
        Factor(name, place, type="continuous", min=-1, max=1, levels=list(STEPS))
        for name, place in zip(names, places, strict=True)
    ]
    model = partial_rsm_names(dict.fromkeys(names, "quad"))
    metric = Dopt() if criterion == "determinant" else Iopt(complete=True)
    params = create_parameters(factors, default_fn(factors, metric, model2Y2X(model, factors)))
    table, _ = create_splitk_plot_design(params, n_tries=starts)
    return table[names].to_numpy(dtype=float)


def _score(problem: Problem, criterion: Criterion, coded: Floats) -> float:
    """Score a plan: moments of the square by hand, the covariance written out."""
    n, k = coded.shape
    pairs = list(itertools.combinations(range(k), 2))
    powers = [(0,) * k]
    powers += [tuple(int(i == j) for j in range(k)) for i in range(k)]
    powers += [tuple(2 * int(i == j) for j in range(k)) for i in range(k)]
    powers += [tuple(int(j in pair) for j in range(k)) for pair in pairs]
    X = np.column_stack([np.prod(coded ** np.array(p), axis=1) for p in powers])
    run = np.repeat(np.arange(problem.units), problem.size)
    assert all(
        len(np.unique(coded[run == r, : problem.whole], axis=0)) == 1 for r in range(problem.units)
    )
    V = np.eye(n) + problem.ratio * (run[:, None] == run[None, :])
    cov = np.linalg.inv(X.T @ np.linalg.inv(V) @ X)
    if criterion == "determinant":
        return float(np.linalg.det(cov) ** (1 / len(powers)))
    moment = {0: 1.0, 1: 0.0, 2: 1 / 3, 3: 0.0, 4: 1 / 5}  # of one setting, even from -1 to 1
    M = [
        [np.prod([moment[a + b] for a, b in zip(p, q, strict=True)]) for q in powers]
        for p in powers
    ]
    return float(np.trace(cov @ np.array(M)))


if __name__ == "__main__":
    main()
