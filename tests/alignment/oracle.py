"""Exposures by the plainest possible loop, written apart from the kernel, to check it against."""

from __future__ import annotations

from itertools import pairwise

import pandas as pd

from trialkit.air import vpd_kpa

HELD = ("light_lux", "ppfd_umol_m2_s")


def plain_sums(log: pd.DataFrame, start, stop, channel: str, max_gap_s: float, limit=None):
    """Give seconds covered, integral, seconds below and above the limit, deficit and excess.

    One sensor only. Stretch by stretch: clip to the window, then integrate the line.
    """
    points: dict[pd.Timestamp, list[float]] = {}
    for row in log.itertuples():
        value = vpd_kpa(row.temp_c, row.rh_pct) if channel == "vpd_kpa" else getattr(row, channel)
        if value == value:
            points.setdefault(row.time, []).append(float(value))
    moments = sorted(points)
    value = {t: (min(v) + max(v)) / 2 for t, v in points.items()}
    out = dict.fromkeys(("seconds", "mean", "below", "above", "deficit", "excess"), 0.0)
    for a, b in pairwise(moments):
        gap = (b - a).total_seconds()
        lo, hi = max(a, start), min(b, stop)
        length = (hi - lo).total_seconds()
        if gap > max_gap_s or length <= 0:
            continue
        if channel in HELD:
            left = right = value[a]
        else:
            slope = (value[b] - value[a]) / gap
            left = value[a] + slope * (lo - a).total_seconds()
            right = value[a] + slope * (hi - a).total_seconds()
        out["seconds"] += length
        out["mean"] += length * (left + right) / 2
        if limit is not None:
            for under, (seconds, distance) in (
                (True, ("below", "deficit")),
                (False, ("above", "excess")),
            ):
                p, q = (limit - left, limit - right) if under else (left - limit, right - limit)
                if p > 0 and q > 0:
                    out[seconds] += length
                    out[distance] += length * (p + q) / 2
                elif p > 0 or q > 0:
                    share = max(p, q) / (abs(p) + abs(q))
                    out[seconds] += length * share
                    out[distance] += length * share * max(p, q) / 2
    return out
