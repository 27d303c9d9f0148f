"""A failed test is never shown: the next way takes over by name, down to no test."""

from __future__ import annotations

import sys
import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from trialkit.model.batch import fit_batch
from trialkit.model.fit import Fit, fit
from trialkit.model.inference.answer import Answer
from trialkit.model.inference.validity import FEW_DF, HELD, NO_DF, NO_TEST, is_valid

RUNS = ["batch", "chamber", "batch:chamber"]
Runs = dict[tuple[str, str, str], list[float]]

# the free fit's variances run so far below zero that F and df do too
BELOW_ZERO: Runs = {
    ("B0", "T0", "s1"): [459.8, 447.8, 482.3],
    ("B0", "T1", "s0"): [552.0, 378.5],
    ("B0", "T2", "s2"): [473.8, 507.8],
    ("B0", "T3", "s0"): [454.5, 518.4],
    ("B1", "T0", "s1"): [513.4, 416.4, 552.4],
    ("B1", "T1", "s2"): [539.7, 606.3],
    ("B1", "T2", "s0"): [526.0, 518.3, 528.5, 428.8],
    ("B1", "T3", "s0"): [439.1, 550.4],
}
# five runs, 1 df between them: variances at or above zero give no F either
ONE_DF: Runs = {
    ("B0", "T0", "s2"): [447.4, 428.3],
    ("B0", "T1", "s0"): [513.2, 472.7],
    ("B1", "T0", "s2"): [335.9, 318.4],
    ("B1", "T1", "s1"): [418.4, 342.6],
    ("B1", "T2", "s0"): [336.6, 387.4],
}
# five runs, less the mean, two batches, a chamber and a schedule: nothing is left
NOTHING_LEFT: Runs = {
    ("B0", "T0", "s0"): [470.4, 425.0, 429.9, 436.9],
    ("B0", "T1", "s1"): [311.9, 371.3, 333.9, 345.5],
    ("B1", "T0", "s1"): [394.5, 354.3, 424.2, 346.9],
    ("B1", "T1", "s0"): [328.8, 307.1, 236.1, 282.8],
    ("B2", "T1", "s1"): [293.6, 264.6, 334.5, 315.8],
}


def table(runs: Runs) -> pd.DataFrame:
    rows = [(*key, y) for key, ys in runs.items() for y in ys]
    return pd.DataFrame(rows, columns=["batch", "chamber", "schedule", "y"])


def fitted(runs: Runs, **options: str) -> Fit:
    return fit(table(runs), response="y", fixed="schedule", random=RUNS, **options)


def by_hand(made: Fit, levels: int) -> tuple[float, float]:
    """F of the schedules and the SE of the last difference, from V written out in full."""
    held = made.refit(variances="nonnegative")
    data = made.table
    V = held.variances["residual"] * np.eye(len(data))
    for term in RUNS:
        keys = data[term.split(":")].agg("-".join, axis=1).to_numpy()
        V += held.variances[term] * (keys[:, None] == keys[None, :])
    X = np.column_stack([np.ones(len(data)), *(data.schedule == f"s{i}" for i in range(1, levels))])
    Vi = np.linalg.inv(V)
    C = np.linalg.inv(X.T @ Vi @ X)
    beta = C @ X.T @ Vi @ made.y
    q = levels - 1
    F = beta[1:] @ np.linalg.solve(C[1:, 1:], beta[1:]) / q
    return float(F), float(np.sqrt(C[-1, -1]))


@pytest.mark.parametrize("df", ["default", "kenward-roger", "satterthwaite"])
def test_variances_at_or_above_zero_take_over(df: str) -> None:
    made = fitted(BELOW_ZERO)
    row = made.tests(df).loc["schedule"]
    assert row.method == f"kenward-roger, {HELD}"
    held = fitted(BELOW_ZERO, variances="nonnegative").tests("kenward-roger").loc["schedule"]
    assert pytest.approx(held.F, rel=1e-9) == row.F
    assert row.den_df == pytest.approx(held.den_df, rel=1e-9)
    assert 0 < row.p < 1


def test_differences_and_coefficients_follow_the_test_of_their_factor() -> None:
    made = fitted(BELOW_ZERO)
    method = made.tests().method["schedule"]
    assert set(made.differences("schedule")["method"]) == {method}
    assert set(made.coefficients["method"].iloc[1:]) == {method}
    assert {"test_handed_over"} <= {f.code for f in made.findings}


def test_the_df_of_the_stratum_come_next() -> None:
    """Of 5 runs the mean, 2 schedules and a batch leave 1 df to chambers; F and SE in full."""
    made = fitted(ONE_DF)
    row = made.tests().loc["schedule"]
    assert row.method == f"containment, {HELD}"
    F, se = by_hand(made, 3)
    assert pytest.approx(F, rel=1e-6) == row.F
    assert row.den_df == 1
    # P(F(2, 1) > F) = 1 / sqrt(1 + 2 F), from the beta integral
    assert row.p == pytest.approx(1 / np.sqrt(1 + 2 * F), rel=1e-6)
    assert made.contrast([0.0, 0.0, 1.0]).se[0] == pytest.approx(se, rel=1e-6)


