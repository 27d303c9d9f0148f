"""Backward: from logs of humidity and mist, what each room is like and which rooms differ."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from trialkit import air
from trialkit.chamber.constants import WATER_G_L
from trialkit.chamber.course import prepare_course
from trialkit.chamber.room import ChamberError, Room
from trialkit.chamber.roomfit import RoomFit, fit_course
from trialkit.display import Shown, show_table
from trialkit.errors import Finding

_NAMES = {
    "air_changes_h": "air changes [1/h]",
    "mist_g_m3_h": "mist reaching the air [g/m³ per h]",
    "lag_s": "sensor lag [s]",
}


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
                any(finding.severity == "caution" for finding in self.fits[name].findings),
                self.fits[name].log_se["air_changes_h"],
            ),
        )

    def room(self, chamber: str, like: Room) -> Room:
        """Give a room with this chamber's constants, the rest as in `like`.

        Air changes, sensor lag and the vapour of incoming air are as estimated. The mist that
        reaches the air sets `evaporating_fraction`; if more arrives than the rig is said to
        put out, the output is raised to it.
        """
        if chamber not in self.fits:
            raise ChamberError(f"no chamber {chamber!r} → one of: {', '.join(self.fits)}")
        found = self.fits[chamber].estimates["estimate"]
        grams = float(found["mist_g_m3_h"]) * like.volume_m3
        rated = like.mist_l_h * WATER_G_L
        rh = float(air.rh_from_absolute_humidity(like.room_temp_c, max(found["outside_g_m3"], 0.0)))
        return like.change(
            air_changes_h=float(found["air_changes_h"]),
            mist_l_h=max(rated, grams) / WATER_G_L,
            evaporating_fraction=min(1.0, grams / rated) if rated else 1.0,
            room_rh_pct=min(rh, 100.0),
            sensor_lag_s=float(found["lag_s"]),
        )

    def show(self) -> Shown:
        """Give the table formatted once for text and HTML."""
        view = pd.DataFrame({"chamber": self.table["chamber"]})
        for name, head in _NAMES.items():
            view[head] = [
                f"{row[name]:.3g} ({row[f'{name}_low']:.3g} to {row[f'{name}_high']:.3g})"
                for _, row in self.table.iterrows()
            ]
        view["residual SD [% RH]"] = self.table["residual_sd_pct"]
        view["explained"] = [f"{100 * r2:.1f} %" for r2 in self.table["r2"]]
        return show_table(
            view,
            caption=f"What each room is like, estimated from its log ({100 * self.level:g} % "
            "intervals)",
            notes=[*self.sentences, *(str(finding) for finding in self.findings)],
        )

    @property
    def sentences(self) -> tuple[str, ...]:
        """Which chambers differ from the others, in words."""
        if self.differences.empty:
            return ()
        odd = self.differences[self.differences["differs"]]
        if odd.empty:
            return ("No chamber is shown to differ from the others.",)
        return tuple(
            f"{row['chamber']} differs from the other chambers in {_NAMES[row['constant']]}: "
            f"{row['ratio']:.2g} times theirs ({row['low']:.2g} to {row['high']:.2g})."
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
            course = prepare_course(readings, spells, chamber=chamber, drift_h=drift_h)
            fits[chamber] = fit_course(
                course,
                chamber=chamber,
                outside_g_m3=outside_g_m3,
                level=level,
                saturated_above=saturated_above,
            )
        except ChamberError as error:
            findings.append(Finding("not_identified", "caution", str(error)))
    if not fits:
        raise ChamberError("no log can be used: " + "; ".join(f.message for f in findings))
    for chamber, fit in fits.items():
        head = f"{chamber}: " if len(groups) > 1 else ""
        findings += [Finding(f.code, f.severity, head + f.message, f.remedy) for f in fit.findings]
    table = pd.DataFrame([_row(fit) for fit in fits.values()])
    sound = {
        name: fit
        for name, fit in fits.items()
        if not any(finding.severity == "caution" for finding in fit.findings)
    }
    if 1 < len(fits) != len(sound):
        left = ", ".join(name for name in fits if name not in sound)
        findings.append(
            Finding("not_compared", "note", f"not compared with the others, see above: {left}")
        )
    differences = _differences(sound, level, smallest_ratio)
    return Identified(table, differences, fits, tuple(findings), level)


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
    return pd.concat(
        [_against_others(name, fits, level, smallest_ratio) for name in _NAMES],
        ignore_index=True,
    )[columns]


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
