"""Settings side by side, ranges and timers, from results in round numbers."""

from __future__ import annotations

import importlib
import math
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from trialkit.chamber import Band, ChamberError, Room, Timed, room_from_rig
from trialkit.chamber.compare import _say_level, _say_pair, _verdict, compare_settings
from trialkit.chamber.holding import _say_why_not, _try_cycle, find_holding_setting
from trialkit.chamber.odd_chambers import _against_others, compare_chambers
from trialkit.chamber.room_draws import draw_rooms, shares_of
from trialkit.chamber.separate import judge_separation, separating_settings
from trialkit.chamber.surroundings import with_surroundings

comparing = importlib.import_module("trialkit.chamber.compare")
foreseeing = importlib.import_module("trialkit.chamber.foresee")
holding = importlib.import_module("trialkit.chamber.holding")

TENT = Room(volume_m3=2.0, air_changes_h=4.0, mist_l_h=0.3, cooling=False)
RIG = {"chamber_m3": 2.0, "air_changes_h": 4.0, "mist_l_h": 0.3}


def held(mean: float, *, low: float | None = None, high: float | None = None, water: float = 0.6,
         cycles: float = 360.0, setting: Any = None) -> Any:  # fmt: skip
    summary = {"mean_rh_pct": mean, "mean_vpd_kpa": 0.2, "water_l_day": water, "cycles_day": cycles}
    return SimpleNamespace(
        summary=summary, mean_rh_pct=mean, low_rh_pct=mean if low is None else low,
        high_rh_pct=mean if high is None else high, setting=setting or Timed(20.0, 220.0),
        findings=(),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("low", "high", "verdict"),
    [
        (85.0, 95.0, "inside"), (84.96, 95.04, "inside"), (84.94, 95.0, "partly below"),
        (85.0, 95.06, "partly above"), (84.94, 95.06, "too wide"), (80.0, 84.99, "below"),
        (80.0, 85.0, "partly below"), (95.01, 99.0, "above"), (95.0, 99.0, "partly above"),
    ],
)  # fmt: skip
def test_verdicts_at_the_edges_of_a_band(low: float, high: float, verdict: str) -> None:
    """A twentieth of a point is nothing; what only touches the band is not beyond it."""
    assert _verdict(held(90.0, low=low, high=high), (85.0, 95.0)) == verdict
    assert _verdict(held(90.0, low=low, high=high), None) == ""
    said = _say_level("a", held(90.0, low=low, high=high), (85.0, 95.0))
    assert said.values["verdict"].key == f"chamber.against.{verdict.replace(' ', '_')}"
    assert _say_level("a", held(90.0), None).key == "chamber.level"


def test_settings_apart_by_a_point_are_told_apart(monkeypatch: pytest.MonkeyPatch) -> None:
    """By default one point; a pair that is farther apart is not spoken of."""
    means = {"a": 88.0, "b": 89.0, "c": 89.05, "d": 89.99}
    monkeypatch.setattr(comparing, "simulate", lambda room, level: held(level))
    found = compare_settings(TENT, means)
    pairs = found.pairs.set_index(["first", "second"])["comparable"]
    assert pairs.loc[("a", "b")]
    assert pairs.loc[("a", "c")]
    assert not pairs.loc[("b", "d")]
    assert not pairs.loc[("b", "c")]
    assert len(pairs) == 6
    told = [m for m in found.said if m.key.startswith("chamber.pair.")]
    assert len(told) == 3
    assert compare_settings(TENT, means, smallest_rh_pct=0.9).pairs["comparable"].sum() == 5


