"""What the balance needs to know of a room: defaults, how far they may be off, their sources.

A quantity that stands in `[rig]` is taken as given, with the error that a label or a guess has;
one that is named under `measured` with the error of a measurement; one that is missing is taken
as usual and may lie anywhere in its range. Ranges marked "judged" have no source.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from trialkit.chamber.droplets import FOG_DROP_RANGE_UM, FOG_DROP_UM
from trialkit.chamber.room import SURFACE_HEAT_W_M2_K, THIN_SHEET_W_M2_K, TRANSFER_M_H

Usual = Callable[[Mapping[str, Any]], tuple[float, float, float]]


@dataclass(frozen=True)
class Quantity:
    """One number of a room.

    Parameters
    ----------
    key : str
        Its name in `[rig]`; its words and source are in the catalogue under that name.
    field : str
        Its name in `Room`.
    unit : str
    kind : {"ratio", "points"}
        Whether errors multiply or add.
    given, measured : float
        Limits of error of a typed and of a measured number: a factor (1.25 is a quarter more or
        a fifth less), or points.
    usual : callable or None
        From the room's other numbers to what is usual, least and most; None: it must be given.
    least, most : float
        What nature allows.
    can_measure : bool
        Whether a grower can measure it; the catalogue says how.
    """

    key: str
    field: str
    unit: str
    kind: Literal["ratio", "points"]
    given: float
    measured: float
    usual: Usual | None
    least: float = 0.0
    most: float = float("inf")
    can_measure: bool = True

    def limits(self, room: Mapping[str, Any], *, measured: bool) -> tuple[float, float]:
        """Give least and most likely value of a quantity that stands in the rig."""
        value, error = float(room[self.field]), self.measured if measured else self.given
        low, high = value - error, value + error
        if self.kind == "ratio":
            low, high = value / error, value * error
        return max(low, self.least), min(high, self.most)


def _always(usual: float, low: float, high: float) -> Usual:
    return lambda room: (usual, low, high)


def _per_m3(usual: float, low: float, high: float) -> Usual:
    return lambda room: (
        usual * room["volume_m3"],
        low * room["volume_m3"],
        high * room["volume_m3"],
    )


def _floor(room: Mapping[str, Any]) -> tuple[float, float, float]:
    side = float(room["volume_m3"]) ** (2 / 3)
    return side, 0.0, 4 * side


def _walls(room: Mapping[str, Any]) -> tuple[float, float, float]:
    sheet = THIN_SHEET_W_M2_K * 6 * float(room["volume_m3"]) ** (2 / 3)
    return sheet, sheet / 3, sheet * 1.5


def _with_mist(room: Mapping[str, Any]) -> tuple[float, float, float]:
    fan = bool(room.get("fan_w")) and room.get("fan", "with mist") == "with mist"
    return (0.0, 0.0, 20.0) if fan else (0.0, 0.0, 2.0)


def _fogger(room: Mapping[str, Any]) -> tuple[float, float, float]:
    power = room.get("fogger_w")
    if power is not None:
        return float(power), float(power), float(power)
    mist = float(room["mist_l_h"])
    return 75 * mist, 40 * mist, 110 * mist


#: Everything that is unsure in a room.
QUANTITIES = (
    Quantity("chamber_m3", "volume_m3", "m³", "ratio", 1.1, 1.03, None),
    Quantity("air_changes_h", "air_changes_h", "1/h", "ratio", 1.6, 1.15, None),
    Quantity("mist_l_h", "mist_l_h", "L/h", "ratio", 1.25, 1.05, None),
    Quantity(
        "room_temp_c",
        "room_temp_c",
        "°C",
        "points",
        3.0,
        1.0,
        _always(20.0, 12.0, 26.0),
        -20.0,
        50.0,
    ),
    Quantity(
        "room_rh_pct",
        "room_rh_pct",
        "%",
        "points",
        10.0,
        4.0,
        _always(50.0, 25.0, 75.0),
        0.0,
        100.0,
    ),
    Quantity(
        "evaporating_fraction",
        "evaporating_fraction",
        "",
        "points",
        0.15,
        0.05,
        _always(0.9, 0.6, 1.0),
        0.0,
        1.0,
    ),
    Quantity("mist_air_changes_h", "mist_air_changes_h", "1/h", "ratio", 1.6, 1.15, _with_mist),
    Quantity("surface_m2", "surface_m2", "m²", "ratio", 1.5, 1.1, _floor),
    Quantity("crop_m2", "crop_m2", "m²", "ratio", 2.0, 1.2, _per_m3(0.1, 0.0, 0.5)),
    Quantity("crop_co2_g_h", "crop_co2_g_h", "g/h", "ratio", 2.0, 1.2, _per_m3(0.3, 0.0, 1.5)),
    Quantity("heat_w", "heat_w", "W", "points", 10.0, 3.0, _per_m3(0.0, 0.0, 8.0), -1e6),
    Quantity("fogger_heat_w", "fogger_heat_w", "W", "ratio", 1.2, 1.05, _fogger),
    Quantity(
        "drop_um",
        "drop_um",
        "µm",
        "ratio",
        2.0,
        1.3,
        _always(FOG_DROP_UM, *FOG_DROP_RANGE_UM),
        0.5,
        can_measure=False,
    ),
    Quantity("wall_w_k", "wall_w_k", "W/K", "ratio", 1.5, 1.2, _walls, can_measure=False),
    Quantity(
        "transfer_m_h",
        "transfer_m_h",
        "m/h",
        "ratio",
        1.5,
        1.2,
        _always(TRANSFER_M_H, 6.0, 25.0),
        can_measure=False,
    ),
    Quantity(
        "surface_heat_w_m2_k",
        "surface_heat_w_m2_k",
        "W/(m² K)",
        "ratio",
        1.3,
        1.2,
        _always(SURFACE_HEAT_W_M2_K, 6.0, 15.0),
        0.1,
        can_measure=False,
    ),
    Quantity(
        "surface_holds_g_m2",
        "surface_holds_g_m2",
        "g/m²",
        "ratio",
        2.0,
        1.3,
        _always(100.0, 30.0, 200.0),
        can_measure=False,
    ),
)
