"""Parts of the power of a trial one by one: drift, errors chosen, ratios and notes."""

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from tests.design.test_comparison_by_hand import ASKED, GIVEN, POT, compared
from trialkit.design.power import error_choice, notes
from trialkit.design.power.drift import (
    drift_left,
    planned_drift,
    planning_variation,
    straight,
    variation_for,
)
from trialkit.design.power.error_choice import acts, errors_used, mixed
from trialkit.design.power.mean_error import common_row, joint_df, mean_df, split_variance
from trialkit.design.power.ratio_tests import _tests
from trialkit.design.strata.error_terms import BatchTerm
from trialkit.design.variation import Variation

# ------------------------------------------------------------------ drift


def test_a_planned_drift_is_a_line_and_a_third_of_it_as_a_bend():
    assert straight(4, 30).tolist() == [0, 10, 20, 30]
    assert planned_drift(3, 30).tolist() == pytest.approx([0, 15 + 10, 30])
    assert planned_drift(5, 12)[1] == pytest.approx(3 + 4 * math.sin(math.pi / 4))


def test_what_ways_over_time_leave_of_a_course():
    """1, 2, 6, 7: about 4 squares 9 + 4 + 4 + 9 over 3 df; pairs ½ each over 2 df.

    The line is 4 + 2.2 (−1.5 … 1.5): left 0.3, −0.9, 0.9, −0.3, squares 1.8 over 2 df.
    """
    course = np.array([1.0, 2, 6, 7])
    assert drift_left("random", course, 2) == pytest.approx(26 / 3)
    assert drift_left("trend", course, 2) == pytest.approx(1.8 / 2)
    for way in ("time blocks", "split deliveries"):
        assert drift_left(way, course, 2) == pytest.approx(1 / 2)


@pytest.fixture
def box(make_trial):
    def make(way, batch=6):
        units = f"structure = 'batch / block'\nbatch = {batch}\nblock = 4\nover_time = '{way}'"
        return make_trial(units, {"mist": ("batch", 2, "")})

    return make


def test_planning_ranges_of_one_box_hold_the_drift_that_is_left(box):
    """Batches 4, 8 and 15 % with a drift of 0, 15 and 30 % from first to last start."""
    for way in ("random", "trend"):
        found = planning_variation(box(way)).squares["batch"]
        left = [drift_left(way, planned_drift(6, d), 2) for d in (0, 15, 30)]
        assert found == pytest.approx([16 + left[0], 64 + left[1], 225 + left[2]])
    blocks = planning_variation(box("time blocks")).squares
    split = planning_variation(box("split deliveries")).squares
    for i, (sd, drift) in enumerate(((4, 0), (8, 15), (15, 30))):
        course = planned_drift(6, drift)
        left = drift_left("time blocks", course, 2)
        between = np.var(course.reshape(3, 2).mean(axis=1), ddof=1)
        assert blocks["time_block:start"][i] == pytest.approx(sd**2 + left)
        assert blocks["time_block"][i] == pytest.approx(between)
        # a delivery shared by a block brings half of the variance between starts
        assert split["time_block:start"][i] == pytest.approx(sd**2 / 2 + left)
        assert split["time_block"][i] == pytest.approx(sd**2 / 2 + between)
    calm = planning_variation(box("random"), drifts=(0, 0, 0)).squares["batch"]
    assert calm == pytest.approx([16, 64, 225])


def test_a_variation_serves_trials_of_its_own_kinds_of_unit(box):
    trial = box("random")
    given = Variation({"batch": (1, 1, 1), "batch:block": (1, 1, 1)}, {}, "given")
    assert variation_for(given, trial) is given
    assert variation_for(Variation({"batch": (1, 1, 1)}, {}, "given"), trial) is None
    planned = variation_for(replace(given, kind="planning range"), trial)
    assert planned.squares == planning_variation(trial).squares


# ------------------------------------------------------------------ errors chosen by the data


