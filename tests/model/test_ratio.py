"""Ratios of means: Fieller's limits, Sasabuchi's test, and the words for a verdict."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import special, stats

from trialkit.errors import ModelError
from trialkit.model.answers.fieller import fieller_limits, ratio_lines
from trialkit.model.answers.means import mean_cells
from trialkit.model.answers.ratio_line import RatioLine
from trialkit.model.answers.ratios import equivalent, loss_verdict, noninferior
from trialkit.model.fit import fit

# Blood counts of Dunnett (1955), as printed in the documentation of scipy.stats.dunnett.
CONTROL = np.array([7.40, 8.50, 7.20, 8.24, 9.84, 8.32])
DRUG_A = np.array([9.76, 8.80, 7.68, 9.36])
DRUG_B = np.array([12.80, 9.68, 12.16, 9.20, 10.55])
S2 = sum(((g - g.mean()) ** 2).sum() for g in (CONTROL, DRUG_A, DRUG_B)) / 12


def drug_line(drug):
    return RatioLine(
        drug.mean(), CONTROL.mean(), S2 / len(drug), S2 / len(CONTROL), 0.0, lambda ratio: 12.0
    )


def test_fieller_limits_of_a_published_data_set():
    """Closed form of Fieller (1954) evaluated with mpmath; pooled variance, 12 df."""
    line = drug_line(DRUG_B)
    assert line.ratio == pytest.approx(1.3185454545454542, rel=1e-12)
    assert fieller_limits(line) == pytest.approx((1.120073367379745, 1.5600281612340337), rel=1e-10)
    assert fieller_limits(line, level=0.90) == pytest.approx(
        (1.153685452137049, 1.5120310247518776), rel=1e-10
    )


def test_sasabuchi_test_at_a_margin():
    line = drug_line(DRUG_B)
    assert line.t_at(0.8) == pytest.approx(6.574846503374001, rel=1e-10)
    assert stats.t.sf(line.t_at(0.8), 12) == pytest.approx(1.3161595185239977e-05, rel=1e-8)
    upper = drug_line(DRUG_A).t_at(1.25)
    assert upper == pytest.approx(-1.682690168601358, rel=1e-10)
    assert stats.t.cdf(upper, 12) == pytest.approx(0.05912496079015279, rel=1e-10)


@given(
    st.floats(5, 20), st.floats(5, 20), st.floats(0.05, 1), st.floats(0.05, 1),
    st.floats(-0.9, 0.9), st.floats(3, 60), st.floats(0, 5),
)  # fmt: skip
@settings(max_examples=100, deadline=None)
def test_limits_invert_the_test_with_the_df_of_each_limit(top, bottom, v, w, rho, df, tilt):
    def df_at(ratio):
        return df + tilt * math.tanh(ratio)

    line = RatioLine(top, bottom, v, w, rho * math.sqrt(v * w), df_at)
    low, high = fieller_limits(line)
    if math.isinf(low):
        return
    assert low < line.ratio < high
    for limit, sign in ((low, 1), (high, -1)):
        point = float(special.stdtrit(df_at(limit), 0.975))
        assert sign * line.t_at(limit) == pytest.approx(point, rel=1e-6)


def test_a_reference_near_zero_has_no_finite_limits():
    line = RatioLine(3.0, 1.0, 1.0, 1.0, 0.0, lambda ratio: 10.0)
    assert fieller_limits(line) == (-math.inf, math.inf)


@pytest.mark.parametrize(
    ("low", "high", "verdict"),
    [
        (1.02, 1.20, "better"),
        (0.93, 1.05, "no worse"),
        (0.93, 0.98, "no worse, though lower"),
        (0.70, 0.88, "worse"),
        (0.80, 0.97, "not enough evidence"),
        (0.80, 1.30, "not enough evidence"),
        (-math.inf, math.inf, "not enough evidence"),
        (math.nan, math.nan, "not enough evidence"),
    ],
)
def test_verdict_words(low, high, verdict):
    assert loss_verdict(low, high, 0.9) == verdict


@pytest.mark.slow
def test_limits_cover_at_their_level():
    """5 000 simulated two-group trials, ratio 0.9: coverage within Monte Carlo error."""
    rng = np.random.default_rng(11)
    n, draws, hits = 8, 5_000, 0
    a = rng.normal(90, 12, (draws, n))
    b = rng.normal(100, 12, (draws, n))
    s2 = (a.var(axis=1, ddof=1) + b.var(axis=1, ddof=1)) / 2
    for i in range(draws):
        line = RatioLine(a[i].mean(), b[i].mean(), s2[i] / n, s2[i] / n, 0.0, lambda r: 14.0)
        low, high = fieller_limits(line)
        hits += low < 0.9 < high
    assert hits / draws == pytest.approx(0.95, abs=4 * math.sqrt(0.95 * 0.05 / draws))


# ---- ratios asked of a fitted model ----------------------------------------------------


@pytest.fixture(scope="module")
def drugs():
    values = np.concatenate([CONTROL, DRUG_A, DRUG_B])
    table = pd.DataFrame({"drug": ["C"] * 6 + ["A"] * 4 + ["B"] * 5, "count": values})
    table["log_count"] = np.log(values)
    return table


def test_the_fit_gives_the_published_ratio(drugs):
    made = fit(drugs, response="count", fixed="drug")
    got = made.noninferior("drug", against="C", margin_pct=20).set_index("level")
    assert got.loc["B", "ratio"] == pytest.approx(1.3185454545454542, rel=1e-9)
    assert got.loc["B", "low"] == pytest.approx(1.120073367379745, rel=1e-9)
    assert got.loc["B", "high"] == pytest.approx(1.5600281612340337, rel=1e-9)
    assert got.loc["B", "p"] == pytest.approx(1.3161595185239977e-05, rel=1e-6)
    assert got.loc["B", "verdict"] == "better"
    assert got.loc["B", "df"] == pytest.approx(12)
    same = equivalent(made, "drug", against="C", margin_pct=20).set_index("level")
    assert same.loc["A", "p"] == pytest.approx(0.05912496079015279, rel=1e-6)
    assert same.loc["A", "verdict"] == "not enough evidence"
    assert same.loc["B", "low"] == pytest.approx(1.153685452137049, rel=1e-9)


def test_log_scale_is_the_difference_of_logs(drugs):
    made = fit(drugs, response="log_count", fixed="drug")
    got = noninferior(made, "drug", against="C", margin_pct=20, scale="log").set_index("level")
    a, c = np.log(DRUG_A), np.log(CONTROL)
    s2 = sum(((g - g.mean()) ** 2).sum() for g in map(np.log, (CONTROL, DRUG_A, DRUG_B))) / 12
    se = math.sqrt(s2 * (1 / 4 + 1 / 6))
    d = a.mean() - c.mean()
    assert got.loc["A", "ratio"] == pytest.approx(math.exp(d), rel=1e-10)
    limit = math.exp(d - stats.t.ppf(0.975, 12) * se)
    assert got.loc["A", "low"] == pytest.approx(limit, rel=1e-9)
    assert got.loc["A", "p"] == pytest.approx(stats.t.sf((d - math.log(0.8)) / se, 12), rel=1e-8)


@pytest.fixture(scope="module")
def crossed():
    """Invented: three schedules over chamber runs, one run lost."""
    rng = np.random.default_rng(21)
    plan = {"T1": "ABC", "T2": "BCA", "T3": "CAB", "T4": "ACB"}
    rows = []
    for j, (chamber, order) in enumerate(plan.items()):
        for i, schedule in enumerate(order):
            if (i, j) == (2, 3):
                continue
            run = 12 * rng.normal() + 10 * math.sin(3 * i) + 8 * math.cos(2 * j)
            rows += [(f"B{i}", chamber, schedule, 400 + run + 25 * rng.normal()) for _ in range(4)]
    table = pd.DataFrame(rows, columns=["batch", "chamber", "schedule", "fresh_g"])
    return fit(
        table,
        response="fresh_g",
        fixed="schedule",
        random=["batch", "chamber", "batch:chamber"],
    )


def test_limits_in_a_mixed_model_invert_its_own_test(crossed):
    """At each limit the contrast top - ratio * reference has exactly its critical t."""
    got = crossed.noninferior("schedule", against="A", margin_pct=10, df="kenward-roger")
    cells = next(mean_cells(crossed, "schedule"))
    for place, row in zip((1, 2), got.itertuples(), strict=True):
        for limit, chance in ((row.low, 0.975), (row.high, 0.025)):
            L = cells.rows[place] - limit * cells.rows[0]
            one = crossed.contrast(L[None, :], df="kenward-roger").iloc[0]
            assert one["t"] == pytest.approx(stats.t.ppf(chance, one["df"]), rel=1e-6)
        margin = cells.rows[place] - 0.9 * cells.rows[0]
        one = crossed.contrast(margin[None, :], df="kenward-roger").iloc[0]
        assert row.p == pytest.approx(stats.t.sf(one["t"], one["df"]), rel=1e-6)
        assert (row.low > 0.9) == (row.p < 0.025)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"margin_pct": 0}, "between 0 and 100"),
        ({"margin_pct": 120}, "between 0 and 100"),
        ({"against": "Z"}, "its levels are A, B, C"),
        ({"scale": "cube"}, "is not known"),
    ],
)
def test_wrong_requests_say_what_to_do(crossed, change, message):
    options = {"against": "A", "margin_pct": 10} | change
    with pytest.raises(ModelError, match=message):
        noninferior(crossed, "schedule", **options)


def test_a_response_around_zero_gets_no_ratio(crossed):
    shifted = crossed.refit(response=crossed.y - 400)
    got = shifted.noninferior("schedule", against="A", margin_pct=10)
    assert np.isinf(got["low"]).all()
    assert set(got["verdict"]) == {"not enough evidence"}
    assert got["note"].str.contains("not clearly above zero").all()


def test_the_default_ratio_follows_the_default_difference(crossed):
    """Unequal runs: the default compares within batches, and the ratio is one plus that gap."""
    got = crossed.noninferior("schedule", against="A", margin_pct=10)
    gaps = crossed.differences("schedule", against="A", adjust="none")
    reference = crossed.means("schedule").set_index("level").loc["A", "estimate"]
    assert "fixed" in gaps["method"].iloc[0]
    expected = 1 + gaps["estimate"].to_numpy() / reference
    assert got["ratio"].to_numpy() == pytest.approx(expected, rel=1e-9)
    assert got["method"].tolist() == [f"fieller, {m}" for m in gaps["method"]]
    # a limit at ratio 1 is the difference's own test: same sign of the gap at any level
    for gap, row in zip(gaps.itertuples(), got.itertuples(), strict=True):
        assert (row.low < 1 < row.high) == (gap.low < 0 < gap.high)
    (cells,) = mean_cells(crossed, "schedule")
    for line, gap in zip(ratio_lines(crossed, cells, 0), gaps.itertuples(), strict=True):
        assert line.t_at(1.0) == pytest.approx(gap.t, rel=1e-9)
        assert line.df_at(1.0) == pytest.approx(gap.df, rel=1e-9)
        low, high = fieller_limits(line)
        for limit, chance in ((low, 0.975), (high, 0.025)):
            point = stats.t.ppf(chance, line.df_at(limit))
            assert line.t_at(limit) == pytest.approx(point, rel=1e-7)


def test_joined_and_direct_lines_agree_in_a_balanced_layout():
    """Where the whole model is the analysis of variance, both ways are the same test."""
    from trialkit.model.answers.fieller import _direct_line, join_parts
    from trialkit.model.answers.means import contrast_rows

    rng = np.random.default_rng(1)
    table = pd.DataFrame(
        [
            (f"B{i}", f"T{j}", "AB"[(i + j) % 2], 300 + 9 * run + 20 * rng.normal())
            for i in range(4)
            for j in range(4)
            for run in [rng.normal()]
            for _ in range(3)
        ],
        columns=["batch", "chamber", "schedule", "fresh_g"],
    )
    made = fit(table, response="fresh_g", fixed="schedule", random=["batch:chamber"])
    (cells,) = mean_cells(made, "schedule")
    top, bottom = cells.rows[1], cells.rows[0]
    direct = _direct_line(made, top, bottom, "default", math.inf)
    rows, V = contrast_rows(made, np.vstack([top - bottom, bottom]), df="default", level=0.95)
    parts = [(rows["estimate"][i], V[i, i], rows["df"][i]) for i in range(2)]
    joined = join_parts(*parts, V, "t")
    for ratio in (0.8, 1.0, 1.2):
        assert joined.t_at(ratio) == pytest.approx(direct.t_at(ratio), rel=1e-7)
        assert joined.df_at(ratio) == pytest.approx(14, rel=1e-6)
        assert direct.df_at(ratio) == pytest.approx(14, rel=1e-6)


def null_trials(count, seed, *, lost, sd):
    """Simulate trials of three schedules on chamber runs; B loses exactly 10 %, C nothing."""
    rng = np.random.default_rng(seed)
    runs = [(i, j, "ABC"[(i + j) % 3]) for i in range(4) for j in range(6)]
    runs = [run for place, run in enumerate(runs) if place not in lost]
    keys = [run for run in runs for _ in range(4)]
    batch, chamber, schedule = (np.array(part) for part in zip(*keys, strict=True))
    own = np.repeat(np.arange(len(runs)), 4)
    mean = np.where(schedule == "B", 90.0, 100.0)
    for _ in range(count):
        y = mean + sd[0] * rng.normal(size=4)[batch] + sd[1] * rng.normal(size=6)[chamber]
        y = y + sd[2] * rng.normal(size=len(runs))[own] + sd[3] * rng.normal(size=len(own))
        table = pd.DataFrame(
            {
                "y": y,
                "batch": batch.astype(str),
                "chamber": chamber.astype(str),
                "schedule": schedule,
            }
        )
        yield fit(
            table, response="y", fixed="schedule", random=["batch", "chamber", "batch:chamber"]
        )


@pytest.mark.slow
@pytest.mark.parametrize("lost", [(), (0, 7, 14, 20)])
def test_joint_limits_and_margins_hold_their_level(lost):
    """300 trials, balanced or with lost runs: 5 % joint and 2.5 % one-sided errors.

    Bounds are four standard errors of 300 trials.
    """
    truth = np.array([-10.0, 0.0])
    missed = passed = 0
    for made in null_trials(300, 31, lost=lost, sd=(8.0, 6.0, 6.0, 10.0)):
        joint = made.differences("schedule", against="A")
        missed += bool(((joint["low"] > truth) | (joint["high"] < truth)).any())
        ratio = made.noninferior("schedule", against="A", margin_pct=10)
        passed += ratio["low"].iloc[0] > 0.9
    assert missed / 300 == pytest.approx(0.05, abs=4 * math.sqrt(0.05 * 0.95 / 300))
    assert passed / 300 == pytest.approx(0.025, abs=4 * math.sqrt(0.025 * 0.975 / 300))
