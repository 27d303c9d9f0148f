"""A settled chamber: its account of water, its walls, its thermometer, and when it is told."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from trialkit import air
from trialkit.chamber import Band, ChamberError, Room, Timed, recovery_minutes, simulate
from trialkit.chamber.airtemp import estimate_air_temp
from trialkit.chamber.constants import State
from trialkit.chamber.holding import _say_why_not
from trialkit.chamber.schedule import _repeats, _same, steady_cycle
from trialkit.chamber.steady_cycle import judge, judge_room

TENT = Room(volume_m3=2.0, air_changes_h=4.0, mist_l_h=0.3, cooling=False)


def codes(found) -> set[str]:
    return {finding.code for finding in found}


# ------------------------------------------------------------------ water


@pytest.mark.parametrize(
    ("seconds", "on_s"),
    [(30.0, 30.0), (60.0, 60.0), (600.0, 60.0), (630.0, 90.0), (1000.0, 120.0), (86400.0, 8640.0)],
)
def test_mist_of_any_time_is_that_of_the_timer(seconds: float, on_s: float) -> None:
    """60 s on and 540 s off of 0.3 L/h: 299.46 g in an hour on, whatever part of a cycle is cut."""
    account = simulate(TENT, {"on_s": 60, "off_s": 540}, seconds / 3600).balance
    assert account.mist_g == pytest.approx(299.46 * on_s / 3600, rel=1e-9)
    assert account.air_in_g == pytest.approx(8.645 * 8 * seconds / 3600, rel=1e-3)
    assert abs(account.gap_g) < 1e-8 * account.air_in_g


def test_what_the_air_does_not_take_up_runs_off() -> None:
    """A quarter of 0.3 L/h, a tenth of the day; no surface holds it."""
    room = TENT.change(evaporating_fraction=0.75)
    found = simulate(room, {"on_s": 60, "off_s": 540}).summary
    assert found["settled_l_day"] == pytest.approx(0.25 * 0.3 * 2.4, rel=1e-9)
    assert found["water_l_day"] == pytest.approx(0.72)


def test_hours_of_full_air_are_those_of_the_fog() -> None:
    """Constant mist far above what 8 m³/h carry off: full all day, fog at rest.

    Fog F = (G/V − n (cs − c_in))/(n + v/h), v of 5 µm 0.78 mm/s.
    """
    room = TENT.change(mist_l_h=2.0, height_m=2.0)
    found = simulate(room, {"on_s": 60, "off_s": 0})
    assert found.summary["hours_saturated_day"] == pytest.approx(24.0)
    assert found.summary["hours_wet_day"] == pytest.approx(24.0)
    assert found.summary["high_rh_pct"] == 100.0
    assert found.summary["ripple_rh_pct"] == pytest.approx(0.0, abs=1e-9)
    gives, n = 2.0 * 998.2 / 2 / 3600, 4 / 3600
    want = (gives - n * 8.645) / (n + 0.78e-3 / 2)
    state = found.cycle.end
    assert state.f == pytest.approx(want, rel=0.01)
    # what falls: v/h of it, out of 2 m³
    falls = want * 0.78e-3 / 2 * 2 * 86400 / 998.2
    assert found.summary["settled_l_day"] == pytest.approx(falls, rel=0.01)
    assert "saturates" in codes(found.findings)


@pytest.mark.parametrize("seconds", [45.0, 200.0, 3630.0, 7000.0, 90_000.0])
def test_what_the_air_has_gained_by_exponentials(seconds: float) -> None:
    """From 8.645 g/m³ on, up towards c_in + G/(V n) for 60 s, down towards c_in for 540 s."""
    n, low = 4 / 3600, TENT.outside_g_m3
    top, c, left = low + 0.3 * 998.2 / 8, TENT.outside_g_m3, seconds
    while left > 0:
        for goal, length in ((top, 60.0), (low, 540.0)):
            c = goal + (c - goal) * math.exp(-n * min(length, left))
            left -= min(length, left)
    account = simulate(TENT, {"on_s": 60, "off_s": 540}, seconds / 3600).balance
    assert account.stored_g == pytest.approx(2 * (c - low), rel=1e-7)
    assert account.air_out_g == pytest.approx(
        account.mist_g + account.air_in_g - account.stored_g, rel=1e-9
    )


def test_how_often_a_cycle_repeats_before_surfaces_run_dry() -> None:
    """10 g fall to 9 in a cycle: eight more leave the last one to be walked in full."""
    wet, plain = SimpleNamespace(g_wet=0.003), SimpleNamespace(g_wet=0.0)

    def block(first: float, lowest: float, last: float):
        piece = SimpleNamespace(start=SimpleNamespace(w=first), water=lambda _: lowest)
        return SimpleNamespace(pieces=[(piece, 60.0)], end=SimpleNamespace(w=last))

    assert _repeats(block(10.0, 9.0, 9.0), wet) == 8.0
    assert _repeats(block(10.0, 7.0, 9.5), wet) == 13.0
    assert _repeats(block(10.0, 4.0, 4.0), wet) == 1.0
    assert _repeats(block(10.0, 0.0, 9.0), wet) == 1.0
    assert _repeats(block(10.0, 9.0, 10.0), wet) == math.inf
    assert _repeats(block(10.0, 9.0, 11.0), wet) == math.inf
    assert _repeats(block(10.0, 9.0, 9.0), plain) == math.inf


def test_when_a_cycle_has_come_back() -> None:
    """One part in 10¹⁰ if the air was replaced; closer where a cycle moves little."""
    here = State(10.0, 20.0, 60.0, 500.0, 3.0, 2.0)
    assert _same(here, here._replace(w=0.0), 1.0)
    for name, right, wrong in (
        ("c", 1.1e-9, 1.3e-9), ("f", 1.1e-9, 1.3e-9), ("t", 0.9e-9, 1.1e-9),
        ("s", 0.9e-8, 1.1e-8), ("q", 4.9e-7, 5.1e-7),
    ):  # fmt: skip
        for sign in (1, -1):
            at = getattr(here, name)
            assert _same(here, here._replace(**{name: at + sign * right}), 5.0), name
            assert not _same(here, here._replace(**{name: at + sign * wrong}), 5.0), name
            assert not _same(here, here._replace(**{name: at + sign * right}), 0.1), name


def test_timers_that_never_switch_have_no_cycle() -> None:
    assert steady_cycle(Timed(20.0, 220.0)) == Timed(20.0, 220.0)
    assert steady_cycle(Timed(7.0, 0.0)) == Timed(600.0, 0.0)
    assert steady_cycle(Timed(0.0, 7.0)) == Timed(0.0, 600.0)


def test_why_a_band_is_not_held() -> None:
    """The best lowest point of those too dry; the least swing of those that reach it."""
    table = pd.DataFrame({"low_rh_pct": [70.0, 80.0, 84.9], "high_rh_pct": [90.0, 91.0, 99.0]})
    dry = _say_why_not(TENT, table, 85.0, 95.0)
    assert (dry.key, dry.values["top"]) == ("chamber.hold.too_dry", 84.9)
    table.loc[2, "low_rh_pct"] = 85.0
    wide = _say_why_not(TENT, table, 85.0, 95.0)
    assert (wide.key, wide.values["ripple"]) == ("chamber.hold.too_wide", 11.0)


def test_doors_that_cannot_be() -> None:
    for wrong in (
        {"exchanged": 0.0}, {"exchanged": 1.01}, {"share": 0.0}, {"share": 1.0},
        {"exchanged": -0.5},
    ):  # fmt: skip
        with pytest.raises(ChamberError, match="exchanged must lie"):
            recovery_minutes(TENT, {"on_s": 60, "off_s": 540}, **wrong)


# ------------------------------------------------------------------ when it is told


def test_bands_that_never_switch_by_their_pieces() -> None:
    def block(*on: bool, kind: str = "open"):
        return SimpleNamespace(pieces=[(SimpleNamespace(on=o, kind=kind), 1.0) for o in on])

    band, timer = Band(85.0, 93.0), Timed(20.0, 220.0)
    assert codes(judge(band, block(True, True), True)) == {"never_stops"}
    assert codes(judge(band, block(False, False), True)) == {"never_starts"}
    assert codes(judge(band, block(True, False), True)) == set()
    assert codes(judge(timer, block(True, True), True)) == set()
    assert codes(judge(timer, block(True, False), False)) == {"not_settled"}
    assert codes(judge(timer, block(True, kind="saturated"), True)) == {"saturates"}


def test_coarse_drops_are_told_above_fifteen_micrometres() -> None:
    air_held = {"mean_temp_c": 20.0, "mean_rh_pct": 80.0}
    assert judge_room(TENT.change(drop_um=15.0), air_held) == ()
    [told] = judge_room(TENT.change(drop_um=15.1), air_held)
    assert (told.code, told.values["points"]) == ("coarse_drops", 7.0)


@pytest.mark.parametrize(
    ("per_m2", "share"), [(1 / 0.26, 0.5), (1.0, 0.13), (3.0, 0.39), (20.0, 1.0)]
)
def test_walls_that_take_water_from_the_air(per_m2: float, share: float) -> None:
    """Air of 22 °C and 95 % in a room of 16 °C, 24 m² of wall around 8 m³.

    0.13 m² K/W lie between air and wall (ISO 6946), so the wall stands that part of 6 °C below
    the air; a wall that leads heat without end stands at the room's temperature.
    """
    room = TENT.change(volume_m3=8.0, room_temp_c=16.0, wall_w_k=24 * per_m2, transfer_m_h=10.8)
    found = judge_room(room, {"mean_temp_c": 22.0, "mean_rh_pct": 95.0})
    wall = 22 - 6 * share
    held, there, full = (float(air.absolute_humidity_g_m3(t, rh))
                         for t, rh in ((22, 95), (wall, 100), (22, 100)))  # fmt: skip
    # at rest 32 m³/h of air bring what 10.8 m/h over 24 m² take: both in parallel
    points = 100 * (held - there) / full * 10.8 * 24 / (32 + 10.8 * 24)
    if points < 1:
        assert found == ()
        assert share < 0.2
        return
    [told] = found
    assert told.code == "walls_condense"
    assert told.values["wall"] == pytest.approx(wall)
    assert told.values["points"] == pytest.approx(points, rel=1e-6)


def test_walls_are_told_from_one_point_on() -> None:
    """A wall at room temperature; the air's humidity is set for 1.01 and 0.99 points."""
    room = TENT.change(volume_m3=8.0, room_temp_c=20.0, wall_w_k=480.0, transfer_m_h=10.8)
    full, wall = (float(air.absolute_humidity_g_m3(t, 100)) for t in (22.0, 20.0))
    part = 10.8 * 24 / (32 + 10.8 * 24)
    for points, told in ((1.01, True), (0.99, False)):
        rh = points / part + 100 * wall / full
        found = judge_room(room, {"mean_temp_c": 22.0, "mean_rh_pct": rh})
        assert bool(found) is told


