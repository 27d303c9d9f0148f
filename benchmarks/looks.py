"""Whether planned looks keep their error over the whole trial.

Whole trials are drawn, harvested batch by batch and analysed at every planned look as the analysis
does it (default tests, batch × treatment where it has to stay, 5 % of blocks lost), with the level
that the look has. A trial counts as false when any look claims any level "better" that is
equal, or any level "no worse" that loses exactly the accepted 10 %. Beside it: the same looks at
the plain 95 % each time, the end alone at 95 %, and how many batches an answer takes.

    python benchmarks/looks.py --trials 8000 --out benchmarks/looks.csv

Standard deviations in per cent of the yield: batch 10, chamber 5, run 6 (0 where said), shelf 4,
block 15. Levels nominal 2.5 %. Kept result: ``benchmarks/looks.csv``.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

import trialkit as tk
from trialkit.analysis.look_reached import effect_variance, rising_shares
from trialkit.analysis.table import level_order, told_apart
from trialkit.analysis.terms import derive_terms
from trialkit.design.layout.units import unit_of
from trialkit.design.power.by_look import average_batches, power_by_look
from trialkit.design.power.looks import comparison_after, level_at, look_plan
from trialkit.design.power.power import _asked
from trialkit.design.power.questions import critical_value, rows_against
from trialkit.design.power.ratio_tests import ratio_tests
from trialkit.design.variation import given_variation
from trialkit.errors import ModelError
from trialkit.model.batch import fit_batch
from trialkit.model.inference.crossed_effect import can_be_told, crossed_df, stands_clear
from trialkit.model.likelihood.prepare import Spec

SD = {"batch": 10.0, "chamber": 5.0, "batch:chamber": 6.0, "shelf": 4.0, "block": 15.0}
LOST = 0.05
THETA = 0.9  # 1 minus the accepted loss
PLANS = 5

HEAD = """
[trial]
title = "Looks"
seed = {seed}
[units]
{units}
flushes = 1
[factors.schedule]
applied_to = "{given}"
control = "a"
[factors.schedule.levels]
{levels}
{more}
[question]
primary = "schedule"
looks = {looks}
spend_error = "{rule}"
"""
LIGHT = """
[factors.light]
applied_to = "batch:chamber:shelf"
[factors.light.levels]
dim = {}
bright = {}
"""


@dataclass(frozen=True)
class Case:
    """One design with its looks."""

    name: str
    units: str
    given: str
    levels: str
    looks: tuple[int, ...]
    rule: str = "late"
    more: str = ""
    run: float = SD["batch:chamber"]
    part: float = 1.0  #: of the trials asked for: larger layouts take long


def crossed(batches: int, chambers: int, blocks: int = 6) -> str:
    """Batches crossed with chambers."""
    return (
        f'structure = "(batch * chamber) / block"\n'
        f"batch = {batches}\nchamber = {chambers}\nblock = {blocks}"
    )


BOX = 'structure = "batch / block"\nbatch = 8\nblock = 8'
SPLIT = (
    'structure = "(batch * chamber) / shelf / block"\nbatch = 4\nchamber = 4\nshelf = 2\nblock = 4'
)
RUN = "batch:chamber"
CASES = [
    Case("6 chambers × 4 batches, 3 schedules", crossed(4, 6), RUN, "abc", (2,), part=0.4),
    Case("6 × 4, 3 schedules", crossed(4, 6), RUN, "abc", (1, 2, 3), part=0.4),
    Case("6 × 4, 3 schedules, runs alike", crossed(4, 6), RUN, "abc", (2, 3), run=0.0, part=0.4),
    Case("6 × 4, 3 schedules", crossed(4, 6), RUN, "abc", (2, 3), "even", part=0.4),
    Case("4 chambers × 3 batches, 2 schedules", crossed(3, 4), RUN, "ab", (2,)),
    Case("4 × 3, 2 schedules", crossed(3, 4), RUN, "ab", (1, 2)),
    Case("4 × 3, 2 schedules, runs alike", crossed(3, 4), RUN, "ab", (2,), run=0.0),
    Case("4 × 3, 2 schedules", crossed(3, 4), RUN, "ab", (2,), "even"),
    Case("one box, 8 batches, 2 schedules", BOX, "batch", "ab", (4, 6)),
    Case("one box, 8 batches, 2 schedules", BOX, "batch", "ab", (4, 6), "even"),
    Case("split-plot, 4 × 4, light by shelf", SPLIT, RUN, "ab", (2, 3), more=LIGHT),
    Case("split-plot, 4 × 4, light by shelf", SPLIT, RUN, "ab", (2,), "even", more=LIGHT),
]


def read(case: Case, seed: int) -> tk.Trial:
    """Read the trial of a case; another seed draws another plan."""
    levels = "\n".join(f"{x} = {{}}" for x in case.levels)
    text = HEAD.format(
        seed=seed,
        units=case.units,
        given=case.given,
        levels=levels,
        more=case.more,
        looks=list(case.looks),
        rule=case.rule,
    )
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "trial.toml").write_text(text, encoding="utf-8")
        return tk.read_trial(folder)


def spreads(trial: tk.Trial, case: Case) -> dict[tuple[str, ...], float]:
    """Give the standard deviation of each stratum's effects."""
    out = {}
    for stratum in trial.structure.strata(trial.counts):
        name = ":".join(stratum)
        sd = SD.get(name, SD.get(stratum[-1], 0.0)) if name != RUN else case.run
        out[stratum] = sd
    return out


