"""Drops, ducts, verdicts, timers and sizes: closed forms and numbers worked by hand."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq

from trialkit import air
from trialkit.chamber import ChamberError, Duct, Fan, Room, Supply, Timed, size_up
from trialkit.chamber.compare import _pairs, _ratio, _say_level, _say_pair, _verdict
from trialkit.chamber.droplets import drop_life_s, evaporating_share, settling_m_s
from trialkit.chamber.ducts import duct_pressure_pa, fan_flow_m3_h, fan_power_w, fog_through
from trialkit.chamber.holding import find_holding_setting
from trialkit.chamber.identify import _most_mist
from trialkit.chamber.odd_chambers import _against_others
from trialkit.chamber.separate import judge_separation, separating_settings
from trialkit.chamber.surroundings import winter_rh_pct, with_surroundings

TENT = Room(volume_m3=2.0, air_changes_h=4.0, mist_l_h=0.3, room_rh_pct=60.0, cooling=False)
FULL = 17.29  # g/m³ at 20 °C (ASHRAE)


# ------------------------------------------------------------------ drops


@pytest.mark.parametrize("um", [0.1, 0.5, 3.0, 60.0, 200.0, 500.0])
def test_falling_speed_solves_the_balance_of_forces(um: float) -> None:
    """Weight less lift against Stokes' drag, slip and Schiller and Naumann, by a root finder."""
    d, path = um * 1e-6, 0.066e-6
    slip = 1 + 2 * path / d * (1.257 + 0.4 * math.exp(-1.1 * d / (2 * path)))
    weight = math.pi / 6 * d**3 * (998.2 - 1.2) * 9.81

    def spare(v: float) -> float:
        drag = 3 * math.pi * 1.81e-5 * d * v / slip
        return weight / drag - (1 + 0.15 * (1.2 * v * d / 1.81e-5) ** 0.687)

    assert settling_m_s(um) == pytest.approx(brentq(spare, 1e-9, 20.0, xtol=1e-15), rel=1e-6)


@pytest.mark.parametrize(("um", "m_s"), [(0.1, 8.8e-7), (500.0, 2.06), (1000.0, 4.03)])
def test_falling_speed_of_the_finest_and_of_rain(um: float, m_s: float) -> None:
    """Hinds (1999) for 0.1 µm; Gunn & Kinzer (1949) for rain; values from memory."""
    assert settling_m_s(um) == pytest.approx(m_s, rel=0.06)


@pytest.mark.parametrize("temp", [5.0, 30.0])
def test_life_of_a_drop_goes_with_temperature(temp: float) -> None:
    """ρ d²/(8 D Δc), D = 0.212 cm²/s at 0 °C and 1.81th power of the kelvins."""
    wet = float(air.wet_bulb_c(temp, 70.0))
    gap = air.absolute_humidity_g_m3(wet, 100.0) - air.absolute_humidity_g_m3(temp, 70.0)
    diffusion = 0.212e-4 * (1 + temp / 273.15) ** 1.81
    want = 998.2e3 * (20e-6) ** 2 / (8 * diffusion * float(gap))
    assert drop_life_s(20.0, temp, 70.0) == pytest.approx(want, rel=1e-9)


@pytest.mark.parametrize("um", [20.0, 60.0, 120.0])
@pytest.mark.parametrize("height", [0.6, 2.4])
def test_evaporating_share_is_that_of_an_integral(um: float, height: float) -> None:
    """What falls out as it shrinks, d² straight in time: ∫ v/h (1−x) · left · (1−x)^1.5."""
    life = drop_life_s(um, 18.0, 85.0)
    k = settling_m_s(um) / height * life

    def falls(x: float) -> float:
        return k * (1 - x) * math.exp(-k * (x - x * x / 2)) * (1 - x) ** 1.5

    want = 1 - quad(falls, 0, 1)[0]
    assert evaporating_share(um, height, 18.0, 85.0) == pytest.approx(want, abs=2e-4 * (1 + k))


