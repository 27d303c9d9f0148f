"""Backward: from logs of humidity and mist, what each room is like and which rooms differ."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from trialkit import air
from trialkit.chamber.constants import WATER_G_L
from trialkit.chamber.course import prepare_course
from trialkit.chamber.room import ChamberError, Room
from trialkit.chamber.roomfit import RoomFit, fit_course
from trialkit.display import Shown, show_table
from trialkit.errors import Finding
from trialkit.short_repr import short_repr
from trialkit.wording import finding, message, spoken
from trialkit.wording.message import Message

_NAMES = ("air_changes_h", "mist_g_m3_h", "lag_s")


#: A clock further off than this is moved before the log is fitted again [s].
MOVED_S = 8.0
#: … and again until no more than this is left, so many times at most.
LEFT_S, MOST_MOVES = 1.5, 3
#: Factor by which a fogger may give more than its label and the volume say.
RATING_SLACK = 1.5


@dataclass(frozen=True)
class Identified:
    """What the logs say about each chamber.

    Parameters
    ----------
    table : DataFrame
        One row per chamber: `chamber, readings, air_changes_h, air_changes_h_low,
        air_changes_h_high`; the same for `mist_g_m3_h` (vapour the mist adds while on),
        `lag_s` (sensor), `delay_s` (by which the air follows the mist log) and
        `outside_g_m3` (mean vapour of the air that comes in); then `residual_sd_pct, r2,
        autocorrelation`.
    differences : DataFrame
        One row per constant and chamber: `constant, chamber, ratio` (to the mean of the others
        that are alike), `low, high, p` (times the number of comparisons), `differs`. Chambers
        with a caution are not compared; empty for fewer than two.
    fits : dict of RoomFit
    findings : tuple of Finding
    level : float
    """

    table: pd.DataFrame
    differences: pd.DataFrame
    fits: Mapping[str, RoomFit]
    findings: tuple[Finding, ...]
    level: float

    __repr__ = short_repr

    @property
    def fitted(self) -> pd.DataFrame:
        """Readings against fit: `chamber, time, rh_pct, fitted_rh_pct, residual_pct, used`."""
        parts = []
        for chamber, fit in self.fits.items():
            course = fit.course
            parts.append(
                pd.DataFrame(
                    {
                        "chamber": chamber,
                        "time": course.start + pd.to_timedelta(course.time_s, unit="s"),
                        "rh_pct": course.rh_pct,
                        "fitted_rh_pct": fit.fitted_rh_pct,
                        "residual_pct": course.rh_pct - fit.fitted_rh_pct,
                        "used": fit.used,
                    }
                )
            )
        return pd.concat(parts, ignore_index=True)

    @property
    def soundest(self) -> str:
        """The chamber whose air changes are known best, those without a caution first."""
        return min(
            self.fits,
            key=lambda name: (
                len(self.fits[name].why_not),
                any(finding.severity == "caution" for finding in self.fits[name].findings),
                self.fits[name].log_se["air_changes_h"],
            ),
        )

    def room(self, chamber: str, like: Room) -> Room:
        """Give a room with this chamber's constants, the rest as in `like`.

        Air changes, sensor lag and the vapour of incoming air are as estimated. The mist that
        reaches the air sets `evaporating_fraction`; if more arrives than the rig is said to
        put out, the output is raised to it. Wet surfaces and crop that stood in the chamber during
        the test are part of its air changes and are not added again.

        Raises
        ------
        ChamberError
            If the log does not determine air changes and mist.
        """
        if chamber not in self.fits:
            raise ChamberError(f"no chamber {chamber!r} → one of: {', '.join(self.fits)}")
        fit = self.fits[chamber]
        missing = {"air_changes_h", "mist_g_m3_h"} - fit.determined
        if missing:
            raise ChamberError(
                f"{chamber}: this log does not determine {', '.join(sorted(missing))} "
                f"({fit.why_not[min(missing)]}) → make a proper test: two hours, mist on for one "
                "or two minutes and off for twenty, a reading every 10 to 30 s"
            )
        found = fit.estimates["estimate"]
        lag = found["lag_s"] if "lag_s" in fit.determined else like.sensor_lag_s
        grams = float(found["mist_g_m3_h"]) * like.volume_m3
        rated = like.mist_l_h * WATER_G_L
        rh = float(air.rh_from_absolute_humidity(like.room_temp_c, max(found["outside_g_m3"], 0.0)))
        return like.change(
            air_changes_h=float(found["air_changes_h"]),
            mist_l_h=max(rated, grams) / WATER_G_L,
            evaporating_fraction=min(1.0, grams / rated) if rated else 1.0,
            room_rh_pct=min(rh, 100.0),
            sensor_lag_s=float(lag),
            crop_m2=0.0,  # what pulled like air change during the test is in it already
            surface_m2=0.0,
        )

    def show(self) -> Shown:
        """Give the table formatted once for text and HTML."""
        say = spoken()
        view = pd.DataFrame({"chamber": self.table["chamber"]})
        for name in _NAMES:
            view[name] = [
                say.text(
                    "chamber.estimate",
                    middle=row[name],
                    low=row[f"{name}_low"],
                    high=row[f"{name}_high"],
                )
                if row[name] == row[name]
                else say.text("chamber.no_estimate")
                for _, row in self.table.iterrows()
            ]
        view["residual_sd_pct"] = self.table["residual_sd_pct"]
        view["r2"] = [say.percent(100 * r2, 1) for r2 in self.table["r2"]]
        return show_table(
            view,
            heads={name: say.text(f"chamber.head.{name}") for name in view.columns},
            caption=say.text("chamber.identified_caption", level=100 * self.level),
            notes=[*self.sentences, *(str(finding) for finding in self.findings)],
        )

    @property
    def sentences(self) -> tuple[str, ...]:
        """Which chambers differ from the others, in words."""
        if self.differences.empty:
            return ()
        odd = self.differences[self.differences["differs"]]
        if odd.empty:
            return (str(message("chamber.none_differs")),)
        return tuple(
            str(
                message(
                    "chamber.differs",
                    chamber=row["chamber"],
                    what=message(f"chamber.constant.{row['constant']}"),
                    ratio=row["ratio"],
                    low=row["low"],
                    high=row["high"],
                )
            )
            for row in odd.to_dict("records")
        )

    def __str__(self) -> str:
        return self.show().text()

    def _repr_html_(self) -> str:
        return self.show().html()


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
        own = [*fit.findings, *_not_determined(fit)]
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
    differences = _differences(sound, level, smallest_ratio)
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
        return {"chamber": (climate, mist)}
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


def _differences(fits: Mapping[str, RoomFit], level: float, smallest_ratio: float) -> pd.DataFrame:
    """Compare each chamber with the others, constant by constant."""
    columns = ["constant", "chamber", "ratio", "low", "high", "p", "differs"]
    if len(fits) < 2:
        return pd.DataFrame(columns=columns)
    parts = []
    for name in _NAMES:
        known = {chamber: fit for chamber, fit in fits.items() if name in fit.determined}
        if len(known) > 1:
            parts.append(_against_others(name, known, level, smallest_ratio))
    if not parts:
        return pd.DataFrame(columns=columns)
    return pd.concat(parts, ignore_index=True)[columns]


def _against_others(
    name: str, fits: Mapping[str, RoomFit], level: float, smallest_ratio: float
) -> pd.DataFrame:
    """Compare chambers with the weighted mean of those alike, setting odd ones apart in turn.

    Without that, one odd chamber would make all the others look odd.
    """
    from scipy.stats import norm

    logs = np.array([math.log(fit.estimates["estimate"][name]) for fit in fits.values()])
    se = np.array([max(fit.log_se[name], 1e-9) for fit in fits.values()])
    tests = len(_NAMES) * len(fits)
    alike = np.ones(len(logs), dtype=bool)
    while True:
        gap, gap_se = np.empty(len(logs)), np.empty(len(logs))
        for k in range(len(logs)):
            others = alike.copy()
            others[k] = False
            weight = others / se**2
            gap[k] = logs[k] - float(weight @ logs) / weight.sum()
            gap_se[k] = math.hypot(se[k], 1 / math.sqrt(weight.sum()))
        p = np.minimum(2 * norm.sf(np.abs(gap) / gap_se) * tests, 1.0)
        differs = (np.abs(gap) >= math.log(smallest_ratio)) & (p < 1 - level)
        if not (differs & alike).any() or alike.sum() <= 2:
            break
        alike[int(np.argmax(np.where(differs & alike, np.abs(gap) / gap_se, -1.0)))] = False
    width = float(norm.ppf(0.5 + level / 2))
    return pd.DataFrame(
        {
            "constant": name,
            "chamber": list(fits),
            "ratio": np.exp(gap),
            "low": np.exp(gap - width * gap_se),
            "high": np.exp(gap + width * gap_se),
            "p": p,
            "differs": differs,
        }
    )
