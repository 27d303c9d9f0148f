"""The rules of the harvest sheet about dates: inside the batch, flushes in order."""

from __future__ import annotations

import datetime as dt

import numpy as np

from trialkit.logs.harvest.entries import Entries
from trialkit.logs.reading import Reading
from trialkit.logs.text.days import NO_TIME, day_text, moment_of

_DAY = 86_400_000_000_000


def check_dates(reading: Reading, entries: Entries) -> None:
    """Leave out dates outside the batch; tell flushes out of order and dates without a clock."""
    _dates_outside(reading, entries)
    _flush_order(reading, entries)
    _noon(reading, entries)


def _dates_outside(reading: Reading, entries: Entries) -> None:
    """Leave out dates before the start or after the end of the unit's batch."""
    trial, table = reading.trial, entries.table
    units = trial.unit_table()
    batch = (
        units["batch"].to_numpy()[table["unit_at"]]
        if "batch" in units.columns
        else np.full(len(table), "all", dtype=object)
    )
    time = table["ns"].to_numpy().copy()
    for name, dates in trial.batches.items():
        mine = (batch == name) & (time != NO_TIME)
        low = NO_TIME if dates.start is None else _ns(dates.start) - _DAY
        high = np.iinfo(np.int64).max if dates.end is None else _ns(dates.end) + _DAY
        outside = mine & ((time < low) | (time > high))
        for account, part in entries.each(outside):
            account_time = part["ns"].to_numpy()
            zone = reading.zone
            shown = [day_text(t, zone) for t in account_time]
            may = account.change(
                part["index"].to_numpy(), rule="date outside batch",
                column=entries.head(part, "time"), old=shown, new="",
                reason=f"batch {name} ran from {_text(dates.start, zone)} to "
                f"{_text(dates.end, zone)}; the weight is kept without a date",
                remedy=[_date_hint(t, dates, zone) for t in account_time],
            )  # fmt: skip
            gone = np.isin(part["index"].to_numpy(), may)
            time[table.index.get_indexer(part.index[gone])] = NO_TIME
    entries.table = table.assign(ns=time)


def _ns(moment: dt.datetime) -> int:
    return round(moment.timestamp()) * 1_000_000_000


def _text(moment: dt.datetime | None, zone: dt.tzinfo) -> str:
    return "…" if moment is None else moment.astimezone(zone).strftime("%Y-%m-%d")


def _date_hint(time: int, dates: object, zone: dt.tzinfo) -> str:
    """Say which small mistake would explain a date, where one would."""
    day = moment_of(time).astimezone(zone)
    low, high = getattr(dates, "start", None), getattr(dates, "end", None)
    anchor = low or high
    year = anchor.year if anchor else day.year
    tries = [
        ("the year", {"year": year}),
        ("day and month swapped", {"month": day.day, "day": day.month}),
        ("the month", {"month": day.month - 1}),
        ("the month", {"month": day.month + 1}),
    ]
    for what, change in tries:
        try:
            other = day.replace(**change)  # type: ignore[arg-type]
        except ValueError:
            continue
        if other != day and (low is None or other >= low) and (high is None or other <= high):
            return f"correct the date; {what}? ({other.strftime('%Y-%m-%d')} would fit)"
    return "correct the date, or the unit's batch"


def _flush_order(reading: Reading, entries: Entries) -> None:
    """Tell flushes dated before an earlier flush of the same unit."""
    table = entries.table
    dated = table[table["ns"] != NO_TIME]
    spans = dated.groupby(["unit_at", "flush"])["ns"].agg(["min", "max"]).reset_index()
    spans["before"] = spans.groupby("unit_at")["max"].cummax().groupby(spans["unit_at"]).shift()
    wrong = spans[spans["before"].notna() & (spans["min"] < spans["before"])]
    if not len(wrong):
        return
    units = reading.trial.unit_table()["unit"].to_numpy()
    keys = set(zip(wrong["unit_at"], wrong["flush"], strict=True))
    mask = np.array([k in keys for k in zip(table["unit_at"], table["flush"], strict=True)], bool)
    for account, part in entries.each(mask):
        account.note(
            part["index"].to_numpy(), rule="flush order", column=entries.head(part, "flush"),
            old=[day_text(t, reading.zone) if t != NO_TIME else "" for t in part["ns"]],
            reason="this flush is dated before an earlier flush of the same unit",
            remedy="correct the flush or the date; the row is kept",
        )  # fmt: skip
    shown = ", ".join(f"{units[u]} flush {f}" for u, f in sorted(keys)[:5])
    reading.find(
        "flush_order", f"{len(keys)} flushes are dated before an earlier one: {shown}",
        "correct the flush or the date in the harvest file",
    )  # fmt: skip


def _noon(reading: Reading, entries: Entries) -> None:
    table = entries.table
    if (table["date_only"] & (table["ns"] != NO_TIME)).any():
        reading.find(
            "noon", "harvest dates have no clock time; noon of the day is taken", severity="note"
        )