@pytest.mark.parametrize("df", ["default", "kenward-roger", "satterthwaite", "containment"])
def test_no_test_where_nothing_is_left(df: str) -> None:
    made = fitted(NOTHING_LEFT)
    row = made.tests(df).loc["schedule"]
    assert row.method == NO_TEST
    assert np.isnan([row.F, row.den_df, row.p]).all()


def test_no_test_is_told_everywhere() -> None:
    made = fitted(NOTHING_LEFT)
    said = [f for f in made.findings if f.code == "no_test"]
    assert len(said) == 1
    assert said[0].severity == "caution"
    assert "'schedule'" in said[0].message
    row = made.differences("schedule").iloc[0]
    assert row["note"] == NO_DF
    assert np.isfinite(row["estimate"])
    assert row[["se", "df", "low", "high", "p"]].isna().all()
    ratio = made.noninferior("schedule", against="s0", margin_pct=10).iloc[0]
    assert ratio["verdict"] == "not enough evidence"
    assert np.isnan(ratio["p"])
    assert np.isnan(made.contrast_cov(np.array([[0.0, 1.0]]))).all()


def test_almost_no_df_are_told() -> None:
    means = fitted(ONE_DF).means("schedule")
    few = means["df"] < 0.999
    assert few.any()
    assert (means.loc[few, "note"] == FEW_DF).all()
    assert (means.loc[~few, "note"] == "").all()


@pytest.mark.parametrize(
    ("F", "den", "df", "variance", "good"),
    [
        (1.0, 2.0, 2.0, 1.0, (True, True)),
        (0.0, 0.5, 0.5, 1.0, (True, True)),
        (-1.0, 2.0, 2.0, 1.0, (False, True)),
        (1.0, -0.7, -0.7, 1.0, (False, False)),
        (1.0, np.inf, np.inf, 1.0, (False, False)),
        (1.0, 1e-9, 1e-9, 1.0, (False, False)),
        (np.nan, 2.0, 2.0, 1.0, (False, True)),
        (1.0, np.nan, np.nan, 1.0, (False, False)),
        (1.0, 2.0, 2.0, -1.0, (False, False)),
        (1.0, 2.0, 2.0, np.nan, (False, False)),
    ],
)
def test_what_counts_as_a_test(
    F: float, den: float, df: float, variance: float, good: tuple[bool, bool]
) -> None:
    one = Answer(
        np.ones((1, 1)),
        np.full((1, 1, 1), variance),
        np.full((1, 1), df),
        np.array([F]),
        np.array([den]),
        np.array(["any"], dtype=object),
    )
    assert bool(is_valid(one, joint=True)[0]) is good[0]
    assert bool(is_valid(one, joint=False)[0]) is good[1]


@pytest.mark.parametrize("runs", [BELOW_ZERO, ONE_DF, NOTHING_LEFT])
def test_many_responses_hand_over_as_single_ones_do(runs: Runs) -> None:
    data = table(runs)
    rng = np.random.default_rng(4)
    Y = np.vstack([data["y"], 400 + 30 * rng.normal(size=(14, len(data)))])
    batch = fit_batch(data, Y, fixed="schedule", random=RUNS)
    tests = batch.tests("schedule")
    row = np.zeros(len(batch.prepared.design.names))
    row[1] = 1.0
    contrast, mean = batch.contrast(row), batch.contrast(np.eye(len(row))[0])
    assert tests["method"].str.contains(f"{HELD}|{NO_TEST}").any()
    for i, y in enumerate(Y):
        one = fit(data.assign(y=y), response="y", fixed="schedule", random=RUNS)
        single = one.tests().loc["schedule"]
        assert tests["method"][i] == single.method
        np.testing.assert_allclose(tests["F"][i], single.F, rtol=1e-4, atol=1e-9)
        np.testing.assert_allclose(tests["p"][i], single.p, rtol=1e-4)
        for many, alone in (
            (contrast, one.contrast(row)),
            (mean, one.contrast(np.eye(len(row))[0])),
        ):
            assert many["method"][i] == alone["method"][0]
            np.testing.assert_allclose(many["se"][i], alone["se"][0], rtol=1e-4)
            np.testing.assert_allclose(many["df"][i], alone["df"][0], rtol=1e-3)


def small_tables():  # type: ignore[no-untyped-def]
    sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))
    try:
        import small_tables as module
    finally:
        sys.path.pop(0)
    return module


def test_no_failed_test_on_small_tables(capsys: pytest.CaptureFixture[str]) -> None:
    found, refused = small_tables().check(24, seed=11)
    assert refused < 12
    assert not found, capsys.readouterr().out


