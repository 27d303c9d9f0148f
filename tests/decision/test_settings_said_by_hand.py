"""What is said of settings and of looks that are due, from made-up numbers."""

from __future__ import annotations

from dataclasses import dataclass, replace
from types import SimpleNamespace
from typing import Any

import pandas as pd
import pytest

from trialkit.decision import look_due as due
from trialkit.decision import pooling
from trialkit.decision import setting_sentences as said_of
from trialkit.decision.look_due import look_due
from trialkit.settings.setting_range import SettingRange

# ------------------------------------------------------------------ numbers


@pytest.mark.parametrize(
    ("value", "decimals"),
    [(0.0, 0), (1.0, 2), (9.99, 2), (10.0, 1), (99.0, 1), (100.0, 0), (5000.0, 0), (0.5, 3),
     (-0.05, 4), (-12.0, 1)],
)  # fmt: skip
def test_three_digits_of_a_number(value: float, decimals: int) -> None:
    assert SettingRange("any", -100, 6000, usual=1).decimals(value) == decimals


@pytest.mark.parametrize(
    ("value", "told"),
    [(5.494505, "5.5"), (6.006006, "6"), (8.333333, "8.3"), (8.510638, "8.5"), (5.25, "5.25"),
     (7.5, "7.5")],
)  # fmt: skip
def test_a_setting_needs_no_more_than_tells_it_from_the_others(value: float, told: str) -> None:
    """Whole seconds of a timer: 20 s on and 344 s off are 5.4945 %, asked for as 5.5."""
    steps = (5.0, 5.494505, 6.006006, 8.333333, 8.510638)
    duty = SettingRange("duty_pct", 5, 9, usual=5, unit="%", steps=steps)
    assert f"{value:.{duty.decimals(value)}f}" == told


@pytest.mark.parametrize(
    ("values", "decimals"),
    [((12.3, 0.4), 0), ((9.0, 0.4), 1), ((0.95, -0.2), 2), ((-0.05, 0.01), 3), ((0.0, 0.0), 0),
     ((100.0, -5.0), 0)],
)  # fmt: skip
def test_numbers_with_the_decimals_of_the_largest(values: tuple, decimals: int) -> None:
    got = said_of.alike({"a": values[0], "b": values[1]})
    assert {n.decimals for n in got.values()} == {decimals}
    assert [n.value for n in got.values()] == list(values)
    assert said_of.alike({}) == {}


@pytest.mark.parametrize(
    ("low", "high", "limits", "key"),
    [
        (False, False, (2.0, 4.0), "between"), (False, False, (3.0, 3.0), "one"),
        (True, False, (2.0, 4.0), "up_to"), (False, True, (2.0, 4.0), "from"),
        (True, True, (2.0, 4.0), "anywhere"), (True, False, (3.0, 3.0), "up_to"),
    ],
)  # fmt: skip
def test_where_the_best_stays_open(low: bool, high: bool, limits: tuple, key: str) -> None:
    region: Any = SimpleNamespace(open_low=(low,), open_high=(high,), limits=lambda: [limits])
    assert said_of.open_ends(region, 0) == key


SURFACE: Any = SimpleNamespace(settings=[SettingRange("mist", 2, 10, usual=4, unit="%")])


def trial(prices: Any = None, mist_l_h: float | None = 0.5) -> Any:
    return SimpleNamespace(
        prices=prices, rig=SimpleNamespace(mist_l_h=mist_l_h), columns={}, harvest_columns={},
        question=SimpleNamespace(margin_pct=10.0, response="caps"),
    )  # fmt: skip


def row(**change: Any) -> dict[str, Any]:
    given = {"mist": 4.0, "sure": True, "use_change_pct": -20.0}
    for name in ("yield_change", "worth_change"):
        given |= {name: 5.0, f"{name}_low": 1.0, f"{name}_high": 9.0}
    return given | change


