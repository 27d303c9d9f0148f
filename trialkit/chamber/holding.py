"""The timer that holds a humidity band with the least water."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from trialkit.chamber.forward import Simulation, simulate
from trialkit.chamber.room import ChamberError, Room, Timed
from trialkit.display import Shown, show_table
from trialkit.short_repr import short_repr
from trialkit.wording import message, spoken
from trialkit.wording.message import Message

#: Cycle lengths tried [s].
CYCLES_S = (120.0, 180.0, 240.0, 300.0, 480.0, 600.0, 900.0)


_SHOWN = ("cycle_s", "on_s", "off_s", "low_rh_pct", "high_rh_pct", "water_l_day", "holds")


@dataclass(frozen=True)
class Holding:
    """The timers that keep the lower edge of a band, and the one with least water.

    Parameters
    ----------
    table : DataFrame
        One row per cycle length: `cycle_s, on_s, off_s, low_rh_pct, high_rh_pct, mean_rh_pct,
        water_l_day, energy_kwh_day, holds`.
    setting : Timed or None
        The timer that holds the band with least water; None if none does.
    said : Message
        The answer; `sentence` says it.
    """

    table: pd.DataFrame
    setting: Timed | None
    said: Message

    __repr__ = short_repr

    def show(self) -> Shown:
        """Give the table formatted once for text and HTML."""
        say = spoken().text
        heads = {name: say(f"chamber.head.{name}") for name in _SHOWN}
        return show_table(
            self.table,
            heads=heads,
            columns=list(heads),
            formats={"holds": lambda value: say("chamber.yes" if value else "chamber.no")},
            caption=self.sentence,
        )

    @property
    def sentence(self) -> str:
        """The answer in words."""
        return str(self.said)

    def __str__(self) -> str:
        return self.show().text()

    def _repr_html_(self) -> str:
        return self.show().html()


def find_holding_setting(
    room: Room,
    *,
    low_rh: float,
    high_rh: float,
    cycles_s: Sequence[float] = CYCLES_S,
    shortest_on_s: float = 5.0,
) -> Holding:
    """Find the timer that keeps humidity in a band with the least water.

    For each cycle length the shortest mist is sought (in whole seconds) whose lowest point
    stays at or above the lower edge; it holds the band if its highest point stays below the
    upper edge. Short cycles ripple less and so need less water; the fogger's shortest useful
    pulse sets the limit.

    Parameters
    ----------
    room : Room
        The chamber, best with constants from `identify_room`.
    low_rh, high_rh : float
        The band [%].
    cycles_s : sequence of float
        Cycle lengths to try [s].
    shortest_on_s : float
        Shortest mist the fogger makes well [s].

    Returns
    -------
    Holding

    Raises
    ------
    ChamberError
        If the band or a cycle length is impossible.

    Examples
    --------
    >>> tent = Room(volume_m3=2.0, air_changes_h=4.0, mist_l_h=0.3, room_rh_pct=60.0)
    >>> find_holding_setting(tent, low_rh=85, high_rh=95, cycles_s=[120, 300, 600]).setting
    Timed(on_s=14.0, off_s=106.0)
    """
    if not 0 < low_rh < high_rh <= 100:
        raise ChamberError(f"the band {low_rh:g}–{high_rh:g} % is no band")
    if not cycles_s or min(cycles_s) <= shortest_on_s or shortest_on_s < 1:
        raise ChamberError("cycle lengths must be longer than the shortest mist of at least 1 s")
    rows = [_try_cycle(room, cycle, low_rh, high_rh, shortest_on_s) for cycle in cycles_s]
    table = pd.DataFrame(rows)
    holding = table[table["holds"]]
    if holding.empty:
        return Holding(table, None, _say_why_not(room, table, low_rh, high_rh))
    best = holding.sort_values("water_l_day", kind="stable").iloc[0]
    setting = Timed(float(best["on_s"]), float(best["off_s"]))
    return Holding(
        table,
        setting,
        message(
            "chamber.hold.best",
            setting=setting.said,
            band_low=low_rh,
            band_high=high_rh,
            water=best["water_l_day"],
            low=best["low_rh_pct"],
            high=best["high_rh_pct"],
        ),
    )


def _try_cycle(
    room: Room, cycle: float, low_rh: float, high_rh: float, shortest: float
) -> dict[str, Any]:
    """Find the shortest mist, in whole seconds, that keeps the lower edge."""

    def run(on_s: int) -> Simulation:
        return simulate(room, Timed(float(on_s), cycle - on_s))

    few, many = math.ceil(shortest), int(cycle)
    best = run(few)
    if best.low_rh_pct < low_rh:
        best = run(many)
        while many - few > 1 and best.low_rh_pct >= low_rh:
            middle = (few + many) // 2
            tried = run(middle)
            if tried.low_rh_pct >= low_rh:
                many, best = middle, tried
            else:
                few = middle
    setting = best.setting
    assert isinstance(setting, Timed)
    return {
        "cycle_s": cycle,
        "on_s": setting.on_s,
        "off_s": setting.off_s,
        "low_rh_pct": best.low_rh_pct,
        "high_rh_pct": best.high_rh_pct,
        "mean_rh_pct": best.mean_rh_pct,
        "water_l_day": best.summary["water_l_day"],
        "energy_kwh_day": best.summary["energy_kwh_day"],
        "holds": best.low_rh_pct >= low_rh and best.high_rh_pct <= high_rh,
    }


def _say_why_not(room: Room, table: pd.DataFrame, low_rh: float, high_rh: float) -> Message:
    band = {"band_low": low_rh, "band_high": high_rh}
    if (table["low_rh_pct"] < low_rh).all():
        return message("chamber.hold.too_dry", top=table["low_rh_pct"].max(), **band)
    ripple = float((table["high_rh_pct"] - table["low_rh_pct"]).min())
    return message(
        "chamber.hold.too_wide",
        ripple=ripple,
        output=room.mist_l_h,
        volume=room.volume_m3,
        **band,
    )