# ------------------------------------------------------------------ ducts


def test_where_smooth_flow_ends() -> None:
    """Re = 4 Q/(π D ν) is 2300 at Q = 2300 π D μ/(4 ρ); friction jumps by half from there."""
    duct = Duct(length_m=100.0, diameter_mm=80.0)
    edge = 2300 * math.pi * 0.08 * 1.81e-5 / (4 * 1.2) * 3600
    assert edge == pytest.approx(7.846, rel=1e-3)

    def factor(flow: float) -> float:
        speed = flow / 3600 / duct.area_m2
        return (duct_pressure_pa(duct, flow) / (1.2 * speed**2 / 2) - 1.5) * 0.08 / 100

    below, above = factor(edge * 0.999), factor(edge * 1.001)
    assert below == pytest.approx(64 / 2300, rel=2e-3)
    swamee = 0.25 / math.log10(1e-4 / (3.7 * 0.08) + 5.74 / 2300**0.9) ** 2
    assert above == pytest.approx(swamee, rel=2e-3)
    assert above > 1.4 * below
    assert duct_pressure_pa(duct, 0.0) == 0.0
    bent = Duct(length_m=100.0, diameter_mm=80.0, bends=4)
    speed = 50 / 3600 / duct.area_m2
    more = duct_pressure_pa(bent, 50.0) - duct_pressure_pa(duct, 50.0)
    assert more == pytest.approx(4 * 0.3 * 0.6 * speed**2)


def test_fans_and_ducts_by_their_ends() -> None:
    fan = Fan(free_m3_h=100.0, shut_pa=80.0, power_w=16.0)
    assert [fan.pressure_pa(q) for q in (0, 50, 100)] == [80.0, 60.0, 0.0]
    bare = Duct(length_m=0.0, diameter_mm=100.0)  # ends alone: 80 (1 − (Q/100)²) = 0.9 (Q/3600/A)²
    losses = 0.9 / (3600 * math.pi * 0.01 / 4) ** 2
    want = math.sqrt(80 / (losses + 80 / 100**2))
    assert fan_flow_m3_h(fan, bare) == pytest.approx(want, rel=1e-6)
    assert fan_power_w(fan, bare, want / 2) == pytest.approx(2.0, rel=1e-6)
    for wrong in ((-0.1, 100.0, 0), (1.0, 0.0, 0), (1.0, 100.0, -1)):
        with pytest.raises(ChamberError, match="a duct needs"):
            Duct(*wrong)
    for ends in ((0.0, 60.0), (150.0, 0.0)):
        with pytest.raises(ChamberError, match="a fan needs"):
            Fan(*ends)
    assert Fan(0.5, 0.5).power_w is None
    assert fog_through(bare, 0.0, 5.0) == 1.0


def test_fog_in_eddies_by_hand() -> None:
    """80 m³/h through 100 mm: v 2.829 m/s, Re 18 757, Blasius' friction speed 0.1643 m/s.

    12 µm: τ 4.41·10⁻⁴ s, τ⁺ 0.790, to the wall at 6·10⁻⁴ τ⁺² of the friction speed. 100 µm:
    τ⁺ far over √(0.1/6·10⁻⁴) = 12.9, so a tenth of the friction speed.
    """
    duct, flow = Duct(length_m=8.0, diameter_mm=100.0), 80 / 3600
    speed = flow / (math.pi * 0.0025)
    assert speed == pytest.approx(2.829, abs=1e-3)
    rubs = 0.1643
    walls = math.pi * 0.1 * 8.0
    for um, to_wall in ((12.0, 6e-4 * 0.790**2 * rubs), (100.0, 0.1 * rubs)):
        fell = settling_m_s(um) * 0.1 * 8.0 / flow
        got = -math.log(fog_through(duct, 80.0, um))
        assert got - fell == pytest.approx(to_wall * walls / flow, rel=0.02), um


