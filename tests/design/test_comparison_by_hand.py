"""A comparison of two schedules on eight chambers of three blocks, worked out by hand."""

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats

from trialkit.design.power import questions
from trialkit.design.power.exact import power_f, power_t
from trialkit.design.power.questions import (
    Wanted,
    _are_alike,
    _as_single,
    _chance,
    _Ends,
    all_chances,
    chance,
    critical_value,
    effect_of,
    outward,
    rows_against,
    worst_row,
)
from trialkit.design.strata.comparisons import Comparison, Solved, compare_in, with_counts
from trialkit.design.strata.error_terms import BatchTerm
from trialkit.design.variation import Variation
from trialkit.errors import DesignError

TENT, POT = ("chamber",), ("chamber", "block")
ASKED = Wanted(15.0, 10.0, 0.0, 0.95, False, 0, {})


def compared(levels=2, tents=8, blocks=3, **more):
    """Give a comparison of levels with as many tents each; information by blocks."""
    each = tents * blocks / levels
    mean = np.full((levels, levels), each * each / (tents * blocks))
    found = Comparison(
        name="mist", stratum=TENT, levels=(tuple("abcd"[:levels]),),
        cells=np.arange(levels)[:, None], info=each * np.eye(levels) - mean, mean_info=mean,
        finest=POT, num_df=levels - 1, error_df=tents - levels, efficiency=1.0,
        sizes={TENT: tents, POT: tents * blocks}, stands_for={TENT: TENT, POT: POT},
        spare_df={TENT: tents - levels, POT: tents * (blocks - 1)},
    )  # fmt: skip
    return replace(found, **more)


GIVEN = Variation({"chamber": (16.0,) * 3, "chamber:block": (144.0,) * 3}, {}, "given")
RANGE = Variation({"chamber": (4, 16, 64), "chamber:block": (100, 144, 400)}, {}, "planning range")


# ------------------------------------------------------------------ solving


def test_the_error_of_tents_is_that_of_their_blocks_and_their_own():
    """Per block: 24/8 of the tents' 16 and once the blocks' 144: 192; a difference 192/6 = 32."""
    c = compared()
    assert c.error_weights() == pytest.approx({"chamber": 3, "chamber:block": 1})
    assert c.orthogonal
    assert not replace(c, efficiency=0.99).orthogonal
    solved = c.solve(GIVEN.point(1))
    assert solved.errors == pytest.approx({TENT: 192})
    row = np.array([-1.0, 1.0])
    assert solved.variance(row) == pytest.approx(32)
    assert solved.variance(np.array([1.0, 0.0])) == math.inf  # a mean is not told within tents
    assert solved.covariance(np.array([row, 2 * row])) == pytest.approx(
        np.array([[32, 64], [64, 128]])
    )
    # 32 = 16/2 + 144/6: 4 tents and 12 blocks on either side
    assert solved.variance_weights(row) == pytest.approx({"chamber": 1 / 2, "chamber:block": 1 / 6})
    assert solved.free_df() == pytest.approx(0)


def test_what_a_finer_stratum_tells_leaves_df_to_the_error():
    """The same difference once more within tents, error 144: taken here (1/192)/(1/192 + 1/144)."""
    c = compared(finer={POT: compared().info})
    solved = c.solve(GIVEN.point(1))
    assert solved.errors == pytest.approx({TENT: 192, POT: 144})
    assert solved.free_df() == pytest.approx(4 / 7)
    assert solved.variance(np.array([-1.0, 1.0])) == pytest.approx(1 / 6 / (1 / 192 + 1 / 144))
    parts = solved.variance_weights(np.array([-1.0, 1.0]))
    assert 16 * parts["chamber"] + 144 * parts["chamber:block"] == pytest.approx(
        1 / 6 / (1 / 192 + 1 / 144)
    )


def test_without_any_variation_there_is_still_a_solution():
    """Errors of a trillionth, and no part below a billionth of the comparison's own."""
    c = compared(finer={POT: compared().info})
    solved = c.solve({"chamber": 0.0, "chamber:block": 0.0})
    assert solved.errors[TENT] == pytest.approx(1e-21)
    solved = c.solve({"chamber": 4.0, "chamber:block": 0.0})
    assert solved.errors == pytest.approx({TENT: 12.0, POT: 12e-9})
    assert np.isfinite(solved.inverse).all()


