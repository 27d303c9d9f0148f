"""What is told of readings too slow for the mist, and of differences they could make alone."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
import pandas as pd

from trialkit.alignment.slow_readings import better_interval_min, too_slow
from trialkit.columns.exposures import CLIMATE
from trialkit.errors import Finding
from trialkit.wording import finding, message, place, several

#: Exposures that follow from humidity, and so from the moments of its readings.
HUMID: tuple[str, ...] = tuple(
    entry.column for entry in CLIMATE if entry.channel in ("rh_pct", "vpd_kpa")
)


def slow_findings(runs: pd.DataFrame, fidelity: pd.DataFrame, keys: Sequence[str]) -> list[Finding]:
    """Name runs with readings too slow for their mist, and levels that may differ by it alone.

    Parameters
    ----------
    runs : DataFrame
        Windows with the columns of `judge_readings`.
    fidelity : DataFrame
        Runs with their `level`.
    keys : sequence of str
        Run factors.
    """
    whole = runs[runs["window"] == "whole"]
    slow = whole[too_slow(whole)]
    out = []
    usual = slow[["reading_s", "cycle_s"]].round(0)
    for (reading, cycle), at in usual.groupby(["reading_s", "cycle_s"]).groups.items():
        out.append(_told(slow.loc[at], float(reading), float(cycle), keys))
    lagging = whole["hours_in_band_most"] - whole["hours_in_band_least"] > 0.05 * whole["window_h"]
    lagging &= whole["phases_missed_pct"].isna()
    if lagging.any():
        out.append(
            finding(
                "sensor_lags",
                "note",
                count=int(lagging.sum()),
                runs=_named(whole[lagging], keys),
                **_hours(whole[lagging]),
            )
        )
    return out + _levels_alike(whole, fidelity, keys)


def _told(part: pd.DataFrame, reading: float, cycle: float, keys: Sequence[str]) -> Finding:
    quick, offset = better_interval_min(reading, cycle)
    known = part["rh_slow_pct"].notna().all()
    banded = part["hours_in_band_most"].notna().all()
    effect = message(
        f"slow_effect.{'mean' if known else 'unknown'}", most=float(part["rh_slow_pct"].max())
    )
    return finding(
        "readings_slow",
        "caution",
        count=len(part),
        runs=_named(part, keys),
        reading=reading / 60,
        cycle=cycle / 60,
        effect=effect,
        hours=message("slow_effect.hours", **_hours(part)) if banded else "",
        quick=quick,
        offset=offset,
    )


def _hours(part: pd.DataFrame) -> dict[str, float]:
    """Give the widest range of hours in the band, as shares of the window [%]."""
    width = part["hours_in_band_most"] - part["hours_in_band_least"]
    worst = part.loc[width.idxmax()]
    return {
        "least": float(100 * worst["hours_in_band_least"] / worst["window_h"]),
        "most": float(100 * worst["hours_in_band_most"] / worst["window_h"]),
    }


def _named(part: pd.DataFrame, keys: Sequence[str]) -> object:
    return several([place({k: row[k] for k in keys}) for _, row in part.iterrows()], 4)


def _levels_alike(
    whole: pd.DataFrame, fidelity: pd.DataFrame, keys: Sequence[str]
) -> list[Finding]:
    """Name pairs of levels whose humidity differs by no more than slow readings can make."""
    if not len(fidelity) or not too_slow(whole).any():
        return []
    known = fidelity[[*keys, "level"]].merge(whole, on=list(keys), how="left")
    known = known[known["rh_pct"].notna() & known["level"].notna()]
    open_pct = known["rh_slow_pct"].where(too_slow(known), 0.0)
    known = known.assign(open_pct=open_pct)
    by = known.groupby("level", sort=False)
    mean = by["rh_pct"].mean()
    error = by["open_pct"].agg(lambda s: float(s.mean()) if s.notna().all() else np.inf)
    out = []
    for a, b in itertools.combinations(mean.index, 2):
        apart, may = float(abs(mean[a] - mean[b])), float(error[a] + error[b])
        if may > 0 and apart <= may:
            known_size = np.isfinite(may)
            out.append(
                finding(
                    "exposures_may_alias",
                    "caution",
                    form="sized" if known_size else "unsized",
                    first=str(a),
                    second=str(b),
                    apart=apart,
                    may=may if known_size else 0.0,
                )
            )
    return out
