"""How variances of units add up in a comparison: expected mean squares, by hand."""

import pytest
from scipy import stats

import trialkit as tk
from tests.small_trials import make_trial
from trialkit.design.strata.comparisons import compare_in


@pytest.fixture
def compared(tmp_path):
    """Four batches × four chambers, six blocks a run: 96 blocks."""
    return compare_in(make_trial(tmp_path), "schedule")


def test_a_run_carries_its_blocks(compared):
    """A run's mean varies as run + block / 6; rows as block + 6 run (Cochran & Cox 1957, ch. 3)."""
    of_runs = {"batch:chamber": 1, "batch:chamber:block": 1 / 6}
    assert compared.error_weights() == pytest.approx(of_runs)
    of_rows = compared.contrast_weights(("batch", "chamber"), 96)
    assert of_rows == pytest.approx({name: 6 * w for name, w in of_runs.items()})


def test_a_mean_square_of_batches_carries_all_beneath_them(compared):
    """E(mean square of batches) = block + 6 run + 24 batch; chambers are crossed with them."""
    got = compared.contrast_weights(("batch",), 96)
    assert got == pytest.approx({"batch": 24, "batch:chamber": 6, "batch:chamber:block": 1})
    # fewer rows, less of everything: half of them is half of each
    half = compared.contrast_weights(("batch",), 48)
    assert half == pytest.approx({name: w / 2 for name, w in got.items()})


def test_the_mean_varies_with_every_unit(compared):
    """Var of the grand mean: each variance over the number of its units."""
    assert compared.mean_weights() == pytest.approx(
        {"batch": 1 / 4, "chamber": 1 / 4, "batch:chamber": 1 / 16, "batch:chamber:block": 1 / 96}
    )


def test_lost_blocks_leave_fewer_and_lost_runs_take_theirs_along(compared):
    """A run that had M of 6 blocks left has block / M: the mean of 1 / M by scipy's binomial law.

    Runs that lost all of theirs are not there. Half of 16 runs lost leaves 8.
    """
    blocks = compared.mean_weights({"batch:chamber:block": 0.25})
    left = stats.binom(6, 0.75)
    inverse = sum(left.pmf(k) / k for k in range(1, 7)) / left.sf(0)
    assert blocks["batch:chamber:block"] == pytest.approx(inverse / 16)
    assert blocks["batch:chamber"] == pytest.approx(1 / 16)
    runs = compared.mean_weights({"batch:chamber": 0.5})
    assert runs["batch:chamber"] == pytest.approx(1 / 8)


def test_only_units_that_hold_a_treatment_block_it(tmp_path):
    trial = make_trial(tmp_path, batches=1, chambers=8)
    alone = compare_in(trial, "schedule")
    assert alone.orthogonal
    assert alone.error_df == 6  # 8 runs, a mean and a difference
    assert tk.strata(trial) is not None