def test_rows_of_means_and_of_an_interaction():
    c = compared()
    assert c.mean_row(1).tolist() == [0, 1]
    cells = np.array([[a, b] for a in range(3) for b in range(2)])
    names = (("x", "y", "z"), ("p", "q"))
    both = replace(c, cells=cells, levels=names)
    assert both.mean_row(0).tolist() == [0.5, 0.5, 0, 0, 0, 0]
    assert both.interaction_row().tolist() == [1, -1, -1, 1, 0, 0]
    # a third treatment of two levels beside: each cell twice
    twice = replace(c, cells=np.repeat(cells, 2, axis=0), levels=names)
    assert twice.interaction_row().tolist() == np.repeat([0.5, -0.5, -0.5, 0.5, 0, 0], 2).tolist()
    assert rows_against(c, 0, ratio=0.9).tolist() == [[-0.9, 1]]
    assert rows_against(compared(3, 9), 1).tolist() == [[1, -1, 0], [0, -1, 1]]


def test_degrees_of_freedom_of_strata_treatments_included():
    crossed = {("batch",): 4, TENT: 6, ("batch", "chamber"): 24, ("batch", "chamber", "block"): 72}
    c = compared(sizes=crossed)
    assert list(c.structural_df().values()) == [3, 5, 15, 48]


def test_df_that_are_left_once_units_are_lost():
    """Of 6: a quarter of 8 tents is 2; half of the blocks empties 8 · (1/2)³ = 1 tent."""
    c = compared()
    assert c.left_df() == 6
    assert c.left_df(free=0.5) == 6.5
    assert c.left_df({"chamber": 0.25}) == 4
    assert c.left_df({"chamber:block": 0.5}) == 5
    assert c.left_df({"chamber": 0.25, "chamber:block": 0.5}, free=1.0) == 4
    assert c.left_df({"chamber": 0.9}) == 0  # not below
    assert c.left_df({"shelf": 0.5, "chamber": 0.0}) == 6
    crossed = compared(sizes={**c.sizes, ("batch",): 4})
    assert crossed.left_df({"batch": 0.5}) == 6  # batches do not lie within tents


@pytest.mark.parametrize("blocks", [2, 500, 501, 700])
@pytest.mark.parametrize("share", [0.05, 0.3])
def test_blocks_that_are_left_by_scipys_binomial(blocks, share):
    """Mean of 1/M over what chance leaves of a tent's blocks, tents without any left out."""
    c = compared(blocks=blocks)
    law = stats.binom(blocks, 1 - share)
    k = np.arange(1, blocks + 1)
    inverse = float((law.pmf(k) / k).sum() / law.sf(0))
    got = c.mean_weights({"chamber:block": share})
    assert got["chamber:block"] == pytest.approx(inverse / 8, rel=5e-6)
    assert got["chamber"] == pytest.approx(1 / 8)


def test_a_tent_of_one_block_is_lost_with_it():
    c = compared(blocks=1)
    assert c.mean_weights({"chamber:block": 0.5})["chamber:block"] == pytest.approx(1 / 4)
    assert c.mean_weights({"chamber": 0.5})["chamber"] == pytest.approx(1 / 4)


def test_trials_of_other_sizes_keep_their_names_and_add_like_ones(make_trial):
    trial = make_trial(
        "structure = '(batch * chamber) / block'\nbatch = ['K1', 'K2', 'K3']\n"
        "chamber = ['T2', 'T3', 'T7', 'T8']\nblock = 3",
        {"mist": ("batch:chamber", 2, ""), "light": ("batch:chamber", 2, "")},
    )
    assert with_counts(trial, {"chamber": 6}).levels["chamber"] == (
        "T2", "T3", "T7", "T8", "T1", "T4"
    )  # fmt: skip
    assert with_counts(trial, {"chamber": 2, "batch": 1}).levels["chamber"] == ("T2", "T3")
    assert trial.counts["chamber"] == 4
    with pytest.raises(DesignError, match="no treatment is called 'fog'"):
        compare_in(trial, "fog", quick=True)
    # batch × treatment is looked at for the treatment of the question alone
    assert any(compare_in(trial, "mist", quick=True).batch_term.df)
    assert compare_in(trial, "light", quick=True).batch_term == BatchTerm()


# ------------------------------------------------------------------ chances


def test_chances_of_a_difference_are_those_of_f_and_t():
    """15 % with a variance of 32 on 6 df; at both ends of planning ranges too."""
    c = compared()
    for question, law in (
        ("any", lambda v, df: power_f(225 / v, 1, df)),
        ("difference", lambda v, df: power_t(15 / v**0.5, df)),
    ):
        got = chance(c, question, GIVEN, ASKED, effect=15.0)
        assert got == pytest.approx([law(32, 6)] * 3)
        low, middle, high = chance(c, question, RANGE, ASKED, effect=15.0)
        assert high == pytest.approx(law(4 / 2 + 100 / 6, 6))
        assert middle == pytest.approx(law(32, 6))
        assert low == pytest.approx(law(64 / 2 + 400 / 6, 6))
        lost = replace(ASKED, lost={"chamber": 0.25})
        got = chance(c, question, GIVEN, lost, effect=15.0)[1]
        # six tents are left: 16 · (1/3 + 1/3) and blocks as many as there were
        assert got == pytest.approx(law(16 * 2 / 3 + 144 / 6, 4))