# ------------------------------------------------------------------ verdicts


@pytest.mark.parametrize(
    ("low", "high", "verdict"),
    [
        (85.0, 95.0, "inside"), (84.96, 95.04, "inside"), (84.9, 95.0, "partly below"),
        (85.0, 95.1, "partly above"), (84.9, 95.1, "too wide"), (80.0, 84.9, "below"),
        (80.0, 85.0, "partly below"), (95.1, 99.0, "above"), (95.0, 99.0, "partly above"),
    ],
)  # fmt: skip
def test_verdicts_at_the_edges_of_a_band(low: float, high: float, verdict: str) -> None:
    """A twentieth of a point is no miss: no sensor tells it."""
    held = SimpleNamespace(low_rh_pct=low, high_rh_pct=high)
    assert _verdict(held, (85.0, 95.0)) == verdict


def made(mean: float, water: float, cycles: float, setting=None, vpd: float = 0.2):
    summary = {"mean_rh_pct": mean, "mean_vpd_kpa": vpd, "water_l_day": water,
               "cycles_day": cycles}  # fmt: skip
    return SimpleNamespace(summary=summary, setting=setting or Timed(20.0, 220.0))


def test_pairs_of_settings_by_hand() -> None:
    results = {"a": made(88.0, 0.6, 360.0), "b": made(89.0, 0.9, 120.0, vpd=0.15)}
    [row] = _pairs(results, 1.0).to_dict("records")
    assert row["difference_rh_pct"] == 1.0
    assert row["difference_vpd_kpa"] == pytest.approx(-0.05)
    assert row["water_ratio"] == pytest.approx(1.5)
    assert row["cycle_ratio"] == pytest.approx(3.0)  # a cycle lasts three times as long
    assert row["comparable"]
    assert not _pairs(results, 1.01)["comparable"].iloc[0]
    assert _ratio(3.0, 2.0) == 1.5
    assert (_ratio(1.0, 0.0), _ratio(0.0, 0.0), _ratio(0.0, 2.0)) == (math.inf, 1.0, 0.0)


@pytest.mark.parametrize(
    ("water", "cycles", "kind"),
    [
        (0.6, 180.0, "rhythm"), (0.6, 720.0, "rhythm"), (0.6, 360.0, "nothing"),
        (0.6, 360 * 1.21, "nothing"), (0.6, 360 * 1.23, "rhythm"), (0.6, 360 / 1.23, "rhythm"),
        (0.63, 180.0, "rhythm"), (0.634, 180.0, "nothing"), (0.566, 180.0, "nothing"),
        (0.0, 180.0, "nothing"), (0.6, 0.0, "nothing"),
    ],
)  # fmt: skip
def test_same_climate_in_another_rhythm(water: float, cycles: float, kind: str) -> None:
    """Water within e^±0.05 (5 %) and cycles off by more than e^±0.2 (22 %)."""
    results = {"a": made(88.0, 0.6, 360.0), "b": made(88.4, water, cycles)}
    [row] = _pairs(results, 1.0).to_dict("records")
    said = _say_pair(row, results)
    assert said is not None
    assert said.key == f"chamber.pair.{kind}"
    assert said.values["by"] == pytest.approx(0.4)
    far = {"a": results["a"], "b": made(90.0, water, cycles)}
    assert _say_pair(_pairs(far, 1.0).to_dict("records")[0], far) is None


def test_a_course_swings_from_one_point_on() -> None:
    for high, told in ((89.0, "swings"), (88.9, "steady")):
        held = SimpleNamespace(low_rh_pct=88.0, high_rh_pct=high, mean_rh_pct=88.5,
                               setting=Timed(20.0, 220.0))  # fmt: skip
        said = _say_level("a", held, None)
        assert said.values["held"].key == f"chamber.holds.{told}"


# ------------------------------------------------------------------ water against rhythm


