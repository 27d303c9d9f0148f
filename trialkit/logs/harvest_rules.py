"""The rules of the harvest sheet: what cannot be is set aside, what is doubtful is told."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit.logs.ledger import FileAccount
from trialkit.logs.tables import Opened, Reading

if TYPE_CHECKING:
    from collections.abc import Iterable

NO_TIME = np.iinfo(np.int64).min
_DAY = 86_400_000_000_000
#: Dry matter of fresh mushrooms beyond these shares is doubtful (common practice, no source).
DRY_SHARE = (0.02, 0.40)


@dataclass
class Sheet:
    """One harvest file read, before the rules that look across rows.

    Parameters
    ----------
    opened : Opened
    unit, flush : ndarray of int, shape (n,)
        Index among the trial's units, -1 unknown; flush number, 0 unknown.
    time : ndarray of int64
        Nanoseconds since 1970, UTC; `NO_TIME` where there is none.
    date_only : ndarray of bool
    fresh_g, dry_g, caps : ndarray of float
    status, note : ndarray of object
    """

    opened: Opened
    unit: np.ndarray
    flush: np.ndarray
    time: np.ndarray
    date_only: np.ndarray
    fresh_g: np.ndarray
    dry_g: np.ndarray
    caps: np.ndarray
    status: np.ndarray
    note: np.ndarray


def apply_rules(reading: Reading, sheets: list[Sheet]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Apply the rules to all sheets; give the table and an empty frame of spans."""
    for sheet in sheets:
        _impossible_weights(reading, sheet)
        _doubtful_dry(sheet)
        _impossible_caps(sheet)
    table = _stack(reading, sheets)
    _copies(reading, table)
    _conflicts(reading, table)
    _missing_weights(reading, table)
    table = table[_alive(table)].copy()
    _dates_outside(reading, table)
    _flush_order(reading, table)
    _decimal_slips(reading, table)
    _noon(reading, table)
    _picks(reading, table)
    _missing_units(reading, table)
    return _finish(reading, table), pd.DataFrame(
        columns=["file", "chamber", "sensor", "first", "last", "records"]
    )


def _impossible_weights(reading: Reading, sheet: Sheet) -> None:
    account, heads = sheet.opened.account, sheet.opened.columns.heads
    for column, values in (("fresh_g", sheet.fresh_g), ("dry_g", sheet.dry_g)):
        negative = np.flatnonzero(values < 0)
        account.set_aside(
            negative, rule="negative weight", column=heads.get(column, column),
            old=_shown(values[negative]), reason="a weight cannot be below zero",
            remedy="weigh again or correct the sign",
        )  # fmt: skip
    blocks = reading.trial.blocks
    most = blocks.max_flush_g or blocks.wet_g
    if most is None:
        return
    named = "max_flush_g" if blocks.max_flush_g else "the block's own weight, wet_g"
    heavy = np.flatnonzero(sheet.fresh_g > most)
    account.set_aside(
        heavy, rule="heavier than the block", column=heads.get("fresh_g", "fresh_g"),
        old=_shown(sheet.fresh_g[heavy]),
        reason=f"more than {most:g} g, {named} in [blocks]",
        remedy="correct the weight: a lost decimal sign, or another unit?",
    )  # fmt: skip


def _shown(values: Iterable[float]) -> list[str]:
    return [f"{v:.6g}" for v in values]


def _doubtful_dry(sheet: Sheet) -> None:
    account, head = sheet.opened.account, sheet.opened.columns.heads.get("dry_g", "dry_g")
    above = np.flatnonzero(sheet.dry_g > sheet.fresh_g)
    if len(above):
        may = account.change(
            above, rule="dry weight above fresh", column=head, old=_shown(sheet.dry_g[above]),
            new="", reason="the dry weight is above the fresh weight; it is left out",
            remedy="see whether the two columns were swapped",
        )  # fmt: skip
        sheet.dry_g[may] = np.nan
    with np.errstate(divide="ignore", invalid="ignore"):
        share = sheet.dry_g / sheet.fresh_g
    odd = np.flatnonzero(((share < DRY_SHARE[0]) | (share > DRY_SHARE[1])) & (sheet.fresh_g > 0))
    if len(odd):
        account.note(
            odd, rule="dry weight doubtful", column=head, old=_shown(sheet.dry_g[odd]),
            reason=[f"{100 * s:.3g} % of the fresh weight" for s in share[odd]],
            remedy="compare with the note; the value is kept",
        )  # fmt: skip


