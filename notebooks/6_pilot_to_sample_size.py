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
# # 6 · From a pilot to the size of the next trial
#
# How much do your own blocks, chambers and batches vary? A first trial, even a small one, says so
# better than any general number. This notebook takes that variation and works out how large the
# next trial must be.

# %% tags=["parameters"]
folder = ""  # empty: the trial named in trial-folder.txt; without that file, the invented demo

# %%
import trialkit as tk
from trialkit.explore import show_share
from trialkit.status import trial_status
from trialkit.templates.notebooks import find_trial_folder

home = find_trial_folder(folder)
trial = tk.read_trial(home)
trial_status(trial)

# %% [markdown]
# The table shows whether there is a harvest to learn from. If there is none yet, general planning
# ranges are used instead, and marked as such.

# %%
spec = trial.logs.get("harvest")
grown = spec is not None and any(list(home.glob(pattern)) for pattern in spec.files)
if grown:
    harvest = tk.read_harvest(trial)
    data = tk.align(trial, harvest, None, None, plan=tk.read_plan(trial))
    pilot = tk.analyse(trial, data).fit
telling = show_share()
power = tk.power(trial, pilot=pilot if grown else None, progress=telling)
power.variation.table

# %% [markdown]
# How much units of each kind differ, in per cent of the mean yield. *low* and *high* show how
# well that is known, and *df* why: a pilot with few batches leaves a wide gap.

# %%
power

# %% [markdown]
# What a trial of the **same** layout would find out, with that variation. The range is what the
# pilot leaves open: for 9 of 10 pilots like it, the true chance lies within. Plan for its lower
# end. Where the range is said to be too wide, the pilot cannot size the next trial.

# %%
power.needed

# %% [markdown]
# For each kind of unit, the count at which the chance reaches the wanted 80 % with all else
# unchanged. *needed_low* and *needed_high* are the counts with little and with much variation.
# No number means that more of that unit alone does not get there, up to 40 of them.

# %%
power.curve().figure

# %% [markdown]
# The same as a picture: choose the line that rises fastest for the money and the room you have.

# %%
power.sliders()

# %% [markdown]
# Move the sliders until the chance is good enough, then note the counts.
#
# ## What to do next
#
# * Begin the next trial in a new folder with [1_design](1_design.ipynb) and the counts you found.
# * If no affordable size is enough, ask a coarser question: a larger accepted loss, or settings
#   that lie further apart.
