"""Several settings in one room: which hold the band, and which differ enough to compare."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from trialkit.chamber.forward import Simulation, simulate
from trialkit.chamber.room import ChamberError, Room, Timed, room_from_rig, take
from trialkit.chamber.separate import judge_separation, setting_or_none
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
    results : dict of Simulation
        Level → what was worked out.
    band : (low, high) or None
        The band they are held against [%].
    """

    table: pd.DataFrame
    pairs: pd.DataFrame
    sentences: tuple[str, ...]
    findings: tuple[Finding, ...]
    results: Mapping[str, Simulation]
    band: tuple[float, float] | None

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
    sentences += judge_separation(levels={name: r.setting for name, r in results.items()})
    said = tuple(s for s in sentences if s)
    return Comparison(table, pairs, said, tuple(findings), results, wanted)


def compare_treatments(trial: Any) -> dict[str, Comparison]:
    """Compare the mist settings of every treatment of a trial that has any.

    Parameters
    ----------
    trial : Trial
        With `.factors` (name → factor with `.levels`) and `.rig`.

    Returns
    -------
    dict of Comparison
        Treatment → comparison of its levels; treatments that set no mist are left out.

    Raises
    ------
    ChamberError
        If the trial has mist settings and its rig does not say enough of the room.
    """
    found = {}
    for name, factor in trial.factors.items():
        if any(setting_or_none(level) is not None for level in factor.levels.values()):
            found[name] = compare_settings(trial.rig, factor.levels)
    return found


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
