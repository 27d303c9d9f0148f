"""The additive kernel: exact sums over irregular records, piece by piece.

Between two records at most `max_gap_min` apart the signal is taken as a straight line (air
temperature, humidity, vapour pressure deficit, CO2) or as held at the earlier record (light,
which is switched). Longer gaps are not bridged; they count as not covered. Means are
integrals of these lines, and times under or over a limit are cut exactly where the line
crosses it, so ramps (and, for light, steps) are summed without error however they are
sampled.

Records of one sensor with the same stamp count once, as the middle of the lowest and highest
of their values: repeating a row changes nothing, whatever the order of rows.

A log may come in pieces. Each piece gives the sums of its inside and keeps its two first and
two last moments open; `join_pieces` closes the seams. Hence the same numbers come from one
table, from a file read in pieces, and from the workers of a cluster.

Symbols: ``w`` seconds of a stretch between two records (0 if not bridged), ``W`` the weight
of a record, ``v`` values of a channel, ``cell`` a stretch between two window limits.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trialkit.alignment.cells import Cells
from trialkit.alignment.measures import HELD, Array, ExposureSettings, Measure, fast_vpd

Ints = NDArray[np.int64]
Key = tuple[str, str]

#: Records handled at once: small enough that the working arrays stay in the processor's cache.
BLOCK = 32_768


@dataclass
class Edges:
    """The open moments of a piece for one channel: up to two at each end of each series.

    Parameters
    ----------
    series, time : ndarray
        Series number; moment [ns].
    low, high : ndarray
        Lowest and highest value at that moment.
    counted : ndarray of bool
        True where the stretch after this moment was already summed in its piece.
    """

    series: Ints
    time: Ints
    low: Array
    high: Array
    counted: NDArray[np.bool_]


class SeamError(Exception):
    """Pieces of a log overlap in time, so they must be sorted before they are summed."""


@dataclass
class Piece:
    """Sums of one piece of a log.

    Parameters
    ----------
    names : list of (chamber, sensor)
        The series, in the order of their numbers.
    sums : dict
        Measure name → (series number × cells stacked) array, see `Cells.width`.
    edges : dict
        Channel → `Edges`.
    rows : int
        Rows read.
    """

    names: list[Key]
    sums: dict[str, Array]
    edges: dict[str, Edges]
    rows: int = 0


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
        self, names: Sequence[Key], series: Ints, time: Ints, values: Mapping[str, Array]
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
        piece = Piece(list(names), {}, {}, len(time))
        limits = [self.cells.limits(chamber) for chamber, _ in names]
        store = _Store(limits, self.cells.width, piece)
        edges: dict[str, list[Edges]] = {}
        for lo in range(0, len(time), BLOCK):
            part = slice(lo, lo + BLOCK)
            block = {name: v[part] for name, v in values.items()}
            for channels, keep in self._same_validity(block):
                s, t = series[part], time[part]
                chosen = channels if keep is None else {c: v[keep] for c, v in channels.items()}
                if keep is not None:
                    s, t = s[keep], t[keep]
                for channel, edge in self._sum_block(s, t, chosen, store).items():
                    edges.setdefault(channel, []).append(edge)
        for channel, found in edges.items():
            piece.edges[channel] = self._close(channel, found, store, last=False)
        return piece

    def _same_validity(
        self, block: Mapping[str, Array]
    ) -> list[tuple[dict[str, Array], NDArray[np.bool_] | None]]:
        """Group channels that have the same sound rows, and add the vapour pressure deficit."""
        whole: dict[str, Array] = {}
        groups: list[tuple[dict[str, Array], NDArray[np.bool_] | None]] = []
        masks: dict[str, NDArray[np.bool_]] = {}
        for name, v in block.items():
            # one pass: a sum is finite only if every value is
            if v.size and np.isfinite(v.sum()):
                whole[name] = v
            else:
                masks[name] = np.isfinite(v)
        if "temp_c" in whole and "rh_pct" in whole:
            whole["vpd_kpa"] = fast_vpd(whole["temp_c"], whole["rh_pct"])
        elif "temp_c" in block and "rh_pct" in block:
            both = np.isfinite(block["temp_c"]) & np.isfinite(block["rh_pct"])
            vpd = np.full(both.size, np.nan)
            vpd[both] = fast_vpd(block["temp_c"][both], block["rh_pct"][both])
            groups.append(({"vpd_kpa": vpd}, both))
        groups += [({name: block[name]}, mask) for name, mask in masks.items()]
        if whole:
            groups.append((whole, None))
        return [g for g in groups if g[1] is None or g[1].any()]

    def _sum_block(
        self, series: Ints, time: Ints, channels: Mapping[str, Array], store: _Store
    ) -> dict[str, Edges]:
        """Sum the inside of one sorted block of sound rows; give its open ends per channel."""
        starts, series, time = _distinct(series, time)
        if starts is None:
            low = high = middle = dict(channels)
        else:
            low = {c: np.minimum.reduceat(v, starts) for c, v in channels.items()}
            high = {c: np.maximum.reduceat(v, starts) for c, v in channels.items()}
            middle = {c: (low[c] + high[c]) / 2 for c in channels}
        if len(time) == 0:
            return {}
        runs = np.flatnonzero(series[1:] != series[:-1]) + 1
        first = np.concatenate(([0], runs))
        last = np.concatenate((runs, [len(time)])) - 1
        w = _seconds(series, time, self.settings.max_gap_ns)
        w[first] = 0.0  # the seams stay open
        w[np.maximum(last - 1, 0)] = 0.0
        ends, counted = _ends(first, last)
        store.add(series, time, w, middle, self.by_channel, first, last)
        return {
            c: Edges(series[ends], time[ends], low[c][ends], high[c][ends], counted)
            for c in channels
        }

    def _close(self, channel: str, found: Sequence[Edges], store: _Store, *, last: bool) -> Edges:
        """Sum the seams between blocks; keep only the ends of the whole open."""
        series = np.concatenate([e.series for e in found])
        time = np.concatenate([e.time for e in found])
        low = np.concatenate([e.low for e in found])
        high = np.concatenate([e.high for e in found])
        counted = np.concatenate([e.counted for e in found])
        origin = np.repeat(np.arange(len(found)), [len(e.series) for e in found])
        # within a moment the one whose following stretch is counted comes last
        order = np.lexsort((counted, time, series))
        series, time, low, high = series[order], time[order], low[order], high[order]
        counted, origin = counted[order], origin[order]
        inner = np.flatnonzero(counted)
        if inner.size and (
            inner[-1] + 1 >= len(time)
            or (origin[inner] != origin[inner + 1]).any()
            or (series[inner] != series[inner + 1]).any()
        ):
            raise SeamError
        starts, series, time = _distinct(series, time)
        if starts is not None:
            low, high = np.minimum.reduceat(low, starts), np.maximum.reduceat(high, starts)
            counted = np.logical_or.reduceat(counted, starts)
        w = _seconds(series, time, self.settings.max_gap_ns)
        w[counted] = 0.0
        runs = np.flatnonzero(series[1:] != series[:-1]) + 1
        first = np.concatenate(([0], runs))
        final = np.concatenate((runs, [len(time)])) - 1
        ends, inside = _ends(first, final)
        if not last:
            w[first] = 0.0
            w[np.maximum(final - 1, 0)] = 0.0
        store.add(series, time, w, {channel: (low + high) / 2}, self.by_channel, first, final)
        return Edges(series[ends], time[ends], low[ends], high[ends], inside)

    def join_pieces(self, pieces: Sequence[Piece]) -> Piece:
        """Add the sums of pieces and close the seams between them.

        Raises
        ------
        SeamError
            If pieces of one series overlap in time.
        """
        names = sorted({name for piece in pieces for name in piece.names})
        number = {name: i for i, name in enumerate(names)}
        total = Piece(names, {}, {}, sum(piece.rows for piece in pieces))
        store = _Store([self.cells.limits(c) for c, _ in names], self.cells.width, total)
        edges: dict[str, list[Edges]] = {}
        for piece in pieces:
            code = np.array([number[name] for name in piece.names], dtype=np.int64)
            for measure, sums in piece.sums.items():
                if measure not in total.sums:
                    total.sums[measure] = np.zeros((len(names), self.cells.width))
                np.add.at(total.sums[measure], code, sums)
            for channel, e in piece.edges.items():
                edges.setdefault(channel, []).append(
                    Edges(code[e.series], e.time, e.low, e.high, e.counted)
                )
        for channel, found in edges.items():
            self._close(channel, found, store, last=True)
        return total


class _Store:
    """Adds the sums of sorted records to the cells of a piece."""

    def __init__(self, limits: Sequence[Ints], width: int, piece: Piece) -> None:
        self.limits, self.width, self.piece = limits, width, piece

    def add(
        self,
        series: Ints,
        time: Ints,
        w: Array,
        values: Mapping[str, Array],
        measures: Mapping[str, Sequence[Measure]],
        first: Ints,
        last: Ints,
    ) -> None:
        at, share, starts, cell, run = self._cuts(series, time, first, last)
        w, left = _cut_seconds(w, at, share)
        middle_weight = np.empty_like(w)
        middle_weight[0] = w[0] / 2
        np.add(w[1:], w[:-1], out=middle_weight[1:])
        middle_weight[1:] /= 2
        rows = series[first][run]
        for channel, v in values.items():
            held = channel in HELD
            if at.size:
                value = v[left] if held else v[left] + (v[at] - v[left]) * share
                v = np.insert(v, np.repeat(at, 2), np.repeat(value, 2))
            weight = w if held else middle_weight
            for measure in measures[channel]:
                sums = _one_measure(measure, v, w, weight, starts, held=held)
                if measure.name not in self.piece.sums:
                    shape = (len(self.piece.names), self.width)
                    self.piece.sums[measure.name] = np.zeros(shape)
                np.add.at(self.piece.sums[measure.name], (rows, cell), sums)

    def _cuts(
        self, series: Ints, time: Ints, first: Ints, last: Ints
    ) -> tuple[Ints, Array, Ints, Ints, Ints]:
        """Find where window limits cut the records: position, share, and the cells between."""
        at: list[int] = []
        share: list[float] = []
        starts: list[int] = []
        cell: list[int] = []
        run: list[int] = []
        for i, (lo, hi) in enumerate(zip(first.tolist(), last.tolist(), strict=True)):
            limits = self.limits[int(series[lo])]
            begin, end = np.searchsorted(limits, (time[lo], time[hi]), side="right").tolist()
            starts.append(lo + 2 * len(at))
            cell.append(begin)
            run.append(i)
            for k in range(begin, end):
                moment = int(limits[k])
                position = lo + int(np.searchsorted(time[lo : hi + 1], moment, side="left"))
                before, after = int(time[position - 1]), int(time[position])
                at.append(position)
                share.append((moment - before) / (after - before))
                starts.append(position + 2 * len(at) - 1)
                cell.append(k + 1)
                run.append(i)
        return (
            np.array(at, dtype=np.int64),
            np.array(share, dtype=float),
            np.array(starts, dtype=np.int64),
            np.array(cell, dtype=np.int64),
            np.array(run, dtype=np.int64),
        )


def in_order(
    series: Ints, time: Ints, values: Mapping[str, Array]
) -> tuple[Ints, Ints, dict[str, Array]]:
    """Sort rows by series and time, if they are not sorted already."""
    step = series[1:] != series[:-1]
    if not ((series[1:] < series[:-1]) | (~step & (time[1:] < time[:-1]))).any():
        return series, time, dict(values)
    order = np.argsort(series, kind="stable")
    if not _rising(series[order], time[order]):
        order = np.lexsort((time, series))
    return series[order], time[order], {name: v[order] for name, v in values.items()}


def _rising(series: Ints, time: Ints) -> bool:
    return bool(((series[1:] != series[:-1]) | (time[1:] >= time[:-1])).all())


def _distinct(series: Ints, time: Ints) -> tuple[Ints | None, Ints, Ints]:
    """Find the first row of each moment; None where every row is its own moment."""
    new = time[1:] != time[:-1]
    if not new.all():
        new |= series[1:] != series[:-1]
        if not new.all():
            starts = np.concatenate(([0], np.flatnonzero(new) + 1))
            return starts, series[starts], time[starts]
    return None, series, time


def _seconds(series: Ints, time: Ints, max_gap_ns: int) -> Array:
    """Give the seconds from each record to the next of its series, 0 where not bridged."""
    w = np.zeros(len(time))
    step = np.diff(time)
    np.multiply(step, 1e-9, out=w[:-1])
    if step.size and (step.max() > max_gap_ns or step.min() < 0 or series[0] != series[-1]):
        w[:-1][(step > max_gap_ns) | (series[1:] != series[:-1])] = 0.0
    return w


def _ends(first: Ints, last: Ints) -> tuple[Ints, NDArray[np.bool_]]:
    """Give the positions of the open moments of each run, and which have a summed inside."""
    ends = np.unique(
        np.concatenate((first, np.minimum(first + 1, last), np.maximum(last - 1, first), last))
    )
    second = (first + 1)[last - first >= 3]
    return ends, np.isin(ends, second)


def _cut_seconds(w: Array, at: Ints, share: Array) -> tuple[Array, Ints]:
    """Split stretches at window limits; each limit becomes an end and a beginning."""
    left = at - 1
    if not at.size:
        return w, left
    whole = w[left]
    same = np.concatenate((at[1:] == at[:-1], [False]))
    following = np.where(same, np.concatenate((share[1:], [1.0])), 1.0)
    w = w.copy()
    opens = np.concatenate(([True], at[1:] != at[:-1]))
    w[left[opens]] = whole[opens] * share[opens]
    pairs = np.zeros(2 * at.size)
    pairs[1::2] = whole * (following - share)
    return np.insert(w, np.repeat(at, 2), pairs), left


def _one_measure(
    measure: Measure, v: Array, w: Array, weight: Array, starts: Ints, *, held: bool
) -> Array:
    """Sum one measure in each cell."""
    if measure.kind == "seconds":
        return _totals(w, None, starts)
    if measure.kind == "mean":
        return _totals(weight, v, starts)
    limit = measure.limit
    inside = v < limit if measure.kind in ("below", "deficit") else v > limit
    if not inside.any():
        return np.zeros(len(starts))
    if measure.kind in ("below", "above"):
        signal = inside.astype(float)
    else:
        signal = np.where(inside, np.abs(v - limit), 0.0)
    sums = _totals(weight, signal, starts)
    if held:
        return sums
    cross = np.flatnonzero(inside[1:] != inside[:-1])
    cross = cross[w[cross] > 0]
    if cross.size:
        near, far = np.abs(v[cross] - limit), np.abs(v[cross + 1] - limit)
        within = np.where(inside[cross], near, far)
        part = within / (near + far)  # share of the stretch that is beyond the limit
        if measure.kind in ("below", "above"):
            mend = w[cross] * (part - 0.5)
        else:
            mend = w[cross] * 0.5 * within * (part - 1.0)
        np.add.at(sums, np.searchsorted(starts, cross, side="right") - 1, mend)
    return sums


def _totals(weight: Array, v: Array | None, starts: Ints) -> Array:
    """Sum weights, or weight × value, between starts."""
    if len(starts) > 16:
        return np.add.reduceat(weight if v is None else weight * v, starts)
    stops = [*starts[1:].tolist(), len(weight)]
    bounds = zip(starts.tolist(), stops, strict=True)
    if v is None:
        return np.array([weight[a:b].sum() for a, b in bounds])
    return np.array([weight[a:b] @ v[a:b] for a, b in bounds])
