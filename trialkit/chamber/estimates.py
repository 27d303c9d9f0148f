"""What logs say about each chamber: its constants with limits, and what they make of a room."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from trialkit import air
from trialkit.chamber.constants import WATER_G_L
from trialkit.chamber.room import ChamberError, Room
from trialkit.chamber.roomfit import RATES, RoomFit
from trialkit.display import Shown, show_table
from trialkit.errors import Finding
from trialkit.short_repr import short_repr
from trialkit.wording import message, spoken


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
        for name in RATES:
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
