"""A day's look in words: short lines for a screen, a chamber at a time."""

from __future__ import annotations

import datetime as dt
from typing import Any

from trialkit.wording import message, spoken


def chamber_lines(
    row: dict[Any, Any], band: tuple[float, float] | None, now: dt.datetime
) -> list[str]:
    """Say what a chamber does: its logger, its humidity, its mist.

    Examples
    --------
    >>> row = {"silent": None, "mist_pct": None, "mist_last": None, "planned_pct": 8.3}
    >>> chamber_lines(row, (82, 95), None)
    ['mist planned 8.3 % of the time; no mist log']
    """
    parts = (_logger(row, now), _humidity(row, band), _mist(row))
    return [str(part) for part in parts if part is not None]


def _known(value: object) -> bool:
    return value is not None and value == value


def _logger(row: dict[Any, Any], now: dt.datetime) -> object:
    if row["silent"] is None or (row["silent"] and not row["batch"]):
        return None  # an idle chamber needs no logger
    if not _known(row["last"]):
        return message("today.logger.never")
    ago = _ago((now - row["last"]).total_seconds() / 60)
    return message(f"today.logger.{'silent' if row['silent'] else 'alive'}", ago=ago)


def _ago(minutes: float) -> object:
    minutes = max(0.0, minutes)
    if minutes < 120:
        return message("today.ago.minutes", count=round(minutes))
    if minutes < 48 * 60:
        return message("today.ago.hours", count=round(minutes / 60))
    return message("today.ago.days", count=round(minutes / 1440))


def _humidity(row: dict[Any, Any], band: tuple[float, float] | None) -> object:
    if row["silent"] is None or not _known(row["hours"]) or not row["hours"]:
        return None
    now = spoken().percent(row["rh_pct"], 0) if _known(row["rh_pct"]) else "–"
    if not _known(row["inside_pct"]):
        return message("today.humidity.no_band", now=now)
    low, high = band if band else (None, None)
    shares = {k: row[f"{k}_pct"] for k in ("inside", "below", "above")}
    key = "today.humidity.share" if low is not None else "today.humidity.own_band"
    return message(key, now=now, low=low, high=high, hours=row["hours"], **shares)


def _mist(row: dict[Any, Any]) -> object:
    given, planned = _known(row["mist_pct"]), _known(row["planned_pct"])
    values = {"given": row["mist_pct"], "planned": row["planned_pct"]}
    if given and planned:
        return message("today.mist.both", **values)
    if given:
        return message("today.mist.given", **values)
    if planned:
        seen = _known(row["mist_last"])
        return message("today.mist.none_lately" if seen else "today.mist.planned", **values)
    return None
