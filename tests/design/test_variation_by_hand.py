"""How variation is stated and combined: planning ranges, given values and a pilot's draws."""

from dataclasses import replace

import numpy as np
import pytest

from trialkit.design.variation import (
    Variation,
    given_variation,
    of_sorted,
    percentiles,
    planning_ranges,
)
from trialkit.errors import DesignError
from trialkit.structure import parse_structure

RUN, BLOCK = "batch:chamber", "batch:chamber:block"


def pilot(draws, **more):
    draws = np.asarray(draws, dtype=float)
    strata = ("batch", "run", "block")[-draws.shape[1] :]
    squares = dict.fromkeys(strata, (1.0, 4.0, 9.0))
    source = dict.fromkeys(strata, "a pilot")
    return Variation(squares, source, "pilot", strata, draws, **more)


def test_planning_ranges_by_kind_of_unit():
    """Blocks 12, 20, 30 %; batches 4, 8, 15; chamber runs 3, 6, 12; all else 2, 4, 8."""
    found = planning_ranges(parse_structure("(batch * chamber) / shelf / block"))
    assert found.kind == "planning range"
    assert found.point(0) == {
        "batch": 16, "chamber": 4, RUN: 9, "batch:chamber:shelf": 4,
        "batch:chamber:shelf:block": 144,
    }  # fmt: skip
    assert list(found.point(1).values()) == [64, 16, 36, 16, 400]
    assert list(found.point(2).values()) == [225, 64, 144, 64, 900]
    table = found.table.set_index("stratum")
    assert table.loc["batch", ["low_pct", "middle_pct", "high_pct"]].tolist() == [4, 8, 15]
    assert table["df"].isna().all()
    said = table["source"]
    assert said["batch"] == said[RUN] == said["chamber"] != said["batch:chamber:shelf:block"]


def test_a_batch_that_holds_blocks_alone_varies_as_blocks_do():
    assert planning_ranges(parse_structure("batch")).point(1) == {"batch": 400}


def test_starts_in_time_blocks_vary_as_batches_do():
    found = planning_ranges(parse_structure("(time_block / start) / block")).point(1)
    assert found["time_block:start"] == 64
    assert found["time_block"] == 16


def test_given_values_are_squared_and_the_rest_is_nought(make_trial):
    trial = make_trial("structure = '(batch * chamber) / block'\nbatch = 2\nchamber = 4\nblock = 3",
                       {"schedule": (RUN, 2, "")})  # fmt: skip
    found = given_variation(trial, {BLOCK: 20, "chamber:batch": 5})
    assert found.kind == "given"
    assert found.squares == {
        "batch": (0, 0, 0), "chamber": (0, 0, 0), RUN: (25, 25, 25), BLOCK: (400, 400, 400)
    }  # fmt: skip
    assert str(found.source["batch"]) == str(found.source["chamber"]) != str(found.source[RUN])
    for wrong in ({RUN: 5}, {RUN: 5, BLOCK: 0}, {}):
        with pytest.raises(DesignError, match="smallest units"):
            given_variation(trial, wrong)


def test_where_one_block_fills_a_run_either_may_be_given(make_trial):
    """A run of one block is the block: the smallest units' variation by either name."""
    trial = make_trial("structure = '(batch * chamber) / block'\nbatch = 2\nchamber = 4\nblock = 1",
                       {"schedule": (RUN, 2, "")})  # fmt: skip
    assert given_variation(trial, {RUN: 5}).squares[RUN] == (25, 25, 25)
    with pytest.raises(DesignError, match="smallest units"):
        given_variation(trial, {"batch": 5})


# ------------------------------------------------------------------ sums


def test_a_sum_of_planning_values_is_low_middle_or_high_throughout():
    found = Variation({"a": (1, 2, 3), "b": (10, 20, 40)}, {}, "planning range")
    assert found.combined({"a": 2.0, "b": 0.5}) == (7.0, 14.0, 26.0)
    assert found.at_ends({"a": 2.0}) == ({"a": 1, "b": 10}, {"a": 2, "b": 20}, {"a": 3, "b": 40})


