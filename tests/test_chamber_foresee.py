"""Ranges of a plan: what is unsure spreads them, what is measured narrows them."""

import numpy as np
import pytest

from trialkit.chamber import ChamberError, foresee, room_from_rig, simulate
from trialkit.chamber.quantities import QUANTITIES
from trialkit.chamber.room_draws import draw_rooms, shares_of
from trialkit.wording import speaking

RIG = {"chamber_m3": 1.8, "air_changes_h": 5.0, "mist_l_h": 0.4, "room_temp_c": 15,
       "room_rh_pct": 66, "evaporating_fraction": 0.8}  # fmt: skip
USUAL = {"on_s": 20, "off_s": 220}


def test_draws_stay_within_their_limits_and_fill_them():
    made = room_from_rig({**RIG, "measured": ["mist_l_h"]})
    rooms = draw_rooms(made, 400).rooms
    mist = np.array([room.mist_l_h for room in rooms])
    assert 0.4 / 1.05 <= mist.min() < 0.383
    assert 0.418 < mist.max() <= 0.4 * 1.05
    changes = np.array([room.air_changes_h for room in rooms])
    assert changes.min() > 5 / 1.6
    assert changes.max() < 5 * 1.6
    assert np.median(changes) == pytest.approx(5.0, rel=0.02)  # even on the logarithm
    crop = np.array([room.crop_m2 for room in rooms])  # not given: anywhere in its range
    assert crop.min() < 0.01
    assert crop.max() > 0.85


def test_shares_find_what_drives_a_result():
    """Y = x1² + 2 x2 of even draws: variances 4/45 · 1/4² and 4/12, worked by hand."""
    likely = draw_rooms(room_from_rig(RIG), 4000)
    x = likely.draws
    shares = shares_of(likely, x[:, 0] ** 2 + 2 * x[:, 1])
    square, line = 4 / 45, 4 / 12
    assert shares[likely.keys[0]] == pytest.approx(square / (square + line), abs=0.03)
    assert shares[likely.keys[1]] == pytest.approx(line / (square + line), abs=0.03)
    assert shares[likely.keys[2]] < 0.01


def test_more_measuring_narrows_the_range():
    loose = foresee(RIG, {"usual": USUAL}, rooms=80)
    known = ["chamber_m3", "air_changes_h", "mist_l_h", "room_temp_c", "room_rh_pct",
             "evaporating_fraction"]  # fmt: skip
    tight = foresee({**RIG, "measured": known}, {"usual": USUAL}, rooms=80)

    def width(seen):
        return float((seen.table["mean_rh_pct_to"] - seen.table["mean_rh_pct_from"]).iloc[0])

    assert width(tight) < 0.8 * width(loose)
    first = loose.measure["quantity"].iloc[0]
    assert first in ("air_changes_h", "room_rh_pct")  # what the demo hangs on
    assert first in loose.narrowing
    assert first not in set(tight.measure["quantity"])


def test_mist_output_alone_moves_the_demo_by_several_points():
    """A quarter more or less of label output: the range must be at least that wide."""
    room = room_from_rig(RIG).room
    ends = [simulate(room.change(mist_l_h=0.4 * f), USUAL).mean_rh_pct for f in (0.8, 1.25)]
    row = foresee(RIG, {"usual": USUAL}, rooms=80).table.iloc[0]
    assert row["mean_rh_pct_from"] < min(ends) + 1
    assert row["mean_rh_pct_to"] > max(ends) - 1


def test_a_plan_says_calculated_assumptions_and_alike_schedules():
    near = {"a": USUAL, "b": {"on_s": 20, "off_s": 230}}
    seen = foresee({**RIG, "band_low_rh": 82, "band_high_rh": 95}, near, rooms=60)
    assert "calculated" in seen.sentences[0]
    assert "likely" in seen.sentences[0]
    assert any("compare the same air" in sentence for sentence in seen.sentences)
    assert "surface" in seen.assumptions
    assert "Not in [rig]" in seen.assumptions
    assert "cold, dry week" in seen.worst_times
    far = {"a": USUAL, "c": {"on_s": 20, "off_s": 700}}
    assert not any("same air" in s for s in foresee(RIG, far, rooms=60).sentences)
    with speaking("de"):
        str(seen)  # every sentence can be said elsewhere
    with pytest.raises(ChamberError, match="at least 20"):
        foresee(RIG, near, rooms=5)


def test_quantities_are_of_the_room():
    made = room_from_rig(RIG)
    for quantity in QUANTITIES:
        assert hasattr(made.room, quantity.field)
        if quantity.usual is not None:
            usual, low, high = quantity.usual(vars(made.room))
            assert low <= usual <= high
