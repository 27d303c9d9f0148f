"""Adjusted comparisons against R, Dunnett's example and the rules of Holm."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from trialkit.errors import ModelError
from trialkit.model.answers.comparisons import (
    adjust_rows,
    correlation_of,
    differences,
    holm,
    pairs_matrix,
)

# Blood counts of Dunnett (1955), J Am Stat Assoc 50:1096, as printed in the documentation of
# scipy.stats.dunnett: a control and two drugs.
CONTROL = [7.40, 8.50, 7.20, 8.24, 9.84, 8.32]
DRUG_A = [9.76, 8.80, 7.68, 9.36]
DRUG_B = [12.80, 9.68, 12.16, 9.20, 10.55]


def one_way(groups):
    """Give means, covariance of the means and df of a one-way layout."""
    sizes = np.array([len(g) for g in groups])
    df = sizes.sum() - len(groups)
    s2 = sum(((np.array(g) - np.mean(g)) ** 2).sum() for g in groups) / df
    return np.array([np.mean(g) for g in groups]), np.diag(s2 / sizes), float(df)


def contrast_table(estimates, covariance, df, matrix):
    estimate = matrix @ estimates
    V = matrix @ covariance @ matrix.T
    se = np.sqrt(np.diag(V))
    t = estimate / se
    rows = pd.DataFrame({"estimate": estimate, "se": se, "df": df, "t": t})
    rows["p"] = 2 * stats.t.sf(np.abs(t), df)
    return rows, V


def test_dunnett_blood_counts():
    """Exact values by mpmath quadrature; t as in Dunnett's worked example."""
    means, covariance, df = one_way([CONTROL, DRUG_A, DRUG_B])
    rows, V = contrast_table(means, covariance, df, pairs_matrix(3, against=0)[0])
    assert correlation_of(V)[0, 1] == pytest.approx(0.42640143271122083, rel=1e-12)
    got = adjust_rows(rows, adjust="dunnett", level=0.95, covariance=V)
    assert got["t"].to_numpy() == pytest.approx([0.8570321259343804, 3.693752311235726], rel=1e-12)
    assert got["p"].to_numpy() == pytest.approx(
        [0.6201019800184527, 0.005825360847939165], rel=1e-7
    )
    assert got["low"].to_numpy() == pytest.approx([-1.2563041371, 0.8397282064], abs=1e-8)
    assert got["high"].to_numpy() == pytest.approx([2.5563041371, 4.4162717936], abs=1e-8)


def test_tukey_kramer_blood_counts():
    """R 4.2.2 ptukey / qtukey; ptukey is good to about 3e-7."""
    means, covariance, df = one_way([CONTROL, DRUG_A, DRUG_B])
    rows, _ = contrast_table(means, covariance, df, pairs_matrix(3)[0])
    got = adjust_rows(rows, adjust="tukey", level=0.95, means=3)
    assert got["p"].to_numpy() == pytest.approx([0.67622005, 0.00798514, 0.06591893], abs=5e-7)
    assert got["low"].to_numpy() == pytest.approx([-2.67339133, -4.52610932, -4.08076996], abs=5e-6)


def test_tukey_equals_scipy_in_a_balanced_layout():
    rng = np.random.default_rng(4)
    groups = [rng.normal(mu, 1, 6) for mu in (0.0, 0.8, 1.5, 0.2)]
    means, covariance, df = one_way(groups)
    matrix, pairs = pairs_matrix(4)
    rows, _ = contrast_table(means, covariance, df, matrix)
    got = adjust_rows(rows, adjust="tukey", level=0.95, means=4)
    peer = stats.tukey_hsd(*groups)
    limits = peer.confidence_interval(0.95)
    for row, (i, j) in enumerate(pairs):
        assert got["p"][row] == pytest.approx(peer.pvalue[i, j], abs=1e-9)
        assert got["low"][row] == pytest.approx(limits.low[i, j], abs=1e-8)


# Oats data (Yates 1935) less nine plots, y ~ nitro * variety + block and plot terms: pairs of
# nitro under Kenward-Roger. R 4.2.2, lme4 1.1-31, pbkrtest 0.5.2, emmeans 1.8.4-1.
# estimate, se, df, Tukey p, Tukey low, Tukey high, Holm p
OATS = np.array(
    [
        [
            -16.39402534644,
            4.901887482563,
            37.06344713482,
            0.009811207722153,
            -29.57786360727,
            -3.210187085606,
            0.005690054187053,
        ],
        [
            -31.40048122958,
            4.81646036893,
            37.07096167181,
            7.260298331424e-07,
            -44.35443793962,
            -18.44652451954,
            6.187756633103e-07,
        ],
        [
            -42.82059429606,
            5.005218285556,
            37.60803043159,
            1.398326010538e-09,
            -56.27331983447,
            -29.36786875765,
            1.413274372891e-09,
        ],
        [
            -15.00645588314,
            4.727967169761,
            36.91070903452,
            0.0153455809955,
            -27.72496575107,
            -2.287946015216,
            0.00605772809548,
        ],
        [
            -26.42656894962,
            4.909708868174,
            37.40435591905,
            2.411023848292e-05,
            -39.62586991299,
            -13.22726798626,
            1.670749886813e-05,
        ],
        [
            -11.42011306648,
            4.752827139757,
            36.41283545869,
            0.09443832913739,
            -24.21363350303,
            1.373407370064,
            0.02148693732376,
        ],
    ]
)


