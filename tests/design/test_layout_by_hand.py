"""Constructions and bounds of layouts against their definitions: pairs counted, fields checked."""

import itertools
from types import SimpleNamespace

import numpy as np
import pytest

from trialkit.design.layout import blocks as constructed
from trialkit.design.layout.blocks import _with_target
from trialkit.design.layout.efficiency import Valuation, average_efficiency
from trialkit.design.layout.restriction_cost import _named
from trialkit.design.layout.site import replication, treated_sites
from trialkit.design.strata.error_terms import batch_term
from trialkit.design.strata.remedies import _cost
from trialkit.structure import parse_structure
from trialkit.trial.sections import PricesSection


@pytest.mark.parametrize(("t", "k"), list(constructed._BASE_BLOCKS))
def test_developed_blocks_meet_every_pair_equally_often(t, k):
    """Definition of balance: each pair of treatments in the same number of blocks.

    lambda (t - 1) = r (k - 1), Cochran and Cox (1957), ch. 11.
    """
    blocks = constructed._developed(t, k)
    assert blocks.shape[1] == k
    held = np.zeros((t, t), dtype=int)
    for block in blocks:
        assert len(set(block)) == k
        held[np.ix_(block, block)] += 1
    r = held[0, 0]
    assert (np.diag(held) == r).all()
    pairs = held[~np.eye(t, dtype=bool)]
    assert (pairs == pairs[0]).all()
    assert pairs[0] * (t - 1) == r * (k - 1)
    assert pairs[0] >= 1


@pytest.mark.parametrize("q", [2, 3, 4, 5, 7, 8, 9])
def test_tables_are_those_of_a_field(q):
    """The axioms: groups under both operations, and one distributes over the other."""
    add, mul = constructed._field(q)
    every = range(q)
    for table, neutral, rest in ((add, 0, every), (mul, 1, range(1, q))):
        assert (table == table.T).all()
        assert (table[neutral] == np.arange(q)).all()
        for i in rest:
            assert sorted(table[i, list(rest)]) == list(rest)  # each row a permutation: inverses
    for a, b, c in itertools.product(every, repeat=3):
        assert mul[a, add[b, c]] == add[mul[a, b], mul[a, c]]
        assert mul[a, mul[b, c]] == mul[mul[a, b], c]
        assert add[a, add[b, c]] == add[add[a, b], c]


def test_there_is_no_field_of_six_or_ten():
    """Orders of finite fields are powers of primes; 16 is one, but not among those kept."""
    assert constructed._field(6) is None
    assert constructed._field(10) is None
    assert constructed._field(1) is None


def test_all_blocks_are_all_of_them_up_to_two_thousand():
    assert len(constructed._all_blocks(6, 3)) == 20  # 6! / (3! 3!)
    assert len(constructed._all_blocks(63, 2)) == 1953
    assert constructed._all_blocks(64, 2) is None  # 2016


def test_the_average_efficiency_of_balanced_blocks():
    """By hand: 2 treatments in threes (aab, abb): C = 3 I - [[5, 4], [4, 5]] / 3, roots 8/3 of 3.

    Three in fives with one short each: C = 5 I - [[9, 8, 8], ...] / 5 has roots 24/5: 24/25.
    """
    fives = [[0, 0, 1, 1, 2], [0, 0, 1, 2, 2], [0, 1, 1, 2, 2]]
    for blocks, v, k, wanted in (([[0, 0, 1], [0, 1, 1]], 2, 3, 8 / 9), (fives, 3, 5, 24 / 25)):
        held = np.array([np.bincount(b, minlength=v) for b in blocks]).T
        r = held.sum(axis=1)
        info = np.diag(r) - held @ held.T / k
        assert average_efficiency(info, r.astype(float)) == pytest.approx(wanted)


def test_replication_is_shared_out_by_largest_remainders():
    """10 units by 1 : 1 : 1 and 2 : 1 : 1, by hand."""
    assert replication(10, [1, 1, 1]) == [4, 3, 3]
    assert replication(10, [2, 1, 1]) == [5, 3, 2]
    assert replication(8, [2, 1, 1]) == [4, 2, 2]
    assert replication(7, [1, 2]) == [2, 5]