def test_when_water_and_rhythm_are_confounded() -> None:
    def timer(duty: float, cycle: float) -> dict[str, float]:
        return {"on_s": duty * cycle, "off_s": (1 - duty) * cycle}

    def told(*timers: dict[str, float]) -> bool:
        return bool(judge_separation(levels=dict(enumerate(timers))))

    assert told(timer(0.1, 300), timer(0.2, 600))
    assert told(timer(0.1, 600), timer(0.2, 300))
    assert not told(timer(0.1, 300), timer(0.104, 600))  # 4 % of water is none
    assert told(timer(0.1, 300), timer(0.106, 600))
    assert not told(timer(0.1, 300), timer(0.2, 312))
    # three corners of the square: correlation 1/2; drawn out along the line 0.79 and 0.82
    assert not told(timer(0.1, 300), timer(0.2, 300), timer(0.2, 600))
    for off, want in ((0.53, False), (0.45, True)):
        xs = np.array([-1.0, 1.0, 0.0, 0.0])
        ys = xs + np.array([0.0, 0.0, 1.5, -1.5]) * off
        r = 2 / math.sqrt(2 * (2 + 2 * (1.5 * off) ** 2))
        assert (r > 0.8) is want
        timers = [timer(0.1 * math.exp(x / 2), 300 * math.exp(y / 2))
                  for x, y in zip(xs, ys, strict=True)]  # fmt: skip
        assert told(*timers) is want


def test_separating_timers_at_their_edges() -> None:
    made = separating_settings({"on_s": 10, "off_s": 90}, water=0.5)
    assert made["on_s"].tolist() == [10, 20, 5, 10]  # just the shortest mist
    with pytest.raises(ChamberError, match="on for 5 s"):
        separating_settings({"on_s": 10, "off_s": 90}, water=0.5, shortest_on_s=5.1)
    for wrong in ({"water": 0.0}, {"rhythm": 0.0}, {"rhythm": 1.0}, {"water": -1.0}):
        with pytest.raises(ChamberError, match="factors above 0"):
            separating_settings({"on_s": 10, "off_s": 90}, **wrong)
    with pytest.raises(ChamberError, match="of 100 s"):
        separating_settings({"on_s": 50, "off_s": 50}, water=2.0)  # always on
    for never in ({"on_s": 0, "off_s": 60}, {"on_s": 60, "off_s": 0}):
        with pytest.raises(ChamberError, match="only a timer"):
            separating_settings(never)


# ------------------------------------------------------------------ holding a band


@pytest.mark.parametrize("cycle", [120.0, 300.0])
def test_the_shortest_mist_is_that_of_the_closed_form(cycle: float) -> None:
    """Lowest as a mist begins: c_in + G/(V n) (e^(n on) − 1)/(e^(n T) − 1); 60 % around."""
    full = float(air.absolute_humidity_g_m3(20.0, 100.0))
    n, top = 4 / 3600, 0.3 * 998.2 / 8 / full * 100

    def lowest(on: float) -> float:
        return 60 + top * math.expm1(n * on) / math.expm1(n * cycle)

    want = next(on for on in range(1, int(cycle)) if lowest(on) >= 80)
    held = find_holding_setting(TENT, low_rh=80, high_rh=95, cycles_s=[cycle], shortest_on_s=1.0)
    assert held.setting == Timed(float(want), cycle - want)
    assert held.table["low_rh_pct"].iloc[0] == pytest.approx(lowest(want), abs=1e-3)


