"""When weights are thousands off together: by the block, by their look, and group by group."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from trialkit.logs.harvest.doubts import _decimal_slips, _nothing_at_all
from trialkit.logs.harvest.kilograms import _off, _whole_column
from trialkit.logs.harvest.read import _flush
from trialkit.logs.harvest.sheet_rules import _date_hint, _impossible
from trialkit.logs.text.on_off import is_state


def column(
    weights: list[float],
    *,
    wet: float | None = None,
    dry: float | None = None,
    stated: bool = False,
) -> list[str]:
    trial: Any = SimpleNamespace(
        blocks=SimpleNamespace(wet_g=wet, dry_substrate_g=dry),
        logs={"harvest": SimpleNamespace(units={"fresh_g": "g"} if stated else {})},
    )
    return [f.message for f in _whole_column(trial, np.array(weights))]


@pytest.mark.parametrize(
    ("weights", "known", "told"),
    [
        # below two thousandths of a wet block of 2000 g: 4 g; of a dry one five thousandths: 5 g
        ([3.9] * 3, {"wet": 2000.0}, True), ([4.0] * 3, {"wet": 2000.0}, False),
        ([4.9] * 3, {"dry": 1000.0}, True), ([5.0] * 3, {"dry": 1000.0}, False),
        ([4.5] * 3, {"wet": 2000.0, "dry": 1000.0}, True),
        # the usual weight is the middle one
        ([1.0, 1.0, 300.0], {"wet": 2000.0}, True), ([1.0, 300.0, 300.0], {"wet": 2000.0}, False),
        # unknown blocks: all below ten, and more than half of them with decimals
        ([0.5, 0.7, 9.9], {}, True), ([0.5, 0.7, 10.0], {}, False), ([0.5, 0.7, 1, 2], {}, False),
        ([0.5, 0.7, 1.5, 2], {}, True), ([0.5] * 5 + [1] * 4, {}, True),
        ([0.5, 0.7], {"stated": True}, False), ([4.5], {"wet": 100.0}, False),
    ],
)  # fmt: skip
def test_a_column_that_is_no_grams(weights: list[float], known: dict, told: bool) -> None:
    assert bool(column(weights, **known)) == told


def frame(size: list[float], flush: int = 1) -> pd.DataFrame:
    return pd.DataFrame({"size": np.array(size, dtype=float), "flush": flush})


@pytest.mark.parametrize(
    ("part", "rest", "off"),
    [
        ([-0.5] * 4, [2.5] * 4, -3.0), ([5.5] * 4, [2.5] * 4, 3.0), ([2.5] * 4, [2.5] * 4, 0.0),
        # four at least on both sides
        ([-0.5] * 3, [2.5] * 4, 0.0), ([-0.5] * 4, [2.5] * 3, 0.0),
        # half a power of ten from a thousand is too far, in the middle
        ([-0.01] * 4, [2.5] * 4, -3.0), ([0.0] * 4, [2.5] * 4, 0.0), ([-1.0] * 4, [2.5] * 4, 0.0),
        ([-0.99] * 4, [2.5] * 4, -3.0),
        # four fifths within a whole power
        ([-0.5] * 4 + [2.5], [2.5] * 4, -3.0), ([-0.5] * 3 + [2.5], [2.5] * 4, 0.0),
        ([-0.5] * 4 + [0.49], [2.5] * 4, -3.0),
    ],
)  # fmt: skip
def test_a_group_about_a_thousand_off(part: list[float], rest: list[float], off: float) -> None:
    """Logarithms of weights; the middle of the others is 2.5 (316 g)."""
    assert _off(frame(part), frame(rest), ["batch"]) == off


def test_groups_are_compared_flush_by_flush_but_flushes_are_not() -> None:
    part = pd.concat([frame([-0.5] * 2, 1), frame([-1.0] * 2, 2)])
    rest = pd.concat([frame([2.5] * 2, 1), frame([2.0] * 2, 2)])
    assert _off(part, rest, ["chamber"]) == -3.0
    other = pd.concat([frame([2.5] * 4, 1)])
    assert _off(part, other, ["chamber"]) == 0.0  # two have the flush in common with others
    assert _off(frame([-0.5] * 4, 2), frame([2.5] * 4, 1), ["flush"]) == -3.0
    assert _off(frame([-0.5] * 4, 2), frame([2.5] * 4, 1), ["batch"]) == 0.0


# ------------------------------------------------------------------ slips of the decimal sign


class Entries:
    """As many entries as are given, each of its own unit unless units are given."""

    def __init__(self, fresh: list[float], units: list[int] | None = None, **more: Any) -> None:
        n = len(fresh)
        self.table = pd.DataFrame({
            "unit_at": units or list(range(n)), "flush": more.get("flush", [1] * n),
            "fresh_g": fresh, "status": more.get("status", ["ok"] * n),
        })  # fmt: skip
        names = [f"u{k}" for k in range(max(self.table["unit_at"], default=-1) + 1)]
        self.units = pd.DataFrame({"unit": names} | more.get("levels", {}))
        self.noted: list[int] = []

    def each(self, mask: np.ndarray) -> list[tuple[Any, pd.DataFrame]]:
        part = self.table[mask].assign(index=np.flatnonzero(mask))
        note = SimpleNamespace(note=lambda rows, **_: self.noted.extend(int(r) for r in rows))
        return [(note, part)] if len(part) else []

    def head(self, part: pd.DataFrame, column: str) -> str:
        return column


def slips(fresh: list[float], units: list[int] | None = None, **more: Any) -> list[int]:
    entries: Any = Entries(fresh, units, **more)
    together = np.zeros(len(fresh), bool)
    together[more.get("together", [])] = True
    found = _decimal_slips(entries, together)
    assert bool(found) == bool(entries.noted)
    return entries.noted


@pytest.mark.parametrize(
    ("odd", "slip"),
    [
        (1000.0, True), (10.0, True), (100_000.0, True), (400.0, False), (250.0, False),
        # within 0.35 of a power of ten, on the log scale: 2.25 or 22.3 times
        (440.0, False), (450.0, True), (2230.0, True), (2250.0, False), (22.0, True), (23.0, False),
        # and 0.65 away at least: 4.47 times
        (447.0, True), (446.0, False),
    ],
)  # fmt: skip
def test_a_weight_off_by_about_a_power_of_ten(odd: float, slip: bool) -> None:
    """Seven weights of 100 g and one other: log10(4.47) = 0.650, log10(22.387) = 1.350."""
    assert slips([100.0] * 7 + [odd]) == ([7] if slip else [])


def test_six_weights_are_enough_and_lost_blocks_and_noughts_do_not_count() -> None:
    assert slips([100.0] * 5 + [1000.0]) == [5]
    assert slips([100.0] * 4 + [1000.0]) == []
    assert slips([100.0] * 4 + [1000.0, 0.0]) == []
    assert slips([100.0] * 4 + [1000.0, 100.0], status=["lost"] + ["ok"] * 5) == []


def test_a_weight_that_is_off_with_its_group_is_told_elsewhere() -> None:
    assert slips([100.0] * 7 + [1000.0], together=[7]) == []


def test_a_units_own_flushes_say_what_it_bears() -> None:
    """Unit 0 bears ten times as much in both flushes: no slip; in one alone it is."""
    units, flush = [0, 1, 2, 3] * 2, [1] * 4 + [2] * 4
    both = [1000.0, 100, 100, 100, 500, 50, 50, 50]
    assert slips(both, units, flush=flush) == []
    one = [1000.0, 100, 100, 100, 50, 50, 50, 50]
    assert slips(one, units, flush=flush) == [0]


def test_where_weights_spread_a_slip_is_four_times_the_spread() -> None:
    """Half the weights 60 % above, half below: 1.4826 · log10(1.6) · 4 = 1.21 is more than 1."""
    wide = [160.0, 62.5] * 5
    assert slips([*wide, 1000.0]) == []
    narrow = [110.0, 90.9] * 5
    assert slips([*narrow, 1000.0]) == [10]


def test_the_spread_is_that_of_a_normal_distribution_with_these_middle_deviations() -> None:
    """Eleven weights 45 % over or under 100 g: 4 · 1.4826 · log10(1.45) is 0.957, less than 1."""
    assert slips([145.0] * 5 + [100 / 1.45] * 6 + [1000.0]) == [11]
    assert slips([150.0] * 5 + [100 / 1.5] * 6 + [1000.0]) == []  # 1.044 is more


@pytest.mark.parametrize(("times", "slip"), [(0.53, True), (0.48, False)])
def test_a_slip_stands_out_from_its_flush_by_half_a_power_of_ten(times: float, slip: bool) -> None:
    """Unit 0 bears half as much as the others in flush 2 and 3.4 or 3.0 times as much in flush 1.

    That is 0.83 or 0.78 of a power of ten between its flushes.
    """
    units, flush = [0, 1, 2, 3, 4] * 2, [1] * 5 + [2] * 5
    fresh = [100 * 10**times, 100, 100, 100, 100, 50 * 10**-0.3, 50, 50, 50, 50]
    assert slips(fresh, units, flush=flush) == ([0] if slip else [])


# ------------------------------------------------------------------ nothing at all


@pytest.mark.parametrize(
    ("zeros", "others", "told"),
    [(4, [1.0], 1), (3, [1.0], 0), (4, [0.0], 0), (4, [float("nan")], 0)],
)
def test_four_noughts_of_a_chamber_while_others_bear(
    zeros: int, others: list[float], told: int
) -> None:
    n = zeros + len(others)
    levels = {"chamber": ["T1"] * zeros + ["T2"] * len(others)}
    entries: Any = Entries([0.0] * zeros + others, levels=levels)
    assert len(entries.units) == n
    assert len(_nothing_at_all(entries)) == told
    entries.units = entries.units.drop(columns="chamber")
    assert _nothing_at_all(entries) == []


# ------------------------------------------------------------------ single cells


@pytest.mark.parametrize(
    ("text", "flush"),
    [("1", 1), ("2", 2), ("3", 0), ("0", 0), ("#2", 2), ("flush 1", 1), ("Wave 2", 2), ("2nd", 2),
     ("1.0", 1), ("2,00", 2), ("1.5", 0), ("", 0), ("x", 0), (" 1 ", 1), ("1.", 1), ("0002", 0)],
)  # fmt: skip
def test_flushes_as_people_write_them(text: str, flush: int) -> None:
    assert _flush(text, 2) == flush


@pytest.mark.parametrize(
    ("values", "whole", "odd"),
    [([0, 10, -0.1, 10.1], False, [2, 3]), ([1.5, 2.0], False, []), ([1.5, 2.0], True, [0]),
     ([float("nan"), 3], True, []), ([float("nan"), -1], False, [1])],
)  # fmt: skip
def test_values_outside_the_range_of_their_column(
    values: list[float], whole: bool, odd: list[int]
) -> None:
    column: Any = SimpleNamespace(possible=(0.0, 10.0), whole=whole)
    assert _impossible(np.array(values), column).tolist() == odd


def test_slips_that_explain_a_date_are_tried_in_their_order() -> None:
    """From 13 January 09:00 to 8 February: the year, day and month swapped, a month off."""

    def hint(date: str, *, start: bool = True, end: bool = True) -> str:
        dates = SimpleNamespace(
            start=pd.Timestamp("2031-01-13 09:00", tz="UTC").to_pydatetime() if start else None,
            end=pd.Timestamp("2031-02-08 12:00", tz="UTC").to_pydatetime() if end else None,
        )
        return _date_hint(
            pd.Timestamp(date, tz="UTC").value, dates, pd.Timestamp(0, tz="UTC").tz
        ).key

    assert hint("2030-01-20 12:00") == "date_hint.year"
    assert hint("2032-02-08 12:00") == "date_hint.year"  # the last moment
    assert hint("2032-02-08 12:01") == "date_hint.none"
    assert hint("2032-01-13 09:00") == "date_hint.year"  # the first
    assert hint("2031-07-02 12:00") == "date_hint.swapped"  # 7 February
    assert hint("2031-12-20 12:00") == "date_hint.none"
    assert hint("2031-03-05 12:00") == "date_hint.month"  # 5 February
    assert hint("2032-01-20 12:00", start=False) == "date_hint.year"
    assert hint("2031-01-05 12:00", end=False) == "date_hint.swapped"


def test_words_of_a_switch() -> None:
    assert [is_state(word) for word in (" ON ", "off", "aus", "maybe", "")] == [
        True, True, True, False, False
    ]  # fmt: skip