def draw(trial: tk.Trial, sd: dict, size: int, rng: np.random.Generator) -> np.ndarray:
    """Draw yields without any effect, mean 100."""
    counts, smallest = trial.counts, trial.structure.smallest
    n = int(np.prod([counts[f] for f in smallest]))
    y = np.full((size, n), 100.0)
    for stratum, spread in sd.items():
        unit = np.asarray(unit_of(smallest, stratum, counts))
        y += spread * rng.standard_normal((size, int(unit.max()) + 1))[:, unit]
    return y


def fits(trial: tk.Trial, table: pd.DataFrame, Y: np.ndarray):
    """Fit as the analysis does; give (rows of Y, batch of fits)."""
    terms = derive_terms(trial)
    random = list(told_apart(terms.random, table))
    given, name = trial.primary.applied_to, trial.primary.name
    everyone = np.arange(len(Y))
    df = (0, 0)
    if given != ("batch",) and table["batch"].nunique() > 1:
        df = crossed_df(table, given, "batch", name)
    if not can_be_told(df):
        return [(everyone, fit_batch(table, Y, fixed=terms.fixed, random=random))]
    term = f"batch:{name}"
    whole = fit_batch(table, Y, fixed=terms.fixed, random=[*random, term])
    clear = stands_clear(whole.prepared, whole.variances, name, term, df)
    out = []
    for chosen, more in ((~clear, []), (clear, [term])):
        if chosen.any():
            at = everyone[chosen]
            out.append((at, fit_batch(table, Y[at], fixed=terms.fixed, random=[*random, *more])))
    return out


def tested(trial: tk.Trial, batch, ratio: float) -> list[tuple[np.ndarray, ...]]:
    """Test each level's ratio to the reference; t, df, and the same of the reference's mean."""
    design, name = batch.prepared.design, trial.primary.name
    others = [x for x in design.levels if x != name]
    grid = design.grid_rows([name, *others])
    means = grid.reshape(len(design.levels[name]), -1, grid.shape[1]).mean(axis=1)
    apart = means[1:] - means[0]
    out = []
    for i in range(len(apart)):
        order = [i, *(k for k in range(len(apart)) if k != i)]
        found = ratio_tests(batch, apart[order], means[0], ratio)
        shift = 100 * (1 - ratio)  # from equal levels to a level at the ratio itself
        t = (found.estimate - shift) / found.se
        out.append((t, found.df, found.mean_t, found.mean_df, shift / found.se))
    return out


def critical(c, level: float, asked, df: np.ndarray, spread) -> np.ndarray:
    """Give joint critical values at many df by a table of some."""
    wanted = replace(asked, level=level)
    solved, rows = c.solve(spread.point(1), wanted.lost), rows_against(c, wanted.reference)
    grid = np.unique(np.concatenate([[1, 1.5, 2, 2.5, 3, 4, 5, 6, 8, 10, 14, 20, 40, 500.0]]))
    values = np.array([critical_value(solved, rows, float(v), wanted) for v in grid])
    inside = np.interp(-1 / np.maximum(df, 1e-3), -1 / grid, np.log(values))
    return np.where(df < 1, np.inf, np.exp(inside))


def chunk(trial, case, plan, size, rng, spread, asked) -> dict[str, np.ndarray]:
    """Draw trials with one pattern of losses; tell when each claim comes first, if it does."""
    sd, looks = spreads(trial, case), look_plan(trial)
    table = plan.table.drop(columns="unit").astype(str)
    kept = rng.random(len(table)) >= LOST
    Y = draw(trial, sd, size, rng)
    order = list(trial.levels["batch"])
    total = len(order)
    kinds = ("better", "no worse", "answered")
    never = total + 1
    first = {
        f"{kind}, {how}": np.full(size, never) for kind in kinds for how in ("planned", "plain")
    }
    shares: list[float] = []
    terms = derive_terms(trial)
    for count in looks.batches:
        here = kept & table["batch"].isin(order[:count]).to_numpy()
        to_come = ~table["batch"].isin(order[:count]).to_numpy()
        rows = level_order(trial, table[here].reset_index(drop=True))
        shares.append(share(trial, table, here, to_come, terms, sd) if count < total else 1.0)
        level = level_at(trial, looks, rising_shares(shares, looks))[1]
        try:
            parts = fits(trial, rows, Y[:, here])
        except ModelError:
            continue
        c = comparison_after(trial, count)
        for at, batch in parts:
            for how, used in (("planned", level), ("plain", 0.95)):
                claims = claimed(trial, batch, c, used, asked, spread)
                for kind, hit in claims.items():
                    seen = first[f"{kind}, {how}"]
                    new = at[hit & (seen[at] == never)]
                    seen[new] = count
                    if count == total and how == "plain":
                        end = first.setdefault(f"{kind}, end alone", np.full(size, never))
                        end[at[hit]] = count
    return first