# ------------------------------------------------------------------ a slow thermometer


def cooled(times: np.ndarray, depth: float, lag: float) -> np.ndarray:
    """Work out what a thermometer reads: mist of 300 s each 1200 s cools, 400 s to warm again."""
    fine = np.arange(0.0, times[-1] + 1.0)
    q, seen = np.zeros(len(fine)), np.zeros(len(fine))
    for i in range(1, len(fine)):
        on = (fine[i - 1] - 300) % 1200 < 300 and fine[i - 1] >= 300
        q[i] = q[i - 1] + on - q[i - 1] / 400
        seen[i] = seen[i - 1] + (-depth * q[i - 1] / 210 - seen[i - 1]) / lag
    return 18.0 + np.interp(times, fine, seen)


@pytest.mark.parametrize(
    ("count", "step", "depth", "told"),
    [
        (300, 20.0, 1.0, True), (29, 70.0, 1.0, False), (91, 20.0, 1.0, True),
        (90, 20.0, 1.0, False), (300, 20.0, 0.1, False), (300, 20.0, 0.25, True),
    ],
)  # fmt: skip
def test_when_a_log_tells_the_lag_of_its_thermometer(
    count: int, step: float, depth: float, told: bool
) -> None:
    """Thirty readings, half an hour and 0.15 °C at least: below, the readings stand as they are."""
    times = np.arange(count) * step
    begin = np.arange(300.0, times[-1], 1200.0)
    temps = cooled(times, depth, 60.0)
    found = estimate_air_temp(times, temps, begin, begin + 300.0)
    assert math.isfinite(found.lag_s) is told
    if not told:
        assert found.temp_c is temps
        assert found.node_s is times
    elif count == 300:
        assert found.lag_s == pytest.approx(60.0, abs=8.0)


