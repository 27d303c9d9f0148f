"""
Can it be trusted?
==================

Pictures of the model's checks.
"""

import trialkit as tk

trial = tk.read_trial(tk.demo_folder())
data = tk.align(trial, tk.read_harvest(trial), None, None)
result = tk.analyse(trial, data)
checks = result.fit.diagnose()

# %%
# Errors against fitted values: a funnel or a curve means a poor fit.
ax = tk.figures.residuals_by_fitted(checks.rows)

# %%
# Errors against a normal distribution.
ax = tk.figures.residuals_by_normal(checks.rows["standardised"].dropna())

# %%
# How far the answer moves when one batch is left out.
ax = tk.figures.influence(checks.influence)

# %%
# Where chance variation sits.
ax = tk.figures.variance_shares(result.fit.variances)

# %%
# The same harvest under other plans that might have been drawn.
plan = tk.read_plan(trial)
redrawn = tk.randomisation_test(trial, plan, data, draws=999)
ax = tk.figures.randomisation_null(
    redrawn.draws, redrawn.observed, p=redrawn.p, statistic="F of schedule"
)