def _impossible_caps(sheet: Sheet) -> None:
    account, head = sheet.opened.account, sheet.opened.columns.heads.get("caps", "caps")
    with np.errstate(invalid="ignore"):
        odd = np.flatnonzero((sheet.caps < 0) | (sheet.caps != np.floor(sheet.caps)))
    odd = odd[~np.isnan(sheet.caps[odd])]
    if len(odd):
        may = account.change(
            odd, rule="caps impossible", column=head, old=_shown(sheet.caps[odd]), new="",
            reason="a count is a whole number from 0; it is left out",
            remedy="see whether it stands in the wrong column",
        )  # fmt: skip
        sheet.caps[may] = np.nan


def _stack(reading: Reading, sheets: list[Sheet]) -> pd.DataFrame:
    """Put all rows that are still kept under each other."""
    frames = []
    for k, sheet in enumerate(sheets):
        n = sheet.opened.raw.n
        frame = pd.DataFrame(
            {
                "_sheet": k,
                "_index": np.arange(n),
                "_unit": sheet.unit,
                "flush": sheet.flush,
                "_time": sheet.time,
                "_date_only": sheet.date_only,
                "fresh_g": sheet.fresh_g,
                "dry_g": sheet.dry_g,
                "caps": sheet.caps,
                "status": pd.Series(sheet.status, dtype=object),
                "note": pd.Series(sheet.note, dtype=object),
                "row": sheet.opened.raw.rows,
            }
        )
        frames.append(frame[sheet.opened.account.alive[:n]])
    table = pd.concat(frames, ignore_index=True) if frames else pd.DataFrame()
    table.attrs["sheets"] = sheets
    return table


def _accounts(table: pd.DataFrame) -> list[FileAccount]:
    return [sheet.opened.account for sheet in table.attrs["sheets"]]


def _alive(table: pd.DataFrame) -> np.ndarray:
    """Whether each row of the table is still kept."""
    alive = np.zeros(len(table), bool)
    sheet, index = table["_sheet"].to_numpy(), table["_index"].to_numpy()
    for k, account in enumerate(_accounts(table)):
        mine = sheet == k
        alive[mine] = account.alive[index[mine]]
    return alive


def _where(table: pd.DataFrame, row: pd.Series) -> str:
    account = _accounts(table)[int(row["_sheet"])]
    return f"row {int(row['row'])}" + (f" of {account.file}" if len(_accounts(table)) > 1 else "")


def _each(table: pd.DataFrame, mask: np.ndarray) -> Iterable[tuple[FileAccount, pd.DataFrame]]:
    """Give the marked rows file by file."""
    for k, account in enumerate(_accounts(table)):
        part = table[mask & (table["_sheet"].to_numpy() == k)]
        if len(part):
            yield account, part


def _copies(reading: Reading, table: pd.DataFrame) -> None:
    """Set aside rows that repeat an earlier one in every value."""
    keys = ["_unit", "flush", "_time", "fresh_g", "dry_g", "caps", "status"]
    again = table.duplicated(keys).to_numpy() & _alive(table)
    if not again.any():
        return
    first = table[_alive(table)].drop_duplicates(keys).set_index(keys[:2])
    for account, part in _each(table, again):
        reasons = []
        for _, row in part.iterrows():
            earlier = first.loc[[(row["_unit"], row["flush"])]].iloc[0]
            reasons.append(f"the same entry stands in {_where(table, earlier)}")
        account.set_aside(
            part["_index"].to_numpy(), rule="double entry", old=_shown(part["fresh_g"]),
            reason=reasons, remedy="delete one of them, or correct the unit or flush of one",
        )  # fmt: skip