def test_of_three_levels_f_asks_of_all_and_t_of_the_least_precise():
    """Three tents each: 16 · 2/3 + 144 · 2/9 a difference, on 6 df; F has 2 of them above."""
    c, v = compared(3, 9), 16 * 2 / 3 + 144 * 2 / 9
    got = chance(c, "any", GIVEN, ASKED, effect=15.0)
    assert got == pytest.approx([power_f(225 / v, 2, 6)] * 3)
    got = chance(c, "difference", GIVEN, ASKED, effect=15.0)
    assert got == pytest.approx([power_t(15 / v**0.5, 6)] * 3)


def test_without_error_or_df_there_is_no_chance():
    """Nor is there where rounding would leave a ten-billiardth of a degree of freedom."""
    c = compared()
    for each in (1.0, 3.0, 7.0, 12.0, 0.1):
        info = np.array([[each, -each], [-each, each]])
        assert replace(c, info=info).solve({"chamber": 0.3, "chamber:block": 0.1}).free_df() == 0
    assert chance(compared(error_df=0), "any", GIVEN, ASKED, effect=9.0) == (0, 0, 0)
    nothing = replace(c, info=np.zeros((2, 2)))
    for question in ("any", "difference", "no worse"):
        assert chance(nothing, question, GIVEN, ASKED, effect=9.0) == (0, 0, 0)
        assert chance(compared(error_df=0), question, GIVEN, ASKED, effect=9.0) == (0, 0, 0)


def test_what_each_question_is_asked_at():
    asked = replace(ASKED, true_pct=2.0)
    assert effect_of("no worse", asked) == 12.0
    assert effect_of("any", asked) == effect_of("difference", asked) == 15.0
    c = compared()
    got = all_chances(c, GIVEN, ASKED, ("any", "no worse"))
    assert list(got) == ["any", "no worse"]
    assert got["any"] == pytest.approx(chance(c, "any", GIVEN, ASKED, effect=15.0))
    assert got["no worse"] == pytest.approx(chance(c, "no worse", GIVEN, ASKED, effect=10.0))


def test_a_pilots_middle_is_moved_out_by_its_df(monkeypatch):
    """With a median of 0.8 on 9 df: 0.5 − (0.13 + 3.6/9) · 0.3 = 0.341."""
    assert outward(9.0) == pytest.approx(0.53)
    assert outward(2.0) == outward(3.5) == outward(math.nan) == pytest.approx(0.13 + 3.6 / 3.5)
    asked = []

    def found(c, question, variation, wanted, effect, known, *, ends):
        asked.append((variation.middle, ends))
        return [0.8] if len(ends) == 1 else [0.9, 0.7, 0.4]

    monkeypatch.setattr(questions, "_chance", found)
    pilot = replace(GIVEN, kind="pilot", draws=np.ones((2, 2)), strata=("chamber", "chamber:block"),
                    df={"chamber": 9.0})  # fmt: skip
    known = _Ends(np.eye(2), [], [])
    assert chance(compared(), "any", pilot, ASKED, effect=1.0, ends=known) == (0.4, 0.7, 0.9)
    assert asked == [(0.5, (1,)), (pytest.approx(0.341), (0, 1, 2))]
    asked.clear()
    assert chance(compared(), "any", GIVEN, ASKED, effect=1.0, ends=known) == (0.4, 0.7, 0.9)
    assert asked == [(0.5, (0, 1, 2))]


def test_chances_of_a_pilot_rest_on_the_weighted_sum_of_its_draws():
    """Blocks from 0 to 288 evenly, tents nought: error of a difference blocks/6."""
    draws = np.column_stack([np.zeros(101), np.linspace(0, 288, 101)])
    pilot = replace(GIVEN, kind="pilot", draws=draws, strata=("chamber", "chamber:block"))
    c = compared()
    known = questions._ends(c, pilot, ASKED)
    got = _chance(c, "any", pilot, ASKED, 15.0, known, ends=(0, 1, 2))
    for value, share in zip(got, (0.05, 0.5, 0.95), strict=True):
        assert value == pytest.approx(power_f(225 / (288 * share / 6), 1, 6), rel=1e-6)


