"""What a chamber and its mist rig are like, in the few numbers the balance needs."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import Any, Literal

from trialkit import air
from trialkit.errors import TrialkitError
from trialkit.short_repr import short_repr
from trialkit.wording import message
from trialkit.wording.message import Message

#: Heat resistance of a thin sheet between two rooms, 2 × 0.13 m² K/W (ISO 6946 table 7).
THIN_SHEET_W_M2_K = 1 / 0.26
#: Heat held by air, walls and fittings per m³ of chamber [kJ/K]; judged, no source.
HEAT_KJ_K_M3 = 10.0
#: Speed at which vapour leaves a wet surface in still room air [m/h]: convection of
#: 3.6 W/(m² K) over the heat of a cubic metre of air, 1.2 kJ/(m³ K) (Lewis relation).
TRANSFER_M_H = 10.8
#: Heat a wet surface takes from air (3.6, as above) and by radiation from walls (5.7 W/(m² K), a
#: black body at 20 °C, 4 σ T³).
SURFACE_HEAT_W_M2_K = 9.3
#: Wet surface of a kilogram of fruit bodies of 20 g, as spheres of 0.8 g/cm³ [m²/kg].
CROP_M2_KG = 0.207
#: Carbon dioxide of outdoor air [ppm].
OUTSIDE_CO2_PPM = 420.0


class ChamberError(TrialkitError, ValueError):
    """A room or a setting that cannot be worked out; the message says what is missing."""


@dataclass(frozen=True)
class Room:
    """A chamber, the air around it and its mist rig.

    Parameters
    ----------
    volume_m3 : float
        Air volume of the chamber [m³].
    air_changes_h : float
        Times per hour the air is replaced by room air [1/h], mist off.
    mist_l_h : float
        Water the fogger puts out while it is on [L/h].
    room_temp_c, room_rh_pct : float
        Air that comes in: temperature [°C], relative humidity [%].
    evaporating_fraction : float
        Share of the mist that the air takes up, as vapour or as fog that hangs in it, 0 to 1;
        the rest falls as large drops or runs back, and wets surfaces.
    mist_air_changes_h : float
        Air changes added while the mist is on [1/h] (a fan that blows in room air).
    surface_m2 : float
        Inner surface that mist can wet and that dries again [m²]. With 0, water that settles
        runs off and is lost.
    surface_holds_g_m2 : float
        Water a surface holds before it drips [g/m²].
    crop_m2 : float
        Wet surface of crop and blocks that always gives off water [m²].
    transfer_m_h : float
        Speed at which vapour leaves a wet surface [m/h].
    crop_co2_g_h : float
        Carbon dioxide given off by the crop [g/h].
    outside_co2_ppm : float
        Carbon dioxide of the air that comes in [ppm].
    cooling : bool
        Whether evaporation cools the air. If not, the chamber keeps the room's temperature.
    wall_w_k : float or None
        Heat that comes through the walls [W/K]; None: thin sheet over a cube of this volume.
    heat_kj_k : float or None
        Heat held by air, walls and fittings [kJ/K]; None: 10 kJ/K per m³ (judged).
    heat_w : float
        Further heat given off inside [W]; that of fogger, fan, lamps and crop enters by itself.
    sensor_lag_s : float
        Time the humidity sensor needs to show 63 % of a step [s].
    fogger_w, fan_w : float or None
        Power of fogger and fan while on [W]. None: not given; electricity is then not either.
    fan : {"with mist", "always"}
        When the fan runs.
    reservoir_l : float or None
        Water in a full reservoir [L].
    pressure_kpa : float
        Air pressure [kPa].
    drop_um : float
        Size of the drops by mass once the fog hangs in the air [µm]; sets how fast it falls.
    height_m : float or None
        Height of the chamber [m]; None: that of a cube of this volume.
    surface_heat_w_m2_k : float
        Heat that a wet surface takes from air and walls around it [W/(m² K)].
    lamp_w, lamp_hours : float
        Heat of lamps inside [W] and hours a day they burn; the mean over the day counts.
    fogger_inside, fan_inside : bool
        Whether the heat of fogger and fan stays in the chamber.
    fogger_heat_w : float or None
        Heat of the fogger while on, if it stays inside [W]; None: all of its power.
    chambers_in_room : float
        Chambers that let their air out into the room around them.
    surroundings_m3, surroundings_air_changes_h : float or None
        Size of that room [m³] and how often its own air is replaced [1/h]. With both given,
        `room_rh_pct` is the air that the room would have without chambers, and what they let
        out is added; without, it is the air as it is with them running.

    Raises
    ------
    ChamberError
        If a number is missing or impossible; all faults are listed together.

    Notes
    -----
    Wet surfaces and crop are cooled by what they give off and warmed by air and walls; the
    crop's own heat follows from its carbon dioxide. The air is well mixed. A cubic metre
    of incoming air replaces one of chamber air, whatever their temperatures: an error of
    about 0.3 % of the vapour per °C of cooling.

    Examples
    --------
    >>> tent = Room(volume_m3=2.0, air_changes_h=4.0, mist_l_h=0.3)
    >>> round(tent.walls_w_k)
    37
    """

    volume_m3: float
    air_changes_h: float
    mist_l_h: float
    room_temp_c: float = 20.0
    room_rh_pct: float = 50.0
    evaporating_fraction: float = 1.0
    mist_air_changes_h: float = 0.0
    surface_m2: float = 0.0
    surface_holds_g_m2: float = 100.0
    crop_m2: float = 0.0
    transfer_m_h: float = TRANSFER_M_H
    crop_co2_g_h: float = 0.0
    outside_co2_ppm: float = OUTSIDE_CO2_PPM
    cooling: bool = True
    wall_w_k: float | None = None
    heat_kj_k: float | None = None
    heat_w: float = 0.0
    sensor_lag_s: float = 30.0
    fogger_w: float | None = None
    fan_w: float | None = None
    fan: Literal["with mist", "always"] = "with mist"
    reservoir_l: float | None = None
    pressure_kpa: float = 101.325
    drop_um: float = 5.0
    height_m: float | None = None
    surface_heat_w_m2_k: float = SURFACE_HEAT_W_M2_K
    lamp_w: float = 0.0
    lamp_hours: float = 24.0
    fogger_inside: bool = True
    fan_inside: bool = True
    fogger_heat_w: float | None = None
    chambers_in_room: float = 1.0
    surroundings_m3: float | None = None
    surroundings_air_changes_h: float | None = None

    __repr__ = short_repr

    def __post_init__(self) -> None:
        faults = []
        for field in fields(self):
            value = getattr(self, field.name)
            if isinstance(value, str | bool) or value is None:
                continue
            if not math.isfinite(value):
                faults.append(f"{field.name} is not a number")
            elif value < 0 and field.name not in ("room_temp_c", "heat_w"):
                faults.append(f"{field.name} = {value:g} is below zero")
        for name in ("volume_m3", "drop_um", "height_m", "surface_heat_w_m2_k", "surroundings_m3"):
            if getattr(self, name) == 0:
                faults.append(f"{name} is zero")
        if not 50 <= self.pressure_kpa <= 110:
            faults.append(f"pressure_kpa = {self.pressure_kpa:g} lies outside 50 to 110 kPa")
        if self.lamp_hours > 24:
            faults.append(f"lamp_hours = {self.lamp_hours:g} is above 24")
        if self.evaporating_fraction > 1:
            faults.append(f"evaporating_fraction = {self.evaporating_fraction:g} is above 1")
        if self.room_rh_pct > 100:
            faults.append(f"room_rh_pct = {self.room_rh_pct:g} is above 100")
        if not -20 <= self.room_temp_c <= 50:
            faults.append(f"room_temp_c = {self.room_temp_c:g} lies outside -20 to 50 °C")
        if self.fan not in ("with mist", "always"):
            faults.append(f"fan = {self.fan!r} → 'with mist' or 'always'")
        if faults:
            raise ChamberError("the room cannot be: " + "; ".join(faults))

    @property
    def walls_w_k(self) -> float:
        """Heat that comes through the walls [W/K], given or estimated."""
        if self.wall_w_k is not None:
            return self.wall_w_k
        return float(THIN_SHEET_W_M2_K * 6 * self.volume_m3 ** (2 / 3))

    @property
    def tall_m(self) -> float:
        """Height [m], given or that of a cube."""
        return float(self.volume_m3 ** (1 / 3)) if self.height_m is None else self.height_m

    @property
    def outside_g_m3(self) -> float:
        """Vapour in the air that comes in [g/m³]."""
        return float(air.absolute_humidity_g_m3(self.room_temp_c, self.room_rh_pct))

    def with_crop(self, *, fresh_kg: float, co2_g_kg_h: float = 0.0) -> Room:
        """Give the same room with fruit bodies in it, added to what it holds.

        Parameters
        ----------
        fresh_kg : float
            Weight of the fruit bodies [kg]; their wet surface is taken as 0.207 m²/kg
            (spheres of 20 g and 0.8 g/cm³), giving off vapour as free water does
            (San Antonio & Flegg 1964, Am. J. Bot. 51).
        co2_g_kg_h : float
            Carbon dioxide they give off [g/kg per h].

        Examples
        --------
        >>> tent = Room(volume_m3=2.0, air_changes_h=4.0, mist_l_h=0.3)
        >>> round(tent.with_crop(fresh_kg=5.0, co2_g_kg_h=0.2).crop_m2, 2)
        1.03
        """
        return self.change(
            crop_m2=self.crop_m2 + CROP_M2_KG * fresh_kg,
            crop_co2_g_h=self.crop_co2_g_h + co2_g_kg_h * fresh_kg,
        )

    def change(self, **new: Any) -> Room:
        """Give the same room with some numbers changed."""
        return replace(self, **new)


@dataclass(frozen=True)
class Timed:
    """Mist by timer: on and off in turn [s]."""

    on_s: float
    off_s: float

    @property
    def cycle_s(self) -> float:
        """Length of one cycle [s]."""
        return self.on_s + self.off_s

    @property
    def duty(self) -> float:
        """Share of the time with mist on, 0 to 1."""
        return self.on_s / self.cycle_s

    @property
    def said(self) -> Message:
        """The schedule, to be said in any language."""
        if self.off_s == 0:
            return message("chamber.mist.always")
        if self.on_s == 0:
            return message("chamber.mist.never")
        return message("chamber.mist.timed", on=_span(self.on_s), cycle=_span(self.cycle_s))

    @property
    def words(self) -> str:
        """The schedule in words, such as ``"20 s every 4 min"``."""
        return str(self.said)


@dataclass(frozen=True)
class Band:
    """Mist by sensor: starts below one humidity, stops above another [%]."""

    start_below_rh: float
    stop_above_rh: float

    @property
    def said(self) -> Message:
        """The regime, to be said in any language."""
        return message("chamber.mist.band", low=self.start_below_rh, high=self.stop_above_rh)

    @property
    def words(self) -> str:
        """The regime in words."""
        return str(self.said)


def take(source: Any, name: str) -> Any:
    """Read one value from a mapping or from an object's attributes; None if it has none."""
    if isinstance(source, Mapping):
        return source.get(name)
    return getattr(source, name, None)


