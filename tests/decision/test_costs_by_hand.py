"""What a run earns and costs, from round numbers; from how many runs and which price on it pays."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from trialkit.decision.break_even import (
    _sure_prices,
    _sure_words,
    _turning_price,
    break_even,
    break_even_words,
    no_break_even,
)
from trialkit.decision.costs import (
    bought_per_run,
    counted_prices,
    counted_uses,
    pays_from,
    run_value,
)

PRICES = {
    "mushrooms_per_kg": 10.0, "water_per_m3": 4.0, "energy_per_kwh": 0.5, "labour_per_h": 20.0,
    "picking_kg_per_h": 8.0, "block_each": 2.0, "labour_h": {"a": 1.5}, "batch_each": 30.0,
    "chamber_each": 600.0, "runs_paid": 10.0, "equipment": {"a": 50.0},
}  # fmt: skip
NOTHING = dict.fromkeys(PRICES) | {"labour_h": {}, "equipment": {}}


def trial(counts: dict[str, int] | None = None, **prices: Any) -> Any:
    return SimpleNamespace(
        prices=SimpleNamespace(**(PRICES | prices)),
        primary=SimpleNamespace(name="m", reference="b"),
        counts={"chamber": 6} if counts is None else counts,
    )


def totals(**columns: Any) -> pd.DataFrame:
    use = {"water_l": [200.0, 100.0], "energy_kwh": [4.0, 8.0]} | columns
    return pd.DataFrame({"m": ["a", "b"], "kg_all": [10.0, 20.0], "started": [5, 5], **use})


@pytest.mark.parametrize(
    ("multiples", "want"),
    [
        # a: 10 (10 − 20/8) − 0.2 × 4 − 4 × 0.5 − 5 × 2 − 1.5 × 20 − 650/10 − 30/6; b likewise
        (None, (-37.8, 70.6)),
        ({"mushrooms": 2.0}, (62.2, 270.6)), ({"labour": 2.0}, (-92.8, 20.6)),
        ({"water": 3.0}, (-39.4, 69.8)), ({"energy": 0.5}, (-36.8, 72.6)),
    ],
)  # fmt: skip
def test_a_run_by_its_prices(multiples: dict[str, float] | None, want: tuple) -> None:
    assert run_value(trial(), totals(), multiples).tolist() == pytest.approx(list(want))


def test_what_has_no_price_costs_nothing() -> None:
    assert run_value(trial(**NOTHING), totals()).tolist() == [0.0, 0.0]
    sold = run_value(trial(**(NOTHING | {"mushrooms_per_kg": 10.0})), totals())
    assert sold.tolist() == [100.0, 200.0]
    no_use = totals().drop(columns=["water_l", "energy_kwh"])
    assert run_value(trial(), no_use).tolist() == pytest.approx([-35.0, 75.0])
    one = run_value(trial(counts={"tent": 3}), totals())
    assert one.tolist() == pytest.approx([-62.8, 45.6])  # the batch of one run
    slow = run_value(trial(picking_kg_per_h=None), totals())
    assert slow.tolist() == pytest.approx([-12.8, 120.6])


def test_what_is_bought_is_spread_over_the_runs_it_serves() -> None:
    assert bought_per_run(trial(), "a") == pytest.approx(65.0)
    assert bought_per_run(trial(), "b") == pytest.approx(60.0)
    assert bought_per_run(trial(chamber_each=None), "a") == pytest.approx(5.0)
    assert bought_per_run(trial(runs_paid=None), "a") == 0.0


def test_which_prices_are_counted() -> None:
    """A price of nothing is one; a part without its partner is none."""
    every = ("mushrooms", "water", "energy", "picking", "labour", "block", "batch", "chamber",
             "equipment")  # fmt: skip
    assert counted_prices(trial(), totals()) == every
    free = trial(mushrooms_per_kg=0.0, water_per_m3=0.0, energy_per_kwh=0.0, block_each=0.0,
                 batch_each=0.0, chamber_each=0.0)  # fmt: skip
    assert counted_prices(free, totals()) == every
    assert counted_prices(trial(**NOTHING), totals()) == ()
    for lacks, gone in (
        ({"labour_per_h": None}, {"picking", "labour"}), ({"picking_kg_per_h": None}, {"picking"}),
        ({"labour_h": {}}, {"labour"}), ({"runs_paid": None}, {"chamber", "equipment"}),
        ({"equipment": {}}, {"equipment"}), ({"chamber_each": None}, {"chamber"}),
    ):  # fmt: skip
        assert set(every) - set(counted_prices(trial(**lacks), totals())) == gone
    dry = totals().drop(columns=["water_l", "energy_kwh"])
    assert set(every) - set(counted_prices(trial(), dry)) == {"water", "energy"}


def test_uses_that_no_run_counted_are_left_out_and_told() -> None:
    def told(given: Any, table: pd.DataFrame) -> tuple[list[str], list[str]]:
        kept, found = counted_uses(given, table)
        return [f"{f.code} {f.severity}" for f in found], [c for c in kept if c in
                                                           ("water_l", "energy_kwh")]  # fmt: skip

    assert told(trial(), totals()) == ([], ["water_l", "energy_kwh"])
    none = totals(water_l=[np.nan, np.nan])
    assert told(trial(), none) == (["use_not_priced note"], ["energy_kwh"])
    assert told(trial(), none.drop(columns="water_l")) == (["use_not_priced note"], ["energy_kwh"])
    assert told(trial(water_per_m3=None), none) == ([], ["water_l", "energy_kwh"])
    half = totals(energy_kwh=[4.0, np.nan])
    assert told(trial(), half) == (["use_partly_priced caution"], ["water_l", "energy_kwh"])
    _, [partly] = counted_uses(trial(), half)
    assert (partly.values["unknown"], partly.values["runs"]) == (1, 2)
    assert told(trial(runs_paid=None), totals())[0] == ["equipment_not_spread caution"]
    assert told(trial(runs_paid=None, equipment={"a": 0.0}), totals())[0] == []


def test_from_how_many_runs_something_bought_is_paid() -> None:
    """A whole number of them; rounding makes no run more."""
    assert [pays_from(90, g) for g in (30.0, 30.1, 29.9, 90.0, 91.0)] == [3, 3, 4, 1, 1]
    assert pays_from(0.3, 0.1) == 3.0
    assert pays_from(90, 0.5) == 180
    assert pays_from(90, 0.0) == pays_from(90, -1.0) == math.inf
    assert [pays_from(0, g) for g in (1.0, 0.0, -1.0)] == [0.0, 0.0, math.inf]
    assert pays_from(-5, 1.0) == 0.0
    assert pays_from(0.5, 1.0) == 1.0
    assert math.isnan(pays_from(0, math.nan))


# ------------------------------------------------------------------ prices


def rows(at: list[float], gain: Any, half: Any = 1.0) -> pd.DataFrame:
    x = np.array(at)
    y = np.broadcast_to(gain(x) if callable(gain) else gain, x.shape).astype(float)
    wide = np.broadcast_to(half(x) if callable(half) else half, x.shape).astype(float)
    return pd.DataFrame({"price": "mushrooms", "at": x, "gain": y, "low": y - wide})


AT = [5.0, 7.5, 10.0, 15.0, 20.0, 30.0]


@pytest.mark.parametrize(
    ("gain", "want"),
    [
        (lambda x: 2 * x - 12, (6.0, "above")), (lambda x: 12 - 2 * x, (6.0, "below")),
        (lambda x: x + 3, (math.nan, "any")), (lambda x: -x - 3, (math.nan, "no")),
        (3.0, (math.nan, "any")), (-3.0, (math.nan, "no")),
        (lambda x: 0.4 * x - 0.2, (0.5, "above")),
    ],
)  # fmt: skip
def test_the_price_at_which_the_gain_turns(gain: Any, want: tuple) -> None:
    """Where a straight line crosses nothing, in any order of the rows; others do not count."""
    table = rows(AT, gain).sample(frac=1, random_state=1)
    other = table.assign(price="water", gain=99.0)
    price, way = _turning_price(pd.concat([table, other]), 10.0)
    assert way == want[1]
    assert price == pytest.approx(want[0], nan_ok=True)


def test_without_two_prices_nothing_turns() -> None:
    table = rows(AT, lambda x: 2 * x - 12)
    for given, now in ((table, None), (table, 0.0), (table.iloc[:1], 10.0),
                       (table.assign(gain=[1.0, 2, 3, 4, 5, np.nan]), 10.0)):  # fmt: skip
        price, way = _turning_price(given, now)
        assert math.isnan(price)
        assert way == ""
    assert _turning_price(table.iloc[:2], 10.0)[0] == pytest.approx(6.0)


@pytest.mark.parametrize(
    ("gain", "half", "low", "high"),
    [
        (lambda x: x - 8, 2.0, 10.0, math.inf),
        (lambda x: 12 - x, 2.0, 0.0, 10.0),
        (lambda x: x + 8, 2.0, 0.0, math.inf),
        # |0.6 x − 8| is less than 0.5 x − 4 from 120/11 to 40
        (lambda x: 0.5 * x - 4, lambda x: np.abs(0.6 * x - 8), 120 / 11, 40.0),
        (lambda x: x - 8, 1000.0, 1008.0, math.inf),  # far beyond any price that was looked at
        (lambda x: x - 8, lambda x: 1.5 * x, math.nan, math.nan),
    ],
)
def test_prices_at_which_the_limits_lie_above_nothing(
    gain: Any, half: Any, low: float, high: float
) -> None:
    """A line and a parabola of the price, looked at each 0.03 up to four times the highest."""
    got = _sure_prices(rows(AT, gain, half).sample(frac=1, random_state=2))
    assert got == pytest.approx((low, high), abs=0.031, nan_ok=True)


def test_limits_that_are_no_parabola_tell_no_price() -> None:
    table = rows(AT, lambda x: x - 8, 2.0)
    bent = table.assign(low=table["low"] + [0.0, 0.3, 0.0, -0.3, 0.3, 0.0])
    assert all(math.isnan(v) for v in _sure_prices(bent))
    hardly = table.assign(low=table["low"] + [0.0, 0.01, 0.0, -0.01, 0.01, 0.0])
    assert _sure_prices(hardly)[0] == pytest.approx(10.0, abs=0.1)
    assert all(math.isnan(v) for v in _sure_prices(table.iloc[:2]))
    assert _sure_prices(table.iloc[:3])[0] == pytest.approx(10.0, abs=0.1)
    assert all(math.isnan(v) for v in _sure_prices(table.assign(low=np.nan)))
    nought = pd.concat([rows([0.0], -8.0, np.nan), table])  # a price of nothing has no limits
    assert _sure_prices(nought)[0] == pytest.approx(10.0, abs=0.1)


def test_the_table_of_what_pays() -> None:
    """80 more is bought for a than for b; what was spread already counts as gained again.

    650/10 − 600/10 = 5 a run: (11 + 5) pay 80 in 5 runs, (3 + 5) in 10 and (−6 + 5) never.
    """
    given = trial(equipment={"a": 50.0, "b": 0.0})
    table = pd.DataFrame({"level": ["b", "a"], "gain": [np.nan, 5.0], "gain_low": [np.nan, -6.0],
                          "gain_high": [np.nan, 20.0]})  # fmt: skip
    prices = rows(AT, lambda x: x - 8, 2.0).assign(level="a")
    [row] = break_even(given, table, prices).to_dict("records")
    assert (row["level"], row["bought"]) == ("a", 50.0)
    assert (row["runs"], row["runs_low"], row["runs_high"]) == (5.0, 2.0, math.inf)
    assert (row["price_per_kg"], row["pays"]) == (pytest.approx(8.0), "above")
    assert row["sure_from"] == pytest.approx(10.0, abs=0.1)
    assert row["sure_to"] == math.inf
    assert list(no_break_even().columns) == list(break_even(given, table, prices).columns)
    assert no_break_even().empty


def line(**change: Any) -> pd.DataFrame:
    row = {
        "level": "a", "bought": 50.0, "runs": 5.0, "runs_low": 2.0, "runs_high": math.inf,
        "price_per_kg": 8.0, "pays": "above", "sure_from": 10.0, "sure_to": math.inf,
    }  # fmt: skip
    return pd.DataFrame([row | change])


@pytest.mark.parametrize(
    ("change", "keys"),
    [
        ({}, ["runs", "price_above"]), ({"runs": math.inf}, ["never", "price_above"]),
        ({"runs": math.nan}, ["price_above"]), ({"bought": 0.0}, ["price_above"]),
        ({"bought": -1.0, "pays": "no"}, ["price_no"]), ({"pays": ""}, ["runs"]),
        ({"bought": 0.5, "pays": "below"}, ["runs", "price_below"]),
    ],
)  # fmt: skip
def test_what_is_said_of_what_pays(change: dict[str, Any], keys: list[str]) -> None:
    said = break_even_words(line(**change), "EUR")
    assert [m.key for m in said] == [f"break_even.{key}" for key in keys]


@pytest.mark.parametrize(
    ("low", "high", "key"),
    [
        (math.nan, math.nan, "none"), (0.0, math.inf, "any"), (0.0, 9.0, "below"),
        (10.0, math.inf, "above"), (10.0, 40.0, "between"), (0.5, math.inf, "above"),
    ],
)  # fmt: skip
def test_what_is_said_of_sure_prices(low: float, high: float, key: str) -> None:
    assert _sure_words(low, high, "EUR").key == f"break_even.sure_{key}"
