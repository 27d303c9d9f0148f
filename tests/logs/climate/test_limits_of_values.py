"""What no sensor reads, what is doubted of units, and which loggers are one: limits by hand."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from tests.logs.climate.test_series_by_hand import minutes, read
from trialkit.logs.climate.doubts import count_steps, doubt_units, tell_disorder
from trialkit.logs.climate.loggers import _disagree, _stem

NAN = float("nan")


@pytest.mark.parametrize(
    ("column", "low", "high"),
    [("temp_c", -60, 100), ("rh_pct", -5, 120), ("co2_ppm", -100, 1_000_000),
     ("light_lux", -10, 250_000), ("ppfd_umol_m2_s", -10, 10_000)],
)  # fmt: skip
def test_what_no_sensor_in_a_growing_room_reads(
    column: str, low: float, high: float, tmp_path: Path
) -> None:
    """The last values that are kept on both sides, and the next ones (common practice)."""
    cells = [low, high, low - 0.5, high + 0.5]
    rows = "".join(f"{t},T1,{v}\n" for t, v in zip(minutes(4), cells, strict=True))
    log = read(tmp_path, {"a.csv": f"time,chamber,{column}\n{rows}"})
    assert log.table[column].tolist() == [low, high]
    lines = log.ledger.lines[log.ledger.lines["rule"] == "value impossible"]
    assert lines["row"].tolist() == [4, 5]


# ------------------------------------------------------------------ units that may be others


def doubted(column: str, values: list[float], *, dead: int = 0) -> list[tuple[str, float]]:
    n = len(values)
    made = SimpleNamespace(
        time=np.arange(n), part=np.zeros(n, int), accounts=[SimpleNamespace(file="a.csv")],
        values={column: np.array(values)}, alive=np.arange(n) >= dead,
    )  # fmt: skip
    kept = np.flatnonzero(made.alive)
    return [(f.values["unit"], f.values["seen"]) for f in doubt_units(made, kept)]


@pytest.mark.parametrize(
    ("column", "values", "unit"),
    [
        ("temp_c", [45.0] * 10, None), ("temp_c", [45.1] * 10, "degF"),
        ("temp_c", [109.9] * 10, "degF"), ("temp_c", [110.0] * 10, None),
        ("temp_c", [70.0] * 9, None), ("temp_c", [70.0] * 9 + [NAN] * 5, None),
        ("temp_c", [70.0] * 6 + [20.0] * 4, "degF"), ("temp_c", [70.0] * 4 + [20.0] * 6, None),
        ("rh_pct", [0.5] * 9 + [1.5], "fraction"), ("rh_pct", [0.5] * 9 + [1.51], None),
        ("rh_pct", [0.5] * 9, None), ("rh_pct", [70.0] * 10, None), ("co2_ppm", [70.0] * 10, None),
    ],
)  # fmt: skip
def test_units_are_doubted_by_the_middle_or_the_top_of_ten_values(
    column: str, values: list[float], unit: str | None
) -> None:
    assert [u for u, _ in doubted(column, values)] == ([unit] if unit else [])


def test_records_set_aside_do_not_count() -> None:
    assert doubted("temp_c", [20.0] * 20 + [70.0] * 10) == []
    assert doubted("temp_c", [20.0] * 20 + [70.0] * 10, dead=20) == [("degF", 70.0)]


def test_steps_back_and_forth_of_each_part() -> None:
    """Part 0: two series by turns, one with a step back; part 1: two steps back, none between."""
    time = [0, 0, 2, 1, 1, 2, 3, 2, 2, 1]
    made = SimpleNamespace(
        part=np.array([0] * 6 + [1] * 4), time=np.array(time), alive=np.ones(10, bool),
        accounts=["a", "b"],
    )  # fmt: skip
    series = np.array([0, 1, 0, 1, 0, 1, 2, 2, 2, 2])
    assert count_steps(made, series).tolist() == [[1, 3], [2, 0]]
    made.alive[4] = False
    assert count_steps(made, series).tolist() == [[0, 3], [2, 0]]
    told = tell_disorder(["a", "b", "c"], np.array([[1, 3], [2, 0], [4, 3]]))
    assert [(f.values["file"], f.values["count"]) for f in told] == [("a", 1), ("c", 3)]


# ------------------------------------------------------------------ which loggers are one


def disagree(one: dict[int, float], two: dict[int, float], rh: tuple | None = None) -> bool:
    """Say whether two files do not agree: moment → temperature."""
    time = np.array([*one, *two])
    values = {"temp_c": np.array([*one.values(), *two.values()], dtype=float)}
    if rh is not None:
        values["rh_pct"] = np.array(rh, dtype=float)
    made = SimpleNamespace(time=time, values=values)
    return _disagree(made, np.arange(len(one)), np.arange(len(two)) + len(one))


def same(*moments: int, value: float = 20.0) -> dict[int, float]:
    return dict.fromkeys(moments, value)


def test_files_that_overlap_and_say_other_things_are_of_two_loggers() -> None:
    assert disagree(same(1, 2, 3), same(1, 2, 3, value=21.0))
    assert not disagree(same(1, 2, 3), same(1, 2, 3))
    assert not disagree(same(1, 2, 3), same(3, 4, 5, value=21.0))  # they only touch
    assert not disagree(same(1, 2, 3), same(5, 6, value=21.0))
    assert not disagree(same(5, 6), same(1, 2, 3, value=21.0))


@pytest.mark.parametrize(("clashes", "two"), [(2, False), (3, True)])
def test_more_than_half_of_the_shared_moments_clash(clashes: int, two: bool) -> None:
    """Of four: two are half of them."""
    other = same(1, 2, 3, 4) | same(*range(1, clashes + 1), value=21.0)
    assert disagree(same(1, 2, 3, 4), other) == two


@pytest.mark.parametrize(("shared", "two"), [(1, False), (0, True)])
def test_a_fifth_of_the_moments_must_be_shared(shared: int, two: bool) -> None:
    """Five in the stretch of both: one is a fifth; none says that they are out of step."""
    one = same(0, 10, 20, 30, 40)
    two_ = same(*(10 * k + 5 for k in range(4)), 40 if shared else 39)
    assert disagree(one, two_) == two


def test_one_of_six_shared_moments_is_too_few() -> None:
    """Both have six records from 0 to 50, of which the first alone is at one moment."""
    assert disagree(same(*range(0, 60, 10)), same(0, 11, 21, 31, 41, 49, 60))


def test_three_of_fourteen_shared_moments_are_enough_and_five_of_nine_clashes_too_many() -> None:
    """3/14 is 0.214, above a fifth; 5/9 is 0.556, above a half."""
    one = same(*range(0, 140, 10))
    two = same(0, 10, 130, *(10 * k + 5 for k in range(1, 12)))
    assert not disagree(one, two)
    clashing = same(*range(1, 10)) | same(*range(1, 6), value=21.0)
    assert disagree(same(*range(1, 10)), clashing)


def test_files_without_a_common_quantity_complete_each_other() -> None:
    nan = NAN
    one, two = same(1, 2), same(1, 2, value=nan)
    assert not disagree(one, two, rh=(nan, nan, 80, 81))
    assert disagree(one, same(1, 2), rh=(80, 80, 81, 81))


@pytest.mark.parametrize(
    ("file", "stem"), [("logs/T1.csv", "T1"), ("T1.csv.gz", "T1"), ("a.b.csv", "a")]
)
def test_a_logger_goes_by_the_name_of_its_file(file: str, stem: str) -> None:
    assert _stem(file) == stem
