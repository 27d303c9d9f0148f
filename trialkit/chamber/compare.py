"""Several settings in one room: which hold the band, and which differ enough to compare."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from trialkit.chamber.forward import Simulation, simulate
from trialkit.chamber.rig import room_from_rig
from trialkit.chamber.room import ChamberError, Room, Timed, take
from trialkit.chamber.separate import judge_separation, setting_or_none
from trialkit.display import Shown, show_table
from trialkit.errors import Finding
from trialkit.short_repr import short_repr
from trialkit.wording import finding, message, spoken
from trialkit.wording.message import Message

_SHOWN = (
    "level",
    "setting",
    "mean_rh_pct",
    "low_rh_pct",
    "high_rh_pct",
    "verdict",
    "water_l_day",
    "energy_kwh_day",
    "refill_days",
)


@dataclass(frozen=True)
class Comparison:
    """What each setting holds in this room, and how the settings differ.

    Parameters
    ----------
    table : DataFrame
        One row per level: `level, setting, mean_rh_pct, low_rh_pct, high_rh_pct, verdict`
        ("inside", "below", "above", "partly below", "partly above",
        "too wide", "" without a band), `mean_temp_c`,
        `mean_vpd_kpa, duty_pct, cycles_day, water_l_day, energy_kwh_day, refill_days,
        hours_wet_day, co2_ppm`.
    pairs : DataFrame
        One row per pair: `first, second, difference_rh_pct, difference_vpd_kpa, water_ratio,
        cycle_ratio, comparable`.
    said : tuple of Message
        The same in words, for a plan; `sentences` says them.
    findings : tuple of Finding
        What was assumed, and what is doubtful.
    results : dict of Simulation
        Level → what was worked out.
    band : (low, high) or None
        The band they are held against [%].
    """

    table: pd.DataFrame
    pairs: pd.DataFrame
    said: tuple[Message, ...]
    findings: tuple[Finding, ...]
    results: Mapping[str, Simulation]
    band: tuple[float, float] | None

    __repr__ = short_repr

    def show(self) -> Shown:
        """Give the table formatted once for text and HTML."""
        say = spoken().text
        heads = {name: say(f"chamber.head.{name}") for name in _SHOWN}
        return show_table(
            self.table,
            heads=heads,
            columns=list(heads),
            formats={"verdict": lambda name: say(f"chamber.verdict.{_key(name)}") if name else ""},
            caption=say("chamber.comparison_caption"),
            notes=[*self.sentences, *(str(finding) for finding in self.findings)],
        )

    @property
    def sentences(self) -> tuple[str, ...]:
        """What is said, in the language in use."""
        return tuple(map(str, self.said))

    @property
    def separation(self) -> tuple[str, ...]:
        """Whether water and rhythm change together, in words; empty where they do not."""
        return tuple(str(said) for said in self.said if said.key == "chamber.confounded")

    @property
    def doubts(self) -> tuple[Finding, ...]:
        """The findings that are no assumption about the room."""
        return tuple(f for f in self.findings if not f.code.startswith("assumed_"))

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
    >>> print(result.sentences[0].split(":")[2].strip())
    partly above your band of 85–95 %.
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
            findings.append(finding("no_mist_setting", "note", level=name, reason=str(error)))
    if not results:
        raise ChamberError("no level is a mist setting: " + "; ".join(map(str, findings)))
    for name, result in results.items():
        findings += [
            Finding(f.code, f.severity, message("chamber.of", name=name, text=f.said), f.cure)
            for f in result.findings
        ]
    table = pd.DataFrame([_row(name, result, wanted) for name, result in results.items()])
    pairs = _pairs(results, smallest_rh_pct)
    said = [_say_level(name, result, wanted) for name, result in results.items()]
    said += [pair for row in pairs.to_dict("records") if (pair := _say_pair(row, results))]
    said += judge_separation(levels={name: r.setting for name, r in results.items()})
    return Comparison(table, pairs, tuple(said), tuple(findings), results, wanted)


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


def _key(verdict: object) -> str:
    return str(verdict).replace(" ", "_")


def _say_level(name: str, result: Simulation, band: tuple[float, float] | None) -> Message:
    values: dict[str, Any] = {
        "level": name,
        "setting": result.setting.said,
        "low": result.low_rh_pct,
        "high": result.high_rh_pct,
        "mean": result.mean_rh_pct,
    }
    holds = "swings" if values["high"] - values["low"] >= 1 else "steady"
    held = message(f"chamber.holds.{holds}", **values)
    verdict = _verdict(result, band)
    if not verdict or band is None:
        return message("chamber.level", held=held)
    return message(
        "chamber.level_band",
        held=held,
        verdict=message(f"chamber.against.{_key(verdict)}", band_low=band[0], band_high=band[1]),
    )


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
        "first",
        "second",
        "difference_rh_pct",
        "difference_vpd_kpa",
        "water_ratio",
        "cycle_ratio",
        "comparable",
    ]
    return pd.DataFrame(rows, columns=columns)


def _ratio(top: float, bottom: float) -> float:
    return top / bottom if bottom else math.inf if top else 1.0


def _say_pair(row: Mapping[Any, Any], results: Mapping[str, Simulation]) -> Message | None:
    """Say of a pair only what a planner must know."""
    a, b = row["first"], row["second"]
    if row["comparable"]:
        return None
    same_water = abs(math.log(row["water_ratio"])) < 0.05 if row["water_ratio"] > 0 else False
    rhythm = row["cycle_ratio"]
    other_rhythm = 0 < rhythm < math.inf and abs(math.log(rhythm)) > 0.2
    both_timed = all(isinstance(results[name].setting, Timed) for name in (a, b))
    kind = "rhythm" if both_timed and same_water and other_rhythm else "nothing"
    by = abs(row["difference_rh_pct"])
    return message(f"chamber.pair.{kind}", first=a, second=b, by=by)
