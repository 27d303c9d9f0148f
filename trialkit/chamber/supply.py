"""What comes on top of the mist that a band needs: ducts, worst times, water, and the parts.

Numbers that nobody gave stay missing; each line says what it rests on.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from trialkit.chamber.constants import WATER_G_L
from trialkit.chamber.droplets import drop_life_s, settling_m_s
from trialkit.chamber.ducts import Duct, Fan, fan_flow_m3_h, fan_power_w, fog_through
from trialkit.chamber.room import ChamberError, Room, take
from trialkit.wording import message
from trialkit.wording.message import Message

#: Minutes in which the mist should make up for an opened door; judged, no source.
DOOR_MINUTES = 10.0


@dataclass(frozen=True)
class Supply:
    """How mist and air get into a chamber.

    Parameters
    ----------
    duct : Duct or None
        Duct that carries the fog; None: the fogger stands in the chamber.
    fan : Fan or None
        Fan that blows through it; None: its curve is not known.
    solids_mg_l : float or None
        Solids dissolved in the water [mg/L], such as a hardness in mg/L of lime or half the
        conductivity in µS/cm; None: not known.
    door_minutes : float
        Minutes in which mist should make up for an opened door.
    """

    duct: Duct | None = None
    fan: Fan | None = None
    solids_mg_l: float | None = None
    door_minutes: float = DOOR_MINUTES

    def through(self, flow_m3_h: float, drop_um: float) -> float:
        """Give the share of the fog that reaches the chamber."""
        return 1.0 if self.duct is None else fog_through(self.duct, flow_m3_h, drop_um)


def read_supply(rig: Any) -> Supply:
    """Read ducts, fan curve and water from a `[rig]`.

    Parameters
    ----------
    rig : mapping or object
        `duct_m`, `duct_mm`, `duct_bends`; `fan_m3_h`, `fan_pa`, `fan_w`; `water_solids_mg_l`.

    Raises
    ------
    ChamberError
        If only one of two numbers that belong together is given.

    Examples
    --------
    >>> read_supply({"duct_m": 2, "duct_mm": 75}).duct
    Duct(length_m=2.0, diameter_mm=75.0, bends=0)
    """
    duct = fan = None
    for pair in (("duct_m", "duct_mm"), ("fan_m3_h", "fan_pa")):
        given = [name for name in pair if take(rig, name) is not None]
        if len(given) == 1:
            other = next(name for name in pair if name not in given)
            raise ChamberError(f"[rig] has {given[0]} but not {other} → give both or none")
    if take(rig, "duct_m") is not None:
        bends = int(take(rig, "duct_bends") or 0)
        duct = Duct(float(take(rig, "duct_m")), float(take(rig, "duct_mm")), bends)
    if take(rig, "fan_m3_h") is not None:
        power = take(rig, "fan_w")
        fan = Fan(
            float(take(rig, "fan_m3_h")),
            float(take(rig, "fan_pa")),
            None if power is None else float(power),
        )
    solids = take(rig, "water_solids_mg_l")
    return Supply(duct, fan, None if solids is None else float(solids))


@dataclass(frozen=True)
class Asked:
    """What one chamber asks for.

    Parameters
    ----------
    mist_g_h, dry_g_h, leak_g_h : float
        Mist that must reach the air on average [g/h]: as the room is, in a dry week, and with
        the air changes of the leaks alone.
    refill_g : float
        Water that an opened door takes out of the air [g].
    temp_c, rh_pct : float
        Air held.
    air_changes_h, crop_changes_h, fog_m3_h : float
        Fresh air; what the crop's CO2 asks of it; air that carries the fog in [m³/h].
    dry_rh_pct : float
        Humidity of the room around in the dry week.
    most_duty : float
        Share of the time the fogger may run.
    """

    mist_g_h: float
    dry_g_h: float
    leak_g_h: float
    refill_g: float
    temp_c: float
    rh_pct: float
    air_changes_h: float
    crop_changes_h: float
    fog_m3_h: float
    dry_rh_pct: float
    most_duty: float

    def output_l_h(self, supply: Supply, through: float) -> dict[str, float]:
        """Give the output while on that each need asks of the fogger [L/h]."""
        door = self.mist_g_h + self.refill_g * 60 / supply.door_minutes
        grams = {
            "usual": self.mist_g_h / self.most_duty,
            "dry": self.dry_g_h / self.most_duty,
            "door": door,
        }
        return {
            name: value / WATER_G_L / through if through > 0 else math.inf
            for name, value in grams.items()
        }


def supply_table(room: Room, asked: Asked, supply: Supply) -> pd.DataFrame:
    """Tell what mist, air and water of one chamber come to.

    Returns
    -------
    DataFrame
        `item, value, unit`, and `basis`: what the number rests on, or why it is missing.
    """
    through = supply.through(asked.fog_m3_h, room.drop_um)
    output = asked.output_l_h(supply, through)
    water_l_day = asked.mist_g_h * 24 / WATER_G_L / through if through > 0 else math.inf
    rows: list[tuple[str, float, str, Message]] = [
        ("output_usual", output["usual"], "L/h", _basis("duty", share=100 * asked.most_duty)),
        ("output_dry", output["dry"], "L/h", _basis("dry", rh=asked.dry_rh_pct)),
        ("output_door", output["door"], "L/h", _basis("door", minutes=supply.door_minutes)),
        (
            "fog_arrives",
            100 * through,
            "%",
            _basis("duct" if supply.duct else "no_duct", flow=asked.fog_m3_h),
        ),
        ("fan_flow", _fan_flow(supply), "m³/h", _basis(_fan_basis(supply))),
        ("fan_power", _fan_power(supply, asked), "W", _basis(_power_basis(supply, asked))),
        (
            "drop_lasts",
            drop_life_s(room.drop_um, asked.temp_c, asked.rh_pct),
            "s",
            _basis("drop", size=room.drop_um),
        ),
        (
            "drop_falls",
            room.tall_m / settling_m_s(room.drop_um) / 60,
            "min",
            _basis("drop", size=room.drop_um),
        ),
        (
            "air_stays",
            60 / asked.air_changes_h if asked.air_changes_h else math.inf,
            "min",
            _basis("stays"),
        ),
        (
            "fresh_for_crop",
            asked.crop_changes_h * room.volume_m3,
            "m³/h",
            _basis("crop" if room.crop_co2_g_h else "no_crop"),
        ),
        ("mist_leaks_alone", asked.leak_g_h * 24 / WATER_G_L, "L/day", _basis("leaks")),
        ("mist_with_fresh_air", asked.mist_g_h * 24 / WATER_G_L, "L/day", _basis("fresh")),
        *_of_water(room, asked, supply, water_l_day),
    ]
    return pd.DataFrame(rows, columns=["item", "value", "unit", "basis"])


def _of_water(
    room: Room, asked: Asked, supply: Supply, water_l_day: float
) -> list[tuple[str, float, str, Message]]:
    """Give scale and dust of hard water; missing where the water is not known."""
    solids = math.nan if supply.solids_mg_l is None else supply.solids_mg_l
    key = "solids" if supply.solids_mg_l is not None else "no_solids"
    air_m3_day = asked.air_changes_h * room.volume_m3 * 24
    arrives = asked.mist_g_h * 24 / WATER_G_L
    never_leaves = math.inf if solids > 0 else solids
    dust = arrives * solids / air_m3_day if air_m3_day else never_leaves
    return [
        ("scale", water_l_day * 7 * solids / 1000, "g/week", _basis(key)),
        ("dust", dust, "mg/m³", _basis(key)),
    ]


def _basis(name: str, **values: Any) -> Message:
    return message(f"chamber.supply_basis.{name}", **values)


def _fan_flow(supply: Supply) -> float:
    if supply.fan is None:
        return math.nan
    if supply.duct is None:
        return supply.fan.free_m3_h
    return fan_flow_m3_h(supply.fan, supply.duct)


def _fan_basis(supply: Supply) -> str:
    if supply.fan is None:
        return "no_fan"
    return "fan_free" if supply.duct is None else "fan_duct"


def _fan_power(supply: Supply, asked: Asked) -> float:
    if supply.fan is None or supply.duct is None:
        return math.nan
    return fan_power_w(supply.fan, supply.duct, asked.fog_m3_h)


def _power_basis(supply: Supply, asked: Asked) -> str:
    if supply.fan is None or supply.duct is None:
        return "no_curve"
    if supply.fan.power_w is None:
        return "no_fan_w"
    return "fan_laws" if _fan_power(supply, asked) == _fan_power(supply, asked) else "fan_short"


def parts_table(
    room: Room,
    asked: Asked,
    supply: Supply,
    chambers: Sequence[int],
    *,
    refill_days: float,
) -> pd.DataFrame:
    """List the parts as quantities, for each number of chambers.

    Returns
    -------
    DataFrame
        `part, unit`, one column ``for N`` per number of chambers, and `basis`.
    """
    through = supply.through(asked.fog_m3_h, room.drop_um)
    peak = max(asked.output_l_h(supply, through).values())
    water_l_day = asked.mist_g_h * 24 / WATER_G_L / through if through > 0 else math.inf
    flow = _fan_flow(supply)
    fans = math.ceil(asked.fog_m3_h / flow - 1e-9) if flow == flow and flow > 0 else math.nan
    foggers = math.inf  # none is enough where no fog arrives
    if room.mist_l_h > 0 and math.isfinite(peak):
        foggers = math.ceil(peak / room.mist_l_h - 1e-9)
    one = [
        ("foggers", foggers, "count", _part("foggers", output=room.mist_l_h, peak=peak)),
        (
            "fans",
            float(max(fans, 1)) if fans == fans else math.nan,
            "count",
            _part("fans" if fans == fans else "fans_unknown"),
        ),
        ("duct", supply.duct.length_m if supply.duct else 0.0, "m", _part("duct")),
        ("reservoir", water_l_day * refill_days, "L", _part("reservoir", days=refill_days)),
        ("water_week", water_l_day * 7, "L", _part("water_week")),
        ("timers", 1.0, "count", _part("timers")),
        ("loggers", 2.0, "count", _part("loggers")),
        ("current_protection", 1.0, "count", _part("current_protection")),
    ]
    rows = [
        {"part": part, "unit": unit, **{f"for {n}": n * each for n in chambers}, "basis": basis}
        for part, each, unit, basis in one
    ]
    return pd.DataFrame(rows, columns=["part", "unit", *(f"for {n}" for n in chambers), "basis"])


def _part(name: str, **values: Any) -> Message:
    return message(f"chamber.part_basis.{name}", **values)