# the free fit leaves the mean of these without variance, so that their covariance has no inverse
NO_INVERSE: dict[str, tuple[Runs, str | None]] = {
    "between unit values": (
        {
            ("B0", "T0", "s0"): [427.6929754106841, 398.06784101634753],
            ("B0", "T1", "s1"): [431.2547530971368, 388.5446328441327],
            ("B1", "T1", "s0"): [389.6701935973257],
            ("B2", "T0", "s1"): [314.84349166521133, 394.89063876913696],
            ("B2", "T1", "s0"): [308.9355755488857, 405.2453324115091],
        },
        "chamber",
    ),
    "on the way to the largest likelihood": (
        {
            ("B0", "T0", "s0"): [480.0],
            ("B0", "T1", "s1"): [390.0, 350.0, 370.0],
            ("B0", "T2", "s2"): [390.0, 380.0],
            ("B0", "T3", "s3"): [440.0, 400.0],
            ("B1", "T0", "s2"): [440.0, 460.0, 420.0],
            ("B1", "T1", "s3"): [420.0],
            ("B1", "T2", "s1"): [340.0, 440.0, 420.0],
            ("B1", "T3", "s0"): [410.0, 380.0],
        },
        None,
    ),
    "of the schedules themselves": (
        {
            ("B0", "T1", "s0"): [460.7446464154246],
            ("B0", "T2", "s1"): [478.41213434320116],
            ("B0", "T3", "s1"): [417.8843461754135],
            ("B0", "T4", "s2"): [431.50997733166264],
            ("B1", "T0", "s2"): [337.1770064362669],
            ("B1", "T1", "s0"): [363.87667450046655],
            ("B1", "T4", "s1"): [328.02114850322357],
        },
        None,
    ),
}


def test_residual_running_down_to_nothing_ends_in_no_warning() -> None:
    """Six rows, four cells: the search halves the residual until its cube is no number."""
    rows = [
        ("B0", "T0", "s1", "dim", 430.0),
        ("B0", "T0", "s1", "bright", 400.0),
        ("B0", "T1", "s0", "bright", 310.0),
        ("B1", "T0", "s0", "bright", 340.0),
        ("B1", "T1", "s1", "dim", 440.0),
        ("B1", "T1", "s1", "bright", 410.0),
    ]
    data = pd.DataFrame(rows, columns=["batch", "chamber", "schedule", "light", "y"])
    with warnings.catch_warnings():
        warnings.simplefilter("error", RuntimeWarning)
        made = fit(data, response="y", fixed="schedule * light", random=["batch", "batch:chamber"])
        tests = made.tests()
    sound = tests[~tests["method"].isin([NO_TEST, "not estimable"])]
    assert (sound["F"] >= 0).all()
    assert sound["den_df"].between(0, 1e6, inclusive="neither").all()


WEIGHTS = {("B0", "T0"): -0.1275, ("B0", "T1"): -1.6244, ("B1", "T1"): 0.6057,
           ("B2", "T0"): -0.0932, ("B2", "T1"): -0.4516}  # fmt: skip


@pytest.mark.parametrize("where", NO_INVERSE)
def test_covariance_without_an_inverse_ends_in_no_raw_error(where: str) -> None:
    """Answers are tests with a valid F and df, or say that they are none."""
    runs, by = NO_INVERSE[where]
    data = table(runs)
    fixed, random = "schedule", RUNS
    if by is not None:
        fixed = "schedule + weight"
        data["weight"] = [WEIGHTS[key] for key in zip(data["batch"], data["chamber"], strict=True)]
    if where == "of the schedules themselves":
        random = ["batch", "chamber"]
    made = fit(data, response="y", fixed=fixed, random=random, residual_by=by)
    for df in ("default", "kenward-roger", "satterthwaite", "containment"):
        tests = made.tests(df)
        none = tests["method"].isin([NO_TEST, "not estimable"])
        assert tests.loc[none, ["F", "p"]].isna().all(axis=None)
        sound = tests[~none]
        assert (sound["F"] >= 0).all()
        assert sound["den_df"].between(0, 1e6, inclusive="neither").all()
        assert sound["p"].between(0, 1).all()
    made.means("schedule")
    made.differences("schedule")


@pytest.mark.slow
def test_no_failed_test_on_many_small_tables(capsys: pytest.CaptureFixture[str]) -> None:
    found, _ = small_tables().check(200, seed=12)
    assert not found, capsys.readouterr().out


@pytest.mark.parametrize("by", ["chamber", None])
def test_level_of_the_ways_that_take_over(by: str | None) -> None:
    """Among null trials whose free test fails, a true null is rejected in at most 6 %."""
    kept = {"T0": "a", "T1": "a", "T2": "b", "T3": "b", "T4": "c", "T5": "c"}
    rows = [("B0", c, s) for c, s in kept.items() for _ in range(4)]
    data, random = pd.DataFrame(rows, columns=["batch", "chamber", "schedule"]), ["chamber"]
    if by is None:
        data = table(BELOW_ZERO).drop(columns="y")
        random = RUNS
    Y = np.random.default_rng(2).normal(size=(600, len(data)))
    made = fit_batch(data, Y, fixed="schedule", random=random, residual_by=by)
    tests = made.tests("schedule")
    over = tests["method"].str.contains(HELD)
    assert over.sum() > 50
    rejected = float((tests["p"][over] < 0.05).mean())
    assert rejected < 0.06 + 3 * np.sqrt(0.05 * 0.95 / over.sum())
    assert (tests["F"] >= 0).all()
    assert tests["den_df"].between(0, 1e6).all()
