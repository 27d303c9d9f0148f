"""A trial whose climate logs have every trouble at once, for comparing the ways they are read."""

from __future__ import annotations

import numpy as np
import pandas as pd

import trialkit as tk
from trialkit.alignment.result import Aligned

CHAMBERS = ("T1", "T2", "T3", "T4")
START = pd.Timestamp("2031-03-10 08:00", tz="UTC")
DAYS = 24
TRIAL = """
[trial]
title = "large"
time_zone = "Europe/Vienna"
[units]
structure = "(batch * chamber) / block"
batch = 2
chamber = ["T1", "T2", "T3", "T4"]
block = 2
flushes = 2
[factors.schedule]
applied_to = "batch:chamber"
levels.usual = { on_s = 20, off_s = 580 }
levels.sparse = { on_s = 20, off_s = 1180 }
[question]
primary = "schedule"
[rig]
mist_l_h = 0.4
chamber_m3 = 1.8
fogger_w = 80
band_low_rh = 82
band_high_rh = 92
sensor_rh_error = 2.0
[batches]
B1 = { start = 2031-03-10T09:00:00, end = 2031-03-21T09:00:00 }
B2 = { start = 2031-03-22T09:00:00, end = 2031-04-02T09:00:00 }
[logs.environment]
files = ["logs/*"]
units = { temp_c = "degF" }
day_first = true
wet_rh = 93
base_temp_c = 14
co2_limit_ppm = 900
clock = [
  { file = "late.csv", add_s = -3600 },
  { file = "fast.csv", shows = 2031-03-12T10:00:00, truth = 2031-03-12T09:55:00 },
  { file = "fast.csv", shows = 2031-03-30T10:00:00, truth = 2031-03-30T09:50:00 },
]
calibration = [
  { sensor = "T1-a", salt = { NaCl = 77.3 }, temp_c = 20 },
  { sensor = "T3", since = 2031-03-20, add_temp_c = 0.4 },
  { sensor = "no such", add_temp_c = 1.0 },
]
[[logs.environment.keep]]
file = "rest.csv"
rows = [18720, 18721]
rule = "same time, other values"
because = "both are right"
[logs.environment.columns]
time = "When"
chamber = "Tent"
sensor = "Probe"
temp_c = "Temp"
rh_pct = "Hum"
light_lux = "Light"
[[logs.environment.trust]]
chamber = "T1"
flag = "stuck"
because = "it was so"
since = 2031-03-12T22:00:00
until = 2031-03-13T06:00:00
[[logs.environment.leave_out]]
chamber = "T2"
because = "on the floor"
since = 2031-03-25T01:00:00
until = 2031-03-25T09:00:00
[[logs.environment.leave_out]]
chamber = "T4"
sensor = "nobody"
because = "it was not there"
since = 2031-03-25T01:00:00
until = 2031-03-25T09:00:00
"""


def plan_of(trial: tk.Trial) -> pd.DataFrame:
    """Give the plan: the even chambers get the sparse schedule, in batch 2 the odd ones."""
    table = trial.unit_table()
    odd = table["chamber"].isin(["T1", "T3"]).to_numpy()
    first = (table["batch"] == "B1").to_numpy()
    return table.assign(schedule=np.where(odd == first, "usual", "sparse"))


def harvest_of(trial: tk.Trial) -> pd.DataFrame:
    """Give two flushes, after 5 and 9 days."""
    table = trial.unit_table().merge(pd.DataFrame({"flush": [1, 2]}), how="cross")
    start = table["batch"].map({"B1": START, "B2": START + pd.Timedelta(days=12)})
    days = pd.to_timedelta(table["flush"].map({1: 5, 2: 9}), unit="D")
    return table.assign(time=start + days, fresh_g=300.0 + np.arange(len(table)), status="ok")


def mist_of() -> pd.DataFrame:
    """Give a pulse every ten minutes in odd chambers, every twenty in even ones; one pause."""
    rows = []
    for k, chamber in enumerate(CHAMBERS):
        on = np.arange(0, DAYS * 86400, 600 * (1 + k % 2))
        on = on[(on < 6 * 86400) | (on > 6 * 86400 + 20_000)]
        start = START + pd.to_timedelta(on, unit="s")
        stop = start + pd.Timedelta(seconds=20)
        rows.append(pd.DataFrame({"chamber": chamber, "start": start, "stop": stop}))
    return pd.concat(rows, ignore_index=True)


