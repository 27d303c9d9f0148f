"""Does the chance stated from a pilot hold? Known truth, many pilots, six designs and more.

Each case has a pilot layout, true variances, and the trial that is planned from the pilot.
Pilots are drawn from the truth and analysed as `analyse` would; from each, the chance of an
answer and its range are stated for the planned trial. The truth is the share of positive
answers among trials simulated with the true variances and analysed with the default tests.

    python benchmarks/pilot_power.py --pilots 400 --out benchmarks/pilot_power.csv
    python benchmarks/pilot_power.py --one

Kept result: ``benchmarks/pilot_power.csv``. Columns: `true` (chance, %), `stated` (mean of the
stated chances, %), `holds` (pilots whose
range holds the truth, %; 90 intended), `too_high`, `too_low` (ranges wholly above, below, %),
`unsaid` (pilots that are said to be too small to say, %). `formula` is the closed form at the
true variances, `off` is `stated` less `true`, `range` the mean width [points], `df` that of the
mean square the comparison rests on. `six` marks the designs chosen before any was run.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from dataclasses import dataclass, replace
from math import prod
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from scipy import optimize, special, stats

import trialkit as tk
from trialkit.analysis.batches_to_come import fit_for_batches
from trialkit.analysis.terms import derive_terms
from trialkit.design.layout.units import unit_of
from trialkit.design.power.notes import cannot_be_said
from trialkit.design.power.power import _asked
from trialkit.design.power.questions import all_chances, outward
from trialkit.design.power.variation_pilot import pilot_variation
from trialkit.design.strata.comparisons import compare_in, with_counts
from trialkit.design.variation import Variation, given_variation
from trialkit.errors import ModelError

RUNS = "(batch * chamber) / shelf / block"


@dataclass(frozen=True)
class Case:
    """A pilot, the truth behind it, and the trial planned from it."""

    name: str
    structure: str
    counts: dict[str, int]
    factors: dict[str, tuple[str, int]]
    sd: dict[str, float]  # true standard deviations [% of the mean]
    planned: dict[str, int]  # counts that change
    difference: float
    margin: float
    lost: float = 0.0  # share of the pilot's blocks lost
    six: bool = True  # one of the six designs judged
    ask: str = ""
    replication: str = ""  # of the first treatment's levels
    by_batch: float = 0.0  # true standard deviation of what the treatment does by batch


USUAL = {
    "batch": 8.0, "chamber": 4.0, "batch:chamber": 6.0, "batch:chamber:shelf": 4.0,
    "batch:chamber:shelf:block": 20.0,
}  # fmt: skip
DEMO = {"batch": 4, "chamber": 6, "shelf": 2, "block": 3}
BOTH = {"schedule": ("batch:chamber", 3), "light": ("batch:chamber:shelf", 2)}


def cases() -> list[Case]:
    """Give the designs, from growers' practice."""
    nested = {"chamber": 6.0, "chamber:bag": 15.0}
    flat = {**USUAL, "batch:chamber": 0.0, "batch:chamber:shelf": 0.0}
    plain = "(batch * chamber) / block"
    run = {"batch": 8.0, "chamber": 4.0, "batch:chamber": 6.0, "batch:chamber:block": 16.0}
    kept = {"batch": 8.0, "chamber": 5.0, "batch:chamber": 5.0, "batch:chamber:block": 15.0}
    return [
        Case("4 × 6 runs, 3 schedules: two more blocks per shelf", RUNS, DEMO, BOTH, USUAL,
             {"block": 5}, 15, 12),
        Case("4 × 6 runs, 3 schedules: one more shelf", RUNS, DEMO, BOTH, USUAL,
             {"shelf": 3}, 15, 15),
        Case("3 × 4 runs, 2 schedules: 9 batches", plain,
             {"batch": 3, "chamber": 4, "block": 4}, {"schedule": ("batch:chamber", 2)}, run,
             {"batch": 9}, 12, 10),
        Case("3 + 3 chambers of 8 bags: 16 chambers", "chamber / bag", {"chamber": 6, "bag": 8},
             {"schedule": ("chamber", 2)}, nested, {"chamber": 16}, 8, 10),
        Case("4 batches × 2 chambers × 2 shelves, light: 8 batches", RUNS,
             {"batch": 4, "chamber": 2, "shelf": 2, "block": 3},
             {"schedule": ("batch:chamber", 2), "light": ("batch:chamber:shelf", 2)}, USUAL,
             {"batch": 8}, 15, 15, ask="light"),
        Case("3 × 6 runs, 2 schedules, 20 % of blocks lost: 6 batches", plain,
             {"batch": 3, "chamber": 6, "block": 4}, {"schedule": ("batch:chamber", 2)}, run,
             {"batch": 6}, 10, 10, lost=0.2),
        Case("schedule kept by 3 + 3 chambers, 3 batches: 6 batches", plain,
             {"batch": 3, "chamber": 6, "block": 4}, {"schedule": ("chamber", 2)}, kept,
             {"batch": 6}, 14, 12, six=False),
        Case("4 × 6 runs, runs and shelves alike: two more blocks", RUNS, DEMO, BOTH, flat,
             {"block": 5}, 15, 12, six=False),
        Case("3 + 3 chambers of 8 bags, hardly apart: 24 bags", "chamber / bag",
             {"chamber": 6, "bag": 8}, {"schedule": ("chamber", 2)},
             {"chamber": 2.0, "chamber:bag": 15.0}, {"bag": 24}, 8, 10, six=False),
        Case("3 + 3 chambers of 8 bags: 12 chambers, a small difference", "chamber / bag",
             {"chamber": 6, "bag": 8}, {"schedule": ("chamber", 2)}, nested,
             {"chamber": 12}, 5, 6, six=False),
        Case("3 + 3 chambers of 8 bags: 24 chambers", "chamber / bag", {"chamber": 6, "bag": 8},
             {"schedule": ("chamber", 2)}, nested, {"chamber": 24}, 9, 10, six=False),
        Case("2 × 6 runs, 8 and 4 of a schedule: 4 batches", plain,
             {"batch": 2, "chamber": 6, "block": 6}, {"schedule": ("batch:chamber", 2)}, run,
             {"batch": 4}, 15, 12, six=False, replication="s0 = 2, s1 = 1"),
        Case("4 × 6 runs, schedule × batch as runs differ: 8 batches", plain,
             {"batch": 4, "chamber": 6, "block": 4}, {"schedule": ("batch:chamber", 2)}, run,
             {"batch": 8}, 15, 12, six=False, by_batch=6.0),
    ]  # fmt: skip


