"""What is told of readings too slow for the mist, and of differences they could make alone."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
import pandas as pd

from trialkit.alignment.slow_readings import better_interval_min, too_slow
from trialkit.columns.exposures import CLIMATE
from trialkit.errors import Finding
from trialkit.wording import Message, finding, message, place, several

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
    kinds = slow[["reading_s", "cycle_s"]].round(0)
    for reading, cycle in sorted(set(zip(kinds["reading_s"], kinds["cycle_s"], strict=True))):
        mine = (kinds["reading_s"] == reading) & (kinds["cycle_s"] == cycle)
        out.append(_told(slow[mine], float(reading), float(cycle), keys))
    lagging = whole["hours_in_band_most"] - whole["hours_in_band_least"] > 0.05 * whole["window_h"]
    lagging &= whole["phases_missed_pct"].isna()
    if lagging.any():
        least, most = _hours(whole[lagging])
        out.append(
            finding(
                "sensor_lags",
                "note",
                count=int(lagging.sum()),
                runs=_named(whole[lagging], keys),
                least=least,
                most=most,
            )
        )
    return out + _levels_alike(whole, fidelity, keys)


def _told(part: pd.DataFrame, reading: float, cycle: float, keys: Sequence[str]) -> Finding:
    quick, offset = better_interval_min(reading, cycle)
    known = part["rh_slow_pct"].notna().all()
    hours: Message | str = ""
    if part["hours_in_band_most"].notna().all():
        least, most = _hours(part)
        hours = message("slow_effect.hours", least=least, most=most)
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
        hours=hours,
        quick=quick,
        offset=offset,
    )


def _hours(part: pd.DataFrame) -> tuple[float, float]:
    """Give the widest range of hours in the band, as shares of the window [%]."""
    least, most = (part[f"hours_in_band_{end}"].to_numpy(dtype=float) for end in ("least", "most"))
    worst = int(np.argmax(most - least))
    hours = float(part["window_h"].iloc[worst])
    return 100 * float(least[worst]) / hours, 100 * float(most[worst]) / hours


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
    alike: dict[str, list[Message]] = {"sized": [], "unsized": []}
    for a, b in itertools.combinations(mean.index, 2):
        apart, may = float(abs(mean[a] - mean[b])), float(error[a] + error[b])
        if may > 0 and apart <= may:
            form = "sized" if np.isfinite(may) else "unsized"
            pair = {"first": str(a), "second": str(b), "apart": apart, "may": may}
            alike[form].append(message(f"levels_apart.{form}", **pair))
    return [
        finding("exposures_may_alias", "caution", form=form, pairs=pairs)
        for form, pairs in alike.items()
        if pairs
    ]
