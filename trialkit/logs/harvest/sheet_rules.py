"""The rules of the harvest sheet: about single values, across entries, about dates."""

from __future__ import annotations

import datetime as dt
import json

import numpy as np
import pandas as pd

from trialkit.columns import HarvestColumn
from trialkit.errors import Finding
from trialkit.logs.clocks.zones import NO_TIME, NS, day_text, local_days, moment_of
from trialkit.logs.harvest.entries import Entries, Sheet, show_values, unit_flush
from trialkit.trial import Trial
from trialkit.wording import Joined, Message, finding, message, place, several

_DAY = 86_400 * NS
#: Dry matter of fresh mushrooms beyond these shares is doubtful (common practice, no source).
DRY_SHARE = (0.02, 0.40)


def check_values(trial: Trial, sheet: Sheet) -> None:
    """Catch values of one sheet that cannot be, by the rule of their column.

    What loses the whole entry comes first: it is set aside once, by the first rule.
    """
    columns = trial.harvest_columns.values()
    for column in columns:
        if column.loses == "entry":
            _set_entries_aside(sheet, column)
    _heavier_than_block(trial, sheet)
    _doubtful_dry(sheet)
    for column in columns:
        if column.loses == "value":
            _leave_values_out(sheet, column)


def _impossible(values: np.ndarray, column: HarvestColumn) -> np.ndarray:
    """Give the positions of values outside the range of their column."""
    low, most = column.possible
    with np.errstate(invalid="ignore"):
        odd = (values < low) | (values > most)
        if column.whole:
            odd |= (values != np.floor(values)) & ~np.isnan(values)
    return np.flatnonzero(odd)


def _set_entries_aside(sheet: Sheet, column: HarvestColumn) -> None:
    values = sheet.values[column.name]
    odd = _impossible(values, column)
    sheet.opened.account.set_aside(
        odd,
        rule=column.rule,
        column=sheet.opened.columns.heads.get(column.name, column.name),
        old=show_values(values[odd]),
        reason=column.reason,
        remedy=column.remedy,
    )


def _leave_values_out(sheet: Sheet, column: HarvestColumn) -> None:
    values = sheet.values[column.name]
    odd = _impossible(values, column)
    if len(odd):
        may = sheet.opened.account.change(
            odd,
            rule=column.rule,
            column=sheet.opened.columns.heads.get(column.name, column.name),
            old=show_values(values[odd]),
            new="",
            reason=column.reason,
            remedy=column.remedy,
        )
        values[may] = np.nan


def _heavier_than_block(trial: Trial, sheet: Sheet) -> None:
    """Set entries aside that weigh more than a flush, or the whole block, can."""
    blocks = trial.blocks
    most = blocks.max_flush_g or blocks.wet_g
    if most is None:
        return
    form = "heavier_than_flush" if blocks.max_flush_g else "heavier_than_block"
    fresh = sheet.values["fresh_g"]
    heavy = np.flatnonzero(fresh > most)
    sheet.opened.account.set_aside(
        heavy,
        rule="heavier than the block",
        column=sheet.opened.columns.heads.get("fresh_g", "fresh_g"),
        old=show_values(fresh[heavy]),
        reason=message(f"row_reason.{form}", most=float(most)),
        remedy=message("row_remedy.heavier"),
    )


def _doubtful_dry(sheet: Sheet) -> None:
    """Leave dry weights above the fresh weight out, and tell shares that are rare."""
    account, head = sheet.opened.account, sheet.opened.columns.heads.get("dry_g", "dry_g")
    fresh, dry = sheet.values["fresh_g"], sheet.values["dry_g"]
    above = np.flatnonzero(dry > fresh)
    if len(above):
        may = account.change(
            above,
            rule="dry weight above fresh",
            column=head,
            old=show_values(dry[above]),
            new="",
            reason=message("row_reason.dry_above_fresh"),
            remedy=message("row_remedy.dry_above_fresh"),
        )
        dry[may] = np.nan
    with np.errstate(divide="ignore", invalid="ignore"):
        share = dry / fresh
    odd = np.flatnonzero(((share < DRY_SHARE[0]) | (share > DRY_SHARE[1])) & (fresh > 0))
    if len(odd):
        account.note(
            odd,
            rule="dry weight doubtful",
            column=head,
            old=show_values(dry[odd]),
            reason=[message("row_reason.dry_doubtful", percent=100 * float(s)) for s in share[odd]],
            remedy=message("row_remedy.dry_doubtful"),
        )


