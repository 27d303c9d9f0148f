"""Sensors that lie quietly: stuck, wet, jumping or drifting, and what that does to exposures.

Every flag is an interval of one sensor and one quantity. Readings of a flag whose action is
``"left out"`` are not used for exposures; they leave a hole in the coverage and are never
filled. Flags with action ``"kept"`` only tell; those with ``"trusted"`` are overridden in the
trial file. Nothing in the log itself is changed.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trialkit.arrays import Ints
from trialkit.columns import head, house_unit
from trialkit.display import Shown, show_table
from trialkit.errors import Finding, Severity
from trialkit.logs.climate.series import number_names
from trialkit.short_repr import short_repr
from trialkit.signals import faults
from trialkit.signals.finding_parts import Runs, name_sensor, run_places, tell_shares, tell_when
from trialkit.signals.overrides import apply_overrides, tell_overrides
from trialkit.trial.sections import LeaveOut, Trust
from trialkit.wording import Message, finding, message, spoken

_LONG_GAP_NS = 7_200_000_000_000

#: Quantities that are judged.
JUDGED = ("rh_pct", "temp_c", "co2_ppm", "light_lux")
_ALL = (*JUDGED, "ppfd_umol_m2_s")

#: How bad each kind of flag is.
_SEVERITY: dict[str, Severity] = {
    "stuck": "caution",
    "saturated": "caution",
    "out of range": "caution",
    "spike": "note",
    "step": "note",
    "dew point jump": "note",
    "gap": "note",
    "drift": "caution",
    "disagreement": "caution",
}


@dataclass(frozen=True)
class SensorFlags:
    """What is wrong with the sensors. Made by `flag_sensors`.

    Parameters
    ----------
    table : DataFrame
        `chamber, sensor, quantity, flag, start, stop` (UTC), `hours`, `records`, `action`
        (``"left out"``, ``"kept"`` or ``"trusted"``), `detail`, `because` (the reason given in
        the trial file for what it asks), `run` and `share_pct`: how much of the run
        it is in it takes [%].
    findings : tuple of Finding
        One per sensor, quantity and kind of flag; one per request of the trial file.
    """

    table: pd.DataFrame
    findings: tuple[Finding, ...] = field(default=())

    __repr__ = short_repr

    def shown(self) -> Shown:
        """Format the flags as a table."""
        columns = ["chamber", "sensor", "quantity", "flag", "start", "stop", "hours", "action"]
        say = spoken()
        heads = {name: head(name) for name in columns} | {"hours": say.text("flags.hours")}
        formats = {
            "quantity": lambda cell: say.either(f"sensor_quantity.{cell}", str(cell)),
            "flag": lambda cell: say.either(f"flag.{cell}", str(cell)),
            "action": lambda cell: say.either(f"action.{cell}", str(cell)),
        }
        return show_table(
            self.table,
            columns=columns,
            heads=heads,
            formats=formats,
            caption=say.text("flags.caption"),
        )

    def __str__(self) -> str:
        return self.shown().text()

    def _repr_html_(self) -> str:
        return self.shown().html()


def flag_sensors(
    climate: pd.DataFrame,
    *,
    within: pd.DataFrame | None = None,
    max_gap_min: float = 10.0,
    limits: faults.FlagLimits | None = None,
    zone: dt.tzinfo = dt.UTC,
    asked: Sequence[Trust | LeaveOut] = (),
) -> SensorFlags:
    """Look for readings that cannot be trusted.

    Parameters
    ----------
    climate : DataFrame
        `chamber, time` (UTC) and any of `temp_c, rh_pct, co2_ppm, light_lux`; `sensor`
        optional. Rows in any order.
    within : DataFrame, optional
        Chamber runs: `chamber, start, stop` and `run`, a name. Only what touches a run is
        flagged; without it, the whole log.
    max_gap_min : float
        Records further apart are a gap [min].
    limits : FlagLimits, optional
    zone : tzinfo
        Time zone for the messages, and of the moments in `asked`.
    asked : sequence of Trust or LeaveOut
        What the trial file asks: flagged readings to trust, further ones to leave out.

    Returns
    -------
    SensorFlags

    Examples
    --------
    >>> minutes = pd.date_range("2031-01-01", periods=600, freq="1min", tz="UTC")
    >>> log = pd.DataFrame({"chamber": "T1", "time": minutes, "temp_c": 15.0,
    ...     "rh_pct": [88.0 + i % 7 for i in range(300)] + [100.0] * 300})
    >>> log["temp_c"] += np.arange(600) % 5 / 10
    >>> flag_sensors(log).table[["quantity", "flag", "hours"]].to_numpy().tolist()
    [['rh_pct', 'stuck', 4.983]]
    """
    found = find_flags(
        climate, within=within, max_gap_min=max_gap_min, limits=limits, zone=zone, asked=asked
    )
    return gather_flags([found], within=within, zone=zone, asked=asked)


@dataclass(frozen=True)
class FoundFlags:
    """Flags of some chambers of a log, before they are told. Made by `find_flags`.

    Parameters
    ----------
    table : DataFrame
        As `SensorFlags.table`, with `asked`, the number of the request behind a row, or −1.
    known : tuple of (str, str)
        Chamber and sensor of every series.
    """

    table: pd.DataFrame
    known: tuple[tuple[str, str], ...]


def find_flags(
    climate: pd.DataFrame,
    *,
    within: pd.DataFrame | None = None,
    max_gap_min: float = 10.0,
    limits: faults.FlagLimits | None = None,
    zone: dt.tzinfo = dt.UTC,
    asked: Sequence[Trust | LeaveOut] = (),
    shelves: bool | None = None,
) -> FoundFlags:
    """Look for readings that cannot be trusted in whole chambers of a log.

    Parameters
    ----------
    climate, within, max_gap_min, limits, zone, asked
        As for `flag_sensors`; `climate` may hold some chambers of a log only.
    shelves : bool, optional
        Whether the log names shelves anywhere; by default whether these chambers do.
    """
    limits = limits or faults.FlagLimits()
    gap_ns = round(max_gap_min * 6e10)
    rows: list[dict[str, Any]] = []
    series = {label: (time, values) for label, time, values in _each_series(climate)}
    for (chamber, sensor), (time, values) in series.items():
        for start, stop in _gaps(chamber, time, within, gap_ns):
            rows.append(
                {"chamber": chamber, "sensor": sensor, "quantity": "all"}
                | faults.make_flag("gap", start, stop, 0, "kept", "")
            )
        judged = {name: v for name, v in values.items() if name in JUDGED}
        for quantity, found in faults.find_all(time, judged, gap_ns, limits):
            rows.append({"chamber": chamber, "sensor": sensor, "quantity": quantity} | found)
    compared = faults.compare_sensors(climate, limits, shelves=shelves)
    rows = apply_overrides([*rows, *compared], series, asked, zone)
    columns = ["chamber", "sensor", "quantity", "flag", "start", "stop", "records", "action"]
    table = pd.DataFrame(rows, columns=[*columns, "detail", "because", "asked"])
    for name in ("start", "stop"):
        table[name] = pd.to_datetime(table[name].astype("int64"), utc=True)
    table = _within(table, within)
    hours = (table["stop"] - table["start"]).dt.total_seconds() / 3600
    table.insert(6, "hours", hours.round(3))
    return FoundFlags(table, tuple(series))


def gather_flags(
    parts: Sequence[FoundFlags],
    *,
    within: pd.DataFrame | None = None,
    zone: dt.tzinfo = dt.UTC,
    asked: Sequence[Trust | LeaveOut] = (),
) -> SensorFlags:
    """Put the flags of all chambers of a log together, and tell them.

    Parameters
    ----------
    parts : sequence of FoundFlags
        At least one; no chamber in more than one.
    within, zone, asked
        As for `flag_sensors`.
    """
    tables = [part.table for part in parts if len(part.table)] or [parts[0].table]
    table = tables[0] if len(tables) == 1 else pd.concat(tables, ignore_index=True)
    order = ["chamber", "sensor", "start", "quantity"]
    table = table.sort_values(order, kind="stable").reset_index(drop=True)
    runs = run_places(within)
    known = [series for part in parts for series in part.known]
    told = tell_overrides(table, asked, known=known, runs=runs)
    findings = (*_findings(table[table["asked"] < 0], zone, runs), *told)
    return SensorFlags(table.drop(columns="asked"), findings)


def leave_out(
    climate: pd.DataFrame, flags: SensorFlags, *, keep: Sequence[str] = ()
) -> pd.DataFrame:
    """Give the log without the readings that must not be used (they become missing).

    Parameters
    ----------
    climate : DataFrame
    flags : SensorFlags
    keep : sequence of str
        Kinds of flag that are used all the same.

    Returns
    -------
    DataFrame
        A copy where anything is left out; the log itself if nothing is.
    """
    bad = flags.table[flags.table["action"] == "left out"]
    bad = bad[bad["quantity"].isin(climate.columns) & ~bad["flag"].isin(keep)]
    if not len(bad):
        return climate
    out = climate.copy()
    time = _ns(climate["time"])
    code, labels = _series_codes(climate)
    for (name, which, quantity), part in bad.groupby(["chamber", "sensor", "quantity"]):
        here = np.flatnonzero(code == labels.index((str(name), str(which))))
        t = time[here]
        drop = np.zeros(len(here), dtype=bool)
        for start, stop in zip(_ns(part["start"]), _ns(part["stop"]), strict=True):
            drop |= (t >= start) & (t <= stop)
        column = out[quantity].to_numpy(dtype=float, copy=True)
        column[here[drop]] = np.nan
        out[quantity] = column
    return out


def _ns(times: pd.Series) -> Ints:
    stamps = pd.DatetimeIndex(pd.to_datetime(times, utc=True))
    return np.asarray(stamps.as_unit("ns").asi8, dtype=np.int64)


def _series_codes(climate: pd.DataFrame) -> tuple[Ints, list[tuple[str, str]]]:
    """Give the number of each row's sensor, and (chamber, sensor) by number."""
    chamber, chambers = number_names(climate["chamber"], sort=True)
    sensor, sensors = np.zeros(len(climate), dtype=np.int64), [""]
    if "sensor" in climate.columns:
        sensor, found = number_names(climate["sensor"], sort=True)
        sensors = [*map(str, found), ""]  # −1, a missing name, is the last
        sensor = np.where(sensor < 0, len(sensors) - 1, sensor)
    code = np.asarray(chamber * len(sensors) + sensor, dtype=np.int64)
    return code, [(str(c), s) for c in chambers for s in sensors]


