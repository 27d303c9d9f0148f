"""Several settings in one room: which hold the band, and which differ enough to compare."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from trialkit.chamber.forward import Simulation, simulate
from trialkit.chamber.room import Band, ChamberError, Room, Timed, read_setting, room_from_rig, take
from trialkit.display import Shown, show_table
from trialkit.errors import Finding


@dataclass(frozen=True)
class Comparison:
    """What each setting holds in this room, and how the settings differ.

    Parameters
    ----------
    table : DataFrame
        One row per level: `level, setting, mean_rh_pct, low_rh_pct, high_rh_pct, verdict`
        ("inside", "below", "above", "too wide", "" without a band), `mean_temp_c`,
        `mean_vpd_kpa, duty_pct, cycles_day, water_l_day, energy_kwh_day, refill_days,
        hours_wet_day, co2_ppm`.
    pairs : DataFrame
        One row per pair: `first, second, difference_rh_pct, difference_vpd_kpa, water_ratio,
        cycle_ratio, comparable`.
    sentences : tuple of str
        The same in words, for a plan.
    findings : tuple of Finding
        What was assumed, and what is doubtful.
    """

    table: pd.DataFrame
    pairs: pd.DataFrame
    sentences: tuple[str, ...]
    findings: tuple[Finding, ...]

    def show(self) -> Shown:
        """Give the table formatted once for text and HTML."""
        heads = {
            "level": "level",
            "setting": "setting",
            "mean_rh_pct": "mean [%]",
            "low_rh_pct": "lowest [%]",
            "high_rh_pct": "highest [%]",
            "verdict": "against the band",
            "water_l_day": "water [L/day]",
            "energy_kwh_day": "energy [kWh/day]",
            "refill_days": "refill every [days]",
        }
        return show_table(
            self.table,
            heads=heads,
            columns=list(heads),
            caption="What each setting should hold in this room (a calculation, not a measurement)",
            notes=[*self.sentences, *(str(finding) for finding in self.findings)],
        )

    def __str__(self) -> str:
        return self.show().text()

    def _repr_html_(self) -> str:
        return self.show().html()


def compare_settings(
    rig: Any,
    levels: Mapping[str, Any],
    *,
    band: tuple[float, float] | None = None,
    smallest_rh_pct: float = 1.0,
) -> Comparison:
    """Say what each mist setting of a trial holds, and which differ enough to be compared.

    Parameters
    ----------
    rig : Room, mapping or object
        A `Room`, or the `[rig]` of a trial file (see `room_from_rig`).
    levels : mapping
        Level name → setting (`on_s`, `off_s`, or `start_below_rh`, `stop_above_rh`). Levels
        that are no mist setting are passed over with a finding.
    band : (low, high), optional
        Humidity to be held [%]; the rig's `band_low_rh`, `band_high_rh` by default.
    smallest_rh_pct : float
        Difference of mean humidity below which two settings are the same climate [% points].
        Good sensors are uncertain by 1 to 2 points.

    Returns
    -------
    Comparison

    Raises
    ------
    ChamberError
        If the room cannot be worked out, or no level is a mist setting.

    Examples
    --------
    >>> rig = {"chamber_m3": 2, "air_changes_h": 4, "mist_l_h": 0.5, "room_temp_c": 18,
    ...        "room_rh_pct": 60, "evaporating_fraction": 1.0}
    >>> levels = {"usual": {"on_s": 20, "off_s": 220}, "sparse": {"on_s": 20, "off_s": 460}}
    >>> result = compare_settings(rig, levels, band=(85, 95))
    >>> print(result.sentences[0])
    usual: 20 s every 4 min holds 90–100 %, mean 95.0 %: partly above your band of 85–95 %.
    """
    room, assumed = _room(rig)
    low, high = band or (take(rig, "band_low_rh"), take(rig, "band_high_rh"))
    wanted = None if low is None or high is None else (float(low), float(high))
    if wanted and not 0 <= wanted[0] < wanted[1] <= 100:
        raise ChamberError(f"the band {wanted[0]:g}–{wanted[1]:g} % is no band")
    findings = list(assumed)
    results: dict[str, Simulation] = {}
    for name, level in levels.items():
        try:
            results[name] = simulate(room, level)
        except ChamberError as error:
            findings.append(
                Finding("no_mist_setting", "note", f"level {name!r} is not simulated: {error}")
            )
    if not results:
        raise ChamberError("no level is a mist setting: " + "; ".join(map(str, findings)))
    for name, result in results.items():
        findings += [
            Finding(f.code, f.severity, f"{name}: {f.message}", f.remedy) for f in result.findings
        ]
    table = pd.DataFrame([_row(name, result, wanted) for name, result in results.items()])
    pairs = _pairs(results, smallest_rh_pct)
    sentences = [_say_level(name, result, wanted) for name, result in results.items()]
    sentences += [_say_pair(row, results) for row in pairs.to_dict("records")]
    sentences += judge_separation(levels=results)
    return Comparison(table, pairs, tuple(s for s in sentences if s), tuple(findings))


def _room(rig: Any) -> tuple[Room, tuple[Finding, ...]]:
    if isinstance(rig, Room):
        return rig, ()
    made = room_from_rig(rig)
    return made.room, made.findings


def _row(name: str, result: Simulation, band: tuple[float, float] | None) -> dict[str, Any]:
    row: dict[str, Any] = {"level": name, "setting": result.setting.words, **result.summary}
    row["verdict"] = _verdict(result, band)
    return row


def _verdict(result: Simulation, band: tuple[float, float] | None) -> str:
    """Place the range of a settled cycle against the band."""
    if band is None:
        return ""
    low, high = result.low_rh_pct, result.high_rh_pct
    if high < band[0]:
        return "below"
    if low > band[1]:
        return "above"
    under, over = low < band[0] - 0.05, high > band[1] + 0.05
    if under and over:
        return "too wide"
    if under:
        return "partly below"
    return "partly above" if over else "inside"


def _say_level(name: str, result: Simulation, band: tuple[float, float] | None) -> str:
    low, high, mean = result.low_rh_pct, result.high_rh_pct, result.mean_rh_pct
    range_ = f"{low:.0f}–{high:.0f} %" if high - low >= 1 else f"{mean:.1f} %"
    text = f"{name}: {result.setting.words} holds {range_}"
    text += f", mean {mean:.1f} %" if high - low >= 1 else ""
    verdict = _verdict(result, band)
    if not verdict or band is None:
        return text + "."
    shown = f"your band of {band[0]:g}–{band[1]:g} %"
    if verdict == "too wide":
        return text + f": swings out of {shown} at both ends; shorten the cycle."
    return text + f": {verdict} {shown}."


def _pairs(results: Mapping[str, Simulation], smallest: float) -> pd.DataFrame:
    rows = []
    for (a, first), (b, second) in itertools.combinations(results.items(), 2):
        one, two = first.summary, second.summary
        rows.append(
            {
                "first": a,
                "second": b,
                "difference_rh_pct": two["mean_rh_pct"] - one["mean_rh_pct"],
                "difference_vpd_kpa": two["mean_vpd_kpa"] - one["mean_vpd_kpa"],
                "water_ratio": _ratio(two["water_l_day"], one["water_l_day"]),
                "cycle_ratio": _ratio(one["cycles_day"], two["cycles_day"]),
                "comparable": abs(two["mean_rh_pct"] - one["mean_rh_pct"]) >= smallest,
            }
        )
    columns = [
        "first", "second", "difference_rh_pct", "difference_vpd_kpa", "water_ratio",
        "cycle_ratio", "comparable",
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)


def _ratio(top: float, bottom: float) -> float:
    return top / bottom if bottom else math.inf if top else 1.0


def _say_pair(row: Mapping[Any, Any], results: Mapping[str, Simulation]) -> str:
    """Say of a pair only what a planner must know."""
    a, b, by = row["first"], row["second"], abs(row["difference_rh_pct"])
    if row["comparable"]:
        return ""
    same_water = abs(math.log(row["water_ratio"])) < 0.05 if row["water_ratio"] > 0 else False
    rhythm = row["cycle_ratio"]
    other_rhythm = 0 < rhythm < math.inf and abs(math.log(rhythm)) > 0.2
    both_timed = all(isinstance(results[name].setting, Timed) for name in (a, b))
    if both_timed and same_water and other_rhythm:
        return (
            f"{a} and {b} differ by {by:.1f} % RH: the same climate and water in another rhythm; "
            "a question about rhythm only."
        )
    return f"{a} and {b} differ by {by:.1f} % RH: nothing to compare."


# ---------------------------------------------------------------- water against rhythm


def judge_separation(*, levels: Mapping[str, Any]) -> list[str]:
    """Say whether a set of timers can tell more water from another rhythm.

    Parameters
    ----------
    levels : mapping
        Level name → setting or `Simulation`.

    Returns
    -------
    list of str
        Empty where the levels separate the two, or differ in one of them only.

    Examples
    --------
    >>> together = {"a": {"on_s": 20, "off_s": 220}, "b": {"on_s": 20, "off_s": 460}}
    >>> judge_separation(levels=together)[0][:46]
    'Water and cycle length change together in thes'
    """
    timers = [
        s
        for s in (v.setting if isinstance(v, Simulation) else _or_none(v) for v in levels.values())
        if isinstance(s, Timed) and s.on_s and s.off_s
    ]
    if len(timers) < 2:
        return []
    water = np.log([s.duty for s in timers])
    rhythm = np.log([s.cycle_s for s in timers])
    if np.ptp(water) < 0.05 or np.ptp(rhythm) < 0.05:
        return []
    together = float(np.corrcoef(water, rhythm)[0, 1])
    if abs(together) < 0.8:
        return []
    return [
        "Water and cycle length change together in these levels: a difference could come from "
        "either. Levels of the same water and another cycle length, or the same cycle length "
        "and other water, would tell them apart (separating_settings)."
    ]


def _or_none(level: Any) -> Timed | Band | None:
    try:
        return read_setting(level)
    except ChamberError:
        return None


def separating_settings(
    base: Any, *, water: float = 2.0, rhythm: float = 2.0, shortest_on_s: float = 5.0
) -> pd.DataFrame:
    """Give four timers around one in use that tell water from rhythm.

    The four are a square: the base; the same water in cycles `rhythm` times as long; `water`
    times the water in the same cycle; and both. With all four, the effect of each and whether
    one depends on the other can be estimated; the first three do for the two effects alone.

    Parameters
    ----------
    base : mapping or object
        The timer in use, `on_s` and `off_s` [s].
    water : float
        Factor on the daily water, above or below 1.
    rhythm : float
        Factor on the cycle length, above or below 1.
    shortest_on_s : float
        Shortest mist a fogger can make well [s].

    Returns
    -------
    DataFrame
        `level, on_s, off_s, duty_pct, cycles_day, water, rhythm` (factors against the base).

    Raises
    ------
    ChamberError
        If a level would be on for less than `shortest_on_s`, or all the time.

    Examples
    --------
    >>> separating_settings({"on_s": 30, "off_s": 270})[["level", "on_s", "off_s"]]
                           level   on_s  off_s
    0                       base   30.0  270.0
    1  same water, longer cycles   60.0  540.0
    2    same cycles, more water   60.0  240.0
    3  longer cycles, more water  120.0  480.0
    """
    timer = read_setting(base)
    if not isinstance(timer, Timed) or not timer.on_s or not timer.off_s:
        raise ChamberError("only a timer that switches on and off has water and rhythm to separate")
    if water <= 0 or rhythm <= 0 or water == 1 or rhythm == 1:
        raise ChamberError("water and rhythm are factors above 0 and other than 1")
    cycles = "longer cycles" if rhythm > 1 else "shorter cycles"
    more = "more water" if water > 1 else "less water"
    plan = [
        ("base", 1.0, 1.0),
        (f"same water, {cycles}", 1.0, rhythm),
        (f"same cycles, {more}", water, 1.0),
        (f"{cycles}, {more}", water, rhythm),
    ]
    rows = []
    for name, by_water, by_rhythm in plan:
        cycle = timer.cycle_s * by_rhythm
        on = timer.on_s * by_water * by_rhythm
        if on < shortest_on_s or on >= cycle:
            raise ChamberError(
                f"{name}: on for {on:g} s of {cycle:g} s → choose factors nearer to 1"
            )
        rows.append(
            {
                "level": name,
                "on_s": on,
                "off_s": cycle - on,
                "duty_pct": 100 * on / cycle,
                "cycles_day": 86400 / cycle,
                "water": by_water,
                "rhythm": by_rhythm,
            }
        )
    return pd.DataFrame(rows)
