"""Sizing up: what a number of chambers needs to hold a band, and what limits first."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from trialkit import air
from trialkit.chamber.constants import WATER_G_L, Constants, saturation_line
from trialkit.chamber.room import ChamberError, Room, take
from trialkit.chamber.supply import Asked, Supply, parts_table, supply_table
from trialkit.chamber.surroundings import winter_rh_pct
from trialkit.display import Shown, show_table
from trialkit.errors import Finding
from trialkit.short_repr import short_repr
from trialkit.wording import finding, message, spoken
from trialkit.wording.message import Message

_SHOWN = (
    "chambers",
    "blocks",
    "mist_l_h",
    "mist_peak_l_h",
    "fan_m3_h",
    "water_l_day",
    "reservoir_l",
    "power_w",
    "energy_kwh_day",
)


@dataclass(frozen=True)
class Sizing:
    """What is needed for each number of chambers, and how near each limit is.

    Parameters
    ----------
    table : DataFrame
        One row per number of chambers: `chambers, blocks, mist_l_h` (output while on, all
        together), `mist_peak_l_h` (with what ducts keep, a dry week and doors ask for),
        `fan_m3_h, water_l_day, reservoir_l` (between refills), `power_w` (all on),
        `energy_kwh_day` (both missing where the fogger's power is not given), `cost_day,
        cost_build` (missing without prices).
    limits : DataFrame
        One row per limit, of one chamber, nearest first: `limit, needed, available, unit,
        load` (needed / available; above 1 it cannot be done).
    first_limit : str
        The limit with the greatest load.
    said : Message
        The answer; `sentence` says it.
    findings : tuple of Finding
    supply : DataFrame
        One chamber's mist, air and water in detail: `item, value, unit, basis`; see
        `supply_table`.
    parts : DataFrame
        Bill of parts as quantities: `part, unit`, a column per number of chambers, `basis`.
    """

    table: pd.DataFrame
    limits: pd.DataFrame
    first_limit: str
    said: Message
    findings: tuple[Finding, ...]
    supply: pd.DataFrame
    parts: pd.DataFrame

    __repr__ = short_repr

    def show(self) -> Shown:
        """Give the table formatted once for text and HTML."""
        say = spoken().text
        heads = {name: say(f"chamber.head.{name}") for name in _SHOWN}
        return show_table(
            self.table,
            heads=heads,
            columns=list(heads),
            caption=say("chamber.sizing_caption"),
            notes=[self.sentence, *(str(finding) for finding in self.findings)],
        )

    def show_supply(self) -> Shown:
        """Give mist, air and water of one chamber, formatted once for text and HTML."""
        say = spoken().text
        items = [say(f"chamber.supply.{item}") for item in self.supply["item"]]
        view = self.supply.assign(item=items, basis=self.supply["basis"].map(str))
        view["value"] = [_in_words(v) for v in self.supply["value"]]
        names = ["item", "value", "unit", "basis"]
        heads = {name: say(f"chamber.supply_head.{name}") for name in names}
        return show_table(view, heads=heads, columns=names, caption=say("chamber.supply_caption"))

    def show_parts(self) -> Shown:
        """Give the bill of parts, formatted once for text and HTML."""
        say = spoken().text
        counts = [c for c in self.parts.columns if c.startswith("for ")]
        view = self.parts.assign(
            part=[say(f"chamber.part.{part}") for part in self.parts["part"]],
            unit=[say("chamber.pieces") if u == "count" else u for u in self.parts["unit"]],
            basis=self.parts["basis"].map(str),
        )
        for name in counts:
            view[name] = [_in_words(v) for v in self.parts[name]]
        heads = {name: say(f"chamber.supply_head.{name}") for name in ("part", "unit", "basis")}
        heads |= {
            name: str(message("chamber.for_chambers", count=int(name.removeprefix("for "))))
            for name in counts
        }
        return show_table(
            view,
            heads=heads,
            columns=["part", "unit", *counts, "basis"],
            caption=say("chamber.parts_caption"),
        )

    @property
    def sentence(self) -> str:
        """The answer in words."""
        return str(self.said)

    def __str__(self) -> str:
        return self.show().text()

    def _repr_html_(self) -> str:
        return self.show().html()


@dataclass(frozen=True)
class _Need:
    """One chamber held at one humidity."""

    temp_c: float
    mist_g_h: float
    air_changes_h: float


def size_up(
    room: Room,
    *,
    low_rh: float,
    high_rh: float,
    chambers: Sequence[int] = (1, 2, 4, 8, 12, 24),
    blocks: int = 1,
    block_co2_g_h: float = 0.0,
    block_m2: float = 0.0,
    co2_limit_ppm: float = 1000.0,
    most_cooling_c: float = 2.0,
    most_duty: float = 0.5,
    refill_days: float = 1.0,
    shortest_on_s: float = 5.0,
    prices: Any = None,
    supply: Supply | None = None,
) -> Sizing:
    """Work out mist, fresh air, water, power and cost for a number of equal chambers.

    The middle of the band is held on average. Fresh air is what the room leaks anyway, or
    what the crop's carbon dioxide asks for if that is more.

    Parameters
    ----------
    room : Room
        One chamber with its present rig.
    low_rh, high_rh : float
        The band [%].
    chambers : sequence of int
        Numbers of chambers to size up.
    blocks : int
        Blocks in one chamber.
    block_co2_g_h, block_m2 : float
        Carbon dioxide [g/h] and wet surface [m²] of one block with its crop.
    co2_limit_ppm : float
        Highest carbon dioxide the crop should have [ppm].
    most_cooling_c : float
        Largest drop of temperature by evaporation that is accepted [°C].
    most_duty : float
        Largest share of the time the fogger should run, so that it can catch up.
    refill_days : float
        Days between refills of the reservoir.
    shortest_on_s : float
        Shortest mist the fogger makes well [s].
    supply : Supply, optional
        Duct, fan and water; by default the fogger stands in the chamber and the rest is not
        known. See `read_supply`.
    prices : mapping or object, optional
        `water_per_m3`, `energy_per_kwh`, `chamber_each`; without it no cost is given.

    Returns
    -------
    Sizing

    Raises
    ------
    ChamberError
        If the band, a count or a limit is impossible.

    Examples
    --------
    >>> tent = Room(volume_m3=2.0, air_changes_h=4.0, mist_l_h=0.3, room_rh_pct=60.0)
    >>> plan = size_up(tent, low_rh=85, high_rh=95, chambers=[1, 10])
    >>> plan.first_limit
    'evaporative cooling'
    """
    _refuse(low_rh, high_rh, chambers, co2_limit_ppm, room, most_duty)
    middle = (low_rh + high_rh) / 2
    room = room.change(
        crop_co2_g_h=room.crop_co2_g_h + blocks * block_co2_g_h,
        crop_m2=room.crop_m2 + blocks * block_m2,
    )
    supply = supply or Supply()
    need = _need(room, middle, co2_limit_ppm)
    asked = _ask(room, need, middle, co2_limit_ppm, most_duty)
    through = supply.through(asked.fog_m3_h, room.drop_um)
    watts, findings = _fogger_power(room)
    water_day = need.mist_g_h * 24 / WATER_G_L / through if through > 0 else math.inf
    output = water_day / 24 / most_duty
    fan_w = room.fan_w or 0.0
    fan_hours = 24.0 if room.fan == "always" else 24 * most_duty
    one = {
        "mist_l_h": output,
        "mist_peak_l_h": max(asked.output_l_h(supply, through).values()),
        "fan_m3_h": need.air_changes_h * room.volume_m3,
        "water_l_day": water_day,
        "reservoir_l": water_day * refill_days,
        "power_w": output * watts + fan_w,
        "energy_kwh_day": (output * watts * most_duty * 24 + fan_w * fan_hours) / 1000,
    }
    cost_day, build = _costs(one, prices)
    one |= {"cost_day": cost_day, "cost_build": build}
    table = pd.DataFrame(
        [
            {"chambers": k, "blocks": k * blocks, **{name: k * v for name, v in one.items()}}
            for k in chambers
        ]
    )
    limits = _limits(room, need, middle, co2_limit_ppm, most_cooling_c, most_duty, shortest_on_s)
    first = limits.iloc[0]
    return Sizing(
        table,
        limits,
        str(first["limit"]),
        _say(first, need, middle),
        tuple(findings),
        supply_table(room, asked, supply),
        parts_table(room, asked, supply, chambers, refill_days=refill_days),
    )


def _in_words(value: float) -> str:
    """Write a number; one that nobody gave is said to be missing."""
    if value != value:
        return spoken().text("chamber.not_given")
    if math.isinf(value):
        return spoken().text("chamber.without_end")
    return spoken().written(float(value), ".3g")


def _ask(room: Room, need: _Need, rh: float, co2_limit: float, most_duty: float) -> Asked:
    """Work out what one chamber asks for at usual and at worst times."""
    dry_rh = min(winter_rh_pct(room.room_temp_c), room.room_rh_pct)
    dry = _need(room.change(room_rh_pct=dry_rh), rh, co2_limit)
    leaks = _need(room, rh, math.inf)  # no CO2 limit: no fresh air for it
    held = rh / 100 * saturation_line(need.temp_c)[0]
    part = room.evaporating_fraction or 1.0  # all settles: the surfaces give it off
    with_mist = room.mist_air_changes_h if room.mist_air_changes_h > 0 else need.air_changes_h
    return Asked(
        mist_g_h=need.mist_g_h,
        dry_g_h=dry.mist_g_h,
        leak_g_h=leaks.mist_g_h,
        refill_g=max(held - room.outside_g_m3, 0.0) * room.volume_m3 / part,
        temp_c=need.temp_c,
        rh_pct=rh,
        air_changes_h=need.air_changes_h,
        crop_changes_h=_for_crop(room, co2_limit),
        fog_m3_h=with_mist * room.volume_m3,
        dry_rh_pct=dry_rh,
        most_duty=most_duty,
    )


def _refuse(
    low_rh: float, high_rh: float, chambers: Sequence[int], co2: float, room: Room, duty: float
) -> None:
    if not 0 < low_rh < high_rh <= 100:
        raise ChamberError(f"the band {low_rh:g}–{high_rh:g} % is no band")
    if not chambers or min(chambers) < 1:
        raise ChamberError("numbers of chambers must be 1 or more")
    if room.evaporating_fraction == 0 and room.surface_m2 == 0:
        raise ChamberError(
            "evaporating_fraction and surface_m2 are zero: mist that all settles, with no surface "
            "to give it off again, holds no humidity; tell the share that stays in the air"
        )
    if co2 <= room.outside_co2_ppm:
        raise ChamberError(
            f"{co2:g} ppm of CO2 cannot be held with air of {room.outside_co2_ppm:g} ppm"
        )
    if not 0 < duty <= 1:
        raise ChamberError("most_duty is a share of the time, above 0 and up to 1")


def _need(room: Room, rh: float, co2_limit: float) -> _Need:
    """Solve the mean balance of one chamber at a humidity: temperature, mist, fresh air.

    The share of the time with mist sets the heat of the fogger and the air that a fan brings in
    with the mist, and these set the share: the two are brought together by halving.
    """
    changes = max(room.air_changes_h, _for_crop(room, co2_limit))
    k = Constants.of(room.change(air_changes_h=changes))
    low, high = 0.0, 1.0
    for _ in range(50):  # the mist needed falls short of what is given from some share on
        share = (low + high) / 2
        _, grams = _steady(k, rh, share)
        low, high = (share, high) if grams > k.mist * 3600 * share else (low, share)
    temp, grams = _steady(k, rh, high)
    return _Need(temp, grams, (k.n_off + (k.n_on - k.n_off) * high) * 3600)


def _steady(k: Constants, rh: float, share: float) -> tuple[float, float]:
    """Give temperature [°C] and mist [g/h] that hold a humidity, the mist on for a share."""
    n = k.n_off + (k.n_on - k.n_off) * share
    flow, given = k.volume * n, k.heat_off + (k.heat_on - k.heat_off) * share

    def excess_heat(temp: float) -> float:
        leaving = flow * (rh / 100 * saturation_line(temp)[0] - k.c_in)
        return (k.walls + k.air_heat * n) * (k.t_in - temp) + given - k.latent * leaving

    temp = k.t_in
    if k.cooling:
        low, high = k.t_in - 40, k.t_in + 40
        for _ in range(50):  # the balance falls with temperature: halve to rounding
            temp = (low + high) / 2
            low, high = (temp, high) if excess_heat(temp) > 0 else (low, temp)
    full = saturation_line(temp)[0]
    net = flow * (rh / 100 * full - k.c_in) - k.g_crop * (1 - rh / 100) * full - k.crop_vapour
    part = 1.0 if k.g_wet > 0 else k.fraction
    return temp, (max(net, 0.0) * 3600 / part if part else math.inf)


def _limits(
    room: Room, need: _Need, rh: float, co2: float, cooling: float, duty: float, shortest: float
) -> pd.DataFrame:
    full = saturation_line(need.temp_c)[0]
    pulse = room.mist_l_h * WATER_G_L * shortest / 3600 * room.evaporating_fraction
    lift = 100 * pulse / room.volume_m3 / full
    rows = [
        ("mist output", need.mist_g_h / WATER_G_L, room.mist_l_h * duty, "L/h"),
        ("saturation", lift, 100 - rh, f"% RH by {shortest:g} s of mist"),
        ("evaporative cooling", room.room_temp_c - need.temp_c, cooling, "°C"),
        ("air exchange", _for_crop(room, co2), room.air_changes_h, "air changes/h for CO2"),
    ]
    if room.reservoir_l is not None:
        rows.append(("reservoir", need.mist_g_h * 24 / WATER_G_L, room.reservoir_l, "L/day"))
    table = pd.DataFrame(rows, columns=["limit", "needed", "available", "unit"])
    table["load"] = [
        n / a if a > 0 else (math.inf if n > 0 else 0.0)
        for n, a in zip(table["needed"], table["available"], strict=True)
    ]
    return table.sort_values("load", ascending=False, kind="stable").reset_index(drop=True)


def _for_crop(room: Room, co2_limit: float) -> float:
    """Give the air changes an hour that keep the crop's carbon dioxide at the limit."""
    mg_ppm = float(air.co2_mg_m3(1.0, room.room_temp_c, room.pressure_kpa))
    flow = room.crop_co2_g_h * 1000 / mg_ppm / (co2_limit - room.outside_co2_ppm)
    return flow / room.volume_m3


def _fogger_power(room: Room) -> tuple[float, list[Finding]]:
    if room.fogger_w and room.mist_l_h > 0:
        return room.fogger_w / room.mist_l_h, []
    return math.nan, [finding("power_not_given", "note")]


def _costs(one: dict[str, float], prices: Any) -> tuple[float, float]:
    water, energy = take(prices, "water_per_m3"), take(prices, "energy_per_kwh")
    each = take(prices, "chamber_each")
    day = math.nan
    if water is not None and energy is not None:
        day = one["water_l_day"] / 1000 * water + one["energy_kwh_day"] * energy
    return day, math.nan if each is None else float(each)


def _say(first: Any, need: _Need, rh: float) -> Message:
    return message(
        "chamber.size.impossible" if first["load"] > 1 else "chamber.size.possible",
        rh=rh,
        mist=need.mist_g_h / WATER_G_L,
        temp=need.temp_c,
        changes=need.air_changes_h,
        limit=message(f"chamber.limit.{str(first['limit']).replace(' ', '_')}"),
        needed=first["needed"],
        available=first["available"],
        unit=first["unit"],
    )
