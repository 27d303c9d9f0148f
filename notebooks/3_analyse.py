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
# # 3 · Analyse: what difference did the treatments make?
#
# The model follows from how the trial was laid out, so that a schedule given to whole chambers is
# judged against chambers, never against blocks. You choose nothing here; that is what makes it
# fair.

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
# The table shows where the trial stands. The analysis needs the plan and the harvest; climate and
# mist logs add what each chamber really got.

# %%
steps = show_steps(Pipeline(trial))
plan, data = steps.plan, steps.data
climes = [name for name in ("days", "rh_pct", "temp_c", "duty_pct") if name in data.table]
chosen = dict.fromkeys(["unit", "flush", *trial.factors, trial.question.response, *climes])
data.table[list(chosen)].head().round(1)

# %% [markdown]
# One row per block and flush: what it was given, what it yielded, and what its chamber got in
# that time.
#
# ## Look first

# %%
result = steps.result
whole = tk.figures.trial_in_one_picture(tk.figures.trial_tables(result, steps.verdict))
whole.figure

# %% [markdown]
# The whole trial at once. Each strip is one unit that received the level, day by day: pale where
# the air was as wanted, dark from below where it was too dry, blue from above where it was too wet.
# Marks on a strip are the flushes. In the middle is what each unit gave, with the mean of each
# level and the limits in which the true mean is likely to lie; on the right is the water of its
# mist. Not one block is a mark here, only units.
#
# ## The fitted effects

# %%
result

# %% [markdown]
# First the mean of each level, then the differences. A difference whose limits include 0 could be
# chance. `method` names how the limits were found, and findings below the tables say what to keep
# in mind.

# %%
from IPython.display import HTML

from trialkit.display import show_table

HTML(show_table(result.tests().reset_index(), heads={"num_df": "df", "den_df": "error df"}).html())

# %% [markdown]
# One row per part of the model. `p` is how often chance alone would give an effect at least this
# large; it says nothing about whether the effect matters, which the next picture does.

# %%
margin = trial.question.margin_pct
against = tk.figures.ratio_to_reference(result.ratios, margin_pct=margin)
against.figure

# %% [markdown]
# Yield of each level against the control. The shaded part is the loss you said you would accept
# before the trial: limits that stay right of its left edge show that a level is *no worse*;
# limits right of zero, that it is *better*.

# %%
from trialkit.wording import units_in_words

primary, response = trial.primary, trial.question.response
units, words = list(primary.applied_to), units_in_words(primary.applied_to)
flushes = tk.figures.unit_means(
    data.table, factor=primary.name, units=units, response=response, by=["flush"]
)
profile = tk.figures.flush_profiles(
    flushes, order=list(primary.levels), response=response, units=words
)
profile.figure

# %% [markdown]
# How the harvest runs from flush to flush. Lines that run side by side mean that the schedules
# differ alike in every flush; lines that cross are worth a thought.
#
# ## Where the chance variation sits

# %%
shares = tk.figures.variance_shares(result.fit.variances)
shares.figure

# %% [markdown]
# Long bars between batches or chambers say where a next trial needs its repeats. Where no
# bar is drawn, units of that kind differed less than chance alone would make them differ.
#
# ## Can it be trusted?

# %%
result.fit.diagnose()

# %% [markdown]
# Each line is one check: *sound*, or *look*, with the reason. A batch or chamber that alone
# decides the answer is named here.

# %%
redrawn = tk.randomisation_test(trial, plan, data, draws=499)
redrawn

# %% [markdown]
# The referee that needs no model: the plan was drawn by chance, so it is drawn anew many times on
# the same harvest. The share of draws that show a difference at least as large is its `p`. It
# should be of the same order as that of the model.
#
# ## What to do next
#
# Open [4_report](4_report.ipynb) for the answer to your question in one sentence, what it saves,
# and a page to share.
