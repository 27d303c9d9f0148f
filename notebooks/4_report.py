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
# # 4 · Decide and report: the answer, what it saves, and a page to share

# %% tags=["parameters"]
folder = ""  # empty: the trial named in trial-folder.txt; without that file, the invented demo

# %%
import trialkit as tk
from trialkit.explore import show_steps
from trialkit.pipeline import Pipeline
from trialkit.status import trial_status
from trialkit.templates.notebooks import find_trial_folder

home = find_trial_folder(folder)
trial = tk.read_trial(home)
trial_status(trial)

# %% [markdown]
# The table shows where the trial stands. Everything is read and fitted again here, so that this
# notebook can be run by itself.

# %%
steps = show_steps(Pipeline(trial))
verdict = steps.verdict
verdict

# %% [markdown]
# The bold sentence answers the question written in the trial file before the first harvest. There
# are only five answers: better, no worse, worse, not enough evidence, or no verdict because a
# check failed.
#
# The first table has one row per level against the control; its limits hold for all levels
# together. The second, where there are logs of the mist, says what water and energy a kilogram of
# mushrooms took.

# %%
saved = "saving_pct" in verdict.use and verdict.use["saving_pct"].notna().any()
bars = tk.figures.savings(verdict.use) if saved else None
bars.figure if saved else "no mist log or no rig, so water and energy are not known"

# %% [markdown]
# What is saved per kilogram against the control, with limits. Limits that reach past zero leave
# open whether anything is saved.

# %%
money = verdict.money
gains = ["level", "estimate", "low", "high", "gain", "gain_low", "gain_high"]
money.table[gains].round(2) if money else "no [prices] in the trial file, so no money is calculated"

# %% [markdown]
# At your own prices, for one unit that received the level: what is left after water and
# electricity, and what is gained against the control, with limits. Mushrooms usually outweigh water
# and electricity by far, so that a small loss of yield can cost more than all the mist saved.

# %%
verdict.settle.round(2)

# %% [markdown]
# The chance of a clear answer if the trial were made larger, given what was found in this one.
# *low* and *high* are what this trial leaves open about each chance; plan for the low end.
#
# ## The page to share

# %%
page = steps.write_report()
str(page)

# %% [markdown]
# One file that opens in any browser without network, and can be sent as it is. It holds the
# answer, the figures, every row set aside, the method, and the seeds and hashes to repeat it.
#
# ## What to do next

# %%
from trialkit.display import show_lines

show_lines(verdict.next_steps)

# %% [markdown]
# Written for the answer you got. A next trial starts in a new folder with
# [1_design](1_design.ipynb); [6_pilot_to_sample_size](6_pilot_to_sample_size.ipynb) uses this one
# to say how large it should be.