def _span(seconds: float) -> Message:
    """Say a length of time shortly."""
    if (seconds < 120 and seconds != 60) or seconds % 6:
        return message("chamber.span.seconds", value=seconds)
    return message("chamber.span.minutes", value=seconds / 60)


def read_setting(setting: Any) -> Timed | Band:
    """Read a mist setting from a mapping or object, and refuse what cannot be run.

    Parameters
    ----------
    setting : mapping or object
        With `on_s` and `off_s` [s], or `start_below_rh` and `stop_above_rh` [%].

    Raises
    ------
    ChamberError
        If it is neither, or impossible.

    Examples
    --------
    >>> read_setting({"on_s": 30, "off_s": 300}).words
    '30 s every 5.5 min'
    """
    if isinstance(setting, Timed | Band):
        return setting
    on, off = take(setting, "on_s"), take(setting, "off_s")
    start, stop = take(setting, "start_below_rh"), take(setting, "stop_above_rh")
    if on is not None and off is not None:
        on, off = float(on), float(off)
        if not (on >= 0 and off >= 0 and 0 < on + off <= 7 * 86400):
            raise ChamberError(f"on_s = {on:g}, off_s = {off:g}: both must be ≥ 0, not both 0")
        return Timed(on, off)
    if start is not None and stop is not None:
        start, stop = float(start), float(stop)
        if not 0 < start < stop <= 100:
            raise ChamberError(
                f"start_below_rh = {start:g}, stop_above_rh = {stop:g}: need 0 < start < stop ≤ 100"
            )
        return Band(start, stop)
    raise ChamberError("a mist setting needs on_s and off_s, or start_below_rh and stop_above_rh")
