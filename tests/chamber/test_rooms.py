"""A room where nothing is said, its rig, and the room that logs make of it."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from trialkit import air
from trialkit.chamber import ChamberError, Room, identify, room_from_rig
from trialkit.chamber.constants import Constants, State, saturation_line
from trialkit.chamber.estimates import Identified
from trialkit.chamber.identify import _not_determined, _said_once, _split, identify_room
from trialkit.chamber.room import read_setting, take
from trialkit.errors import Finding
from trialkit.wording import message

BARE = Room(volume_m3=2.0, air_changes_h=4.0, mist_l_h=0.3)


def test_a_room_of_which_only_the_least_is_known() -> None:
    """20 °C and half full, all mist taken up, nothing wet, nothing that heats, sea level."""
    want = {
        "room_temp_c": 20.0, "room_rh_pct": 50.0, "evaporating_fraction": 1.0,
        "mist_air_changes_h": 0.0, "surface_m2": 0.0, "surface_holds_g_m2": 100.0, "crop_m2": 0.0,
        "transfer_m_h": 10.8, "crop_co2_g_h": 0.0, "outside_co2_ppm": 420.0, "cooling": True,
        "wall_w_k": None, "heat_kj_k": None, "heat_w": 0.0, "sensor_lag_s": 30.0, "fogger_w": None,
        "fan_w": None, "fan": "with mist", "reservoir_l": None, "pressure_kpa": 101.325,
        "drop_um": 5.0, "height_m": None, "surface_heat_w_m2_k": 9.3, "lamp_w": 0.0,
        "lamp_hours": 24.0, "fogger_inside": True, "fan_inside": True, "fogger_heat_w": None,
        "chambers_in_room": 1.0, "surroundings_m3": None, "surroundings_air_changes_h": None,
    }  # fmt: skip
    assert {name: getattr(BARE, name) for name in want} == want
    assert State(1.0, 2.0, 3.0, 4.0, 5.0).f == 0.0
    k = Constants.of(BARE)
    dry = float(air.dry_air_density_kg_m3(20.0, 50.0))  # 1006 J/(kg K), 2 m³
    assert k.air_heat == pytest.approx(dry * 1006 * 2, rel=1e-9)
    slope, latent = saturation_line(20.0)[1], float(air.latent_heat_kj_kg(20.0))
    wet = Constants.of(BARE.change(surface_m2=3.0, crop_m2=2.0, crop_co2_g_h=4.0))
    slowed = 0.003 / (1 + latent * slope * 0.003 / 9.3)
    assert wet.g_wet == pytest.approx(3 * slowed, rel=1e-9)
    breath = 4 * 2805e3 / 6 / 44.01 / 3600
    assert wet.crop_vapour == pytest.approx(slowed * slope / 9.3 * breath, rel=1e-9)
    assert (k.g_crop, k.g_wet, k.holds, k.crop_vapour, k.heat_on) == (0.0, 0.0, 0.0, 0.0, 0.0)


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("mist_l_h", 0.0), ("air_changes_h", 0.0), ("surface_m2", 0.0), ("room_rh_pct", 0.0),
        ("heat_w", -50.0), ("room_temp_c", -20.0), ("surroundings_air_changes_h", 0.0),
        ("fogger_w", 0.0), ("reservoir_l", 0.0), ("chambers_in_room", 0.0),
    ],
)  # fmt: skip
def test_numbers_that_may_be_nothing(field: str, value: float) -> None:
    assert getattr(BARE.change(**{field: value}), field) == value


@pytest.mark.parametrize("field", ["fogger_w", "reservoir_l", "wall_w_k", "crop_m2", "drop_um"])
def test_numbers_that_cannot_be_below_nothing(field: str) -> None:
    for wrong in (-0.5, math.nan, math.inf):
        with pytest.raises(ChamberError, match=field):
            BARE.change(**{field: wrong})


def test_settings_at_their_shortest_and_longest() -> None:
    week = 7 * 86400
    assert read_setting({"on_s": 1e-3, "off_s": 0}).words == "mist always on"
    assert read_setting({"on_s": 0.5, "off_s": week - 0.5}).cycle_s == week
    for wrong in ({"on_s": 1, "off_s": week}, {"on_s": 0, "off_s": 0}):
        with pytest.raises(ChamberError, match="both must be"):
            read_setting(wrong)
    assert read_setting({"start_below_rh": 0.1, "stop_above_rh": 0.2}).words
    assert take({"a": 1}, "b") is None
    assert take(SimpleNamespace(a=1), "a") == 1


# ------------------------------------------------------------------ a rig


def test_what_a_rig_gives_wins_over_what_is_usual() -> None:
    """The fogger's heat follows from its power and is no assumption; pressure from the altitude."""
    made = room_from_rig({"chamber_m3": 2.0, "air_changes_h": 4.0, "mist_l_h": 0.3,
                          "fogger_w": 40.0, "altitude_m": 1000.0})  # fmt: skip
    assert made.room.fogger_heat_w == 40.0
    assert "fogger_heat_w" not in made.missing
    assert made.room.pressure_kpa == pytest.approx(90.0, abs=0.1)  # FAO-56, table 2.1
    both = room_from_rig({"chamber_m3": 2.0, "air_changes_h": 4.0, "mist_l_h": 0.3,
                          "altitude_m": 1000.0, "pressure_kpa": 98.0})  # fmt: skip
    assert both.room.pressure_kpa == 98.0
    more = room_from_rig({"chamber_m3": 2.0, "air_changes_h": 4.0, "mist_l_h": 0.3}, mist_l_h=0.7,
                         crop_m2=0.2)  # fmt: skip
    assert (more.room.mist_l_h, more.room.crop_m2) == (0.7, 0.2)
    assert "crop_m2" not in more.missing
    assert made.measured == frozenset()
    for finding in made.findings:
        assert finding.severity == "note"


