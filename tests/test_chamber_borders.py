"""A chamber at its exact borders: rates a millionth apart, the end of a day, surfaces run dry."""

from __future__ import annotations

import importlib
import math
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from trialkit.chamber import (
    Band,
    ChamberError,
    Room,
    Timed,
    airtemp,
    foresee_treatments,
    schedule,
    simulate,
    size_up,
    steady_cycle,
)
from trialkit.chamber.airtemp import _directions, estimate_air_temp
from trialkit.chamber.balance import Piece
from trialkit.chamber.constants import Constants, State, saturation_line
from trialkit.chamber.course import Course
from trialkit.chamber.ducts import Duct
from trialkit.chamber.exponentials import keep_apart, lagged, lagged_array, phi_of
from trialkit.chamber.foresee import _measure, _pairs
from trialkit.chamber.rates import Layout, _search
from trialkit.chamber.recovery import _PER_CYCLE, _running_mean
from trialkit.chamber.roomfit import _roughness
from trialkit.chamber.schedule import run_setting
from trialkit.chamber.sizing import _need
from trialkit.chamber.tracing import sample_run

foreseeing = importlib.import_module("trialkit.chamber.foresee")

TENT = Room(volume_m3=2.0, air_changes_h=4.0, mist_l_h=0.3, cooling=False, sensor_lag_s=0.0)


def test_rates_exactly_a_millionth_apart_stay_as_they_are() -> None:
    """One beside a million: both numbers and their difference are whole."""
    assert keep_apart(1e6 + 1, 1e6) == 1e6 + 1
    assert keep_apart(1e6 - 1, 1e6) == 1e6 - 1
    assert keep_apart(1e6 + 0.5, 1e6) == pytest.approx(1e6 - 1, abs=1e-6)
    assert keep_apart(3.0, 0.0) == 3.0


def test_a_lagged_push_of_hardly_any_rate() -> None:
    """From rest, y' = (t − y)/lag: t − lag (1 − e^(−t/lag)), the limit of small rates."""
    want = 3.0 - 7.0 * (1 - math.exp(-3 / 7))
    for rate in (0.0, 1e-14, -1e-14, 1e-8, -1e-8):
        assert lagged(rate, 7.0, 3.0) == pytest.approx(want, rel=1e-7)
        assert lagged_array(rate, 7.0, np.array([3.0]))[0] == pytest.approx(want, rel=1e-7)
    assert phi_of(1e-12, 3.0) == pytest.approx(3.0, rel=1e-11)


def test_fog_of_full_air_begins_at_nothing() -> None:
    """F = (G/V − n (cs − c_in))/(n + v) (1 − e^(−(n + v) t)), from the first moment on."""
    room = Constants.of(TENT.change(mist_l_h=2.0, height_m=2.0))
    full = saturation_line(20.0)[0]
    piece = Piece(room, State(full, 20.0, 100.0, 420.0, 0.0), on=True)
    assert piece.kind == "saturated"
    times, n = np.array([0.0, 0.02, 1.0, 600.0]), 4 / 3600
    gone = n + room.falls
    rest = (2.0 * 998.2 / 3600 / 2 - n * (full - room.c_in)) / gone
    want = rest * -np.expm1(-gone * times)
    assert piece.sample(times)[5] == pytest.approx(want, rel=1e-7, abs=1e-15)
    assert [piece.fog(t) for t in times] == pytest.approx(want.tolist(), rel=1e-7, abs=1e-15)