def _conflicts(reading: Reading, table: pd.DataFrame) -> None:
    """Set aside entries of one unit, flush and day that contradict each other."""
    live = _alive(table)
    day = _local_days(reading, table["_time"].to_numpy())
    keyed = table.assign(_day=day)
    keys = ["_unit", "flush", "_day"]
    clash = keyed[live].duplicated(keys, keep=False)
    mask = np.zeros(len(table), bool)
    mask[np.flatnonzero(live)] = clash.to_numpy()
    if not mask.any():
        return
    units = reading.trial.unit_table()["unit"].to_numpy()
    for account, part in _each(keyed, mask):
        reasons = []
        for _, row in part.iterrows():
            same = keyed[mask & (keyed[keys] == row[keys]).all(axis=1).to_numpy()]
            rest = [f"{_where(table, r)} says {r['fresh_g']:g} g" for _, r in same.iterrows()
                    if r["_index"] != row["_index"] or r["_sheet"] != row["_sheet"]]  # fmt: skip
            reasons.append(
                f"{units[row['_unit']]}, flush {row['flush']}, is entered again for the same day: "
                + "; ".join(rest[:3])
            )
        account.set_aside(
            part["_index"].to_numpy(), rule="conflicting entries", old=_shown(part["fresh_g"]),
            reason=reasons,
            remedy="delete the wrong one; if both were picked, keep both rows in the trial file",
        )  # fmt: skip


def _local_days(reading: Reading, time: np.ndarray) -> np.ndarray:
    """Give the day in the zone of the log; -1 where there is no time."""
    known = time != NO_TIME
    out = np.full(len(time), -1, np.int64)
    if known.any():
        stamps = pd.DatetimeIndex(time[known].astype("datetime64[ns]")).tz_localize("UTC")
        local = stamps.tz_convert(reading.zone).tz_localize(None)
        out[known] = local.to_numpy().astype("datetime64[D]").astype(np.int64)
    return out


def _missing_weights(reading: Reading, table: pd.DataFrame) -> None:
    """Set aside rows of sound blocks that have neither weight nor count."""
    empty = table[["fresh_g", "dry_g", "caps"]].isna().all(axis=1).to_numpy()
    fresh = table["fresh_g"].isna().to_numpy() & (reading.trial.question.response == "fresh_g")
    mask = (empty | fresh) & (table["status"] == "ok").to_numpy() & _alive(table)
    for account, part in _each(table, mask):
        account.set_aside(
            part["_index"].to_numpy(), rule="weight missing", keepable=False,
            old=part["note"].to_numpy(dtype=object),
            reason="there is no weight, and the state does not say why",
            remedy="enter the weight; 0 if nothing grew; contaminated or discarded if it was lost",
        )  # fmt: skip


def _dates_outside(reading: Reading, table: pd.DataFrame) -> None:
    """Leave out dates before the start or after the end of the unit's batch."""
    trial = reading.trial
    units = trial.unit_table()
    batch = (
        units["batch"].to_numpy()[table["_unit"]]
        if "batch" in units.columns
        else np.full(len(table), "all", dtype=object)
    )
    time = table["_time"].to_numpy().copy()
    for name, dates in trial.batches.items():
        mine = (batch == name) & (time != NO_TIME)
        low = NO_TIME if dates.start is None else _ns(dates.start) - _DAY
        high = np.iinfo(np.int64).max if dates.end is None else _ns(dates.end) + _DAY
        outside = mine & ((time < low) | (time > high))
        for account, part in _each(table, outside):
            account_time = part["_time"].to_numpy()
            zone = reading.zone
            shown = [_day_text(t, zone) for t in account_time]
            may = account.change(
                part["_index"].to_numpy(), rule="date outside batch",
                column=_head(table, part, "time"), old=shown, new="",
                reason=f"batch {name} ran from {_text(dates.start, zone)} to "
                f"{_text(dates.end, zone)}; the weight is kept without a date",
                remedy=[_date_hint(t, dates, zone) for t in account_time],
            )  # fmt: skip
            gone = np.isin(part["_index"].to_numpy(), may)
            time[table.index.get_indexer(part.index[gone])] = NO_TIME
    table["_time"] = time


