"""The chamber: what a mist schedule does to humidity, and what a log says about the room."""

from __future__ import annotations

from trialkit.chamber.forward import Balance, Simulation, simulate
from trialkit.chamber.recovery import recovery_minutes
from trialkit.chamber.room import (
    Assumed,
    Band,
    ChamberError,
    Room,
    Timed,
    read_setting,
    room_from_rig,
)

__all__ = [
    "Assumed",
    "Balance",
    "Band",
    "ChamberError",
    "Room",
    "Simulation",
    "Timed",
    "read_setting",
    "recovery_minutes",
    "room_from_rig",
    "simulate",
]
