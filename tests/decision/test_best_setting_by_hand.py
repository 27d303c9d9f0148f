"""What settings of a trial of ranges use and cost, from round numbers."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from trialkit.decision import best_setting
from trialkit.decision.best_setting import (
    _days,
    daily_use,
    find_best_setting,
    money_of_settings,
)
from trialkit.decision.range_doubts import lost_blocks
from trialkit.trial.sections import RigSection

DUTIES = np.array([[150.0, 10.0], [150.0, 5.0]])  # lux, duty in per cent
PRICES = {"mushrooms_per_kg": 8.0, "labour_per_h": 20.0, "picking_kg_per_h": 10.0,
          "water_per_m3": 4.0, "energy_per_kwh": 0.5}  # fmt: skip


def trial(rig: RigSection | None = None, tuned: tuple[str, ...] = ("lux", "duty_pct"),
          prices: dict[str, Any] | None = None, **change: Any) -> Any:  # fmt: skip
    given: dict[str, Any] = {
        "rig": rig or RigSection(mist_l_h=0.5, fogger_w=40.0, fan_w=10.0, fan="always"),
        "tuned": [SimpleNamespace(tuned=SimpleNamespace(name=name)) for name in tuned],
        "prices": SimpleNamespace(**(PRICES | (prices or {}))), "batches": {},
        "levels": {"batch": 1, "chamber": 1, "block": 1},
        "counts": {"batch": 3, "chamber": 4, "block": 6},
    }  # fmt: skip
    return SimpleNamespace(**(given | change))


def data(hours: list[float] | None = None) -> Any:
    runs = None
    if hours is not None:
        runs = pd.DataFrame({"window": ["whole"] * len(hours) + ["early"],
                             "window_h": [*hours, 9999.0]})  # fmt: skip
    return SimpleNamespace(runs=runs, table=pd.DataFrame())


def test_water_and_energy_of_a_day_by_hand() -> None:
    """A tenth of the day is 2.4 h: 1.2 L; 96 Wh and 240 Wh of a fan that always runs."""
    water, energy = daily_use(trial(), "water_l"), daily_use(trial(), "energy_kwh")
    assert water is not None
    assert energy is not None
    assert water(DUTIES).tolist() == pytest.approx([1.2, 0.6])
    assert energy(DUTIES).tolist() == pytest.approx([0.336, 0.288])
    assert daily_use(trial(tuned=("lux",)), "water_l") is None
    only = trial(RigSection(mist_l_h=0.5))
    assert daily_use(only, "water_l") is not None
    assert daily_use(only, "energy_kwh") is None
    assert daily_use(trial(RigSection(fogger_w=40.0)), "water_l") is None
    assert daily_use(trial(RigSection(fogger_w=40.0)), "energy_kwh") is not None


def test_what_settings_cost_a_block() -> None:
    """8 − 20/10 a kilogram; 20 days of 1.2 L at 4 a m³ and 0.336 kWh at 0.5, over 6 blocks."""
    got = money_of_settings(trial(), data([480.0]), "fresh_g")
    assert got is not None
    per_g, cost = got
    assert per_g == pytest.approx(0.006)
    want = [20 / 6 * (1.2 * 0.004 + 0.336 * 0.5), 20 / 6 * (0.6 * 0.004 + 0.288 * 0.5)]
    assert cost(DUTIES).tolist() == pytest.approx(want)
    for free in ({"water_per_m3": None}, {"water_per_m3": 0.0}):
        got = money_of_settings(trial(prices=free), data([480.0]), "fresh_g")
        assert got is not None
        assert got[1](DUTIES).tolist() == pytest.approx([0.56, 0.48])
    nothing = money_of_settings(trial(prices={"water_per_m3": None, "energy_per_kwh": None}),
                                data(), "fresh_g")  # fmt: skip
    assert nothing is not None
    assert nothing[1](DUTIES).tolist() == [0.0, 0.0]
    for lacks in ({"labour_per_h": None}, {"picking_kg_per_h": None}):
        got = money_of_settings(trial(prices=lacks), data([480.0]), "fresh_g")
        assert got is not None
        assert got[0] == pytest.approx(0.008)


def test_where_settings_have_no_price() -> None:
    assert money_of_settings(trial(), data([480.0]), "days") is None
    without = trial()
    without.prices = None
    assert money_of_settings(without, data([480.0]), "fresh_g") is None
    unpriced = trial(prices={"mushrooms_per_kg": None})
    assert money_of_settings(unpriced, data([480.0]), "fresh_g") is None
    assert money_of_settings(trial(), data(), "fresh_g") is None  # no one knows the days
    unknown = trial(RigSection(mist_l_h=0.5))  # power has a price and no number
    assert money_of_settings(unknown, data([480.0]), "fresh_g") is None


def test_days_of_a_run_by_its_log_or_by_the_dates() -> None:
    """Whole windows of 480 and 528 h are 21 days; batches of 20 and 24 days are 22."""
    dates = [pd.Timestamp("2031-03-01", tz="UTC") + pd.Timedelta(days=d) for d in (0, 20, 24)]
    batches = {"1": SimpleNamespace(start=dates[0], end=dates[1]),
               "2": SimpleNamespace(start=dates[0], end=dates[2]),
               "3": SimpleNamespace(start=dates[0], end=None),
               "4": SimpleNamespace(start=None, end=dates[1])}  # fmt: skip
    dated = trial(batches=batches)
    assert _days(dated, data([480.0, 528.0, np.nan])) == pytest.approx(21.0)
    assert _days(dated, data([np.nan])) == pytest.approx(22.0)
    assert _days(dated, data()) == pytest.approx(22.0)
    assert _days(trial(), data()) is None


def test_lost_blocks_are_told_where_there_are_any() -> None:
    table = pd.DataFrame({"unit": [1, 1, 2, 3], "flush": [1, 2, 1, 1],
                          "fresh_g": [9.0, np.nan, 8.0, 7.0],
                          "mist": ["2 %", "2 %", "5 %", "2 %"],
                          "status": ["ok", "contaminated", "ok", "ok"]})  # fmt: skip
    given = trial(tuned=(), question=SimpleNamespace(response="fresh_g"), harvest_columns={})
    given.tuned = [SimpleNamespace(name="mist")]
    [told] = lost_blocks(given, table)
    assert told.code == "surface_of_harvested"
    assert (told.values["lost"], told.values["blocks"]) == (1, 3)
    sound = table.assign(status="ok", fresh_g=1.0)
    assert lost_blocks(given, sound) == []
    assert lost_blocks(given, table.drop(columns="status")) == []


@pytest.mark.parametrize(
    ("tests", "told"),
    [
        ({"settings": 0.001, "lack of fit": 0.049}, True), ({"settings": 0.001}, False),
        ({"settings": 0.001, "lack of fit": 0.05}, True),
        ({"settings": 0.001, "lack of fit": 0.051}, False),
    ],
)  # fmt: skip
def test_a_surface_that_does_not_fit_is_told(
    monkeypatch: pytest.MonkeyPatch, tests: dict[str, float], told: bool
) -> None:
    """At 5 %; where nothing was set twice there is no such test. Days have no choices."""
    table = pd.DataFrame({"p": tests})
    surface = SimpleNamespace(tests=lambda: table, response="days")
    monkeypatch.setattr(best_setting, "analyse_settings", lambda trial, data: surface)
    unseen = SimpleNamespace(seen=False)
    monkeypatch.setattr(best_setting, "best_region", lambda *given, **more: unseen)
    for name in ("stationary_point", "surface_limits"):
        monkeypatch.setattr(best_setting, name, lambda *given, **more: None)
    alike = pd.DataFrame({"p": [1.0], "p_holm": [1.0]})
    monkeypatch.setattr(best_setting, "slopes_between_batches", lambda *given: alike)
    monkeypatch.setattr(best_setting, "surfaces_delivered", lambda *given, **more: ([], []))
    monkeypatch.setattr(best_setting, "say_best", lambda *given, **more: [given[-1]])
    given = trial(question=SimpleNamespace(response="days"), harvest_columns={}, seed=1)
    found = find_best_setting(given, SimpleNamespace(findings=(), table=pd.DataFrame()))  # type: ignore[arg-type]
    assert ("surface_does_not_fit" in {f.code for f in found.findings}) is told
    assert found.choices is None
    assert found.said == (0.001,)  # the chance of such a surface, if no setting mattered


def test_prices_that_do_not_reach_the_settings_are_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """Only where all worths lack, and only where there are prices."""
    surface = SimpleNamespace(tests=lambda: pd.DataFrame({"p": {"settings": 0.5}}), response="x")
    monkeypatch.setattr(best_setting, "analyse_settings", lambda trial, data: surface)
    unseen = SimpleNamespace(seen=False)
    monkeypatch.setattr(best_setting, "best_region", lambda *given, **more: unseen)
    for name in ("stationary_point", "surface_limits"):
        monkeypatch.setattr(best_setting, name, lambda *given, **more: None)
    alike = pd.DataFrame({"p": [1.0], "p_holm": [1.0]})
    monkeypatch.setattr(best_setting, "slopes_between_batches", lambda *given: alike)
    monkeypatch.setattr(best_setting, "surfaces_delivered", lambda *given, **more: ([], []))
    monkeypatch.setattr(best_setting, "say_best", lambda *given, **more: ["x"])
    bare: Any = SimpleNamespace(findings=(), table=pd.DataFrame())
    for worth, priced, told in (
        ([np.nan, np.nan], True, True), ([np.nan, 1.0], True, False), ([np.nan] * 2, False, False),
    ):  # fmt: skip
        choices = SimpleNamespace(table=pd.DataFrame({"worth_change": worth}))
        monkeypatch.setattr(best_setting, "choices_of", lambda *given, made=choices: made)
        given = trial(question=SimpleNamespace(response="fresh_g"), harvest_columns={}, seed=1)
        if not priced:
            given.prices = None
        found = find_best_setting(given, bare)
        assert ("settings_not_priced" in {f.code for f in found.findings}) is told
        assert found.choices is choices
