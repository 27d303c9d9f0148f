"""The additive kernel: exact sums over irregular records, piece by piece.

Between two records at most `max_gap_min` apart the signal is taken as a straight line (air
temperature, humidity, vapour pressure deficit, CO2) or as held at the earlier record (light,
which is switched); `ExposureSettings.held` says which. Longer gaps are not bridged; they count
as not covered. Means are integrals of these lines, and times under or over a limit are cut
exactly where the line crosses it, so ramps (and, for light, steps) are summed without error
however they are sampled.

Records of one sensor with the same stamp count once, as the middle of the lowest and highest
of their values: repeating a row changes nothing, whatever the order of rows.

A log may come in pieces. Each piece gives the sums of its inside and keeps its two first and
two last moments open; `Summer.join_pieces` closes the seams. Hence the same numbers come from
one table, from a file read in pieces, and from the workers of a cluster.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from trialkit.alignment.cells import Cells
from trialkit.alignment.measures import ExposureSettings, Measure, fast_vpd
from trialkit.alignment.sums import Stretches, cut_into_cells, sum_channel
from trialkit.arrays import Bools, Floats, Ints

Key = tuple[str, str]

#: Records handled at once: few enough for the processor's cache, enough to be worth a call.
BLOCK = 262_144
#: Records sorted at once.
CHUNK = 32_768


class SeamError(Exception):
    """Pieces of a log overlap in time, so they must be sorted before they are summed."""


@dataclass
class Edges:
    """The open moments of blocks of records for one channel: up to two at each end.

    Parameters
    ----------
    series, time : ndarray
        Series number; moment [ns].
    low, high : ndarray
        Lowest and highest value at that moment.
    counted : ndarray of bool
        True where the time from this moment to the next open one was already summed.
    """

    series: Ints
    time: Ints
    low: Floats
    high: Floats
    counted: Bools


@dataclass
class Piece:
    """Sums of the inside of one piece of a log.

    Parameters
    ----------
    names : list of (chamber, sensor)
        The series, in the order of their numbers.
    sums : dict
        Measure name → array, series × `Cells.width`.
    edges : dict
        Channel → open moments, one `Edges` per block.
    rows : int
        Rows read.
    """

    names: list[Key]
    sums: dict[str, Floats] = field(default_factory=dict)
    edges: dict[str, list[Edges]] = field(default_factory=dict)
    rows: int = 0

    def used(self) -> list[Key]:
        """List the series that have records."""
        found = {int(i) for e in self.edges.values() for part in e for i in np.unique(part.series)}
        return [self.names[i] for i in sorted(found)]

    def add(self, name: str, series: Ints, cell: Ints, sums: Floats, width: int) -> None:
        """Add sums to the cells of a measure."""
        if name not in self.sums:
            self.sums[name] = np.zeros((len(self.names), width))
        np.add.at(self.sums[name], (series, cell), sums)


class Summer:
    """Sums records into the cells between window limits.

    Parameters
    ----------
    cells : Cells
        Window limits per chamber.
    settings : ExposureSettings
    """

    def __init__(self, cells: Cells, settings: ExposureSettings) -> None:
        self.cells, self.settings = cells, settings
        self.by_channel: dict[str, list[Measure]] = {}
        for measure in settings.measures():
            self.by_channel.setdefault(measure.channel, []).append(measure)

    def sum_piece(
        self, names: Sequence[Key], series: Ints, time: Ints, values: Mapping[str, Floats]
    ) -> Piece:
        """Sum one piece of a log.

        Parameters
        ----------
        names : sequence of (chamber, sensor)
        series : ndarray of int
            Position in `names` of each row.
        time : ndarray of int64
            Moments [ns since 1970, UTC].
        values : mapping
            Channel → values; missing values are NaN.

        Returns
        -------
        Piece
        """
        series, time, values = in_order(series, time, values)
        piece = Piece(list(names), rows=len(time))
        limits = [self.cells.limits(chamber) for chamber, _ in names]
        for lo in range(0, len(time), BLOCK):
            part = slice(lo, lo + BLOCK)
            block = {name: v[part] for name, v in values.items()}
            for channels, keep in _same_rows(block, self.settings.rh_error_pct):
                s, t = series[part], time[part]
                chosen = channels
                if keep is not None:
                    s, t, chosen = s[keep], t[keep], {c: v[keep] for c, v in channels.items()}
                self._sum_block(s, t, chosen, limits, piece)
        return piece

    def _sum_block(
        self,
        series: Ints,
        time: Ints,
        channels: Mapping[str, Floats],
        limits: Sequence[Ints],
        piece: Piece,
    ) -> None:
        """Sum the inside of one block of sorted sound rows; keep its ends open."""
        step, runs = _steps(series, time, self.settings.max_gap_ns)
        low = high = middle = channels
        if step.size and step.min() == 0:
            starts = np.concatenate(([0], np.flatnonzero(step) + 1))
            low = {c: np.minimum.reduceat(v, starts) for c, v in channels.items()}
            high = {c: np.maximum.reduceat(v, starts) for c, v in channels.items()}
            middle = {c: (low[c] + high[c]) / 2 for c in channels}
            series, time = series[starts], time[starts]
            step, runs = _steps(series, time, self.settings.max_gap_ns)
        first, last = _runs(runs, len(time))
        w = _seconds(step, self.settings.max_gap_ns)
        w[first] = 0.0  # the seams stay open
        w[np.maximum(last - 1, 0)] = 0.0
        ends, counted = _ends(first, last)
        at = cut_into_cells(series, time, w, first, last, limits)
        self._add(at, middle, piece)
        for c in channels:
            edge = Edges(series[ends], time[ends], low[c][ends], high[c][ends], counted)
            piece.edges.setdefault(c, []).append(edge)

    def _add(self, at: Stretches, channels: Mapping[str, Floats], piece: Piece) -> None:
        """Sum all measures of some channels into a piece."""
        for channel, v in channels.items():
            held = channel in self.settings.held
            sums = sum_channel(v, self.by_channel[channel], at, held=held)
            for name, (inside, cut) in sums.items():
                piece.add(name, at.series, at.cell, inside, self.cells.width)
                piece.add(name, at.cuts.series, at.cuts.cell, cut, self.cells.width)

    def join_pieces(self, pieces: Sequence[Piece]) -> Piece:
        """Add the sums of all pieces of a log and close the seams between them.

        Raises
        ------
        SeamError
            If pieces of one series overlap in time.
        """
        names = sorted({name for piece in pieces for name in piece.used()})
        number = {name: i for i, name in enumerate(names)}
        total = Piece(names, rows=sum(piece.rows for piece in pieces))
        edges: dict[str, list[Edges]] = {}
        for piece in pieces:
            code = np.array([number.get(name, -1) for name in piece.names], dtype=np.int64)
            used = code >= 0
            for measure, sums in piece.sums.items():
                if measure not in total.sums:
                    total.sums[measure] = np.zeros((len(names), self.cells.width))
                np.add.at(total.sums[measure], code[used], sums[used])
            for channel, found in piece.edges.items():
                edges.setdefault(channel, []).extend(
                    Edges(code[e.series], e.time, e.low, e.high, e.counted) for e in found
                )
        limits = [self.cells.limits(chamber) for chamber, _ in names]
        for channel, found in edges.items():
            self._close(channel, found, limits, total)
        return total

    def _close(
        self, channel: str, found: Sequence[Edges], limits: Sequence[Ints], total: Piece
    ) -> None:
        """Sum the seams between blocks."""
        series, time, low, high, counted = _sorted_edges(found)
        step, runs = _steps(series, time, self.settings.max_gap_ns)
        if step.size and step.min() == 0:
            starts = np.concatenate(([0], np.flatnonzero(step) + 1))
            low, high = np.minimum.reduceat(low, starts), np.maximum.reduceat(high, starts)
            counted = np.logical_or.reduceat(counted, starts)
            series, time = series[starts], time[starts]
            step, runs = _steps(series, time, self.settings.max_gap_ns)
        first, last = _runs(runs, len(time))
        w = _seconds(step, self.settings.max_gap_ns)
        w[counted] = 0.0
        at = cut_into_cells(series, time, w, first, last, limits)
        self._add(at, {channel: (low + high) / 2}, total)


def _sorted_edges(found: Sequence[Edges]) -> tuple[Ints, Ints, Floats, Floats, Bools]:
    """Put open moments in order; refuse those that lie inside time already summed."""
    series = np.concatenate([e.series for e in found])
    time = np.concatenate([e.time for e in found])
    counted = np.concatenate([e.counted for e in found])
    origin = np.repeat(np.arange(len(found)), [len(e.series) for e in found])
    # within a moment the one whose following time is summed comes last
    order = np.lexsort((counted, time, series))
    series, time, counted, origin = series[order], time[order], counted[order], origin[order]
    inner = np.flatnonzero(counted)
    same_moment = np.concatenate(
        ([False], (time[1:] == time[:-1]) & (series[1:] == series[:-1]), [False])
    )
    if inner.size and (
        (origin[inner] != origin[np.minimum(inner + 1, len(time) - 1)]).any()
        or same_moment[inner].any()
        or same_moment[inner + 2].any()
    ):
        raise SeamError
    low = np.concatenate([e.low for e in found])[order]
    high = np.concatenate([e.high for e in found])[order]
    return series, time, low, high, counted


def _same_rows(
    block: Mapping[str, Floats], rh_error_pct: float
) -> list[tuple[dict[str, Floats], Bools | None]]:
    """Group channels that have the same sound rows, and add the vapour pressure deficit."""
    whole: dict[str, Floats] = {}
    groups: list[tuple[dict[str, Floats], Bools | None]] = []
    for name, v in block.items():
        with np.errstate(all="ignore"):
            sound = bool(np.isfinite(v.sum()))  # finite only if every value is
        if sound:
            whole[name] = v
        else:
            groups.append(({name: v}, np.isfinite(v)))
    if "temp_c" in block and "rh_pct" in block:
        temp, humid = block["temp_c"], block["rh_pct"]
        if "temp_c" in whole and "rh_pct" in whole:
            vpd = fast_vpd(temp, humid, rh_error_pct=rh_error_pct)
        else:
            both = np.isfinite(temp) & np.isfinite(humid)
            vpd = np.full(both.size, np.nan)
            vpd[both] = fast_vpd(temp[both], humid[both], rh_error_pct=rh_error_pct)
        known = np.isfinite(vpd)  # not where humidity lies above 100 % by more than the error
        if known.all():
            whole["vpd_kpa"] = vpd
        else:
            groups.append(({"vpd_kpa": vpd}, known))
    if whole:
        groups.append((whole, None))
    return [group for group in groups if group[1] is None or group[1].any()]


def in_order(
    series: Ints, time: Ints, values: Mapping[str, Floats]
) -> tuple[Ints, Ints, dict[str, Floats]]:
    """Sort rows by series and time, if they are not sorted already."""
    if _rising(series, time):
        return series, time, dict(values)
    columns = [time, *values.values()]
    for gather in (_from_turns, _by_series):
        together, gathered = gather(series, columns)
        if gathered and _rising(together, gathered[0]):
            return together, gathered[0], dict(zip(values, gathered[1:], strict=True))
    order = np.lexsort((time, series))
    return series.take(order), time.take(order), {name: v.take(order) for name, v in values.items()}


def _from_turns(series: Ints, columns: Sequence[Any]) -> tuple[Ints, list[Any]]:
    """Put rows of the same series together where the series take strict turns, one row each."""
    again = np.flatnonzero(series[1:4096] == series[0])
    every = int(again[0]) + 1 if again.size else 0
    if not every or not np.array_equal(series[every:], series[:-every]):
        return series, []
    turns = np.argsort(series[:every]).tolist()
    together, *gathered = (np.concatenate([v[k::every] for k in turns]) for v in (series, *columns))
    return together, gathered


def _by_series(series: Ints, columns: Sequence[Any]) -> tuple[Ints, list[Any]]:
    """Put rows of the same series together, keeping their order, where the series are few.

    Parts that fit into the processor's nearest cache are sorted first; then the runs of each
    series are strung together.
    """
    n, count = len(series), int(series.max()) + 1
    if count > CHUNK // 128:
        return series, []
    keys = series.astype(np.uint16)  # short keys sort faster
    parts = [np.empty_like(v) for v in columns]
    sizes = np.zeros((-(-n // CHUNK), count), dtype=np.int64)
    for k, size in enumerate(sizes):
        part = slice(k * CHUNK, min((k + 1) * CHUNK, n))
        order = np.argsort(keys[part], kind="stable")
        size[:] = np.bincount(keys[part], minlength=count)
        for v, out in zip(columns, parts, strict=True):
            v[part].take(order, out=out[part], mode="clip")
    ends = np.cumsum(sizes).reshape(sizes.shape)
    runs = list(zip((ends - sizes).T.ravel().tolist(), ends.T.ravel().tolist(), strict=True))
    gathered = [np.concatenate([v[a:b] for a, b in runs]) for v in parts]
    return np.repeat(np.arange(count), sizes.sum(axis=0)), gathered


def _rising(series: Ints, time: Ints) -> bool:
    """Tell whether rows are sorted by series and time; unsorted ones are mostly seen at once."""
    for n in (4096, len(time)):
        s, t = series[:n], time[:n]
        late = np.flatnonzero(t[1:] < t[:-1])
        if (s[late] >= s[late + 1]).any() or (s[1:] < s[:-1]).any():
            return False
    return True


def _steps(series: Ints, time: Ints, max_gap_ns: int) -> tuple[Ints, Ints]:
    """Give the nanoseconds to the next record, and where another series begins."""
    step = np.diff(time)
    if series.size and series[0] == series[-1]:
        return step, np.empty(0, dtype=np.int64)
    runs = np.flatnonzero(series[1:] != series[:-1])
    step[runs] = max_gap_ns + 1
    return step, runs + 1


def _runs(runs: Ints, n: int) -> tuple[Ints, Ints]:
    """Give the first and last record of each series."""
    return np.concatenate(([0], runs)), np.concatenate((runs, [n])) - 1


def _seconds(step: Ints, max_gap_ns: int) -> Floats:
    """Give the seconds from each record to the next, 0 where the gap is not bridged."""
    w = np.zeros(len(step) + 1)
    np.multiply(step, 1e-9, out=w[:-1])
    if step.size and step.max() > max_gap_ns:
        w[:-1][step > max_gap_ns] = 0.0
    return w


def _ends(first: Ints, last: Ints) -> tuple[Ints, Bools]:
    """Give the positions of the open moments of each run, and which have a summed inside."""
    spots = np.stack((first, first + 1, last - 1, last), axis=1)
    length = (last - first + 1)[:, None]
    keep = np.arange(4) < length
    short = np.stack((first, first + 1, first + 2, first + 3), axis=1)
    spots = np.where(length < 4, short, spots)
    counted = np.zeros(spots.shape, dtype=bool)
    counted[:, 1] = length[:, 0] >= 4
    return spots[keep], counted[keep]
