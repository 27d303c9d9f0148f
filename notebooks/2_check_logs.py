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
# # 2 · Check the logs: is what was recorded sound?
#
# Run this while the trial runs and again at its end. Every row that is read is either kept or set
# aside with a reason. Your files are never changed.

# %% tags=["parameters"]
folder = ""  # empty: the trial named in trial-folder.txt; without that file, the invented demo

# %%
import trialkit as tk
from trialkit.display import show_table
from trialkit.explore import show_steps
from trialkit.pipeline import Pipeline
from trialkit.status import trial_status
from trialkit.templates.notebooks import find_trial_folder

home = find_trial_folder(folder)
trial = tk.read_trial(home)
trial_status(trial)

# %% [markdown]
# The table says which logs there are. Logs your trial does not have are passed over below.
#
# ## The harvest sheet

# %%
steps = show_steps(Pipeline(trial))
harvest = steps.harvest
harvest

# %% [markdown]
# Rows read are rows kept plus rows set aside, always. Under the table stands what is doubtful,
# each with what to do about it.

# %%
show_table(harvest.ledger.table)

# %% [markdown]
# The ledger: one line for each thing done to a row, with file and row as you see them in a
# spreadsheet. An empty table means that every row was taken as it is.
#
# ## Climate and mist

# %%
climate = steps.climate
climate

# %% [markdown]
# One line per logger file. Nothing is shown if the trial has no climate log. Then only the
# weights are analysed, which is a full trial, but it cannot say what each chamber really got.

# %%
mist = steps.mist
mist

# %% [markdown]
# The mist log says when the mist was switched on, as the relay or controller wrote it down.
#
# ## What each chamber got

# %%
data = steps.data
data

# %% [markdown]
# One row per chamber run where there are climate logs: mean humidity and temperature, hours
# outside the band, water and energy, and the share of the time with sound records. Findings stand
# below it.

# %%
whole = data.runs[data.runs["window"] == "whole"] if len(data.runs) else data.runs
recorded = climate is not None and len(whole) > 0 and "hours_in_band" in whole
bars = tk.figures.hours_by_band(whole) if recorded else None
bars.figure if recorded else "no climate log, so no hours in the band"

# %% [markdown]
# Each bar is one chamber run: too dry, in the band, too wet, and hatched where nothing sound was
# recorded. Bars of the same schedule should look alike.

# %%
compared = mist is not None and len(data.fidelity) > 0
order = list(trial.primary.levels)
marks = tk.figures.delivered_against_planned(data.fidelity, order=order) if compared else None
marks.figure if compared else "no mist log, so nothing to compare with the plan"

# %% [markdown]
# Marks are what was delivered, upright bars what the timer was set to. A mark far from its bar is
# a timer set wrong or a rig that stood still.
#
# ## One chamber run up close
#
# The run with the fewest sound records, because that is where trouble shows.

# %%
from trialkit.alignment.checks import doubted_humidity, mist_troubles

worst = whole.sort_values("coverage_pct").iloc[0] if recorded else None
near = (
    {
        "records": climate.table[climate.table["chamber"] == worst["chamber"]],
        "mist": mist.table[mist.table["chamber"] == worst["chamber"]] if mist else None,
        "start": worst["start"],
        "stop": worst["stop"],
        "flags": doubted_humidity(data.check, worst["chamber"], worst["start"], worst["stop"]),
        "troubles": mist_troubles(data.check, worst["chamber"], worst["start"], worst["stop"]),
    }
    if recorded
    else {}
)
band = (trial.rig.band_low_rh, trial.rig.band_high_rh)
line = tk.figures.humidity_timeline(**near, band=band, zone=trial.time_zone) if near else None
line.figure if near else "no climate log, so no timeline"

# %% [markdown]
# The line is humidity, pale its range within each stretch; the strip below is mist; hatched
# stretches have no sound records: a gap, or a sensor found stuck. Mist without a rise in humidity
# is a fan or fogger that failed.
#
# ## What to do next
#
# * Something to fix? Each finding ends with what to do. Clocks, units and rows to keep are
#   told to trialkit in `trial.toml`, never by changing a log.
# * All sound and the last batch is in? Open [3_analyse](3_analyse.ipynb).
