"""Trials in one box, whose schedules follow one another: level, cover and width of the limits.

Each cell draws orders of two schedules over the starts as `trialkit plan` would, adds noise
between starts and between blocks, and a drift, and analyses every trial by the default tests of
the model that the layout calls for. Counted are false claims on each side where the schedules
do not differ, false "no worse" where one truly loses the accepted loss (10 %), how often the limits
hold the true difference, and how wide they are. One trial of each cell also goes through
`trialkit.analyse`, and the script stops where the two disagree.

    python benchmarks/one_box.py --trials 20000 --out benchmarks/one_box.csv

With ``--detectable`` it asks instead whether the loss that `trialkit power` says can be told from
none, 8 times in 10, is told so often: the drift is the one that was planned with.

    python benchmarks/one_box.py --detectable --out benchmarks/one_box_detectable.csv

Kept results: ``benchmarks/one_box.csv``, ``benchmarks/one_box_detectable.csv``.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from functools import lru_cache
from pathlib import Path

import numpy as np
import pandas as pd

import trialkit as tk
from trialkit.alignment.measures import ExposureSettings
from trialkit.alignment.result import Aligned
from trialkit.analysis.terms import derive_terms
from trialkit.design.layout.chance import Draws
from trialkit.design.layout.procedure import draw_plan, plan_table
from trialkit.design.power.changes import what_changes_buy
from trialkit.design.power.drift import planned_drift, straight
from trialkit.design.power.ratio_tests import ratio_tests
from trialkit.model.batch import fit_batch
from trialkit.model.inference.tails import t_quantile
from trialkit.trial.over_time import with_starts

WAYS = ("random", "trend", "time blocks")
BLOCKS, MARGIN, LEVEL = 6, 10.0, 0.95
DRAWN, MOST_ORDERS = 1_500, 150  # plans drawn, and distinct ones used where there are more
#: Standard deviations in per cent of the mean: between starts (batch and run), between blocks.
NOISE = {"little": (5.0, 12.0), "usual": (10.0, 20.0), "much": (19.2, 30.0)}
TEXT = """
[trial]
title = "one box"
[units]
structure = "(batch * chamber) / block"
batch = {starts}
chamber = {chambers}
block = {blocks}
over_time = "{way}"
[factors.schedule]
applied_to = "batch:chamber"
control = "usual"
levels.usual = {{}}
levels.sparse = {{}}
[question]
primary = "schedule"
"""


def make_trial(starts, way, chambers=1):
    with tempfile.TemporaryDirectory() as folder:
        text = TEXT.format(starts=starts, way=way, chambers=chambers, blocks=BLOCKS)
        Path(folder, "trial.toml").write_text(text, encoding="utf-8")
        return tk.read_trial(folder)


def course(kind, starts):
    """Give the yield at each start, but for chance [%]."""
    if kind == "none":
        return np.zeros(starts)
    if kind == "30 % straight":
        return straight(starts, 30.0)
    if kind == "30 % with a bend":
        return planned_drift(starts, 30.0)
    if kind == "15 % with a bend":
        return planned_drift(starts, 15.0)
    return 30.0 * np.sin(np.pi * np.linspace(0.0, 1.0, starts))  # out and back


def start_numbers(trial, table):
    place = {name: i for i, name in enumerate(trial.levels["batch"])}
    return table["batch"].map(place).to_numpy()


def drawn(trial, table, drift, noise, size, rng):
    """Draw responses with equal means of the schedules; shape (size, rows)."""
    number = start_numbers(trial, table)
    between, within = noise
    starts = rng.normal(0, between, (size, trial.counts["batch"]))
    drift = drift - drift.mean()  # all is in per cent of the mean yield
    return 100 + (drift + starts)[:, number] + rng.normal(0, within, (size, len(table)))


def rows_of(batch):
    """Give the rows of sparse minus usual, and of usual, in the middle of the trial."""
    design = batch.prepared.design
    grid = pd.DataFrame({"schedule": ["sparse", "usual"], "start_no": [0.0, 0.0]}).astype(
        {"schedule": pd.CategoricalDtype(["usual", "sparse"])}
    )
    top, bottom = np.asarray(design.rows(grid), dtype=float)
    return (top - bottom)[None], bottom


@lru_cache(maxsize=64)
def orders_of(starts, way):
    """Give plans drawn by the trial's own procedure: each order once where they are few."""
    trial, draws, found = make_trial(starts, way), Draws(1), {}
    for _ in range(DRAWN):
        table = plan_table(trial, draw_plan(trial, draws))
        found.setdefault(tuple(table["schedule"]), table)
    return list(found.values())[:MOST_ORDERS]