def test_gains_and_worths_that_are_sure_or_open() -> None:
    euros = SimpleNamespace(currency="EUR")
    for sure, key in ((True, "sure"), (False, "open")):
        table = choices("most yield", "most money")
        table["sure"] = sure
        gain = said_of._gain(SURFACE, table, "g")
        worth = said_of._worth(trial(euros), SURFACE, table)
        assert (gain.key, worth.key) == (f"best.gain.{key}", f"best.worth.{key}")
        for said in (gain, worth):
            assert [said.values[k].value for k in ("change", "low", "high")] == [5.0, 1.0, 9.0]


def test_a_choice_that_is_todays_is_told_as_todays() -> None:
    table = choices("most yield", "most money")
    table["mist"] = 2.0
    given = trial(SimpleNamespace(currency="EUR"))
    assert said_of._gain(SURFACE, table, "g").key == "best.gain.stay"
    assert said_of._worth(given, SURFACE, table).key == "best.worth.stay"
    said = said_of._regret(given, SURFACE, table)
    assert said.key == "best.regret.stay"
    assert "best" not in said.values


def test_the_least_use_is_told_where_it_saves_for_sure() -> None:
    for change, mist, key in (
        ({}, 0.5, "water"), ({}, None, "energy"), ({"sure": False}, 0.5, "none"),
        ({"use_change_pct": 0.0}, 0.5, "none"), ({"use_change_pct": float("nan")}, 0.5, "none"),
        ({"use_change_pct": -0.5}, 0.5, "water"),
    ):  # fmt: skip
        said = said_of._least(trial(mist_l_h=mist), SURFACE, row(**change))
        assert said.key == f"best.least.{key}"
        if key != "none":
            assert said.values["saved"].value == -row(**change)["use_change_pct"]


def choices(*names: str, careful: float = 2.0) -> pd.DataFrame:
    rows = {name: {"mist": 4.0, "regret": 3.0, **row()} for name in names}
    rows |= {"today": {**row(), "mist": 2.0, "regret": 7.0}}
    rows |= {"careful": {**row(), "mist": careful, "regret": 5.0}}
    return pd.DataFrame(rows).T


def test_a_careful_choice_is_to_stay_or_to_change() -> None:
    assert said_of._careful(SURFACE, choices("most yield")).key == "best.careful.stay"
    said = said_of._careful(SURFACE, choices("most yield", careful=3.0))
    assert said.key == "best.careful.change"
    assert said.values["where"][0].values["value"].value == 3.0


def test_what_staying_may_cost_is_in_money_only_with_prices() -> None:
    euros = SimpleNamespace(currency="EUR")
    table = choices("most yield", "most money")
    table.loc["most money", "regret"] = 1.0
    for prices, frame, unit, best in (
        (euros, table, "EUR", 1.0), (None, table, None, 3.0),
        (euros, choices("most yield"), None, 3.0),
    ):  # fmt: skip
        said = said_of._regret(trial(prices), SURFACE, frame)
        assert said.values["today"].value == 7.0
        assert said.values["best"].value == best
        assert (said.values["unit"] == "EUR") is (unit == "EUR")


def test_all_that_is_said_of_the_best(monkeypatch: pytest.MonkeyPatch) -> None:
    """What was not seen, not priced or not used is not spoken of."""
    monkeypatch.setattr(said_of, "say_part", lambda surface, region, i: None)
    monkeypatch.setattr(said_of, "_next", lambda *given: said_of.message("best.next.same"))
    given = trial(SimpleNamespace(currency="EUR"))
    given.tuned = [SimpleNamespace(name="mist")]
    seen: Any = SimpleNamespace(seen=True, level=0.95)
    unseen: Any = SimpleNamespace(seen=False, level=0.95)

    def keys(region: Any, table: pd.DataFrame | None) -> list[str]:
        chosen: Any = None
        if table is not None:
            chosen = SimpleNamespace(table=table.rename_axis("choice").reset_index())
        said = said_of.say_best(given, SURFACE, region, chosen, 0.03)
        return [m.key.removeprefix("best.") for m in said]

    whole = choices("most yield", "least use", "most money")
    assert keys(seen, None) == ["seen"]
    assert keys(unseen, None) == ["none"]
    assert [k.split(".")[0] for k in keys(seen, whole)] == [
        "seen", "gain", "careful", "least", "worth", "regret", "next"
    ]  # fmt: skip
    few = choices("most yield")
    few["regret"] = float("nan")
    assert [k.split(".")[0] for k in keys(unseen, few)] == ["none", "next"]


