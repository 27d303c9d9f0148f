"""Whole decisions in twelve situations: what is claimed, what is recommended, and what was true.

In every trial a plan, weights, losses, water and logs are drawn, and the trial is analysed, priced
and advised on as growers do (tables in memory). Printed are, in per cent:

- false claims: trials in which some level is called *better* that is not, or *no worse* that loses
  the margin or more (2.5 % stated), about blocks that were harvested;
- how often 95 % limits hold the true gain per chamber run (of all levels at once) and the true
  saving of water per kilogram (level by level), lost runs and blocks included;
- how often the recommended level is the one that a perfect informant would choose: the one worth
  most, or without prices the one with the least mist that does not lose the margin; and what the
  recommended level falls short of that one on average, in money per chamber run.

The first trials of each situation go through `decide` whole, which must not raise.

    python benchmarks/whole_decisions.py --trials 200 --out benchmarks/whole_decisions.csv
    python benchmarks/whole_decisions.py --trials 50 --rows "log"

Kept result: ``benchmarks/whole_decisions.csv``.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd

import trialkit as tk
from trialkit.alignment.result import Aligned
from trialkit.analysis.fit_response import fit_response
from trialkit.decision.decide import _choose
from trialkit.decision.depends import ANSWERS
from trialkit.decision.money import value_by_level
from trialkit.decision.recommend import recommend
from trialkit.decision.use import run_totals, use_by_level
from trialkit.trial import Trial

MEAN_G, BLOCKS, HOURS, PRICE_KG, PRICE_L, MARGIN = 500.0, 6, 600.0, 10.0, 0.2, 0.1
SD = {"batch": 0.10, "chamber": 0.05, "run": 0.06, "block": 0.12}
FILE = """
[trial]
title = "Drawn trial"
seed = 1
[units]
structure = "(batch * chamber) / block"
batch = 4
chamber = {chambers}
block = 6
flushes = 1
[factors.schedule]
applied_to = "batch:chamber"
{control}
{levels}
[question]
primary = "schedule"
response = "{response}"
margin_pct = 10
difference_pct = 15
[rig]
mist_l_h = 1.0
fogger_w = 80
fan_w = 20
{prices}
"""


@dataclass(frozen=True)
class Situation:
    """What is true of each level, in order from the control, and what the logs hold."""

    name: str
    ratios: tuple[float, ...] = (1.0, 1.0)
    block_lost: tuple[float, ...] = (0.1, 0.1)
    run_lost: tuple[float, ...] = (0.0, 0.0)
    stopped: float = 0.0  # chance that the log of a run of the first level ends early
    logs: bool = True
    sensor: bool = False
    priced: bool = True
    control: bool = True
    response: str = "fresh_g"
    names: list[str] = field(default_factory=lambda: ["usual", "s1", "s2", "s3"])

    @property
    def levels(self) -> list[str]:
        """Give the levels' names, the control first."""
        return self.names[: len(self.ratios)]

    def water(self) -> np.ndarray:
        """Give the litres of a run of each level: 20 s of every 240, 480, 720, … s."""
        return HOURS / (12.0 * (1 + np.arange(len(self.ratios))))

    def kilograms(self) -> np.ndarray:
        """Give the true kilograms of a run started."""
        kept = (1 - np.array(self.block_lost)) * (1 - np.array(self.run_lost))
        yields = np.ones(len(kept)) if self.response == "days" else np.array(self.ratios)
        return np.asarray(BLOCKS * MEAN_G / 1000 * yields * kept)

    def worth(self) -> np.ndarray:
        """Give the true worth of a run."""
        return PRICE_KG * self.kilograms() - PRICE_L * self.water() * self.logs

    def best(self) -> int:
        """Give the level that a perfect informant would choose."""
        if self.priced:
            return int(self.worth().argmax())
        sign = -1 if self.response == "days" else 1
        holds = [i for i, r in enumerate(self.ratios) if sign * (r - 1) >= -MARGIN + 1e-9]
        return max(holds)


