"""What a layout says of its errors: levels with unequal numbers of units, and remedies."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from trialkit.design.strata import error_terms, remedies
from trialkit.design.strata.comparisons import with_counts
from trialkit.design.strata.error_terms import (
    BatchTerm,
    LevelErrors,
    _projection,
    batch_term,
    level_errors,
)
from trialkit.design.strata.remedies import _cost, _with_remedies, mend, refusal, scarce
from trialkit.structure import parse_structure
from trialkit.trial.sections import PricesSection
from trialkit.wording import message

POTS = parse_structure("chamber / block")


def errors_of(levels, blocks=2, structure=POTS, **counts):
    """Give the errors by level of chambers, each of as many blocks."""
    counts = {"chamber": len(levels), "block": blocks, **counts}
    cell = np.repeat(levels, blocks)
    return level_errors(
        structure, counts, ("chamber",), ("chamber", "block"), cell, np.arange(max(levels) + 1)
    )


# ------------------------------------------------------------------ errors by level


def test_squares_by_level_of_six_and_three_chambers():
    """Within each level means are taken out: 6 − 1 and 3 − 1 df, and nothing in common."""
    found = errors_of([0] * 6 + [1] * 3)
    assert found.squares == pytest.approx(np.diag([5.0, 2.0]), abs=1e-9)
    assert found.own.shape == (2, 2, 2)
    # information on the difference of the levels' means: 6 · 3/9 (1, −1)(1, −1)'
    assert found.own.sum(axis=0) == pytest.approx(np.array([[1, -1], [-1, 1.0]]) * 2)


@pytest.mark.parametrize(
    ("levels", "there"),
    [([0] * 6 + [1] * 6, False), ([0] * 6 + [1] * 4, True), ([0] * 6 + [1], False),
     ([0] * 5 + [1] * 4, True), ([0] * 6 + [1] * 5, False), ([0] * 4 + [1] * 2, True)],
)  # fmt: skip
def test_errors_by_level_where_one_has_a_quarter_more_and_each_has_two(levels, there):
    """As the analysis: the larger at least 1.25 times the smaller, two units each."""
    assert (errors_of(levels) is not None) is there


def test_where_no_error_by_level_can_be_there_is_none(monkeypatch):
    levels = [0] * 6 + [1] * 3
    # blocks are single rows
    counts = {"chamber": 9, "block": 2}
    cell = np.repeat(levels, 2)
    assert level_errors(
        POTS, counts, ("chamber", "block"), ("chamber", "block"), cell, np.arange(2)
    ) is None  # fmt: skip
    # a chamber that holds both
    both = cell.copy()
    both[1] = 1
    args = (POTS, counts, ("chamber",), ("chamber", "block"))
    assert level_errors(*args, both, np.arange(2)) is None
    # too many units to be worth it
    monkeypatch.setattr(error_terms, "_MANY", 9)
    assert errors_of(levels) is not None
    monkeypatch.setattr(error_terms, "_MANY", 8)
    assert errors_of(levels) is None


def test_cells_of_the_same_level_count_together():
    """Two treatments given alike: cells 0 and 2 have level 0 of the one that is compared."""
    cell = np.repeat([0, 2, 0, 2, 0, 2, 1, 1, 1], 2)
    found = level_errors(
        POTS, {"chamber": 9, "block": 2}, ("chamber",), ("chamber", "block"), cell,
        np.array([0, 1, 0]),
    )  # fmt: skip
    # three kinds of cells with three chambers each: 2 + 2 df at level 0, 2 at level 1
    assert found.squares == pytest.approx(np.diag([4.0, 2.0]), abs=1e-9)


def test_the_projection_onto_runs_takes_batches_and_chambers_out():
    """Two batches of two chambers: one contrast is left, (1, −1, −1, 1)/2."""
    structure = parse_structure("(batch * chamber) / block")
    got = _projection(structure, {"batch": 2, "chamber": 2, "block": 3}, ("batch", "chamber"))
    z = np.array([1, -1, -1, 1]) / 2
    assert got == pytest.approx(np.outer(z, z))


def test_levels_shared_out_by_hand(monkeypatch):
    """Weights 1 and 3 on 6 and 12 df by level alone: (1 + 3)²/(1/6 + 9/12) = 17.45 of 18.

    Of the shape, weights 4 · 6/18 and 4 · 12/18 of the same: 18 of 18. Half of each:
    (7/6)·1 … weights (1 + 4/3)/2 and (3 + 8/3)/2.
    """
    own = np.array([np.diag([1.0, 0]), np.diag([0, 3.0])])
    errors = LevelErrors(own, np.eye(2), np.diag([6.0, 12.0]))
    row = np.array([[1.0, -1.0]])
    monkeypatch.setattr(error_terms, "LEAST_FREE", 6.0)
    alone = 16 / (1 / 6 + 9 / 12)
    for trust, df in (
        (0.0, alone), (1.0, 18.0), (0.5, 16 / ((7 / 6) ** 2 / 6 + (17 / 6) ** 2 / 12)),
    ):  # fmt: skip
        monkeypatch.setattr(error_terms, "shape_trust", lambda mean, trust=trust: trust)
        assert errors.share(row).tolist() == pytest.approx([df / 18])
    told = []
    monkeypatch.setattr(error_terms, "shape_trust", lambda mean: told.append(mean) or 0.0)
    errors.share(row)
    assert told == [pytest.approx(alone)]
    monkeypatch.setattr(error_terms, "LEAST_FREE", 6.1)  # one level has less than that
    assert errors.share(row).tolist() == pytest.approx([1.0])
    assert len(told) == 1


# ------------------------------------------------------------------ batch × treatment


def test_a_single_batch_or_one_more():
    structure = parse_structure("(batch * chamber) / block")
    level = np.tile([0, 1], 4)
    two = {"batch": 2, "chamber": 4, "block": 1}
    # 8 runs: mean, 1 batch, 3 chambers (schedule among them): 1 for the term and 2 beside it
    assert batch_term(structure, two, ("batch", "chamber"), level, 2) == BatchTerm((1, 2))
    assert not any(BatchTerm().df)
    assert BatchTerm((0, 3)).with_batches(1, 2, 5) == BatchTerm((1, 7))


def test_a_treatment_by_batch_leaves_nothing_of_the_term():
    """Each batch has one level: batches take all of batch × treatment."""
    structure = parse_structure("(batch * chamber) / block")
    counts = {"batch": 4, "chamber": 2, "block": 1}
    level = np.repeat([0, 1, 0, 1], 2)
    assert batch_term(structure, counts, ("batch", "chamber"), level, 2) == BatchTerm((0, 3))


# ------------------------------------------------------------------ remedies


@pytest.fixture
def tents(make_trial):
    def make(chamber=2, levels=2, extra="", block=3):
        whole = make_trial(
            f"structure = 'chamber / block'\nchamber = 6\nblock = {block}",
            {"schedule": ("chamber", levels, "")}, extra=extra,
        )  # fmt: skip
        return with_counts(whole, {"chamber": chamber})

    return make


def test_as_many_more_as_leave_four_to_judge_by(tents):
    """Two schedules on c chambers leave c − 2: six are needed; four from two, two from four."""
    for chamber, more in ((2, 4), (4, 2), (5, 1)):
        (said,) = mend(tents(chamber), "schedule")
        assert said.values["more"] == more
        assert said.values["total"] == chamber + more
    (said,) = mend(tents(2), "schedule", wanted_df=1)
    assert said.values["more"] == 1
    (said,) = mend(tents(2), "schedule", wanted_df=49)
    assert said.values["more"] == 49
    assert mend(tents(2), "schedule", wanted_df=50) == []  # so many are no remedy


def test_too_few_to_judge_by_are_told_below_three(tents):
    trial = tents(4)
    assert scarce(trial, "schedule", 3.0) is None
    assert scarce(trial, "schedule", 3.0 - 1e-12) is None
    said = scarce(trial, "schedule", 2.99)
    assert said.values["df"] == 2.99
    assert said.key.endswith("_cure")


def test_remedies_are_alternatives(monkeypatch):
    one, two, three = (message("scarce.more", more=i) for i in (1, 2, 3))
    monkeypatch.setattr(remedies, "mend", lambda trial, name: [one, two, three])
    said = _with_remedies("scarce.few", None, "light", df=1)
    outer = said.values["remedies"]
    assert outer.values["second"] == three
    assert outer.values["first"].values == {"first": one, "second": two}
    monkeypatch.setattr(remedies, "mend", lambda trial, name: [])
    assert _with_remedies("scarce.few", None, "light", df=1).key == "scarce.few"


def test_one_unit_or_more_for_each_level(tents, monkeypatch):
    """Two chambers for two schedules are one each; four are two each."""
    told = []
    said = SimpleNamespace(said_in=lambda wording: "so")
    monkeypatch.setattr(remedies, "_with_remedies", lambda *a, **v: told.append(v) or said)
    for chamber in (2, 4):
        assert refusal(tents(chamber), "schedule", ("chamber",)) == "so"
    assert [v["each"] for v in told] == [1, 2]
    assert [v["units"].count for v in told] == [1, 2]


def test_a_block_is_paid_as_a_block():
    """Two more blocks in each of 12 runs at 3: 72; a price of `block_each` is not one of units."""
    counts = {"batch": 3, "chamber": 4, "block": 6}
    prices = PricesSection(currency="CHF", block_each=3)
    assert _cost(SimpleNamespace(counts=counts, prices=prices), "chamber", 1) == "54 CHF"
    assert _cost(SimpleNamespace(counts=counts, prices=replace_of(prices)), "chamber", 1) == ""


def replace_of(prices):
    return prices.model_copy(update={"block_each": None})


def test_errors_by_level_are_scaled_without_their_weights():
    made = LevelErrors(np.ones((1, 1, 1)), np.eye(1), np.eye(1))
    assert replace(made).scaled(3.0).squares.tolist() == [[3.0]]
