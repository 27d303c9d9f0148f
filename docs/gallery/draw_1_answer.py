"""
Yields and differences
======================

What each schedule yielded, and how it compares with the usual one.
"""

import trialkit as tk

trial = tk.read_trial(tk.demo_folder())
data = tk.align(trial, tk.read_harvest(trial), None, None)
result = tk.analyse(trial, data)

# %%
# Mean of each schedule with its limits; each open mark is one chamber run, the unit that received
# the schedule.
points = tk.figures.unit_means(data.table, factor="schedule", units=["batch", "chamber"])
ax = tk.figures.yield_by_level(
    result.means["schedule"], points, reference="usual", units="chamber runs"
)

# %%
# Ratio to the usual schedule. The shaded part is the loss that was accepted beforehand.
ax = tk.figures.ratio_to_reference(result.ratios, margin_pct=trial.question.margin_pct)

# %%
# The same as differences in grams.
ax = tk.figures.effects(result.differences["schedule"], quantity="fresh weight [g]")

# %%
# How the harvest runs from flush to flush.
flushes = tk.figures.unit_means(
    data.table, factor="schedule", units=["batch", "chamber"], by=["flush"]
)
ax = tk.figures.flush_profiles(flushes, order=["usual", "sparse", "banded"], units="chamber runs")
