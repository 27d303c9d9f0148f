"""Do whole verdicts keep what they claim? Drawn trials, from the plan to the joint limits.

Each row of the table is a design and a reality. In every trial the plan is drawn anew, one weight
per block and flush is drawn, some blocks are lost, and the trial is analysed as growers do (tables
in memory, no files). Counted are, in per cent:

- false claims: at a true ratio of the margin (0.9) any *no worse* or *better*, at 1 any *better*
  (2.5 % stated); and false *worse* answers at the margin (2.5 % stated);
- joint cover of the true ratio and of the true difference, all levels together (95 % stated);
- cover of the water saved per kilogram by the first level, single limits (95 % stated);
- at a true ratio of 1, answers *no worse* or *better* of the first level (power), and what they
  would be without a random term batch × schedule;
- rejections of the null by the plain test of flush (5 % stated; rows with flushes equal).

    python benchmarks/whole_verdicts.py --trials 400 --out benchmarks/whole_verdicts.csv
    python benchmarks/whole_verdicts.py --trials 400 --rows "schedule × batch"

Kept result: ``benchmarks/whole_verdicts.csv``.
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
from trialkit.analysis.result import Analysis
from trialkit.decision.use import run_totals, use_by_level
from trialkit.trial import Trial

MEAN_G = 500.0
CLAIMS = ("better", "no worse", "no worse, though lower")
FLUSH_SHARE = (1.0, 0.6, 0.35)  # weight of a flush beside the first, falling as in life
FILE = """
[trial]
title = "Drawn trial"
seed = 1
[units]
structure = "(batch * chamber){shelf} / block"
batch = {batches}
chamber = {chambers}
{shelves}
block = {blocks}
flushes = {flushes}
[factors.schedule]
applied_to = "{unit}"
control = "usual"
{replication}
{levels}
{light}
[question]
primary = "schedule"
margin_pct = 10
difference_pct = 15
[rig]
mist_l_h = 1.0
fogger_w = 80
fan_w = 20
"""


@dataclass(frozen=True)
class Row:
    """A design and a reality; standard deviations in per cent of the yield."""

    name: str
    batches: int
    chambers: int
    schedules: int
    ratio: float
    sd: dict[str, float] = field(default_factory=dict)
    lost: float = 0.05
    flushes: int = 1
    unit: str = "batch:chamber"
    light: bool = False
    logarithmic: bool = False
    poor_chamber: float = 1.0
    replication: str = ""
    by_level: dict[str, tuple[float, float]] = field(default_factory=dict)
    equal_flushes: bool = False

    def sds(self) -> dict[str, float]:
        """Give all standard deviations: the usual ones, and what is special here."""
        usual = {"batch": 10.0, "chamber": 5.0, "run": 6.0, "residual": 12.0}
        return {**usual, **({"block": 8.0} if self.flushes > 1 else {}), **self.sd}


def rows() -> list[Row]:
    """Give the designs and realities of the table."""
    spread = {"usual": (3.0, 10.0), "s1": (12.0, 20.0)}
    two = {"batches": 2, "chambers": 6, "schedules": 2, "replication": "usual = 2, s1 = 1"}
    log4 = {"batches": 3, "chambers": 4, "schedules": 2, "logarithmic": True}
    flush = {"batches": 3, "chambers": 6, "schedules": 3, "flushes": 3, "lost": 0.1}
    return [
        Row("6 chambers × 2 batches, 3 schedules", 2, 6, 3, 0.9),
        Row("6 × 2, 3 schedules", 2, 6, 3, 1.0),
        Row("6 × 4, 3 schedules", 4, 6, 3, 1.0),
        Row("6 × 4, one chamber 40 % below the others", 4, 6, 3, 0.9, poor_chamber=0.6),
        Row("6 × 4, schedule × batch 6 %", 4, 6, 3, 0.9, {"schedule × batch": 6.0}),
        Row("6 × 4, schedule × batch 6 %", 4, 6, 3, 1.0, {"schedule × batch": 6.0}),
        Row("6 × 4, schedule × batch 12 %", 4, 6, 3, 0.9, {"schedule × batch": 12.0}),
        Row("6 × 3, 3 flushes, run × flush 10 %", ratio=0.9, sd={"run × flush": 10.0}, **flush),
        Row("6 × 3, 3 flushes, run × flush 10 %", ratio=1.0, sd={"run × flush": 10.0}, **flush),
        Row(
            "6 × 3, equal flushes, batch × flush 8 %",
            ratio=1.0,
            sd={"batch × flush": 8.0},
            equal_flushes=True,
            **flush,
        ),
        Row("6 × 3, equal flushes", ratio=1.0, equal_flushes=True, **flush),
        Row("6 × 1, 2 schedules", 1, 6, 2, 0.9),
        Row("6 × 2, 2 schedules, light by shelf", 2, 6, 2, 0.9, light=True),
        Row("6 × 3, schedule kept by chamber", 3, 6, 3, 0.9, unit="chamber"),
        Row("4 × 3, logarithmic spread, chambers 40 %", ratio=0.9, sd={"chamber": 40.0}, **log4),
        Row("4 × 3, no variance of chambers or runs", 3, 4, 2, 0.9, {"chamber": 0.0, "run": 0.0}),
        Row("4 × 3, logarithmic spread, residual 30 %", ratio=1.0, sd={"residual": 30.0}, **log4),
        Row("6 × 4, 3 schedules, 30 % of blocks lost", 4, 6, 3, 0.9, lost=0.3),
        Row("8 × 2, 4 schedules, logarithmic", 2, 8, 4, 0.9, logarithmic=True, lost=0.1),
        Row("8 × 2, 4 schedules", 2, 8, 4, 1.0),
        Row("6 × 2, 8 and 4 runs, unequal spread", ratio=0.9, by_level=spread, **two),
        Row("6 × 2, 8 and 4 runs, unequal spread", ratio=1.0, by_level=spread, **two),
        Row("6 × 2, 8 and 4 runs, equal spread", ratio=0.9, **two),
        Row("6 × 2, 8 and 4 runs, equal spread", ratio=1.0, **two),
    ]  # type: ignore[arg-type]


def make_trial(row: Row, folder: Path) -> Trial:
    """Write the trial file of a row and read it."""
    names = ["usual", *(f"s{i}" for i in range(1, row.schedules))]
    text = FILE.format(
        batches=row.batches,
        chambers=row.chambers,
        shelf=" / shelf" if row.light else "",
        shelves="shelf = 2" if row.light else "",
        blocks=3 if row.light else 6,
        flushes=row.flushes,
        unit=row.unit,
        replication=f"replication = {{ {row.replication} }}" if row.replication else "",
        levels="\n".join(
            f"levels.{name} = {{ on_s = 20, off_s = {220 + 240 * i} }}"
            for i, name in enumerate(names)
        ),
        light="[factors.light]\napplied_to = 'batch:chamber:shelf'\ncontrol = 'dim'\n"
        "levels.dim = { lux = 150, hours = 10 }\nlevels.bright = { lux = 600, hours = 10 }"
        if row.light
        else "",
    )
    (folder / "trial.toml").write_text(text, encoding="utf-8")
    return tk.read_trial(folder)


def draw(row: Row, trial: Trial, seed: int) -> Aligned:
    """Draw a plan, the weights, the losses, and the water of each chamber run."""
    rng = np.random.default_rng([seed, 11])
    units = tk.assign(trial, seed=seed).table
    shares = np.ones(row.flushes) if row.equal_flushes else np.array(FLUSH_SHARE[: row.flushes])
    parts = [units.assign(flush=f + 1, share=s) for f, s in enumerate(shares)]
    table = pd.concat(parts, ignore_index=True)
    sds, n = row.sds(), len(table)
    keys = {
        "batch": ["batch"],
        "chamber": ["chamber"],
        "run": ["batch", "chamber"],
        "schedule × batch": ["batch", "schedule"],
        "block": ["unit"],
        "run × flush": ["batch", "chamber", "flush"],
        "batch × flush": ["batch", "flush"],
    }
    noise, variance = np.zeros(n), np.zeros(n)
    for name, sd in sds.items():
        size = np.full(n, sd / 100)
        if name in ("run", "residual") and row.by_level:
            at = 0 if name == "run" else 1
            size = table["schedule"].map({k: v[at] / 100 for k, v in row.by_level.items()})
            size = size.to_numpy(dtype=float)
        codes = np.arange(n)
        if name in keys:
            codes = table.groupby(keys[name], sort=False).ngroup().to_numpy()
        noise += size * rng.standard_normal(int(codes.max()) + 1)[codes]
        variance += size**2
    mean = MEAN_G * np.where(table["schedule"] == "usual", 1.0, row.ratio)
    mean = mean * np.where(table["chamber"] == table["chamber"].iloc[0], row.poor_chamber, 1.0)
    factor = np.exp(noise - variance / 2) if row.logarithmic else 1 + noise
    table["fresh_g"] = mean * factor * table.pop("share")
    gone = rng.random(len(units)) < row.lost
    lost = table["unit"].isin(units.loc[gone, "unit"]).to_numpy()
    table.loc[lost, "fresh_g"] = np.nan
    table["status"], table["days"] = np.where(lost, "contaminated", "ok"), 9.0
    return Aligned(
        table=table,
        runs=_water(units, rng),
        sensors=pd.DataFrame(),
        fidelity=pd.DataFrame(),
        findings=(),
        settings=SimpleNamespace(),  # type: ignore[arg-type]
        trial=trial,
    )


def _water(units: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Give each chamber run water in proportion to its level's number, 5 % apart."""
    runs = units[["batch", "chamber", "schedule"]].drop_duplicates().reset_index(drop=True)
    place = runs["schedule"].str.removeprefix("s").replace("usual", "0").map(
        lambda x: int(x) if x.isdigit() else 0
    )  # fmt: skip
    runs["water_l"] = 50 / (1 + place) * rng.normal(1, 0.05, len(runs))
    runs["window"], runs["coverage_pct"] = "whole", 100.0
    return runs.drop(columns="schedule")


