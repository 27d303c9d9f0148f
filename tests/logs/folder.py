"""A small trial folder with log files made in code."""

from __future__ import annotations

from pathlib import Path

from trialkit.trial import Trial, read_trial

TRIAL = """
[trial]
title = "a small trial"
time_zone = "Europe/Vienna"
[units]
structure = "(batch * chamber) / shelf / block"
batch = 2
chamber = ["T1", "T2", "T3", "T4"]
shelf = ["top", "bottom"]
block = 2
flushes = 2
[factors.schedule]
applied_to = "batch:chamber"
levels.usual = { on_s = 20, off_s = 220 }
levels.sparse = { on_s = 20, off_s = 460 }
[question]
primary = "schedule"
[rig]
fogger_w = 80
[blocks]
wet_g = 2600
dry_substrate_g = 950
[batches]
B1 = { start = 2031-01-13T09:00:00, end = 2031-02-08T12:00:00 }
B2 = { start = 2031-03-10T09:00:00, end = 2031-04-05T12:00:00 }
"""


def make_trial(folder: Path, files: dict[str, bytes], logs: str, *, trial: str = TRIAL) -> Trial:
    """Write a trial folder and read it."""
    for name, data in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    (folder / "trial.toml").write_text(trial + logs, encoding="utf-8")
    return read_trial(folder)