@pytest.mark.parametrize(("apart", "share"), [(1.0, 1.0), (4.0, 1.0), (1.0, 0.8), (4.0, 0.8)])
def test_errors_and_their_chances_are_those_of_drawn_mean_squares(apart, share):
    """100 000 pairs of mean squares, judged as the module's head has it.

    Their chances, and the mean of the error found over its true value, to three errors of it.
    """
    rng, size = np.random.default_rng(5), 100_000
    d1, d2, e, V = 6, 7, share, apart
    m = 1 + e * (V - 1)
    M1, M2 = m * rng.chisquare(d1, size) / d1, rng.chisquare(d2, size) / d2
    found = 1 + (M1 / M2 - 1) / e
    kept = found > error_choice.least_ratio((d1, d2))
    plain = kept & (found < 1 + error_choice.OWN_CLEAR) if e < 1 else kept
    S = (M1 * d1 / m + M2 * d2) / (d1 + d2)
    pooled = (M1 * d1 + M2 * d2) / (d1 + d2)
    own = np.where(plain | (e == 1), M1 * d1 / d1 / m * 1.0, 0)
    beyond = (M1 / e - (1 / e - 1) * M2) / V
    used = errors_used(13.0, BatchTerm((d1, d2), e), V)
    weights = [float(u.weight.sum()) for u in used]
    assert sum(weights) == pytest.approx(1, abs=1e-6)
    groups = [~kept, plain] if e == 1 else [~kept, plain, kept & ~plain]
    errors = [pooled / V if V != 1 else S, M1 / m if e == 1 or plain.any() else own, beyond]
    for u, group, error, weight in zip(used, groups, errors, weights, strict=False):
        assert weight == pytest.approx(group.mean(), abs=3 * math.sqrt(0.25 / size))
        if weight < 0.01:
            continue
        # given the pooled square, the ratio: its mean times the square's is the mean error
        ratio = np.broadcast_to(u.ratio, u.weight.shape)
        got = float(u.weight @ ratio) / weight
        want = (error[group] / S[group]).mean()
        assert got == pytest.approx(want, rel=0.02)
        assert u.kept is bool(group is not groups[0])


def test_the_rule_acts_from_three_df_of_both_on():
    assert not acts(9.0, BatchTerm((2, 7)))
    assert acts(10.0, BatchTerm((3, 7)))
    assert not acts(4.0, BatchTerm((3, 7)))  # as many as the term has, and one
    assert acts(4.1, BatchTerm((3, 7)))
    (only,) = errors_used(9.0, BatchTerm((2, 7)))
    assert (only.df, only.kept, only.ratio.tolist(), only.weight.tolist()) == (9, False, [1], [1])
    two = (only, replace(only, weight=np.array([0.5, 0.25]), ratio=np.array([2.0, 4.0])))
    assert mixed(two, lambda error: error.ratio) == pytest.approx(1 + 1 + 1)


# ------------------------------------------------------------------ the mean's error


def test_the_mean_has_the_error_of_what_lies_above():
    """Tents in batches: 4 batches of 2 tents and 3 blocks, with the reference's mean beside it."""
    sizes_ = {("batch",): 4, ("batch", "tent"): 8, ("batch", "tent", "block"): 24}
    c = compared(
        stratum=("batch", "tent"), finest=("batch", "tent", "block"), sizes=sizes_,
        stands_for={s: s for s in sizes_}, spare_df={("batch",): 3, ("batch", "tent"): 3},
    )  # fmt: skip
    assert common_row(c).tolist() == [0.5, 0.5]
    phi = {"batch": 100.0, "batch:tent": 16.0, "batch:tent:block": 144.0}
    assert mean_df(c, phi, {}) == pytest.approx(3)  # batches alone lie above
    assert mean_df(c, {**phi, "batch": -5.0}, {}) == 0.0
    assert joint_df(2.0, 3.0, 6.0, c) == pytest.approx(25 / (4 / 6 + 9 / 3))
    assert joint_df(2.0, 3.0, 6.0, compared()) == 6.0  # one stratum in all
    none = replace(c, spare_df={("batch",): 0})
    assert joint_df(2.0, 3.0, 6.0, none) == pytest.approx(25 / (4 / 6 + 9 / 6))
    # a's mean: half the difference's error 32/4, and the grand mean's own
    solved = compared().solve(GIVEN.point(1))
    within, above = split_variance(compared(), solved, np.array([1.0, 0]), 8.0)
    assert (within, above) == pytest.approx((32 / 4, 8.0))
    within, above = split_variance(compared(), solved, np.array([-1.0, 1]), 8.0)
    assert (within, above) == pytest.approx((32, 0), abs=1e-6)