# ------------------------------------------------------------------ rooms from logs


def fit(outside: float = 8.645, mist: float = 149.73) -> Any:
    estimates = pd.DataFrame({"estimate": {"air_changes_h": 5.0, "mist_g_m3_h": mist,
                                           "lag_s": 40.0, "outside_g_m3": outside}})  # fmt: skip
    return SimpleNamespace(
        estimates=estimates, log_se={"air_changes_h": 0.1}, why_not={},
        determined=frozenset({"air_changes_h", "mist_g_m3_h", "lag_s"}), findings=(),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("outside", "rh"), [(0.0, 0.0), (-3.0, 0.0), (0.173, 1.0), (17.12, 99.0), (17.5, 100.0)]
)
def test_incoming_air_is_between_dry_and_full(outside: float, rh: float) -> None:
    """17.29 g/m³ at 20 °C are full."""
    found = Identified(pd.DataFrame(), pd.DataFrame(), {"T1": fit(outside)}, (), 0.95)
    assert found.room("T1", BARE).room_rh_pct == pytest.approx(rh, abs=0.05)


def test_a_fogger_that_gives_what_its_label_says() -> None:
    """0.3 L/h in 2 m³ are 149.73 g/m³ an hour: nothing settles and nothing is added."""
    found = Identified(pd.DataFrame(), pd.DataFrame(), {"T1": fit()}, (), 0.95).room("T1", BARE)
    assert found.mist_l_h == pytest.approx(0.3)
    assert found.evaporating_fraction == pytest.approx(1.0)


def test_readings_against_fit_in_a_table() -> None:
    start = pd.Timestamp("2031-03-01", tz="UTC")
    course = SimpleNamespace(
        start=start, time_s=np.array([0.0, 90.0]), rh_pct=np.array([80.0, 81.5])
    )
    one = SimpleNamespace(course=course, fitted_rh_pct=np.array([80.5, 81.0]),
                          used=np.array([True, False]))  # fmt: skip
    table = Identified(pd.DataFrame(), pd.DataFrame(), {"T1": one}, (), 0.95).fitted
    assert table["residual_pct"].tolist() == [-0.5, 0.5]
    assert table["time"].tolist() == [start, start + pd.Timedelta("90s")]
    assert table["used"].tolist() == [True, False]
    two = Identified(pd.DataFrame(), pd.DataFrame(), {"T1": one, "T2": one}, (), 0.95).fitted
    assert two.index.tolist() == [0, 1, 2, 3]
    assert two["chamber"].tolist() == ["T1", "T1", "T2", "T2"]


# ------------------------------------------------------------------ several chambers


def log(**columns: list) -> pd.DataFrame:
    return pd.DataFrame({"rh_pct": 80.0, **columns}, index=range(len(next(iter(columns.values())))))


def test_logs_by_chamber_and_by_sensor() -> None:
    climate = log(chamber=["T2", "T1", "T1", "T2"], sensor=["a", "x", "y", "a"])
    mist = pd.DataFrame({"chamber": ["T1", "T2", "T2"], "start": [1, 2, 3]})
    groups = _split(climate, mist)
    assert list(groups) == ["T1 x", "T1 y", "T2"]
    assert [len(groups[name][0]) for name in groups] == [1, 1, 2]
    assert [groups[name][1]["start"].tolist() for name in groups] == [[1], [1], [2, 3]]
    bare = _split(climate.drop(columns="sensor"), mist)
    assert list(bare) == ["T1", "T2"]
    assert list(_split(climate.drop(columns="chamber"), mist)) == ["chamber"]


def codes(found: Any) -> list[str]:
    return [f.code for f in found]


def test_what_is_said_only_once() -> None:
    """Few moments are the reason given for each rate; a rough lag tells no clock."""

    def found(*names: str) -> tuple[Finding, ...]:
        return tuple(Finding(name, "note", message("chamber.none_differs")) for name in names)

    def left(*names: str, why: tuple[str, ...] = ()) -> list[str]:
        return codes(
            _said_once(SimpleNamespace(findings=found(*names), why_not=dict.fromkeys(why)))
        )  # type: ignore[arg-type]

    assert left("few_moments", "clocks_disagree") == ["clocks_disagree"]
    assert left("lag_rough", "clocks_disagree") == ["lag_rough"]
    assert left("lag_rough", "clocks_disagree", why=("lag_s",)) == []
    assert left("lag_rough", why=("mist_g_m3_h",)) == ["lag_rough"]
    assert left("poor_fit", "slow_thermometer") == ["poor_fit", "slow_thermometer"]


