"""Letters are tested by what they must mean, not by their spelling (Piepho 2004)."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trialkit.errors import ModelError
from trialkit.model.letters import compact_letters, letter_groups


@st.composite
def patterns(draw):
    size = draw(st.integers(1, 8))
    flat = draw(st.lists(st.booleans(), min_size=size * size, max_size=size * size))
    half = np.triu(np.array(flat, dtype=bool).reshape(size, size), 1)
    return half | half.T


@given(patterns())
@settings(max_examples=300, deadline=None)
def test_two_means_share_a_letter_exactly_when_they_do_not_differ(different):
    groups = letter_groups(different)
    size = len(different)
    for i, j in itertools.combinations(range(size), 2):
        together = any({i, j} <= group for group in groups)
        assert together != different[i, j]
    assert set().union(*groups) == set(range(size))  # every mean has a letter
    for one, other in itertools.permutations(groups, 2):
        assert not one <= other
    for left_out in groups:  # no letter is idle
        rest = [group for group in groups if group != left_out]
        lost = [
            (i, j)
            for i, j in itertools.combinations_with_replacement(sorted(left_out), 2)
            if not any({i, j} <= group for group in rest)
        ]
        assert lost


@given(patterns(), st.randoms(use_true_random=False))
@settings(max_examples=100, deadline=None)
def test_order_of_the_means_does_not_change_their_meaning(different, random):
    size = len(different)
    order = list(range(size))
    random.shuffle(order)
    shuffled = letter_groups(different[np.ix_(order, order)])
    back = [frozenset(order[i] for i in group) for group in shuffled]
    for i, j in itertools.combinations(range(size), 2):
        assert any({i, j} <= group for group in back) != different[i, j]


def test_non_transitive_pattern_of_unequal_standard_errors():
    """Neighbours differ while the outer pair, poorly measured, does not."""
    letters = compact_letters(
        ["low", "mid", "high"],
        [("low", "mid"), ("low", "high"), ("mid", "high")],
        [0.01, 0.20, 0.02],
        estimates=[10.0, 20.0, 30.0],
    )
    shared = {
        pair: bool(set(letters[pair[0]]) & set(letters[pair[1]]))
        for pair in [("low", "mid"), ("low", "high"), ("mid", "high")]
    }
    assert shared == {("low", "mid"): False, ("low", "high"): True, ("mid", "high"): False}


def test_largest_mean_starts_the_alphabet_and_missing_means_get_a_dash():
    letters = compact_letters(
        ["a1", "a2", "gone"],
        [("a1", "a2"), ("a1", "gone"), ("a2", "gone")],
        [0.001, np.nan, np.nan],
        estimates=[5.0, 9.0, np.nan],
    )
    assert letters.to_dict() == {"a1": "b", "a2": "a", "gone": "–"}


def test_a_missing_comparison_is_refused():
    with pytest.raises(ModelError, match="every pair"):
        compact_letters(["x", "y", "z"], [("x", "y")], [0.5], estimates=[1.0, 2.0, 3.0])
    with pytest.raises(ModelError, match="symmetric"):
        letter_groups([[False, True], [False, False]])
