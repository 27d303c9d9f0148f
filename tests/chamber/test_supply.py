"""What comes on top of the mist, from needs in round numbers, and sizes at their limits."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd
import pytest

from trialkit import air
from trialkit.chamber import Duct, Fan, Room, Supply, read_supply, size_up
from trialkit.chamber.droplets import drop_life_s, settling_m_s
from trialkit.chamber.ducts import fan_flow_m3_h, fog_through
from trialkit.chamber.sizing import _for_crop, _in_words, _Need, _need, _say
from trialkit.chamber.supply import Asked, parts_table, supply_table
from trialkit.chamber.surroundings import winter_rh_pct

TENT = Room(volume_m3=2.0, air_changes_h=4.0, mist_l_h=0.3, room_rh_pct=60.0, cooling=False)
ASKED = Asked(
    mist_g_h=499.1, dry_g_h=748.65, leak_g_h=249.55, refill_g=49.91, temp_c=20.0, rh_pct=90.0,
    air_changes_h=12.0, crop_changes_h=3.0, fog_m3_h=24.0, dry_rh_pct=30.0, most_duty=0.4,
)  # fmt: skip


def change(**new: Any) -> Asked:
    return Asked(**{**vars(ASKED), **new})


def values(asked: Asked, supply: Supply, room: Room = TENT) -> dict[str, Any]:
    table = supply_table(room, asked, supply)
    assert list(table.columns) == ["item", "value", "unit", "basis"]
    return dict(zip(table["item"], table["value"], strict=True))


def basis(asked: Asked, supply: Supply, room: Room = TENT) -> dict[str, Any]:
    table = supply_table(room, asked, supply)
    return dict(zip(table["item"], table["basis"], strict=True))


def test_outputs_of_round_needs() -> None:
    """0.5, 0.75 L/h over 0.4 of the time; 50 mL within ten minutes beside the usual half litre."""
    got = ASKED.output_l_h(Supply(), 1.0)
    assert got == pytest.approx({"usual": 1.25, "dry": 1.875, "door": 0.8})
    assert ASKED.output_l_h(Supply(door_minutes=5.0), 0.5) == pytest.approx(
        {"usual": 2.5, "dry": 3.75, "door": 2.2}
    )
    assert set(ASKED.output_l_h(Supply(), 0.0).values()) == {math.inf}
    assert max(ASKED.output_l_h(Supply(), 1e-3).values()) < math.inf


def test_a_table_of_round_needs() -> None:
    """12 L/day in the usual air, 288 m³ of fresh air a day, 200 mg of solids in each litre."""
    room = TENT.change(volume_m3=1.0, height_m=1.2, crop_co2_g_h=1.0)
    got = values(ASKED, Supply(solids_mg_l=200.0), room)
    want = {
        "output_usual": 1.25, "output_dry": 1.875, "output_door": 0.8, "fog_arrives": 100.0,
        "drop_lasts": drop_life_s(5.0, 20.0, 90.0), "drop_falls": 1.2 / settling_m_s(5.0) / 60,
        "air_stays": 5.0, "fresh_for_crop": 3.0, "mist_leaks_alone": 6.0,
        "mist_with_fresh_air": 12.0, "scale": 12 * 7 * 0.2, "dust": 12 * 200 / 288,
    }  # fmt: skip
    for item, value in want.items():
        assert got[item] == pytest.approx(value), item
    assert math.isnan(got["fan_flow"])
    assert math.isnan(got["fan_power"])
    said = basis(ASKED, Supply(solids_mg_l=200.0), room)
    assert said["output_usual"].values["share"] == pytest.approx(40.0)
    assert said["output_dry"].values["rh"] == 30.0
    assert said["output_door"].values["minutes"] == 10.0
    assert said["fog_arrives"].values["flow"] == 24.0
    assert said["drop_falls"].values["size"] == 5.0
    assert said["fresh_for_crop"].key.endswith(".crop")
    assert said["dust"].key.endswith(".solids")


def test_air_that_is_never_replaced() -> None:
    """It stays for ever, and so does what hard water leaves in it; of unknown water nothing."""
    still = change(air_changes_h=0.0)
    assert values(still, Supply())["air_stays"] == math.inf
    assert values(still, Supply(solids_mg_l=200.0))["dust"] == math.inf
    assert values(still, Supply(solids_mg_l=0.0))["dust"] == 0.0
    assert math.isnan(values(still, Supply())["dust"])
    assert math.isnan(values(ASKED, Supply())["scale"])
    assert values(ASKED, Supply(solids_mg_l=0.0))["scale"] == 0.0
    assert basis(ASKED, Supply())["scale"].key.endswith(".no_solids")


def test_a_duct_keeps_its_part_of_the_fog() -> None:
    duct = Duct(5.0, 100.0, bends=2)
    share = fog_through(duct, 24.0, 5.0)
    assert 0.9 < share < 0.99
    got = values(ASKED, Supply(duct=duct, solids_mg_l=200.0))
    assert got["fog_arrives"] == pytest.approx(100 * share)
    assert got["output_usual"] == pytest.approx(1.25 / share)
    assert got["scale"] == pytest.approx(12 / share * 7 * 0.2)
    assert got["dust"] == pytest.approx(12 * 200 / (24 * 24))  # only what arrives is in the air
    assert got["mist_with_fresh_air"] == pytest.approx(12.0)
    blocked = values(change(fog_m3_h=0.0), Supply(duct=duct, solids_mg_l=200.0))
    assert (blocked["fog_arrives"], blocked["scale"]) == (0.0, math.inf)


def test_fans_and_ducts_given_or_not() -> None:
    duct, fan = Duct(5.0, 100.0), Fan(90.0, 50.0, 12.0)
    for supply, flow, power in (
        (Supply(duct, fan), "fan_duct", "fan_laws"),
        (Supply(None, fan), "fan_free", "no_curve"),
        (Supply(duct, None), "no_fan", "no_curve"),
        (Supply(), "no_fan", "no_curve"),
        (Supply(duct, Fan(90.0, 50.0)), "fan_duct", "no_fan_w"),
        (Supply(duct, Fan(20.0, 50.0, 12.0)), "fan_duct", "fan_short"),
    ):
        said = basis(ASKED, supply)
        assert said["fan_flow"].key.endswith(f".{flow}")
        assert said["fan_power"].key.endswith(f".{power}")
        got = values(ASKED, supply)
        assert math.isnan(got["fan_power"]) is (power != "fan_laws")
        assert said["fog_arrives"].key.endswith(".duct" if supply.duct else ".no_duct")
    assert values(ASKED, Supply(None, fan))["fan_flow"] == 90.0
    assert values(ASKED, Supply(duct, fan))["fan_flow"] == fan_flow_m3_h(fan, duct)
    assert basis(ASKED, Supply())["fresh_for_crop"].key.endswith(".no_crop")


def parts(asked: Asked, supply: Supply, room: Room = TENT) -> pd.DataFrame:
    return parts_table(room, asked, supply, [1, 4], refill_days=3.0).set_index("part")


@pytest.mark.parametrize(
    ("flow", "fans"),
    [(24.0, 1.0), (12.0, 2.0), (11.99, 3.0), (12.01, 2.0), (1000.0, 1.0), (0.5, 48.0)],
)
def test_fans_in_whole_numbers(flow: float, fans: float) -> None:
    """24 m³/h by fans of a free delivery: twice 12 is enough, twice 11.99 is not."""
    found = parts(ASKED, Supply(fan=Fan(flow, 50.0)))
    assert (found.loc["fans", "for 1"], found.loc["fans", "for 4"]) == (fans, 4 * fans)
    assert found.loc["fans", "basis"].key.endswith(".fans")
    still = parts(change(fog_m3_h=0.0), Supply(fan=Fan(flow, 50.0)))
    assert still.loc["fans", "for 1"] == 1.0  # a fan is there for the leaks' sake


@pytest.mark.parametrize(("each", "count"), [(1.875, 1), (0.9375, 2), (0.937, 3), (0.3, 7)])
def test_foggers_in_whole_numbers(each: float, count: int) -> None:
    """The dry week asks for 1.875 L/h."""
    found = parts(ASKED, Supply(), TENT.change(mist_l_h=each))
    assert (found.loc["foggers", "for 1"], found.loc["foggers", "for 4"]) == (count, 4 * count)
    said = found.loc["foggers", "basis"].values
    assert said["peak"] == pytest.approx(1.875)
    assert said["output"] == each


def test_parts_of_round_needs() -> None:
    found = parts(ASKED, Supply(duct=None, fan=None))
    assert math.isnan(found.loc["fans", "for 1"])
    assert found.loc["fans", "basis"].key.endswith(".fans_unknown")
    assert found.loc["duct", "for 4"] == 0.0
    assert found.loc["reservoir", "for 1"] == pytest.approx(36.0)
    assert found.loc["water_week", "for 4"] == pytest.approx(4 * 84.0)
    assert found.loc["reservoir", "basis"].values["days"] == 3.0
    assert found.loc[["timers", "loggers", "current_protection"], "for 1"].tolist() == [1, 2, 1]
    assert parts(ASKED, Supply(duct=Duct(2.5, 90.0))).loc["duct", "for 4"] == 10.0
    assert parts(ASKED, Supply(), TENT.change(mist_l_h=0.0)).loc["foggers", "for 1"] == math.inf


def test_fog_that_no_air_carries_needs_foggers_without_end() -> None:
    """A sealed chamber behind a duct: nothing blows through it, and that is said, not raised."""
    sealed = TENT.change(air_changes_h=0.0)
    plan = size_up(
        sealed, low_rh=85, high_rh=95, chambers=[1], supply=Supply(duct=Duct(1.0, 100.0))
    )
    assert plan.parts.set_index("part").loc["foggers", "for 1"] == math.inf
    assert (
        plan.table[["mist_l_h", "mist_peak_l_h", "water_l_day"]].iloc[0].tolist() == [math.inf] * 3
    )
    shown = plan.show_parts().text()
    assert "inf" not in shown + plan.show_supply().text()
    assert "pieces" in shown
    assert "count" not in shown


def test_a_rig_with_duct_fan_and_water() -> None:
    made = read_supply(
        {"duct_m": 3, "duct_mm": 80, "duct_bends": 2, "fan_m3_h": 90, "fan_pa": 50, "fan_w": 12,
         "water_solids_mg_l": 150}
    )  # fmt: skip
    assert made == Supply(Duct(3.0, 80.0, 2), Fan(90.0, 50.0, 12.0), 150.0)
    assert made.door_minutes == 10.0
    assert read_supply({}) == Supply()
    assert read_supply({"duct_m": 3, "duct_mm": 80}).duct == Duct(3.0, 80.0, 0)
    from trialkit.chamber import ChamberError

    for half, lacks in (
        ({"duct_mm": 80}, "duct_mm but not duct_m"), ({"fan_m3_h": 90}, "fan_m3_h but not fan_pa"),
    ):  # fmt: skip
        with pytest.raises(ChamberError, match=lacks):
            read_supply(half)


# ------------------------------------------------------------------ sizes at their limits


def test_a_room_damper_than_the_band_has_nothing_to_make_up_for() -> None:
    damp = TENT.change(room_rh_pct=95.0)
    plan = size_up(damp, low_rh=70, high_rh=80, chambers=[1]).supply.set_index("item")["value"]
    assert plan["output_door"] == 0.0
    assert plan["output_usual"] == 0.0
    assert plan["output_dry"] > 0.0


def test_a_room_as_dry_as_winter_is_not_made_drier() -> None:
    winter = winter_rh_pct(20.0)
    for rh, same in ((winter - 1, True), (winter + 5, False)):
        plan = size_up(TENT.change(room_rh_pct=rh), low_rh=85, high_rh=95, chambers=[1])
        found = plan.supply.set_index("item")["value"]
        assert bool(found["output_dry"] == found["output_usual"]) is same


def test_the_air_that_carries_the_fog() -> None:
    """That of the fan while it blows; where none blows with the mist, the fresh air."""
    for room, flow in ((TENT, 8.0), (TENT.change(mist_air_changes_h=3.0), 6.0),
                       (TENT.change(mist_air_changes_h=0.5), 1.0)):  # fmt: skip
        plan = size_up(room, low_rh=85, high_rh=95, chambers=[1])
        said = plan.supply.set_index("item").loc["fog_arrives", "basis"]
        assert said.values["flow"] == pytest.approx(flow)


@pytest.mark.parametrize(("share", "output"), [(1.0, 1.0), (0.5, 2.0), (0.0, 1.0)])
def test_an_open_door_is_made_up_by_what_evaporates(share: float, output: float) -> None:
    """30 % of 2 m³ in ten minutes; where all settles the surfaces give it off again."""
    room = TENT.change(evaporating_fraction=share, surface_m2=1.0)
    plan = size_up(room, low_rh=85, high_rh=95, chambers=[1]).supply.set_index("item")["value"]
    full = float(air.absolute_humidity_g_m3(20.0, 100.0))
    refill = plan["output_door"] * 998.2 - plan["mist_with_fresh_air"] * 998.2 / 24
    assert refill == pytest.approx(0.3 * full * 2 * 6 * output, rel=1e-3)


def test_crops_carbon_dioxide_asks_for_air_by_hand() -> None:
    """2 g/h into 1000 − 420 ppm: 2000/(580 × 1.8295·10⁻³ g) m³/h, over 2 m³."""
    room = TENT.change(crop_co2_g_h=2.0)
    assert _for_crop(room, 1000.0) == pytest.approx(2 / (580 * 1.8295e-3) / 2, rel=1e-4)
    assert _for_crop(room, math.inf) == 0.0
    low = _for_crop(room.change(pressure_kpa=80.0), 1000.0)
    assert low == pytest.approx(_for_crop(room, 1000.0) * 101.325 / 80.0)


@pytest.mark.parametrize("cooling", [True, False])
@pytest.mark.parametrize("crop", [0.0, 0.4])
def test_mist_of_one_chamber_by_its_heat_and_vapour(cooling: bool, crop: float) -> None:
    """V n (rh cs − c_in) = mist + g (1 − rh) cs + m; H (T_in − T) + Q = L V n (rh cs − c_in)."""
    from trialkit.chamber.constants import Constants

    room = TENT.change(cooling=cooling, crop_m2=crop, crop_co2_g_h=1.0, heat_w=12.0)
    need = _need(room, 90.0, math.inf)
    k = Constants.of(room)
    full = float(air.absolute_humidity_g_m3(need.temp_c, 100.0))
    leaves = 8 / 3600 * (0.9 * full - room.outside_g_m3)
    given = leaves - k.g_crop * 0.1 * full - k.crop_vapour
    assert need.mist_g_h == pytest.approx(3600 * given, rel=1e-6)
    if cooling:
        heat = (k.walls + k.air_heat * 4 / 3600) * (20.0 - need.temp_c) + k.heat_off
        assert heat == pytest.approx(k.latent * leaves, rel=1e-6)
    else:
        assert need.temp_c == 20.0
    assert need.air_changes_h == pytest.approx(4.0)


def test_limits_where_nothing_is_to_be_had() -> None:
    """Nothing asked of nothing is no load; something asked of nothing cannot be done."""
    sealed = TENT.change(air_changes_h=0.0, mist_l_h=0.0)
    plan = size_up(sealed, low_rh=85, high_rh=95, chambers=[1], most_cooling_c=0.0)
    load = plan.limits.set_index("limit")["load"]
    assert load["air exchange"] == load["evaporative cooling"] == load["mist output"] == 0.0
    plan = size_up(sealed.change(crop_co2_g_h=1.0), low_rh=85, high_rh=95, chambers=[1])
    assert plan.limits.set_index("limit")["load"]["air exchange"] == math.inf
    assert "reservoir" not in plan.limits["limit"].tolist()
    assert plan.limits.columns.tolist() == ["limit", "needed", "available", "unit", "load"]


def test_lifts_of_the_shortest_mist() -> None:
    """Five seconds, or as many as told, of 0.3 L/h in 2 m³ of air that holds 17.29 g/m³."""
    for told, seconds in (({}, 5.0), ({"shortest_on_s": 8.0}, 8.0)):
        plan = size_up(TENT, low_rh=80, high_rh=90, chambers=[1], **told)
        row = plan.limits.set_index("limit").loc["saturation"]
        full = float(air.absolute_humidity_g_m3(20.0, 100.0))
        want = 100 * 0.3 * 998.2 * seconds / 3600 / 2 / full
        assert row["needed"] == pytest.approx(want, rel=1e-9)
        assert row["available"] == 15.0
        assert f"{seconds:g} s" in row["unit"]


def test_power_that_is_not_given_and_costs_of_what_is() -> None:
    for room, told in ((TENT, True), (TENT.change(fogger_w=25.0), False),
                       (TENT.change(fogger_w=25.0, mist_l_h=0.0), True)):  # fmt: skip
        plan = size_up(room, low_rh=85, high_rh=95, chambers=[1])
        assert ("power_not_given" in {f.code for f in plan.findings}) is told
        assert math.isnan(plan.table["power_w"].iloc[0]) is told
    powered = TENT.change(fogger_w=25.0)
    for prices, day, build in (
        (None, False, False), ({"water_per_m3": 4.0}, False, False),
        ({"energy_per_kwh": 0.3}, False, False), ({"chamber_each": 0.0}, False, True),
        ({"water_per_m3": 0.0, "energy_per_kwh": 0.0}, True, False),
    ):  # fmt: skip
        row = size_up(powered, low_rh=85, high_rh=95, chambers=[1], prices=prices).table.iloc[0]
        assert (not math.isnan(row["cost_day"])) is day
        assert (not math.isnan(row["cost_build"])) is build


def test_what_just_can_be_done() -> None:
    """A load of one is the most there is."""
    need = _Need(20.0, 499.1, 4.0)
    row = {"limit": "mist output", "needed": 0.5, "available": 0.5, "unit": "L/h", "load": 1.0}
    said = _say(row, need, 90.0)
    assert said.key == "chamber.size.possible"
    assert said.values["mist"] == pytest.approx(0.5)
    assert _say(row | {"load": 1.001}, need, 90.0).key == "chamber.size.impossible"


def test_blocks_bring_carbon_dioxide_and_wet_surface() -> None:
    """Three blocks of 0.5 g/h and 0.1 m² are a crop of 1.5 g/h and 0.3 m² more."""
    own = TENT.change(crop_co2_g_h=0.2, crop_m2=0.1)
    got = size_up(own, low_rh=85, high_rh=95, chambers=[2], blocks=3, block_co2_g_h=0.5,
                  block_m2=0.1)  # fmt: skip
    want = size_up(own.change(crop_co2_g_h=1.7, crop_m2=0.4), low_rh=85, high_rh=95, chambers=[2])
    assert got.table["blocks"].tolist() == [6]
    assert want.table["blocks"].tolist() == [2]
    assert got.table.drop(columns="blocks").equals(want.table.drop(columns="blocks"))


def test_numbers_that_are_none_are_said() -> None:
    words = {_in_words(math.nan), _in_words(math.inf), _in_words(0.0)}
    assert len(words) == 3
    assert _in_words(12.345) == "12.3"
    assert not any(word in _in_words(math.nan) for word in ("nan", "inf"))


@pytest.mark.parametrize("extra", [0.0, 10.0, 40.0])
def test_air_that_comes_in_with_the_mist_by_hand(extra: float) -> None:
    """A part x/M of the time the fan runs: x = V Δ (n + a x/M), so x = V Δ n/(1 − V Δ a/M)."""
    room = TENT.change(mist_air_changes_h=extra, mist_l_h=0.6)
    lift = 0.9 * float(air.absolute_humidity_g_m3(20.0, 100.0)) - room.outside_g_m3
    most = 0.6 * 998.2
    want = 2 * lift * 4 / (1 - 2 * lift * extra / most)
    need = _need(room, 90.0, math.inf)
    assert need.mist_g_h == pytest.approx(want, rel=1e-7)
    assert need.air_changes_h == pytest.approx(4 + extra * want / most, rel=1e-7)


def test_energy_of_a_day_from_its_output() -> None:
    """25 W for each 0.3 L/h while on, a quarter of the day; a fan of 10 W all day or with it."""
    room = TENT.change(fogger_w=25.0, fan_w=10.0)
    for fan, hours in (("always", 24.0), ("with mist", 6.0)):
        row = size_up(room.change(fan=fan), low_rh=85, high_rh=95, chambers=[1],
                      most_duty=0.25).table.iloc[0]  # fmt: skip
        want = (row["mist_l_h"] / 0.3 * 25 * 6 + 10 * hours) / 1000
        assert row["energy_kwh_day"] == pytest.approx(want, rel=1e-9)
        assert row["power_w"] == pytest.approx(row["mist_l_h"] / 0.3 * 25 + 10, rel=1e-9)
    assert size_up(room, low_rh=0.5, high_rh=95, chambers=[1]).table["blocks"].tolist() == [1]