def check_entries(trial: Trial, entries: Entries, zone: dt.tzinfo) -> list[Finding]:
    """Set entries of what never grew, doubled, contradicting and empty entries aside."""
    found = _never_grown(trial, entries)
    _copies(trial, entries)
    _conflicts(entries, zone)
    _missing_weights(trial, entries)
    return found


def _never_grown(trial: Trial, entries: Entries) -> list[Finding]:
    """Set entries aside of units that never began, as the trial file says."""
    units = entries.units["unit"].to_numpy()
    never = np.isin(units[entries.table["unit_at"].to_numpy()], list(trial.never_grown))
    never &= entries.alive()
    for account, part in entries.each(never):
        account.set_aside(
            part["index"].to_numpy(),
            rule="never grown",
            keepable=False,
            old=units[part["unit_at"].to_numpy()],
            reason=message("row_reason.never_grown"),
            remedy=message("row_remedy.never_grown"),
        )
    weighed = entries.table[never & entries.table["fresh_g"].notna().to_numpy()]
    if not len(weighed):
        return []
    named = several(list(dict.fromkeys(units[weighed["unit_at"].to_numpy()])), 4)
    return [finding("never_grown", "caution", count=len(weighed), units=named)]


def _copies(trial: Trial, entries: Entries) -> None:
    """Set aside rows that repeat an earlier one in every value."""
    keys = ["unit_at", "flush", "ns", *trial.harvest_columns, "status"]
    table = entries.table
    again = table.duplicated(keys).to_numpy() & entries.alive()
    if not again.any():
        return
    first = table[entries.alive()].drop_duplicates(keys).set_index(keys[:2])
    for account, part in entries.each(again):
        reasons = []
        for _, row in part.iterrows():
            earlier = first.loc[[(row["unit_at"], row["flush"])]].iloc[0]
            reasons.append(message("row_reason.double_entry", where=entries.where(earlier)))
        account.set_aside(
            part["index"].to_numpy(),
            rule="double entry",
            old=show_values(part["fresh_g"]),
            reason=reasons,
            remedy=message("row_remedy.double_entry"),
        )


def _conflicts(entries: Entries, zone: dt.tzinfo) -> None:
    """Set aside entries of one unit, flush and day that contradict each other."""
    live, table = entries.alive(), entries.table
    day = local_days(entries.table["ns"].to_numpy(), zone)
    keyed = table.assign(_day=day)
    keys = ["unit_at", "flush", "_day"]
    clash = keyed[live].duplicated(keys, keep=False)
    mask = np.zeros(len(table), bool)
    mask[np.flatnonzero(live)] = clash.to_numpy()
    if not mask.any():
        return
    units = entries.units["unit"].to_numpy()
    for account, part in entries.each(mask):
        reasons, remedies = [], []
        for _, row in keyed.loc[part.index].iterrows():
            same = keyed[mask & (keyed[keys] == row[keys]).all(axis=1).to_numpy()]
            rest = [
                message("place.says", where=entries.where(r), weight=float(r["fresh_g"]))
                for _, r in same.iterrows()
                if r["index"] != row["index"] or r["sheet"] != row["sheet"]
            ]
            lines = _keep_lines(entries, same)
            remedies.append(message("row_remedy.conflicting_entries", lines=lines))
            here = unit_flush(units[row["unit_at"]], row["flush"])
            reasons.append(
                message("row_reason.conflicting_entries", place=here, others=several(rest, 3))
            )
        account.set_aside(
            part["index"].to_numpy(),
            rule="conflicting entries",
            old=show_values(part["fresh_g"]),
            reason=reasons,
            remedy=remedies,
        )