def test_full_air_cools_along_the_line_of_saturation() -> None:
    """Heat goes into air and evaporation: (C + L V cs') T' = H (T_in − T) + Q − L n V (cs − c_in).

    At 35 °C the line rises by 2.1 g/m³ a degree; by scipy's solver over 20 s, cs(T) in full.
    """
    room = Room(volume_m3=2.0, air_changes_h=8.0, mist_l_h=3.0, room_temp_c=35.0, heat_kj_k=5.0)
    k = Constants.of(room)
    piece = Piece(k, State(saturation_line(34.0)[0], 34.0, 100.0, 420.0, 0.0, 5.0), on=True)

    def slope(_: float, x: np.ndarray) -> list[float]:
        full, rise = (float(v) for v in saturation_line(x[0]))
        heat = (k.walls + k.air_heat * k.n_on) * (35.0 - x[0]) + k.heat_on
        heat -= k.latent * 2.0 * k.n_on * (full - k.c_in)
        return [heat / (k.heat + k.latent * 2.0 * rise)]

    made = solve_ivp(slope, (0, 20), [34.0], rtol=1e-9, atol=1e-9)
    moved = float(made.y[0, -1]) - 34.0
    assert 0.01 < abs(moved) < 1.0
    assert piece.at(20.0).t - 34.0 == pytest.approx(moved, rel=0.01)


@pytest.mark.parametrize("spare", [0.5, 3.0])
def test_mist_that_stops_shortly_before_a_stretch_ends(
    monkeypatch: pytest.MonkeyPatch, spare: float
) -> None:
    """Mist lifts the air from 60 to 80 % along one exponential; a stretch ends `spare` later."""
    room = Constants.of(TENT)
    full, n = saturation_line(20.0)[0], 4 / 3600
    top, first = room.c_in + room.mist / 2 / n, 0.6 * full
    rises = math.log((top - first) / (top - 0.8 * full)) / n
    monkeypatch.setattr(schedule, "_CHUNK_S", rises + spare)
    run = run_setting(
        room, Band(70.0, 80.0), start=State(first, 20.0, 60.0, 420.0, 0.0), at_most_s=rises + 0.1
    )
    lengths = [(piece.on, length) for piece, length in run.blocks[0].pieces]
    assert [on for on, _ in lengths] == [True, False]
    assert [length for _, length in lengths] == pytest.approx([rises, spare], abs=1e-5)


def test_surfaces_that_dry_over_many_cycles() -> None:
    """Wet surfaces in still conditions lose g (cs − c) each second until nothing is left.

    With c at rest between the incoming air and the full air at the surfaces, n (c_in − c) +
    g/V (cs − c) = 0; the air starts there, so that the water falls along a straight line.
    """
    room = Constants.of(TENT.change(surface_m2=0.6, surface_holds_g_m2=1e4))
    full, n, pull = saturation_line(20.0)[0], 4 / 3600, room.g_wet / 2
    at_rest = (n * room.c_in + pull * full) / (n + pull)
    loses = room.g_wet * (full - at_rest)
    start = State(at_rest, 20.0, 100 * at_rest / full, 420.0, 3000.0)
    run = run_setting(room, Timed(0.0, 600.0), start=start, at_most_s=2 * 3000 / loses)
    assert max(block.repeats for block in run.blocks[:-1]) > 50
    assert run.settled
    times = np.arange(0.0, 1.5 * 3000 / loses, 60.0)
    water, vapour = sample_run(
        run, step_s=60.0, count=times.size, names=("surface_g", "vapour_g_m3")
    )
    assert water == pytest.approx(np.maximum(3000 - loses * times, 0.0), rel=1e-6, abs=1e-3)
    after = times - 3000 / loses
    left = room.c_in + (at_rest - room.c_in) * np.exp(-n * np.maximum(after, 0.0))
    assert vapour == pytest.approx(left, rel=1e-6)
    # what is lost leaves with the air; the account over any time says so
    for seconds in (100.0, 1000.0, 12_345.6, 0.9 * 3000 / loses, 1.2 * 3000 / loses):
        account = run.until(seconds)
        assert account.settled_g == pytest.approx(-min(loses * seconds, 3000.0), rel=1e-6)
    dries = brentq(lambda t: 3000 + run.until(t).settled_g - 1e-3, 1.0, 1.1 * 3000 / loses)
    assert dries == pytest.approx(3000 / loses, rel=1e-5)


