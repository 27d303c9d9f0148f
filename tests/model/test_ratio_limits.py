"""Limits of a ratio are the inverse of their own test, at any df; one p goes with them."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from trialkit.errors import ModelError
from trialkit.model.answers.fieller import _joined_line, fieller_limits, join_parts
from trialkit.model.answers.means import mean_cells
from trialkit.model.answers.ratio_line import RatioLine
from trialkit.model.answers.ratio_search import Accepted
from trialkit.model.answers.ratios import noninferior
from trialkit.model.fit import fit


def p_by_scipy(line, ratio, sign):
    """One-sided p of top - ratio * bottom, written out, with the t law of scipy.stats."""
    spread = line.var_top - 2 * ratio * line.covariance + ratio**2 * line.var_bottom
    t = (line.top - ratio * line.bottom) / np.sqrt(spread)
    return stats.t.sf(sign * t, line.df_at(ratio))


lines = st.builds(
    lambda d, v, nu, m, w, nu_mean, rho: _joined_line((d, v**2, nu), (m, w**2, nu_mean), rho, "x"),
    st.floats(-300, 300), st.floats(0.1, 60), st.floats(0.7, 500), st.floats(100, 900),
    st.floats(0.1, 60), st.floats(0.7, 500), st.floats(-1, 1),
)  # fmt: skip
levels = st.sampled_from([0.9, 0.95, 0.9638, 0.975, 0.9875, 0.999])


@example(_joined_line((0.0, 44.0**2, 1.0), (385.0, 44.0**2, 0.703125), 0.75, "x"), 0.9)
@example(_joined_line((1e-9, 44.0**2, 1.0), (385.0, 44.0**2, 0.703125), 0.75, "x"), 0.9)
@given(lines, levels)
@settings(max_examples=300, deadline=None)
def test_the_p_at_a_finite_limit_is_the_level_and_no_ratio_beyond_is_accepted(line, level):
    low, high = fieller_limits(line, level=level)
    assert math.isfinite(low) == math.isfinite(high)
    share = (1 - level) / 2
    if not math.isfinite(low):
        # so far away the test of the line is that of the reference mean
        assert p_by_scipy(line, 1e9, -1) >= share * 0.999 or p_by_scipy(line, -1e9, 1) >= share
        return
    assert low <= line.ratio <= high
    assert p_by_scipy(line, low, 1) == pytest.approx(share, abs=1e-8)
    assert p_by_scipy(line, high, -1) == pytest.approx(share, abs=1e-8)
    steps = (high - low) * np.append(np.linspace(1e-6, 3, 300), np.geomspace(3, 1e6, 60))
    # ratios below zero cannot be where both means lie above it
    lower = (low - steps)[low - steps >= 0] if line.ratio > 0 else low - steps
    assert p_by_scipy(line, lower, 1).max(initial=0) < share + 1e-9
    assert p_by_scipy(line, high + steps, -1).max() < share + 1e-9


@given(lines, levels, st.floats(0.5, 0.98))
@settings(max_examples=200, deadline=None)
def test_the_p_of_a_margin_is_below_the_share_exactly_where_the_limit_clears_it(line, level, m):
    accepted = Accepted(line)
    low, high = accepted.limits(level)
    for limit, margin, above in ((low, m, True), (high, 1 / m, False)):
        p = accepted.p_beyond(margin, above=above)
        clear = limit > margin if above else limit < margin
        if abs(limit - margin) > 1e-9 and math.isfinite(low):
            assert clear == (p < (1 - level) / 2)
        if clear:
            assert p < (1 - level) / 2


def test_a_lost_batch_leaves_its_own_limit():
    """Two batches, one nearly lost: 1 df. The limit by scipy's root finder on the exact t.

    d = 90.22 (se 24.69, 1 df), reference 641.9 (se 31.73, 2.985 df), correlation -0.45; by
    default no more df than the difference has: t with 1 df, the Cauchy law.
    """
    line = _joined_line((90.22, 24.69**2, 1.0), (641.9, 31.73**2, 2.985), -0.45, "x")

    def excess(ratio):
        gap = 1 - ratio
        spread = 24.69**2 + gap**2 * 31.73**2 - 2 * gap * 0.45 * 24.69 * 31.73
        return stats.t.sf((90.22 + gap * 641.9) / math.sqrt(spread), 1.0) - 0.0181

    exact = optimize.brentq(excess, -0.5, 1.1, xtol=1e-14)
    low, _ = fieller_limits(line, level=1 - 2 * 0.0181)
    assert low == pytest.approx(exact, abs=1e-9)
    assert low < 0.6  # far below the margin of 5 or 10 %


def test_ratios_accepted_in_two_pieces_are_told_and_both_are_within_the_limits():
    """Where df fall to 1, around a ratio of 0.3, the test accepts it again.

    t at 0.3 is 0.7 / sqrt(0.01 (1 + 0.09)) = 6.705: p is 0.047 with 1 df, below 1e-7 with 30.
    The ends of the pieces by scipy's root finder.
    """

    def df_at(ratio):
        return 1 + 29 * (1 - math.exp(-(((ratio - 0.3) / 0.15) ** 2)))

    def excess(r):
        return stats.t.sf((1 - r) / math.sqrt(0.01 * (1 + r**2)), df_at(r)) - 0.025

    line = RatioLine(1.0, 1.0, 0.01, 0.01, 0.0, df_at)
    first, last = optimize.brentq(excess, 0.1, 0.3), optimize.brentq(excess, 0.3, 0.5)
    second = optimize.brentq(excess, 0.5, 1.0)
    low, high = fieller_limits(line)
    assert low == pytest.approx(first, abs=1e-9)
    assert 1 < high < 2
    accepted = Accepted(line)
    assert f"leave out {last:.3g} to {second:.3g}" in accepted.note(0.95)
    best = optimize.minimize_scalar(lambda r: -excess(r), bounds=(0.2, 0.4), method="bounded")
    assert accepted.p_beyond(0.6, above=True) == pytest.approx(0.025 - best.fun, rel=1e-6)


@pytest.mark.parametrize(
    ("line", "words"),
    [
        # reference mean 1, se 1: t = 1 is below any 2.5 % point
        (RatioLine(3.0, 1.0, 1.0, 1.0, 0.0, lambda r: 10.0), "not clearly above zero"),
        # reference mean 20 standard errors above zero, but 0.5 df: the 2.5 % point is 318
        (RatioLine(21.0, 20.0, 1.0, 1.0, 0.0, lambda r: 0.5), "almost no degrees of freedom"),
        # level ten times the reference, which is 1 (se 1): low ratios are ruled out
        (RatioLine(40.0, 1.0, 1.0, 1.0, 0.0, lambda r: 10.0), "can be ruled out"),
    ],
)
def test_limits_without_end_say_why(line, words):
    assert fieller_limits(line) == (-math.inf, math.inf)
    assert words in Accepted(line).note(0.95)
    assert Accepted(line).p_beyond(0.9, above=True) > 0.025


def test_what_can_be_ruled_out_has_the_ends_of_fiellers_quadratic():
    """(40 - r)^2 = t^2 (1 + r^2) with t of 10 df: ratios between its roots are rejected."""
    line = RatioLine(40.0, 1.0, 1.0, 1.0, 0.0, lambda r: 10.0)
    t2 = stats.t.ppf(0.975, 10) ** 2
    first, second = np.sort(np.roots([1 - t2, -80.0, 1600 - t2]))
    assert first < 0  # a ratio of two yields is not below zero
    assert f"only 0 to {second:.3g} can be ruled out" in Accepted(line).note(0.95)


def test_ratios_below_zero_do_not_widen_the_limits_of_two_yields():
    """Few df at ratios around -1, many elsewhere: with 30 df the limits of Fieller's quadratic."""

    def df_at(ratio):
        return 30 - 29.9 * math.exp(-((ratio + 1) ** 2))

    line = RatioLine(100.0, 100.0, 1.0, 1.0, 0.0, df_at)
    t = stats.t.ppf(0.975, 30)
    near = 1 - t * math.sqrt(2) / 100
    low, _ = fieller_limits(line)
    assert low == pytest.approx(near, abs=2e-3)  # df at a ratio of 1 are 29.5
    assert Accepted(line).note(0.95) == ""
    assert Accepted(line).p_beyond(0.9, above=True) < 1e-6


