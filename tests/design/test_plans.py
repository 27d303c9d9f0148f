"""Classical plans against published counts, parameters and efficiency factors."""

import itertools
from collections import Counter
from fractions import Fraction

import numpy as np
import pytest
from scipy import stats

from trialkit.design.layout.blocks import alpha_blocks, balanced_blocks, pair_counts
from trialkit.design.layout.chance import Draws
from trialkit.design.layout.efficiency import block_design_efficiency
from trialkit.design.layout.squares import latin_square, reduced_squares, williams_sequences


def is_latin(square):
    n = len(square)
    rows = all(len(set(row)) == n for row in square.tolist())
    return rows and all(len(set(column)) == n for column in square.T.tolist())


def intercalates(square):
    """Count 2 × 2 subsquares."""
    n = len(square)
    return sum(
        square[i, k] == square[j, m] and square[i, m] == square[j, k]
        for i in range(n)
        for j in range(i + 1, n)
        for k in range(n)
        for m in range(k + 1, n)
    )


@pytest.mark.parametrize(("n", "reduced", "total"), [(1, 1, 1), (2, 1, 2), (3, 1, 12),
                                                     (4, 4, 576), (5, 56, 161280)])  # fmt: skip
def test_numbers_of_latin_squares(n, reduced, total):
    """OEIS A000315 (reduced) and A002860 (all)."""
    from math import factorial

    assert len(reduced_squares(n)) == reduced
    assert reduced * factorial(n) * factorial(n - 1) == total


def test_all_squares_of_order_4_are_reached_equally_often():
    draws = Draws(411)
    n = 576 * 40
    seen = Counter(latin_square(4, draws).tobytes() for _ in range(n))
    assert len(seen) == 576
    assert stats.chisquare(list(seen.values())).pvalue > 1e-4


@pytest.mark.parametrize(
    ("n", "law", "draws"),
    [
        (4, {4: "3/4", 12: "1/4"}, 2000),
        (5, {0: "3/28", 4: "25/28"}, 2000),
        pytest.param(
            6,
            {0: "5/1176", 4: "45/392", 5: "135/392", 7: "135/784", 9: "25/392", 11: "45/392",
             15: "99/784", 19: "45/784", 27: "5/2352"},
            3000,
            marks=pytest.mark.slow,
        ),
    ],
)  # fmt: skip
def test_subsquares_follow_the_law_of_uniform_squares(n, law, draws):
    """Exact distribution of 2 × 2 subsquares over all squares of an order, by enumeration.

    Order 6 comes from the chain of Jacobson and Matthews (1996).
    """
    source = Draws(1996)
    squares = [latin_square(n, source) for _ in range(draws)]
    assert all(is_latin(square) for square in squares)
    seen = Counter(intercalates(square) for square in squares)
    assert set(seen) <= set(law)
    expected = {k: float(Fraction(v)) * draws for k, v in law.items()}
    pooled = [k for k in law if expected[k] < 5]
    observed = [seen[k] for k in law if k not in pooled] + [sum(seen[k] for k in pooled)]
    wanted = [expected[k] for k in law if k not in pooled] + [sum(expected[k] for k in pooled)]
    if not pooled:
        observed, wanted = observed[:-1], wanted[:-1]
    assert stats.chisquare(observed, wanted).pvalue > 1e-4


def test_the_chain_gives_latin_squares_beyond_order_5():
    draws = Draws(7)
    assert all(is_latin(latin_square(n, draws)) for n in (6, 7, 8))