def read_by_exponentials(mist: float) -> Course:
    """Read by a quick sensor: n = 3/h, incoming 8 g/m³, mist from 1000 s to 2000 s."""
    times, n = np.arange(0.0, 4001.0, 20.0), 3 / 3600
    top = 8.0 + mist / 3600 / n
    at_end = top + (8.0 - top) * math.exp(-n * 1000)
    vapour = np.where(
        times < 1000, 8.0,
        np.where(times < 2000, top + (8.0 - top) * np.exp(-n * (times - 1000)),
                 8.0 + (at_end - 8.0) * np.exp(-n * (times - 2000))),
    )  # fmt: skip
    flat = np.full(times.size, 17.3)
    return Course(
        time_s=times, rh_pct=100 * vapour / 17.3, full_g_m3=flat,
        switch_s=np.array([0.0, 1000.0, 2000.0]), on=np.array([0.0, 1.0, 0.0]),
        switch_full=np.full(3, 17.3), knots_s=np.zeros(1), node_s=times, node_full=flat,
        temp_lag_s=0.0, start=pd.Timestamp("2031-03-01", tz="UTC"),
    )  # fmt: skip


@pytest.mark.parametrize("mist", [0.4, 0.9, 40.0])
def test_mist_of_less_than_a_gram_is_found(mist: float) -> None:
    layout = Layout(fog=False, outside=8.0, knots=1)
    best = _search(read_by_exponentials(mist), 99.0, layout)[0]
    assert math.exp(best[1]) == pytest.approx(mist, rel=0.05)
    assert math.exp(best[0]) == pytest.approx(3.0, rel=0.05)


def test_a_reading_at_the_limit_of_full_air_tells_nothing() -> None:
    """What is read at the limit itself may be full air: fifteen such readings change nothing."""
    course = read_by_exponentials(9.0)
    layout = Layout(fog=False, outside=8.0, knots=1)
    course.rh_pct[60:75] = 99.0
    best = _search(course, 99.0, layout)[0]
    assert math.exp(best[1]) == pytest.approx(9.0, rel=0.05)
    assert math.exp(best[0]) == pytest.approx(3.0, rel=0.05)


def test_directions_of_two_columns_that_nearly_agree() -> None:
    """Correlated by 0.999: the covariance is still that of (X'X)⁻¹ s² (1 + ρ)/(1 − ρ)."""
    rng = np.random.default_rng(9)
    seen = rng.normal(size=(400, 2))
    seen[:, 1] = seen[:, 0] + 0.045 * seen[:, 1]
    air, residual = rng.normal(size=(5, 2)), rng.normal(size=400)
    apart = _directions(seen, air, residual)
    r = max(float(np.corrcoef(residual[:-1], residual[1:])[0, 1]), 0.0)
    spread = (residual @ residual) / 398 * (1 + r) / (1 - r)
    assert apart @ apart.T == pytest.approx(air @ np.linalg.inv(seen.T @ seen) @ air.T * spread)


def test_what_the_warming_moves_is_read_through_the_lag(monkeypatch: pytest.MonkeyPatch) -> None:
    """The change of the air by a second of warming, followed by the lag, is that of the readings.

    The air is cooled by mist and warms in 500 s; the thermometer lags 60 s behind.
    """
    times = np.arange(0.0, 3700.0, 5.0)
    begin, cooled, seen = np.arange(600.0, 3700.0, 1800.0), [0.0], [0.0]
    on = ((times % 1800 >= 600) & (times % 1800 < 1050)).astype(float)
    for k in range(1, times.size):
        rest = math.exp(-5 / 500)
        cooled.append(cooled[-1] * rest + on[k - 1] * 500 * (1 - rest))
        seen.append(seen[-1] + (cooled[-2] - seen[-1]) * (1 - math.exp(-5 / 60)))
    given = []
    monkeypatch.setattr(airtemp, "WARMINGS_S", (450.0,))
    monkeypatch.setattr(airtemp, "LAGS_S", (50.0,))
    monkeypatch.setattr(airtemp, "_directions", lambda *parts: given.append(parts))
    found = estimate_air_temp(times, 18.0 - np.array(seen) / 200, begin, begin + 450.0)
    read, air, _ = given[0]
    turned, moved, want = read[:, -2], air[:, -2], [0.0]
    assert np.ptp(moved) > 1e-4
    for k in range(1, times.size):
        keeps = math.exp(-5 / found.lag_s)
        want.append(want[-1] * keeps + (moved[k] + moved[k - 1]) / 2 * (1 - keeps))
    assert turned == pytest.approx(np.array(want), abs=0.03 * np.ptp(turned))


