"""Running a setting forward: pieces put together into cycles, cycles into a run.

A run is a list of blocks. A block is one cycle with the number of times it repeats: once the
state at the start of a cycle no longer changes, one block stands for the rest of time, so a
month costs little more than the hours the room takes to settle.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial

from trialkit.chamber.balance import Piece
from trialkit.chamber.constants import Constants, State
from trialkit.chamber.room import Band, Timed

_CHUNK_S = 86400.0  # a band that does not switch is followed in pieces of a day at most
_SHORTEST_S = 1e-6


@dataclass
class Block:
    """One cycle: where it starts, its pieces, and how often it repeats.

    Parameters
    ----------
    start_s : float
        Seconds from the start of the run.
    pieces : list of (Piece, float)
        Pieces and their lengths [s].
    repeats : float
        How many times in a row; infinite for the settled cycle.
    gained_g : float
        Water the surfaces gain (or shed) in one cycle [g].
    end : State
        State after one cycle.
    """

    start_s: float
    pieces: list[tuple[Piece, float]]
    end: State
    gained_g: float
    repeats: float = 1.0
    length_s: float = field(init=False)

    def __post_init__(self) -> None:
        self.length_s = sum(length for _, length in self.pieces)

    @property
    def end_s(self) -> float:
        """Seconds from the start of the run to the end of the last repeat."""
        return self.start_s + self.length_s * self.repeats


@dataclass
class Run:
    """The blocks of a run, in order, and whether it settled."""

    constants: Constants
    blocks: list[Block]
    settled: bool

    def until(self, seconds: float) -> Flows:
        """Give the water and time flows of the first seconds."""
        total = Flows()
        for block in self.blocks:
            left = seconds - block.start_s
            if left <= 0:
                break
            whole = min(block.repeats, math.floor(left / block.length_s + 1e-12))
            cycle = Flows()
            for piece, length in block.pieces:
                cycle.add(piece, length)
            total.add_scaled(cycle, whole)
            rest = left - whole * block.length_s
            if whole < block.repeats:
                for piece, length in block.pieces:
                    if rest <= 0:
                        break
                    total.add(piece, min(rest, length))
                    rest -= length
        return total


@dataclass
class Flows:
    """Water through the chamber [g] and time with mist on [s]."""

    mist_g: float = 0.0
    air_in_g: float = 0.0
    air_out_g: float = 0.0
    fog_out_g: float = 0.0
    crop_g: float = 0.0
    settled_g: float = 0.0
    mist_on_s: float = 0.0
    seconds: float = 0.0

    def add(self, piece: Piece, length: float) -> None:
        """Add one piece."""
        room = piece.room
        c, d = piece.integrals(length)
        if piece.kind == "saturated":
            d = 0.0
        self.mist_g += room.mist * length * piece.on
        self.mist_on_s += length * piece.on
        self.air_in_g += room.volume * piece.n * room.c_in * length
        self.air_out_g += room.volume * piece.n * c
        self.fog_out_g += room.volume * piece.n * piece.fog_seconds(length)
        self.crop_g += room.g_crop * d + room.crop_vapour * length
        self.settled_g += piece.water(length) - piece.start.w
        self.seconds += length

    def add_scaled(self, other: Flows, times: float) -> None:
        """Add another account a number of times over."""
        for name in self.__dataclass_fields__:
            setattr(self, name, getattr(self, name) + times * getattr(other, name))


# ---------------------------------------------------------------- one cycle


class _Walker:
    """Walks a state through pieces, keeping what they gained."""

    def __init__(self, room: Constants, state: State) -> None:
        self.room, self.state = room, state
        self.pieces: list[tuple[Piece, float]] = []
        self.gained = 0.0

    def walk(
        self, on: bool, seconds: float, also: Callable[[Piece, float], float] | None = None
    ) -> float:
        """Go on for some seconds, or until `also` rises through zero; give the time left."""
        left = seconds
        while left > _SHORTEST_S / 2:
            piece = Piece(self.room, self.state, on=on)
            watch = None if also is None else partial(also, piece)
            length = min(max(piece.next_event(left, watch), _SHORTEST_S), left)
            if left - length < _SHORTEST_S:
                length = left
            hit = also is not None and also(piece, length) >= 0
            self._take(piece, length)
            left -= length
            if hit:
                break
        return left

    def _take(self, piece: Piece, length: float) -> None:
        end = piece.at(length)
        self.pieces.append((piece, length))
        self.gained += end.w - piece.start.w
        water = min(max(end.w, 0.0), self.room.holds)
        if water < 1e-12:
            water = 0.0
        self.state = end._replace(w=water, f=end.f if end.f > 1e-12 else 0.0)


def timed_cycle(room: Constants, state: State, setting: Timed) -> _Walker:
    """Walk one cycle of a timer."""
    walker = _Walker(room, state)
    if setting.on_s:
        walker.walk(True, setting.on_s)
    if setting.off_s:
        walker.walk(False, setting.off_s)
    return walker


def _band_cycle(room: Constants, state: State, setting: Band, on: bool) -> tuple[_Walker, bool]:
    """Go from here to the next start of the mist, or a day on."""
    walker, left = _Walker(room, state), _CHUNK_S

    def too_high(piece: Piece, t: float) -> float:
        return piece.sensor(t) - setting.stop_above_rh

    def too_low(piece: Piece, t: float) -> float:
        return setting.start_below_rh - piece.sensor(t)

    if on:
        if walker.state.s < setting.stop_above_rh:
            left = walker.walk(True, left, too_high)
        if left > 0:
            on = False
    if not on and left > 0:
        if walker.state.s > setting.start_below_rh:
            left = walker.walk(False, left, too_low)
        on = left > 0
    if not walker.pieces:  # both limits passed at once (no lag, hair-thin band)
        walker.walk(True, 1.0)
        on = True
    return walker, on


# ---------------------------------------------------------------- a run


def run_setting(
    room: Constants,
    setting: Timed | Band,
    *,
    start: State,
    at_most_s: float,
) -> Run:
    """Run a setting until it settles (its cycle repeats), or for some time.

    Parameters
    ----------
    room : Constants
    setting : Timed or Band
    start : State
        State of the chamber at time 0.
    at_most_s : float
        Longest time to follow [s]; a settled cycle is continued for ever.

    Returns
    -------
    Run
    """
    if isinstance(setting, Timed):
        setting = steady_cycle(setting)
    blocks: list[Block] = []
    state, now = start, 0.0
    on = isinstance(setting, Band) and start.s < setting.start_below_rh
    while now < at_most_s:
        was_on, before = on, state
        if isinstance(setting, Timed):
            walker = timed_cycle(room, state, setting)
        else:
            walker, on = _band_cycle(room, state, setting, on)
        state = walker.state
        block = Block(now, walker.pieces, state, walker.gained)
        blocks.append(block)
        if on == was_on and _same(before, state, room.n_off * block.length_s):
            block.repeats = _repeats(block, room)
            if math.isinf(block.repeats):
                return Run(room, blocks, settled=True)
            state = state._replace(w=before.w + block.gained_g * block.repeats)
        now = block.end_s
    return Run(room, blocks, settled=False)


def steady_cycle(setting: Timed) -> Timed:
    """Stretch a timer that never switches to ten minutes: its cycle length means nothing."""
    if setting.on_s and setting.off_s:
        return setting
    return Timed(600.0, 0.0) if setting.on_s else Timed(0.0, 600.0)


def _same(a: State, b: State, changed: float) -> bool:
    """Say whether two starts of a cycle agree but for the water on the surfaces.

    `changed` is the share of the air replaced in a cycle: of short cycles each moves little,
    so they must agree more closely.
    """
    close = 1e-10 * min(1.0, changed + 1e-9)
    return (
        abs(a.c + a.f - b.c - b.f) <= close * (abs(a.c + a.f) + 1e-3)
        and abs(a.t - b.t) <= 10 * close
        and abs(a.s - b.s) <= 100 * close
        and abs(a.q - b.q) <= 10 * close * (abs(a.q) + 1)
    )


def _repeats(block: Block, room: Constants) -> float:
    """Say how often a cycle can repeat before the surfaces run dry (or for ever)."""
    first = block.pieces[0][0].start.w
    last = block.end.w
    if room.g_wet == 0 or last >= first - 1e-9 * (first + 1e-3):
        return math.inf
    lowest = min(min(piece.start.w, piece.water(length)) for piece, length in block.pieces)
    if lowest <= 0:  # runs dry within the cycle, yet is back where it was: nothing to count on
        return 1.0
    return max(1.0, math.floor(lowest / (first - last)) - 1.0)