def _each_series(
    climate: pd.DataFrame,
) -> Iterator[tuple[tuple[str, str], Ints, dict[str, NDArray[np.float64]]]]:
    """Give each sensor's records in order of time, one per moment."""
    known = climate[climate["time"].notna()] if climate["time"].hasnans else climate
    arrays = {
        name: known[name].to_numpy(dtype=float, na_value=np.nan)
        for name in _ALL
        if name in known.columns and known[name].notna().any()
    }
    time = _ns(known["time"])
    code, labels = _series_codes(known)
    for number, label in enumerate(labels):
        here = np.flatnonzero(code == number)
        if not len(here):
            continue
        t = time[here]
        if (t[1:] <= t[:-1]).any():
            t, first = np.unique(t, return_index=True)
            here = here[first]
        yield label, t, {name: v[here] for name, v in arrays.items()}


def _gaps(
    chamber: str, time: Ints, within: pd.DataFrame | None, gap_ns: int
) -> list[tuple[int, int]]:
    """Give the gaps of a sensor: inside the log, or inside each run with its two ends."""
    if within is None:
        return faults.find_gaps(time, gap_ns)
    out = []
    mine = within[(within["chamber"].astype(str) == chamber) & within["stop"].notna()]
    for start, stop in zip(_ns(mine["start"]), _ns(mine["stop"]), strict=True):
        inside = time[(time >= start) & (time <= stop)]
        out += faults.find_gaps(np.concatenate(([start], inside, [stop])), gap_ns)
    return out