def write_trial(folder: Path, case: Case) -> Any:
    """Write the pilot's trial file and read it."""
    counts = "\n".join(f"{name} = {n}" for name, n in case.counts.items())
    lines = [f"[trial]\ntitle = 'pilot'\nseed = 1\n[units]\nstructure = '{case.structure}'\n"
             + counts]  # fmt: skip
    for name, (term, levels) in case.factors.items():
        lines.append(f"[factors.{name}]\napplied_to = '{term}'")
        if case.replication and name == next(iter(case.factors)):
            lines.append(f"replication = {{ {case.replication} }}")
        lines += [f"levels.{name[0]}{i} = {{}}" for i in range(levels)]
    primary = case.ask or next(iter(case.factors))
    lines.append(f"[question]\nprimary = '{primary}'")
    folder.mkdir(parents=True)
    (folder / "trial.toml").write_text("\n".join(lines), encoding="utf-8")
    return tk.read_trial(folder)


def draw(trial: Any, case: Case, table: pd.DataFrame, rng: np.random.Generator) -> Any:
    """Draw a mean of 100 and the true variation of every kind of unit."""
    structure, counts = trial.structure, trial.counts
    n = len(trial.unit_table())
    y = np.full(n, 100.0)
    for term in structure.terms:
        unit = unit_of(structure.smallest, term, counts)
        y += case.sd[":".join(term)] * rng.standard_normal(int(unit.max()) + 1)[unit]
    if case.by_batch:
        keys = table["batch"].astype(str) + table[trial.primary.name].astype(str)
        codes, labels = pd.factorize(keys)
        y += case.by_batch * rng.standard_normal(len(labels))[codes]
    return y


def true_variation(planned: Any, case: Case) -> Variation:
    """Give the true variation of a trial, what the treatment does by batch being held apart."""
    out = given_variation(planned, case.sd)
    if not case.by_batch:
        return out
    factor = planned.primary
    home = ":".join(planned.structure.term(":".join(factor.applied_to)))
    times = prod(planned.counts[f] for f in factor.applied_to if f != "batch") / len(factor.levels)
    whole = case.sd[home] ** 2 + times * case.by_batch**2
    return replace(
        out,
        squares={**out.squares, home: (whole,) * 3},
        by_batch={home: (case.by_batch**2, times)},
    )