def test_a_course_that_mist_does_not_explain_is_left_as_read() -> None:
    """Noise of half a degree, no mist in it."""
    times = np.arange(300) * 20.0
    begin = np.arange(300.0, times[-1], 1200.0)
    temps = 18 + np.random.default_rng(1).normal(0, 0.5, 300)
    found = estimate_air_temp(times, temps, begin, begin + 300.0)
    assert math.isnan(found.lag_s)
    assert found.temp_c is temps


@pytest.mark.parametrize("changes", [0.1, 0.5, 4.0])
def test_a_band_in_a_tight_room_switches_after_hours(changes: float) -> None:
    """Two exponentials between 86 and 93 %; at 0.1 changes an hour it dries for 2.4 hours."""
    room = TENT.change(air_changes_h=changes, room_rh_pct=60.0, sensor_lag_s=0.0)
    found = simulate(room, {"start_below_rh": 86, "stop_above_rh": 93})
    top = 60 + 100 * 0.3 * 998.2 / 2 / changes / float(air.absolute_humidity_g_m3(20.0, 100.0))
    on, off = math.log((top - 86) / (top - 93)) / changes, math.log(33 / 26) / changes
    assert (off > 1) is (changes == 0.1)
    assert found.summary["cycles_day"] == pytest.approx(24 / (on + off), rel=1e-4)
    assert found.summary["duty_pct"] == pytest.approx(100 * on / (on + off), rel=1e-4)
    # what the mist brings leaves with the air: G · duty = V n (mean − c_in)
    mean = 60 + (top - 60) * on / (on + off)
    assert found.mean_rh_pct == pytest.approx(mean, abs=1e-3)
    assert "not_settled" not in codes(found.findings)


def test_a_room_between_the_limits_never_starts_its_mist() -> None:
    """Air of 90 % comes in: it never falls below 86 %, however many days pass."""
    found = simulate(TENT.change(room_rh_pct=90.0), {"start_below_rh": 86, "stop_above_rh": 93})
    assert "never_starts" in codes(found.findings)
    assert found.summary["water_l_day"] == 0.0
    assert found.mean_rh_pct == pytest.approx(90.0)
