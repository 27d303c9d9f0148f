"""The time column of a file → UTC, with every doubt told."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from trialkit.errors import Finding, LogError
from trialkit.logs.clocks.correction import set_right
from trialkit.logs.clocks.zones import NS, Change, Localised, localise
from trialkit.logs.dates_alone import out_of_place, tell_dates_alone
from trialkit.logs.file_zone import refuse_doubtful_truth, zone_of_file
from trialkit.logs.opening import Opened, Reading
from trialkit.logs.text.arrow import as_numpy, cell_texts
from trialkit.logs.text.raw_table import RawTable
from trialkit.logs.text.time_forms import compile_format
from trialkit.logs.text.time_parts import read_parts
from trialkit.logs.text.times import Moments, read_moments
from trialkit.wording import finding, message

_DAY = 86_400 * NS
_LAST_NS = 230 * 365.25 * 86400 * NS
_YEARS_OFF = 3 * 365.25 * 86400 * NS


@dataclass(frozen=True)
class Times:
    """Times of the rows of a file.

    Parameters
    ----------
    utc : ndarray of int64, shape (n,)
        Nanoseconds since 1970, UTC; 0 where not `ok`.
    ok : ndarray of bool
    date_only : ndarray of bool
        Rows whose cell holds a date without a clock time.
    """

    utc: np.ndarray
    ok: np.ndarray
    date_only: np.ndarray


def time_column(raw: RawTable, parts: tuple[str, ...]) -> Any:
    """Give the time column; a date and a clock time in two columns are joined."""
    import pyarrow as pa
    import pyarrow.compute as pc

    if len(parts) == 1:
        return raw.columns[parts[0]]
    texts = [pc.utf8_trim_whitespace(pc.cast(raw.columns[p], pa.string())) for p in parts]
    # workbooks write a date with midnight, and a time of day with the first day they know
    texts[0] = _without(texts[0], r"[ T]00:00(:00(\.0+)?)?$")
    texts[1:] = [_without(t, r"^(1899-12-3[01]|1900-01-0[01])[ T]") for t in texts[1:]]
    return pc.binary_join_element_wise(*texts, " ")


def _without(texts: Any, pattern: str) -> Any:
    import pyarrow.compute as pc

    if not len(texts) or not pc.any(pc.match_substring_regex(texts, pattern)).as_py():
        return texts
    return pc.replace_substring_regex(texts, pattern, "")


def read_times(
    reading: Reading,
    opened: Opened,
    *,
    parts: tuple[str, ...] | None = None,
    groups: np.ndarray | None = None,
    noon: bool = False,
    strict: bool = True,
) -> Times:
    """Read the times of a file's rows into UTC; rows without one are set aside.

    Parameters
    ----------
    reading, opened
        The log being read and one of its files.
    parts : tuple of str, optional
        Heads of the time; those mapped to `time` by default.
    groups : ndarray of int, optional
        Series that each row belongs to, for the doubled hour.
    noon : bool
        Whether a date alone stands for noon (a harvest day) or for midnight.
    strict : bool
        Whether rows without a readable time are set aside here; else only `ok` tells.

    Raises
    ------
    LogError
        If day and month cannot be told apart, or the time format is wrong.
    """
    raw, account = opened.raw, opened.account
    parts = parts or opened.columns.time_parts
    column = time_column(raw, parts)
    moments = _moments(reading, raw, column, parts)
    _ask_order(reading, raw, column, moments)
    _ask_month(reading, raw, moments)
    if moments.serial:
        _tell_serial(reading, raw, column, moments)
    head = " + ".join(parts)
    bad = np.flatnonzero(~moments.ok)
    elsewhere = np.zeros(0, np.int64) if noon else out_of_place(moments, groups)
    for rows, why in ((bad, "time_unreadable"), (elsewhere, "date_alone")):
        if strict and len(rows):
            account.set_aside(
                rows,
                rule="time unreadable",
                column=head,
                old=cell_texts(column, rows),
                keepable=False,
                reason=message(f"row_reason.{why}"),
                remedy=message("row_remedy.time_unreadable"),
            )
    told = None if noon else tell_dates_alone(raw.name, moments, elsewhere)
    reading.findings += [] if told is None else [told]
    moments.ok[elsewhere] = False
    wall = moments.wall + np.where(moments.date_only & noon, 12 * 3600 * NS, 0)
    aware = moments.aware if moments.aware is not None else np.zeros(raw.n, bool)
    if moments.offset_s is not None:
        wall = wall - moments.offset_s.astype(np.int64) * NS
    zone = zone_of_file(reading, opened, parts, wall[moments.ok & ~aware])
    refuse_doubtful_truth(reading, opened, zone)
    wall, touched = set_right(
        wall,
        opened.clock,
        zone=zone,
        aware=aware,
        ok=moments.ok,
        account=account,
        column=" + ".join(opened.columns.time_parts),
    )
    utc, ok = wall.copy(), moments.ok.copy()
    naive = np.flatnonzero(ok & ~aware)
    part = groups[naive] if groups is not None else None
    there = localise(wall[naive], zone, groups=part)
    utc[naive] = there.utc
    ok &= _clock_changes(reading, opened, column, head, naive, there, strict=strict)
    ok &= _resets(reading, opened, column, head, wall, utc, ok, touched, strict=strict)
    return Times(np.where(ok, utc, 0), ok, moments.date_only)


def _moments(reading: Reading, raw: RawTable, column: Any, parts: tuple[str, ...]) -> Moments:
    import pyarrow as pa
    import pyarrow.compute as pc

    spec = reading.spec
    languages = (spec.month_language,) if spec.month_language else ()
    if len(parts) > 1 and not spec.time_format:
        cells = [raw.columns[p] for p in parts]
        found = read_parts(parts, cells, day_first=spec.day_first, languages=languages)
        if found is not None:
            return found
    if pa.types.is_timestamp(column.type):
        return _typed(column)
    if pa.types.is_date(column.type):
        typed = _typed(pc.cast(column, pa.timestamp("s")))
        return replace(typed, date_only=typed.ok.copy())
    if pa.types.is_floating(column.type):
        column = pa.array([_figures(v) for v in column.to_pylist()], pa.string())
    if not pa.types.is_string(column.type):
        column = pc.cast(column, pa.string())
    form = None
    if reading.spec.time_format:
        try:
            form = compile_format(reading.spec.time_format)
        except ValueError as problem:
            raise LogError(
                f"[logs.{reading.kind}] time_format {reading.spec.time_format!r}: {problem} "
                '→ write it like "%d.%m.%Y %H:%M"'
            ) from None
    return read_moments(
        column, day_first=spec.day_first, form=form, serial=True, languages=languages
    )


def _figures(value: float | None) -> str:
    """Write a number without a power of ten."""
    if value is None or not np.isfinite(value):
        return ""
    return str(int(value)) if value == int(value) else f"{value:.9f}".rstrip("0")


def _ask_month(reading: Reading, raw: RawTable, moments: Moments) -> None:
    if moments.unsure_months:
        names = ", ".join(map(repr, moments.unsure_months[:4]))
        raise LogError(
            f"{raw.name}: the name of a month ({names}) is another month in another language "
            f'→ add month_language, such as month_language = "hr", to [logs.{reading.kind}]'
        )


def _tell_serial(reading: Reading, raw: RawTable, column: Any, moments: Moments) -> None:
    at = np.flatnonzero(moments.ok)[:1]
    when = local_time(int(moments.wall[at[0]])).replace("T", " ")
    cell = str(cell_texts(column, at)[0])
    reading.findings.append(finding("serial_days", "note", file=raw.name, cell=cell, moment=when))


def _typed(column: Any) -> Moments:
    """Take times that the file holds as times (Parquet, workbooks)."""
    import pyarrow as pa
    import pyarrow.compute as pc

    n = len(column)
    ok = as_numpy(pc.is_valid(column), bool)
    aware = column.type.tz is not None
    factor = {"s": NS, "ms": 1_000_000, "us": 1000, "ns": 1}[column.type.unit]
    ticks = as_numpy(pc.fill_null(pc.cast(column, pa.int64()), 0), np.int64)
    ok &= np.abs(ticks.astype(float)) < _LAST_NS / factor  # the years 1740 to 2200
    wall = np.where(ok, ticks, 0) * factor
    zero = np.zeros(n, np.int32)
    return Moments(
        wall=np.where(ok, wall, 0),
        ok=ok,
        offset_s=zero if aware else None,
        aware=np.full(n, True) if aware else None,
        date_only=np.zeros(n, bool),
        orders=frozenset(),
        undecided=np.zeros(0, np.int64),
        blank=~ok,
    )


def _ask_order(reading: Reading, raw: RawTable, column: Any, moments: Moments) -> None:
    if not len(moments.undecided):
        return
    sample = cell_texts(column, moments.undecided[:1])[0]
    if len(moments.orders) == 2:
        why = "some dates in the file only make sense with the day first, others with the month"
    else:
        why = "no date in the file settles it"
    raise LogError(
        f"{raw.name}, row {raw.rows[moments.undecided[0]]}: {sample!r} can be read with the day "
        f"or the month first, and {why} "
        f"→ add day_first = true or day_first = false to [logs.{reading.kind}]"
    )


def _clock_changes(
    reading: Reading,
    opened: Opened,
    column: Any,
    head: str,
    naive: np.ndarray,
    there: Localised,
    *,
    strict: bool,
) -> np.ndarray:
    """Set aside rows in hours that do not exist or cannot be told; report clocks that stayed."""
    ok = np.ones(opened.raw.n, bool)
    for positions, rule, reason in (
        (there.missing, "hour that does not exist", message("row_reason.no_such_hour")),
        (there.unsure, "hour that comes twice", message("row_reason.double_hour")),
    ):
        rows = naive[positions]
        ok[rows] = False
        if strict and len(rows):
            opened.account.set_aside(
                rows,
                rule=rule,
                column=head,
                old=cell_texts(column, rows),
                keepable=False,
                reason=reason,
                remedy=message("row_remedy.clock_change", section=f"[logs.{reading.kind}]"),
            )
    reading.stayed += [(opened.raw.name, change, records) for change, records in there.stayed]
    return ok


def local_time(wall: int) -> str:
    """Write a wall time as it stands in the trial file."""
    return str(np.datetime64(int(wall), "ns").astype("datetime64[s]"))


def _resets(
    reading: Reading,
    opened: Opened,
    column: Any,
    head: str,
    wall: np.ndarray,
    utc: np.ndarray,
    ok: np.ndarray,
    touched: np.ndarray,
    *,
    strict: bool,
) -> np.ndarray:
    """Set aside rows of a logger whose clock fell back to the date it is born with."""
    fine = np.ones(len(utc), bool)
    if not ok.any():
        return fine
    starts = [b.start for b in reading.trial.batches.values() if b.start]
    reference = min(starts).timestamp() * NS if starts else float(np.median(utc[ok]))
    off = np.flatnonzero(ok & ~touched & (np.abs(utc - reference) > _YEARS_OFF))
    if not len(off):
        return fine
    fine[off] = False
    first, last = local_time(wall[off].min()), local_time(wall[off].max())
    line = (
        f'clock = [{{ file = "{opened.raw.name}", shows = {first}, truth = …, since = {first}, '
        f"until = {int(last[:4]) + 1}-01-01T00:00:00 }}]"
    )
    section = f"[logs.{reading.kind}]"
    reading.findings.append(
        finding(
            "clock_reset",
            "caution",
            file=opened.raw.name,
            count=len(off),
            section=section,
            line=line,
            first=dt.date.fromisoformat(first[:10]),
            last=dt.date.fromisoformat(last[:10]),
        )
    )
    if strict:
        opened.account.set_aside(
            off,
            rule="clock reset",
            column=head,
            old=cell_texts(column, off),
            keepable=False,
            reason=message("row_reason.clock_reset"),
            remedy=message("finding_remedy.clock_reset", section=section, line=line),
        )
    return fine


def tell_stayed(
    stayed: Sequence[tuple[str, Change, int]], kind: str, until: Sequence[int | None] = ()
) -> list[Finding]:
    """Tell clocks that did not follow a change, each once, with the line that sets them right.

    Parameters
    ----------
    stayed : sequence of (file, Change, records)
    kind : {"harvest", "environment", "mist"}
    until : sequence of int or None
        Wall time [ns] at which each clock was right again, where that is known.
    """
    known = until or [None] * len(stayed)
    return [
        _stayed(kind, file, change, records, end)
        for (file, change, records), end in zip(stayed, known, strict=True)
    ]


def _stayed(kind: str, file: str, change: Change, records: int, until: int | None) -> Finding:
    add = change.after_s - change.before_s
    since = change.low if change.forward else change.high
    lines = f'file = "{file}", since = {local_time(since)}, '
    lines += f"until = {local_time(until)}, " if until is not None else ""
    hour = "no_hour" if change.forward else "double_hour"
    return finding(
        "clock_not_changed",
        "caution",
        form="open" if until is None else "until",
        file=file,
        day=date_of(int(change.low // _DAY)),
        records=message(f"clock_records.{hour}", count=records),
        minutes=abs(add) // 60,
        way=message(f"clock_way.{'early' if add > 0 else 'late'}"),
        until="" if until is None else date_of(int(until // _DAY)),
        section=f"[logs.{kind}]",
        line=f"clock = [{{ {lines}add_s = {add} }}]",
    )


def date_of(day: int) -> dt.date:
    """Give a day, counted from 1970, as a date."""
    return dt.date(1970, 1, 1) + dt.timedelta(days=int(day))
