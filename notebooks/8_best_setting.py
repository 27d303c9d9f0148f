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
# # 8 · The best setting: how much mist, how much light?
#
# For trials whose treatments are ranges of numbers, `range = { duty_pct = [2, 10], … }` in the
# trial file. If yours compares named levels, the invented trial of ranges stands in here; the table
# below then says that it is invented.

# %% tags=["parameters"]
folder = ""  # empty: the trial named in trial-folder.txt; without that file, an invented demo

# %%
import trialkit as tk
from trialkit.demo import copy_demo
from trialkit.status import trial_status
from trialkit.templates.notebooks import find_trial_folder

trial = tk.read_trial(find_trial_folder(folder, ranges=True))
if not trial.tuned:
    trial = tk.read_trial(copy_demo("trialkit-demo-tuned", tuned=True))
trial_status(trial)

# %% [markdown]
# The table shows where the trial stands. The surface needs the plan and the harvest; climate and
# mist logs add what each chamber really got.
#
# ## The answer

# %%
from trialkit.explore import show_steps
from trialkit.pipeline import Pipeline

steps = show_steps(Pipeline(trial))
data, found = steps.data, steps.best_setting
found

# %% [markdown]
# First where the best setting lies, as far as the trial can tell, then what to choose by what you
# want. Every sentence carries its doubt.

# %%
names = [setting.name for setting in found.surface.settings]
limits = found.limits.assign(within=found.region.within)
limits[limits["within"]].describe().loc[["min", "max"], names]

# %% [markdown]
# The smallest and largest value of each setting that may still be the best. If they span the whole
# range, the trial has not seen a best setting.
#
# ## The surface

# %%
first, best = found.surface.settings[0], dict(zip(names, found.region.best, strict=True))
along = limits
for name in names[1:]:
    along = along[(along[name] - best[name]).abs() < 1e-6]
curve = tk.figures.setting_curve(
    along,
    setting=first.name,
    axis=f"{first.name} [{first.unit}]",
    quantity=found.surface.response,
    today=first.usual,
    basis=f"n = {found.surface.fit.n} blocks.",
)
curve.figure

# %% [markdown]
# What a block gives along the first setting, the others at their best. The band holds over the
# whole range at once; the bar on the axis is what may be best.

# %%
found.tests.round(4)

# %% [markdown]
# Do the settings change the yield, does it curve, and does what was tried depart from the surface?
# A small `p` in the last row means that the curve is too simple for your crop: read its best with
# care, and try settings in between.
#
# ## At your prices
#
# Move the sliders: prices, and the loss that you accept. They change what pays and what the least
# mist is; the surface stays as it is, and so does your trial file.

# %%
from trialkit.explore_choices import choice_sliders

sliders = choice_sliders(trial, data, found)
sliders

# %% [markdown]
# Each mark is the most mushrooms for the water or power spent; filled ones surely lose no more than
# you accept. The careful choice is the one to take where the trial leaves much open: its gain, less
# half its standard error, is the largest. *Falls short by* is what the best settings there may be
# would give more, on average over what is not known.
#
# ## By what chambers really got

# %%
from IPython.display import Markdown

from trialkit.decision.setting_sentences import say_delivered

Markdown("\n\n".join(str(say_delivered(delivered)) for delivered in found.delivered))

# %% [markdown]
# The same surface over the duty of the mist log and the humidity of the air, where they were
# logged. This was **not randomised**: a chamber that got more or less than was set may differ in
# other ways too. It helps to understand the answer and does not replace it.
#
# ## What to do next
#
# * Take the careful choice, or the least mist, in some chambers; keep today's setting in others.
# * Where the best is open at an end of the range, or between limits far apart, plan a second trial
#   around it: [1_design](1_design.ipynb), with a range that reaches further or is narrower.
# * Share the answer: `trialkit report` writes it as one page.