def sensor_of(
    chamber: str, name: str, step_s: float, seed: int, *, days: int = DAYS
) -> pd.DataFrame:
    """Give the records of one sensor in house columns: it answers the mist, and has faults."""
    rng = np.random.default_rng(seed)
    second = np.arange(3.0, days * 86400, step_s)
    cycle = 600 * (1 + CHAMBERS.index(chamber) % 2)
    phase = second % cycle
    rh = 84 + 8 * np.exp(-phase / 300) + 2 * np.sin(second / 86400 * 2 * np.pi)
    temp = 15 + np.sin(second / 86400 * 2 * np.pi) + 0.3 * np.cumsum(rng.normal(0, 0.05, len(rh)))
    lit = (second / 3600 % 24 > 1) & (second / 3600 % 24 < 13)
    day = second / 86400
    rh[(day > 2.6) & (day < 3.0)] = 88.0  # stuck
    rh[(day > 14) & (day < 14.3)] = 100.0  # wet
    rh += rng.normal(0, 0.2, len(rh)) * ((day <= 2.6) | (day >= 3.0))
    rh[rng.integers(0, len(rh), 5)] += 25  # spikes
    return pd.DataFrame(
        {
            "chamber": chamber,
            "sensor": name,
            "time": START + pd.to_timedelta(second, unit="s"),
            "temp_c": temp.round(2),
            "rh_pct": np.minimum(rh, 104).round(2),
            "light_lux": np.where(lit, 500.0, 0.0),
        }
    ).loc[lambda t: (day < 9) | (day > 9.4)]


def house_log() -> pd.DataFrame:
    """Give the whole log in house columns, a chamber without humidity and slow readings in it."""
    drifting = sensor_of("T1", "T1-b", 120, 2)
    drifting["rh_pct"] += np.linspace(0, 9, len(drifting))
    parts = [
        sensor_of("T1", "T1-a", 120, 1),
        drifting,
        sensor_of("T2", "T2", 60, 3),
        sensor_of("T3", "T3", 600, 4),  # as slow as the mist itself
        sensor_of("T4", "T4", 300, 5).assign(rh_pct=np.nan),
    ]
    return pd.concat(parts, ignore_index=True)


def write_files(folder: object, log: pd.DataFrame) -> dict[str, bytes]:
    """Give files as loggers write them: other heads and units, local times, doubled rows."""
    table = log[log["time"] < START + pd.Timedelta(days=DAYS)]
    local = table["time"].dt.tz_convert("Europe/Vienna")
    out = pd.DataFrame(
        {
            "When": local.dt.strftime("%d/%m/%Y %H:%M:%S"),
            "Tent": table["chamber"],
            "Probe": table["sensor"],
            "Temp": (table["temp_c"] * 9 / 5 + 32).round(2),
            "Hum": table["rh_pct"],
            "Light": table["light_lux"],
        }
    )
    of = {name: (table["chamber"] == name).to_numpy() for name in CHAMBERS}
    early = (table["time"] < START + pd.Timedelta(days=11)).to_numpy()
    wrong = out[of["T2"]].tail(40).copy()
    wrong["Hum"] += 1.0  # the same moments, other values
    late = out[of["T3"]].copy()
    late["When"] = (local[of["T3"]] + pd.Timedelta(hours=1)).dt.strftime("%d/%m/%Y %H:%M:%S")
    files = {
        "both.csv": pd.concat([out[of["T1"] | (of["T2"] & early)], out[of["T1"]].head(500)]),
        "rest.csv": out[of["T2"] & ~early],
        "again.csv": pd.concat([out[of["T2"] & early].tail(700), wrong]),
        "late.csv": late,
        "fast.csv": out[of["T4"]],
    }
    return {f"logs/{name}": part.to_csv(index=False).encode() for name, part in files.items()}


def assert_alike(want: Aligned, got: Aligned) -> None:
    """Hold two results equal: numbers to 1e-9, findings and words exactly."""
    for name in ("table", "runs", "sensors", "fidelity"):
        one, two = getattr(want, name), getattr(got, name)
        pd.testing.assert_frame_equal(one, two, rtol=1e-9, atol=1e-9, check_dtype=False)
    pd.testing.assert_frame_equal(want.unmade, got.unmade)
    assert want.settings == got.settings
    assert want.findings == got.findings
    assert want.check is not None
    assert got.check is not None
    for part in ("flags", "response"):
        one, two = (getattr(getattr(x.check, part), "table", None) for x in (want, got))
        assert one is not None
        pd.testing.assert_frame_equal(one, two, check_dtype=False)