def answer(estimate, cov, df, method="kenward-roger"):
    return SimpleNamespace(
        estimate=np.array([[estimate]]), cov=np.array([cov], dtype=float), df=np.array([[df]]),
        method=np.array([method]),
    )  # fmt: skip


def test_a_ratio_in_the_whole_model_or_of_two_parts():
    """Difference −3 (variance 4, 10 df) and mean 100 (variance 9, 4 df), ratio 0.9.

    In the whole model the covariance is −2: slope −1/2. Joined: explained (1 − 0.05)² · 4, beyond
    0.01 · (9 − 1); their df by Satterthwaite; the mean's 9²/(1²/10 + 8²/4), at most 10.
    """
    gap, mean = answer(-3.0, [[4.0]], 10.0), answer(100.0, [[9.0]], 4.0)
    whole = answer(0, [[4.0, -2.0], [-2.0, 9.0]], 10.0)
    line = answer(7.1, [[3.5]], 8.0)
    got = [float(x[0]) for x in _tests(gap, mean, whole, line, ratio=0.9)]
    assert got == pytest.approx([7.1, 3.5**0.5, 8, 100 / 3, 4])
    far = answer(7.1, [[3.5]], 80.0)
    assert float(_tests(gap, mean, whole, far, ratio=0.9)[2][0]) == 10  # no more than the gap's
    for g, m in (("other", "kenward-roger"), ("kenward-roger", "other"), ("other", "other")):
        gap.method, mean.method = np.array([g]), np.array([m])
        got = [float(x[0]) for x in _tests(gap, mean, whole, line, ratio=0.9)]
        explained, beyond = 0.95**2 * 4, 0.01 * 8
        df = (explained + beyond) ** 2 / (explained**2 / 10 + beyond**2 / 4)
        want = [7, (explained + beyond) ** 0.5, min(df, 10), 100 / 3, 81 / (1 / 10 + 64 / 4)]
        assert got == pytest.approx(want)
        # the mean alone (ratio 0): explained (1 − 1/2)² · 4 = 1, beyond 8
        got = [float(x[0]) for x in _tests(gap, mean, whole, line, ratio=0.0)]
        assert got[:3] == pytest.approx([97, 3, 81 / (1 / 10 + 64 / 4)])
    # a slope lies between −1 and 0; without a variance it is −1/2
    for cov, slope in (([[4, -8], [-8, 9]], -1), ([[4, 8], [8, 9]], 0), ([[0, 1], [1, 9]], -0.5)):
        se = _tests(gap, mean, answer(0, cov, 10.0), line, ratio=0.9)[1][0]
        want = (1 + 0.1 * slope) ** 2 * 4 + 0.01 * (9 - slope**2 * 4)
        assert se == pytest.approx(want**0.5)
    nothing = _tests(answer(-3, [[0.0]], 10, "other"), mean, whole, line, ratio=1.0)
    assert np.isnan(nothing[1][0])


# ------------------------------------------------------------------ notes


def test_ranges_of_chances_in_words():
    """Wider than 75 % they tell next to nothing; alike in whole per cent they are one number."""
    assert notes.range_in_words(0.1, 0.8501).key == "power.wide"
    assert notes.range_in_words(0.1, 0.8499).key == "power.between"
    assert notes.range_in_words(0.401, 0.404).key == "power.about"
    assert notes.range_in_words(0.401, 0.406).key == "power.between"
    assert notes.range_in_words(0.4, 0.5).values == pytest.approx({"low": 40, "high": 50})