def test_percentiles_lie_straight_between_two_values():
    """Of 0, 1 … 20 the 5th and 95th are 1 and 19; asked for below or above those, no further."""
    values = np.arange(21.0)
    assert of_sorted(values, 0.5).tolist() == pytest.approx([1, 10, 19])
    assert of_sorted(values, 0.3).tolist() == pytest.approx([1, 6, 19])
    assert of_sorted(values, 0.01).tolist() == pytest.approx([1, 1, 19])
    assert of_sorted(values, 0.99).tolist() == pytest.approx([1, 19, 19])
    assert percentiles(np.array([3.0, 1.0, 2.0])).tolist() == pytest.approx([1.1, 2, 2.9])
    rows = np.array([[0.0, 10.0], [5.0, 25.0]])
    assert percentiles(rows, 0.25) == pytest.approx(np.array([[0.5, 6], [2.5, 10], [9.5, 24]]))


def test_a_coarser_part_takes_nothing_away_from_the_smallest_units():
    """Runs of −5 in every draw: with them the sums would be less, so that they are left out."""
    own = np.arange(101.0)
    found = pilot(np.column_stack([np.full(101, -5.0), own]))
    assert found.combined({"run": 1.0, "block": 2.0}) == pytest.approx((10, 100, 190))
    found = pilot(np.column_stack([np.full(101, 5.0), own]))
    assert found.combined({"run": 2.0, "block": 1.0}) == pytest.approx((15, 60, 105))
    assert found.combined({"block": 1.0}) == pytest.approx((5, 50, 95))
    assert found.combined({"run": 0.0, "block": 1.0}) == pytest.approx((5, 50, 95))


def test_each_coarser_part_may_be_left_out_by_itself():
    """Batches −5 and runs 7 on constant blocks of 10: 17 by runs alone."""
    found = pilot(np.tile([-5.0, 7.0, 10.0], (5, 1)))
    assert found.combined({"batch": 1.0, "run": 1.0, "block": 1.0}) == pytest.approx((17,) * 3)


def test_the_middle_can_be_another_percentile_and_shares_what_was_sorted():
    found = pilot(np.arange(101.0)[:, None])
    assert found.combined({"block": 1.0})[1] == pytest.approx(50)
    other = replace(found, middle=0.4)
    assert other.combined({"block": 1.0}) == pytest.approx((5, 40, 95))
    assert len(found._sorted) == 1
    for weight in range(2, 9):
        found.combined({"block": float(weight)})
    assert len(found._sorted) == 8  # as many as are kept
    found.combined({"block": 9.0})
    assert len(found._sorted) == 1


def test_a_pilots_ends_are_its_middle_scaled():
    """Middle 4 each: 8 in all; the sum's own low, middle and high are 10, 100 and 190."""
    found = pilot(np.column_stack([np.zeros(101), 2 * np.arange(101.0)]))
    low, middle, high = found.at_ends({"run": 1.0, "block": 1.0})
    assert low == pytest.approx({"run": 5, "block": 5})
    assert middle == pytest.approx({"run": 50, "block": 50})
    assert high == pytest.approx({"run": 95, "block": 95})


def test_batches_that_differ_make_the_error_larger():
    """Of an error of 10 · 3 = 30, 3 · 2 · 2 are what a treatment does by batch: 30/18."""
    found = Variation({"run": (4, 10, 40)}, {}, "given", by_batch={"run": (2.0, 2.0)})
    assert found.apart("run", {"run": 3.0}) == pytest.approx(30 / 18)
    assert found.apart("batch", {"batch": 3.0}) == 1.0
    nought = replace(found, by_batch={"run": (0.0, 2.0)})
    assert nought.apart("run", {"run": 3.0}) == 1.0
    all_of_it = replace(found, by_batch={"run": (5.0, 2.0)})
    assert all_of_it.apart("run", {"run": 3.0}) == pytest.approx(100)  # at most a hundredfold
    small = replace(found, by_batch={"run": (0.005, 2.0)})
    assert small.apart("run", {"run": 3.0}) == pytest.approx(30 / 29.97)


def test_a_pilots_table_has_its_degrees_of_freedom():
    found = pilot(np.ones((3, 2)), df={"run": 7.0})
    table = found.table.set_index("stratum")
    assert table.loc["run", "df"] == 7
    assert np.isnan(table.loc["block", "df"])
    assert table.loc["run", ["low_pct", "middle_pct", "high_pct"]].tolist() == [1, 2, 3]


def test_draws_and_what_was_sorted_of_them_are_not_part_of_its_line():
    """Thousands of numbers that nobody reads."""
    line = repr(pilot(np.zeros((3, 2))))
    assert "draws" not in line
    assert "_sorted" not in line
    assert "kind='pilot'" in line
