"""Cells that may be a column of the glossary: shares, ranges and kinds at their limits, by hand."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pytest

from tests.logs.folder import make_trial
from trialkit.logs.mapping.likeness import (
    _are_readings,
    _share_names,
    _waver,
    could_be,
    find_likeness,
    holds_moments,
)


@pytest.fixture(scope="module")
def trial(tmp_path_factory: pytest.TempPathFactory) -> Any:
    folder: Path = tmp_path_factory.mktemp("trial")
    logs = '\n[logs.environment]\nfiles = ["a.csv"]\n'
    return make_trial(folder, {"a.csv": b"time\n"}, logs)


def score(trial: Any, head: str, column: str, cells: Any, **given: Any) -> float:
    column_of = cells if isinstance(cells, pa.Array) else pa.array(cells)
    return find_likeness(trial, head, column_of, column, ".", **given).score


# ------------------------------------------------------------------ readings and names


def readings(cells: list[str]) -> bool:
    texts = list(dict.fromkeys(cells))
    codes = np.array([texts.index(cell) for cell in cells])
    return _are_readings(texts, codes, np.array([cell != "" for cell in cells]))


@pytest.mark.parametrize(
    ("cells", "sure"),
    [
        # whole numbers, another in each of seven rows: a count; of six they may be names
        ([str(k) for k in range(7)], True), ([str(k) for k in range(6)], False),
        ([*map(str, range(6)), ""], False), ([*map(str, range(7)), ""], True),
        ([*map(str, range(7)), "0"], False), ([*map(str, range(7)), "T8"], False),
        # decimals in more than four fifths
        (["20.5", "21,5", "20.5", "20.5", "20.5", "x"], True),
        (["20.5"] * 4 + ["x"], False), (["-20.5"], True), (["20."], False), (["T1.5"], False),
    ],
)  # fmt: skip
def test_what_is_measured_or_counted_names_no_place(cells: list[str], sure: bool) -> None:
    assert readings(cells) == sure


def test_a_count_is_no_name_of_a_sensor(trial: Any) -> None:
    """Named by its head it is worth 3 or more; a reading never is."""
    assert score(trial, "sensor", "sensor", [str(k) for k in range(7)]) == 0.0
    assert score(trial, "sensor", "sensor", [str(k) for k in range(6)]) > 0
    assert score(trial, "chamber", "chamber", ["20.5", "20.6"]) == 0.0


@pytest.mark.parametrize(("units", "others", "enough"), [(5, 4, True), (4, 4, False)])
def test_more_than_half_of_the_rows_name_units(
    trial: Any, units: int, others: int, enough: bool
) -> None:
    cells = ["B1-T1-top-1"] * units + ["x"] * others
    assert score(trial, "zzz", "unit", cells) == (4.0 if enough else 0.0)


@pytest.mark.parametrize(("sound", "enough"), [(5, True), (4, False)])
@pytest.mark.parametrize(
    ("column", "cell", "worth"),
    [("chamber", "T1", 3.5), ("shelf", "top", 3.0), ("time", "2031-01-14 10:00", 3.0)],
)
def test_more_than_four_fifths_of_the_rows_name_places_or_moments(
    trial: Any, column: str, cell: str, worth: float, sound: int, enough: bool
) -> None:
    """Five of six are, four of five are not."""
    cells = [cell] * sound + ["x"]
    assert score(trial, "zzz", column, cells) == (worth if enough else 0.0)


@pytest.mark.parametrize(
    ("cells", "fits"),
    [(["1", "2"], True), (["0", "1"], False), (["1"] * 5 + ["3"], True), (["1"] * 4 + ["3"], False),
     (["1.0", "2.0"], False), ([" 1", "2 "], True), (["1", "2\x1c"], True), (["0001"], False)],
)  # fmt: skip
def test_flushes_are_the_numbers_of_the_trial(trial: Any, cells: list[str], fits: bool) -> None:
    """It has two; five of six rows are enough."""
    assert (score(trial, "flush", "flush", cells) > 0) == fits


@pytest.mark.parametrize(("words", "fits"), [(1, True), (2, False)])
def test_four_fifths_of_the_filled_cells_must_be_numbers(
    trial: Any, words: int, fits: bool
) -> None:
    """Of five; cells that are empty do not count."""
    cells = ["20.5"] * (5 - words) + ["x"] * words + [""] * 5
    assert (score(trial, "temp", "temp_c", cells) > 0) == fits


# ------------------------------------------------------------------ moments


@pytest.mark.parametrize(
    ("cells", "sure"),
    [
        (["2031-01-14 10:00"] * 5 + ["x"], True), (["2031-01-14 10:00"] * 4 + ["x"], False),
        (["2031-01-14"] * 6, False), ([], False), (["03/04/2031 10:00"], True),
        (["13/04/2031 10:00"], True), (["04/13/2031 10:00"], True),
    ],
)  # fmt: skip
def test_a_column_of_moments_has_times_of_day(cells: list[str], sure: bool) -> None:
    assert holds_moments("zzz", pa.array(cells, pa.string())) == sure


def test_typed_moments_are_moments_and_numbers_are_none(trial: Any) -> None:
    stamps = pa.array([1_000_000], pa.timestamp("s"))
    assert holds_moments("zzz", stamps)
    assert not holds_moments("zzz", pa.array([1.5]))
    assert score(trial, "zzz", "time", stamps) == 3.0
    assert score(trial, "zzz", "time", pa.array([20_000], pa.date32())) == 3.0
    assert score(trial, "zzz", "time", pa.array([1_234_567_890])) == 3.0  # seconds since 1970
    assert score(trial, "zzz", "time", pa.array([1.5])) == 0.0


def test_counted_days_are_moments_only_under_a_head_of_time(trial: Any) -> None:
    days = ["47862.25", "47862.5"]
    assert holds_moments("time", pa.array(days))
    assert not holds_moments("zzz", pa.array(days))
    assert score(trial, "time", "time", days) > 3
    assert score(trial, "zzz", "time", days) == 0.0


def test_day_and_month_may_stand_in_either_order(trial: Any) -> None:
    assert score(trial, "zzz", "time", ["13/04/2031", "14/04/2031"]) == 3.0
    assert score(trial, "zzz", "time", ["04/13/2031", "04/14/2031"]) == 3.0


# ------------------------------------------------------------------ values


@pytest.mark.parametrize(
    ("cells", "sure"),
    [
        (["20.5", "21", "20"], True), (["20.5", "21", "22"], False), (["22", "21", "20.5"], False),
        (["20", "21", "20"], False), (["20.5", "n/a", "21", "x", "20"], True), (["20.5"], False),
        (["21", "21.5", "21.5", "21"], True), (["1.5", "1.5"], False),
    ],
)  # fmt: skip
def test_what_is_measured_goes_up_and_down_and_has_decimals(cells: list[str], sure: bool) -> None:
    assert _waver(pa.array(cells), ".") == sure


def ends(trial: Any, column: str, values: list[Any]) -> tuple[float, float] | None:
    return could_be(trial, pa.array([str(v) for v in values]), column, ".")


@pytest.mark.parametrize(
    ("column", "values", "fits"),
    [
        ("temp_c", [20, 21, 20], True), ("temp_c", [20, 21], False),
        ("temp_c", [20, 21, 22], False), ("temp_c", [22, 21, 20], False),
        ("temp_c", [20, 21, 20, 21, "x"], True), ("temp_c", [20, 21, 20, "x"], False),
        ("temp_c", [-10, 45, 20], True), ("temp_c", [-10.1, 45, 20], False),
        ("temp_c", [-10, 45.1, 20], False), ("temp_c", [2, 1, 3], True),
        ("temp_c", [1.9, 1, 3], False), ("rh_pct", [30, 29, 31], True),
        ("rh_pct", [29.9, 29, 31], False), ("rh_pct", [1.5, 101, 50], True),
        ("rh_pct", [1.4, 101, 50], False), ("rh_pct", [1.5, 101.1, 50], False),
        ("co2_ppm", [250, 400, 300], True), ("co2_ppm", [249, 400, 300], False),
    ],
)  # fmt: skip
def test_a_column_that_no_head_names_may_be_one_of_values(
    trial: Any, column: str, values: list[Any], fits: bool
) -> None:
    """Every value likely, the middle one at least 2 °C or 30 %, and neither a count up nor down.

    Three numbers at least, and four fifths of the cells: limits of common practice, no source.
    """
    found = ends(trial, column, values)
    numbers = [v for v in values if v != "x"]
    assert found == ((min(numbers), max(numbers)) if fits else None)


def test_a_unit_in_the_line_under_the_heads_counts_as_one_in_the_head(trial: Any) -> None:
    found = find_likeness(trial, "temp", pa.array(["68", "69"]), "temp_c", ".", under="°F")
    assert found.unit == "degF"
    assert found.head == "temp"
    assert score(trial, "temp", "temp_c", ["300", "301"], under="K") > 0  # 27 °C
    assert score(trial, "temp", "temp_c", ["300", "301"]) == 0.0


def test_cells_without_a_value_say_nothing(trial: Any) -> None:
    assert score(trial, "zzz", "time", ["", "n/a", None]) == 0.0
    found = find_likeness(trial, "time", pa.array(["", "-"]), "time", ".")
    assert found.score > 0
    assert find_likeness(trial, "zzz", pa.array([], pa.string()), "temp_c", ".").score == 0.0


def test_where_no_names_are_known_none_is_one_of_them() -> None:
    cells, filled = pa.array(["T1", "T2"]), np.array([True, True])
    assert _share_names(cells, [], filled) == 0
    assert _share_names(cells, ["T1", "X"], filled) == 0.5
