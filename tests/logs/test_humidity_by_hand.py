"""Which values vapour is turned into humidity from: limits of the formulas, by hand."""

from __future__ import annotations

import numpy as np
import pytest

from trialkit.logs.heads import _without, not_house, plain_head
from trialkit.logs.humidity_units import rh_from, said_humidity


@pytest.mark.parametrize(
    ("unit", "value", "temp", "sound"),
    [
        ("dew_degC", 10.0, 20.0, True), ("dew_degC", -40.0, 20.0, True),
        ("dew_degC", -40.1, 20.0, False), ("dew_degC", 60.0, 60.0, True),
        ("dew_degC", 60.1, 60.0, False), ("dew_degC", 10.0, 60.1, False),
        ("dew_degC", -40.0, -40.0, True), ("dew_degC", -40.0, -40.1, False),
        ("g_m3", 0.0, 20.0, True), ("g_m3", -0.1, 20.0, False), ("g_m3", 200.0, 60.0, True),
        ("g_m3", 200.1, 60.0, False), ("vpd_kPa", 0.0, 20.0, True), ("vpd_kPa", -0.1, 20.0, False),
        ("vpd_kPa", np.nan, 20.0, False), ("vpd_kPa", 1.0, np.nan, False),
    ],
)  # fmt: skip
def test_where_humidity_is_worked_out(unit: str, value: float, temp: float, sound: bool) -> None:
    """Air and dew point from −40 to 60 °C, vapour and deficit from 0 to 200 in their units."""
    found = rh_from(unit, np.array([value]), np.array([temp]))
    assert np.isfinite(found).tolist() == [sound]


def test_saturated_air_is_at_a_hundred() -> None:
    air = np.array([20.0, np.nan])
    assert rh_from("dew_degC", np.array([20.0, 1.0]), air)[0] == pytest.approx(100)
    assert rh_from("vpd_hPa", np.array([0.0, 1.0]), air)[0] == pytest.approx(100)
    assert rh_from("g_m3", np.array([0.0, 1.0]), air)[0] == 0.0


@pytest.mark.parametrize(
    ("head", "unit", "strange"),
    [
        ("Dew point [°C]", "dew_degC", ""), ("Dew point", None,
                                                                          "Dew point"),
        ("VPD [mbar]", "vpd_hPa", ""), ("VPD [bar]", None, None), ("deficit", None, "deficit"),
        ("RH [g/m3]", "g_m3", ""), ("RH", None, ""),
    ],
)  # fmt: skip
def test_what_a_head_of_humidity_says(head: str, unit: str | None, strange: str | None) -> None:
    said = said_humidity(head)
    assert said.unit == unit
    if strange is None:
        assert said.strange != ""
    else:
        assert said.strange == strange


def test_heads_without_their_chamber_and_as_they_are_compared() -> None:
    assert _without("T1", "t1 temp T1") == "  temp T1"
    assert plain_head("  A \t b ") == "a b"
    assert not_house("temp_c", None, {}) is None
    assert not_house("rh_pct", "dew_degC", {}) == "dew_degC"
    assert not_house("rh_pct", "%", {}) is None
