"""Mist that did not happen: pulses commanded against the vapour that followed.

A mist log says when the relay was told to switch on, not that droplets reached the air. Each
pulse should lift the vapour pressure in the minutes after it. Where that lift is missing for
an hour or more, a fan or fogger died or the reservoir ran dry.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from trialkit.columns import head
from trialkit.display import Shown, show_table
from trialkit.errors import Finding
from trialkit.short_repr import short_repr
from trialkit.signals.finding_parts import Runs, run_places, tell_when
from trialkit.signals.vapour import (
    ANSWER_NS,
    HOUR,
    MINUTE,
    Air,
    Pulses,
    largest_sum,
    loss_seen_pct,
    responses,
    rolling_response,
    to_ns,
    vapour_of,
)
from trialkit.wording import finding, message, spoken

#: Pulses nearer than this count together, and how many standard errors make a loss sure.
_NEAR, _SURE = 45 * MINUTE, 4.0


@dataclass(frozen=True)
class ResponseLimits:
    """From where on a missing response is told. Common practice, no source.

    Parameters
    ----------
    shortest_h : float
        Shortest loss of response that is told [h].
    low_share : float
        Response under this share of the usual one of the run counts as lost.
    wet_rh : float
        Over this humidity air takes up little more vapour, and no response is expected [%].
    fade_h : float
        A response that takes longer than this to go is a reservoir running dry [h].
    silent_h : float
        Shortest time without any pulse that is told [h] …
    silent_times : float
        … if it is also so many times the longest usual pause of the run.
    long_pulse_s : float
        Shortest pulse that is told as too long [s] …
    long_times : float
        … if it is also so many times the usual pulse.
    """

    shortest_h: float = 1.0
    low_share: float = 0.35
    wet_rh: float = 97.0
    fade_h: float = 1.5
    silent_h: float = 3.0
    silent_times: float = 5.0
    long_pulse_s: float = 600.0
    long_times: float = 10.0


@dataclass(frozen=True)
class MistResponse:
    """Whether the mist that was commanded came out. Made by `check_response`.

    Parameters
    ----------
    table : DataFrame
        One row per trouble: `chamber, run, fault, start, stop` (UTC), `hours`, `pulses`, `on_s`
        (mist commanded meanwhile), `response_pct` (of the usual one of the run), `detail`.
    runs : DataFrame
        One row per run: `chamber, run, pulses, answered` (pulses with records on both sides),
        `around_rh_pct` (usual humidity at a pulse), `pulse_s` (usual length), `response_kpa`
        (usual lift of the vapour pressure), `judged` (the lift stands out of the noise),
        `lost_on_s` (mist commanded while nothing came), `seen_pct` (share of the pulses near
        which a loss would have been told).
    findings : tuple of Finding
    """

    table: pd.DataFrame
    runs: pd.DataFrame
    findings: tuple[Finding, ...] = ()

    __repr__ = short_repr

    def shown(self) -> Shown:
        """Format the troubles as a table."""
        columns = ["run", "fault", "start", "stop", "hours", "pulses", "response_pct"]
        say = spoken()
        heads = {name: head(name) for name in columns} | {"hours": say.text("flags.hours")}
        formats = {"fault": lambda cell: say.either(f"mist_fault.{cell}", str(cell))}
        return show_table(
            self.table,
            columns=columns,
            heads=heads,
            formats=formats,
            caption=say.text("mist_response.caption"),
        )

    def __str__(self) -> str:
        return self.shown().text()

    def _repr_html_(self) -> str:
        return self.shown().html()


def check_response(
    climate: pd.DataFrame,
    mist: pd.DataFrame,
    *,
    within: pd.DataFrame,
    limits: ResponseLimits | None = None,
    reservoir_l: float | None = None,
    zone: dt.tzinfo = dt.UTC,
) -> MistResponse:
    """Compare the pulses commanded in each chamber run with the vapour that followed.

    Parameters
    ----------
    climate : DataFrame
        `chamber, time` (UTC), `temp_c, rh_pct`; readings that cannot be trusted missing.
    mist : DataFrame
        `chamber, start, stop` (UTC): mist on.
    within : DataFrame
        Chamber runs: `chamber, start, stop` and `run`, a name.
    limits : ResponseLimits, optional
    reservoir_l : float, optional
        Size of the reservoir, for the message [L].
    zone : tzinfo
        Time zone for the messages.

    Returns
    -------
    MistResponse

    Notes
    -----
    The response of a pulse is the mean vapour pressure of the records up to 2.5 min after it
    (not past the next pulse) minus that of the last record before it. Vapour pressure rather
    than humidity, so that a warming lamp is not taken for dry air. Several sensors of a chamber
    are averaged pulse by pulse. The usual response of a run is the median over its pulses. A
    loss is a stretch where the mean response of the pulses within 45 min lies under
    `low_share` of the usual one by more than four standard errors; its ends are put where the
    sum of what is missing is largest.
    """
    parts = [
        follow_chamber(climate[climate["chamber"] == chamber], mist, part, limits=limits)
        for chamber, part in within[within["start"].notna()].groupby("chamber", sort=False)
    ]
    return gather_response(parts, within=within, reservoir_l=reservoir_l, zone=zone)


@dataclass(frozen=True)
class Followed:
    """Troubles and runs of one chamber, as rows of `MistResponse`. Made by `follow_chamber`."""

    rows: list[dict[str, Any]]
    runs: list[dict[str, Any]]


def follow_chamber(
    climate: pd.DataFrame,
    mist: pd.DataFrame,
    within: pd.DataFrame,
    *,
    limits: ResponseLimits | None = None,
) -> Followed:
    """Compare the pulses commanded in one chamber with the vapour that followed.

    Parameters
    ----------
    climate : DataFrame
        Records of that chamber alone.
    mist : DataFrame
        Of all chambers or of this one.
    within : DataFrame
        Runs of that chamber alone.
    limits : ResponseLimits, optional
    """
    limits = limits or ResponseLimits()
    out = Followed([], [])
    if not len(within):
        return out
    chamber = within["chamber"].iloc[0]
    air = vapour_of(climate)
    here = mist[(mist["chamber"] == chamber) & mist["stop"].notna()].sort_values("start")
    on, off = to_ns(here["start"]), to_ns(here["stop"])
    pulses = Pulses(on, off, *responses(on, off, air))
    for _, run in within.iterrows():
        lo, hi = (np.searchsorted(on, run[name].value) for name in ("start", "stop"))
        one = pulses.between(int(lo), int(hi))
        if len(one.off):  # what follows the end of the batch is nobody's mist: a plug pulled out
            one = Pulses(one.on, np.minimum(one.off, run["stop"].value), one.response, one.rh)
        found = list(_judge(one, air, run, limits)) if len(one.on) else []
        name = {"chamber": str(chamber), "run": str(run["run"])}
        out.rows.extend(name | row for row in found)
        lost = sum(r["on_s"] for r in found if r["fault"] in ("no response", "ran dry"))
        seen = loss_seen_pct(one, _NEAR, limits.low_share, _SURE)
        out.runs.append(name | one.summary() | {"lost_on_s": lost, "seen_pct": seen})
    return out


def gather_response(
    parts: Sequence[Followed],
    *,
    within: pd.DataFrame,
    reservoir_l: float | None = None,
    zone: dt.tzinfo = dt.UTC,
) -> MistResponse:
    """Put together what was found chamber by chamber, and tell it; see `check_response`."""
    rows = [row for part in parts for row in part.rows]
    columns = ["chamber", "run", "fault", "start", "stop", "hours", "pulses", "on_s"]
    table = pd.DataFrame(rows, columns=[*columns, "response_pct", "detail"])
    for name in ("start", "stop"):
        table[name] = pd.to_datetime(table[name].astype("int64"), utc=True)
    findings = tuple(_findings(table, zone, reservoir_l, run_places(within)))
    runs = pd.DataFrame([run for part in parts for run in part.runs])
    return MistResponse(table, runs, findings)


def _judge(
    pulses: Pulses, air: Sequence[Air], run: pd.Series, limits: ResponseLimits
) -> Iterator[dict[str, Any]]:
    """Give the troubles of one run."""
    yield from _too_long(pulses, limits)
    yield from _silent(pulses, run, limits)
    if not pulses.judged:
        return
    for lo, hi in _losses(pulses, limits):
        part = pulses.between(lo, hi)
        share = 100 * float(np.nanmean(part.response)) / pulses.usual
        fault, detail = (
            "no response",
            message("mist_detail.humidity", rh=float(np.nanmean(part.rh))),
        )
        if np.nanmean(part.rh) >= limits.wet_rh:
            fault = "wet all the time"
        elif hour := _other_clock(pulses, lo, hi, air):
            fault, detail = "clock", message("mist_detail.clock", hours=float(hour))
        elif _fade_hours(pulses, lo) > limits.fade_h:
            fault = "ran dry"
        yield _row(fault, part, share, detail)


def _row(fault: str, part: Pulses, share: float, detail: object) -> dict[str, Any]:
    start, stop = int(part.on[0]), int(part.off[-1])
    return {
        "fault": fault,
        "start": start,
        "stop": stop,
        "hours": round((stop - start) / HOUR, 3),
        "pulses": len(part.on),
        "on_s": float(part.seconds.sum()),
        "response_pct": round(share, 1),
        "detail": detail,
    }


def _losses(pulses: Pulses, limits: ResponseLimits) -> list[tuple[int, int]]:
    """Give the stretches of pulses (first, one past the last) that got no response."""
    near = _NEAR
    mean, n = rolling_response(pulses, near)
    usual = pulses.usual
    with np.errstate(invalid="ignore", divide="ignore"):
        sure = usual - mean > _SURE * pulses.noise / np.sqrt(n)
        low = (mean < limits.low_share * usual) & sure & (n >= 4)
    at = np.flatnonzero(low)
    if not len(at):
        return []
    apart = np.flatnonzero(pulses.on[at[1:]] - pulses.on[at[:-1]] > 2 * near)
    out = []
    for a, b in zip(np.append(0, apart + 1), np.append(apart, len(at) - 1), strict=True):
        lo = int(np.searchsorted(pulses.on, pulses.on[at[a]] - 2 * near))
        hi = int(np.searchsorted(pulses.on, pulses.on[at[b]] + 2 * near, side="right"))
        first, last = largest_sum(0.5 * usual - np.nan_to_num(pulses.response[lo:hi], nan=usual))
        long = pulses.off[lo + last - 1] - pulses.on[lo + first] >= limits.shortest_h * HOUR
        if long and last - first >= 4:
            out.append((lo + first, lo + last))
    return out


def _other_clock(pulses: Pulses, lo: int, hi: int, air: Sequence[Air]) -> int:
    """Say by how many hours the climate log must be moved to show the response; 0 if none.

    Only moments without a pulse of their own speak for a wrong clock: a timer that divides the
    hour has pulses an hour before and after each lost one, and the air answers those.
    """
    part = pulses.between(lo, hi)
    others = np.delete(pulses.on, np.arange(lo, hi))
    for hours in (-1, 1):
        lift, _ = responses(part.on, part.off, air, shift=hours * HOUR)
        begin, end = part.on + hours * HOUR - MINUTE, part.off + hours * HOUR + ANSWER_NS
        lift = lift[np.searchsorted(others, begin) == np.searchsorted(others, end)]
        if np.isfinite(lift).sum() >= 4 and np.nanmean(lift) > 0.6 * pulses.usual:
            return -hours
    return 0


def _fade_hours(pulses: Pulses, lo: int) -> float:
    """Say how long the response took to go: from 80 % of the usual one to the loss."""
    mean, _ = rolling_response(pulses, 20 * MINUTE)
    full = np.flatnonzero(mean[:lo] >= 0.8 * pulses.usual)
    if not len(full):
        return 0.0
    return float(pulses.on[lo] - pulses.on[full[-1]]) / HOUR


def _too_long(pulses: Pulses, limits: ResponseLimits) -> Iterator[dict[str, Any]]:
    """Give pulses that are far longer than the usual one: a relay or valve stuck on."""
    seconds = pulses.seconds
    longest = max(limits.long_pulse_s, limits.long_times * float(np.median(seconds)))
    for i in np.flatnonzero(seconds > longest).tolist():
        part = pulses.between(i, i + 1)
        yield _row(
            "stuck on", part, np.nan, message("mist_detail.minutes", minutes=seconds[i] / 60)
        )


def _silent(pulses: Pulses, run: pd.Series, limits: ResponseLimits) -> Iterator[dict[str, Any]]:
    """Give stretches without any pulse that are far longer than the usual pause."""
    edges = (
        np.concatenate(([run["start"].value], pulses.off)),
        np.append(pulses.on, run["stop"].value),
    )
    pause = edges[1] - edges[0]
    usual = float(np.quantile(pause, 0.99)) if len(pause) > 20 else 0.0
    least = max(limits.silent_h * HOUR, limits.silent_times * usual)
    for i in np.flatnonzero(pause > least).tolist():
        yield {
            "fault": "no mist",
            "start": int(edges[0][i]),
            "stop": int(edges[1][i]),
            "hours": round(float(pause[i]) / HOUR, 3),
            "pulses": 0,
            "on_s": 0.0,
            "response_pct": np.nan,
            "detail": "",
        }


def _findings(
    table: pd.DataFrame, zone: dt.tzinfo, reservoir_l: float | None, runs: Runs
) -> Iterator[Finding]:
    """Give one finding per run and kind of trouble."""
    for (run, fault), part in table.groupby(["run", "fault"], sort=True):
        pulses = int(part["pulses"].sum())
        dry = fault == "ran dry"
        yield finding(
            f"mist_{str(fault).replace(' ', '_')}",
            "caution",
            form=("reservoir" if reservoir_l else "plain") if dry else "",
            run=runs.get(str(run), str(run)),
            when=tell_when(part, zone),
            hours=float(part["hours"].sum()),
            pulses=message("mist_detail.pulses", number=pulses) if pulses > 1 else "",
            detail=part["detail"].iloc[0],
            reservoir=reservoir_l or 0.0,
        )
