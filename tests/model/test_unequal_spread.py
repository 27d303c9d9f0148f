"""An error by level where levels have unequal numbers of units."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from trialkit.model.batch import fit_batch
from trialkit.model.checks.spread import level_spreads, spread_findings
from trialkit.model.fit import fit
from trialkit.model.inference import unequal_spread


def chambers(sizes: dict[str, int], blocks: int = 4) -> pd.DataFrame:
    rows = [
        (f"{s}{c}", s, k) for s, n in sizes.items() for c in range(n) for k in range(blocks)
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=["chamber", "schedule", "k"])


def draw(table: pd.DataFrame, between: dict[str, float], within: dict[str, float], count: int):
    rng = np.random.default_rng(4)
    codes, labels = pd.factorize(table["chamber"])
    level = table["schedule"]
    Y = rng.standard_normal((count, len(labels)))[:, codes] * level.map(between).to_numpy()
    return 100 + Y + rng.standard_normal(Y.shape) * level.map(within).to_numpy()


def ask(table: pd.DataFrame, Y: np.ndarray) -> pd.DataFrame:
    return fit_batch(table, Y, fixed="schedule", random=["chamber"]).contrast([0.0, 1.0])


def ask3(table: pd.DataFrame, Y: np.ndarray) -> pd.DataFrame:
    return fit_batch(table, Y, fixed="schedule", random=["chamber"]).contrast([0.0, 1.0, 0.0])


def test_without_the_shape_it_is_welch(monkeypatch: pytest.MonkeyPatch) -> None:
    """The t and its df are those of scipy's Welch test on unit means."""
    monkeypatch.setattr(unequal_spread, "ALIKE_DF", 1e-9)
    monkeypatch.setattr(unequal_spread, "LEAST_WITHIN", 10_000)
    table = chambers({"a": 8, "b": 4})
    Y = draw(table, {"a": 1.0, "b": 4.0}, {"a": 1.0, "b": 2.0}, 5)
    got = ask(table, Y)
    means = pd.DataFrame(Y.T).groupby(table["chamber"].to_numpy()).mean().to_numpy().T
    for i, row in enumerate(means):
        welch = stats.ttest_ind(row[8:], row[:8], equal_var=False)
        assert got.t[i] == pytest.approx(welch.statistic, rel=1e-8)
        assert got.df[i] == pytest.approx(welch.df, rel=1e-8)
    assert set(got.method) == {"unit means of chamber, spread by schedule"}


def test_shape_alone_is_the_pooled_error_shared_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """By hand: v_j = s_j SS / (7 s_a + 3 s_b), df = (7 s_a + 3 s_b)^2 / (7 s_a^2 + 3 s_b^2)."""
    monkeypatch.setattr(unequal_spread, "ALIKE_DF", 1e9)
    table = chambers({"a": 8, "b": 4})
    Y = draw(table, {"a": 3.0, "b": 3.0}, {"a": 1.0, "b": 2.0}, 4)
    got = ask(table, Y)
    for i, y in enumerate(Y):
        frame = table.assign(y=y)
        mean = frame.groupby(["schedule", "chamber"])["y"].mean()
        inside = frame["y"] - frame.groupby("chamber")["y"].transform("mean")
        s = (inside**2).groupby(frame["schedule"]).sum() / pd.Series({"a": 24, "b": 12})
        left = ((mean - mean.groupby("schedule").transform("mean")) ** 2).sum()
        v = s * left / (7 * s["a"] + 3 * s["b"])
        assert got.se[i] ** 2 == pytest.approx(v["a"] / 8 + v["b"] / 4, rel=1e-7)
        df = (7 * s["a"] + 3 * s["b"]) ** 2 / (7 * s["a"] ** 2 + 3 * s["b"] ** 2)
        assert got.df[i] == pytest.approx(df, rel=1e-7)


def test_many_responses_are_single_fits() -> None:
    table = chambers({"a": 6, "b": 3, "c": 4}).drop(index=[1, 17, 30])
    Y = draw(table, {"a": 1.0, "b": 2.0, "c": 1.0}, {"a": 1.0, "b": 2.0, "c": 1.0}, 6)
    many = fit_batch(table, Y, fixed="schedule", random=["chamber"]).tests("schedule")
    for i, y in enumerate(Y):
        one = fit(table.assign(y=y), response="y", fixed="schedule", random="chamber").tests()
        for column in ("F", "den_df", "p"):
            assert many[column][i] == pytest.approx(one[column]["schedule"], rel=1e-5)
        assert many.method[i] == one.method["schedule"]


