"""Ranges of a plan: what is unsure and by how much, and what the drawn rooms say of it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from trialkit.chamber import foresee, room_from_rig
from trialkit.chamber.foresee import Foresight, _measure, _pairs, _row
from trialkit.chamber.quantities import QUANTITIES
from trialkit.chamber.room_draws import _between, draw_rooms, shares_of

RIG = {"chamber_m3": 1.8, "air_changes_h": 5.0, "mist_l_h": 0.4, "room_temp_c": 15,
       "room_rh_pct": 66, "evaporating_fraction": 0.8}  # fmt: skip


@pytest.mark.parametrize(
    ("key", "given", "measured", "least", "most"),
    [
        ("chamber_m3", 1.1, 1.03, 0, math.inf),
        ("air_changes_h", 1.6, 1.15, 0, math.inf),
        ("mist_l_h", 1.25, 1.05, 0, math.inf),
        ("mist_air_changes_h", 1.6, 1.15, 0, math.inf),
        ("surface_m2", 1.5, 1.1, 0, math.inf),
        ("crop_m2", 2.0, 1.2, 0, math.inf),
        ("crop_co2_g_h", 2.0, 1.2, 0, math.inf),
        ("fogger_heat_w", 1.2, 1.05, 0, math.inf),
        ("drop_um", 2.0, 1.3, 0.5, math.inf),
        ("wall_w_k", 1.5, 1.2, 0, math.inf),
        ("transfer_m_h", 1.5, 1.2, 0, math.inf),
        ("surface_heat_w_m2_k", 1.3, 1.2, 0.1, math.inf),
        ("surface_holds_g_m2", 2.0, 1.3, 0, math.inf),
    ],
)
def test_labels_and_measurements_are_off_by_a_factor(
    key: str, given: float, measured: float, least: float, most: float
) -> None:
    """The factors a plan is built on: a change of one of them is a change of every range."""
    [quantity] = [q for q in QUANTITIES if q.key == key]
    for factor, by_meter in ((given, False), (measured, True)):
        found = quantity.limits({quantity.field: 60.0}, measured=by_meter)
        assert found == pytest.approx((60.0 / factor, 60.0 * factor))
    tiny = quantity.limits({quantity.field: 1e-9}, measured=False)
    assert tiny[0] == pytest.approx(least, abs=1e-8)
    assert quantity.most == most


@pytest.mark.parametrize(
    ("key", "given", "measured", "least", "most"),
    [
        ("room_temp_c", 3.0, 1.0, -20, 50),
        ("room_rh_pct", 10.0, 4.0, 0, 100),
        ("evaporating_fraction", 0.15, 0.05, 0, 1),
        ("heat_w", 10.0, 3.0, -math.inf, math.inf),
    ],
)
def test_other_numbers_are_off_by_points(
    key: str, given: float, measured: float, least: float, most: float
) -> None:
    [quantity] = [q for q in QUANTITIES if q.key == key]
    for points, by_meter in ((given, False), (measured, True)):
        low, high = quantity.limits({quantity.field: 0.5}, measured=by_meter)
        assert low == pytest.approx(max(0.5 - points, least))
        assert high == pytest.approx(min(0.5 + points, most))
    if math.isfinite(most):
        ends = [quantity.limits({quantity.field: v}, measured=False) for v in (least, most)]
        assert ends[0][0] == least
        assert ends[1][1] == most


@pytest.mark.parametrize(
    ("key", "want"),
    [
        ("room_temp_c", (20, 12, 26)),
        ("room_rh_pct", (50, 25, 75)),
        ("evaporating_fraction", (0.9, 0.6, 1.0)),
        ("crop_m2", (0.2, 0, 1.0)),  # 0.1, none and 0.5 m² in each of 2 m³
        ("crop_co2_g_h", (0.6, 0, 3.0)),
        ("heat_w", (0, 0, 16.0)),
        ("drop_um", (5.0, 2.5, 12.0)),
        ("transfer_m_h", (10.8, 6.0, 25.0)),
        ("surface_heat_w_m2_k", (9.3, 6.0, 15.0)),
        ("surface_holds_g_m2", (100, 30, 200)),
    ],
)
def test_usual_numbers_are_those_the_catalogue_tells(key: str, want: tuple) -> None:
    [quantity] = [q for q in QUANTITIES if q.key == key]
    assert quantity.usual is not None
    assert quantity.usual({"volume_m3": 2.0}) == pytest.approx(want)


def test_what_a_grower_cannot_measure_and_what_must_be_given() -> None:
    hard = {q.key for q in QUANTITIES if not q.can_measure}
    assert hard == {"drop_um", "wall_w_k", "transfer_m_h", "surface_heat_w_m2_k",
                    "surface_holds_g_m2"}  # fmt: skip
    needed = {q.key for q in QUANTITIES if q.usual is None}
    assert needed == {"chamber_m3", "air_changes_h", "mist_l_h"}


# ------------------------------------------------------------------ what the drawn rooms say


def test_range_of_a_level_is_the_middle_95_in_a_hundred() -> None:
    """41 rooms at 60, 61 … 100 %: one of each end left out, half at 80; 21 of 41 in the band."""
    mean = np.arange(60.0, 101.0)
    values = np.column_stack([mean, mean - 10, mean / 2])[::-1]
    row = _row("20 s", "usual", values, (70.0, 90.0))
    assert (row["mean_rh_pct_from"], row["mean_rh_pct"], row["mean_rh_pct_to"]) == (61, 80, 99)
    assert (row["low_rh_pct_from"], row["low_rh_pct"], row["low_rh_pct_to"]) == (51, 70, 89)
    assert row["high_rh_pct_to"] == 49.5
    assert row["in_band_pct"] == pytest.approx(100 * 21 / 41)
    assert math.isnan(_row("20 s", "usual", values, None)["in_band_pct"])


def test_pairs_of_levels_by_hand() -> None:
    """Differences 0, −1 … −40: less than 2 points in two rooms of 41."""
    one, two = np.full((41, 3), 90.0), np.full((41, 3), 90.0)
    two[:, 0] -= np.arange(41)
    [row] = _pairs({"a": one, "b": two}, 2.0).to_dict("records")
    assert (row["first"], row["second"]) == ("a", "b")
    found = (row["difference_from"], row["difference_rh_pct"], row["difference_to"])
    assert found == (-39, -20, -1)
    assert row["alike_pct"] == pytest.approx(100 * 2 / 41)


def test_what_to_measure_by_hand() -> None:
    """One level hangs on the mist alone, three times as much as another on air changes.

    Even spreads of 9 and 3 points: variances 9 to 1, so shares 90 % and 10 %; the half widths
    (8.55 + 2.85)/2/2 = 2.85 now, √0.1 of it once the mist is known.
    """
    made = room_from_rig({**RIG, "measured": ["chamber_m3"]})
    likely = draw_rooms(made, 400)
    mist, changes = (likely.draws[:, likely.keys.index(k)] for k in ("mist_l_h", "air_changes_h"))
    flat = np.zeros((400, 3))
    held = {"a": flat + (80 + 9 * mist)[:, None], "b": flat + (80 - 3 * changes)[:, None]}
    table = _measure(made, likely, held).set_index("quantity")
    assert list(table.index[:2]) == ["mist_l_h", "air_changes_h"]
    assert table["share_pct"].iloc[:2].tolist() == pytest.approx([90, 10], abs=1.5)
    assert table["half_width_now"].tolist() == pytest.approx([2.85] * len(table), rel=0.01)
    assert table.loc["mist_l_h", "half_width_then"] == pytest.approx(2.85 * 0.1**0.5, rel=0.08)
    assert "chamber_m3" not in table.index  # measured already
    assert "drop_um" not in table.index  # nobody can
    assert (table["share_pct"].iloc[2:] < 2).all()
    still = _measure(made, likely, {"a": flat + 80.0})
    assert (still["share_pct"] == 0).all()
    assert (still["half_width_now"] == 0).all()


def test_factors_are_drawn_on_the_logarithm_and_points_evenly() -> None:
    """A quarter of the way from 2 to 32: 2 × 16^(1/4) = 4 by factors, 9.5 by points."""
    by = {q.key: q for q in QUANTITIES}
    assert _between(by["mist_l_h"], 2.0, 32.0, 0.25) == pytest.approx(4.0)
    assert _between(by["room_temp_c"], 2.0, 32.0, 0.25) == pytest.approx(9.5)
    assert _between(by["crop_m2"], 0.0, 32.0, 0.25) == pytest.approx(8.0)  # none has no logarithm
    likely = draw_rooms(room_from_rig(RIG), 25)
    at = likely.keys.index("mist_l_h")
    for room, row in zip(likely.rooms, likely.draws, strict=True):
        assert room.mist_l_h == pytest.approx(0.4 * 1.25 ** (2 * row[at] - 1))


def test_shares_take_chance_agreement_off() -> None:
    """Adjusted R² of a parabola, by the normal equations."""
    likely = draw_rooms(room_from_rig(RIG), 25)
    rng = np.random.default_rng(2)
    values = 3 * likely.draws[:, 2] + rng.normal(size=25)
    shares = shares_of(likely, values)
    for k, key in enumerate(likely.keys):
        x = np.column_stack([likely.draws[:, k] ** p for p in range(3)])
        left = values - x @ np.linalg.solve(x.T @ x, x.T @ values)
        r2 = 1 - (left @ left) / ((values - values.mean()) ** 2).sum()
        assert shares[key] == pytest.approx(max(0.0, 1 - (1 - r2) * 24 / 22), abs=1e-9)
    assert set(shares_of(likely, np.full(25, 4.0)).values()) == {0.0}


@pytest.fixture(scope="module")
def seen() -> Foresight:
    rig = {**RIG, "room_rh_pct": 12.0}
    levels = {"a": {"on_s": 20, "off_s": 220}, "b": {"on_s": 20, "off_s": 240}}
    return foresee(rig, levels, rooms=20)


def test_a_room_drier_than_winter_stays_as_dry(seen: Foresight) -> None:
    """A week of winter is no damper than what the room is anyway."""
    assert seen.winter_rh_pct == 12.0
    assert seen.winter["a"] == pytest.approx(seen.nominal.results["a"].mean_rh_pct)


def test_settings_are_told_alike_from_a_fifth_of_the_rooms(seen: Foresight) -> None:
    for alike, told in ((20.0, True), (19.9, False)):
        made = replace(seen, pairs=seen.pairs.assign(alike_pct=alike))
        assert any("same air" in sentence for sentence in made.sentences) is told


def test_measuring_is_told_where_it_explains_a_twentieth(seen: Foresight) -> None:
    for share, told in ((5.0, True), (4.9, False)):
        made = replace(seen, measure=seen.measure.assign(share_pct=share))
        assert bool(made.narrowing) is told
    assert replace(seen, measure=seen.measure.iloc[:0]).narrowing == ""
    assert replace(seen, assumed=()).assumptions == ""


def test_every_part_of_a_foresight_is_shown(seen: Foresight) -> None:
    text = str(seen)
    assert "20" in text
    for level in ("a", "b"):
        row = seen.table.set_index("level").loc[level]
        assert row["mean_rh_pct_from"] < row["mean_rh_pct"] < row["mean_rh_pct_to"]
        assert np.isnan(row["in_band_pct"])
    never = replace(seen, door_minutes={"a": math.inf, "b": 5.0}).worst_times
    assert "inf" not in never
    assert never != seen.worst_times