def test_where_a_further_trial_looks(monkeypatch: pytest.MonkeyPatch) -> None:
    def ranges(change: str) -> Any:
        return lambda *given: [SimpleNamespace(name="mist", low=3.0, high=9.0, change=change)]

    seen: Any = SimpleNamespace(seen=True)
    given: Any = SimpleNamespace(tuned=())
    for change, region, key in (
        ("narrower", seen, "look"), ("beyond", seen, "look"), ("kept", seen, "same"),
        ("narrower", SimpleNamespace(seen=False), "same"),
    ):  # fmt: skip
        monkeypatch.setattr(said_of, "next_ranges", ranges(change))
        said = said_of._next(given, SURFACE, region)
        assert said.key == f"best.next.{key}"
        if key == "look":
            part = said.values["parts"][0].values
            assert (part["low"].value, part["high"].value) == (3.0, 9.0)


# ------------------------------------------------------------------ looks that are due


@dataclass(frozen=True)
class Plan:
    batches: tuple[int, ...] = (2, 4, 6)
    shares: tuple[float, ...] = (0.33, 0.67, 1.0)


@pytest.fixture
def planned(monkeypatch: pytest.MonkeyPatch) -> dict[str, Any]:
    """Stand in for a trial of six batches that is looked at after two and four."""
    stage: dict[str, Any] = {"plan": Plan(), "whole": set(), "order": list("123456"), "seen": []}
    monkeypatch.setattr(due, "look_plan", lambda trial: stage["plan"])
    monkeypatch.setattr(due, "_whole", lambda trial, harvest: stage["whole"])
    monkeypatch.setattr(due, "batches_that_count", lambda trial, whole: stage["order"])
    monkeypatch.setattr(due, "batches_in_order", lambda trial: list("123456"))
    monkeypatch.setattr(
        due, "ending_after",
        lambda plan, n: plan if n == 6 else replace(plan, batches=(2, n), shares=(0.33, 1.0)),
    )  # fmt: skip

    def level_at(trial: Any, plan: Any, shares: tuple[float, ...]) -> tuple[float, float]:
        stage["seen"].append(shares)
        return 0.0, 0.99

    monkeypatch.setattr(due, "level_at", level_at)
    stage["trial"] = SimpleNamespace(
        batches={}, zone=None, primary=SimpleNamespace(reference="a"),
        question=SimpleNamespace(margin_pct=10.0),
    )  # fmt: skip
    return stage


@pytest.mark.parametrize(
    ("whole", "state", "key", "ends", "number"),
    [
        ("", "to do", "later", "ending", 1), ("1", "to do", "later", "ending", 1),
        ("12", "under way", "now", "ending", 1), ("123", "to do", "later", "ending", 2),
        ("13", "to do", "later", "ending", 1), ("1234", "under way", "now", "ending", 2),
        ("12345", "to do", "later", "last", 3), ("123456", "done", "all_in", "", 3),
    ],
)  # fmt: skip
def test_when_a_look_is_due(
    planned: dict[str, Any], whole: str, state: str, key: str, ends: str, number: int
) -> None:
    """Batches in a row from the first one count; after two and four, and at the end."""
    planned["whole"] = set(whole)
    found = look_due(planned["trial"], None)
    assert found is not None
    assert found[0] == state
    said: Any = found[1]
    first = said if state == "done" else said.parts[0]
    assert first.key == f"look_due.{key}"
    assert (first.values["number"], first.values["of"], first.values["total"]) == (number, 3, 6)
    assert planned["seen"] == [(0.33, 0.67, 1.0)[:number]]
    if ends:
        assert said.parts[-1].key == f"look_due.{ends}"
    if key == "later":
        assert first.values["after"] == (2, 4, 6)[number - 1]