def test_whether_a_mean_is_clear_is_asked_of_a_pilot_at_its_worst_only(monkeypatch):
    c = compared()
    draws = np.column_stack([np.full(9, 16.0), np.full(9, 144.0)])
    pilot = replace(GIVEN, kind="pilot", draws=draws, strata=("chamber", "chamber:block"))
    for variation, factors in ((GIVEN, (0.5, 0.5, 0.5)), (RANGE, (0.5, 0.5, 0.5)),
                               (pilot, (1, 1, 0.5))):  # fmt: skip
        known = questions._ends(c, variation, ASKED)
        monkeypatch.setattr(questions, "_mean_clear", lambda *_: 1.0)
        whole = _chance(c, "no worse", variation, ASKED, 10.0, known, ends=(0, 1, 2))
        monkeypatch.setattr(questions, "_mean_clear", lambda *_: 0.5)
        got = _chance(c, "no worse", variation, ASKED, 10.0, known, ends=(0, 1, 2))
        assert got == pytest.approx([f * w for f, w in zip(factors, whole, strict=True)])
        assert min(whole) > 0.1


def test_no_worse_is_a_one_sided_t_where_tents_are_all_there_is():
    """Level b less 0.9 a, 4 tents each: (1 + 0.81)(16 + 144/3)/4 on 6 df, no true loss.

    And the mean, 100 with a variance of 16, must be clear of nought, which it is.
    """
    c = compared()
    got = chance(c, "no worse", GIVEN, ASKED, effect=10.0)
    v = 1.81 * 64 / 4
    want = stats.nct.sf(stats.t.ppf(0.975, 6), 6, 10 / v**0.5)
    assert got == pytest.approx([want] * 3, rel=2e-3)
    # a true gain of 2 % (margin 10): 12 from the margin, the ratio at the margin is still 0.9
    got = chance(c, "no worse", GIVEN, replace(ASKED, true_pct=2.0), effect=12.0)
    want = stats.nct.sf(stats.t.ppf(0.975, 6), 6, 12 / v**0.5)
    assert got == pytest.approx([want] * 3, rel=2e-3)


def test_variances_alike_but_for_rounding():
    assert _are_alike((1.0, 2.0), (1.0 + 1e-14, 2.0))
    assert not _are_alike((1.0, 2.0), (1.0, 2.0 + 1e-9))
    assert not _are_alike((1.0, 2.0), (1.1, 2.0))


# ------------------------------------------------------------------ critical values


def test_critical_values_are_joint_only_where_asked_and_several():
    three = compared(3, 9)
    solved = three.solve(GIVEN.point(1))
    rows = rows_against(three, 0)
    joint = replace(ASKED, joint=True)
    single = stats.t.ppf(0.975, 6)
    assert critical_value(solved, rows, 6.0, ASKED) == pytest.approx(single)
    assert critical_value(solved, rows[:1], 6.0, joint) == pytest.approx(single)
    both = critical_value(solved, rows, 6.0, joint)
    # correlation 1/2: P(|t1| ≤ c, |t2| ≤ c) = 0.95 by scipy's multivariate t
    law = stats.multivariate_t(shape=[[1, 0.5], [0.5, 1]], df=6)
    inside = law.cdf([both, both], lower_limit=[-both, -both], random_state=1)
    assert inside == pytest.approx(0.95, abs=5e-4)


def test_joint_values_are_carried_over_to_other_df():
    """By the ratio for levels alike, here of correlation 1/2 themselves: as worked out there."""
    three = compared(3, 9)
    solved, rows = three.solve(GIVEN.point(1)), rows_against(three, 0)
    joint = replace(ASKED, joint=True)
    assert critical_value(solved, rows, 6.0, joint, near=6.0) == critical_value(
        solved, rows, 6.0, joint
    )
    for df in (1.0, 3.0, 20.0):
        there = critical_value(solved, rows, df, joint)
        assert critical_value(solved, rows, df, joint, near=6.0) == pytest.approx(there, rel=1e-5)
    # between whole df the single test does the rest
    between = critical_value(solved, rows, 6.4, joint, near=6.0)
    assert critical_value(solved, rows, 6.4, joint) == pytest.approx(between, rel=4e-3)


def test_values_of_levels_that_hardly_differ_are_carried_over_too():
    """Correlation 0.97 (a reference with few units): within 0.7 % of what is worked out there."""
    solved = SimpleNamespace(covariance=lambda rows: np.array([[1, 0.97], [0.97, 1]]))
    joint = replace(ASKED, joint=True)
    there = critical_value(solved, np.eye(2), 3.0, joint)
    carried = critical_value(solved, np.eye(2), 3.0, joint, near=6.0)
    assert carried == pytest.approx(there, rel=7e-3)


def test_a_single_value_at_other_df():
    for near, df in ((5.0, 12.0), (12.0, 5.0)):
        point = stats.t.ppf(0.975, near)
        assert _as_single(point, near, df) == pytest.approx(stats.t.ppf(0.975, df))


def test_the_least_precise_comparison_is_found():
    solved = Solved(TENT, {}, {}, {}, np.diag([1.0, 1 / 4, 1 / 2]))
    assert worst_row(solved, np.eye(3)) == (1, pytest.approx(4.0))