def test_a_line_without_variance_at_some_ratio_has_no_test_there():
    """A covariance that cannot be (|c| > sd sd), as components below zero may give."""
    line = RatioLine(100.0, 100.0, 4.0, 4.0, 5.0, lambda r: 10.0)
    low, high = fieller_limits(line)
    assert low == pytest.approx(
        0.5, abs=1e-9
    )  # variance 4 + 4 r^2 - 10 r < 0 for r between 0.5 and 2
    assert high == pytest.approx(2.0, abs=1e-9)


def test_the_fewest_df_are_safe_where_a_tiny_variance_is_luck():
    """Cauchy tails: 1 df for the difference, 3 for the mean, 10 000 draws, nominal 1.81 %.

    Independent parts: the difference, and what is left of the mean. The bound is the nominal
    one and three standard errors.
    """
    rng = np.random.default_rng(5)
    n, level, hits = 10_000, 0.9638, 0
    d = rng.normal(-0.05 * 640, 25, n)
    v = 625 * rng.chisquare(1, n)
    rest = 900 * rng.chisquare(3, n) / 3
    m = 640 + rng.normal(0, 30, n) - 0.5 * (d + 32)
    for i in range(n):
        whole = np.array([[1.0, -0.5], [-0.5, 1.0]])
        line = join_parts((d[i], v[i], 1.0), (m[i], rest[i] + v[i] / 4, 3.0), whole, "x")
        hits += line.chance(0.95, above=True) < (1 - level) / 2
    nominal = (1 - level) / 2
    assert hits / n < nominal + 3 * math.sqrt(nominal / n)


