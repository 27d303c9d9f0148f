"""From the pieces of a run to tables: states at even times, quickly for long runs."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from trialkit import air
from trialkit.air.kernels import GAS_CONSTANT_VAPOUR, ZERO_C, saturation
from trialkit.arrays import Floats
from trialkit.chamber.schedule import Block, Run

#: The rows there are, in order.
ROWS = (
    "vapour_g_m3",
    "temp_c",
    "sensor_rh_pct",
    "co2_ppm",
    "surface_g",
    "fog_g_m3",
    "mist_on",
    "rh_pct",
    "vpd_kpa",
)
_WATER = ROWS.index("surface_g")
_NODES_S = 0.01  # between moments of a cycle that does not fit the steps [s]


def rh_of(c: Floats, temp_c: Floats) -> Floats:
    """Give the relative humidity [%] of vapour density and temperature."""
    return np.asarray(100 * c * 1e-6 * GAS_CONSTANT_VAPOUR * (temp_c + ZERO_C) / saturation(temp_c))


def derive_rows(rows: Floats) -> Floats:
    """Add humidity and deficit to the first seven rows."""
    rh = rh_of(rows[0], rows[1])
    deficit = air.saturation_pressure_kpa(rows[1]) * (1 - rh / 100)
    return np.vstack([rows, rh, deficit])


def sample_run(run: Run, *, step_s: float, count: int, names: Sequence[str]) -> list[Floats]:
    """Give rows at times 0, step, 2 step … as arrays of length count.

    A cycle that repeats is computed once. If its length is no whole number of steps and it
    repeats often, it is computed every hundredth of a second and read at the nearest.

    Parameters
    ----------
    run : Run
    step_s : float
        Step [s].
    count : int
        Number of times.
    names : sequence of str
        Which of `ROWS`.

    Returns
    -------
    list of array, shape (count,)
    """
    keep = [ROWS.index(name) for name in names]
    out = [np.empty(count) for _ in keep]
    waiting: list[tuple[int, Floats]] = []
    for block in run.blocks:
        first = math.ceil(block.start_s / step_s - 1e-9)
        last = count if math.isinf(block.repeats) else math.ceil(block.end_s / step_s - 1e-9)
        span = min(last, count) - first
        if span <= 0:
            continue
        if block.repeats <= 1:
            since = np.arange(span, dtype=float) * step_s + (first * step_s - block.start_s)
            waiting.append((first, sample_cycle(block, since)))
            continue
        parts = [target[first : first + span] for target in out]
        _fill_repeats(parts, keep, block, first * step_s - block.start_s, step_s)
        if _WATER in keep:
            _add_water(parts[keep.index(_WATER)], block, first, step_s, run.constants.holds)
    _fill_once(out, keep, waiting, run.constants.holds)
    return out


def _fill_once(
    out: list[Floats], keep: list[int], waiting: list[tuple[int, Floats]], holds: float
) -> None:
    """Write cycles that do not repeat; derived rows are worked out for all of them at once."""
    if not waiting:
        return
    rows = derive_rows(np.hstack([rows for _, rows in waiting]))
    np.clip(rows[_WATER], 0.0, holds, out=rows[_WATER])
    at = 0
    for first, part in waiting:
        span = part.shape[1]
        for target, k in zip(out, keep, strict=True):
            target[first : first + span] = rows[k, at : at + span]
        at += span


def _fill_repeats(
    parts: list[Floats], keep: list[int], block: Block, offset_s: float, step_s: float
) -> None:
    """Write a repeating cycle; the first moment lies `offset_s` after its start."""
    span, per_cycle = len(parts[0]), block.length_s / step_s
    points = round(per_cycle)
    if 0 < points <= span and abs(per_cycle - points) < 1e-9 * per_cycle:
        phase = np.mod(np.arange(points, dtype=float) * step_s + offset_s, block.length_s)
        rows = derive_rows(sample_cycle(block, phase))
        rounds = span // points
        for part, k in zip(parts, keep, strict=True):
            part[: rounds * points].reshape(rounds, points)[:] = rows[k]
            part[rounds * points :] = rows[k][: span - rounds * points]
        return
    share = np.arange(span, dtype=float) * (step_s / block.length_s) + offset_s / block.length_s
    share -= np.floor(share)
    nodes = math.ceil(block.length_s / _NODES_S)
    if span < 3 * nodes:
        rows = derive_rows(sample_cycle(block, share * block.length_s))
        for part, k in zip(parts, keep, strict=True):
            part[:] = rows[k]
        return
    middle = (np.arange(nodes, dtype=float) + 0.5) * (block.length_s / nodes)
    rows = derive_rows(sample_cycle(block, middle))
    share *= nodes
    at = share.astype(np.intp)
    for part, k in zip(parts, keep, strict=True):
        np.take(rows[k], at, out=part, mode="clip")


def sample_cycle(block: Block, phase: Floats) -> Floats:
    """Give the first seven rows at moments within one cycle [s], shape (7, len(phase))."""
    out = np.empty((7, len(phase)))
    ends = np.cumsum([length for _, length in block.pieces])
    which = np.searchsorted(ends, phase, side="right").clip(0, len(ends) - 1)
    rising = bool(np.all(np.diff(phase) >= 0))
    for k, (piece, length) in enumerate(block.pieces):
        here: slice | Floats = which == k
        if rising:
            low, high = np.searchsorted(which, k), np.searchsorted(which, k, side="right")
            here = slice(int(low), int(high))
        inside = phase[here] - (ends[k] - length)
        if inside.size:
            out[:6, here] = piece.sample(np.maximum(inside, 0.0))
            out[6, here] = float(piece.on)
    return out


def _add_water(part: Floats, block: Block, first: int, step_s: float, holds: float) -> None:
    """Add what the surfaces gained in earlier repeats, up to what they hold."""
    if block.repeats > 1 and block.gained_g:
        since = (first + np.arange(len(part))) * step_s - block.start_s
        part += block.gained_g * np.floor(since / block.length_s)
    np.clip(part, 0.0, holds, out=part)


def weigh_cycle(block: Block, points: int = 33) -> tuple[Floats, Floats]:
    """Sample a cycle with Simpson weights: all rows, and weights that sum to 1."""
    rows, weights = [], []
    pattern = np.ones(points)
    pattern[1:-1:2], pattern[2:-1:2] = 4.0, 2.0
    for piece, length in block.pieces:
        on = np.full(points, float(piece.on))
        rows.append(np.vstack([piece.sample(np.linspace(0.0, length, points)), on]))
        weights.append(pattern / pattern.sum() * length / block.length_s)
    return derive_rows(np.hstack(rows)), np.concatenate(weights)
