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
# # 9 · Several trials together, and the next one
#
# One trial tells about one room and one season. Several trials of the same question tell how much
# rooms and seasons differ, and so what the next one may show.

# %% tags=["parameters"]
folder = ""  # empty: the trial named in trial-folder.txt; without that file, an invented demo

# %%
import trialkit as tk
from trialkit.demo import copy_demo
from trialkit.status import trial_status
from trialkit.templates.notebooks import find_trial_folder

trial = tk.read_trial(find_trial_folder(folder))
trial_status(trial)

# %% [markdown]
# The table shows where your trial stands.
#
# ## The answers

# %%
others = []  # folders of further trials, answer files of others, or folders of such files
level = ""  # what is compared with the control; empty: the first level, or the middle of ranges

# %% [markdown]
# Name the other trials here. Without any, a few answers of invented farms stand in, so that you see
# how it works; the tables and the cautions below then say that they are invented. Choose the level
# before you look at the trials: the best-looking one of each trial looks too good.

# %%
from pathlib import Path

from IPython.display import Markdown

from trialkit.demo.neighbours import invent_answers
from trialkit.federation.gather import answer_files, gather_answers
from trialkit.own_answers import answers_of_trials, level_to_pool
from trialkit.pipeline import Pipeline

places = [Path(place) for place in others]
folders = [place for place in places if (place / "trial.toml").is_file()]
files = [file for place in places if place not in folders for file in answer_files(place)]
jobs = [Pipeline(trial), *[Pipeline(place) for place in folders]]
own = answers_of_trials(jobs, level=level or level_to_pool(trial))
gathered = gather_answers(own if others else [*own, *invent_answers(own[0])], files)
told = [f"{own[0].level} against {own[0].control}: {len(gathered.answers)} answers"]
Markdown("\n\n".join([*told, *[f"not used: {file}: {why}" for file, why in gathered.aside]]))

# %% [markdown]
# Each answer is the ratio of two means with its standard error; no weights and no logs are needed.
# A harvest counts once, whatever its file is called.
#
# ## Together

# %%
from trialkit.federation.pool import pool_answers

pooled = pool_answers(gathered.answers, margin_pct=trial.question.margin_pct)
tk.figures.answers_together(
    pooled.table,
    pooled=pooled.ratios,
    control=pooled.first.control,
    margin_pct=pooled.margin_pct,
    better=pooled.first.better,
    response=pooled.first.response,
    basis=f"n = {len(pooled.answers)} trials.",
).figure

# %% [markdown]
# Each bar is a trial with its limits. Below are the mean over trials like these, and the limits
# between which the true difference in the next room or season would lie: these are the wider ones.

# %%
Markdown("\n\n".join(map(str, [*pooled.said, *[told.message for told in pooled.findings]])))

# %% [markdown]
# The answer on average, then what the next room or season may show, then what you should know of
# these trials before you rely on either.
#
# ## The register

# %%
columns = ["trial", "species", "begun", "ratio", "low", "high", "weight_pct", "odd_p", "invented"]
pooled.table[columns].round(3)

# %% [markdown]
# One row per trial. A small `odd_p` marks a trial that does not look like the others: ask how it
# was run before you believe it, and before you leave it out.

# %%
from trialkit.federation.views import views_of

views = views_of(pooled)
views.get("season", views.get("species", pooled.table[["trial", "ratio"]])).round(3)

# %% [markdown]
# The same by season, where trials differ in it. This is a **view and no proof**: nobody gave
# seasons to rooms by chance.
#
# ## The next trial
#
# Where treatments are ranges of numbers, the trials so far also say which settings the next one
# should try, what that is expected to bring, and when to stop. If yours compares named levels, the
# invented trial of ranges stands in here.

# %%
from trialkit.templates.next_trial import propose_next_trial

ranges = [job for job in jobs if job.trial.tuned]
if not ranges:
    ranges = [Pipeline(tk.read_trial(copy_demo("trialkit-demo-tuned", tuned=True)))]
found = propose_next_trial([job.trial for job in ranges], [job.data for job in ranges])
Markdown("\n\n".join(map(str, found.said)))

# %% [markdown]
# What is known, which settings to try, what choosing after that trial is expected to give more than
# choosing now, and whether that pays.

# %%
found.table.round(3)

# %% [markdown]
# Settings that the plan of the next trial would try. Gains are against today's setting; they are
# drawn towards none, since the best-looking of many looks too good.
#
# ## What to do next
#
# * Write the next trial: `trialkit next spring summer` in a terminal, then
#   [1_design](1_design.ipynb) draws its plan.
# * One page for all who took part: `trialkit pool spring autumn answers`.
# * Share your answer without logs and weights: `trialkit pool spring --export spring.json`.
# * The best setting of one trial: [8_best_setting](8_best_setting.ipynb).
