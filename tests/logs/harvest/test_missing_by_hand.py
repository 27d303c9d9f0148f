"""Which weights are missing, and which batches wait: four units and two flushes, by hand."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from tests.logs.harvest.test_kilograms_by_hand import Entries
from trialkit.logs.harvest.doubts import _missing_units, _totals, _weights_of_lost_blocks

BATCHES = ["B1", "B1", "B2", "B2"]


def told(rows: list[tuple[int, int, str]], **trial: Any) -> dict[str, dict[str, Any]]:
    """Give the findings of rows of unit, flush and state; units 0 and 1 are of batch 1."""
    made: Any = Entries([300.0] * len(rows), [unit for unit, _, _ in rows],
                        flush=[flush for _, flush, _ in rows],
                        status=[state for _, _, state in rows])  # fmt: skip
    import pandas as pd

    made.units = pd.DataFrame({"unit": ["u0", "u1", "u2", "u3"], "batch": BATCHES})
    about: Any = SimpleNamespace(**({
        "batches": {"B1": None, "B2": None}, "given_up": set(), "never_grown": set(), "flushes": 2,
        "levels": {"batch": ("B1", "B2")},
    } | trial))  # fmt: skip
    return {f.code: dict(f.values) for f in _missing_units(about, made)}


ALL_OF_ONE = [(0, 1, "ok"), (0, 2, "ok"), (1, 1, "ok"), (1, 2, "ok")]


def missing(found: dict[str, dict[str, Any]]) -> list[str]:
    return [str(unit) for unit in found.get("units_missing", {}).get("units", [])]


def test_a_batch_without_a_row_waits_and_owes_nothing() -> None:
    found = told(ALL_OF_ONE)
    assert list(found) == ["no_harvest"]
    assert "B2" in str(found["no_harvest"]["place"])
    assert told(ALL_OF_ONE, given_up={"u2", "u3"}) == {}
    assert list(told(ALL_OF_ONE, given_up={"u2"})) == ["no_harvest"]
    assert list(told([*ALL_OF_ONE, (2, 1, "ok")])) == ["units_missing"]


def test_flushes_of_begun_batches_are_missing() -> None:
    found = told(ALL_OF_ONE[:3], given_up={"u2", "u3"})
    assert missing(found) == ["flush 2 of u1"]
    assert (found["units_missing"]["count"], found["units_missing"]["all"]) == (1, 8)
    assert told(ALL_OF_ONE[:3], never_grown={"u3"})["units_missing"]["all"] == 6
    assert missing(told(ALL_OF_ONE[:3], given_up={"u1"})) == []
    assert missing(told(ALL_OF_ONE[:2])) == ["flush 1 of u1", "flush 2 of u1"]


def test_with_one_flush_units_are_named_alone() -> None:
    assert missing(told([(0, 1, "ok")], flushes=1)) == ["u1"]


@pytest.mark.parametrize(
    ("rows", "owed"),
    [
        ([(1, 1, "contaminated")], []), ([(1, 2, "discarded")], ["flush 1 of u1"]),
        ([(1, 1, "ok"), (1, 2, "contaminated")], []),
    ],
)  # fmt: skip
def test_a_lost_block_owes_the_flushes_before(rows: list, owed: list[str]) -> None:
    assert missing(told(ALL_OF_ONE[:2] + rows)) == owed


def test_where_nothing_is_there_all_batches_wait() -> None:
    assert list(told([])) == ["no_harvest"]


def test_weights_together_are_held_against_the_block() -> None:
    def over(wet: float | None, fresh: list[float], units: list[int]) -> list[str]:
        trial: Any = SimpleNamespace(blocks=SimpleNamespace(wet_g=wet))
        entries: Any = Entries(fresh, units)
        return [str(u) for f in _totals(trial, entries) for u in dict(f.values)["units"]]

    assert over(1000.0, [600, 500, 1000], [0, 0, 1]) == ["u0 (1,100 g)"]
    assert over(None, [600, 500], [0, 0]) == []


def test_weights_of_lost_blocks_are_those_with_a_weight() -> None:
    nan = float("nan")
    entries: Any = Entries([300.0, nan, 200.0], status=["ok", "contaminated", "discarded"])
    [found] = _weights_of_lost_blocks(entries)
    assert dict(found.values)["count"] == 1
    assert entries.noted == [2]
    assert _weights_of_lost_blocks(Entries([300.0])) == []  # type: ignore[arg-type]
