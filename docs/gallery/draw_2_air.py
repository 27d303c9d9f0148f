"""
Air and mist
============

What each chamber really got.
"""

import trialkit as tk

trial = tk.read_trial(tk.demo_folder())
climate = tk.read_environment(trial)
mist = tk.read_mist(trial)
data = tk.align(trial, tk.read_harvest(trial), climate, mist)
runs = data.runs[data.runs["window"] == "whole"]

# %%
# One chamber run up close: humidity, the wanted band, mist, and stretches without usable records.
run = runs[(runs["chamber"] == "T3") & (runs["batch"] == "B2")].iloc[0]
ax = tk.figures.humidity_timeline(
    climate.table[climate.table["chamber"] == "T3"],
    mist.table[mist.table["chamber"] == "T3"],
    start=run["start"],
    stop=run["stop"],
    band=(82, 95),
    zone=trial.time_zone,
)

# %%
# Hours in the band, too dry and too wet, for every run.
ax = tk.figures.hours_by_band(runs)

# %%
# One exposure over all runs.
ax = tk.figures.exposure_by_run(runs, "rh_pct")

# %%
# Mist delivered beside what the timer was set to.
ax = tk.figures.delivered_against_planned(data.fidelity)