def share(trial, table, here, to_come, terms, sd) -> float:
    """Give the share of information at the variances that the trials are drawn with."""
    random = told_apart(terms.random, table[here])
    if table.loc[here, "batch"].nunique() == 1:
        return 1 / trial.counts["batch"]
    rows = [
        level_order(trial, table[mask].assign(y=np.arange(float(mask.sum()))))
        for mask in (here | to_come, here)
    ]
    variances = pd.Series({":".join(s): v**2 for s, v in sd.items()})
    smallest = ":".join(trial.structure.smallest)
    variances = variances.rename({smallest: "residual"})
    spec = Spec(response="y", fixed=terms.fixed, random=tuple(random))
    whole, now = (effect_variance(trial.primary.name, frame, spec, variances) for frame in rows)
    return whole / now


def claimed(trial, batch, c, level, asked, spread) -> dict[str, np.ndarray]:
    """Say which trials claim what at a level."""
    out = {}
    for kind, ratio in (("better", 1.0), ("no worse", THETA)):
        hits, answers = [], []
        for t, df, mean_t, mean_df, shift in tested(trial, batch, ratio):
            bound = critical(c, level, asked, df, spread)
            clear = mean_t > critical(c, level, asked, mean_df, spread)
            hits.append(clear & (t > bound))
            answers.append(clear & (t + shift > bound))  # of a level that loses nothing
        out[kind] = np.any(hits, axis=0)
        if kind == "no worse":
            out["answered"] = answers[0]
    return out


def run(case: Case, trials: int, seed: int) -> dict[str, object]:
    """Run a case and sum it up."""
    began, parts, told = time.process_time(), [], []
    rng = np.random.default_rng(seed)
    for number in range(PLANS):
        trial = read(case, 100 + number)
        sd = spreads(trial, case)
        spread = given_variation(trial, {":".join(s): v for s, v in sd.items()})
        asked = _asked(trial, "schedule", None, None, 0.0, 100 * LOST, 0.95, True)
        plan = tk.assign(trial)
        told.append(power_by_look(trial, spread, asked, ("no worse",)))  # of this very plan
        left = int(trials * case.part) // PLANS
        while left > 0:
            size = min(left, 1000)  # trials that share a pattern of losses
            parts.append(chunk(trial, case, plan, size, rng, spread, asked))
            left -= size
    first = {k: np.concatenate([p[k] for p in parts]) for k in parts[0]}
    total = trial.counts["batch"]
    row: dict[str, object] = {
        "case": case.name,
        "looks_after": " ".join(map(str, (*case.looks, total))),
        "spending": case.rule,
        "trials": len(first["better, planned"]),
    }
    for kind in ("better", "no worse"):
        for how in ("planned", "plain", "end alone"):
            row[f"false_{kind}_{how}_pct".replace(" ", "_")] = round(
                100 * float((first[f"{kind}, {how}"] <= total).mean()), 2
            )
    answered = first["answered, planned"]
    row["answered_pct"] = round(100 * float((answered <= total).mean()), 1)
    row["answered_told_pct"] = round(
        100 * float(np.mean([table["by_then"].iloc[-1] for table in told])), 1
    )
    row["answered_end_alone_pct"] = round(
        100 * float((first["answered, end alone"] <= total).mean()), 1
    )
    row["batches"] = round(float(np.minimum(answered, total).mean()), 2)
    row["batches_told"] = round(
        float(np.mean([average_batches(table, "no worse") for table in told])), 2
    )
    row["cpu_s"] = round(time.process_time() - began, 1)
    return row


def main() -> None:
    """Run all cases, or those whose name holds a text."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--trials", type=int, default=8_000)
    asked.add_argument("--seed", type=int, default=11)
    asked.add_argument("--only", default="")
    asked.add_argument("--out", type=Path)
    given = asked.parse_args()
    rows = []
    for case in CASES:
        if given.only in f"{case.name}, {case.rule}, {case.looks}":
            rows.append(run(case, given.trials, given.seed))
            print(rows[-1], flush=True)
    table = pd.DataFrame(rows)
    print(table.to_string(index=False))
    if given.out is not None:
        table.to_csv(given.out, index=False)


if __name__ == "__main__":
    main()
