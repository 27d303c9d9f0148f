"""Drops in air: falling speeds and lives against handbook values and a drop followed in time."""

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from trialkit import air
from trialkit.chamber import ChamberError, Room, simulate
from trialkit.chamber.droplets import drop_life_s, evaporating_share, settling_m_s


@pytest.mark.parametrize(
    ("um", "m_s"),
    [(1.0, 3.48e-5), (5.0, 7.8e-4), (10.0, 3.06e-3), (50.0, 7.1e-2), (100.0, 0.25)],
)
def test_falling_speed_of_unit_density_spheres(um, m_s):
    """Hinds, Aerosol Technology (1999), spheres of 1 g/cm³ at 20 °C; values from memory."""
    assert settling_m_s(um) == pytest.approx(m_s, rel=0.05)


def test_falling_speed_by_stokes_hand_worked():
    """10 µm: 998.2 × 9.81 × 1e-10 / (18 × 1.81e-5) = 3.006 mm/s, slip 1 + 2.51 λ/d = 1.0166."""
    assert 1000 * settling_m_s(10.0) == pytest.approx(3.006 * 1.0166, rel=5e-3)
    with pytest.raises(ChamberError, match="above zero"):
        settling_m_s(0.0)


@pytest.mark.parametrize(("um", "rh", "low", "high"), [(10, 50, 0.1, 0.25), (40, 50, 1.8, 3.5)])
def test_lives_of_drops_are_those_of_handbooks(um, rh, low, high):
    """About 0.2 s for 10 µm and 2 to 3 s for 40 µm in half-dry air at 20 °C; from memory."""
    assert low < drop_life_s(um, 20.0, rh) < high


@pytest.mark.parametrize(("um", "rh"), [(5.0, 50.0), (10.0, 80.0), (30.0, 95.0)])
def test_life_agrees_with_a_drop_followed_in_time(um, rh):
    """Heat and vapour of one drop, its temperature free, by a general solver."""
    temp, vapour = 20.0, air.absolute_humidity_g_m3(20.0, rh)
    diffusion, conducts, latent = 2.12e-5 * (293.15 / 273.15) ** 1.81, 0.0257, 2454.0

    def slope(_, x):
        d, t = math.sqrt(max(x[0], 1e-14)), x[1]
        gives = 2 * math.pi * d * diffusion * (air.absolute_humidity_g_m3(t, 100.0) - vapour)
        heat = 2 * math.pi * d * conducts * (temp - t) - latent * gives
        mass = math.pi / 6 * 998.2e3 * d**3
        return [-4 * gives / (math.pi * 998.2e3 * d), heat / (mass * 4.18)]

    def small(_, x):
        return x[0] - 0.04 * (um * 1e-6) ** 2

    small.terminal = True
    start = [(um * 1e-6) ** 2, temp]
    out = solve_ivp(slope, (0, 1e4), start, method="LSODA", events=small, rtol=1e-8, atol=1e-16)
    # 4 % of d² are left; still air leads heat 16 % slower than the wet bulb's balance has it
    assert drop_life_s(um, 20.0, rh) == pytest.approx(out.t[-1] / 0.96, rel=0.2)


def test_full_air_keeps_drops_for_ever():
    assert drop_life_s(5.0, 20.0, 100.0) == math.inf
    assert evaporating_share(5.0, 1.0, 20.0, 100.0) == 0.0


@pytest.mark.parametrize("um", [5.0, 40.0, 80.0])
def test_evaporating_share_agrees_with_a_count_of_drops(um):
    """A hundred thousand drops fall out at random or dry, in steps of a thousandth of a life."""
    life, height, rng = drop_life_s(um, 18.0, 85.0), 1.2, np.random.default_rng(3)
    fast, up, fallen = settling_m_s(um), np.ones(100_000, dtype=bool), 0.0
    for k in range(1000):
        left = 1 - (k + 0.5) / 1000
        hits = up & (rng.random(up.size) < fast * left / height * life / 1000)
        fallen += hits.sum() * left**1.5
        up &= ~hits
    assert evaporating_share(um, height, 18.0, 85.0) == pytest.approx(
        1 - fallen / up.size, abs=0.006
    )


@pytest.mark.parametrize("falls_mm_s", [0.3, 1.0, 3.0])
@pytest.mark.parametrize("room_rh", [60.0, 30.0])
def test_fog_keeps_a_small_tub_full(falls_mm_s, room_rh):
    """60 L, 30 s on and 5 min off: surplus fog hangs in the air between the pulses."""
    um = 10 * math.sqrt(falls_mm_s / 3.0)  # Stokes
    tub = Room(volume_m3=0.06, air_changes_h=5, mist_l_h=0.3, room_rh_pct=room_rh, drop_um=um)
    found = simulate(tub, {"on_s": 30, "off_s": 300})
    assert found.low_rh_pct > 99.9
    assert abs(found.balance.gap_g) < 1e-8 * found.balance.mist_g
    assert found.balance.fog_out_g > 0


def test_fog_in_full_air_decays_by_fall_and_air_change():
    """No mist, air full of vapour comes in: F falls as e^(−(n + v/h) t), hand-worked."""
    room = Room(volume_m3=1.0, air_changes_h=6.0, mist_l_h=2.0, room_rh_pct=100.0, cooling=False,
                drop_um=10.0, height_m=2.0)  # fmt: skip
    trace = simulate(room, {"on_s": 60, "off_s": 540}, 600 / 3600, step_s=60.0).trace
    fog = trace["fog_g_m3"].to_numpy()
    rate = 6 / 3600 + settling_m_s(10.0) / 2
    assert fog[1] == pytest.approx(2.0 * 998.2 / 3600 * -math.expm1(-rate * 60) / rate, rel=1e-9)
    assert fog[9] / fog[1] == pytest.approx(math.exp(-rate * 480), rel=1e-9)


def test_what_the_balance_leaves_out_is_told():
    """Coarse drops; walls under the dew point of a tent that machines warm above its room."""
    room = Room(volume_m3=2.0, air_changes_h=1.0, mist_l_h=0.4, room_temp_c=18.0, room_rh_pct=60.0)
    setting = {"on_s": 15, "off_s": 285}

    def codes(changed):
        return {f.code for f in simulate(changed, setting).findings}

    assert not codes(room) & {"coarse_drops", "walls_condense"}
    assert "coarse_drops" in codes(room.change(drop_um=30.0))
    warm = simulate(room.change(heat_w=100.0), setting)
    told = next(f for f in warm.findings if f.code == "walls_condense")
    temp, rh = warm.summary["mean_temp_c"], warm.summary["mean_rh_pct"]
    # a thin sheet between two still airs stands half way between them
    assert told.values["wall"] == pytest.approx((temp + 18.0) / 2, abs=0.01)
    assert air.dew_point_c(temp, rh) > told.values["wall"]
    assert told.values["points"] >= 1
    # insulated walls are nearly as warm as the air
    assert "walls_condense" not in codes(room.change(heat_w=20.0, wall_w_k=4.0))
