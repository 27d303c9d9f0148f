"""Settings compared, bands held, rooms sized up, and rooms read from a rig."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest

from trialkit import air
from trialkit.chamber import (
    Band,
    ChamberError,
    Room,
    Timed,
    compare_settings,
    compare_treatments,
    find_holding_setting,
    judge_separation,
    read_setting,
    recovery_minutes,
    room_from_rig,
    separating_settings,
    simulate,
    size_up,
)
from trialkit.chamber.constants import WATER_G_L
from trialkit.chamber.quantities import QUANTITIES

TENT = Room(volume_m3=2.0, air_changes_h=4.0, mist_l_h=0.3, room_rh_pct=60.0)
RIG = {
    "chamber_m3": 2.0, "air_changes_h": 4.0, "mist_l_h": 0.3, "room_temp_c": 20.0,
    "room_rh_pct": 60.0, "evaporating_fraction": 1.0, "band_low_rh": 85.0, "band_high_rh": 95.0,
    "fogger_w": 25.0, "fan_w": 10.0, "fan": "always", "reservoir_l": 4.0,
}  # fmt: skip


# ------------------------------------------------------------------ comparing settings


def test_sentences_say_what_each_level_holds_and_what_cannot_be_compared():
    levels = {
        "usual": {"on_s": 20, "off_s": 220},
        "sparse": {"on_s": 20, "off_s": 460},
        "long": {"on_s": 40, "off_s": 440},
        "near": {"on_s": 21, "off_s": 230},
        "banded": {"start_below_rh": 86, "stop_above_rh": 93},
        "dim": {"lux": 150, "hours": 10},
    }
    result = compare_settings(RIG, levels)
    said = "\n".join(result.sentences)
    assert "sparse: 20 s every 8 min holds" in said
    assert "below your band of 85–95 %" in said
    assert "usual and long differ by 0.0 % RH: the same climate and water in another rhythm" in said
    assert "usual and near differ by 0.1 % RH: nothing to compare." in said
    assert "usual and sparse" not in said  # ten points apart: a fair comparison
    assert any("dim is not simulated" in str(finding) for finding in result.findings)
    table = result.table.set_index("level")
    assert table.loc["sparse", "verdict"] == "below"
    assert table.loc["usual", "water_l_day"] == pytest.approx(0.3 * 24 / 12)
    assert table.loc["usual", "energy_kwh_day"] == pytest.approx((25 / 12 + 10) * 24 / 1000)
    assert table.loc["usual", "refill_days"] == pytest.approx(4 / 0.6)
    assert len(result.pairs) == 10
    assert "usual" in str(result)
    assert "<table" in result._repr_html_()


def test_verdicts_against_the_band():
    def verdict(low, high, setting):
        return compare_settings(TENT, {"a": setting}, band=(low, high)).table["verdict"].iloc[0]

    usual = {"on_s": 20, "off_s": 220}
    result = simulate(TENT, usual)
    low, high = result.low_rh_pct, result.high_rh_pct
    assert verdict(low - 1, high + 1, usual) == "inside"
    assert verdict(high + 1, high + 5, usual) == "below"
    assert verdict(low - 5, low - 1, usual) == "above"
    assert verdict(low + 1, high - 1, usual) == "too wide"
    assert verdict(low + 1, high + 1, usual) == "partly below"
    assert verdict(low - 1, high - 1, usual) == "partly above"
    assert compare_settings(TENT, {"a": usual}).table["verdict"].iloc[0] == ""
    with pytest.raises(ChamberError, match="no band"):
        verdict(90, 80, usual)


def test_settings_are_read_from_attributes_too():
    level = SimpleNamespace(on_s=20.0, off_s=220.0, start_below_rh=None, stop_above_rh=None)
    rig = SimpleNamespace(**RIG)
    by_object = compare_settings(rig, {"usual": level}).table
    by_mapping = compare_settings(RIG, {"usual": {"on_s": 20, "off_s": 220}}).table
    assert by_object.equals(by_mapping)
    assert read_setting({"start_below_rh": 85, "stop_above_rh": 93}) == Band(85.0, 93.0)


def test_any_crop_under_fog_runs_the_same_way():
    """Cuttings rooted under fog: warm, bright, one harvest; nothing knows a species."""
    house = Room(
        volume_m3=40.0, air_changes_h=1.0, mist_l_h=4.0, room_temp_c=24.0, room_rh_pct=45.0,
        crop_m2=20.0, surface_m2=30.0, evaporating_fraction=0.7, heat_w=800.0,
    )  # fmt: skip
    result = compare_settings(
        house, {"day": {"on_s": 10, "off_s": 590}, "dense": {"on_s": 10, "off_s": 170}},
        band=(80, 98),
    )  # fmt: skip
    assert len(result.sentences) >= 2
    assert result.table["mean_rh_pct"].between(45, 100).all()


# ------------------------------------------------------------------ water against rhythm


def test_separating_settings_cross_water_and_rhythm():
    """30/270 and 60/540 have the same volume with 288 and 144 cycles a day."""
    table = separating_settings({"on_s": 30, "off_s": 270}).set_index("level")
    base, slow = table.loc["base"], table.loc["same water, longer cycles"]
    assert (slow["on_s"], slow["off_s"]) == (60, 540)
    assert (base["cycles_day"], slow["cycles_day"]) == (288, 144)
    assert base["duty_pct"] == slow["duty_pct"] == 10
    crossed = np.log(table[["water", "rhythm"]].to_numpy())
    assert np.corrcoef(crossed.T)[0, 1] == pytest.approx(0, abs=1e-12)
    assert judge_separation(levels=table.to_dict("index")) == []
    shorter = separating_settings({"on_s": 30, "off_s": 270}, rhythm=0.5, water=0.5)
    assert "shorter cycles, less water" in shorter["level"].tolist()
    with pytest.raises(ChamberError, match="choose factors nearer to 1"):
        separating_settings({"on_s": 30, "off_s": 30}, water=2.0)
    with pytest.raises(ChamberError, match="on for 3 s"):
        separating_settings({"on_s": 6, "off_s": 60}, water=0.5)
    with pytest.raises(ChamberError, match="other than 1"):
        separating_settings({"on_s": 6, "off_s": 60}, water=1.0)
    with pytest.raises(ChamberError, match="only a timer"):
        separating_settings({"start_below_rh": 85, "stop_above_rh": 93})


def test_water_and_rhythm_that_change_together_are_pointed_out():
    together = {"a": {"on_s": 20, "off_s": 220}, "b": {"on_s": 20, "off_s": 460}}
    assert "change together" in str(judge_separation(levels=together)[0])
    assert (
        judge_separation(levels={"a": {"on_s": 30, "off_s": 270}, "b": {"on_s": 60, "off_s": 540}})
        == []
    )
    assert judge_separation(levels={"a": {"on_s": 30, "off_s": 270}, "c": {"lux": 10}}) == []


# ------------------------------------------------------------------ holding a band


def test_the_holding_timer_is_the_shortest_that_keeps_the_edge():
    held = find_holding_setting(TENT, low_rh=85, high_rh=95, cycles_s=[120, 240, 600])
    assert held.setting is not None
    for row in held.table.to_dict("records"):
        assert row["low_rh_pct"] >= 85
        less = simulate(TENT, Timed(row["on_s"] - 1, row["off_s"] + 1))
        assert less.low_rh_pct < 85
    assert held.table.loc[0, "holds"]
    assert not held.table.loc[2, "holds"]  # ten-minute cycles swing too far
    assert held.table["water_l_day"].iloc[0] == held.table["water_l_day"].min()
    assert "yes" in str(held)
    assert "<table" in held._repr_html_()


def test_why_no_timer_holds_the_band():
    weak = find_holding_setting(TENT.change(mist_l_h=0.03), low_rh=85, high_rh=95)
    assert weak.setting is None
    assert "more mist" in weak.sentence
    strong = find_holding_setting(TENT.change(mist_l_h=3.0), low_rh=85, high_rh=88)
    assert strong.setting is None
    assert "swings by" in strong.sentence
    with pytest.raises(ChamberError, match="no band"):
        find_holding_setting(TENT, low_rh=95, high_rh=85)
    with pytest.raises(ChamberError, match="longer than the shortest"):
        find_holding_setting(TENT, low_rh=85, high_rh=95, cycles_s=[4])


def test_a_humidity_band_is_held_with_overshoot_by_the_sensor_lag():
    room = TENT.change(cooling=False)
    setting = {"start_below_rh": 86, "stop_above_rh": 93}
    quick, slow = (simulate(room.change(sensor_lag_s=lag), setting) for lag in (0.0, 60.0))
    assert quick.low_rh_pct == pytest.approx(86, abs=1e-3)
    assert quick.high_rh_pct == pytest.approx(93, abs=1e-3)
    assert slow.low_rh_pct < 86 < 93 < slow.high_rh_pct
    course = slow.sample(step_s=1.0, columns=("sensor_rh_pct", "mist_on"))
    switched = np.diff(course["mist_on"][43_200:])
    shown = course["sensor_rh_pct"][43_200:-1]
    assert shown[switched < 0] == pytest.approx(93, abs=0.2)
    assert shown[switched > 0] == pytest.approx(86, abs=0.2)
    # without lag the cycle is two exponentials: on up, off down between the limits
    n, c_in = 4 / 3600, room.outside_g_m3
    low, high = (air.absolute_humidity_g_m3(20, rh) for rh in (86, 93))
    top = c_in + 0.3 * WATER_G_L / 2 / 4
    on = math.log((top - low) / (top - high)) / n
    off = math.log((high - c_in) / (low - c_in)) / n
    assert quick.summary["duty_pct"] == pytest.approx(100 * on / (on + off), rel=1e-5)
    assert quick.summary["cycles_day"] == pytest.approx(86400 / (on + off), rel=1e-5)


def test_bands_that_never_switch_are_said():
    dry = simulate(TENT.change(mist_l_h=0.01), {"start_below_rh": 86, "stop_above_rh": 93})
    assert "never_stops" in {finding.code for finding in dry.findings}
    assert dry.summary["duty_pct"] == pytest.approx(100)
    wet = simulate(TENT.change(room_rh_pct=95), {"start_below_rh": 86, "stop_above_rh": 93})
    assert "never_starts" in {finding.code for finding in wet.findings}
    assert wet.summary["water_l_day"] == 0
    assert math.isnan(wet.summary["refill_days"])  # no reservoir given
    assert math.isnan(wet.summary["energy_kwh_day"])  # no power given
    band = {"start_below_rh": 86, "stop_above_rh": 93}
    full = simulate(TENT.change(room_rh_pct=95, reservoir_l=4.0), band)
    assert math.isinf(full.summary["refill_days"])  # never used


def test_recovery_after_a_door():
    usual = {"on_s": 20, "off_s": 220}
    full = recovery_minutes(TENT, usual)
    half = recovery_minutes(TENT, usual, exchanged=0.5)
    assert 0 < half <= full < 60
    with pytest.raises(ChamberError, match="exchanged"):
        recovery_minutes(TENT, usual, exchanged=0)


# ------------------------------------------------------------------ sizing up


def test_sizing_agrees_with_the_simulation_at_the_mean():
    room = TENT.change(crop_m2=0.2, fogger_w=25.0)
    plan = size_up(room, low_rh=85, high_rh=95, chambers=[1, 5], most_duty=0.5)
    per_day = plan.table["water_l_day"].iloc[0]
    watts = 25.0 * per_day / 24 / room.mist_l_h  # its power goes with its output
    steady = simulate(room.change(mist_l_h=per_day / 24, fogger_w=watts), {"on_s": 60, "off_s": 0})
    assert steady.mean_rh_pct == pytest.approx(90, abs=1e-3)
    for name in ("mist_l_h", "fan_m3_h", "water_l_day", "power_w", "reservoir_l"):
        assert plan.table[name].iloc[1] == pytest.approx(5 * plan.table[name].iloc[0])
    assert plan.table["mist_l_h"].iloc[0] == pytest.approx(2 * per_day / 24)


def test_sizing_counts_the_air_that_comes_in_with_the_mist():
    """The mist sized up, spread over the day by a timer, holds the humidity (20 more changes)."""
    room = TENT.change(mist_l_h=0.6, mist_air_changes_h=20.0, cooling=False)
    need = size_up(room, low_rh=80, high_rh=90, chambers=[1]).table["water_l_day"].iloc[0]
    share = need / 24 / 0.6
    held = simulate(room, {"on_s": 10 * share, "off_s": 10 * (1 - share)})
    assert held.mean_rh_pct == pytest.approx(85, abs=0.1)
    without = size_up(room.change(mist_air_changes_h=0.0), low_rh=80, high_rh=90, chambers=[1])
    assert need > 1.2 * without.table["water_l_day"].iloc[0]


@pytest.mark.parametrize(
    ("n", "grams_h"), [(1, 13.8), (2, 27.7), (4, 55.3), (8, 110.6), (12, 165.9)]
)
def test_sizing_gives_the_worked_mist_rates(n, grams_h):
    """V = 2 m³, inlet 20 °C 50 %, 90 % held, isothermal: mist in g/h (FAO-56 line)."""
    room = TENT.change(air_changes_h=n, room_rh_pct=50.0, cooling=False)
    plan = size_up(room, low_rh=85, high_rh=95, chambers=[1])
    assert plan.table["water_l_day"].iloc[0] * WATER_G_L / 24 == pytest.approx(grams_h, abs=0.1)


def test_what_limits_first():
    def first(room, **more):
        return size_up(room, low_rh=85, high_rh=95, chambers=[1], **more)

    assert first(TENT.change(mist_l_h=0.05)).first_limit == "mist output"
    assert first(TENT.change(mist_l_h=4.0)).first_limit == "saturation"
    assert first(TENT, most_cooling_c=0.3).first_limit == "evaporative cooling"
    breathing = first(TENT, blocks=12, block_co2_g_h=1.0)
    assert breathing.first_limit == "air exchange"
    assert "cannot be done" in breathing.sentence
    # 1 g/h of CO2 into 8 m³/h raises it by 68 ppm: 12 g/h within 580 ppm need 5.65 times 2 m³
    assert breathing.table["fan_m3_h"].iloc[0] == pytest.approx(12 * 68.3 * 8 / 580, rel=2e-3)
    small = first(TENT.change(reservoir_l=0.1))
    assert small.first_limit == "reservoir"
    assert "power_not_given" in {finding.code for finding in small.findings}


def test_costs_only_with_prices():
    plan = size_up(TENT, low_rh=85, high_rh=95, chambers=[2])
    assert plan.table[["cost_day", "cost_build"]].isna().all(axis=None)
    prices = {"water_per_m3": 4.0, "energy_per_kwh": 0.3, "chamber_each": 200.0}
    powered = TENT.change(fogger_w=25.0)
    row = size_up(powered, low_rh=85, high_rh=95, chambers=[2], prices=prices).table.iloc[0]
    assert row["cost_build"] == 400
    told = row["water_l_day"] / 1000 * 4 + row["energy_kwh_day"] * 0.3
    assert row["cost_day"] == pytest.approx(told)
    for bad in ({"low_rh": 95}, {"chambers": []}, {"co2_limit_ppm": 300}, {"most_duty": 0}):
        with pytest.raises(ChamberError):
            size_up(TENT, **{"low_rh": 85, "high_rh": 90, **bad})


# ------------------------------------------------------------------ rooms and settings


def test_a_rig_without_its_needed_numbers_is_refused_with_the_remedy():
    asked = r"lacks chamber_m3, mist_l_h.*notebook 5.*identify_room"
    with pytest.raises(ChamberError, match=asked):
        room_from_rig({"air_changes_h": 4})
    made = room_from_rig({"chamber_m3": 1, "air_changes_h": 4, "mist_l_h": 0.3, "crop_m2": 0.5})
    assert made.room.crop_m2 == 0.5
    told = {finding.code.removeprefix("assumed_") for finding in made.findings}
    given = {"chamber_m3", "air_changes_h", "mist_l_h", "crop_m2"}
    assert told == {quantity.key for quantity in QUANTITIES} - given == made.missing
    room = room_from_rig(RIG).room
    full = RIG | {quantity.key: getattr(room, quantity.field) for quantity in QUANTITIES}
    assert room_from_rig(full).findings == ()


def test_impossible_rooms_are_refused_with_every_fault():
    with pytest.raises(ChamberError, match=r"air_changes_h = -1.*evaporating_fraction = 2"):
        Room(volume_m3=1.0, air_changes_h=-1.0, mist_l_h=0.1, evaporating_fraction=2.0)
    with pytest.raises(ChamberError, match="not a number"):
        Room(volume_m3=math.nan, air_changes_h=1.0, mist_l_h=0.1)
    with pytest.raises(ChamberError, match=r"room_rh_pct = 120.*room_temp_c = 99.*fan = .often."):
        TENT.change(room_rh_pct=120.0, room_temp_c=99.0, fan="often")
    with pytest.raises(ChamberError, match="volume_m3 is zero"):
        Room(volume_m3=0.0, air_changes_h=1.0, mist_l_h=0.1)


@pytest.mark.parametrize(
    "setting",
    [
        {},
        {"on_s": 20},
        {"on_s": -1, "off_s": 20},
        {"on_s": 0, "off_s": 0},
        {"start_below_rh": 93, "stop_above_rh": 85},
        {"start_below_rh": 85, "stop_above_rh": 101},
    ],
)
def test_impossible_settings_are_refused(setting):
    with pytest.raises(ChamberError):
        simulate(TENT, setting)


@pytest.mark.parametrize(
    ("setting", "words"),
    [
        ({"on_s": 20, "off_s": 220}, "20 s every 4 min"),
        ({"on_s": 30, "off_s": 300}, "30 s every 5.5 min"),
        ({"on_s": 120, "off_s": 1080}, "2 min every 20 min"),
        ({"on_s": 5, "off_s": 60}, "5 s every 65 s"),
        ({"on_s": 60, "off_s": 0}, "mist always on"),
        ({"on_s": 0, "off_s": 60}, "no mist"),
        ({"start_below_rh": 85, "stop_above_rh": 93}, "mist from 85 % up to 93 %"),
    ],
)
def test_settings_in_words(setting, words):
    assert read_setting(setting).words == words


def test_nearly_sealed_rooms_are_said_not_to_settle():
    sealed = TENT.change(air_changes_h=0.0, crop_co2_g_h=1.0)
    result = simulate(sealed, {"on_s": 0, "off_s": 60}, 1.0)
    assert "not_settled" in {finding.code for finding in result.findings}
    with pytest.raises(ChamberError, match="hours"):
        simulate(TENT, {"on_s": 1, "off_s": 1}, 0.0)
    with pytest.raises(ChamberError, match="cannot start"):
        simulate(TENT, {"on_s": 1, "off_s": 1}, start_rh_pct=120)


def test_the_treatments_of_a_trial_that_set_mist_are_compared():
    def setting(**given):
        names = ("on_s", "off_s", "start_below_rh", "stop_above_rh", "lux")
        return SimpleNamespace(**{**dict.fromkeys(names), **given})

    trial = SimpleNamespace(
        rig=SimpleNamespace(**RIG),
        factors={
            "schedule": SimpleNamespace(
                levels={"usual": setting(on_s=20, off_s=220), "sparse": setting(on_s=20, off_s=460)}
            ),
            "light": SimpleNamespace(levels={"dim": setting(lux=150)}),
        },
    )
    found = compare_treatments(trial)
    assert list(found) == ["schedule"]
    assert list(found["schedule"].results) == ["usual", "sparse"]
    assert found["schedule"].band == (85.0, 95.0)
    # twenty seconds each, in cycles twice as long: less water and another rhythm at once
    assert any("change together" in sentence for sentence in found["schedule"].sentences)
    trial.rig = SimpleNamespace()
    with pytest.raises(ChamberError, match="lacks chamber_m3"):
        compare_treatments(trial)