def judge(case: Case, folder: Path, *, pilots: int, trials: int, seed: int) -> list[dict[str, Any]]:
    """State the chance from many pilots and hold it against the truth."""
    trial = write_trial(folder, case)
    planned = with_counts(trial, case.planned)
    name = trial.question.primary
    options = {"difference_pct": case.difference, "margin_pct": case.margin, "lost": 0.0}
    variation = true_variation(planned, case)
    truth = tk.power(planned, variation=variation, method="simulation", trials=trials, seed=seed,
                     workers=1, **options).table.set_index("question")["power"]  # fmt: skip
    formula = tk.power(planned, variation=variation, method="exact", **options)
    formula = formula.table.set_index("question")["power"]
    c = compare_in(planned, name)
    wanted = _asked(planned, name, case.difference, case.margin, 0.0, 0.0, None, True)
    terms, table = derive_terms(trial), tk.assign(trial).table
    rng = np.random.default_rng(seed)
    stated: dict[str, list[tuple[float, float, float]]] = {"difference": [], "no worse": []}
    df = np.nan
    for _ in range(pilots):
        table["fresh_g"] = draw(trial, case, table, rng)
        kept = rng.random(len(table)) >= case.lost
        try:
            fit = fit_for_batches(
                trial,
                table[kept],
                random=terms.random,
                options={"response": "fresh_g", "fixed": terms.fixed},
            )
        except ModelError:
            continue
        variation = pilot_variation(planned, fit)
        df = variation.df.get(":".join(c.stratum), np.nan)
        for question, three in all_chances(c, variation, wanted, tuple(stated)).items():
            stated[question].append(three)
    rows = []
    for question, found in stated.items():
        low, middle, high = np.array(found).T
        true = float(truth[question])
        wide = [cannot_be_said(a, b) for a, b in zip(low, high, strict=True)]
        rows.append({
            "case": case.name, "question": question, "six": case.six, "df": round(df, 1),
            "pilots": len(found), "true": 100 * true, "formula": 100 * float(formula[question]),
            "stated": 100 * middle.mean(), "off": 100 * (middle.mean() - true),
            "range": 100 * (high - low).mean(),
            "holds": 100 * ((low <= true) & (true <= high)).mean(),
            "too_high": 100 * (low > true).mean(), "too_low": 100 * (high < true).mean(),
            "unsaid": 100 * np.mean(wide),
        })  # fmt: skip
    return rows


def of_one_mean_square(df: float, planned_df: int = 14) -> pd.DataFrame:
    """Give how far the mean stated chance is off where one mean square is all there is.

    By integration over the chi-square law of the pilot's mean square; the planned comparison is a
    t test on `planned_df`. `as_it_is` is the chance at the mean square itself.
    """
    u = (np.arange(1000) + 0.5) / 1000
    square = stats.chi2.ppf(u, df) / df  # over its expectation
    critical = stats.t.ppf(0.975, planned_df)

    def chance(ncp: Any) -> Any:
        both = special.nctdtr(planned_df, ncp, -critical) - special.nctdtr(
            planned_df, ncp, critical
        )
        return np.where(np.isnan(both), 1.0, 1.0 + both)

    rows = []
    for true in (0.1, 0.25, 0.4, 0.55, 0.7, 0.85, 0.95):
        ncp = optimize.brentq(lambda x, true=true: float(chance(x)) - true, 0.01, 9.0)

        def at(percentile: Any, ncp: float = ncp) -> Any:
            return chance(ncp / np.sqrt(df * square / stats.chi2.ppf(1 - percentile, df)))

        moved = np.clip(0.5 - outward(df) * (at(0.5) - 0.5), 0.05, 0.95)
        off = [100 * (float(x.mean()) - true) for x in (chance(ncp / np.sqrt(square)), at(moved))]
        rows.append({"df": df, "true": 100 * true, "as_it_is": off[0], "stated": off[1]})
    return pd.DataFrame(rows)


def main() -> None:
    """Judge all cases and write the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--pilots", type=int, default=400)
    parser.add_argument("--trials", type=int, default=10_000, help="simulated for the truth")
    parser.add_argument("--seed", type=int, default=20)
    parser.add_argument("--only", default="", help="part of a case's name")
    parser.add_argument("--out", type=Path)
    parser.add_argument("--one", action="store_true", help="one mean square, in closed form")
    asked = parser.parse_args()
    if asked.one:
        parts = [of_one_mean_square(df) for df in (3, 4, 5, 6, 9, 13, 30)]
        print(pd.concat(parts).round(1).to_string(index=False))
        return
    rows: list[dict[str, Any]] = []
    with tempfile.TemporaryDirectory() as folder:
        for i, case in enumerate(c for c in cases() if asked.only in c.name):
            start = time.process_time()
            rows += judge(case, Path(folder) / str(i), pilots=asked.pilots, trials=asked.trials,
                          seed=asked.seed)  # fmt: skip
            print(pd.DataFrame(rows[-2:]).round(1).to_string(header=i == 0, index=False))
            print(f"   {time.process_time() - start:.0f} s", flush=True)
    table = pd.DataFrame(rows).round(1)
    if asked.out:
        table.to_csv(asked.out, index=False)


if __name__ == "__main__":
    main()