def test_mist_that_all_settles_sizes_nothing() -> None:
    """No fogger, however large, lifts the humidity with what never evaporates.

    Surfaces give it off again: at rest the mist asked for is what the air carries off,
    8 m³/h of 0.9 · 17.29 g/m³ less the incoming air's vapour, whatever part of it settles.
    """
    dry = TENT.change(evaporating_fraction=0.0)
    with pytest.raises(ChamberError, match="mist that all settles"):
        size_up(dry, low_rh=85, high_rh=95, chambers=[1])
    carried = 8 * (0.9 * 17.29 - TENT.outside_g_m3)
    for part in (0.0, 0.3, 1.0):
        wet = TENT.change(evaporating_fraction=part, surface_m2=1.0, surface_holds_g_m2=1e3)
        grams = _need(wet, 90.0, math.inf).mist_g_h
        assert grams == pytest.approx(carried, rel=2e-3)
        size_up(wet, low_rh=85, high_rh=95, chambers=[1])
        if part:
            bare = _need(TENT.change(evaporating_fraction=part), 90.0, math.inf).mist_g_h
            assert bare == pytest.approx(carried / part, rel=2e-3)


@pytest.mark.parametrize(("hours", "within"), [(3.0, 1e-9), (10.0, 2.2e-4)])
def test_a_trace_of_odd_cycles_is_that_of_exponentials(hours: float, within: float) -> None:
    """7 s on, 112.3 s off, read each second: vapour by its exponentials from moment to moment.

    Long traces are read at the nearest hundredth of a second: half of one at 0.042 g/m³ a second.
    """
    n, low = 4 / 3600, TENT.outside_g_m3
    top = low + 0.3 * 998.2 / 8
    at = np.arange(0, round(hours * 3600) + 1)
    rounds, phase = np.divmod(at.astype(float), 119.3)
    wets, dries = 1 - math.exp(-n * 7), math.exp(-n * 112.3)
    starts = [0.0]  # above what comes in, at the start of each cycle
    for _ in range(int(rounds[-1])):
        starts.append((starts[-1] * (1 - wets) + (top - low) * wets) * dries)
    first = np.array(starts)[rounds.astype(int)]
    on = np.minimum(phase, 7.0)
    rise = first * np.exp(-n * on) - (top - low) * np.expm1(-n * on)
    want = low + rise * np.exp(-n * np.maximum(phase - 7.0, 0.0))
    made = simulate(TENT, {"on_s": 7, "off_s": 112.3}, hours, step_s=1.0)
    assert made.sample(columns=("vapour_g_m3",))["vapour_g_m3"] == pytest.approx(want, abs=within)


