"""Clocks that were wrong, set right as the trial file says.

A logger's clock is corrected first, on the clock it shows, and put into its zone afterwards.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from itertools import combinations

import numpy as np

from trialkit.errors import LogError
from trialkit.logs.clocks.zones import NO_TIME, NS
from trialkit.logs.ledger import FileAccount
from trialkit.trial.sections import Clock
from trialkit.wording import message

#: From and until which shown moment [ns] a correction holds; None where it has no end.
Span = tuple[int | None, int | None]


def set_right(
    wall: np.ndarray,
    corrections: Sequence[Clock],
    *,
    zone: dt.tzinfo,
    aware: np.ndarray,
    ok: np.ndarray,
    account: FileAccount,
    column: str,
) -> tuple[np.ndarray, np.ndarray]:
    """Correct the times of a file, and record which rows were moved.

    Parameters
    ----------
    wall : ndarray of int64, shape (n,)
        Times as the file shows them [ns]: UTC where `aware`, else wall time.
    corrections : sequence of Clock
        Those of the trial file that concern this file.
    zone : tzinfo
    aware, ok : ndarray of bool, shape (n,)
        Rows whose times carry an offset, and rows with a time.
    account : FileAccount
    column : str
        Head of the time, for the account.

    Returns
    -------
    (ndarray of int64, ndarray of bool)
        The times, and which rows a correction touches.
    """
    touched = np.zeros(len(wall), bool)
    if not corrections:
        return wall, touched
    out = wall.copy()
    for kind in (True, False):
        rows = np.flatnonzero(ok & (aware == kind))
        if len(rows):
            add, hit = correct_clock(
                wall[rows], corrections, zone=zone, aware=kind, file=account.file
            )
            out[rows] += add
            touched[rows] = hit
    moved = np.flatnonzero(touched & (out != wall))
    if len(moved):
        seconds = np.round((out[moved] - wall[moved]) / NS).astype(np.int64)
        low, high = int(seconds.min()), int(seconds.max())
        span = message(f"clock_span.{'one' if low == high else 'range'}", low=low, high=high)
        account.note(
            moved,
            rule="clock corrected",
            column=column,
            reason=message("row_reason.clock_corrected", span=span),
        )
    return out, touched


def correct_clock(
    shown: np.ndarray, corrections: Sequence[Clock], *, zone: dt.tzinfo, aware: bool, file: str
) -> tuple[np.ndarray, np.ndarray]:
    """Give how far a clock was off at each moment it showed.

    Parameters
    ----------
    shown : ndarray of int64, shape (n,)
        Shown times [ns]: wall time, or UTC where the file carries offsets (`aware`).
    corrections : sequence of Clock
        Those of the trial file that concern this file.
    zone : tzinfo
        Zone of the log, in which times without offset in the trial file are meant.
    aware : bool
        Whether `shown` is UTC.
    file : str
        For messages.

    Returns
    -------
    (ndarray of int64, ndarray of bool)
        Nanoseconds to add, and which rows are touched.

    Notes
    -----
    Two or more known moments give a line through them (a clock that runs fast or slow), carried on
    beyond the first and last; one gives a constant.
    """
    add = np.zeros(len(shown), np.int64)
    touched = np.zeros(len(shown), bool)
    pairs: dict[Span, list[tuple[int, int]]] = {}
    for c in corrections:
        since = _to_shown(c.since, zone, aware) if c.since else None
        until = _to_shown(c.until, zone, aware) if c.until else None
        if c.add_s is not None:
            inside = _inside(shown, since, until)
            add[inside] += round(c.add_s * NS)
            touched |= inside
        elif c.shows is not None and c.truth is not None:
            pair = (_to_shown(c.shows, zone, aware), _to_shown(c.truth, zone, aware))
            pairs.setdefault((since, until), []).append(pair)
        else:
            raise LogError(
                f"{file}: a clock correction needs add_s, or both shows and truth "
                "→ complete it in the trial file"
            )
    _refuse_two_truths(pairs, file)
    for (since, until), known in pairs.items():
        inside = _inside(shown, since, until)
        add[inside] += _drift(shown[inside], sorted(known))
        touched |= inside
    return add, touched


def _refuse_two_truths(pairs: Mapping[Span, Sequence[tuple[int, int]]], file: str) -> None:
    """Refuse a moment that a clock showed once, with two different truths."""
    told = [(span, shows, truth) for span, known in pairs.items() for shows, truth in known]
    for (one, shows, truth), (other, again, else_true) in combinations(told, 2):
        if shows == again and truth != else_true and _overlap(one, other):
            moments = [str(np.datetime64(t, "ns").astype("datetime64[s]")) for t in
                       (shows, truth, else_true)]  # fmt: skip
            raise LogError(
                f"{file}: two clock corrections say what was true when the clock showed "
                f"{moments[0]}: {moments[1]} and {moments[2]} → remove the wrong one, or give each "
                "its own since and until"
            )


def _overlap(one: Span, other: Span) -> bool:
    """Whether two stretches of shown time have a moment in common."""
    start = max(t for t in (one[0], other[0], NO_TIME) if t is not None)
    ends = [t for t in (one[1], other[1]) if t is not None]
    return not ends or start < min(ends)


def _inside(shown: np.ndarray, since: int | None, until: int | None) -> np.ndarray:
    inside = np.ones(len(shown), bool)
    if since is not None:
        inside &= shown >= since
    if until is not None:
        inside &= shown < until
    return inside


def _drift(shown: np.ndarray, known: list[tuple[int, int]]) -> np.ndarray:
    at = np.array([k[0] for k in known], dtype=np.int64)
    off = np.array([k[1] - k[0] for k in known], dtype=np.int64)
    distinct = np.concatenate([[True], np.diff(at) > 0])
    at, off = at[distinct], off[distinct]
    if len(at) == 1:
        return np.full(len(shown), off[0])
    # seconds relative to the first known moment keep the arithmetic exact to the microsecond
    x, xp, fp = (shown - at[0]) / NS, (at - at[0]) / NS, off / NS
    out = np.interp(x, xp, fp)
    for side, edge in ((x < xp[0], 0), (x > xp[-1], -2)):
        slope = (fp[edge + 1] - fp[edge]) / (xp[edge + 1] - xp[edge])
        out = np.where(side, fp[edge] + (x - xp[edge]) * slope, out)
    return np.asarray(np.round(out * 1e6), dtype=np.int64) * 1000


def _to_shown(moment: dt.datetime, zone: dt.tzinfo, aware: bool) -> int:
    if aware:
        local = moment if moment.tzinfo else moment.replace(tzinfo=zone)
        moment = local.astimezone(dt.UTC).replace(tzinfo=None)
    elif moment.tzinfo:
        moment = moment.astimezone(zone).replace(tzinfo=None)
    delta = moment - dt.datetime(1970, 1, 1)
    return (delta.days * 86400 + delta.seconds) * NS + delta.microseconds * 1000
