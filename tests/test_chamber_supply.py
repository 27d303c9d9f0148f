"""Ducts, worst times, water and parts: closed forms, hand-worked numbers, nothing invented."""

from __future__ import annotations

import math

import pytest
from scipy.optimize import brentq
from typer.testing import CliRunner

from trialkit import air
from trialkit.chamber import ChamberError, Duct, Fan, Room, Supply, read_supply, size_up
from trialkit.chamber.constants import WATER_G_L
from trialkit.chamber.droplets import settling_m_s
from trialkit.chamber.ducts import (
    duct_pressure_pa,
    fan_flow_m3_h,
    fan_power_w,
    fog_through,
)
from trialkit.chamber.surroundings import winter_rh_pct
from trialkit.cli import build
from trialkit.demo import copy_demo

TENT = Room(volume_m3=2.0, air_changes_h=4.0, mist_l_h=0.3, room_rh_pct=60.0, cooling=False)
DUCT = Duct(length_m=5.0, diameter_mm=100.0, bends=2)


def value(plan, item):
    row = plan.supply[plan.supply["item"] == item].iloc[0]
    return float(row["value"])


# ------------------------------------------------------------------ ducts


def test_slow_air_loses_pressure_as_hagen_and_poiseuille_say():
    """128 μ L Q / (π D⁴), and 1.5 ρ v²/2 at the ends."""
    long, flow = Duct(length_m=200.0, diameter_mm=50.0), 1.0
    speed = flow / 3600 / (math.pi * 0.05**2 / 4)
    pipe = 128 * 1.81e-5 * 200 * flow / 3600 / (math.pi * 0.05**4)
    assert duct_pressure_pa(long, flow) == pytest.approx(pipe + 1.5 * 1.2 * speed**2 / 2, rel=1e-6)


@pytest.mark.parametrize("flow", [30.0, 100.0, 400.0])
def test_quick_air_loses_pressure_as_colebrook_says(flow):
    """The implicit formula of Colebrook, solved here; Swamee and Jain are within 3 % of it."""
    speed = flow / 3600 / DUCT.area_m2
    reynolds = 1.2 * speed * 0.1 / 1.81e-5

    def colebrook(f):
        return 1 / math.sqrt(f) + 2 * math.log10(1e-4 / 0.1 / 3.7 + 2.51 / reynolds / math.sqrt(f))

    factor = brentq(colebrook, 1e-3, 1.0)
    want = (factor * 50 + 2 * 0.3 + 1.5) * 1.2 * speed**2 / 2
    assert duct_pressure_pa(DUCT, flow) == pytest.approx(want, rel=0.03)


def test_fan_and_duct_meet():
    fan = Fan(free_m3_h=150.0, shut_pa=60.0, power_w=20.0)
    flow = fan_flow_m3_h(fan, DUCT)
    assert 0 < flow < 150
    assert fan.pressure_pa(flow) == pytest.approx(duct_pressure_pa(DUCT, flow), rel=1e-6)
    assert fan_power_w(fan, DUCT, flow) == pytest.approx(20.0)
    assert fan_power_w(fan, DUCT, flow / 2) == pytest.approx(20.0 / 8)  # fan laws
    assert math.isnan(fan_power_w(fan, DUCT, 1.2 * flow))
    assert math.isnan(fan_power_w(Fan(150.0, 60.0), DUCT, flow))


def test_fog_is_lost_by_falling_in_slow_air():
    """Re = 1 170: no eddies. By hand: 0.78 mm/s over 0.1 m × 5 m, and bends, at 5 m³/h."""
    straight = Duct(5.0, 100.0)
    fell = math.exp(-settling_m_s(5.0) * 0.1 * 5.0 / (5.0 / 3600))
    assert settling_m_s(5.0) == pytest.approx(0.78e-3, abs=0.01e-3)
    assert fog_through(straight, 5.0, 5.0) == pytest.approx(fell)
    assert fell == pytest.approx(0.755, abs=0.003)
    answers = 998.2 * (5e-6) ** 2 / (18 * 1.81e-5)  # 76.6 µs
    stokes = answers * 5.0 / 3600 / straight.area_m2 / 0.05
    got = fog_through(Duct(5.0, 100.0, bends=3), 5.0, 5.0)
    assert got == pytest.approx(fell * 10 ** (-0.963 * 3 * stokes))


def test_coarse_drops_long_ducts_and_bends_lose_more():
    kept = [fog_through(DUCT, 100.0, size) for size in (2.0, 5.0, 12.0, 40.0)]
    assert kept == sorted(kept, reverse=True)
    assert kept[0] > 0.97
    assert kept[-1] < 0.3
    assert fog_through(Duct(20.0, 100.0, 2), 100.0, 12.0) < kept[2]
    assert fog_through(Duct(5.0, 100.0, 6), 100.0, 12.0) < kept[2]
    assert fog_through(DUCT, 0.0, 5.0) == 0.0


# ------------------------------------------------------------------ what one chamber asks for


def test_duct_raises_mist_and_water_by_what_it_keeps():
    room = TENT.change(mist_air_changes_h=10.0, fogger_w=25.0, drop_um=8.0)
    plain = size_up(room, low_rh=85, high_rh=95, chambers=[1])
    ducted = size_up(room, low_rh=85, high_rh=95, chambers=[1], supply=Supply(duct=DUCT))
    share = fog_through(DUCT, 20.0, 8.0)  # 10 air changes of 2 m³ an hour carry it
    assert value(ducted, "fog_arrives") == pytest.approx(100 * share)
    for name in ("mist_l_h", "mist_peak_l_h", "water_l_day", "reservoir_l"):
        got, want = ducted.table[name].iloc[0], plain.table[name].iloc[0] / share
        assert got == pytest.approx(want)
    assert value(plain, "fog_arrives") == 100