def test_a_figure_is_exact_only_where_nothing_speaks_against_it():
    c = compared()
    assert notes.is_exact(c, "any", GIVEN, ASKED)
    assert notes.is_exact(c, "no worse", GIVEN, ASKED)
    assert not notes.is_exact(c, "any", replace(GIVEN, kind="pilot"), ASKED)
    assert not notes.is_exact(c, "any", GIVEN, replace(ASKED, lost={"chamber": 0.1}))
    assert notes.is_exact(c, "any", GIVEN, replace(ASKED, lost={"chamber": 0.0}))
    assert not notes.is_exact(replace(c, efficiency=0.9), "any", GIVEN, ASKED)
    assert not notes.is_exact(replace(c, trend=True), "any", GIVEN, ASKED)
    assert not notes.is_exact(replace(c, finer={POT: c.info}), "any", GIVEN, ASKED)
    assert not notes.is_exact(replace(c, batch_term=BatchTerm((3, 3))), "any", GIVEN, ASKED)
    by_level = replace(c, level_errors=SimpleNamespace())
    assert not notes.is_exact(by_level, "difference", GIVEN, ASKED)
    assert notes.is_exact(by_level, "no worse", GIVEN, ASKED)
    above = replace(c, sizes={(): 1, **c.sizes})
    assert notes.is_exact(above, "any", GIVEN, ASKED)
    assert not notes.is_exact(above, "no worse", GIVEN, ASKED)
    assert notes.method_of(c, "any", GIVEN, ASKED) == "exact, F"
    assert notes.method_of(c, "no worse", GIVEN, ASKED) == "exact, t"
    partly = replace(c, efficiency=0.9)
    assert notes.method_of(partly, "difference", GIVEN, ASKED) == "formula within chamber, t"
    lost = replace(ASKED, lost={"chamber": 0.1})
    assert notes.method_of(c, "any", GIVEN, lost) == "formula, F"


def test_methods_in_words():
    for code, key, law in (("exact, F", "exact", "F"), ("formula, t", "formula", "t")):
        said = notes.method_words(code)
        assert said.key == f"power.method.{key}"
        assert said.values["law"] == law
    said = notes.method_words("simulated, 400 trials")
    assert said.values["number"] == "400"
    assert notes.method_words("by hand") == "by hand"


def test_notes_on_a_power():
    c = compared()

    def keys(c=c, spread=GIVEN, asked=ASKED):
        return [note.key for note in notes.notes_on(c, spread, asked)]

    assert keys() == []
    assert keys(spread=replace(GIVEN, kind="planning range")) == ["power.planning"]
    lost = replace(ASKED, lost={"chamber": 0.1, "chamber:block": 0.0})
    (told,) = notes.notes_on(c, GIVEN, lost)
    assert told.key == "power.lost"
    assert told.values["share"] == pytest.approx(10)
    (told,) = notes.notes_on(replace(c, efficiency=0.9), GIVEN, ASKED)
    assert told.values["share"] == pytest.approx(90)
    joint = replace(ASKED, joint=True)
    assert keys(asked=joint) == []  # one difference is alone
    assert keys(compared(3, 9), asked=joint) == ["power.joint"]
    assert keys(replace(compared(3, 9), name="mist:light"), asked=joint) == []
    pilot = replace(GIVEN, kind="pilot", df={"chamber": 3.0})
    assert keys(spread=pilot) == ["power.pilot_range", "power.pilot_untold"]
    told_all = replace(pilot, df={"chamber": 3.0, "chamber:block": 9.0})
    assert keys(spread=told_all) == ["power.pilot_range"]
    batches = replace(c, batch_term=BatchTerm((3, 3)))
    assert "power.pilot_batches" in keys(batches, told_all)
    by_batch = replace(told_all, by_batch={"chamber": (1.0, 2.0)})
    assert "power.pilot_batches" not in keys(batches, by_batch)


def test_a_batch_more_may_be_what_tells_batches(monkeypatch):
    trial = SimpleNamespace(counts={"batch": 3})
    monkeypatch.setattr(notes, "with_counts", lambda trial, counts: counts)
    monkeypatch.setattr(notes, "compare_in", lambda counts, name: more[counts["batch"]])
    monkeypatch.setattr(notes, "covariates_cost", lambda trial, c: c)
    enough = compared(batch_term=BatchTerm((3, 3)))
    few = compared(batch_term=BatchTerm((2, 4)))
    more = {4: enough}
    (told,) = notes.batch_notes(trial, few)
    assert told.key == "power.batches_next"
    assert (told.values["now"], told.values["more"]) == (3, 4)
    more[4] = few
    assert notes.batch_notes(trial, few) == []
    assert notes.batch_notes(trial, compared()) == []
    (told,) = notes.batch_notes(trial, enough)
    assert (told.key, told.values["few"], told.values["df"]) == ("power.batches_told", 3, 6)
