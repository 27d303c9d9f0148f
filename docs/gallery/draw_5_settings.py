"""
Settings as numbers
===================

Where settings were given as ranges, the response is drawn over the range. The numbers here are made
up for the picture.
"""

import numpy as np
import pandas as pd

import trialkit as tk

duty, light = np.meshgrid(np.linspace(2, 10, 17), np.linspace(100, 900, 17))
grid = pd.DataFrame({"duty_pct": duty.ravel(), "lux": light.ravel()})
grid["estimate"] = 480 - 3 * (grid["duty_pct"] - 6) ** 2 - (grid["lux"] - 500) ** 2 / 4000
grid["low"], grid["high"] = grid["estimate"] - 30, grid["estimate"] + 30
grid["within"] = grid["estimate"] > 465

# %%
# A slice through the surface, with joint limits and today's setting.
ax = tk.figures.setting_curve(
    grid[grid["lux"] == 500],
    setting="duty_pct",
    axis="mist [% of the time]",
    quantity="fresh weight [g]",
    today=8.0,
)

# %%
# Two settings at once: the region that may hold the best, the tried points, today's setting.
ax = tk.figures.setting_map(
    grid,
    settings=["duty_pct", "lux"],
    labels=["mist [% of the time]", "light [lux]"],
    quantity="fresh weight [g]",
    today={"duty_pct": 8.0, "lux": 300.0},
    best={"duty_pct": 6.0, "lux": 500.0},
    tried=pd.DataFrame({"duty_pct": [2.0, 6, 10], "lux": [100.0, 500, 900], "n": [4, 4, 4]}),
)

# %%
# Before anything is grown: how exact the surface will be, by a plan that was drawn.
from trialkit.design.points.three_levels import error_over_range  # noqa: E402

plan = tk.assign(tk.read_trial(tk.demo_folder(tuned=True)))
exact = error_over_range(plan.trial, plan.table)
ax = tk.figures.setting_error(
    exact.table,
    settings=["mist", "light"],
    labels=["mist [% of the time]", "light [lux]"],
    today={f.name: f.number(f.reference) for f in plan.trial.tuned},
    tried=exact.tried,
    basis=f"n = {exact.units} shelves.",
)

# %%
# Yield against water, with today's setting.
frontier = pd.DataFrame({"use": [0.5, 1.0, 1.5, 2.0], "yield": [400.0, 450, 470, 474]})
frontier["yield_low"], frontier["yield_high"] = frontier["yield"] - 35, frontier["yield"] + 35
frontier["loses_no_more"] = [False, False, True, True]
ax = tk.figures.yield_against_use(
    frontier,
    today={"use": 2.5, "yield": 476.0},
    axis="water [L for each run]",
    quantity="fresh weight [g]",
)
