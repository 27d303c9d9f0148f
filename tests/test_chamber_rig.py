"""What a rig says of a room, in words and numbers."""

from __future__ import annotations

import pytest

from trialkit.chamber import ChamberError, room_from_rig
from trialkit.chamber.rig import amount

RIG = {"chamber_m3": 1.8, "air_changes_h": 5.0, "mist_l_h": 0.4}


def test_an_amount_is_said_with_its_unit_if_it_has_one() -> None:
    assert str(amount(0.9, "")) == "0.9"
    assert str(amount(20.0, "°C")) == "20 °C"


def test_every_assumption_says_how_much_and_of_what() -> None:
    told = {f.code: str(f.values["amount"]) for f in room_from_rig(RIG).findings}
    assert told["assumed_evaporating_fraction"] == "0.9"
    assert told["assumed_room_temp_c"] == "20 °C"
    assert told["assumed_room_rh_pct"] in ("50 %", "50%")


def test_only_what_stands_in_the_rig_can_be_measured() -> None:
    assert room_from_rig({**RIG, "measured": ["mist_l_h"]}).measured == {"mist_l_h"}
    for wrong in ("surface_m2", "no_such_number"):
        with pytest.raises(ChamberError, match=f"measured lists {wrong}"):
            room_from_rig({**RIG, "measured": ["mist_l_h", wrong]})
