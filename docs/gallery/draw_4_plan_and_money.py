"""
The plan, and what is saved
===========================

Before the trial and after it.
"""

import trialkit as tk

trial = tk.read_trial(tk.demo_folder())
plan = tk.read_plan(trial)
ax = plan.map()

# %%
# Chance of a clear answer by number of batches, from the spread that this trial found.
logs = tk.read_environment(trial), tk.read_mist(trial)
data = tk.align(trial, tk.read_harvest(trial), *logs)
verdict = tk.decide(trial, tk.analyse(trial, data))
ax = tk.figures.power_curve(verdict.settle, x="count", y="no_worse", axis="batches")

# %%
# Water and electricity saved for each kilogram, with limits.
ax = tk.figures.savings(verdict.use)

# %%
# What each schedule gains over the usual one, as one price changes.
money = verdict.money
ax = tk.figures.price_sensitivity(money.by_price, price="mushrooms", currency=money.currency)