def situations() -> list[Situation]:
    """Give the twelve situations."""
    many = {"ratios": (1.0, 1.05, 0.9, 0.8), "block_lost": (0.1,) * 4, "run_lost": (0.05,) * 4}
    return [
        Situation("even losses", (1.0, 1.0)),
        Situation("even losses, at the margin", (1.0, 0.9)),
        Situation("blocks lost unevenly", block_lost=(0.05, 0.25)),
        Situation("whole runs lost", run_lost=(0.2, 0.2)),
        Situation("whole runs lost by schedule", (1.0, 1.1), run_lost=(0.05, 0.25)),
        Situation("logs stopped, timer", run_lost=(0.05, 0.05), stopped=0.25),
        Situation("logs stopped, sensor", (1.0, 0.95), stopped=0.25, sensor=True),
        Situation("no log", (1.0, 1.05), logs=False),
        Situation("two levels", (1.0, 1.05, 0.9), (0.1,) * 3, (0.05,) * 3),
        Situation("three levels, no control named", control=False, **many),  # type: ignore[arg-type]
        Situation("days, less is better", (1.0, 1.1), run_lost=(0.05, 0.05), response="days"),
        Situation("no prices", (1.0, 1.0), run_lost=(0.05, 0.05), priced=False),
    ]


def make_trial(here: Situation, folder: Path) -> Trial:
    """Write the trial file of a situation and read it."""
    lines = [
        f"levels.{name} = {{ on_s = 20, off_s = {220 + 240 * i} }}"
        for i, name in enumerate(here.levels)
    ]
    if here.sensor:
        lines[1] = "levels.s1 = { start_below_rh = 85, stop_above_rh = 92 }"
    prices = f"[prices]\nmushrooms_per_kg = {PRICE_KG}\nwater_per_m3 = {1000 * PRICE_L}\n"
    text = FILE.format(
        chambers=2 * max(3, len(here.levels)),
        control='control = "usual"' if here.control else "",
        levels="\n".join(lines),
        response=here.response,
        prices=prices if here.priced else "",
    )
    (folder / "trial.toml").write_text(text, encoding="utf-8")
    return tk.read_trial(folder)


def draw(here: Situation, trial: Trial, seed: int) -> Aligned:
    """Draw a plan, weights, losses, water and logs."""
    rng = np.random.default_rng([seed, 13])
    table = tk.assign(trial, seed=seed).table.assign(flush=1)
    level = table["schedule"].map({name: i for i, name in enumerate(here.levels)}).to_numpy(int)
    run = table.groupby(["batch", "chamber"], sort=False).ngroup().to_numpy()
    groups = {"batch": table["batch"].factorize()[0], "chamber": table["chamber"].factorize()[0],
              "run": run, "block": np.arange(len(table))}  # fmt: skip
    noise = sum(sd * rng.normal(size=groups[k].max() + 1)[groups[k]] for k, sd in SD.items())
    ratio = np.array(here.ratios)[level]
    days = here.response == "days"
    table["fresh_g"] = MEAN_G * (1.0 if days else ratio) * (1 + noise)
    table["days"] = 10.0 * (ratio if days else 1.0) * (1 + 0.3 * noise)
    first = np.unique(run, return_index=True)[1]
    gone = rng.random(len(first)) < np.array(here.run_lost)[level[first]]
    lost = gone[run] | (rng.random(len(table)) < np.array(here.block_lost)[level])
    table.loc[lost, ["fresh_g", "days"]] = np.nan
    table["status"] = np.where(lost, "contaminated", "ok")
    return Aligned(
        table=table, runs=_runs(here, table.iloc[first], level[first], rng),
        sensors=pd.DataFrame(), fidelity=pd.DataFrame(), findings=(),
        settings=SimpleNamespace(min_coverage_pct=80.0),  # type: ignore[arg-type]
        trial=trial,
    )  # fmt: skip


def _runs(
    here: Situation, units: pd.DataFrame, level: np.ndarray, rng: np.random.Generator
) -> pd.DataFrame:
    """Draw water and coverage of the chamber runs; a log that stops holds a quarter."""
    runs = units[["batch", "chamber"]].reset_index(drop=True)
    water = here.water()[level] * rng.normal(1, 0.03, len(runs))
    short = (rng.random(len(runs)) < here.stopped) & (level == 1)
    runs["water_l"] = np.where(short, water / 4, water) if here.logs else np.nan
    runs["energy_kwh"] = runs["water_l"] * 0.1
    runs["window"], runs["window_h"], runs["coverage_pct"] = "whole", HOURS, 100.0
    runs["mist_coverage_pct"] = np.where(short, 25.0, 100.0) if here.logs else np.nan
    return runs


