"""What the trial file asks of sensors: trust readings that a flag doubts, leave others out.

Both are recorded in the table of flags with their reason, and told once each. An interval has
both its ends in it, as the intervals of the flags have.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trialkit.arrays import Ints
from trialkit.errors import Finding
from trialkit.signals.faults import Flag, make_flag, runs_of
from trialkit.signals.finding_parts import Runs, name_sensor, tell_shares
from trialkit.trial.sections import LeaveOut, Trust
from trialkit.wording import Message, finding, message, place, suggestion

Series = Mapping[tuple[str, str], tuple[Ints, Mapping[str, NDArray[np.float64]]]]

#: Name under which the table of flags holds readings that the trial file leaves out.
LEFT_OUT = "left out by request"


def apply_overrides(
    rows: Sequence[Flag], series: Series, asked: Sequence[Trust | LeaveOut], zone: dt.tzinfo
) -> list[Flag]:
    """Split flags at trusted intervals, and add what is left out by request.

    Parameters
    ----------
    rows : sequence of dict
        Flags: `chamber, sensor, quantity, flag, start, stop` (ns), `records, action, detail`.
    series : mapping
        (chamber, sensor) → moments [ns], rising, and quantity → values.
    asked : sequence of Trust or LeaveOut
    zone : tzinfo
        Zone of moments without an offset.

    Returns
    -------
    list of dict
        The flags with `because`, and `asked`: the number of the request, or −1.
    """
    out: list[Flag] = [row | {"because": "", "asked": -1} for row in rows]
    for number, request in enumerate(asked):
        since, until = _moment_ns(request.since, zone), _moment_ns(request.until, zone)
        mark = {"because": request.because, "asked": number}
        if isinstance(request, Trust):
            out = [piece for row in out for piece in _trusted(row, series, request, since, until)]
            out = [row | (mark if row["asked"] == -2 else {}) for row in out]
            continue
        for (chamber, sensor), (time, values) in series.items():
            inside = (time >= since) & (time <= until)
            for quantity, value in values.items():
                here = time[inside & np.isfinite(value)]
                if len(here) and _meant(request, chamber, sensor, quantity):
                    made = make_flag(LEFT_OUT, here[0], here[-1], len(here), "left out", "")
                    names = {"chamber": chamber, "sensor": sensor, "quantity": quantity}
                    out.append(names | made | mark)
    return out


def _trusted(row: Flag, series: Series, request: Trust, since: int, until: int) -> Iterator[Flag]:
    """Give a flag as it is, or cut where its readings are trusted (`asked` is −2 there)."""
    meant = _meant(request, row["chamber"], row["sensor"], row["quantity"])
    if row["flag"] != request.flag or row["asked"] >= 0 or not meant:
        yield row
        return
    if row["start"] > until or row["stop"] < since:
        yield row
        return
    if row["action"] != "left out":  # nothing is lost by it; it is one piece of news
        yield row | {"action": "trusted", "asked": -2}
        return
    time, values = series[row["chamber"], row["sensor"]]
    here = (time >= row["start"]) & (time <= row["stop"]) & np.isfinite(values[row["quantity"]])
    t = time[here]
    inside = (t >= since) & (t <= until)
    for chosen, change in ((inside, {"action": "trusted", "asked": -2}), (~inside, {})):
        for first, end in zip(*runs_of(chosen), strict=True):
            piece = {"start": int(t[first]), "stop": int(t[end - 1]), "records": int(end - first)}
            yield row | piece | change


def _meant(request: Trust | LeaveOut, chamber: str, sensor: str, quantity: str) -> bool:
    return (
        chamber == request.chamber
        and request.sensor in (None, sensor)
        and request.quantity in (None, quantity)
    )


def _moment_ns(moment: dt.datetime, zone: dt.tzinfo) -> int:
    local = moment if moment.tzinfo else moment.replace(tzinfo=zone)
    return int(pd.Timestamp(local).tz_convert("UTC").as_unit("ns").value)


def tell_overrides(
    table: pd.DataFrame,
    asked: Sequence[Trust | LeaveOut],
    *,
    known: Sequence[tuple[str, str]],
    runs: Runs,
) -> Iterator[Finding]:
    """Name each request once: what it did, or that it did nothing.

    Parameters
    ----------
    table : DataFrame
        Flags with `asked`, the number of the request, and `because`.
    asked : sequence of Trust or LeaveOut
    known : sequence of (str, str)
        Chamber and sensor of every series of the log.
    runs : mapping
        Name of a run in the table → its name for people.

    Yields
    ------
    Finding
    """
    for number, request in enumerate(asked):
        part = table[table["asked"] == number]
        yield _tell_heeded(part, request, runs) if len(part) else _tell_idle(table, request, known)


def tell_unheeded(asked: Sequence[Trust | LeaveOut], *, why: str) -> list[Finding]:
    """Say that requests were not heeded, where sensors are not judged at all.

    Parameters
    ----------
    asked : sequence of Trust or LeaveOut
    why : {"no_log", "no_chambers"}
        Why no sensor was judged.

    Examples
    --------
    >>> tell_unheeded((), why="no_log")
    []
    """
    if not asked:
        return []
    told = message(f"unheeded.{why}")
    return [finding("request_unheeded", "caution", count=len(asked), why=told)]


def _tell_heeded(part: pd.DataFrame, request: Trust | LeaveOut, runs: Runs) -> Finding:
    quantities = [message(f"sensor_quantity.{q}") for q in dict.fromkeys(part["quantity"])]
    readings = int(part.groupby(["chamber", "sensor", "quantity"])["records"].sum().max())
    values: dict[str, Any] = {
        "sensor": name_sensor(request.chamber, request.sensor),
        "readings": message("sensor_readings.of", count=readings, quantities=quantities),
        "when": _between(request),
        "because": request.because,
    }
    if isinstance(request, Trust):
        flag = message(f"flag.{request.flag}")
        return finding("sensor_trusted", "note", flag=flag, **values)
    sums = part.groupby(["run", "quantity"])["share_pct"].sum().groupby("run").max()
    shares = tell_shares(sums, runs)
    takes = message("sensor_shares.takes", shares=shares) if shares else ""
    return finding("sensor_left_out", "note", takes=takes, **values)


def _tell_idle(
    table: pd.DataFrame, request: Trust | LeaveOut, known: Sequence[tuple[str, str]]
) -> Finding:
    ask = message("request.leave_out")
    if isinstance(request, Trust):
        ask = message("request.trust", flag=message(f"flag.{request.flag}"))
    sensors = sorted({s for c, s in known if c == request.chamber and s})
    hint = message("idle_hint.times")
    where = place({"chamber": request.chamber})
    if request.sensor is not None and request.sensor not in sensors:
        near = suggestion(request.sensor, sensors, list_all=True)
        hint = message(
            "idle_hint.sensor",
            place=where,
            sensor=request.sensor,
            near=near if sensors else message("idle_hint.unnamed"),
        )
    elif isinstance(request, Trust):
        mine = (table["chamber"] == request.chamber) & (table["asked"] < 0)
        there = sorted(set(table.loc[mine & (table["flag"] != "gap"), "flag"]))
        flags = [message(f"flag.{name}") for name in there] or message("idle_hint.none")
        hint = message("idle_hint.flags", place=where, flags=flags)
    return finding(
        "idle_request",
        "note",
        form="sensor",
        sensor=name_sensor(request.chamber, request.sensor),
        ask=ask,
        when=_between(request),
        hint=hint,
    )


def _between(request: Trust | LeaveOut) -> Message:
    """Name an interval as it stands in the trial file."""
    since, until = (
        f"{t:%Y-%m-%d %H:%M:%S}".removesuffix(":00") for t in (request.since, request.until)
    )
    form = "at" if since == until else "from"
    return message(f"when.{form}", first=since, last=until)