@pytest.mark.parametrize(
    ("start", "target"),
    [([0, 0, 1, 1, 2, 2], [2, 2, 2]), ([0, 0, 0, 1, 1, 1], [2, 2, 2]), ([0] * 6, [1, 2, 3]),
     ([1, 0, 0, 0, 0, 0], [3, 3]), ([1, 1, 0, 0, 0, 0], [6, 0]), ([1, 1], [2, 0])],
)  # fmt: skip
def test_replication_is_mended_with_as_few_changes_as_there_are_units_too_many(start, target):
    start = np.array(start)
    before = start.copy()
    out = _with_target(start, target)
    assert (start == before).all()
    assert np.bincount(out, minlength=len(target)).tolist() == target
    surplus = np.maximum(np.bincount(start, minlength=len(target)) - target, 0).sum()
    assert (out != start).sum() == surplus


def test_what_more_units_cost():
    """Four chambers × 6 blocks a batch: 2 batches at 50 each and 48 blocks at 3: 244."""
    counts = {"batch": 3, "chamber": 4, "block": 6}

    def said(unit, more, **prices):
        trial = SimpleNamespace(
            counts=counts, prices=PricesSection(currency="CHF", **prices) if prices else None
        )
        return _cost(trial, unit, more)

    assert "244 CHF" in said("batch", 2, batch_each=50, block_each=3)
    assert "144 CHF" in said("batch", 2, block_each=3)  # blocks alone
    assert "100 CHF" in said("batch", 2, batch_each=50)  # batches alone
    assert "254 CHF" in said("chamber", 1, chamber_each=200, block_each=3)  # 3 batches × 6 blocks
    assert said("batch", 2) == ""
    assert said("batch", 2, mushrooms_per_kg=9) == ""


def test_where_nothing_is_compared_no_information_is_lost():
    assert average_efficiency(np.zeros((1, 1)), [4]) == 1.0


def test_a_whole_factorial_in_each_batch_is_worth_one(make_trial):
    """Four combinations once in each of three batches: orthogonal, all information within."""
    trial = make_trial(
        "structure = 'batch / block'\nbatch = 3\nblock = 4",
        {"schedule": ("batch:block", 2, ""), "light": ("batch:block", 2, "")},
    )
    (site,) = treated_sites(trial)
    plan = np.tile(np.arange(4), 3)[None, :]
    assert Valuation(site).values(plan).tolist() == pytest.approx([1.0], abs=2e-6)  # ridge 1e-6


@pytest.mark.parametrize("batches", [4, 6, 8])
def test_chambers_take_their_part_of_batch_by_schedule(batches):
    """Two schedules, each half of the time in each chamber and in half of them in each batch.

    Write s = +1 or -1 for the schedule, S for chambers x batches. The term is the b - 1 contrasts
    over batches of v_j = s within batch j. Since S has row sums of zero, chambers take
    tr(S'S) / b = c of the sum c (b - 1) of their squared lengths: (b - 2) / (b - 1) is left.
    """
    chambers = 4
    square = np.array([[1, -1, 1, -1], [-1, 1, -1, 1], [1, 1, -1, -1], [-1, -1, 1, 1]])
    signs = np.hstack([square] * 2)[:, :batches]
    if batches == 6:  # rows must still sum to zero
        signs = np.hstack([square, [[1, -1], [-1, 1], [1, -1], [-1, 1]]])
    assert not signs.sum(axis=0).any()
    assert not signs.sum(axis=1).any()
    structure = parse_structure("(batch * chamber) / block")
    counts = {"batch": batches, "chamber": chambers, "block": 1}
    level = ((signs.T + 1) // 2).ravel()
    term = batch_term(structure, counts, ("batch", "chamber"), level, 2)
    assert term.share == pytest.approx((batches - 2) / (batches - 1), abs=1e-9)
    # df: chamber runs less mean, batches, chambers, schedule and the term
    whole = batches * chambers - 1 - (batches - 1) - (chambers - 1) - 1
    assert term.df == (batches - 1, whole - (batches - 1))


def test_one_place_too_many_to_name_is_counted():
    assert str(_named("shelf", list("abcd"))) == "shelf a, b, c, d"
    assert str(_named("shelf", list("abcde"))) == "shelf a, b, c, d and 1 more"
