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
# hours with the mist on for a minute or two and off for twenty minutes tell all three,
# before any block goes in. Let the logger read every 10 to 30 seconds.

# %% tags=["parameters"]
folder = ""  # empty: the trial named in trial-folder.txt; without that file, the invented demo

# %% [markdown]
# Name your own test below: two CSV files with the columns `time, temp_c, rh_pct` and `start,
# stop` (and `chamber`, if there are several). Left empty, a test is made up from the rig in the
# trial file, with the noise of a usual sensor, so that you can see how it works.

# %%
climate_file = ""
mist_file = ""

# %% [markdown]
# Times in these files are read as they stand; both files must show the same clock.

# %%
import trialkit as tk
from trialkit.status import trial_status
from trialkit.templates.notebooks import find_trial_folder

home = find_trial_folder(folder)
trial = tk.read_trial(home)
trial_status(trial)

# %% [markdown]
# The table says which logs the trial has; its own climate and mist logs are used further down.

# %%
from trialkit.cautions import show_cautions

show_cautions(trial=trial)

# %% [markdown]
# These are the usual cautions for what your trial uses; your local code and licensed practice come
# first.
#
# ## Two hours on and off

# %%
import numpy as np
import pandas as pd

from trialkit.chamber import (
    compare_settings,
    find_holding_setting,
    foresee,
    identify_room,
    room_from_rig,
    simulate,
)

rig = {"chamber_m3": 2.0, "air_changes_h": 4.0, "mist_l_h": 0.4}
rig |= trial.rig.model_dump(exclude_none=True)
room = room_from_rig(rig).room
if climate_file:
    climate = pd.read_csv(home / climate_file, parse_dates=["time"])
    mist = pd.read_csv(home / mist_file, parse_dates=["start", "stop"])
else:
    begin = pd.Timestamp("2031-01-01", tz="UTC")
    empty = room.change(crop_m2=0.0, crop_co2_g_h=0.0, surface_m2=0.0)
    trace = simulate(empty, {"on_s": 45, "off_s": 1155}, 2.0).trace
    noise = np.random.default_rng(trial.seed).normal(0, 0.3, len(trace))
    times = begin + pd.to_timedelta(trace["time_s"], unit="s")
    climate = pd.DataFrame({"time": times, "temp_c": trace["temp_c"]})
    climate["rh_pct"] = np.clip(trace["sensor_rh_pct"] + noise, 0, 100)
    pulses = begin + pd.to_timedelta(np.arange(0, 7200, 1200), unit="s")
    mist = pd.DataFrame({"start": pulses, "stop": pulses + pd.Timedelta("45s")})
found = identify_room(climate, mist, like=room)
found

# %% [markdown]
# One row per chamber, each number with its limits. *Air changes* is how fast humidity falls back
# with the mist off (wet surfaces are part of it: do the test in an empty chamber, or write
# `identify_room(climate, mist, empty=False)`); *mist reaching the air* is what the fogger adds
# while on, per cubic metre. Where it says *not determined*, the log does not tell the number, and
# the note below the table says why and what log would.

# %%
from trialkit.figures.rooms import room_fit

best = found.soundest  # the chamber whose air changes are known best
room_fit(found, chamber=best).figure

# %% [markdown]
# If the line misses the points for long, something else was going on: an open door, another mist
# line, a wet sensor. A dotted grey line is one of many that fit: the log does not tell.
#
# ## Which timer holds the band here?

# %%
known = {"air_changes_h", "mist_g_m3_h"} <= found.fits[best].determined
measured = found.room(best, like=room) if known else room
low, high = trial.rig.band_low_rh or 85, trial.rig.band_high_rh or 95
find_holding_setting(measured, low_rh=low, high_rh=high)

# %% [markdown]
# The sentence above the table names the timer that keeps the band with the least water, for the
# chamber as measured (as the rig says, where air changes or mist are *not determined* above). If
# none does, it says why.

# %%
levels = {
    name: setting
    for name, setting in trial.primary.levels.items()
    if setting.kind in ("timed", "band")
}
compare_settings(measured, levels, band=(low, high)) if levels else "no mist settings in this trial"

# %% [markdown]
# What each setting of your trial should hold in this chamber, calculated. Settings that lead to
# nearly the same climate cannot give different harvests.
#
# The next table is a range instead of a number: the same settings in two hundred rooms that yours
# could be, given what stands in `[rig]`, what you measured (`measured` lists it) and what is
# unknown. The notes say what measurement would narrow it most.

# %%
foresee(rig, levels, band=(low, high)) if levels else "no mist settings in this trial"

# %% [markdown]
# ## Are the chambers alike?
#
# If the trial has climate and mist logs, six hours of them say whether one chamber stands out.
# Short mist cycles and readings a minute apart tell less than a proper test, and the notes say
# so.

# %%
starts = [dates.start for dates in trial.batches.values() if dates.start is not None]
own = {"environment", "mist"} <= set(trial.logs) and len(starts) > 0
if own:
    begin = pd.Timestamp(min(starts)) + pd.Timedelta("1D")
    end = begin + pd.Timedelta("6h")
    air, spells = tk.read_environment(trial).table, tk.read_mist(trial).table
    air = air[air["time"].between(begin, end)]
    spells = spells[(spells["start"] >= begin) & (spells["stop"] <= end)]
    own_logs = identify_room(air, spells, like=room, empty=False)
own_logs if own else "no climate and mist logs in this trial yet"

# %% [markdown]
# Chambers that differ from the others are named below the table: that is worth fixing before a
# trial, or at least worth knowing.
#
# ## What to do next
#
# * Write the measured numbers under `[rig]` in `trial.toml`: `air_changes_h` and
#   `evaporating_fraction`, and name both in its list `measured`.
# * If a chamber stands out, look for the leak, the fan or the sensor, and run this again.
# * Then go back to [1_design](1_design.ipynb).