def judge(row: Row, trial: Trial, data: Aligned) -> dict[str, float]:
    """Analyse one trial and compare what it claims with the truth."""
    result = tk.analyse(trial, data)
    ratios, apart = result.ratios, result.differences["schedule"]
    claimed = ratios["verdict"].isin(CLAIMS if row.ratio < 1 else CLAIMS[:1])
    truth = MEAN_G * (row.ratio - 1)
    if not row.equal_flushes:
        truth *= float(np.mean(FLUSH_SHARE[: row.flushes]))
    if row.poor_chamber < 1:
        truth *= 1 - (1 - row.poor_chamber) / row.chambers
    out = {
        "false_claim": float(claimed.any()),
        "false_worse": float((ratios["verdict"] == "worse").any()) if row.ratio < 1 else np.nan,
        "cover_ratio": float(((ratios["low"] <= row.ratio) & (row.ratio <= ratios["high"])).all()),
        "cover_difference": float(((apart["low"] <= truth) & (truth <= apart["high"])).all()),
        "cover_water": _water_cover(row, trial, data),
        "answered": np.nan,
        "answered_without": np.nan,
        "flush_rejects": np.nan,
    }
    if row.ratio == 1:
        out["answered"] = float(ratios["verdict"].iloc[0] in CLAIMS)
        out["answered_without"] = _without_batches(result, out["answered"])
    if row.equal_flushes:
        out["flush_rejects"] = float(result.tests.loc["flush", "p"] < 0.05)
    return out