def _within(table: pd.DataFrame, within: pd.DataFrame | None) -> pd.DataFrame:
    """Keep flags that touch a run; name the run and the share of it that is taken.

    Gaps are cut to the run; those under two hours and half a per cent of it are passed by.
    """
    if within is None or not len(table):
        return table.assign(run="", share_pct=np.nan)
    runs = within[within["start"].notna() & within["stop"].notna()]
    start, stop = _ns(runs["start"]), _ns(runs["stop"])
    begin, end = _ns(table["start"]).copy(), _ns(table["stop"]).copy()
    gap = (table["flag"] == "gap").to_numpy()
    labels = runs["run"].astype(str).to_numpy()
    of_chamber = {
        str(name): np.flatnonzero((runs["chamber"] == name).to_numpy())
        for name in runs["chamber"].unique()
    }
    names, shares, keep = [""] * len(table), np.full(len(table), np.nan), []
    for i, name in enumerate(table["chamber"].astype(str).tolist()):
        mine = of_chamber.get(name, np.empty(0, dtype=np.int64))
        shared = np.minimum(end[i], stop[mine]) - np.maximum(begin[i], start[mine])
        touched = len(mine) > 0 and int(shared.max()) >= 0
        if touched:
            best, most = int(mine[np.argmax(shared)]), int(shared.max())
            names[i] = labels[best]
            shares[i] = 100 * most / max(stop[best] - start[best], 1)
            if gap[i]:
                touched = most >= _LONG_GAP_NS or bool(shares[i] >= 0.5)
                begin[i], end[i] = max(begin[i], start[best]), min(end[i], stop[best])
        keep.append(touched)
    table = table.assign(run=names, share_pct=shares)
    table["start"], table["stop"] = pd.to_datetime(begin, utc=True), pd.to_datetime(end, utc=True)
    return table[keep]


def _findings(table: pd.DataFrame, zone: dt.tzinfo, runs: Runs) -> Iterator[Finding]:
    """Give one finding per sensor, quantity and kind of flag."""
    for key, part in table.groupby(["chamber", "sensor", "flag", "quantity"], sort=True):
        chamber, sensor, flag, quantity = map(str, key)
        hours = float(part["hours"].sum())
        shares = tell_shares(part.groupby("run")["share_pct"].sum(), runs)
        effect: Message | str = ""
        if flag == "gap" or part["action"].iloc[0] == "left out":
            form = "not_covered" if flag == "gap" else "left_out"
            effect = message(f"sensor_effect.{form}{'_of' if shares else ''}", shares=shares)
        long = hours >= 0.05 and flag not in ("drift", "disagreement")
        yield finding(
            f"sensor_{flag.replace(' ', '_')}",
            _SEVERITY[flag],
            sensor=name_sensor(chamber, "" if sensor == chamber else sensor),
            quantity=quantity if flag == "gap" else message(f"sensor_kind.{quantity}"),
            detail=part["detail"].iloc[0],
            unit=house_unit(quantity),
            when=tell_when(part, zone),
            hours=message("when.hours", hours=hours) if long else "",
            effect=effect,
        )
