"""What is due today: a batch to start, a flush to weigh, a date to write, a look to take."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

from trialkit.wording import Message, message, place, several

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.trial import Trial

#: A batch whose start is written for this soon is told.
SOON = dt.timedelta(hours=48)
_HALF_DAY = 0.5


def list_due(
    trial: Trial, harvest: pd.DataFrame | None, now: dt.datetime, *, readable: bool = True
) -> list[Message]:
    """Say what is due, the work in the growing room first.

    Parameters
    ----------
    trial : Trial
    harvest : DataFrame or None
        Table of the harvest log; None where none has come in.
    now : datetime
    readable : bool
        Whether the harvest log can be read; if not, nothing is known of what was weighed.
    """
    due: list[Message] = []
    left = {name: _left(trial, harvest, name) for name in trial.batches}
    if not readable:
        return _starts(trial, left, now)
    for name, dates in trial.batches.items():
        if dates.start is not None and dates.start <= now:
            due += _flushes(trial, harvest, name, left[name], now)
    due += _starts(trial, left, now)
    return [*due, *_looks(trial, _complete(trial, left, now))]


def _complete(trial: Trial, left: dict[str, dict[int, list[str]]], now: dt.datetime) -> list[str]:
    """List the batches that began and are all weighed, without those given up whole."""
    units = trial.unit_table()
    kept = units.loc[~units["unit"].isin(trial.given_up)]
    grown = set(kept["batch"].astype(str)) if "batch" in kept else set(trial.batches)
    return [
        name
        for name, dates in trial.batches.items()
        if name in grown
        and dates.start is not None
        and dates.start <= now
        and not any(left[name].values())
    ]


def _left(trial: Trial, harvest: pd.DataFrame | None, batch: str) -> dict[int, list[str]]:
    """Give the units that are still to be weighed, by flush; lost ones are not."""
    units = trial.unit_table()
    units = units[~units["unit"].isin(trial.given_up)]
    names = units["unit"] if "batch" not in units else units.loc[units["batch"] == batch, "unit"]
    flushes = range(1, trial.flushes + 1)
    if harvest is None or not len(harvest):
        return {flush: list(names) for flush in flushes}
    lost = harvest[harvest["status"] != "ok"].groupby("unit", observed=True)["flush"].min()
    out = {}
    for flush in flushes:
        seen = set(harvest.loc[harvest["flush"] == flush, "unit"].astype(str))
        gone = set(lost[lost <= flush].index.astype(str))
        out[flush] = [name for name in names if name not in seen and name not in gone]
    return out


def _flushes(
    trial: Trial,
    harvest: pd.DataFrame | None,
    batch: str,
    left: dict[int, list[str]],
    now: dt.datetime,
) -> list[Message]:
    dates, grown = trial.batches[batch], trial.grown_units()
    each = len(grown if "batch" not in grown else grown[grown["batch"] == batch])
    ended = dates.end is not None and dates.end <= now
    where = place({"batch": batch})
    due = []
    for flush, units in left.items():
        if not units:
            continue
        values = {"place": where, "flush": flush, "number": len(units), "all": each}
        shown = several(units, 4)
        begun = _begun(harvest, batch, flush, trial)
        if ended:
            due.append(message("today.due.never_weighed", units=shown, **values))
        elif begun:
            due.append(message("today.due.half_weighed", units=shown, **values))
            break
        else:
            due += _expected(trial, harvest, batch, flush, now)
            break
    if not any(left.values()) and dates.end is None and not _given_up(trial, batch):
        due.append(message("today.due.end", place=where, batch=batch, file=trial.source.name))
    return due


def _given_up(trial: Trial, batch: str) -> bool:
    """Whether all units of a batch were given up."""
    units = trial.unit_table()
    mine = units["unit"] if "batch" not in units else units.loc[units["batch"] == batch, "unit"]
    return bool(mine.isin(trial.given_up).all())


def _begun(harvest: pd.DataFrame | None, batch: str, flush: int, trial: Trial) -> bool:
    """Whether a later or equal flush of a batch has been weighed in part."""
    if harvest is None or not len(harvest):
        return False
    mine = harvest["flush"] >= flush
    if "batch" in harvest:
        mine &= harvest["batch"].astype(str) == batch
    return bool(mine.any())


def _expected(
    trial: Trial, harvest: pd.DataFrame | None, batch: str, flush: int, now: dt.datetime
) -> list[Message]:
    """Say that a flush is expected, from the days it took in other batches; else nothing."""
    start = trial.batches[batch].start
    if harvest is None or "batch" not in harvest or start is None:
        return []
    took = []
    for name, dates in trial.batches.items():
        rows = harvest[(harvest["batch"].astype(str) == name) & (harvest["flush"] == flush)]
        if name != batch and dates.start is not None and rows["time"].notna().any():
            took.append((rows["time"].min() - dates.start).total_seconds() / 86400)
    took = [days for days in took if days > 0]
    today = (now.astimezone(trial.zone).date() - start.astimezone(trial.zone).date()).days
    if not took or today < min(took) - _HALF_DAY:
        return []
    low, high = round(min(took)), round(max(took))
    span = str(low) if low == high else f"{low}–{high}"
    return [
        message("today.due.flush", place=place({"batch": batch}), flush=flush, day=today, days=span)
    ]


def _starts(trial: Trial, left: dict[str, dict[int, list[str]]], now: dt.datetime) -> list[Message]:
    """Say which batch begins next, where its time has come."""
    waiting = [
        name
        for name, dates in trial.batches.items()
        if any(left[name].values()) and (dates.start is None or dates.start > now)
    ]
    if not waiting:
        return []
    name = waiting[0]
    start, where = trial.batches[name].start, place({"batch": name})
    if start is not None:
        local = start.astimezone(trial.zone)
        soon = start - now <= SOON
        return [message("today.due.starts", place=where, when=local)] if soon else []
    growing = any(
        any(left[n].values())
        and d.start is not None
        and d.start <= now
        and (d.end is None or d.end > now)
        for n, d in trial.batches.items()
    )
    if growing:
        return []
    return [message("today.due.start", place=where, batch=name, file=trial.source.name)]


def _looks(trial: Trial, complete: list[str]) -> list[Message]:
    """Say that a look planned in the trial file is due, once its batches are all weighed."""
    planned = [look for look in trial.question.looks if len(complete) == look]
    return [message("today.due.look", count=look, folder=trial.folder.name) for look in planned]