@pytest.mark.parametrize("t", range(3, 11))
def test_williams_sequences_balance_what_came_before(t):
    """Williams (1949): each ordered pair once (even t) or twice (odd t), none with itself."""
    sequences = williams_sequences(t)
    assert len(sequences) == (t if t % 2 == 0 else 2 * t)
    pairs = Counter((int(a), int(b)) for row in sequences for a, b in itertools.pairwise(row))
    assert len(pairs) == t * (t - 1)
    assert set(pairs.values()) == {1 if t % 2 == 0 else 2}
    assert all(a != b for a, b in pairs)
    for column in sequences.T:
        assert set(np.bincount(column, minlength=t)) == {len(sequences) // t}


# (t, k, r, b, lambda) of Cochran and Cox (1957), ch. 11, that a construction here reaches
BALANCED = [
    (4, 3, 3, 4, 2), (5, 3, 6, 10, 3), (6, 4, 10, 15, 6), (7, 3, 3, 7, 1), (7, 4, 4, 7, 2),
    (9, 3, 4, 12, 1), (9, 6, 8, 12, 5), (11, 5, 5, 11, 2), (11, 6, 6, 11, 3),
    (13, 3, 6, 26, 1), (13, 4, 4, 13, 1), (13, 9, 9, 13, 6), (15, 3, 7, 35, 1),
    (15, 7, 7, 15, 3), (15, 8, 8, 15, 4), (16, 4, 5, 20, 1), (19, 3, 9, 57, 1),
    (19, 9, 9, 19, 4), (19, 10, 10, 19, 5), (21, 5, 5, 21, 1), (25, 5, 6, 30, 1),
    (31, 6, 6, 31, 1), (49, 7, 8, 56, 1), (57, 8, 8, 57, 1), (64, 8, 9, 72, 1),
    (73, 9, 9, 73, 1), (81, 9, 10, 90, 1), (91, 10, 10, 91, 1),
]  # fmt: skip


@pytest.mark.parametrize(("t", "k", "r", "b", "lam"), BALANCED)
def test_balanced_incomplete_blocks(t, k, r, b, lam):
    blocks = balanced_blocks(t, k, b)
    assert blocks is not None
    assert blocks.shape == (b, k)
    assert set(np.bincount(blocks.ravel(), minlength=t)) == {r}
    assert set(pair_counts(blocks, t)) == {lam}
    closed_form = lam * t / (r * k)
    assert block_design_efficiency(blocks.tolist(), t) == pytest.approx(closed_form, abs=1e-12)


def test_no_balanced_plan_where_the_identities_fail():
    assert balanced_blocks(7, 3, 8) is None
    assert balanced_blocks(6, 3, 8) is None


# best average efficiency over every reduced array, and the bound of Patterson and Williams
ALPHA = [
    (3, 2, 2, 0.4285714286, 0.5555555556), (3, 3, 3, 0.7272727273, 0.7272727273),
    (4, 3, 2, 0.5945945946, 0.6470588235), (4, 3, 3, 0.6720488763, 0.7096774194),
    (5, 3, 2, 0.5460992908, 0.6363636364), (5, 3, 3, 0.6476561699, 0.7000000000),
    (5, 4, 2, 0.6769596200, 0.7037037037), (4, 4, 2, 0.7142857143, 0.7142857143),
    (6, 4, 2, 0.6500942166, 0.6969696970),
]  # fmt: skip


@pytest.mark.parametrize(("s", "k", "r", "best", "bound"), ALPHA)
def test_alpha_plans_reach_the_best_of_all_arrays(s, k, r, best, bound):
    """Exhaustive values for the plans of Patterson and Williams (1976), to 10 digits."""
    blocks = alpha_blocks(s, k, r, Draws(1))
    for j in range(r):
        assert sorted(blocks[j * s : (j + 1) * s].ravel()) == list(range(s * k))
    found = block_design_efficiency(blocks.tolist(), s * k)
    assert found == pytest.approx(best, abs=1e-9)
    assert found <= bound + 1e-9


@pytest.mark.parametrize(("k", "r", "E"), [(3, 2, 2 / 3), (3, 3, 8 / 11), (5, 3, 0.8),
                                           (7, 4, 0.857143)])  # fmt: skip
def test_square_lattices(k, r, E):
    """E = (k+1)(r−1)/((k+1)(r−1)+r): John and Williams (1995)."""
    lines = balanced_blocks(k * k, k, k * (k + 1))
    assert block_design_efficiency(lines[: r * k].tolist(), k * k) == pytest.approx(E, abs=1e-6)