def test_equal_numbers_change_nothing() -> None:
    table = chambers({"a": 5, "b": 5})
    Y = draw(table, {"a": 1.0, "b": 3.0}, {"a": 1.0, "b": 2.0}, 3)
    means = pd.DataFrame(Y.T).groupby(table["chamber"].to_numpy()).mean().to_numpy().T
    got = ask(table, Y)
    for i, row in enumerate(means):
        assert got.t[i] == pytest.approx(stats.ttest_ind(row[5:], row[:5]).statistic, rel=1e-8)
    np.testing.assert_allclose(got.df, 8, rtol=1e-6)


def test_three_levels_that_spread_alike_share_one_error() -> None:
    """Balanced: t and df of the analysis of variance of unit means, 12 units and 3 levels."""
    table = chambers({"a": 4, "b": 4, "c": 4})
    even = dict.fromkeys("abc", 1.0)
    Y = draw(table, even, even, 8)
    got = ask3(table, Y)
    means = pd.DataFrame(Y.T).groupby(table["chamber"].to_numpy()).mean().to_numpy().T
    common = got.method != "unit means of chamber, spread by schedule"
    assert common.sum() > 4
    for i in np.flatnonzero(common):
        groups = means[i].reshape(3, 4)
        error = ((groups - groups.mean(axis=1, keepdims=True)) ** 2).sum() / 9
        t = (groups[1].mean() - groups[0].mean()) / np.sqrt(error / 2)
        assert got.t[i] == pytest.approx(t, rel=1e-7)
        assert got.df[i] == pytest.approx(9, rel=1e-6)


def test_three_levels_found_to_spread_differently_get_an_error_each(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Without the shape: scipy's Welch test of the two levels compared."""
    monkeypatch.setattr(unequal_spread, "ALIKE_DF", 1e-9)
    monkeypatch.setattr(unequal_spread, "LEAST_WITHIN", 10_000)
    table = chambers({"a": 4, "b": 4, "c": 4})
    within = {"a": 1.0, "b": 30.0, "c": 1.0}
    Y = draw(table, within, within, 5)
    got = ask3(table, Y)
    means = pd.DataFrame(Y.T).groupby(table["chamber"].to_numpy()).mean().to_numpy().T
    assert set(got.method) == {"unit means of chamber, spread by schedule"}
    for i, row in enumerate(means):
        welch = stats.ttest_ind(row[4:8], row[:4], equal_var=False)
        assert got.t[i] == pytest.approx(welch.statistic, rel=1e-8)
        assert got.df[i] == pytest.approx(welch.df, rel=1e-8)


@pytest.mark.parametrize(
    ("between", "within"),
    [((3.0, 12.0), (10.0, 20.0)), ((6.0, 6.0), (12.0, 12.0)), ((12.0, 3.0), (20.0, 10.0))],
)
def test_level_holds_whatever_spreads_more(between, within) -> None:
    """5 % stated; 4 000 draws, so 4.5 Monte-Carlo standard errors are 1.6 points."""
    table = chambers({"a": 8, "b": 4})
    Y = draw(
        table, dict(zip("ab", between, strict=True)), dict(zip("ab", within, strict=True)), 4000
    )
    share = (ask(table, Y).p < 0.05).mean()
    assert 0.03 < share < 0.066


def test_spreads_are_told_and_named() -> None:
    table = chambers({"usual": 12, "sparse": 12}, blocks=6)
    even = draw(table, {"usual": 1.0, "sparse": 1.0}, {"usual": 2.0, "sparse": 2.0}, 1)[0]
    odd = np.where(table["schedule"] == "sparse", 100 + 4 * (even - 100), even)
    options = {"response": "y", "fixed": "schedule", "random": "chamber"}
    assert spread_findings(fit(table.assign(y=even), **options), "schedule") == []
    made = fit(table.assign(y=odd), **options)
    (finding,) = spread_findings(made, "schedule")
    assert finding.code == "levels_spread_differently"
    assert "sparse spreads" in finding.message
    found = level_spreads(made, "schedule")
    one = table.assign(y=odd)
    mean = one.groupby(["schedule", "chamber"])["y"].mean().groupby("schedule").std()
    assert found.between == pytest.approx(mean.to_dict(), rel=1e-9)


def test_false_alarms_of_the_check_are_at_most_stated() -> None:
    """Two tests at 2.5 % each: at most 5 %, and 3 Monte-Carlo standard errors of 300 draws."""
    table = chambers({"a": 8, "b": 4})
    Y = draw(table, {"a": 1.0, "b": 1.0}, {"a": 2.0, "b": 2.0}, 300)
    made = fit(table.assign(y=Y[0]), response="y", fixed="schedule", random="chamber")
    told = [bool(spread_findings(made.refit(response=y), "schedule")) for y in Y]
    assert np.mean(told) <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / 300)