def test_worst_times_by_hand():
    """The dry week is the same sizing with drier air; the door refills 2 m³ in ten minutes."""
    plan = size_up(TENT, low_rh=85, high_rh=95, chambers=[1], most_duty=0.4)
    dry = TENT.change(room_rh_pct=winter_rh_pct(20.0))
    other = size_up(dry, low_rh=85, high_rh=95, chambers=[1], most_duty=0.4)
    assert value(plan, "output_dry") == pytest.approx(value(other, "output_usual"))
    full = air.absolute_humidity_g_m3(20.0, 100.0)
    door = (0.3 * full * 2.0) * 6 + 4.0 * 2.0 * 0.3 * full  # 90 % held, 60 % around
    assert value(plan, "output_door") == pytest.approx(door / WATER_G_L, rel=1e-3)
    peak = max(value(plan, f"output_{name}") for name in ("usual", "dry", "door"))
    assert plan.table["mist_peak_l_h"].iloc[0] == pytest.approx(peak)


def test_fresh_air_for_the_crop_carries_mist_off():
    breathing = TENT.change(crop_co2_g_h=12.0)
    plan = size_up(breathing, low_rh=85, high_rh=95, chambers=[1])
    # 1 g/h of CO2 into 8 m³/h raises it by 68.3 ppm: 12 g/h within 580 ppm
    assert value(plan, "fresh_for_crop") == pytest.approx(12 * 68.3 * 8 / 580, rel=2e-3)
    assert value(plan, "mist_with_fresh_air") > 1.3 * value(plan, "mist_leaks_alone")
    assert value(plan, "air_stays") == pytest.approx(60 / (12 * 68.3 * 4 / 580), rel=2e-3)


def test_hard_water_by_hand():
    """150 mg/L in what a day takes: grams a week, and mg in each m³ of 8 m³/h."""
    plan = size_up(TENT, low_rh=85, high_rh=95, chambers=[1], supply=Supply(solids_mg_l=150.0))
    litres = plan.table["water_l_day"].iloc[0]
    assert value(plan, "scale") == pytest.approx(litres * 7 * 0.150)
    assert value(plan, "dust") == pytest.approx(litres * 150 / (24 * 8))


def test_what_nobody_gave_is_missing_and_said_so():
    plan = size_up(TENT, low_rh=85, high_rh=95, chambers=[1, 10])
    for item in ("fan_flow", "fan_power", "scale", "dust"):
        assert math.isnan(value(plan, item))
    assert plan.table[["power_w", "energy_kwh_day"]].isna().all(axis=None)
    shown = plan.show_supply().text() + plan.show_parts().text()
    assert shown.count("not given") >= 5
    assert "nan" not in shown
    assert "inf" not in shown


def test_parts_are_whole_and_go_with_the_chambers():
    fan = Fan(free_m3_h=15.0, shut_pa=40.0)
    supply = Supply(duct=Duct(2.0, 75.0), fan=fan)
    plan = size_up(TENT.change(mist_air_changes_h=12.0), low_rh=85, high_rh=95, chambers=[1, 10],
                   supply=supply, refill_days=3)  # fmt: skip
    parts = plan.parts.set_index("part")
    assert parts.loc["fans", "for 1"] == 2  # 24 m³/h by fans that move less than 15
    peak = plan.table["mist_peak_l_h"].iloc[0]
    assert parts.loc["foggers", "for 1"] == math.ceil(peak / 0.3)
    assert parts.loc["duct", "for 10"] == 20
    assert parts.loc["reservoir", "for 1"] == pytest.approx(3 * plan.table["water_l_day"].iloc[0])
    for part in parts.index:
        assert parts.loc[part, "for 10"] == pytest.approx(10 * parts.loc[part, "for 1"])


def test_rig_with_half_a_duct_is_refused():
    with pytest.raises(ChamberError, match="duct_m but not duct_mm"):
        read_supply({"duct_m": 3})
    with pytest.raises(ChamberError, match="fan_pa but not fan_m3_h"):
        read_supply({"fan_pa": 50})
    made = read_supply({"fan_m3_h": 90, "fan_pa": 50, "water_solids_mg_l": 200})
    assert made.fan == Fan(90.0, 50.0)
    assert made.solids_mg_l == 200


# ------------------------------------------------------------------ the command


@pytest.mark.parametrize("language", ["en", "de"])
def test_command_says_needs_limits_and_parts(tmp_path, language):
    folder = copy_demo(tmp_path / "farm")
    text = (folder / "trial.toml").read_text(encoding="utf-8")
    text = text.replace("fogger_w             = 30\n", "duct_m = 3\nduct_mm = 75\n")
    (folder / "trial.toml").write_text(text, encoding="utf-8")
    got = CliRunner().invoke(
        build(rich_help=False),
        ["size", str(folder), "--chambers", "1,10", "--language", language],
    )
    assert got.exit_code == 0, got.output
    words = {"en": ("10 chambers", "not given", "dry winter week"),
             "de": ("10 Kammern", "nicht angegeben", "trockene Winterwoche")}  # fmt: skip
    for word in words[language]:
        assert word in got.output
    wrong = CliRunner().invoke(build(rich_help=False), ["size", str(folder), "--chambers", "few"])
    assert wrong.exit_code == 2