def analysed(trial, drift, noise, *, trials, seed, theta):
    """Analyse trials of every order; give one row per trial."""
    rng, out = np.random.default_rng(seed), []
    terms = derive_terms(trial)
    plans = orders_of(trial.counts["batch"], trial.over_time)
    for number, table in enumerate(plans):
        table = with_starts(trial, table).astype(
            {"schedule": pd.CategoricalDtype(["usual", "sparse"])}
        )
        y = drawn(trial, table, drift, noise, -(-trials // len(plans)), rng)
        random = list(dict.fromkeys(alone(term) for term in terms.random))
        batch = fit_batch(table, y, fixed=terms.fixed, random=random)
        apart, bottom = rows_of(batch)
        answers = batch.answers(apart[:, batch.prepared.design.kept], "default", joint=False)
        gap, se, df = (
            np.concatenate([part(a) for a in answers])
            for part in (
                lambda a: a.estimate[:, 0],
                lambda a: np.sqrt(a.cov[:, 0, 0]),
                lambda a: a.df[:, 0],
            )
        )
        reach = t_quantile(LEVEL, df)
        ratio = ratio_tests(batch, apart, bottom, theta)
        found = pd.DataFrame({"gap": gap, "se": se, "df": df, "reach": reach * se})
        found["ratio_estimate"], found["ratio_se"] = ratio.estimate, ratio.se
        found["ratio_reach"] = t_quantile(LEVEL, ratio.df)
        found["clear"] = ratio.mean_t > t_quantile(LEVEL, ratio.mean_df)
        out.append(found)
        if number == 0:
            check(trial, table, y[0], found.iloc[0])
    return pd.concat(out, ignore_index=True)


def alone(term):
    """Drop the one chamber from a random term, as the analysis does."""
    return ":".join(name for name in term.split(":") if name != "chamber")


def check(trial, table, y, found):
    """Hold a batch's row equal to the ordinary analysis."""
    plain = table.drop(columns=[c for c in ("start_no", "time_block") if c in table])
    plain = plain.assign(fresh_g=y, flush=1, status="ok", days=9.0)
    data = Aligned(
        table=plain,
        runs=pd.DataFrame(),
        sensors=pd.DataFrame(),
        fidelity=pd.DataFrame(),
        findings=(),
        settings=ExposureSettings(),
        trial=trial,
    )
    row = tk.analyse(trial, data).differences["schedule"].iloc[0]
    same = np.allclose(
        [row["estimate"], row["se"], row["df"]], found[["gap", "se", "df"]].astype(float), 1e-6
    )
    if not same:
        raise SystemExit(f"the batch and the analysis differ: {row.to_dict()} {found.to_dict()}")


def summary(found):
    """Count claims; sparse loses exactly the margin once that is taken off its estimate."""
    t = (found["ratio_estimate"] - MARGIN) / found["ratio_se"]
    return {
        "false_better_pct": 100 * (found["gap"] > found["reach"]).mean(),
        "false_worse_pct": 100 * (found["gap"] < -found["reach"]).mean(),
        "false_no_worse_pct": 100 * (found["clear"] & (t > found["ratio_reach"])).mean(),
        "cover_pct": 100 * (found["gap"].abs() <= found["reach"]).mean(),
        "width": 2 * found["reach"].mean(),
        "df": found["df"].median(),
    }


def study(trials, starts_of):
    drifts = ("none", "30 % straight", "30 % with a bend", "30 % out and back")
    rows = []
    for starts in starts_of:
        for noise_name, noise in NOISE.items():
            for drift in drifts:
                for way in WAYS:
                    trial = make_trial(starts, way)
                    seed = 1 + len(rows)
                    options = {"trials": trials, "seed": seed, "theta": 0.9}
                    found = analysed(trial, course(drift, starts), noise, **options)
                    rows.append(
                        {"starts": starts, "noise": noise_name, "drift": drift, "over_time": way}
                        | {"trials": len(found)}
                        | summary(found)
                    )
                    print(rows[-1], flush=True)
    table = pd.DataFrame(rows)
    cell = ["starts", "noise", "drift"]
    plain = table[table["over_time"] == "random"].set_index(cell)["width"]
    table["width_over_random"] = table["width"] / table[cell].apply(tuple, axis=1).map(plain)
    return table


def detectable(trials, starts_of):
    """Draw trials without loss at the loss that is said to be told from none."""
    rows = []
    for starts in starts_of:
        for way in WAYS:
            trial = make_trial(starts, way)
            power = tk.power(trial, lost=0.0, method="exact")
            said = what_changes_buy(power).iloc[0]
            loss = float(said["detectable_pct"])
            between = float(np.hypot(8.0, 6.0))
            options = {"trials": trials, "seed": 1 + len(rows)}
            found = analysed(
                trial,
                course("15 % with a bend", starts),
                (between, 20.0),
                theta=1 - loss / 100,
                **options,
            )
            t = found["ratio_estimate"] / found["ratio_se"]
            told = (found["clear"] & (t > found["ratio_reach"])).mean()
            rows.append(
                {"starts": starts, "over_time": way, "loss_pct": loss, "trials": len(found)}
                | {"stated_pct": 80.0, "told_pct": 100 * told}
            )
            print(rows[-1], flush=True)
    return pd.DataFrame(rows)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--trials", type=int, default=20_000, help="trials of each cell")
    parser.add_argument("--starts", type=int, nargs="+", default=[8])
    parser.add_argument("--detectable", action="store_true")
    parser.add_argument("--out", type=Path)
    given = parser.parse_args()
    begun = time.process_time()
    work = detectable if given.detectable else study
    table = work(given.trials, given.starts)
    print(table.round(2).to_string(index=False))
    print(f"{time.process_time() - begun:.0f} s of processor time")
    if given.out is not None:
        table.round(4).to_csv(given.out, index=False, lineterminator="\n")


if __name__ == "__main__":
    main()
