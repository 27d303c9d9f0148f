# ---
# jupyter:
#   jupytext:
#     formats: ipynb,py:percent
#     text_representation:
#       extension: .py
#       format_name: percent
#   kernelspec:
#     display_name: Python 3 (ipykernel)
#     language: python
#     name: python3
# ---

# %% [markdown]
# # 5 · Commissioning: what is this chamber really like?
#
# How fast does the air change, how much of the mist reaches the air, how slow is the sensor? Two
# hours with the mist on for a minute or two and off for a quarter of an hour tell all three,
# before any block goes in. A trial's own logs do as well.

# %% tags=["parameters"]
folder = "trialkit-demo"  # your trial's folder; if it is not there, the invented demo is copied

# %%
# %matplotlib inline
from pathlib import Path

import trialkit as tk
from trialkit.demo import copy_demo
from trialkit.status import trial_status

home = Path(folder) if Path(folder).exists() else copy_demo(folder)
trial = tk.read_trial(home)
trial_status(trial)

# %% [markdown]
# The table shows whether the trial has climate and mist logs. If it has both, a stretch of them
# is used here. If not, a log is made up from the rig, so that you can see how it works.

# %%
import numpy as np
import pandas as pd

from trialkit.chamber import (
    compare_settings,
    find_holding_setting,
    identify_room,
    room_from_rig,
    simulate,
)

rig = {"chamber_m3": 2.0, "air_changes_h": 4.0, "mist_l_h": 0.4}
rig |= trial.rig.model_dump(exclude_none=True)
room = room_from_rig(rig).room
starts = [dates.start for dates in trial.batches.values() if dates.start is not None]
real = {"environment", "mist"} <= set(trial.logs) and len(starts) > 0
"a stretch of the trial's own logs" if real else "a log made up from the rig"

# %% [markdown]
# That is what the next cells work on.

# %%
begin = (
    pd.Timestamp(min(starts)) + pd.Timedelta("1D") if real else pd.Timestamp("2031-01-01", tz="UTC")
)
end = begin + pd.Timedelta("4h")
if real:
    climate, mist = tk.read_environment(trial).table, tk.read_mist(trial).table
    climate = climate[climate["time"].between(begin, end)]
    mist = mist[(mist["start"] >= begin) & (mist["stop"] <= end)]
else:
    trace = simulate(room, {"on_s": 90, "off_s": 810}, 4.0, step_s=30).trace
    noise = np.random.default_rng(trial.seed).normal(0, 0.3, len(trace))
    climate = pd.DataFrame(
        {
            "chamber": "made up",
            "time": begin + pd.to_timedelta(trace["time_s"], unit="s"),
            "temp_c": trace["temp_c"],
            "rh_pct": trace["sensor_rh_pct"] + noise,
        }
    )
    pulses = begin + pd.to_timedelta(np.arange(0, 4 * 3600, 900), unit="s")
    mist = pd.DataFrame(
        {"chamber": "made up", "start": pulses, "stop": pulses + pd.Timedelta("90s")}
    )
found = identify_room(climate, mist)
found

# %% [markdown]
# One row per chamber, each number with its limits. *Air changes* is how fast humidity falls back
# with the mist off (wet surfaces are part of it); *mist reaching the air* is what the fogger adds
# while on, per cubic metre. Chambers that differ from the others are named below the table: that
# is worth mending before a trial, or at least worth knowing.

# %%
first = found.table["chamber"].iloc[0]
fitted = found.fitted[found.fitted["chamber"] == first]
ax = fitted.plot(x="time", y=["rh_pct", "fitted_rh_pct"], figsize=(7.2, 2.6), style=[".", "-"])
ax.set_ylabel("relative humidity [%]")
ax.set_title(f"{first}: readings and what the constants foretell", loc="left")
ax.figure

# %% [markdown]
# Points are readings, the line is what the estimated constants foretell. If the line misses the
# points for long, something else was going on: an open door, another mist line, a wet sensor.
#
# ## Which timer holds the band here?

# %%
measured = found.room(first, like=room)
low, high = trial.rig.band_low_rh or 85, trial.rig.band_high_rh or 95
find_holding_setting(measured, low_rh=low, high_rh=high)

# %% [markdown]
# The sentence above the table names the timer that keeps the band with the least water, for the
# chamber as measured. If none does, it says why.

# %%
levels = {
    name: setting
    for name, setting in trial.primary.levels.items()
    if setting.kind in ("timed", "band")
}
compare_settings(measured, levels, band=(low, high)) if levels else "no mist settings in this trial"

# %% [markdown]
# What each setting of your trial should hold in this chamber. Settings that lead to nearly the
# same climate cannot give different harvests.
#
# ## What to do next
#
# * Write the measured numbers under `[rig]` in `trial.toml`: `air_changes_h`,
#   `evaporating_fraction`.
# * If a chamber stands out, look for the leak, the fan or the sensor, and run this again.
# * Then go back to **1_design**.
