"""The chamber: what a mist schedule does to humidity, and what a log says about the room.

Forward: `simulate`, `compare_settings`, `find_holding_setting`, `size_up`. Backward:
`identify_room`. The physics is in `trialkit.chamber.balance`.
"""

from __future__ import annotations

from trialkit.chamber.compare import Comparison, compare_settings, compare_treatments
from trialkit.chamber.ducts import Duct, Fan
from trialkit.chamber.estimates import Identified
from trialkit.chamber.fogger import drop_size_um
from trialkit.chamber.foresee import Foresight, foresee, foresee_treatments
from trialkit.chamber.forward import Balance, Simulation, simulate
from trialkit.chamber.holding import Holding, find_holding_setting
from trialkit.chamber.identify import identify_room
from trialkit.chamber.recovery import recovery_minutes
from trialkit.chamber.rig import Assumed, room_from_rig
from trialkit.chamber.room import (
    CROP_M2_KG,
    Band,
    ChamberError,
    Room,
    Timed,
    read_setting,
)
from trialkit.chamber.separate import judge_separation, separating_settings
from trialkit.chamber.sizing import Sizing, size_up
from trialkit.chamber.supply import Supply, read_supply
from trialkit.chamber.surroundings import winter_rh_pct

__all__ = [
    "CROP_M2_KG",
    "Assumed",
    "Balance",
    "Band",
    "ChamberError",
    "Comparison",
    "Duct",
    "Fan",
    "Foresight",
    "Holding",
    "Identified",
    "Room",
    "Simulation",
    "Sizing",
    "Supply",
    "Timed",
    "compare_settings",
    "compare_treatments",
    "drop_size_um",
    "find_holding_setting",
    "foresee",
    "foresee_treatments",
    "identify_room",
    "judge_separation",
    "read_setting",
    "read_supply",
    "recovery_minutes",
    "room_from_rig",
    "separating_settings",
    "simulate",
    "size_up",
    "winter_rh_pct",
]