def test_no_mist_is_shorter_than_the_fogger_makes() -> None:
    """70 % around and 65 % asked for: any mist will do; whole seconds, rounded up."""
    damp = TENT.change(room_rh_pct=70.0)
    for shortest, on in ((5.0, 5.0), (5.2, 6.0), (1.0, 1.0)):
        held = find_holding_setting(damp, low_rh=65, high_rh=100, cycles_s=[240],
                                    shortest_on_s=shortest)  # fmt: skip
        assert held.setting == Timed(on, 240 - on)
    default = find_holding_setting(damp, low_rh=65, high_rh=100, cycles_s=[240])
    assert default.setting == Timed(5.0, 235.0)
    for wrong in ({"cycles_s": [5.0]}, {"cycles_s": []}, {"shortest_on_s": 0.9}):
        with pytest.raises(ChamberError, match="at least 1 s"):
            find_holding_setting(damp, low_rh=65, high_rh=95, **wrong)
    for band in ((0.0, 95.0), (85.0, 85.0), (85.0, 100.1)):
        with pytest.raises(ChamberError, match="no band"):
            find_holding_setting(damp, low_rh=band[0], high_rh=band[1])


# ------------------------------------------------------------------ the room around


def test_surroundings_without_fresh_air_or_without_size() -> None:
    timer = Timed(60.0, 540.0)
    assert with_surroundings(TENT, timer) is TENT
    half = TENT.change(surroundings_m3=50.0)
    assert with_surroundings(half, timer) is half
    shut = TENT.change(surroundings_m3=50.0, surroundings_air_changes_h=0.0)
    assert with_surroundings(shut, timer).room_rh_pct == pytest.approx(100.0)
    # a dry chamber lets out what it takes in
    still = TENT.change(surroundings_m3=50.0, surroundings_air_changes_h=1.0)
    found = with_surroundings(still, Timed(0.0, 60.0))
    assert found.room_rh_pct == pytest.approx(60.0, abs=0.01)
    # −10 °C at 50 %: 0.5 × 0.2865 kPa (over water) over 2.3392 kPa at 20 °C
    got = winter_rh_pct(20.0, outdoor_temp_c=-10.0, outdoor_rh_pct=50.0)
    assert got == pytest.approx(100 * 0.5 * 0.2865 / 2.3392, rel=0.02)


# ------------------------------------------------------------------ sizes


def row_of(plan, item: str):
    return plan.supply.set_index("item").loc[item]


def test_sizes_of_a_tent_by_hand() -> None:
    """90 % held against 60 % by 8 m³/h at 20 °C: 0.3 × 17.29 × 8 = 41.5 g/h, a fifth runs off."""
    room = TENT.change(fogger_w=25.0, fan_w=10.0, fan="always", evaporating_fraction=0.8,
                       reservoir_l=2.0)  # fmt: skip
    grams = 0.3 * FULL * 8 / 0.8
    litres = grams * 24 / 998.2
    prices = {"water_per_m3": 4.0, "energy_per_kwh": 0.3, "chamber_each": 200.0}
    plan = size_up(room, low_rh=85, high_rh=95, chambers=[1, 3], blocks=4, most_duty=0.25,
                   refill_days=5.0, prices=prices)  # fmt: skip
    output = litres / 24 / 0.25
    energy = (litres / 0.3 * 25 + 240) / 1000
    want = {
        "chambers": 1, "blocks": 4, "mist_l_h": output, "fan_m3_h": 8.0, "water_l_day": litres,
        "reservoir_l": 5 * litres, "power_w": output / 0.3 * 25 + 10, "energy_kwh_day": energy,
        "cost_day": litres / 1000 * 4 + energy * 0.3, "cost_build": 200,
    }  # fmt: skip
    for k, row in enumerate(plan.table.to_dict("records")):
        for name, value in want.items():
            assert row[name] == pytest.approx((1, 3)[k] * value, rel=1e-3), name
    limits = plan.limits.set_index("limit")
    lift = 100 * 0.3 * 998.2 * 5 / 3600 * 0.8 / 2 / FULL
    for name, needed, available in (
        ("mist output", grams / 998.2, 0.3 * 0.25), ("saturation", lift, 10.0),
        ("evaporative cooling", 0.0, 2.0), ("air exchange", 0.0, 4.0), ("reservoir", litres, 2.0),
    ):  # fmt: skip
        assert limits.loc[name, "needed"] == pytest.approx(needed, rel=1e-3, abs=1e-9), name
        assert limits.loc[name, "available"] == pytest.approx(available), name
        assert limits.loc[name, "load"] == pytest.approx(needed / available, rel=1e-3, abs=1e-9)
    assert plan.limits["load"].is_monotonic_decreasing
    with_mist = size_up(room.change(fan="with mist"), low_rh=85, high_rh=95, chambers=[1],
                        most_duty=0.25).table.iloc[0]  # fmt: skip
    assert with_mist["energy_kwh_day"] == pytest.approx(energy - 0.24 * 0.75, rel=1e-3)
    assert with_mist["reservoir_l"] == pytest.approx(litres, rel=1e-3)  # a day, if nothing is said
    usual = size_up(room, low_rh=85, high_rh=95, chambers=[1]).table.iloc[0]
    assert usual["mist_l_h"] == pytest.approx(litres / 12, rel=1e-3)  # on for half the time


