"""Parts of what is told of sensors and mist: who, when, and how much of which run."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping

import pandas as pd

from trialkit.wording import Message, message, place

#: Name of a run in the tables → its name for people.
Runs = Mapping[str, Message | str]


def run_places(within: pd.DataFrame | None) -> Runs:
    """Name every run for people by its batch and chamber; by its own name where it has no batch.

    Parameters
    ----------
    within : DataFrame or None
        Chamber runs: `run` and `chamber`; `batch` optional.
    """
    if within is None or "batch" not in within.columns:
        return {}
    return {
        str(row["run"]): place({"batch": row["batch"], "chamber": row["chamber"]})
        for _, row in within.iterrows()
    }


def name_sensor(chamber: str, sensor: str | None) -> Message:
    """Name a sensor by its chamber, and by its own name where it has another."""
    where = place({"chamber": chamber})
    return message("sensor_name.of", place=where, sensor=sensor) if sensor else where


def tell_when(part: pd.DataFrame, zone: dt.tzinfo) -> Message:
    """Say when: one interval in full, several by number and limits."""
    first = part["start"].min().tz_convert(zone)
    last = part["stop"].max().tz_convert(zone)
    if first == last:
        return message("when.at", first=first)
    form = "from" if len(part) == 1 else "times"
    return message(f"when.{form}", number=len(part), first=first, last=last)


def tell_shares(shares: pd.Series, runs: Runs) -> list[Message]:
    """Say how much of each run is concerned; less than half a per cent is passed by."""
    return [
        message("sensor_shares.of", percent=float(share), run=runs.get(str(run), str(run)))
        for run, share in shares.items()
        if run and share >= 0.5
    ]
