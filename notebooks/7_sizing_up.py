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
# # 7 · Sizing up: from one tub to ten tents
#
# What mist, fresh air, water, electricity and parts does it take to hold the humidity you want, in
# one chamber and in ten? All of it is calculated from the rig, not measured. What nobody told is
# assumed, and said so, or left as *not given*.

# %% tags=["parameters"]
folder = ""  # empty: the trial named in trial-folder.txt; without that file, the invented demo

# %%
import trialkit as tk
from trialkit.status import trial_status
from trialkit.templates.notebooks import find_trial_folder

home = find_trial_folder(folder)
trial = tk.read_trial(home)
trial_status(trial)

# %% [markdown]
# The trial's own rig comes last; first two worked examples.

# %%
from trialkit.cautions import show_cautions

show_cautions(trial=trial)

# %% [markdown]
# These are the usual cautions for what your trial uses; your local code and licensed practice come
# first.
#
# ## One tub
#
# A tub of 60 litres with holes in its lid stands in a room of 20 °C and 50 % humidity. A small
# fogger of 0.25 L an hour blows in through half a metre of tube.

# %%
from trialkit.chamber import read_supply, room_from_rig, size_up

tub_rig = {
    "chamber_m3": 0.06,
    "air_changes_h": 3.0,
    "mist_l_h": 0.25,
    "mist_air_changes_h": 20.0,
    "fogger_w": 20.0,
    "room_temp_c": 20.0,
    "room_rh_pct": 50.0,
    "duct_m": 0.5,
    "duct_mm": 40.0,
}
tub = size_up(
    room_from_rig(tub_rig).room,
    low_rh=85,
    high_rh=95,
    chambers=[1],
    blocks=1,
    block_co2_g_h=0.1,
    supply=read_supply(tub_rig),
)
tub

# %% [markdown]
# *Mist while on* is what holds the middle of the band when the fogger runs half of the time at
# most; *mist to buy* adds what the tube keeps back, a dry winter week and the lid that was opened.
# The sentence below names what limits first. In a small tub that is mostly the shortest pulse: one
# puff of any fogger fills the air.

# %%
tub.show_supply()

# %% [markdown]
# Each line says what it rests on. How hard the water is and what the fan can do were not given, so
# scale, dust and fan power are not either. Write `water_solids_mg_l`, `fan_m3_h` and `fan_pa` into
# the rig to get them.
#
# ## Ten tents
#
# Tents of 2 m³ with twelve blocks each. One fan per tent blows the fog through five metres of duct
# with two bends, from a tank that holds 20 litres. The water has 250 mg of solids in a litre, and a
# block in full growth gives off a gram of CO2 an hour (judged; measure yours).

# %%
tent_rig = {
    "chamber_m3": 2.0,
    "air_changes_h": 4.0,
    "mist_l_h": 0.5,
    "mist_air_changes_h": 15.0,
    "fogger_w": 40.0,
    "fan_w": 18.0,
    "room_temp_c": 18.0,
    "room_rh_pct": 55.0,
    "reservoir_l": 20.0,
    "duct_m": 5.0,
    "duct_mm": 100.0,
    "duct_bends": 2,
    "fan_m3_h": 150.0,
    "fan_pa": 60.0,
    "water_solids_mg_l": 250.0,
}
tents = size_up(
    room_from_rig(tent_rig).room,
    low_rh=85,
    high_rh=95,
    chambers=[1, 2, 4, 10],
    blocks=12,
    block_co2_g_h=1.0,
    supply=read_supply(tent_rig),
)
tents

# %% [markdown]
# Twelve breathing blocks ask for more fresh air than the tent leaks: that is what the sentence says
# stands in the way. The fresh air carries mist off; the next table sets the two beside each other.

# %%
tents.show_supply()

# %% [markdown]
# Compare *mist if only the leaks changed the air* with *mist with the fresh air needed*: a lower
# CO2 limit costs water. Hard water leaves scale and, as the drops dry, dust that you breathe; water
# with few solids leaves neither.

# %%
tents.show_parts()

# %% [markdown]
# The parts are quantities. Prices, and what your local code asks for, are yours to add.

# %%
from trialkit.figures.rooms import cost_by_chambers

cost_by_chambers(tents).figure

# %% [markdown]
# Everything grows with the number of tents here, since each has its own fogger. What does not show:
# ten tents dry or wet the room around them too (`surroundings_m3` in the rig counts that).
#
# ## Your own rig

# %%
named = {"chamber_m3", "air_changes_h", "mist_l_h"} <= set(trial.rig.model_dump(exclude_none=True))
own = None
if named:
    low, high = trial.rig.band_low_rh or 85, trial.rig.band_high_rh or 95
    own = size_up(
        room_from_rig(trial.rig).room,
        low_rh=low,
        high_rh=high,
        chambers=[1, 2, 4, 10],
        prices=trial.prices,
        supply=read_supply(trial.rig),
    )
own if named else "[rig] lacks chamber_m3, air_changes_h or mist_l_h"

# %% [markdown]
# The same for the rig of your trial file. On the command line: `trialkit size`, with the blocks
# that stand in a chamber, the details and the parts.
#
# ## What to do next
#
# * Write what you know of ducts, fan and water under `[rig]`, and run this again.
# * Measure air changes and mist once the first chamber stands:
#   [5_commissioning](5_commissioning.ipynb).
# * Then plan a trial in [1_design](1_design.ipynb).