def oats_rows():
    rows = pd.DataFrame(OATS[:, :3], columns=["estimate", "se", "df"])
    rows["t"] = rows["estimate"] / rows["se"]
    rows["p"] = 2 * stats.t.sf(rows["t"].abs(), rows["df"])
    return rows


def test_tukey_with_a_df_per_row_equals_r():
    got = adjust_rows(oats_rows(), adjust="tukey", level=0.95, means=4)
    assert got["p"].to_numpy() == pytest.approx(OATS[:, 3], abs=5e-7)
    assert got["low"].to_numpy() == pytest.approx(OATS[:, 4], rel=1e-5)
    assert got["high"].to_numpy() == pytest.approx(OATS[:, 5], rel=1e-5)


def test_holm_with_a_df_per_row_equals_r():
    got = adjust_rows(oats_rows(), adjust="holm", level=0.95)
    assert got["p"].to_numpy() == pytest.approx(OATS[:, 6], rel=1e-7)
    wide = stats.t.isf(0.025 / 6, OATS[:, 2]) * OATS[:, 1]
    assert (got["high"] - got["estimate"]).to_numpy() == pytest.approx(wide, rel=1e-9)
    assert got["adjust"].iloc[0] == "holm (limits by bonferroni)"


def test_holm_equals_published_rule():
    """R 4.2.2 p.adjust(method = "holm"); ties and missing values as there."""
    p = np.array([0.01, 0.04, 0.03, 0.005, 0.5, 0.02])
    assert holm(p) == pytest.approx([0.05, 0.09, 0.09, 0.03, 0.5, 0.08])
    with_gap = holm(np.array([0.01, np.nan, 0.03]))
    assert with_gap[[0, 2]] == pytest.approx([0.02, 0.03])
    assert np.isnan(with_gap[1])
    assert len(holm(np.array([]))) == 0


def test_no_adjustment_keeps_single_values():
    got = adjust_rows(oats_rows(), adjust="none", level=0.90)
    assert got["p"].to_numpy() == pytest.approx(got["p_alone"].to_numpy())
    half = stats.t.isf(0.05, OATS[:, 2]) * OATS[:, 1]
    assert (got["high"] - got["estimate"]).to_numpy() == pytest.approx(half, rel=1e-9)


def test_limits_and_p_agree_on_what_is_significant():
    means, covariance, df = one_way([CONTROL, DRUG_A, DRUG_B])
    for adjust, matrix in (("tukey", pairs_matrix(3)[0]), ("dunnett", pairs_matrix(3, 0)[0])):
        rows, V = contrast_table(means, covariance, df, matrix)
        p = adjust_rows(rows, adjust=adjust, level=0.95, means=3, covariance=V)["p"].max()
        at_edge = adjust_rows(rows, adjust=adjust, level=1 - p, means=3, covariance=V)
        row = int(np.argmax(at_edge["p"]))
        nearest = min(abs(at_edge["low"][row]), abs(at_edge["high"][row]))
        assert nearest == pytest.approx(0.0, abs=1e-6)


def test_rows_that_cannot_be_estimated_stay_missing_and_are_not_counted():
    rows = oats_rows()
    rows.loc[2, ["estimate", "se", "df", "t", "p"]] = np.nan
    got = adjust_rows(rows, adjust="holm", level=0.95)
    assert got.loc[2, ["estimate", "low", "high", "p"]].isna().all()
    kept = [0, 1, 3, 4, 5]
    assert got.loc[kept, "p"].to_numpy() == pytest.approx(holm(rows.loc[kept, "p"].to_numpy()))
    means = adjust_rows(rows, adjust="tukey", level=0.95, means=4)
    assert np.isnan(means["p"][2])
    V = np.full((6, 6), np.nan)
    V[np.ix_(kept, kept)] = 0.5 * np.eye(5) + 0.5
    many = adjust_rows(rows, adjust="dunnett", level=0.95, covariance=V)
    assert np.isnan(many["p"][2])
    assert many.loc[kept, "p"].notna().all()


def test_wrong_requests_name_the_remedy():
    with pytest.raises(ModelError, match="name it"):
        differences(None, "schedule", adjust="dunnett")
    with pytest.raises(ModelError, match="not known; use one of"):
        differences(None, "schedule", adjust="scheffe")