def _keep_lines(entries: Entries, same: pd.DataFrame) -> Joined:
    """Write the entries of the trial file that keep the rows of one flush and day."""
    items = []
    for at, part in same.groupby("sheet", sort=False):
        file = json.dumps(entries.accounts[int(str(at))].file, ensure_ascii=False)
        rows = ", ".join(str(int(row)) for row in sorted(part["row"]))
        items.append(message("row_remedy.keep_both", file=file, rows=rows))
    return Joined(tuple(items), ", ")


def _missing_weights(trial: Trial, entries: Entries) -> None:
    """Set aside rows of sound blocks that have neither weight nor count."""
    table = entries.table
    empty = table[list(trial.harvest_columns)].isna().all(axis=1).to_numpy()
    fresh = table["fresh_g"].isna().to_numpy() & (trial.question.response == "fresh_g")
    mask = (empty | fresh) & (table["status"] == "ok").to_numpy() & entries.alive()
    for account, part in entries.each(mask):
        account.set_aside(
            part["index"].to_numpy(),
            rule="weight missing",
            keepable=False,
            old=part["note"].to_numpy(dtype=object),
            reason=message("row_reason.weight_missing"),
            remedy=message("row_remedy.weight_missing"),
        )


def check_dates(trial: Trial, entries: Entries, zone: dt.tzinfo) -> list[Finding]:
    """Leave out dates outside the batch; tell flushes out of order and dates without a clock."""
    _dates_outside(trial, entries, zone)
    return [*_flush_order(entries, zone), *_noon(entries)]


def _dates_outside(trial: Trial, entries: Entries, zone: dt.tzinfo) -> None:
    """Leave out dates before the start or after the end of the unit's batch."""
    table = entries.table
    units = entries.units
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
            shown = [day_text(t, zone) for t in account_time]
            may = account.change(
                part["index"].to_numpy(),
                rule="date outside batch",
                column=entries.head(part, "time"),
                old=shown,
                new="",
                reason=[
                    message(
                        f"row_reason.date_outside_batch.{'before' if t < low else 'after'}",
                        batch=place({"batch": name}),
                        start=_day(dates.start, zone),
                        end=_day(dates.end, zone),
                    )
                    for t in account_time
                ],
                remedy=[_date_hint(t, dates, zone) for t in account_time],
            )
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


def _flush_order(entries: Entries, zone: dt.tzinfo) -> list[Finding]:
    """Tell flushes dated before an earlier flush of the same unit."""
    table = entries.table
    dated = table[table["ns"] != NO_TIME]
    spans = dated.groupby(["unit_at", "flush"])["ns"].agg(["min", "max"]).reset_index()
    spans["before"] = spans.groupby("unit_at")["max"].cummax().groupby(spans["unit_at"]).shift()
    wrong = spans[spans["before"].notna() & (spans["min"] < spans["before"])]
    if not len(wrong):
        return []
    units = entries.units["unit"].to_numpy()
    keys = set(zip(wrong["unit_at"], wrong["flush"], strict=True))
    mask = np.array([k in keys for k in zip(table["unit_at"], table["flush"], strict=True)], bool)
    for account, part in entries.each(mask):
        account.note(
            part["index"].to_numpy(),
            rule="flush order",
            column=entries.head(part, "flush"),
            old=[day_text(t, zone) if t != NO_TIME else "" for t in part["ns"]],
            reason=message("row_reason.flush_order"),
            remedy=message("row_remedy.flush_order"),
        )
    shown = [unit_flush(units[u], f) for u, f in sorted(keys)]
    return [finding("flush_order", "caution", count=len(keys), flushes=several(shown, 5))]


def _noon(entries: Entries) -> list[Finding]:
    """Tell that dates without a clock time stand for noon."""
    table = entries.table
    alone = (table["date_only"] & (table["ns"] != NO_TIME)).any()
    return [finding("noon", "note")] if alone else []