# ---- ratios asked of fitted models -----------------------------------------------------


def random_table(seed):
    """Draw a small trial: 2 to 4 schedules in chamber runs of 2 to 4 batches, some runs lost."""
    rng = np.random.default_rng(seed)
    batches, chambers = rng.integers(2, 5), rng.integers(3, 6)
    names = "abcd"[: rng.integers(2, 5)]
    effect = dict(zip(names, [1.0, *rng.uniform(0.75, 1.25, len(names) - 1)], strict=True))
    rows = []
    for b in range(batches):
        order = [names[(b + c) % len(names)] for c in range(chambers)]
        for c, s in enumerate(order):
            if rng.random() < 0.12:
                continue
            run = 400 * effect[s] + 20 * rng.normal() + 15 * b
            rows += [(f"B{b}", f"T{c}", s, run + 25 * rng.normal()) for _ in range(4)]
    return pd.DataFrame(rows, columns=["batch", "chamber", "schedule", "y"])


def fitted(seed):
    table = random_table(seed)
    if table["schedule"].nunique() < 2:
        return None
    try:
        return fit(table, response="y", fixed="schedule", random=["batch", "batch:chamber"])
    except ModelError:
        return None


@pytest.mark.parametrize("tables", [40, pytest.param(120, marks=pytest.mark.slow)])
def test_better_and_the_p_of_the_difference_agree_in_random_tables(tables):
    """Drawn tables: "better" or a limit below 1 exactly where the joint p is below 0.05."""
    seen = {"better": 0, "neither": 0, "lower": 0}
    for seed in range(tables):
        made, adjust = fitted(seed), ("dunnett", "tukey")[seed % 2]
        if made is None:
            continue
        reference = made.design.levels["schedule"][0]
        got = noninferior(
            made, "schedule", against=reference, margin_pct=10, level=0.95, adjust=adjust
        )
        against = reference if adjust == "dunnett" else None
        gaps = made.differences("schedule", against=against, adjust=adjust)
        for row in got.itertuples():
            pair = {row.level, reference}
            (gap,) = [g for g in gaps.itertuples() if {g.first, g.second} == pair]
            if not math.isfinite(gap.p):
                continue
            assert (row.p < 0.025) == (row.low > 0.9)
            assert row.p >= row.p_alone
            if not math.isfinite(row.low):
                assert row.note
                continue
            sign = 1 if gap.first == row.level else -1
            kind = "neither" if row.low <= 1 <= row.high else "better" if row.low > 1 else "lower"
            seen[kind] += 1
            if kind == "neither":
                assert gap.p >= 0.05 - 1e-7 or row.note
            else:
                assert gap.p < 0.05
                assert (sign * gap.estimate > 0) == (kind == "better")
    assert min(seen.values()) >= tables / 24  # every case was met