@pytest.mark.parametrize(
    "room",
    [
        TENT, TENT.change(cooling=True), TENT.change(cooling=True, mist_l_h=1.5),
        TENT.change(cooling=True, room_temp_c=28.0, room_rh_pct=30.0, crop_m2=2.0, lamp_w=80.0),
    ],
)  # fmt: skip
def test_the_cycle_of_a_timer_is_found_by_few_of_newtons_steps(
    room: Room, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Their error is squared each time: from a unit to 1e-12 in some six, of three cycles each."""
    walked = []
    cycle = steady_cycle.timed_cycle
    monkeypatch.setattr(
        steady_cycle, "timed_cycle", lambda *given: walked.append(1) or cycle(*given)
    )
    block, followed = steady_cycle.settle(
        Constants.of(room), Timed(60.0, 540.0), steady_cycle.start_state(room)
    )
    assert followed is None
    assert len(walked) <= 3 * 7
    start = block.pieces[0][0].start
    assert block.end.c + block.end.f == pytest.approx(start.c + start.f, rel=1e-10)
    assert block.end.t == pytest.approx(start.t, abs=1e-9)


def test_every_stretch_of_a_cycle_within_a_day_is_averaged() -> None:
    """The first begins at 0, the last one a cycle before the end; mist that never comes is even."""
    k = Constants.of(TENT)
    start = steady_cycle.start_state(TENT)
    run = run_setting(k, Timed(0.0, 600.0), start=start, at_most_s=86_400.0)
    means = _running_mean(run, 600.0)
    assert len(means) == round((86_400 - 600) / (600 / _PER_CYCLE)) + 1
    assert means == pytest.approx(np.full(len(means), TENT.room_rh_pct), abs=1e-9)


def test_where_the_distance_from_full_air_turns_by_looking_everywhere() -> None:
    """Its slope is nought at the moment given, and keeps its sign where none is given.

    Twelve rooms and starts; by differences on a grid of 4000 moments over three hours.
    """
    turned, times = 0, np.linspace(0.0, 10_800.0, 4001)
    for mist, crop in ((0.05, 0.0), (0.3, 2.0), (1.0, 6.0)):
        k = Constants.of(TENT.change(cooling=True, mist_l_h=mist, crop_m2=crop))
        for temp, share in ((20.0, 0.5), (16.0, 0.9), (24.0, 0.3), (26.0, 0.8)):
            start = State(share * saturation_line(temp)[0], temp, 60.0, 420.0, 0.0)
            piece = Piece(k, start, on=True)
            slopes = np.diff([piece.deficit(t) for t in times])
            signs = np.sign(slopes[np.abs(slopes) > 1e-12])
            changes = np.flatnonzero(np.diff(signs))
            at = piece.turning()
            if at is None or at > times[-1]:
                assert not len(changes)
                continue
            turned += 1
            assert len(changes) == 1
            assert times[changes[0]] <= at <= times[changes[0] + 2]
    assert turned >= 3


def test_a_room_at_rest_has_nothing_that_turns() -> None:
    """Air of the room's own temperature and vapour, no mist: nothing moves."""
    k = Constants.of(TENT.change(cooling=True))
    piece = Piece(k, State(k.c_in, k.t_in, 50.0, 420.0, 0.0), on=False)
    assert piece.turning() is None
    assert piece.next_event(600.0) == 600.0
    assert piece.at(600.0).t == k.t_in


def test_surfaces_that_hold_nothing_stay_dry() -> None:
    made = simulate(TENT, {"on_s": 60, "off_s": 540}, 2.0)
    assert made.cycle.end.w == 0.0
    assert made.run.blocks[-1].end.w == 0.0
    assert made.summary["hours_wet_day"] == 0.0


def test_logs_too_short_or_too_long_tell_no_lag() -> None:
    """Of half an hour to two days, thirty readings, a swing of 0.15 °C; else as they are read."""
    rng = np.random.default_rng(2)
    for hours, step in ((0.49, 10.0), (48.1, 600.0), (14.0, 1800.0)):
        times = np.arange(0.0, hours * 3600 + 1, step)
        temps = 18 + rng.normal(0, 1, times.size)
        plain = estimate_air_temp(times, temps, np.array([600.0]), np.array([700.0]))
        assert plain.temp_c is temps, hours
        assert math.isnan(plain.lag_s)
    calm = 18 + 0.149 * (np.arange(200) % 2)
    given = np.array([600.0]), np.array([700.0])
    assert estimate_air_temp(np.arange(200) * 30.0, calm, *given).temp_c is calm


def test_what_is_sized_where_nothing_is_told() -> None:
    """One to 24 chambers, mist for half the time at most, a refill a day, as its page says."""
    told = size_up(
        TENT, low_rh=85, high_rh=95, chambers=[1, 2, 4, 8, 12, 24], blocks=1, block_co2_g_h=0.0,
        block_m2=0.0, co2_limit_ppm=1000.0, most_cooling_c=2.0, most_duty=0.5, refill_days=1.0,
        shortest_on_s=5.0,
    )  # fmt: skip
    assert str(size_up(TENT, low_rh=85, high_rh=95)) == str(told)


def test_what_can_be_simulated_at_its_ends() -> None:
    """Up to a year of 366 days and steps of up to a day; more than nothing of both."""
    for hours, step_s in ((8784.0, 86_400.0), (1e-3, 1e-3)):
        assert simulate(TENT, {"on_s": 60, "off_s": 540}, hours, step_s=step_s).hours == hours
    for hours, step_s in ((8784.1, 10.0), (0.0, 10.0), (24.0, 0.0), (24.0, 86_400.1)):
        with pytest.raises(ChamberError, match="up to a year"):
            simulate(TENT, {"on_s": 60, "off_s": 540}, hours, step_s=step_s)


def test_ducts_that_can_be() -> None:
    assert Duct(length_m=0.0, diameter_mm=1.0, bends=0).area_m2 == pytest.approx(7.854e-7, rel=1e-4)
    for length, diameter, bends in ((-0.1, 100.0, 0), (1.0, 0.0, 0), (1.0, 100.0, -1)):
        with pytest.raises(ChamberError, match="a duct needs"):
            Duct(length_m=length, diameter_mm=diameter, bends=bends)


def test_how_much_wider_errors_are_told() -> None:
    """As simulated rooms had them: by 1.1, with fog 1.6, with wet crop 1.9, 1.2, 1.1 and 1.6.

    By 1.2 at least where the thermometer lags by more than a minute.
    """
    still, dry, wet = (SimpleNamespace(taken=taken) for taken in (0.5, 0.0, 0.3))
    open_air, fog = SimpleNamespace(fog=False), SimpleNamespace(fog=True)
    quick, slow = SimpleNamespace(temp_lag_s=60.0), SimpleNamespace(temp_lag_s=60.1)
    for course, layout, made, want in (
        (quick, open_air, dry, [1.1] * 5), (slow, open_air, dry, [1.2] * 5),
        (quick, fog, still, [1.6] * 5), (slow, fog, dry, [1.6] * 5),
        (quick, open_air, wet, [1.9, 1.2, 1.1, 1.6, 1.6]),
        (slow, open_air, wet, [1.9, 1.2, 1.2, 1.6, 1.6]),
    ):  # fmt: skip
        assert _roughness(course, layout, made, 5).tolist() == want


def test_pairs_of_levels_and_rooms_that_never_differ(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where all rooms come out alike no number explains a share, and none narrows the range."""
    alike = {"a": np.full((5, 3), 80.0), "b": np.full((5, 3), 82.0)}
    [pair] = _pairs(alike, 2.0).to_dict("records")
    assert (pair["difference_rh_pct"], pair["alike_pct"]) == (2.0, 0.0)
    assert _pairs(alike, 2.1)["alike_pct"].tolist() == [100.0]
    monkeypatch.setattr(foreseeing, "shares_of", lambda likely, mean: {})
    likely = None
    table = _measure(SimpleNamespace(measured=()), likely, alike)
    assert (table[["share_pct", "half_width_now", "half_width_then"]] == 0).all(axis=None)


def test_only_treatments_that_set_mist_are_foreseen(monkeypatch: pytest.MonkeyPatch) -> None:
    """A substrate sets none; one level that sets mist is enough."""
    levels = {"none": {}, "late": {"on_s": 120, "off_s": 1080}}
    trial = SimpleNamespace(
        rig={"volume_m3": 2.0},
        factors={
            "misting": SimpleNamespace(levels=levels),
            "substrate": SimpleNamespace(levels={"straw": {}, "wood": {}}),
        },
    )
    monkeypatch.setattr(foreseeing, "foresee", lambda *given, rooms: (*given, rooms))
    assert foresee_treatments(trial, rooms=20) == {"misting": ({"volume_m3": 2.0}, levels, 20)}
