"""The rules of the harvest sheet about dates: inside the batch, flushes in order."""

from __future__ import annotations

import datetime as dt

import numpy as np

from trialkit.logs.harvest.entries import Entries, unit_flush
from trialkit.logs.reading import Reading
from trialkit.logs.text.days import NO_TIME, day_text, moment_of
from trialkit.wording import Message, message, place, several

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
                reason=message(
                    "row_reason.date_outside_batch", batch=place({"batch": name}),
                    start=_day(dates.start, zone), end=_day(dates.end, zone),
                ),
                remedy=[_date_hint(t, dates, zone) for t in account_time],
            )  # fmt: skip
            gone = np.isin(part["index"].to_numpy(), may)
            time[table.index.get_indexer(part.index[gone])] = NO_TIME
    entries.table = table.assign(ns=time)


def _ns(moment: dt.datetime) -> int:
    return round(moment.timestamp()) * 1_000_000_000


def _day(moment: dt.datetime | None, zone: dt.tzinfo) -> dt.date | str:
    return "…" if moment is None else moment.astimezone(zone).date()


def _date_hint(time: int, dates: object, zone: dt.tzinfo) -> Message:
    """Say which small mistake would explain a date, where one would."""
    day = moment_of(time).astimezone(zone)
    low, high = getattr(dates, "start", None), getattr(dates, "end", None)
    anchor = low or high
    year = anchor.year if anchor else day.year
    tries = [
        ("year", {"year": year}),
        ("swapped", {"month": day.day, "day": day.month}),
        ("month", {"month": day.month - 1}),
        ("month", {"month": day.month + 1}),
    ]
    for what, change in tries:
        try:
            other = day.replace(**change)  # type: ignore[arg-type]
        except ValueError:
            continue
        if other != day and (low is None or other >= low) and (high is None or other <= high):
            return message(f"date_hint.{what}", day=other.date())
    return message("date_hint.none")


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
            reason=message("row_reason.flush_order"),
            remedy=message("row_remedy.flush_order"),
        )  # fmt: skip
    shown = [unit_flush(units[u], f) for u, f in sorted(keys)]
    reading.find("flush_order", count=len(keys), flushes=several(shown, 5))


def _noon(reading: Reading, entries: Entries) -> None:
    table = entries.table
    if (table["date_only"] & (table["ns"] != NO_TIME)).any():
        reading.find("noon", "note")