def test_joint_p_of_a_margin_in_a_one_way_layout_is_dunnetts():
    """Balanced, 3 levels of 5 values: by scipy's Dunnett of values minus 0.9 times the reference.

    At a ratio of 1 the joint one-sided p is half Dunnett's two-sided one (scipy.stats.dunnett).
    """
    rng = np.random.default_rng(2)
    groups = {"a": rng.normal(100, 8, 5), "b": rng.normal(108, 8, 5), "c": rng.normal(96, 8, 5)}
    table = pd.DataFrame(
        [(k, v) for k, values in groups.items() for v in values], columns=["s", "y"]
    )
    made = fit(table, response="y", fixed="s")
    got = noninferior(made, "s", against="a", margin_pct=1e-7, adjust="dunnett").set_index("level")
    exact = stats.dunnett(
        groups["b"], groups["c"], control=groups["a"], rng=np.random.default_rng(1)
    )
    assert 2 * got.loc["b", "p"] == pytest.approx(exact.pvalue[0], abs=2e-4)
    gaps = made.differences("s", against="a")
    assert 2 * got.loc["b", "p"] == pytest.approx(gaps["p"].iloc[0], abs=1e-6)
    # all pairs: half of Tukey's p (scipy.stats.tukey_hsd)
    pairs = stats.tukey_hsd(*groups.values())
    joint = noninferior(made, "s", against="a", margin_pct=1e-7, adjust="tukey").set_index("level")
    assert 2 * joint.loc["b", "p"] == pytest.approx(pairs.pvalue[0, 1], abs=1e-6)


def test_one_other_level_needs_no_allowance():
    made = fit(random_table(3).query("schedule in ['a', 'b']"), response="y", fixed="schedule")
    plain, joint = (
        noninferior(made, "schedule", against="a", margin_pct=10, adjust=adjust)
        for adjust in ("none", "dunnett")
    )
    assert joint["p"].tolist() == plain["p"].tolist()
    assert joint["low"].tolist() == plain["low"].tolist()


def test_an_adjustment_that_gives_no_limits_is_refused():
    made = fit(random_table(3), response="y", fixed="schedule")
    with pytest.raises(ModelError, match='use one of "tukey", "dunnett", "none"'):
        noninferior(made, "schedule", against="a", margin_pct=10, adjust="holm")


def test_df_in_closed_form_are_those_of_each_contrast_asked_alone():
    made = fitted(6)
    from trialkit.model.answers.fieller import _df_by_direction

    (cells,) = mean_cells(made, "schedule")
    for method in ("kenward-roger", "satterthwaite"):
        closed = _df_by_direction(made, cells.rows[[1, 0]], method)
        for ratio in (-2.0, 0.0, 0.5, 0.9, 1.0, 1.3, 40.0):
            L = cells.rows[1] - ratio * cells.rows[0]
            alone = made.contrast(L[None, :], df=method)["df"].iloc[0]
            assert float(closed(ratio)) == pytest.approx(alone, rel=1e-7)
