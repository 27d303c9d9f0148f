"""Kenward–Roger, Satterthwaite, containment: closed forms first."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest

from trialkit.errors import ModelError
from trialkit.model.fit import fit
from trialkit.model.inference.smallsample import combine_df, kenward_roger_df
from trialkit.model.inference.tails import f_upper, t_quantile, t_two_sided

METHODS = ("default", "kenward-roger", "satterthwaite", "containment")


def mean_squares(table: pd.DataFrame, y: str, terms: list[str]) -> dict[str, tuple[float, int]]:
    """Sequential mean squares of an orthogonal layout, by projection."""
    left = table[y].to_numpy(float)
    done = np.ones((len(table), 1))
    out = {}
    for term in [*terms, None]:
        if term is None:
            Q, _ = np.linalg.qr(done)
            rank = np.linalg.matrix_rank(done)
            u, s, _ = np.linalg.svd(done, full_matrices=False)
            basis = u[:, s > 1e-9 * s[0]]
            out["rest"] = (
                float(((left - basis @ (basis.T @ left)) ** 2).sum()) / (len(left) - rank),
                len(left) - rank,
            )
            del Q
            break
        Z = pd.get_dummies(table[term.split(":")].astype(str).agg("-".join, axis=1)).to_numpy(float)
        both = np.hstack([done, Z])
        ranks = [np.linalg.matrix_rank(m) for m in (done, both)]
        fits = []
        for m in (done, both):
            u, s, _ = np.linalg.svd(m, full_matrices=False)
            basis = u[:, s > 1e-9 * s[0]]
            fits.append(float((basis.T @ left) @ (basis.T @ left)))
        df = ranks[1] - ranks[0]
        out[term] = ((fits[1] - fits[0]) / max(df, 1), df)
        done = both
    return out


def split_plot(seed: int) -> pd.DataFrame:
    cells = itertools.product(range(5), "abc", "xy", range(3))
    table = pd.DataFrame(cells, columns=["batch", "schedule", "light", "block"])
    rng = np.random.default_rng(seed)
    return table.assign(y=rng.normal(size=len(table)))


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("df", METHODS)
def test_split_plot_is_the_analysis_of_variance(seed: int, df: str) -> None:
    """Pure noise, so components fall below zero in most draws; F and df stay exact."""
    table = split_plot(seed)
    random = ["batch", "batch:schedule", "batch:schedule:light"]
    made = fit(table, response="y", fixed="schedule * light", random=random)
    terms = ["batch", "schedule", "batch:schedule", "light", "schedule:light"]
    ms = mean_squares(table, "y", [*terms, "batch:schedule:light"])
    tests = made.tests(df)
    for term, error, num, den in [
        ("schedule", "batch:schedule", 2, 8),
        ("light", "batch:schedule:light", 1, 12),
        ("schedule:light", "batch:schedule:light", 2, 12),
    ]:
        assert tests.num_df[term] == num
        assert tests.den_df[term] == pytest.approx(den, rel=1e-8)
        assert tests.F[term] == pytest.approx(ms[term][0] / ms[error][0], rel=1e-8)
    assert made.variances["residual"] == pytest.approx(ms["rest"][0], rel=1e-9)
    assert made.variances["batch:schedule:light"] == pytest.approx(
        (ms["batch:schedule:light"][0] - ms["rest"][0]) / 3, rel=1e-7, abs=1e-9
    )


def test_some_of_these_components_were_below_zero() -> None:
    random = ["batch", "batch:schedule", "batch:schedule:light"]
    below = [
        (fit(split_plot(s), response="y", fixed="schedule * light", random=random).phi < 0).any()
        for s in range(12)
    ]
    assert sum(below) >= 6


@pytest.mark.parametrize("seed", range(6))
def test_blocks_and_latin_squares(seed: int) -> None:
    rng = np.random.default_rng(seed)
    cells = itertools.product(range(5), range(5))
    table = pd.DataFrame(cells, columns=["row", "column"])
    table["treatment"] = [f"t{(r + c) % 5}" for r, c in zip(table.row, table.column, strict=True)]
    table["y"] = rng.normal(size=25) + 0.3 * rng.normal(size=5)[table.row]
    ms = mean_squares(table, "y", ["row", "column", "treatment"])
    test = fit(table, response="y", fixed="treatment", random=["row", "column"]).tests()
    assert test.F["treatment"] == pytest.approx(ms["treatment"][0] / ms["rest"][0], rel=1e-8)
    assert test.den_df["treatment"] == pytest.approx(12, rel=1e-8)
    ms = mean_squares(table, "y", ["row", "treatment"])
    test = fit(table, response="y", fixed="treatment", random=["row"]).tests()
    assert test.F["treatment"] == pytest.approx(ms["treatment"][0] / ms["rest"][0], rel=1e-8)
    assert test.den_df["treatment"] == pytest.approx(16, rel=1e-8)


@pytest.mark.parametrize("seed", range(40))
def test_crossed_runs_when_everything_is_below_zero(seed: int) -> None:
    """Batches crossed with chambers, a balanced schedule on runs: classical F on run means.

    Also where batch and chamber are so far below zero that the grand mean's variance would be.
    """
    rng = np.random.default_rng(seed)
    cells = itertools.product(range(4), range(4), range(6))
    table = pd.DataFrame(cells, columns=["batch", "chamber", "block"])
    table["schedule"] = np.where((table.batch + table.chamber) % 2, "usual", "sparse")
    run = table.batch * 4 + table.chamber
    table["y"] = rng.normal(size=len(table)) + 2 * rng.normal(size=16)[run]
    means = table.groupby(["batch", "chamber", "schedule"], as_index=False).y.mean()
    ms = mean_squares(means, "y", ["batch", "chamber", "schedule"])
    made = fit(table, response="y", fixed="schedule", random=["batch", "chamber", "batch:chamber"])
    test = made.tests().loc["schedule"]
    assert made.optimum.settled[0]
    assert pytest.approx(ms["schedule"][0] / ms["rest"][0], rel=1e-8) == test.F
    assert test.den_df == pytest.approx(8, rel=1e-8)
    means_shown = made.contrast([[1.0, 0.0], [1.0, 1.0]])
    assert (means_shown.se > 0).all()
    if made.optimum.edge[0]:
        assert means_shown["method"].str.contains("at or above zero").all()


def test_two_groups_are_students_t() -> None:
    from scipy.stats import ttest_ind

    rng = np.random.default_rng(1)
    table = pd.DataFrame({"schedule": list("aaaaabbbb"), "y": rng.normal(size=9)})
    row = fit(table, response="y", fixed="schedule").contrast([0.0, 1.0]).iloc[0]
    other = ttest_ind(table.y[5:], table.y[:5])
    assert (row.t, row.df) == (pytest.approx(other.statistic), pytest.approx(7))
    assert row.p == pytest.approx(other.pvalue)
    low, high = other.confidence_interval(0.95)
    assert (row.low, row.high) == (pytest.approx(low), pytest.approx(high))


def test_exact_two_df_case_of_kenward_roger() -> None:
    """Three schedules on two runs each... q = 2 with 2 error df: 0/0 is taken as one."""
    df, scale = kenward_roger_df(2, np.array([4.0]), np.array([2.0]))
    assert df[0] == pytest.approx(2.0, abs=1e-6)
    assert scale[0] == 1.0
    table = pd.DataFrame(
        [(c, s, k) for c, s in zip("ABCDE", "aabbc", strict=True) for k in range(3)],
        columns=["chamber", "schedule", "block"],
    )
    table["y"] = np.random.default_rng(2).normal(size=len(table))
    test = fit(table, response="y", fixed="schedule", random="chamber").tests("kenward-roger")
    means = table.groupby(["chamber", "schedule"], as_index=False).y.mean()
    ms = mean_squares(means, "y", ["schedule"])
    assert test.den_df["schedule"] == pytest.approx(2, rel=1e-6)
    assert test.F["schedule"] == pytest.approx(ms["schedule"][0] / ms["rest"][0], rel=1e-7)


def test_combining_df() -> None:
    """Fai & Cornelius (1996): equal df stay, any df at most two give two."""
    nu = np.array([[8.0, 8.0], [1.5, 30.0], [6.0, 12.0]])
    out = combine_df(nu)
    assert out[0] == 8.0
    assert out[1] == 2.0
    mean = 6 / 4 + 12 / 10
    assert out[2] == pytest.approx(2 * mean / (mean - 2))


def test_tails_against_scipy_stats() -> None:
    from scipy import stats

    assert t_two_sided(2.5, 7.3) == pytest.approx(2 * stats.t.sf(2.5, 7.3), rel=1e-12)
    assert t_two_sided(2.5, np.inf) == pytest.approx(2 * stats.norm.sf(2.5), rel=1e-12)
    assert f_upper(3.2, 3, 11.4) == pytest.approx(stats.f.sf(3.2, 3, 11.4), rel=1e-12)
    assert f_upper(3.2, 3, np.inf) == pytest.approx(stats.chi2.sf(9.6, 3), rel=1e-12)
    assert t_quantile(0.9, 4.5) == pytest.approx(stats.t.ppf(0.95, 4.5), rel=1e-9)
    assert np.isnan(t_two_sided(1.0, -1.0))
    assert np.isnan(f_upper(1.0, 2, np.nan))


def test_unknown_method_is_refused() -> None:
    made = fit(split_plot(0), response="y", fixed="schedule", random="batch")
    with pytest.raises(ModelError, match="choose from default, kenward-roger"):
        made.tests("welch")
    with pytest.raises(ModelError, match="one per coefficient"):
        made.contrast([1.0, 0.0])
