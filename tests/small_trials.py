"""Small trials for tests: a trial file, a drawn harvest and measured use, all from a seed."""

import pickle
from functools import partial

import numpy as np
import pandas as pd

import trialkit as tk
from trialkit import chamber
from trialkit.alignment.measures import ExposureSettings
from trialkit.alignment.result import Aligned

TEXT = """
[trial]
title = "Drawn trial"
seed = 5
[units]
structure = "(batch * chamber) / block"
batch = {batches}
chamber = {chambers}
block = 6
flushes = 1
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
mist_l_h = 1.0
fogger_w = 80
fan_w = 20
{more}
"""


def simulate_less(monkeypatch, trials=400):
    """Simulate fewer trials and rooms by commands, where a test is not about the number.

    A command that is called again with the same trial is given the same power again.
    """
    power, kept = partial(tk.power, trials=trials), {}

    def once(trial, *, progress=None, **options):
        key = pickle.dumps((trial, sorted(options.items())))
        if key not in kept:
            kept[key] = power(trial, progress=progress, **options)
        return kept[key]

    monkeypatch.setattr(tk, "power", once)
    monkeypatch.setattr("trialkit.cli.planning._TRIALS_OF_POWER", trials)
    monkeypatch.setattr(
        chamber, "foresee_treatments", partial(chamber.foresee_treatments, rooms=20)
    )


def make_trial(folder, *, batches=4, chambers=4, more=""):
    text = TEXT.format(batches=batches, chambers=chambers, more=more)
    (folder / "trial.toml").write_text(text, encoding="utf-8")
    return tk.read_trial(folder)


def make_data(trial, *, effect=1.0, sd_run=10.0, sd_block=20.0, seed=1, findings=()):
    """Draw one weight per block and a use of water and energy per chamber run."""
    plan = tk.assign(trial)
    rng = np.random.default_rng(seed)
    table = plan.table.copy()
    runs = table.groupby(["batch", "chamber"], sort=False)["schedule"].first().reset_index()
    runs["luck"] = rng.normal(0, sd_run, len(runs))
    hours = 600.0
    on = np.where(runs["schedule"] == "usual", 1 / 12, 1 / 24) * hours
    runs["water_l"] = on * trial.rig.mist_l_h * rng.normal(1, 0.02, len(runs))
    runs["energy_kwh"] = on * (trial.rig.fogger_w + trial.rig.fan_w) / 1000
    runs["window"], runs["coverage_pct"] = "whole", 100.0
    table = table.merge(runs[["batch", "chamber", "luck"]], on=["batch", "chamber"])
    base = np.where(table["schedule"] == "sparse", 500 * effect, 500)
    table["fresh_g"] = base + table.pop("luck") + rng.normal(0, sd_block, len(table))
    table["flush"], table["status"], table["days"] = 1, "ok", 9.0
    return Aligned(
        table=table,
        runs=runs,
        sensors=pd.DataFrame(),
        fidelity=pd.DataFrame(),
        findings=tuple(findings),
        settings=ExposureSettings(band_low_rh=82, band_high_rh=95),
        trial=trial,
    )