def test_supply_of_a_tent_by_hand() -> None:
    room = TENT.change(evaporating_fraction=0.8, drop_um=5.0, height_m=1.5)
    supply = Supply(fan=Fan(free_m3_h=90.0, shut_pa=50.0), solids_mg_l=100.0, door_minutes=5.0)
    plan = size_up(room, low_rh=85, high_rh=95, chambers=[1, 2], supply=supply, refill_days=3.0)
    grams = 0.3 * FULL * 8 / 0.8
    door = grams + 0.3 * FULL * 2 / 0.8 * 12  # made up within a twelfth of an hour
    want = {
        "output_usual": grams / 998.2 / 0.5, "output_door": door / 998.2, "fog_arrives": 100.0,
        "fan_flow": 90.0, "drop_falls": 1.5 / settling_m_s(5.0) / 60, "air_stays": 15.0,
        "fresh_for_crop": 0.0, "mist_leaks_alone": grams * 24 / 998.2,
        "mist_with_fresh_air": grams * 24 / 998.2,
        "scale": grams * 24 / 998.2 * 7 * 0.1, "dust": grams * 24 / 998.2 * 100 / (8 * 24),
        "drop_lasts": drop_life_s(5.0, 20.0, 90.0),
    }  # fmt: skip
    for item, value in want.items():
        assert row_of(plan, item)["value"] == pytest.approx(value, rel=5e-3), item
    keys = {
        item: row_of(plan, item)["basis"].key.rsplit(".", 1)[1]
        for item in ("fog_arrives", "fan_flow", "fan_power", "fresh_for_crop", "scale")
    }
    assert keys == {"fog_arrives": "no_duct", "fan_flow": "fan_free", "fan_power": "no_curve",
                    "fresh_for_crop": "no_crop", "scale": "solids"}  # fmt: skip
    parts = plan.parts.set_index("part")
    litres = grams * 24 / 998.2
    for part, count in (
        ("foggers", math.ceil(door / 998.2 / 0.3)), ("fans", 1.0), ("duct", 0.0), ("timers", 1.0),
        ("loggers", 2.0), ("current_protection", 1.0), ("reservoir", 3 * litres),
        ("water_week", 7 * litres),
    ):  # fmt: skip
        assert parts.loc[part, "for 1"] == pytest.approx(count, rel=1e-3), part
        assert parts.loc[part, "for 2"] == pytest.approx(2 * count, rel=1e-3), part


