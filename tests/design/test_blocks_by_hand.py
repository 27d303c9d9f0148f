"""Levels in blocks: which construction is taken when, and the balance each must have."""

from types import SimpleNamespace

import numpy as np
import pytest

from trialkit.design.layout import blocks as made
from trialkit.design.layout.chance import Draws
from trialkit.design.layout.efficiency import block_design_efficiency


def site_of(units, *, t=None, sizes=None, target=None, size=None):
    """Give a site of one kind of block, or of none, or of several."""
    groups = [SimpleNamespace(unit=np.array(u), size=int(max(u)) + 1) for u in units]
    n = len(units[0]) if units else sum(target)
    t = t or len(target)
    return SimpleNamespace(
        blocks=tuple(groups), n=n, t=t, sizes=sizes or (t,), target=target or (n // t,) * t,
        term=("batch", "tray"), place={"batch": np.array(units[0]) if units else np.zeros(n, int),
                                       "tray": np.arange(n)},
    )  # fmt: skip


# ------------------------------------------------------------------ the same in every block


def test_every_block_gets_the_same_where_counts_allow():
    """Twice level 0 and once level 1 in each of two blocks that alternate."""
    site = site_of([[0, 1, 0, 1, 0, 1]], target=(4, 2))
    assert made.complete(site).tolist() == [0, 0, 0, 0, 1, 1]
    assert made.complete(site_of([[0, 0, 0, 1, 1, 1]], target=(4, 2))).tolist() == [0, 0, 1] * 2
    assert made.complete(site_of([[0, 0, 0, 1, 1, 1]], target=(3, 3))) is None
    assert made.complete(site_of([[0, 0, 1, 1], [0, 1, 0, 1]], target=(2, 2))) is None
    assert made.complete(site_of([], target=(2, 1))).tolist() == [0, 0, 1]  # one block in all


# ------------------------------------------------------------------ starts


def test_starts_keep_the_wanted_replication_and_hold_what_is_known():
    """Batch and tray numbers add up, modulo 3: 0 1 2 in the first batch, 4 5 6 in the second."""
    site = site_of([[0, 0, 0, 1, 1, 1]], target=(2, 2, 2))
    starts = made.systematic_starts(site)
    assert starts[0].tolist() == [0, 1, 2, 1, 2, 0]
    uneven = site_of([[0, 0, 0, 1, 1, 1]], target=(4, 1, 1))
    assert [np.bincount(s, minlength=3).tolist() for s in made.systematic_starts(uneven)] == [
        [4, 1, 1]
    ]
    seven = site_of([np.repeat(range(7), 3)], target=(3,) * 7)
    starts = made.systematic_starts(seven)
    assert len(starts) == 2
    blocks = starts[1].reshape(7, 3)
    assert set(made.pair_counts(blocks, 7).tolist()) == {1}  # λ = 3 · 2/6


def test_rows_by_columns_hold_a_difference_set_moved_on():
    """Three rows of seven columns: columns are the lines of the plane of seven points (Fano)."""
    row, column = np.repeat(range(3), 7), np.tile(range(7), 3)
    for units in ([row, column], [column, row]):
        site = site_of(units, target=(3,) * 7)
        (found,) = made._youden(site)
        table = found.reshape(3, 7)
        assert table[:, 0].tolist() == [0, 1, 3]
        assert all(sorted(r) == list(range(7)) for r in table.tolist())
        assert set(made.pair_counts(table.T, 7).tolist()) == {1}
        assert len(made.systematic_starts(site)) == 2
    # fourteen columns hold each twice, eight would not come out even
    wide = site_of([np.repeat(range(3), 14), np.tile(range(14), 3)], target=(6,) * 7)
    assert len(made._youden(wide)) == 1
    uneven = site_of(
        [np.repeat(range(3), 8), np.tile(range(8), 3)], t=7, target=(4,) * 3 + (3,) * 4
    )
    assert made._youden(uneven) == []


@pytest.mark.parametrize(
    ("t", "k", "number", "arrays"),
    [(6, 3, 2, None), (6, 3, 4, (2, 3, 2)), (6, 3, 16, (2, 3, 8)), (6, 3, 18, None),
     (6, 3, 3, None), (6, 4, 3, None), (6, 6, 4, None), (6, 1, 12, None), (6, 2, 6, (3, 2, 2))],
)  # fmt: skip
def test_resolvable_arrays_serve_from_two_replicates_to_eight(t, k, number, arrays, monkeypatch):
    """All t treatments in `number` blocks of k: replicates number · k/t, whole blocks in each."""
    asked = []
    monkeypatch.setattr(made, "balanced_blocks", lambda *_: None)
    monkeypatch.setattr(made, "alpha_blocks", lambda s, k, r, draws: asked.append((s, k, r)))
    site = site_of([np.repeat(range(number), k)], t=t, target=(1,) * t)
    found = made._known_blocks(site)
    assert asked == ([] if arrays is None else [arrays])
    assert len(found) == len(asked)


def test_balanced_blocks_go_before_arrays():
    site = site_of([np.repeat(range(6), 2)], target=(3,) * 4)
    (found,) = made._known_blocks(site)
    assert set(made.pair_counts(found, 4).tolist()) == {1}


def test_a_factorial_in_blocks_gives_up_its_highest_interaction():
    """2 × 2 in pairs: {00, 11} and {01, 10} (Yates 1937); 3 × 3 in threes by the sum modulo 3."""
    site = site_of([np.repeat(range(4), 2)], t=4, sizes=(2, 2), target=(2,) * 4)
    (found,) = made._known_blocks(site)
    assert found.tolist() == [[0, 3], [1, 2]] * 2
    (threes,) = made._confounded(SimpleNamespace(sizes=(3, 3), t=9), 3, 3)
    assert threes.tolist() == [[0, 5, 7], [1, 3, 8], [2, 4, 6]]
    for sizes, k, number in (((2, 3), 3, 2), ((2, 2), 4, 2), ((2, 2), 2, 3), ((2, 2), 1, 4)):
        t = int(np.prod(sizes))
        assert made._confounded(SimpleNamespace(sizes=sizes, t=t), k, number) == []


# ------------------------------------------------------------------ balanced sets


def test_pairs_that_share_a_block_are_counted():
    """0 meets 1 twice and 2 once; 1 and 2 meet once; 3 meets nobody."""
    counts = made.pair_counts(np.array([[0, 1], [0, 1], [0, 2], [1, 2]]), 4)
    assert counts.tolist() == [2, 1, 0, 1, 0, 0]


@pytest.mark.parametrize(
    ("t", "k", "b"),
    [(7, 3, 7), (7, 3, 14), (7, 4, 7), (13, 3, 26), (9, 3, 12), (9, 6, 12), (16, 4, 20),
     (16, 12, 20), (21, 5, 21), (21, 16, 21), (25, 5, 30), (57, 8, 57), (4, 2, 6), (4, 2, 12),
     (5, 4, 5), (6, 3, 20), (15, 3, 35), (64, 8, 72), (8, 7, 8)],
)  # fmt: skip
def test_all_pairs_meet_equally_often(t, k, b):
    """λ = b k (k − 1)/(t (t − 1)): Cochran and Cox (1957), ch. 11."""
    found = made.balanced_blocks(t, k, b)
    assert found.shape == (b, k)
    assert all(len(set(block)) == k for block in found.tolist())
    assert np.bincount(found.ravel(), minlength=t).tolist() == [b * k // t] * t
    assert set(made.pair_counts(found, t).tolist()) == {b * k * (k - 1) // (t * (t - 1))}


@pytest.mark.parametrize(
    ("t", "k", "b"), [(4, 1, 4), (4, 4, 4), (4, 5, 4), (7, 3, 8), (6, 3, 4), (6, 3, 10), (8, 4, 7)]
)
def test_where_no_balance_can_be_or_none_is_known_there_are_no_blocks(t, k, b):
    """No whole b k over t or λ; or a set that exists but of which no construction is known."""
    assert made.balanced_blocks(t, k, b) is None


def test_planes_have_their_numbers_of_lines():
    """Affine of order q: q² + q lines of q; projective: q² + q + 1 of q + 1; none of order 6."""
    for q in (2, 3, 4, 5):
        assert made._lattice(q * q, q).shape == (q * q + q, q)
        plane = made._plane(q * q + q + 1, q + 1)
        assert plane.shape == (q * q + q + 1, q + 1)
        assert set(made.pair_counts(plane, q * q + q + 1).tolist()) == {1}
    assert made._lattice(36, 6) is None
    assert made._lattice(10, 3) is None
    assert made._plane(12, 4) is None


# ------------------------------------------------------------------ resolvable arrays


def test_arrays_hold_each_treatment_once_in_every_replicate_and_are_the_best_of_all():
    """Six treatments in threes, two replicates: of four arrays the best.

    With a = (0, 0) a block of the second replicate repeats one of the first: nothing of its
    difference is left. Any other array exchanges one treatment: E = 1 − loss by hand below.
    """
    found = made.alpha_blocks(2, 3, 2, Draws(1))
    assert found.shape == (4, 3)
    for replicate in (found[:2], found[2:]):
        assert sorted(replicate.ravel().tolist()) == list(range(6))
    assert found[:2].tolist() == [[0, 2, 4], [1, 3, 5]]  # i · s + b
    every = []
    for a in range(2):
        for b in range(2):
            second = [[j, 2 + (j + a) % 2, 4 + (j + b) % 2] for j in range(2)]
            every.append(block_design_efficiency([[0, 2, 4], [1, 3, 5], *second], 6))
    assert block_design_efficiency(found.tolist(), 6) == pytest.approx(max(every))


@pytest.mark.parametrize(("k", "drawn"), [(12, 0), (13, 400 * 12)])
def test_all_arrays_are_tried_up_to_three_thousand(k, drawn, monkeypatch):
    """2¹¹ = 2048 are all tried, of 2¹² = 4096 four hundred at random."""
    tried, asked = [], []
    monkeypatch.setattr(
        made, "block_design_efficiency", lambda *_: float(len(tried.append(1) or []))
    )
    draws = SimpleNamespace(below=lambda s: asked.append(s) or 0)
    made.alpha_blocks(2, k, 2, draws)
    assert len(tried) == (400 if drawn else 2048)
    assert len(asked) == drawn
    assert set(asked) <= {2}


def test_of_arrays_alike_the_first_is_kept(monkeypatch):
    monkeypatch.setattr(made, "block_design_efficiency", lambda *_: 0.0)
    assert made.alpha_blocks(2, 2, 2, Draws(1)).tolist() == [[0, 2], [1, 3], [0, 2], [1, 3]]