def test_a_look_that_is_not_planned_or_given_up(planned: dict[str, Any]) -> None:
    planned["order"] = []
    assert look_due(planned["trial"], None) is None
    planned["order"], planned["whole"] = list("123"), set("123")  # three were given up
    found = look_due(planned["trial"], None)
    assert found is not None
    assert (found[0], found[1].key) == ("done", "look_due.given_up")  # type: ignore[attr-defined]
    planned["whole"] = set("12")
    found = look_due(planned["trial"], None)
    assert found is not None
    assert found[0] == "under way"
    planned["plan"] = None
    assert look_due(planned["trial"], None) is None


def test_the_date_of_a_look_is_that_of_the_batch_it_waits_for(planned: dict[str, Any]) -> None:
    end = pd.Timestamp("2031-03-09 20:00", tz="UTC")
    planned["trial"].zone = "Asia/Tokyo"
    for batch, told in (("2", True), ("1", False)):
        planned["trial"].batches = {batch: SimpleNamespace(end=SimpleNamespace(
            astimezone=lambda zone: end.tz_convert(zone)))}  # fmt: skip
        found: Any = look_due(planned["trial"], None)
        dates = [m for m in found[1].parts if m.key == "look_due.planned"]
        assert bool(dates) is told
        if told:
            assert str(dates[0].values["date"]) == "2031-03-10"
    planned["trial"].batches = {"2": SimpleNamespace(end=None)}
    found = look_due(planned["trial"], None)
    assert len(found[1].parts) == 2


def test_batches_of_which_every_flush_has_come_in() -> None:
    """From the share of blocks on that counts as in; a flush that lacks holds its batch back."""
    units = pd.DataFrame({"batch": ["1"] * 10 + ["2"] * 10})
    given: Any = SimpleNamespace(grown_units=lambda: units, flushes=2)
    both = [(b, f, u) for b in "12" for f in (1, 2) for u in range(10)]
    harvest = pd.DataFrame(both, columns=["batch", "flush", "unit"])
    assert due._whole(given, harvest) == {"1", "2"}
    late = harvest[~((harvest["batch"] == "2") & (harvest["flush"] == 2))]
    assert due._whole(given, late) == {"1"}
    few = round(10 * due.IN_FROM)
    for count, there in ((few, True), (few - 1, False)):
        part = harvest[(harvest["batch"] == "1") | (harvest["unit"] < count)]
        assert ("2" in due._whole(given, part)) is there
    stray = pd.concat([harvest, harvest.assign(batch="9")])
    assert due._whole(given, stray) == {"1", "2"}
    assert due._whole(given, None) == set()
    assert due._whole(given, harvest.drop(columns="flush")) == set()


def test_trials_that_share_more_than_half_their_rows(monkeypatch: pytest.MonkeyPatch) -> None:
    results: list[Any] = [SimpleNamespace(trial=SimpleNamespace(title=name)) for name in "abcdefgh"]
    for share, told in ((0.5, 0), (0.51, 28), (0.0, 0)):
        monkeypatch.setattr(pooling, "share_in_common", lambda one, other, s=share: s)
        found = pooling._pool_findings(results)
        assert len([f for f in found if f.code == "shared_rows"]) == told
    monkeypatch.setattr(pooling, "share_in_common", lambda one, other: 0.51)
    first = pooling._pool_findings(results)[0].values
    assert (first["first"], first["second"]) == (1, 2)
    assert float(first["share"].value) == pytest.approx(51.0)
