"""
The trial in one picture
========================

A whole trial on one page: what the air did, what was picked, and what it used.
"""

import trialkit as tk

trial = tk.read_trial(tk.demo_folder())
logs = tk.read_environment(trial), tk.read_mist(trial)
data = tk.align(trial, tk.read_harvest(trial), *logs)
result = tk.analyse(trial, data)
verdict = tk.decide(trial, result)

# %%
# Each row is one chamber run. On the left is the air of its days of fruiting, with a mark for each
# flush; in the middle its yield, with the mean of each schedule; on the right the water it used.
tables = tk.figures.trial_tables(result, verdict)
ax = tk.figures.trial_in_one_picture(tables)

# %%
# The same for a phone.
ax = tk.figures.trial_in_one_picture(tables, narrow=True)