def judge(here: Situation, trial: Trial, data: Aligned) -> dict[str, float]:
    """Analyse and advise, and compare with the truth."""
    _, _, fit = fit_response(trial, data)  # as `analyse` fits and compares
    less = here.response == "days"
    table = fit.noninferior(
        "schedule", against=trial.primary.reference, margin_pct=100 * MARGIN,
        adjust="dunnett" if here.control else "tukey", better="less" if less else "more",
    )  # fmt: skip
    table = table.assign(answer=[ANSWERS.get(v, "not enough evidence") for v in table["verdict"]])
    false = False
    for row in table.to_dict("records"):
        true = here.ratios[here.levels.index(str(row["level"]))]
        loses = true >= 1 + MARGIN - 1e-9 if less else true <= 1 - MARGIN + 1e-9
        poorer = true >= 1 if less else true <= 1
        wrong = {"better": poorer, "no worse": loses}
        false |= wrong.get(row["answer"], False)
    totals = run_totals(trial, data)
    use, _ = use_by_level(trial, totals)
    money, _ = value_by_level(trial, totals)
    level = str(table.loc[_choose(table, use, money, better="less" if less else "more"), "level"])
    got = here.levels.index(recommend(trial, table, level, money).level)
    out = {"false_claim": float(false), "right": float(got == here.best())}
    out["short"] = float(here.worth()[here.best()] - here.worth()[got]) if here.priced else np.nan
    gain = here.worth() - here.worth()[0]
    if money is not None:
        out["gain"] = float(np.floor(_held(here, money.table, "gain", gain)))  # all at once
    if len(use):
        per = here.water() / here.kilograms()
        rows = use[use["use"] == "water_l"]
        out["saving"] = _held(here, rows, "saving", 100 * (1 - per / per[0]), "_pct")
    return out


def _held(
    here: Situation, table: pd.DataFrame, name: str, truth: np.ndarray, unit: str = ""
) -> float:
    """Give the share of levels whose limits hold the truth."""
    held = []
    for row in table.to_dict("records"):
        low, high = row[f"{name}_low{unit}"], row[f"{name}_high{unit}"]
        if low == low:
            held.append(low <= truth[here.levels.index(str(row["level"]))] <= high)
    return float(np.mean(held)) if held else np.nan


def run_situation(here: Situation, trials: int, seed: int, whole: int) -> dict[str, object]:
    """Give one line of the table."""
    began = time.process_time()
    kept = []
    with tempfile.TemporaryDirectory() as folder:
        trial = make_trial(here, Path(folder))
        for i in range(trials):
            data = draw(here, trial, seed + i)
            if i < whole:
                str(tk.decide(trial, tk.analyse(trial, data)))
            kept.append(judge(here, trial, data))
    table = pd.DataFrame(kept)
    shares = {
        "false_claim": "false_claim", "gain": "gain_held", "saving": "saving_held",
        "right": "recommended_is_best",
    }  # fmt: skip
    out: dict[str, object] = {"situation": here.name, "trials": trials}
    for column, name in shares.items():
        share = float(table[column].mean()) if column in table else np.nan
        out[f"{name}_pct"] = round(100 * share, 1)
    out["falls_short"] = round(float(table["short"].mean()), 2)
    out["cpu_s"] = round(time.process_time() - began, 1)
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=200)
    parser.add_argument("--whole", type=int, default=2, help="trials that go through decide")
    parser.add_argument("--rows", default="", help="situations whose name holds this text")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, default=None)
    parser.add_argument("--part", default="0/1", help="which share of the rows, such as 0/2")
    options = parser.parse_args()
    part, parts = map(int, options.part.split("/"))
    made = []
    chosen = [(i, s) for i, s in enumerate(situations()) if options.rows in s.name]
    for i, here in chosen[part::parts]:  # every situation has draws of its own
        seed = options.seed + 100_000 * i
        made.append(run_situation(here, options.trials, seed, options.whole))
        print(", ".join(f"{k} {v}" for k, v in made[-1].items()), flush=True)
        if options.out is not None:
            pd.DataFrame(made).to_csv(options.out, index=False)


if __name__ == "__main__":
    main()