def test_rates_that_are_not_determined_for_one_reason_are_told_together() -> None:
    wide, fog = message("chamber.because.too_wide"), message("chamber.because.full_air")
    told = _not_determined(
        SimpleNamespace(why_not={"air_changes_h": wide, "lag_s": fog, "mist_g_m3_h": wide})  # type: ignore[arg-type]
    )
    assert codes(told) == ["rate_uncertain"] * 2
    assert [len(f.said.values["what"]) for f in told] == [2, 1]


class Fits:
    """Stand-ins for the fits of chambers, some with a caution."""

    def __init__(self, patch: pytest.MonkeyPatch, cautions: set[str]) -> None:
        self.how: list[dict[str, Any]] = []
        self.compared: list[Any] = []

        def fit_one(readings, spells, chamber, drift_h, **how):  # type: ignore[no-untyped-def]
            self.how.append({"drift_h": drift_h, **how})
            severity = "caution" if chamber in cautions else "note"
            row = pd.DataFrame({"estimate": {"lag_s": 30.0}, "low": {"lag_s": 25.0},
                                "high": {"lag_s": 36.0}})  # fmt: skip
            return SimpleNamespace(
                chamber=chamber, estimates=row, used=np.array([True, False, True]), r2=0.9,
                residual_sd_pct=0.5, autocorrelation=0.1, why_not={},
                findings=(Finding("poor_fit", severity, message("chamber.none_differs")),),
            )  # fmt: skip

        def compare(sound, level, ratio):  # type: ignore[no-untyped-def]
            self.compared = [list(sound), level, ratio]
            return pd.DataFrame()

        patch.setattr(identify, "_fit_one", fit_one)
        patch.setattr(identify, "compare_chambers", compare)


@pytest.mark.parametrize(
    ("chambers", "cautions", "told"),
    [("abc", "b", ["b"]), ("abc", "", None), ("a", "a", None), ("ab", "ab", ["a", "b"])],
)
def test_chambers_in_doubt_are_told_where_there_are_others(
    monkeypatch: pytest.MonkeyPatch, chambers: str, cautions: str, told: list | None
) -> None:
    stage = Fits(monkeypatch, set(cautions))
    climate, mist = log(chamber=list(chambers)), pd.DataFrame({"chamber": list(chambers)})
    found = identify_room(climate, mist)
    left = [f.said.values["chambers"] for f in found.findings if f.code == "not_compared"]
    assert left == ([] if told is None else [told])
    assert stage.compared == [[c for c in chambers if c not in cautions], 0.95, 1.2]
    assert found.level == 0.95
    named = [f for f in found.findings if f.code == "poor_fit"]
    assert all((f.said.key == "chamber.of") is (len(chambers) > 1) for f in named)
    row = found.table.iloc[0]
    assert (row["readings"], row["lag_s_low"], row["lag_s"], row["lag_s_high"]) == (2, 25, 30, 36)


def test_how_logs_are_fitted_where_nothing_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    """Incoming air each two hours, readings below 99 %, an empty chamber, no label."""
    stage = Fits(monkeypatch, set())
    identify_room(log(temp_c=[20.0]), pd.DataFrame())
    assert stage.how == [
        {"drift_h": 2.0, "outside_g_m3": None, "level": 0.95, "saturated_above": 99.0,
         "most_mist": math.inf, "empty": True}
    ]  # fmt: skip
    identify_room(log(temp_c=[20.0]), pd.DataFrame(), like=BARE, empty=False)
    assert stage.how[1]["most_mist"] == pytest.approx(1.5 * 149.73)
    assert stage.how[1]["empty"] is False


def test_estimates_in_words() -> None:
    """The level, the share explained to a tenth, and what is not determined."""
    row = {"chamber": "T1", "residual_sd_pct": 0.4, "r2": 0.9734}
    for name, value in (("air_changes_h", 4.0), ("mist_g_m3_h", 150.0), ("lag_s", math.nan)):
        row |= {name: value, f"{name}_low": value * 0.9, f"{name}_high": value * 1.1}
    found = Identified(pd.DataFrame([row]), pd.DataFrame(), {}, (), 0.9)
    text = str(found)
    assert "97.3" in text
    assert "97.34" not in text
    assert "90" in text
    assert "not determined" in text
    assert found.sentences == ()
    differences = pd.DataFrame({"constant": ["lag_s"], "chamber": ["T1"], "ratio": [2.0],
                                "low": [1.5], "high": [2.5], "differs": [False]})  # fmt: skip
    alike = Identified(pd.DataFrame([row]), differences, {}, (), 0.9)
    assert len(alike.sentences) == 1
    odd = Identified(pd.DataFrame([row]), differences.assign(differs=True), {}, (), 0.9)
    assert alike.sentences != odd.sentences
    assert "T1" in odd.sentences[0]
