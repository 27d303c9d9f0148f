"""Backward: from logs of humidity and mist, what each room is like."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pandas as pd

from trialkit.chamber.constants import WATER_G_L
from trialkit.chamber.estimates import Identified
from trialkit.chamber.log_course import UNNAMED, prepare_course
from trialkit.chamber.odd_chambers import compare_chambers
from trialkit.chamber.room import ChamberError, Room
from trialkit.chamber.roomfit import RoomFit, fit_course
from trialkit.errors import Finding
from trialkit.wording import finding, message
from trialkit.wording.message import Message

#: A clock further off than this is moved before the log is fitted again [s].
MOVED_S = 8.0
#: … and again until no more than this is left, so many times at most.
LEFT_S, MOST_MOVES = 1.5, 3
#: Factor by which a fogger may give more than its label and the volume say.
RATING_SLACK = 1.5


def identify_room(
    climate: pd.DataFrame,
    mist: pd.DataFrame,
    *,
    outside_g_m3: float | None = None,
    like: Room | None = None,
    empty: bool = True,
    level: float = 0.95,
    saturated_above: float = 99.0,
    smallest_ratio: float = 1.2,
    drift_h: float = 2.0,
) -> Identified:
    """Estimate air changes, mist reaching the air and sensor lag from a log, per chamber.

    Two hours of mist on for minutes and off for half an hour say most. What it calls air
    changes is the rate at which vapour returns to that of the incoming air; wet surfaces and
    crop pull in the same way and are part of it.

    Parameters
    ----------
    climate : DataFrame
        One row per reading: `time` (datetime), `temp_c` [°C], `rh_pct` [%], and `chamber` if
        there are several. Where a chamber has several names under `sensor`, each sensor is
        fitted for itself, as "T1 s2".
    mist : DataFrame
        One row per mist interval: `start`, `stop` (datetime), and `chamber` likewise.
    outside_g_m3 : float, optional
        Vapour of the incoming air [g/m³] if measured (`air.absolute_humidity_g_m3`).
    like : Room, optional
        The room as its rig says; its volume and mist output bound what the mist can give.
    empty : bool
        Whether nothing wet (crop, blocks, walls) stood in the chamber. If not, what is called air
        changes is the pull of both together, and its limits are wider.
    level : float
        Confidence level.
    saturated_above : float
        Readings above this are left out of the fit [%].
    smallest_ratio : float
        Chambers are said to differ only by at least this ratio.
    drift_h : float
        The incoming air may drift, in straight lines between moments this many hours apart;
        in a log shorter than half of that it is constant.

    Returns
    -------
    Identified

    Raises
    ------
    ChamberError
        If no chamber's log can be used.

    Notes
    -----
    Method and intervals: `trialkit.chamber.roomfit.fit_course`. Each chamber is compared with
    the precision-weighted mean of the others on the logarithm, p-values adjusted by
    Bonferroni; a chamber found odd is set apart and the rest compared again.

    Examples
    --------
    >>> from trialkit.chamber import Room, simulate
    >>> tent = Room(volume_m3=2.0, air_changes_h=4.0, mist_l_h=0.3, cooling=False)
    >>> trace = simulate(tent, {"on_s": 120, "off_s": 1080}, 3.0).trace
    >>> start = pd.Timestamp("2031-03-01", tz="UTC")
    >>> log = pd.DataFrame({"time": start + pd.to_timedelta(trace["time_s"], unit="s"),
    ...                     "temp_c": trace["temp_c"], "rh_pct": trace["sensor_rh_pct"]})
    >>> on = start + pd.to_timedelta(range(0, 10800, 1200), unit="s")
    >>> mist = pd.DataFrame({"start": on, "stop": on + pd.Timedelta("120s")})
    >>> found = identify_room(log, mist).table.iloc[0]
    >>> print(f"{found['air_changes_h']:.2f} {found['mist_g_m3_h']:.0f} {found['lag_s']:.0f}")
    4.00 150 30
    """
    groups = _split(climate, mist)
    fits, findings = {}, []
    for chamber, (readings, spells) in groups.items():
        try:
            fits[chamber] = _fit_one(
                readings,
                spells,
                chamber,
                drift_h,
                outside_g_m3=outside_g_m3,
                level=level,
                saturated_above=saturated_above,
                most_mist=math.inf if like is None else _most_mist(like),
                empty=empty,
            )
        except ChamberError as error:
            findings.append(finding("not_identified", "caution", reason=str(error)))
    if not fits:
        raise ChamberError("no log can be used: " + "; ".join(f.message for f in findings))
    for chamber, fit in fits.items():
        own = [*_said_once(fit), *_not_determined(fit)]
        if len(groups) > 1:
            own = [
                Finding(
                    f.code, f.severity, message("chamber.of", name=chamber, text=f.said), f.cure
                )
                for f in own
            ]
        findings += own
    table = pd.DataFrame([_row(fit) for fit in fits.values()])
    sound = {
        name: fit
        for name, fit in fits.items()
        if not any(finding.severity == "caution" for finding in fit.findings)
    }
    if 1 < len(fits) != len(sound):
        left = [name for name in fits if name not in sound]
        findings.append(finding("not_compared", "note", chambers=left))
    differences = compare_chambers(sound, level, smallest_ratio)
    return Identified(table, differences, fits, tuple(findings), level)


def _fit_one(
    readings: pd.DataFrame, spells: pd.DataFrame, chamber: str, drift_h: float, **how: Any
) -> RoomFit:
    """Fit one chamber; where its clock is off, once more with the mist moved to where it was."""
    first = fit = fit_course(
        prepare_course(readings, spells, chamber=chamber, drift_h=drift_h), chamber=chamber, **how
    )
    moved, delay = 0.0, float(fit.estimates["estimate"]["delay_s"])
    for _ in range(MOST_MOVES):  # the air's temperature was worked out with the mist misplaced
        if abs(delay) < (LEFT_S if moved else MOVED_S):
            break
        moved += delay
        there = spells.copy()
        for name in ("start", "stop"):
            there[name] = there[name] + pd.Timedelta(moved, "s")
        fit = fit_course(
            prepare_course(readings, there, chamber=chamber, drift_h=drift_h),
            chamber=chamber,
            **how,
        )
        delay = float(fit.estimates["estimate"]["delay_s"])
    if not moved:
        return first
    estimates = fit.estimates.copy()
    estimates.loc["delay_s", ["estimate", "low", "high"]] += moved
    kept = [f for f in fit.findings if f.code != "clocks_disagree"]
    kept += [f for f in first.findings if f.code == "clocks_disagree"]
    return replace(fit, estimates=estimates, findings=tuple(kept))


def _said_once(fit: RoomFit) -> list[Finding]:
    """Leave out what only says again why nothing is determined, and clocks told by such logs."""
    codes = {f.code for f in fit.findings}
    doubled = set()
    if "few_moments" in codes:  # the reason that each constant is not determined
        doubled.add("few_moments")
    if "lag_s" in fit.why_not:
        doubled.add("lag_rough")
    if "lag_rough" in codes:  # readings too far apart to tell a delay
        doubled.add("clocks_disagree")
    return [f for f in fit.findings if f.code not in doubled]


def _not_determined(fit: RoomFit) -> list[Finding]:
    """Say which constants the log does not determine, and why."""
    by_reason: dict[Message, list[Message]] = {}
    for name, why in fit.why_not.items():
        by_reason.setdefault(why, []).append(message(f"chamber.constant.{name}"))
    return [
        finding("rate_uncertain", "caution", what=names, why=why)
        for why, names in by_reason.items()
    ]


def _most_mist(like: Room) -> float:
    """Give the most that the fogger can give by its rating and the error of a label."""
    return RATING_SLACK * like.mist_l_h * WATER_G_L / like.volume_m3


def _split(
    climate: pd.DataFrame, mist: pd.DataFrame
) -> dict[str, tuple[pd.DataFrame, pd.DataFrame]]:
    """Pair each chamber's readings with its mist; several sensors of a chamber apart."""
    if "chamber" not in climate.columns:
        return {UNNAMED: (climate, mist)}
    if "chamber" not in mist.columns:
        raise ChamberError("the climate table names chambers, the mist table does not")
    names, misted = climate["chamber"].astype(str), mist["chamber"].astype(str)
    groups = {}
    for name in sorted(names.unique()):
        readings, spells = climate[names == name], mist[misted == name]
        sensors = sorted(readings["sensor"].astype(str).unique()) if "sensor" in readings else []
        if len(sensors) < 2:
            groups[name] = (readings, spells)
            continue
        for sensor in sensors:
            own = readings[readings["sensor"].astype(str) == sensor]
            groups[f"{name} {sensor}"] = (own, spells)
    return groups


def _row(fit: RoomFit) -> dict[str, object]:
    row: dict[str, object] = {"chamber": fit.chamber, "readings": int(fit.used.sum())}
    for name, values in fit.estimates.iterrows():
        row[f"{name}"] = float(values["estimate"])
        row[f"{name}_low"], row[f"{name}_high"] = float(values["low"]), float(values["high"])
    return row | {
        "residual_sd_pct": fit.residual_sd_pct,
        "r2": fit.r2,
        "autocorrelation": fit.autocorrelation,
    }
