"""Tables of runs: each moment in the cycle it belongs to, however odd the steps."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from trialkit.chamber import Room, simulate
from trialkit.chamber.constants import Constants, State
from trialkit.chamber.room import Timed
from trialkit.chamber.schedule import run_setting
from trialkit.chamber.steady_cycle import start_state
from trialkit.chamber.tracing import (
    ROWS,
    _add_water,
    derive_rows,
    sample_cycle,
    sample_run,
    weigh_cycle,
)

TENT = Room(volume_m3=2.0, air_changes_h=4.0, mist_l_h=0.3, cooling=False, sensor_lag_s=0.0)


@pytest.mark.parametrize(
    ("on", "off", "step", "hours"),
    [
        (50.0, 50.005, 1.0, 1.0), (50.0, 50.005, 1.0, 30.0), (50.0, 49.995, 1.0, 30.0),
        (20.0, 40.0, 60.0, 5.0), (20.0, 40.0, 7.0, 2.0), (20.0, 40.0, 120.0, 5.0),
        (30.0, 0.5, 10.0, 3.0),
    ],
)  # fmt: skip
def test_mist_at_every_moment_is_that_of_the_timer(
    on: float, off: float, step: float, hours: float
) -> None:
    """On while the rest of the cycle is below `on`; in long runs to a hundredth of a second."""
    made = simulate(TENT, {"on_s": on, "off_s": off}, hours, step_s=step)
    got = made.sample(columns=("mist_on",))["mist_on"]
    rest = np.mod(np.arange(got.size) * step, on + off)
    far = 1e-6 if hours < 2 else 0.0051
    clear = np.minimum.reduce([rest, np.abs(rest - on), on + off - rest]) > far
    if step % 60 == 0:  # one moment in each cycle, or in each second one
        clear[:] = True
    assert clear.mean() > 0.5
    assert got[clear].tolist() == (rest < on).astype(float)[clear].tolist()


@pytest.mark.parametrize(("hours", "rows"), [(0.7166527, 258), (0.7166667, 259), (0.71667, 259)])
def test_a_trace_ends_with_the_last_whole_step(hours: float, rows: int) -> None:
    """2579.95 s hold 257 steps of 10 s and the first moment; 2580 s one more."""
    assert len(simulate(TENT, {"on_s": 60, "off_s": 540}, hours).trace) == rows


@pytest.mark.parametrize("setting", [(60.0, 540.0), (61.0, 540.7), (600.0, 0.0)])
def test_parts_of_a_long_table_are_those_of_a_short_one(setting: tuple) -> None:
    """The same run read each 10 s for an hour and for three days: the first hour is the same."""
    run = run_setting(
        Constants.of(TENT), Timed(*setting), start=start_state(TENT), at_most_s=400_000.0
    )
    names = ("vapour_g_m3", "co2_ppm", "rh_pct")
    short = sample_run(run, step_s=10.0, count=361, names=names)
    long = sample_run(run, step_s=10.0, count=25_921, names=names)
    for one, two in zip(short, long, strict=True):
        assert one == pytest.approx(two[:361], abs=1e-3)
        assert np.isfinite(two).all()


def test_columns_come_in_the_order_asked_for() -> None:
    made = simulate(TENT, {"on_s": 60, "off_s": 540}, 1.0)
    all_of = made.sample(columns=ROWS)
    for name in ROWS:
        assert made.sample(columns=(name,))[name].tolist() == all_of[name].tolist()
    mixed = made.sample(columns=("rh_pct", "vapour_g_m3"), step_s=60.0)
    assert mixed["rh_pct"].tolist() == all_of["rh_pct"][::6].tolist()
    assert list(mixed) == ["rh_pct", "vapour_g_m3"]


def test_humidity_and_deficit_by_tables() -> None:
    """17.29 g/m³ at 20 °C are full, of 2.339 kPa; half of it lacks half of that (ASHRAE)."""
    rows = np.zeros((7, 2))
    rows[0], rows[1] = [17.29, 8.645], 20.0
    made = derive_rows(rows)
    assert made[7] == pytest.approx([100.0, 50.0], abs=0.05)
    assert made[8] == pytest.approx([0.0, 2.339 / 2], abs=2e-3)


@pytest.mark.parametrize("points", [5, 33])
def test_weights_of_a_cycle_are_those_of_simpson(points: int) -> None:
    """1, 4, 2, 4 … 1 over each stretch, in the measure of its length."""
    run = run_setting(
        Constants.of(TENT), Timed(60.0, 540.0), start=start_state(TENT), at_most_s=600.0
    )
    rows, weights = weigh_cycle(run.blocks[0], points)
    assert rows.shape[1] == weights.size == 2 * points
    inner = np.where(np.arange(points) % 2 == 1, 4.0, 2.0)
    inner[[0, -1]] = 1.0
    want = np.concatenate([inner * 0.1, inner * 0.9]) / inner.sum()
    assert weights == pytest.approx(want)
    assert rows[6].tolist() == [1.0] * points + [0.0] * points
    assert rows[0, 0] == pytest.approx(start_state(TENT).c)
    if points == 33:
        assert weigh_cycle(run.blocks[0])[1] == pytest.approx(want)


def test_water_of_a_table_is_no_more_than_is_held() -> None:
    """Half of 0.3 L/h settles on 1 m² that holds 3 g: full within the first mist."""
    room = TENT.change(surface_m2=1.0, surface_holds_g_m2=3.0, evaporating_fraction=0.5,
                       room_rh_pct=99.0)  # fmt: skip
    water = simulate(room, {"on_s": 120, "off_s": 480}, 2.0).trace["surface_g"].to_numpy()
    assert water.max() == 3.0
    assert water.min() >= 0.0
    assert water[1] == pytest.approx(0.15 * 998.2 / 360, rel=0.2)


def test_a_run_that_is_cut_before_it_settles_is_read_to_its_end() -> None:
    start = State(9.0, 20.0, 50.0, 420.0, 0.0)
    run = run_setting(Constants.of(TENT), Timed(30.0, 45.5), start=start, at_most_s=226.0)
    (vapour,) = sample_run(run, step_s=1.0, count=226, names=("vapour_g_m3",))
    n, top = 4 / 3600, TENT.outside_g_m3 + 0.3 * 998.2 / 8
    c, want = 9.0, [9.0]
    for second in range(225):
        left = 1.0
        while left > 1e-12:  # up to the next switch, towards what is there now
            phase = math.fmod(second + 1 - left + 1e-9, 75.5)
            goal, until = (top, 30.0) if phase < 30 else (TENT.outside_g_m3, 75.5)
            part = min(left, until - phase + 1e-9)
            c, left = goal + (c - goal) * math.exp(-n * part), left - part
        want.append(c)
    assert vapour == pytest.approx(want, abs=1e-6)


def test_the_end_of_a_cycle_belongs_to_its_last_stretch() -> None:
    """A moment that rounds to the end, or a little beyond it, is read there."""
    run = run_setting(
        Constants.of(TENT), Timed(60.0, 540.0), start=start_state(TENT), at_most_s=600.0
    )
    block = run.blocks[0]
    rows = sample_cycle(block, np.array([0.0, 59.999, 60.0, 600.0, 600.0 + 1e-9]))
    assert rows[0, 0] == block.pieces[0][0].start.c
    assert rows[0, 3:] == pytest.approx([block.end.c] * 2)
    assert rows[6].tolist() == [1.0, 1.0, 0.0, 0.0, 0.0]


def test_water_of_a_cycle_that_comes_twice() -> None:
    """Two grams more in the second of two cycles of 100 s, read each 10 s."""
    block: Any = SimpleNamespace(repeats=2.0, gained_g=2.0, start_s=0.0, length_s=100.0)
    part = np.zeros(20)
    _add_water(part, block, 0, 10.0, 50.0)
    assert part.tolist() == [0.0] * 10 + [2.0] * 10
