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
# # 1 · Design: a fair question and a plan drawn at random
#
# This notebook takes you from a question to a plan you can print: what one unit is, what the
# trial can find out, whether each mist setting will hold the humidity, and who gets what.
#
# Run the cells from top to bottom (Shift-Enter). `folder` below is the folder of one trial. Left
# empty, it is the one named in `trial-folder.txt` beside the notebooks, which all of them read.

# %% tags=["parameters"]
folder = ""  # empty: the trial named in trial-folder.txt; without that file, the invented demo

# %% [markdown]
# If the folder holds no trial yet, the next cell begins one with these answers. Change them
# first; afterwards the trial lives in `trial.toml`, a text file with notes, and that is where to
# change it.

# %%
import trialkit as tk
from trialkit.display import show_lines
from trialkit.explore import schedule_sliders, show_share
from trialkit.status import trial_status
from trialkit.templates import new_trial
from trialkit.templates.notebooks import find_trial_folder

answers = {
    "title": "Is sparser mist as good as the usual mist?",
    "species": "oyster mushroom",
    "time_zone": "UTC",  # such as "Europe/Vienna" or "America/Chicago"
    "chambers": 4,  # how many tents or boxes, or a list of their names
    "batches": 4,  # starts of fruiting, one after the other
    "blocks": 6,  # blocks in each
    "flushes": 3,  # waves of picking that are weighed
    "schedules": {"usual": "20/220", "sparse": "20/460"},  # seconds on/off; or "85-90%"
    "margin_pct": 10,  # loss you would still accept
}
home = find_trial_folder(folder, may_begin=True)
if not (home / "trial.toml").exists():
    new_trial(home, **answers)
trial = tk.read_trial(home)
trial_status(trial)

# %% [markdown]
# That is where your trial stands; the line at the foot says what comes next. The steps below go
# through the design.
#
# ## What is one unit?
#
# A schedule is set for a whole chamber at once. Six blocks in one box are therefore **one**
# observation of that schedule, however many blocks you weigh. From the layout in `trial.toml`
# trialkit works out which units each treatment is compared between.

# %%
strata = tk.strata(trial)
strata

# %% [markdown]
# Read the lines under the table: the *df for error* say how many independent comparisons are left
# to judge chance by. With fewer than about 6 a trial is weak, and more **batches** or
# **chambers** help, not more blocks.
#
# ## What can this trial find out?
#
# The chance of a clear answer, before anything is grown, for the loss you accept and the
# difference you want to find.

# %%
power = tk.power(trial, trials=1_000, progress=show_share())
power

# %% [markdown]
# The column *chance* is for middling variation; the two beside it are for much and for little.
# Below 80 % the trial will often end with “not enough evidence”.
# A thousand trials were simulated: a chance near 50 % is known to about 3 points, to half that with
# `trials=4_000`, which takes four times as long.

# %%
power.next_step

# %% [markdown]
# One row per way to enlarge the trial: what one more of it adds to the chance (`gain`), and what
# it costs where the trial file has prices. The first row is the best next step.

# %%
power.curve().figure

# %% [markdown]
# Each line shows how the chance grows as one kind of unit is added. A line that flattens early is
# a waste of work: that is usually the line of the blocks.
#
# Move the sliders to try other sizes. Nothing is written; change `trial.toml` to keep a choice.

# %%
power.sliders()

# %% [markdown]
# The table under the sliders is worked out anew each time, with everything else as in your trial.
#
# ## Will the mist hold the humidity in this room?

# %%
schedule_sliders(trial)

# %% [markdown]
# The picture is a calculation from the room and the rig under `[rig]`, not a measurement: the
# shaded band is the humidity you want, the strip below shows the mist.
# [5_commissioning](5_commissioning.ipynb) measures what your chamber is really like.
#
# ## Who gets what
#
# The draw is random but balanced, and can be repeated from the seed. If a plan is there already,
# it is read and not drawn again.

# %%
drawn = (home / "plan" / "plan.json").exists()
plan = tk.read_plan(trial) if drawn else tk.assign(trial)
plan

# %% [markdown]
# The table says how each treatment was laid out and how much of the information is kept.

# %%
plan.map()

# %% [markdown]
# The map shows who gets what. Keep it from whoever weighs.

# %%
wrote = [] if drawn else plan.write(home)
show_lines(path.name for path in wrote) if wrote else "the plan was there already and was left"

# %% [markdown]
# New files are in `plan/` in the trial's folder: the assignment, the map, timer settings, and a
# harvest sheet that lists every block and flush.
#
# ## Before you switch on

# %%
from trialkit.cautions import show_cautions

show_cautions(trial=trial)

# %% [markdown]
# These are the usual cautions for what your trial uses; your local code and licensed practice come
# first.
#
# ## What to do next
#
# 1. Print `plan/`, set each timer, and label the blocks.
# 2. When a batch starts, write its date under `[batches]` in `trial.toml`.
# 3. At each picking fill in the harvest sheet and save it as the trial file says.
# 4. While it runs, open [2_check_logs](2_check_logs.ipynb) now and then: a dead fan is cheap to
#    fix on the day.