def test_fans_in_a_duct_say_on_what_they_rest() -> None:
    duct = Duct(2.0, 75.0)
    for fan, changes, flow, power in (
        (Fan(90.0, 50.0, 12.0), 4.0, "fan_duct", "fan_laws"),
        (Fan(90.0, 50.0), 4.0, "fan_duct", "no_fan_w"),
        (Fan(9.0, 50.0, 12.0), 20.0, "fan_duct", "fan_short"),
        (None, 4.0, "no_fan", "no_curve"),
    ):
        room = TENT.change(mist_air_changes_h=changes)
        plan = size_up(room, low_rh=85, high_rh=95, chambers=[1], supply=Supply(duct, fan))
        assert row_of(plan, "fan_flow")["basis"].key.endswith(f".{flow}")
        assert row_of(plan, "fan_power")["basis"].key.endswith(f".{power}")
        if power == "fan_laws":
            share = 2 * changes / fan_flow_m3_h(fan, duct)
            assert row_of(plan, "fan_power")["value"] == pytest.approx(12 * share**3)


def test_what_no_size_can_do() -> None:
    for wrong in (
        {"low_rh": 0.0}, {"high_rh": 85.0}, {"high_rh": 100.1}, {"chambers": [0]},
        {"co2_limit_ppm": 420.0}, {"most_duty": 1.01}, {"most_duty": 0.0},
    ):  # fmt: skip
        with pytest.raises(ChamberError):
            size_up(TENT, **{"low_rh": 85.0, "high_rh": 95.0, "chambers": [1], **wrong})
    plan = size_up(TENT, low_rh=85, high_rh=100, chambers=[1], most_duty=1.0)
    assert plan.table["mist_l_h"].iloc[0] == pytest.approx(plan.table["water_l_day"].iloc[0] / 24)


# ------------------------------------------------------------------ chambers compared


def fits(*values: tuple[float, float]):
    names = [f"T{k}" for k in range(1, len(values) + 1)]
    return {
        name: SimpleNamespace(estimates={"estimate": {"lag_s": value}}, log_se={"lag_s": se})
        for name, (value, se) in zip(names, values, strict=True)
    }


def test_a_chamber_against_the_weighted_mean_of_the_others() -> None:
    """By hand: T3 stands ln(40) against (ln 20 · 100 + ln 30 · 25)/125, error √(0.05² + 1/125)."""
    from scipy.stats import norm

    table = _against_others("lag_s", fits((20, 0.1), (30, 0.2), (40, 0.05)), 0.9, 5.0)
    gap = math.log(40) - (100 * math.log(20) + 25 * math.log(30)) / 125
    error = math.sqrt(0.05**2 + 1 / 125)
    row = table.iloc[2]
    assert row["ratio"] == pytest.approx(math.exp(gap))
    assert row["low"] == pytest.approx(math.exp(gap - norm.ppf(0.95) * error))
    assert row["high"] == pytest.approx(math.exp(gap + norm.ppf(0.95) * error))
    want = 2 * norm.sf(gap / error) * 9  # three constants, three chambers
    assert row["p"] == pytest.approx(min(want, 1.0), rel=1e-6)
    assert not table["differs"].any()  # less than five times


def test_an_odd_chamber_is_set_apart_from_the_comparison_of_the_others() -> None:
    table = _against_others("lag_s", fits((30, 0.02), (30, 0.02), (30, 0.02), (60, 0.02)), 0.95,
                            1.2)  # fmt: skip
    assert table["differs"].tolist() == [False, False, False, True]
    assert table["ratio"].tolist() == pytest.approx([1.0, 1.0, 1.0, 2.0])
    two = _against_others("lag_s", fits((30, 0.02), (60, 0.02)), 0.95, 1.2)
    assert two["differs"].all()  # which of two is odd cannot be told
    assert two["ratio"].tolist() == pytest.approx([0.5, 2.0])
    near = _against_others("lag_s", fits((30, 0.001), (35.9, 0.001)), 0.95, 1.2)
    assert not near["differs"].any()
    assert near["p"].max() < 1e-6


def test_a_label_may_be_off_by_half() -> None:
    """0.3 L/h in 2 m³ are 149.73 g/m³ an hour; by half more at most."""
    assert _most_mist(TENT) == pytest.approx(1.5 * 149.73)