def test_the_band_of_a_rig_counts_where_none_is_given(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(comparing, "simulate", lambda room, level: held(level))
    for rig, band, want in (
        ({**RIG, "band_low_rh": 80, "band_high_rh": 90}, None, (80.0, 90.0)),
        ({**RIG, "band_low_rh": 80, "band_high_rh": 90}, (70, 85), (70.0, 85.0)),
        ({**RIG, "band_low_rh": 80}, None, None), ({**RIG, "band_high_rh": 90}, None, None),
        (TENT, None, None),
    ):  # fmt: skip
        found = compare_settings(rig, {"a": 88.0}, band=band)
        assert found.band == want
        assert (found.findings == ()) is (rig is TENT)


def test_only_timers_can_be_the_same_water_in_another_rhythm() -> None:
    row = {"first": "a", "second": "b", "comparable": False, "water_ratio": 1.0,
           "cycle_ratio": 2.0, "difference_rh_pct": -0.3}  # fmt: skip
    timers = {"a": held(88.0), "b": held(88.0)}
    said = _say_pair(row, timers)
    assert said is not None
    assert said.key == "chamber.pair.rhythm"
    assert said.values["by"] == 0.3
    for name in ("a", "b"):
        mixed = {**timers, name: held(88.0, setting=Band(85.0, 93.0))}
        said = _say_pair(row, mixed)
        assert said is not None
        assert said.key == "chamber.pair.nothing"


# ------------------------------------------------------------------ holding a band


def stand_in(lows: dict[int, float], highs: dict[int, float] | None = None) -> Any:
    def simulate(room: Room, timer: Timed) -> Any:
        on = int(timer.on_s)
        made = held(0.0, low=lows[on], high=(highs or {}).get(on, 90.0), setting=timer)
        made.summary |= {"water_l_day": float(on), "energy_kwh_day": 0.0}
        return made

    return simulate


@pytest.mark.parametrize("want", [5, 6, 17, 59, 60])
def test_the_shortest_mist_of_those_that_keep_the_lower_edge(
    monkeypatch: pytest.MonkeyPatch, want: int
) -> None:
    lows = {on: 85.0 if on >= want else 84.99 for on in range(1, 61)}
    monkeypatch.setattr(holding, "simulate", stand_in(lows))
    row = _try_cycle(TENT, 60.0, 85.0, 95.0, 5.0)
    assert (row["on_s"], row["off_s"], row["holds"]) == (float(want), 60.0 - want, True)


@pytest.mark.parametrize(
    ("low", "high", "holds"),
    [(85.0, 95.0, True), (84.99, 90.0, False), (85.0, 95.01, False)],
)
def test_a_band_is_held_with_its_edges(
    monkeypatch: pytest.MonkeyPatch, low: float, high: float, holds: bool
) -> None:
    monkeypatch.setattr(
        holding, "simulate",
        stand_in(dict.fromkeys(range(1, 61), low), dict.fromkeys(range(1, 61), high)),
    )  # fmt: skip
    assert _try_cycle(TENT, 60.0, 85.0, 95.0, 5.0)["holds"] is holds


def test_the_least_water_of_the_cycles_that_hold(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two cycles need as much: the first of them is taken."""
    lows = {on: 85.0 if on >= 12 else 80.0 for on in range(1, 901)}
    monkeypatch.setattr(holding, "simulate", stand_in(lows))
    found = find_holding_setting(TENT, low_rh=85, high_rh=95)
    assert found.table["cycle_s"].tolist() == [120, 180, 240, 300, 480, 600, 900]
    assert found.setting == Timed(12.0, 108.0)
    assert found.said.values["water"] == 12.0
    assert find_holding_setting(TENT, low_rh=85, high_rh=95, cycles_s=[5.5]).setting is None
    assert find_holding_setting(TENT, low_rh=0.5, high_rh=95, cycles_s=[60.0]).setting is not None
    with pytest.raises(ChamberError, match="at least 1 s"):
        find_holding_setting(TENT, low_rh=85, high_rh=95, cycles_s=[60.0, 5.0])


def test_a_band_too_dry_for_all_or_too_wide_for_some() -> None:
    table = pd.DataFrame({"low_rh_pct": [84.9, 80.0], "high_rh_pct": [90.0, 99.0]})
    assert _say_why_not(TENT, table, 85.0, 95.0).key == "chamber.hold.too_dry"
    table.loc[1, "low_rh_pct"] = 85.0
    said = _say_why_not(TENT, table, 85.0, 95.0)
    assert said.key == "chamber.hold.too_wide"
    assert said.values["ripple"] == pytest.approx(5.1)
    assert (said.values["output"], said.values["volume"]) == (0.3, 2.0)


# ------------------------------------------------------------------ water against rhythm


def test_four_timers_by_their_factors() -> None:
    """36 in 120 s: half the water in cycles three times as long, in numbers."""
    table = separating_settings({"on_s": 36, "off_s": 84}, water=0.5, rhythm=3.0)
    assert table["on_s"].tolist() == [36, 108, 18, 54]
    assert table["off_s"].tolist() == [84, 252, 102, 306]
    assert table["duty_pct"].tolist() == pytest.approx([30, 30, 15, 15])
    assert table["cycles_day"].tolist() == pytest.approx([720, 240, 720, 240])
    assert table["water"].tolist() == [1, 1, 0.5, 0.5]
    assert table["rhythm"].tolist() == [1, 3, 1, 3]
    assert table["level"].tolist()[1:] == ["same water, longer cycles", "same cycles, less water",
                                           "longer cycles, less water"]  # fmt: skip
    with pytest.raises(ChamberError, match="other than 1"):
        separating_settings({"on_s": 36, "off_s": 84}, rhythm=1.0)


@pytest.mark.parametrize(("ratio", "told"), [(1.049, False), (1.055, True)])
def test_timers_that_hardly_differ_are_not_confounded(ratio: float, told: bool) -> None:
    """Less than a twentieth on the logarithm is no difference, of water or of rhythm."""

    def timer(duty: float, cycle: float) -> dict[str, float]:
        return {"on_s": duty * cycle, "off_s": (1 - duty) * cycle}

    one = timer(0.1, 600)
    assert bool(judge_separation(levels={"a": one, "b": timer(0.1 * ratio, 1200)})) is told
    assert bool(judge_separation(levels={"a": one, "b": timer(0.2, 600 * ratio)})) is told
    assert not judge_separation(levels={"a": one, "b": {"on_s": 60, "off_s": 0}})
    assert not judge_separation(levels={"a": one, "b": {"on_s": 0, "off_s": 60}})
    assert not judge_separation(levels={"a": one, "b": {"start_below_rh": 80, "stop_above_rh": 90}})


# ------------------------------------------------------------------ chambers compared


def fits(*values: tuple[float, float], known: tuple[str, ...] = ("lag_s",)) -> dict[str, Any]:
    return {
        f"T{k}": SimpleNamespace(
            estimates={"estimate": {"lag_s": value}}, log_se={"lag_s": se},
            determined=frozenset(known),
        )
        for k, (value, se) in enumerate(values, 1)
    }  # fmt: skip


def test_two_chambers_are_enough_to_compare_and_one_is_not() -> None:
    assert compare_chambers(fits((30, 0.1)), 0.95, 1.2).empty
    two = compare_chambers(fits((30, 0.1), (30, 0.1)), 0.95, 1.2)
    assert two["constant"].tolist() == ["lag_s", "lag_s"]
    assert compare_chambers(fits((30, 0.1), (30, 0.1), known=()), 0.95, 1.2).empty
    one = {**fits((30, 0.1), (30, 0.1), known=()), **fits((30, 0.1))}
    assert compare_chambers(one, 0.95, 1.2).empty


@pytest.mark.parametrize(("se", "differs"), [(0.05, True), (0.3, False)])
def test_a_chamber_differs_by_ratio_and_by_chance(se: float, differs: bool) -> None:
    """Ln 2 over √(0.05² + 0.05²) is 9.8 errors, over √(0.3² + 0.3²) 1.6."""
    table = _against_others("lag_s", fits((30, se), (60, se)), 0.95, 1.2)
    assert table["differs"].tolist() == [differs] * 2
    z = math.log(2) / (se * math.sqrt(2))
    want = min(math.erfc(z / math.sqrt(2)) * 6, 1.0)  # three constants, two chambers
    assert table["p"].tolist() == pytest.approx([want] * 2)


def test_a_chamber_of_no_error_at_all_can_be_compared() -> None:
    table = _against_others("lag_s", fits((30, 0.0), (30, 0.0)), 0.95, 1.2)
    assert table["ratio"].tolist() == pytest.approx([1.0, 1.0])
    assert table["p"].tolist() == pytest.approx([1.0, 1.0])
    assert not table["differs"].any()


def test_two_odd_chambers_are_set_apart_in_turn() -> None:
    """The one by most errors first; the others are then alike among themselves."""
    table = _against_others(
        "lag_s", fits((30, 0.02), (30, 0.02), (30, 0.02), (60, 0.02), (15, 0.05)), 0.95, 1.2
    )
    assert table["differs"].tolist() == [False, False, False, True, True]
    assert table["ratio"].tolist() == pytest.approx([1.0, 1.0, 1.0, 2.0, 0.5])
    three = _against_others("lag_s", fits((30, 0.02), (30, 0.02), (60, 0.02)), 0.95, 1.2)
    assert three["differs"].tolist() == [False, False, True]
    assert three["ratio"].tolist() == pytest.approx([1.0, 1.0, 2.0])
    close = _against_others("lag_s", fits((30, 1e-3), (30, 1e-3)), 0.95, 1.2)
    assert close["high"].iloc[0] == pytest.approx(math.exp(1.959964 * 1e-3 * math.sqrt(2)))
    both = compare_chambers(fits((30, 0.02), (60, 0.02)), 0.95, 1.2)
    assert both.index.tolist() == [0, 1]


# ------------------------------------------------------------------ the room around


def test_a_room_as_damp_as_its_chambers_takes_nothing_from_them() -> None:
    """A chamber that takes water up leaves the room as it is; half a size says nothing."""
    small = TENT.change(surroundings_m3=400.0, surroundings_air_changes_h=0.5, room_rh_pct=70.0)
    assert with_surroundings(small, Timed(0.0, 60.0)).room_rh_pct == pytest.approx(70.0, abs=0.01)
    only = TENT.change(surroundings_air_changes_h=0.5)
    assert with_surroundings(only, Timed(60.0, 540.0)) is only
    # all mist leaves: (30 g/h of 3) over 400 m³ × 0.5
    found = with_surroundings(small.change(chambers_in_room=3.0), Timed(60.0, 540.0))
    rise = found.outside_g_m3 - small.outside_g_m3
    assert rise == pytest.approx(3 * 0.03 * 998.2 / 200, rel=2e-3)
    assert found.surroundings_m3 is None
    # 0.8 g/h over 10 m³ × 0.05
    weak = TENT.change(mist_l_h=0.008, surroundings_m3=10.0, surroundings_air_changes_h=0.05)
    found = with_surroundings(weak, Timed(60.0, 540.0))
    rise = found.outside_g_m3 - weak.outside_g_m3
    assert rise == pytest.approx(0.0008 * 998.2 / 0.5, rel=5e-3)


# ------------------------------------------------------------------ ranges


def test_two_hundred_rooms_of_the_first_draw(monkeypatch: pytest.MonkeyPatch) -> None:
    """If nothing is said; and a point is what makes two settings the same air."""
    seen: list[Any] = []

    def draw(made: Any, count: int, *, seed: int) -> Any:
        seen.append((count, seed))
        return draw_rooms(made, 20, seed=seed)

    monkeypatch.setattr(foreseeing, "draw_rooms", draw)
    monkeypatch.setattr(foreseeing, "_hold", lambda likely, setting: np.full((20, 3), 90.0))
    monkeypatch.setattr(foreseeing, "recovery_minutes", lambda room, setting: 5.0)
    found = foreseeing.foresee(RIG, {"a": {"on_s": 20, "off_s": 220}})
    assert seen == [(200, 1)]
    assert (found.rooms, found.smallest_rh_pct) == (200, 1.0)
    assert foreseeing.foresee(RIG, {"a": {"on_s": 20, "off_s": 220}}, rooms=20).rooms == 20
    with pytest.raises(ChamberError, match="19 rooms"):
        foreseeing.foresee(RIG, {"a": {"on_s": 20, "off_s": 220}}, rooms=19)
    trial = SimpleNamespace(rig=RIG, factors={"m": SimpleNamespace(levels={"a": Timed(20, 220)})})
    monkeypatch.setattr(foreseeing, "foresee", lambda rig, levels, rooms: rooms)
    assert foreseeing.foresee_treatments(trial) == {"m": 200}


def test_draws_are_the_same_each_time_and_others_by_another_seed() -> None:
    made = room_from_rig(RIG)
    first = draw_rooms(made, 20)
    assert first.draws.tolist() == draw_rooms(made, 20, seed=1).draws.tolist()
    assert first.draws.tolist() != draw_rooms(made, 20, seed=2).draws.tolist()
    # evenly spread: each twentieth of every quantity once
    assert np.sort(np.floor(first.draws * 20), axis=0).tolist() == [
        [float(k)] * len(first.keys) for k in range(20)
    ]


def test_what_drives_nothing_has_no_share() -> None:
    likely = draw_rooms(room_from_rig(RIG), 40)
    only = likely.draws[:, 3]
    shares = shares_of(likely, 5 + 2 * (only - 0.5) ** 2)
    assert shares[likely.keys[3]] == pytest.approx(1.0, abs=1e-9)
    assert max(v for k, v in shares.items() if k != likely.keys[3]) < 0.2
    known = room_from_rig({**RIG, "crop_m2": 0.0, "measured": ["mist_l_h"]})
    sure = draw_rooms(known, 40)
    assert "crop_m2" not in sure.keys  # none is none, whatever the label's error
    at = sure.draws[:, sure.keys.index("air_changes_h")]
    means = {"a": np.column_stack([90 + 0.1 * at] * 3)}
    table = foreseeing._measure(known, sure, means).set_index("quantity")
    assert table.loc["crop_m2", "share_pct"] == 0.0
    assert table.loc["air_changes_h", "share_pct"] == pytest.approx(100.0)
    assert table.loc["air_changes_h", "half_width_then"] == pytest.approx(0.0, abs=1e-6)
    assert table.loc["crop_m2", "half_width_then"] == table["half_width_now"].iloc[0]
    assert foreseeing._measure(known, sure, means).index.tolist() == list(range(len(table)))
