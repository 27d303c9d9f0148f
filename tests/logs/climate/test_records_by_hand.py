"""Records of files under each other, their series and their order; numbers by hand."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np

from trialkit.logs.climate.records import (
    Part,
    Records,
    order_records,
    stack_parts,
    tabulate_records,
    tabulate_spans,
)

NAN = float("nan")


def part(
    file: str, time: list[int], sensors: tuple[str, ...] = (), sensor: list[int] | None = None,
    chamber: list[int] | None = None, shelf: list[int] | None = None, **values: list[float],
) -> Part:  # fmt: skip
    n = len(time)
    account: Any = SimpleNamespace(file=file)
    return Part(
        account, np.arange(n) + 5, np.array(chamber or [0] * n), np.array(sensor or [-1] * n),
        sensors, np.array(time), {k: np.array(v) for k, v in values.items()},
        None if shelf is None else np.array(shelf),
    )  # fmt: skip


def both() -> Records:
    return stack_parts([
        part("a", [1, 2], ("s", "r"), [0, 1], temp_c=[20.0, 21.0]),
        part("b", [3, 4, 5], ("s",), [0, -1, 0], chamber=[1, 0, 1], rh_pct=[80.0, 81.0, 82.0]),
    ])  # fmt: skip


def test_parts_stand_under_each_other_with_the_names_of_all_sensors() -> None:
    made = both()
    assert made.sensors == ["r", "s"]
    assert made.sensor.tolist() == [1, 0, 1, -1, 1]
    assert made.part.tolist() == [0, 0, 1, 1, 1]
    assert made.index.tolist() == [5, 6, 5, 6, 7]
    assert made.chamber.tolist() == [0, 0, 1, 0, 1]
    assert made.time.tolist() == [1, 2, 3, 4, 5]
    assert made.shelf is None
    assert made.alive.all()
    np.testing.assert_array_equal(made.values["temp_c"], [20, 21, NAN, NAN, NAN])
    np.testing.assert_array_equal(made.values["rh_pct"], [NAN, NAN, 80, 81, 82])
    assert list(made.values) == ["temp_c", "rh_pct"]
    one = stack_parts([part("a", [1], temp_c=[20.0])])
    assert (one.sensor.tolist(), one.values["temp_c"].tolist()) == ([-1], [20.0])
    none = stack_parts([])
    assert (len(none.time), none.values, none.shelf) == (0, {}, None)


def test_series_are_numbered_by_chamber_and_name_of_the_sensor() -> None:
    """No name comes first, then r, then s: three to a chamber."""
    assert both().series().tolist() == [2, 1, 5, 0, 5]


def test_and_by_shelf_where_there_are_any() -> None:
    """Shelves 0 and 1 and none: three to a sensor, none first. A part without shelves has none."""
    made = stack_parts([
        part("a", [1, 2, 3], shelf=[0, 1, -1], temp_c=[1.0, 2.0, 3.0]),
        part("b", [4], chamber=[1], temp_c=[4.0]),
    ])  # fmt: skip
    assert made.shelf is not None
    assert made.shelf.tolist() == [0, 1, -1, -1]
    assert made.series().tolist() == [1, 2, 0, 3]
    bare = stack_parts([part("a", [1, 2], shelf=[-1, -1], chamber=[0, 1], temp_c=[1.0, 2.0])])
    assert bare.series().tolist() == [0, 1]


def ordered(series: list[int], time: list[int]) -> list[int]:
    made: Any = SimpleNamespace(time=np.array(time))
    return order_records(made, np.array(series)).tolist()


def test_records_are_ordered_by_series_and_time() -> None:
    assert ordered([0, 0, 1, 1], [1, 2, 1, 1]) == [0, 1, 2, 3]
    assert ordered([0, 0, 1, 1], [2, 1, 1, 1]) == [1, 0, 2, 3]
    assert ordered([1, 0, 1, 0], [1, 2, 0, 1]) == [3, 1, 2, 0]
    assert ordered([1, 0], [1, 2]) == [1, 0]
    assert ordered([0, 0, 0], [5, 5, 5]) == [0, 1, 2]
    assert ordered([], []) == []


def test_tables_of_records_and_of_what_files_cover() -> None:
    made = both()
    made.time = made.time * 60 * 10**9
    table = tabulate_records(made, np.array([0, 3, 4]), ["T1", "T2"], ["top"])
    assert table["chamber"].tolist() == ["T1", "T1", "T2"]
    assert table["sensor"].tolist() == ["s", "", "s"]
    assert table["file"].tolist() == ["a", "b", "b"]
    assert [t.minute for t in table["time"]] == [1, 4, 5]
    assert "shelf" not in table
    spans = tabulate_spans(made, np.array([0, 1, 2, 3, 4]), ["T1", "T2"])
    assert spans[["file", "chamber", "sensor", "records"]].to_numpy().tolist() == [
        ["a", "T1", "r", 1], ["a", "T1", "s", 1], ["b", "T1", "", 1], ["b", "T2", "s", 2]
    ]  # fmt: skip
    assert [t.minute for t in spans["first"]] == [2, 1, 4, 3]
    assert [t.minute for t in spans["last"]] == [2, 1, 4, 5]
    shelved = stack_parts([part("a", [1, 2], shelf=[0, -1], temp_c=[1.0, 2.0])])
    shown = tabulate_records(shelved, np.array([0, 1]), ["T1"], ["top"])
    assert shown["shelf"].tolist() == ["top", ""]