def _ns(moment: dt.datetime) -> int:
    return round(moment.timestamp()) * 1_000_000_000


def _day_text(time: int, zone: dt.tzinfo) -> str:
    return _moment(time).astimezone(zone).strftime("%Y-%m-%d")


def _moment(time: int) -> dt.datetime:
    return dt.datetime(1970, 1, 1, tzinfo=dt.UTC) + dt.timedelta(seconds=int(time // 10**9))


def _text(moment: dt.datetime | None, zone: dt.tzinfo) -> str:
    return "…" if moment is None else moment.astimezone(zone).strftime("%Y-%m-%d")


def _date_hint(time: int, dates: object, zone: dt.tzinfo) -> str:
    """Say which small mistake would explain a date, where one would."""
    day = _moment(time).astimezone(zone)
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


def _head(table: pd.DataFrame, part: pd.DataFrame, column: str) -> str:
    sheet: Sheet = table.attrs["sheets"][int(part["_sheet"].iloc[0])]
    return sheet.opened.columns.heads.get(column, column)


def _flush_order(reading: Reading, table: pd.DataFrame) -> None:
    """Tell flushes dated before an earlier flush of the same unit."""
    dated = table[table["_time"] != NO_TIME]
    spans = dated.groupby(["_unit", "flush"])["_time"].agg(["min", "max"]).reset_index()
    spans["before"] = spans.groupby("_unit")["max"].cummax().groupby(spans["_unit"]).shift()
    wrong = spans[spans["before"].notna() & (spans["min"] < spans["before"])]
    if not len(wrong):
        return
    units = reading.trial.unit_table()["unit"].to_numpy()
    keys = set(zip(wrong["_unit"], wrong["flush"], strict=True))
    mask = np.array([k in keys for k in zip(table["_unit"], table["flush"], strict=True)], bool)
    for account, part in _each(table, mask):
        account.note(
            part["_index"].to_numpy(), rule="flush order", column=_head(table, part, "flush"),
            old=[_day_text(t, reading.zone) if t != NO_TIME else "" for t in part["_time"]],
            reason="this flush is dated before an earlier flush of the same unit",
            remedy="correct the flush or the date; the row is kept",
        )  # fmt: skip
    shown = ", ".join(f"{units[u]} flush {f}" for u, f in sorted(keys)[:5])
    reading.find(
        "flush_order", f"{len(keys)} flushes are dated before an earlier one: {shown}",
        "correct the flush or the date in the harvest file",
    )  # fmt: skip


def _decimal_slips(reading: Reading, table: pd.DataFrame) -> None:
    """Tell weights about 10, 100 or 1000 times what the unit and the flush would give.

    On the log scale: weight − median of its flush − median of the unit's other flushes. A slip
    is a whole power of ten; it is told, not changed.
    """
    sound = table[(table["fresh_g"] > 0) & (table["status"] == "ok")]
    if len(sound) < 6:
        return
    size = np.log10(sound["fresh_g"])
    rest = size - size.groupby(sound["flush"]).transform("median")
    spread = 1.4826 * float(np.median(np.abs(rest - np.median(rest))))
    others = []
    for _, part in rest.groupby(sound["_unit"]):
        for position in range(len(part)):
            without = part.drop(part.index[position])
            others.append(
                (part.index[position], float(np.median(without)) if len(without) else 0.0)
            )
    expected = pd.Series(dict(others)).reindex(rest.index)
    off = rest - expected
    power = np.round(off)
    slip = (power != 0) & (np.abs(off - power) < 0.35) & (np.abs(off) > max(0.65, 4 * spread))
    # the odd one out of two looks odd from both sides: the flush's own middle tells which it is
    slip &= np.abs(rest) > 0.5
    mask = table.index.isin(slip.index[slip])
    if not mask.any():
        return
    units = reading.trial.unit_table()["unit"].to_numpy()
    told = []
    for account, part in _each(table, mask):
        factor = 10.0 ** power[part.index]
        would = part["fresh_g"] / factor
        account.note(
            part["_index"].to_numpy(), rule="decimal slip", column=_head(table, part, "fresh_g"),
            old=_shown(part["fresh_g"]),
            reason=[f"about {f:g} times what the unit's other flushes suggest" for f in factor],
            remedy=[f"correct it if {w:.4g} g was meant; the value is kept" for w in would],
        )  # fmt: skip
        told += [f"{units[u]} flush {f} ({w:g} g)" for u, f, w in
                 zip(part["_unit"], part["flush"], part["fresh_g"], strict=True)]  # fmt: skip
    reading.find(
        "decimal_slip", f"weights that look like a slip of the decimal sign: {', '.join(told[:5])}",
        "look at them; they are kept as they stand",
    )  # fmt: skip


def _noon(reading: Reading, table: pd.DataFrame) -> None:
    if (table["_date_only"] & (table["_time"] != NO_TIME)).any():
        reading.find(
            "noon", "harvest dates have no clock time; noon of the day is taken", severity="note"
        )


def _picks(reading: Reading, table: pd.DataFrame) -> None:
    """Note flushes picked on several days: their weights belong together."""
    several = table.duplicated(["_unit", "flush"], keep=False).to_numpy()
    for account, part in _each(table, several):
        account.note(
            part["_index"].to_numpy(), rule="picks added", old=_shown(part["fresh_g"]),
            reason="this flush was picked on several days; the weights are added",
            remedy="if one of them is a correction of another, delete that one",
        )  # fmt: skip


def _missing_units(reading: Reading, table: pd.DataFrame) -> None:
    """List units and flushes without a row, apart from those lost to contamination before."""
    trial = reading.trial
    units = trial.unit_table()
    present = set(zip(table["_unit"], table["flush"], strict=True))
    lost = table[table["status"] != "ok"].groupby("_unit")["flush"].min().to_dict()
    batches = units["batch"] if "batch" in units.columns else pd.Series("all", index=units.index)
    begun = set(batches.to_numpy()[table["_unit"].to_numpy()]) if len(table) else set()
    for batch in trial.batches:
        if batch not in begun:
            what = f"batch {batch}: no harvest yet" if batch != "all" else "no harvest yet"
            reading.find("no_harvest", what, severity="note")
    missing = [
        (code, flush)
        for i, code in enumerate(units["unit"])
        for flush in range(1, trial.flushes + 1)
        if batches.iloc[i] in begun
        and (i, flush) not in present
        and flush <= lost.get(i, trial.flushes + 1)
    ]
    if missing:
        shown = ", ".join(f"{u} flush {f}" if trial.flushes > 1 else u for u, f in missing[:8])
        more = f" and {len(missing) - 8} more" if len(missing) > 8 else ""
        reading.find(
            "units_missing",
            f"{len(missing)} of {len(units) * trial.flushes} weights are missing: {shown}{more}",
            "enter them; 0 if nothing grew; contaminated or discarded if the block was lost",
        )


def _finish(reading: Reading, table: pd.DataFrame) -> pd.DataFrame:
    units = reading.trial.unit_table()
    picked = units.iloc[table["_unit"].to_numpy()].reset_index(drop=True)
    time = table["_time"].to_numpy()
    stamps = time.astype("datetime64[ns]")  # NO_TIME is "not a time" in this type
    files = np.array([a.file for a in _accounts(table)] or [""], dtype=object)
    out = picked.assign(
        flush=table["flush"].to_numpy(dtype=np.int64),
        time=pd.DatetimeIndex(stamps).tz_localize("UTC"),
        fresh_g=table["fresh_g"].to_numpy(),
        dry_g=table["dry_g"].to_numpy(),
        caps=table["caps"].to_numpy(),
        status=table["status"].to_numpy(dtype=object),
        note=table["note"].to_numpy(dtype=object),
        file=files[table["_sheet"].to_numpy(dtype=np.int64)],
        row=table["row"].to_numpy(dtype=np.int64),
    )
    order = np.lexsort((time, table["flush"].to_numpy(), table["_unit"].to_numpy()))
    return out.iloc[order].reset_index(drop=True)
