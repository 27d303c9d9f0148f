"""Runs put together of cycles: accounts of stand-in pieces by hand, and what a walk keeps."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import pytest

from trialkit.chamber import Band, Room, Timed
from trialkit.chamber.constants import Constants, State, saturation_line
from trialkit.chamber.schedule import (
    Block,
    Flows,
    Run,
    _repeats,
    _same,
    _Walker,
    run_setting,
    timed_cycle,
)

TENT = Room(volume_m3=2.0, air_changes_h=4.0, mist_l_h=0.3, cooling=False, sensor_lag_s=0.0)
FULL = saturation_line(20.0)[0]
START = State(10.0, 20.0, 60.0, 420.0, 0.0)


def stand_in(*, on: bool = True, kind: str = "open") -> Any:
    """Give a piece of 3 m³: 2 g of mist and 8 g/m³ incoming a second, all even in time."""
    room = SimpleNamespace(mist=2.0, volume=3.0, c_in=8.0, g_crop=0.5, crop_vapour=0.1)
    return SimpleNamespace(
        room=room, on=on, kind=kind, n=0.01, start=SimpleNamespace(w=5.0),
        integrals=lambda t: (10 * t, 4 * t), fog_seconds=lambda t: 0.7 * t,
        water=lambda t: 5.0 + 0.2 * t,
    )  # fmt: skip


def test_an_account_of_one_piece_by_hand() -> None:
    """Ten seconds: 20 g mist, 3 × 0.01 × 8 × 10 g in, 3 × 0.01 × 100 out, 0.5 × 40 + 1 by crop."""
    flows = Flows()
    assert vars(flows) == dict.fromkeys(vars(flows), 0.0)
    flows.add(stand_in(), 10.0)
    want = Flows(mist_g=20.0, air_in_g=2.4, air_out_g=3.0, fog_out_g=0.21, crop_g=21.0,
                 settled_g=2.0, mist_on_s=10.0, seconds=10.0)  # fmt: skip
    assert vars(flows) == pytest.approx(vars(want))
    flows.add_scaled(want, 2.0)
    assert vars(flows) == pytest.approx({name: 3 * value for name, value in vars(want).items()})
    still = Flows()
    still.add(stand_in(on=False, kind="saturated"), 10.0)
    assert (still.mist_g, still.mist_on_s, still.crop_g) == (0.0, 0.0, pytest.approx(1.0))


@pytest.mark.parametrize(
    ("seconds", "on_s"),
    [
        (0.0, 0.0), (15.0, 15.0), (30.0, 30.0), (99.5, 30.0), (100.0, 30.0), (100.5, 30.5),
        (299.0, 90.0), (300.0, 90.0), (300.5, 90.0), (320.0, 90.0), (350.0, 90.0), (360.0, 100.0),
        (380.0, 110.0), (480.0, 130.0),
    ],
)  # fmt: skip
def test_accounts_of_any_length_by_hand(seconds: float, on_s: float) -> None:
    """Three cycles of 30 s on and 70 s off, then 50 s off and 20 s on for ever."""
    on, off = stand_in(), stand_in(on=False)
    blocks = [
        Block(0.0, [(on, 30.0), (off, 70.0)], START, 1.0, 3.0),
        Block(300.0, [(off, 50.0), (on, 20.0)], START, 0.0, math.inf),
    ]
    account = Run(None, blocks, settled=True).until(seconds)  # type: ignore[arg-type]
    assert account.mist_on_s == pytest.approx(on_s)
    assert account.seconds == pytest.approx(seconds)
    assert account.air_in_g == pytest.approx(0.24 * seconds)


def test_a_block_lasts_once_if_nothing_is_said() -> None:
    block = Block(40.0, [(stand_in(), 30.0), (stand_in(), 70.0)], START, 0.0)
    assert (block.length_s, block.end_s, block.repeats) == (100.0, 140.0, 1.0)
    assert Block(40.0, [(stand_in(), 30.0)], START, 0.0, 4.0).end_s == 160.0


# ------------------------------------------------------------------ a walk


def test_a_walk_keeps_the_smallest_drops_and_no_rounding() -> None:
    """5 mg of water and fog stay; what is left of a subtraction does not."""
    room = Constants.of(TENT.change(surface_m2=1.0, surface_holds_g_m2=50.0, room_rh_pct=100.0))
    walker = _Walker(room, State(FULL, 20.0, 100.0, 420.0, 0.005, 0.005))
    assert walker.walk(False, 0.1) == 0.0
    assert walker.state.w == pytest.approx(0.005, rel=1e-3)
    assert walker.state.f == pytest.approx(0.005, rel=1e-3)
    walker = _Walker(room, State(FULL, 20.0, 100.0, 420.0, 1e-13, 1e-13))
    walker.walk(False, 1e-5)
    assert (walker.state.w, walker.state.f) == (0.0, 0.0)


def test_a_walk_lets_run_off_what_surfaces_do_not_hold() -> None:
    """Half of 0.0832 g/s settles for 100 s on one square metre that holds 2 g."""
    room = Constants.of(
        TENT.change(surface_m2=1.0, surface_holds_g_m2=2.0, evaporating_fraction=0.5, height_m=1e9)
    )
    walker = _Walker(room, State(FULL, 20.0, 100.0, 420.0, 0.5))
    walker.walk(True, 100.0)
    assert walker.state.w == 2.0
    assert walker.gained == pytest.approx(0.5 * room.mist * 100, rel=1e-6)
    assert sum(length for _, length in walker.pieces) == pytest.approx(100.0)


def test_the_shortest_mist_there_is() -> None:
    """Five thousandths of a second are mist; a part of a millionth is none."""
    run = run_setting(Constants.of(TENT), Timed(0.005, 60.0), start=START, at_most_s=60.0)
    assert run.until(60.0).mist_on_s == pytest.approx(0.005)
    assert timed_cycle(Constants.of(TENT), START, Timed(4e-7, 60.0)).pieces[0][0].on is False
    assert timed_cycle(Constants.of(TENT), START, Timed(6e-7, 60.0)).pieces[0][0].on is True
    only = timed_cycle(Constants.of(TENT), START, Timed(60.0, 0.0))
    assert [piece.on for piece, _ in only.pieces] == [True]
    never = timed_cycle(Constants.of(TENT), START, Timed(0.0, 60.0))
    assert [piece.on for piece, _ in never.pieces] == [False]


def test_a_walk_stops_at_what_it_watches_for_and_tells_the_time_left() -> None:
    """Vapour rises from 10 to 12 g/m³ along one exponential."""
    room, n = Constants.of(TENT), 4 / 3600
    top = room.c_in + room.mist / 2 / n
    want = math.log((top - 10) / (top - 12)) / n
    walker = _Walker(room, START)
    left = walker.walk(True, 1000.0, lambda piece, t: piece.at(t).c - 12.0)
    assert 1000.0 - left == pytest.approx(want, rel=1e-9)
    assert walker.state.c == pytest.approx(12.0)
    assert walker.walk(False, 50.0, lambda piece, t: piece.at(t).c - 12.1) == 0.0


def test_a_run_goes_no_further_than_asked() -> None:
    room = Constants.of(TENT)
    assert len(run_setting(room, Timed(60.0, 540.0), start=START, at_most_s=600.0).blocks) == 1
    run = run_setting(room, Timed(60.0, 540.0), start=START, at_most_s=600.1)
    assert len(run.blocks) == 2
    assert not run.settled
    assert [block.start_s for block in run.blocks] == pytest.approx([0.0, 600.0])


def test_a_band_that_does_not_switch_is_followed_by_the_day() -> None:
    """Air of 60 % comes in; mist from 50 % on never begins, up to 99 % never stops."""
    room = Constants.of(TENT.change(mist_l_h=0.01, room_rh_pct=60.0))
    never = run_setting(room, Band(50.0, 55.0), start=START, at_most_s=1e6)
    assert {block.length_s for block in never.blocks} == {86_400.0}
    assert never.until(1e6).mist_on_s == 0.0
    assert never.settled
    always = run_setting(room, Band(90.0, 99.0), start=START, at_most_s=1e6)
    assert {block.length_s for block in always.blocks} == {86_400.0}
    assert always.until(1e6).mist_on_s == pytest.approx(1e6)
    assert always.settled


# ------------------------------------------------------------------ what repeats


def test_when_dry_or_hardly_changed_air_is_the_same() -> None:
    """Vapour within 10⁻¹⁰ of itself and a milligram; of a cycle that moves no air hardly at all."""
    dry = State(0.0, 20.0, 0.0, 0.0, 0.0)
    assert _same(dry, dry._replace(c=0.9e-13), 1.0)
    assert not _same(dry, dry._replace(c=1.1e-13), 1.0)
    assert _same(dry, dry._replace(q=0.9e-9), 1.0)
    assert not _same(dry, dry._replace(q=1.1e-9), 1.0)
    still = State(10.0, 20.0, 60.0, 420.0, 0.0)
    assert _same(still, still, 0.0)
    assert not _same(still, still._replace(c=10.0 + 5e-12), 0.0)
    for name, least in (("t", 1e-9), ("s", 1e-8), ("q", 1e-9)):
        zero = still._replace(**{name: 0.0})
        assert _same(zero, zero._replace(**{name: 0.995 * least}), 1.0), name
        assert not _same(zero, zero._replace(**{name: 1.005 * least}), 1.0), name
    # a thousandth of the air in a cycle: a thousandth of what is allowed otherwise
    assert _same(still._replace(t=0.0), still._replace(t=0.9e-12), 1e-3)
    assert not _same(still._replace(t=0.0), still._replace(t=1.1e-12), 1e-3)


def test_surfaces_that_lose_little_in_a_cycle_dry_all_the_same() -> None:
    """A sixteenth of a gram out of ten: 159 cycles until less is left, the last one in full."""

    def block(first: float, last: float) -> Any:
        piece = SimpleNamespace(start=SimpleNamespace(w=first), water=lambda _: last)
        return SimpleNamespace(pieces=[(piece, 60.0)], end=SimpleNamespace(w=last))

    wet: Any = SimpleNamespace(g_wet=0.003)
    assert _repeats(block(10.0, 9.9375), wet) == 158.0
    assert _repeats(block(10.0, 10.0 - 2e-8), wet) < math.inf
    assert _repeats(block(10.0, 10.0 - 0.5e-8), wet) == math.inf
    assert _repeats(block(0.0, 0.0), wet) == math.inf