def _without_batches(result: Analysis, answered: float) -> float:
    """Give the first level's answer in the model without batch × schedule."""
    random = [t for t in result.fit.spec.random if t != "batch:schedule"]
    if len(random) == len(result.fit.spec.random):
        return answered
    fit = result.fit.refit(random=random)
    got = fit.noninferior("schedule", against="usual", margin_pct=10, level=result.joint_level)
    return float(got["verdict"].iloc[0] in CLAIMS)


def _water_cover(row: Row, trial: Trial, data: Aligned) -> float:
    """Say whether the limits of water saved per kilogram hold the truth (no losses, one flush)."""
    if row.logarithmic or row.flushes > 1 or row.by_level or row.lost != 0.05:
        return float("nan")
    use, _ = use_by_level(trial, run_totals(trial, data))
    got = use[(use["use"] == "water_l") & (use["level"] == "s1")]
    if not len(got):
        return float("nan")
    saved = 100 * (1 - 0.5 / row.ratio)
    low, high = float(got["saving_low_pct"].iloc[0]), float(got["saving_high_pct"].iloc[0])
    return float(low <= saved <= high)


def run_row(row: Row, trials: int, seed: int) -> dict[str, object]:
    """Give one line of the table, every share beside its Monte-Carlo standard error."""
    began = time.process_time()
    with tempfile.TemporaryDirectory() as folder:
        trial = make_trial(row, Path(folder))
    kept = [judge(row, trial, draw(row, trial, seed + i)) for i in range(trials)]
    table = pd.DataFrame(kept)
    out: dict[str, object] = {"design": row.name, "true_ratio": row.ratio, "trials": trials}
    for name in table.columns:
        share = float(table[name].mean())
        out[f"{name}_pct"] = round(100 * share, 2)
        out[f"{name}_se"] = round(100 * float(np.sqrt(share * (1 - share) / trials)), 2)
    out["cpu_s"] = round(time.process_time() - began, 1)
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=400)
    parser.add_argument("--rows", default="", help="rows whose name holds this text")
    parser.add_argument("--part", default="0/1", help="which share of the rows, such as 0/2")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, default=None)
    options = parser.parse_args()
    part, parts = map(int, options.part.split("/"))
    made: list[dict[str, object]] = []
    for row in [r for r in rows() if options.rows in r.name][part::parts]:
        line = run_row(row, options.trials, options.seed)
        made.append(line)
        shown = ", ".join(
            f"{k.removesuffix('_pct')} {v:.1f}"
            for k, v in line.items()
            if k.endswith("_pct") and isinstance(v, float) and np.isfinite(v)
        )
        print(f"{row.name} at {row.ratio:g}: {shown}  ({line['cpu_s']} s)", flush=True)
        if options.out is not None:
            pd.DataFrame(made).to_csv(options.out, index=False)


if __name__ == "__main__":
    main()
