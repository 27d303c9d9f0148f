"""What a room and a setting may be, what a fit makes of a room, and moments read from a course."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from trialkit.chamber import ChamberError, Room, Timed, read_setting, simulate
from trialkit.chamber.compare import compare_settings
from trialkit.chamber.estimates import Identified
from trialkit.chamber.fogger import drop_size_um
from trialkit.chamber.identify import _fit_one
from trialkit.chamber.tracing import _add_water, rh_of, sample_cycle, weigh_cycle

TENT = Room(volume_m3=2.0, air_changes_h=4.0, mist_l_h=0.3, cooling=False)

# ------------------------------------------------------------------ limits of nature


@pytest.mark.parametrize(
    ("name", "right", "wrong"),
    [
        ("pressure_kpa", (50.0, 110.0), (49.9, 110.1)),
        ("lamp_hours", (0.0, 24.0), (24.1, -0.1)),
        ("evaporating_fraction", (0.0, 1.0), (1.01, -0.01)),
        ("room_rh_pct", (0.0, 100.0), (100.1, -0.1)),
        ("room_temp_c", (-20.0, 50.0), (-20.1, 50.1)),
        ("heat_w", (-100.0, 100.0), (math.nan, math.inf)),
        ("drop_um", (0.1, 500.0), (0.0, -1.0)),
        ("height_m", (0.1, None), (0.0, math.nan)),
        ("surface_heat_w_m2_k", (0.1, 20.0), (0.0, -1.0)),
        ("surroundings_m3", (1.0, None), (0.0, -1.0)),
        ("air_changes_h", (0.0, 100.0), (-0.1, math.nan)),
    ],
)
def test_numbers_of_a_room_at_the_edges(name: str, right: tuple, wrong: tuple) -> None:
    for value in right:
        assert getattr(TENT.change(**{name: value}), name) == value
    for value in wrong:
        with pytest.raises(ChamberError, match=name):
            TENT.change(**{name: value})


def test_a_cube_and_its_walls() -> None:
    """8 m³: 2 m high, 24 m² of thin sheet at 1/0.26 W/(m² K)."""
    cube = TENT.change(volume_m3=8.0)
    assert cube.tall_m == pytest.approx(2.0)
    assert cube.walls_w_k == pytest.approx(24 / 0.26, rel=1e-3)
    assert cube.change(wall_w_k=5.0).walls_w_k == 5.0
    assert cube.change(height_m=3.0).tall_m == 3.0


def test_fruit_bodies_add_surface_and_breath() -> None:
    """Spheres of 20 g and 0.8 g/cm³: radius ∛(25·3/4π) = 1.814 cm, 50 in a kilogram."""
    radius = (25 * 3 / (4 * math.pi)) ** (1 / 3) / 100
    made = TENT.change(crop_m2=0.1, crop_co2_g_h=0.5).with_crop(fresh_kg=3.0, co2_g_kg_h=0.2)
    assert made.crop_m2 == pytest.approx(0.1 + 3 * 50 * 4 * math.pi * radius**2, rel=2e-3)
    assert made.crop_co2_g_h == pytest.approx(1.1)
    assert TENT.with_crop(fresh_kg=3.0).crop_co2_g_h == 0.0


@pytest.mark.parametrize(
    ("setting", "words"),
    [
        ({"on_s": 0, "off_s": 7 * 86400}, "no mist"),
        ({"on_s": 30, "off_s": 90}, "30 s every 2 min"),
        ({"on_s": 30, "off_s": 84}, "30 s every 114 s"),
        ({"on_s": 30, "off_s": 96}, "30 s every 2.1 min"),
        ({"on_s": 30, "off_s": 97}, "30 s every 127 s"),
        ({"on_s": 10, "off_s": 50}, "10 s every 1 min"),
        ({"start_below_rh": 85, "stop_above_rh": 100}, "mist from 85 % up to 100 %"),
    ],
)
def test_settings_at_the_edges(setting: dict, words: str) -> None:
    assert read_setting(setting).words == words


@pytest.mark.parametrize(
    "setting",
    [
        {"on_s": 1, "off_s": 7 * 86400}, {"on_s": 0, "off_s": 0}, {"on_s": 5, "off_s": -0.1},
        {"on_s": -0.1, "off_s": 5}, {"start_below_rh": 0, "stop_above_rh": 90},
        {"start_below_rh": 90, "stop_above_rh": 90}, {"start_below_rh": 90, "stop_above_rh": 100.1},
        {"on_s": 5, "stop_above_rh": 90},
    ],
)  # fmt: skip
def test_settings_beyond_the_edges(setting: dict) -> None:
    with pytest.raises(ChamberError):
        read_setting(setting)


def test_a_trace_has_a_moment_for_each_step() -> None:
    times = simulate(TENT, {"on_s": 60, "off_s": 540}, 0.5, step_s=7.0).trace["time_s"]
    assert times.tolist() == [7.0 * k for k in range(258)]  # 1799 s of 1800
    whole = simulate(TENT, {"on_s": 60, "off_s": 540}, 1.0, step_s=10.0).trace["time_s"]
    assert whole.iloc[-1] == 3600.0


def test_a_band_may_be_the_whole_range_and_no_wider() -> None:
    levels = {"a": {"on_s": 20, "off_s": 220}}
    assert compare_settings(TENT, levels, band=(0, 100)).table["verdict"].iloc[0] == "inside"
    for wrong in ((-0.1, 90), (90, 90), (85, 100.1)):
        with pytest.raises(ChamberError, match="is no band"):
            compare_settings(TENT, levels, band=wrong)


def test_drops_of_a_disc() -> None:
    """0.34 (8π · 0.0727/(998.2 · (1.6·10⁶)²))^⅓ = 3.04 µm; a quarter of the size at 8 times f."""
    want = 0.34 * (8 * math.pi * 0.0727 / (998.2 * 1.6e6**2)) ** (1 / 3) * 1e6
    assert drop_size_um(1.6) == pytest.approx(want)
    assert drop_size_um(1.6 * 8) == pytest.approx(want / 4)
    assert drop_size_um(1.6, tension_n_m=0.0727 * 8) == pytest.approx(2 * want)
    for wrong in ({"frequency_mhz": 0}, {"frequency_mhz": 1, "tension_n_m": 0},
                  {"frequency_mhz": 1, "density_kg_m3": 0}):  # fmt: skip
        with pytest.raises(ChamberError, match="above zero"):
            drop_size_um(**wrong)


# ------------------------------------------------------------------ moments of a cycle


def test_weights_of_a_cycle_integrate_it() -> None:
    """Sum 1; mean of the mist is its share; the mean of one exponential by its integral."""
    found = simulate(TENT, {"on_s": 60, "off_s": 540})
    rows, weights = weigh_cycle(found.cycle)
    assert weights.sum() == pytest.approx(1.0)
    assert float(weights @ rows[6]) == pytest.approx(0.1)
    # mean excess G/(V n) × 0.1 over c_in, whatever its course
    want = TENT.outside_g_m3 + 0.3 * 998.2 / 8 * 0.1
    assert float(weights @ rows[0]) == pytest.approx(want, rel=1e-7)
    full = np.array([17.29])
    assert rh_of(full, np.array([20.0]))[0] == pytest.approx(100.0, abs=0.05)


def test_moments_of_a_cycle_in_any_order() -> None:
    """As mist is on, c rises as c0 + (c∞ − c0)(1 − e^(−nt)); after it falls back."""
    cycle = simulate(TENT, {"on_s": 60, "off_s": 540}).cycle
    n, top = 4 / 3600, TENT.outside_g_m3 + 0.3 * 998.2 / 8
    start = cycle.end.c
    high = top + (start - top) * math.exp(-60 * n)
    times = np.array([500.0, 30.0, 60.0, 0.0, 599.0])
    want = [
        TENT.outside_g_m3 + (high - TENT.outside_g_m3) * math.exp(-440 * n),
        top + (start - top) * math.exp(-30 * n), high, start,
        TENT.outside_g_m3 + (high - TENT.outside_g_m3) * math.exp(-539 * n),
    ]  # fmt: skip
    rows = sample_cycle(cycle, times)
    assert rows[0].tolist() == pytest.approx(want, rel=1e-7)
    assert rows[6].tolist() == [0.0, 1.0, 0.0, 1.0, 0.0]
    order = np.argsort(times)
    assert sample_cycle(cycle, times[order])[0].tolist() == rows[0][order].tolist()


def test_surfaces_gain_the_same_in_every_repeat() -> None:
    """Cycles of 100 s from 50 s on, 2 g each, read each 10 s from 60 s on; 5 g are held."""
    block = SimpleNamespace(repeats=9.0, gained_g=2.0, start_s=50.0, length_s=100.0)
    part = np.zeros(40)
    _add_water(part, block, 6, 10.0, 5.0)
    assert part.tolist() == [0.0] * 9 + [2.0] * 10 + [4.0] * 10 + [5.0] * 11
    once = SimpleNamespace(repeats=1.0, gained_g=2.0, start_s=50.0, length_s=100.0)
    part = np.full(40, 1.5)
    _add_water(part, once, 6, 10.0, 5.0)
    assert part.tolist() == [1.5] * 40
    dries = SimpleNamespace(repeats=9.0, gained_g=-2.0, start_s=50.0, length_s=100.0)
    part = np.full(40, 3.0)
    _add_water(part, dries, 6, 10.0, 5.0)
    assert part.tolist() == [3.0] * 9 + [1.0] * 10 + [0.0] * 21


# ------------------------------------------------------------------ a room from its fit


def fit(mist: float = 150.0, se: float = 0.1, *, why=(), cautions=(), outside: float = 8.645,
        lag: float = 40.0):  # fmt: skip
    estimates = pd.DataFrame({"estimate": {"air_changes_h": 5.0, "mist_g_m3_h": mist,
                                           "lag_s": lag, "outside_g_m3": outside}})  # fmt: skip
    names = {"air_changes_h", "mist_g_m3_h", "lag_s"}
    return SimpleNamespace(
        estimates=estimates, log_se={"air_changes_h": se}, why_not=dict.fromkeys(why, "doubt"),
        determined=frozenset(names - set(why)),
        findings=tuple(SimpleNamespace(severity=s) for s in cautions),
    )  # fmt: skip


def identified(**fits) -> Identified:
    return Identified(pd.DataFrame(), pd.DataFrame(), fits, (), 0.95)


def test_a_room_takes_its_constants_from_its_fit() -> None:
    """0.3 L/h in 2 m³ are 149.73 g/m³ an hour; of 74.865 half reaches the air."""
    like = TENT.change(crop_m2=1.0, surface_m2=2.0, sensor_lag_s=12.0)
    room = identified(T1=fit(74.865)).room("T1", like)
    assert (room.air_changes_h, room.sensor_lag_s) == (5.0, 40.0)
    assert room.mist_l_h == pytest.approx(0.3)
    assert room.evaporating_fraction == pytest.approx(0.5)
    assert (room.crop_m2, room.surface_m2) == (0.0, 0.0)
    assert room.room_rh_pct == pytest.approx(50.0, abs=0.05)  # 8.645 of 17.29 g/m³ at 20 °C
    more = identified(T1=fit(299.46)).room("T1", like)  # twice what the label says
    assert more.mist_l_h == pytest.approx(0.6)
    assert more.evaporating_fraction == 1.0
    assert identified(T1=fit(why=["lag_s"])).room("T1", like).sensor_lag_s == 12.0
    assert identified(T1=fit(outside=30.0)).room("T1", like).room_rh_pct == 100.0
    assert identified(T1=fit(outside=-1.0)).room("T1", like).room_rh_pct == 0.0
    still = identified(T1=fit()).room("T1", like.change(mist_l_h=0.0))
    assert still.mist_l_h == pytest.approx(300 / 998.2)
    assert still.evaporating_fraction == 1.0
    with pytest.raises(ChamberError, match="does not determine mist_g_m3_h"):
        identified(T1=fit(why=["mist_g_m3_h"])).room("T1", like)


def test_the_soundest_chamber() -> None:
    """What is determined comes first, then doubt, then the error."""
    assert identified(a=fit(se=0.2), b=fit(se=0.1)).soundest == "b"
    assert identified(a=fit(se=0.2), b=fit(se=0.1, cautions=["caution"])).soundest == "a"
    assert identified(a=fit(se=0.2), b=fit(se=0.1, cautions=["note"])).soundest == "b"
    assert identified(a=fit(se=0.2, cautions=["caution"]),
                      b=fit(se=0.1, why=["lag_s"])).soundest == "a"  # fmt: skip


@pytest.mark.parametrize(
    ("delays", "moves", "told"),
    [
        ([7.9], [], 7.9),
        ([8.0, 1.4], [8.0], 9.4),
        ([40.0, 1.6, 0.2], [40.0, 41.6], 41.8),
        ([-9.0, 0.0], [-9.0], -9.0),
        ([40.0, 5.0, 4.0, 3.0, 2.0], [40.0, 45.0, 49.0], 52.0),  # three times at most
    ],
)
def test_mist_is_moved_to_where_a_clock_puts_it(
    monkeypatch: pytest.MonkeyPatch, delays: list, moves: list, told: float
) -> None:
    """A fit tells 8 s or more: the mist is moved by that, until less than 1.5 s is left."""
    from trialkit.chamber import identify
    from trialkit.chamber.roomfit import RoomFit

    start = pd.Timestamp("2031-03-01", tz="UTC")
    spells = pd.DataFrame({"start": [start], "stop": [start + pd.Timedelta("60s")]})
    left, seen = iter(delays), []

    def prepare(readings, there, **_):
        seen.append((there["start"].iloc[0] - start).total_seconds())
        assert there["stop"].iloc[0] - there["start"].iloc[0] == pd.Timedelta("60s")
        return None

    def fit_course(course, **_):
        delay = next(left)
        rows = {"delay_s": {"estimate": delay, "se": 0.5, "low": delay - 1, "high": delay + 1}}
        return RoomFit("T1", pd.DataFrame(rows).T, {}, course, np.zeros(0), np.zeros(0, bool),
                       0.1, 0.9, 0.0, ())  # fmt: skip

    monkeypatch.setattr(identify, "prepare_course", prepare)
    monkeypatch.setattr(identify, "fit_course", fit_course)
    row = _fit_one(pd.DataFrame(), spells, "T1", 2.0).estimates.loc["delay_s"]
    assert seen == pytest.approx([0.0, *moves])
    assert row.tolist() == pytest.approx([told, 0.5, told - 1, told + 1])


def test_a_timer_in_shares() -> None:
    timer = Timed(30.0, 90.0)
    assert (timer.cycle_s, timer.duty) == (120.0, 0.25)
