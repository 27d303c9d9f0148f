"""What the trial file asks of sensors: trust readings that a flag doubts, leave others out.

Both are recorded in the table of flags with their reason, and told once each. An interval has
both its ends in it, as the intervals of the flags have.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trialkit.errors import Finding
from trialkit.signals.faults import Flag, make_flag, runs_of
from trialkit.trial.sections import LeaveOut, Trust
from trialkit.trial.text import nearest

Ints = NDArray[np.int64]
Series = Mapping[tuple[str, str], tuple[Ints, Mapping[str, NDArray[np.float64]]]]

#: Name under which the table of flags holds readings that the trial file leaves out.
LEFT_OUT = "left out by request"
_WHERE = "it stands in [logs.environment] under {key}; take it out there to undo it"


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
    words: Mapping[str, tuple[str, str]],
) -> Iterator[Finding]:
    """Name each request once: what it did, or that it did nothing.

    Parameters
    ----------
    table : DataFrame
        Flags with `asked`, the number of the request, and `because`.
    asked : sequence of Trust or LeaveOut
    known : sequence of (str, str)
        Chamber and sensor of every series of the log.
    words : mapping
        Quantity → its word for people and unit.

    Yields
    ------
    Finding
    """
    for number, request in enumerate(asked):
        part = table[table["asked"] == number]
        yield _tell_heeded(part, request, words) if len(part) else _tell_idle(table, request, known)


def tell_unheeded(asked: Sequence[Trust | LeaveOut], *, why: str) -> list[Finding]:
    """Say that requests were not heeded, where sensors are not judged at all.

    Examples
    --------
    >>> tell_unheeded((), why="the log is too large")
    []
    """
    if not asked:
        return []
    count = f"{len(asked)} request{'s' * (len(asked) != 1)}"
    message = f"{count} under trust and leave_out in [logs.environment] had no effect: {why}"
    remedy = "read the log with read_environment and give what it returns"
    return [Finding("request_unheeded", "caution", message, remedy)]


def _tell_heeded(
    part: pd.DataFrame, request: Trust | LeaveOut, words: Mapping[str, tuple[str, str]]
) -> Finding:
    quantities = ", ".join(words.get(q, (q, ""))[0] for q in dict.fromkeys(part["quantity"]))
    readings = int(part.groupby(["chamber", "sensor", "quantity"])["records"].sum().max())
    many = f"{readings} reading{'s' * (readings != 1)} of {quantities}"
    reason = f"as the trial file asks ({request.because})"
    if isinstance(request, Trust):
        what = f"{many} flagged as {request.flag} {_between(request)} are trusted, {reason}"
        remedy = _WHERE.format(key="trust")
        return Finding("sensor_trusted", "note", f"{_who(request)}: {what}", remedy)
    sums = part.groupby(["run", "quantity"])["share_pct"].sum().groupby("run").max()
    takes = "; ".join(f"{s:.0f} % of {run}" for run, s in sums.items() if run and s >= 0.5)
    what = f"{many} {_between(request)} are left out of the exposures, {reason}"
    remedy = _WHERE.format(key="leave_out")
    text = f"{_who(request)}: {what}" + (f"; {takes}" if takes else "")
    return Finding("sensor_left_out", "note", text, remedy)


def _tell_idle(
    table: pd.DataFrame, request: Trust | LeaveOut, known: Sequence[tuple[str, str]]
) -> Finding:
    trusts = isinstance(request, Trust)
    ask = f"to trust readings flagged as {request.flag}" if trusts else "to leave readings out"  # type: ignore[union-attr]
    message = f"{_who(request)}: the request {ask} {_between(request)} touched nothing"
    sensors = sorted({s for c, s in known if c == request.chamber and s})
    remedy = "remove it, or correct its times: they are local, and a chamber run must be there"
    if request.sensor is not None and request.sensor not in sensors:
        hint = nearest(request.sensor, sensors) if sensors else "its sensors have no names"
        remedy = f"{request.chamber} has no sensor {request.sensor!r}; {hint}"
    elif trusts:
        mine = (table["chamber"] == request.chamber) & (table["asked"] < 0)
        there = sorted(set(table.loc[mine & (table["flag"] != "gap"), "flag"]))
        remedy = "remove it, or correct it; flags of " + (
            f"{request.chamber}: {', '.join(there)}" if there else f"{request.chamber}: none"
        )
    return Finding("idle_request", "note", message, remedy)


def _who(request: Trust | LeaveOut) -> str:
    return request.chamber + (f", sensor {request.sensor}" if request.sensor else "")


def _between(request: Trust | LeaveOut) -> str:
    """Name an interval as it stands in the trial file."""
    since, until = (
        f"{t:%Y-%m-%d %H:%M:%S}".removesuffix(":00") for t in (request.since, request.until)
    )
    return f"at {since}" if since == until else f"from {since} to {until}"
