"""The objective at fixed variances, the optimum, and what must not change it."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray

from trialkit.errors import ModelError
from trialkit.model.columns.terms import indicator
from trialkit.model.fit import Fit, fit
from trialkit.model.likelihood.objective import evaluate

RANDOM = ["batch", "chamber", "batch:chamber", "block"]


def crossed_table(seed: int = 2, lost: float = 0.1, places: int = 4) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    cells = itertools.product(range(4), range(5), range(places), range(3))
    table = pd.DataFrame(cells, columns=["batch", "chamber", "place", "flush"])
    table["block"] = table.batch * 1000 + table.chamber * 100 + table.place
    table["schedule"] = np.where((table.batch + table.chamber) % 2, "usual", "sparse")
    table["light"] = np.where(table.place % 2, "dim", "bright")
    table["days"] = rng.integers(5, 12, len(table)).astype(float)
    y = 300 - 50.0 * table.flush
    for term, sd in (("batch", 20), ("chamber", 15), ("block", 25)):
        codes, labels = pd.factorize(table[term])
        y = y + sd * rng.normal(size=len(labels))[codes]
    run = table.batch * 5 + table.chamber
    y = y + 18 * rng.normal(size=20)[run] + 30 * rng.normal(size=len(table))
    table["fresh_g"] = y
    table["flush"] = table.flush.map({0: "first", 1: "second", 2: "third"})
    keep = rng.random(len(table)) >= lost
    return table[keep].reset_index(drop=True)


def fit_crossed(table: pd.DataFrame, **options: Any) -> Fit:
    asked: dict[str, Any] = {
        "response": "fresh_g",
        "fixed": "schedule * flush + light + days",
        "random": RANDOM,
    }
    return fit(table, **{**asked, **options})


def dense_loglik(made: Fit, variances: NDArray) -> float:
    """Restricted log-likelihood from its definition, with n × n matrices."""
    V = np.zeros((made.n, made.n))
    for value, g in zip(variances, made.groupings, strict=False):
        Z = indicator(g)
        V += value * Z @ Z.T * g.unit**2
    residual = variances[len(made.groupings) :]
    groups = made.data.residual_groups
    V += np.diag(residual[groups.codes] if groups is not None else np.full(made.n, residual[0]))
    X = made.data.X
    Vi = np.linalg.inv(V)
    XVX = X.T @ Vi @ X
    P = Vi - Vi @ X @ np.linalg.solve(XVX, X.T @ Vi)
    logs = np.linalg.slogdet(V)[1] + np.linalg.slogdet(XVX)[1]
    df = made.n - made.p
    return float(-0.5 * (df * np.log(2 * np.pi) + logs + made.y @ P @ made.y))


@pytest.mark.parametrize("lost", [0.0, 0.15])
@pytest.mark.parametrize(
    "random", [RANDOM, ["batch", "block"], ["days by chamber", "chamber"], ["block"], []]
)
def test_objective_equals_its_definition(lost: float, random: list[str]) -> None:
    made = fit_crossed(crossed_table(lost=lost), random=random)
    rng = np.random.default_rng(3)
    for _ in range(3):
        variances = made.variances["residual"] * rng.uniform(0.01, 1.5, len(random) + 1)
        variances[:-1] /= np.array([g.unit**2 for g in made.groupings])
        assert made.objective(variances) == pytest.approx(dense_loglik(made, variances), rel=1e-10)
    assert made.loglik == pytest.approx(dense_loglik(made, made.variances.to_numpy()), rel=1e-10)


def test_separate_residual_variances() -> None:
    """Optional residual_by: the definition, and a known special case."""
    table = crossed_table()
    made = fit_crossed(table, random=["batch:chamber"], residual_by="flush")
    assert list(made.variances.index[1:]) == [
        f"residual[flush={f}]" for f in made.design.levels["flush"]
    ]
    assert made.loglik == pytest.approx(dense_loglik(made, made.variances.to_numpy()), rel=1e-10)
    pooled = fit_crossed(table, random=["batch:chamber"])
    assert made.loglik >= pooled.loglik
    # with means per group only, each residual is the variance within the group
    alone = fit(table, response="fresh_g", fixed="flush", residual_by="flush")
    within = table.groupby("flush").fresh_g.var()
    np.testing.assert_allclose(alone.variances, within, rtol=1e-9)
    # Welch (1947) for two groups: t and Satterthwaite df
    two = table[table.flush != "third"]
    welch = fit(two, response="fresh_g", fixed="flush", residual_by="flush")
    from scipy.stats import ttest_ind

    a, b = (two.fresh_g[two.flush == f] for f in ("first", "second"))
    expected = ttest_ind(a, b, equal_var=False)
    row = welch.contrast([0.0, 1.0], df="satterthwaite").iloc[0]
    assert abs(row.t) == pytest.approx(abs(expected.statistic), rel=1e-9)
    assert row.df == pytest.approx(expected.df, rel=1e-6)


@pytest.mark.parametrize("variances", ["free", "nonnegative"])
def test_score_vanishes_and_matches_differences(variances: str) -> None:
    made = fit_crossed(crossed_table(), variances=variances)
    phi = made.phi
    point = evaluate(made.reduced, phi[None], made.responses.e, made.responses.out_ss)
    assert np.abs(point.score[0] * phi).max() < 1e-6
    off = phi * np.array([1.3, 0.8, 1.2, 0.9, 1.1])
    at = evaluate(made.reduced, off[None], made.responses.e, made.responses.out_ss)
    for j in range(len(phi)):
        step = np.zeros(len(phi))
        step[j] = 1e-5
        pair = np.stack([off + step, off - step])
        e, out = made.responses.e, made.responses.out_ss
        both = evaluate(made.reduced, pair, np.tile(e, (2, 1)), np.tile(out, (2, 1)))
        assert (both.loglik[0] - both.loglik[1]) / 2e-5 == pytest.approx(
            at.score[0, j], rel=1e-5, abs=1e-6
        )
        np.testing.assert_allclose(
            -(both.score[0] - both.score[1]) / 2e-5, at.observed[0, j], rtol=1e-4, atol=1e-4
        )


def test_units_order_and_names_change_nothing() -> None:
    table = crossed_table()
    made = fit_crossed(table)
    kilos = fit_crossed(table.assign(fresh_g=table.fresh_g / 1000))
    mixed = fit_crossed(table.sample(frac=1, random_state=4))
    named = fit_crossed(
        table.assign(
            batch="b" + (9 - table.batch).astype(str), chamber="c" + table.chamber.astype(str)
        )
    )
    shifted = fit_crossed(table.assign(fresh_g=table.fresh_g + 1e6))
    reordered = fit_crossed(table, random=RANDOM[::-1])
    np.testing.assert_allclose(kilos.variances * 1e6, made.variances, rtol=1e-8)
    for other in (kilos, mixed, named, shifted, reordered):
        pd.testing.assert_frame_equal(
            other.tests().drop(columns="method"), made.tests().drop(columns="method"), rtol=1e-7
        )
        assert other.tests().method.tolist() == made.tests().method.tolist()
        assert [f.code for f in other.noted] == [f.code for f in made.noted]
    for other in (mixed, named):
        np.testing.assert_allclose(other.variances, made.variances, rtol=1e-8)
        assert other.loglik == pytest.approx(made.loglik, abs=1e-8)
    sizes = np.array([1e-70, 1e70])
    for size in sizes:
        far = fit_crossed(table.assign(fresh_g=table.fresh_g * size))
        np.testing.assert_allclose(far.tests().F, made.tests().F, rtol=1e-7)


def test_absorbing_changes_nothing() -> None:
    from trialkit.model.likelihood.reduced import reduce_design
    from trialkit.model.likelihood.search import maximise

    made = fit_crossed(crossed_table(places=12))
    plain = reduce_design(made.data.X, made.groupings, absorb=False)
    assert len(plain.out) < len(made.reduced.out)
    responses = plain.project(made.y[None])
    optimum = maximise(plain, responses)
    np.testing.assert_allclose(optimum.point.phi[0], made.phi, rtol=1e-7)
    assert optimum.point.loglik[0] == pytest.approx(made.optimum.point.loglik[0], abs=1e-8)


def test_nonnegative_is_the_best_of_the_boundary() -> None:
    """A component that would be negative: held at zero, equal to the model without it."""
    table = crossed_table(seed=5)
    for seed in range(30):
        rng = np.random.default_rng(seed)
        table["fresh_g"] = rng.normal(size=len(table)) + rng.normal(size=4)[table.batch]
        free = fit_crossed(table)
        if (free.variances[:-1] < 0).any():
            break
    held = fit_crossed(table, variances="nonnegative")
    assert (held.variances >= 0).all()
    zero = [n for n in RANDOM if held.variances[n] == 0]
    assert zero
    without = fit_crossed(table, random=[n for n in RANDOM if n not in zero])
    assert held.loglik == pytest.approx(without.loglik, abs=1e-8)
    assert held.loglik <= free.loglik + 1e-9
    score = held.optimum.point.score[0]
    assert all(score[RANDOM.index(n)] <= 1e-8 for n in zero)


def test_random_effects_solve_hendersons_equations() -> None:
    made = fit_crossed(crossed_table(), random=["chamber", "batch:chamber", "days by chamber"])
    ratio = made.variances["residual"]
    X, y = made.data.X, made.y
    Zs = [indicator(g) * g.unit for g in made.groupings]
    Z = np.hstack(Zs)
    prior = np.repeat(
        [ratio / made.variances[g.term.name] for g in made.groupings],
        [g.q for g in made.groupings],
    )
    F = np.hstack([X, Z])
    left = F.T @ F + np.diag(np.concatenate([np.zeros(made.p), prior]))
    solved = np.linalg.solve(left, F.T @ y)
    np.testing.assert_allclose(made.beta, solved[: made.p], rtol=1e-6)
    u = np.concatenate([made.effects[g.term.name].to_numpy() for g in made.groupings])
    np.testing.assert_allclose(u, solved[made.p :], rtol=1e-6, atol=1e-6)
    np.testing.assert_allclose(made.residuals, y - F @ solved, atol=1e-6)


def test_record_can_be_audited() -> None:
    made = fit_crossed(crossed_table())
    record = made.record
    assert record.attrs["settled"]
    assert record.loglik.iloc[-1] == pytest.approx(made.loglik, abs=1e-9)
    assert (np.diff(record.loglik) > -1e-6).all()
    assert made.objective(record.iloc[2, :-1]) == pytest.approx(record.loglik.iloc[2], abs=1e-8)


def test_variances_that_cannot_be_told_apart_are_named() -> None:
    """Batch with one chamber each and one schedule per batch: batch and run are the same."""
    table = crossed_table()
    table = table[table.chamber == table.batch]
    with pytest.raises(ModelError, match="the same groups"):
        fit_crossed(table, fixed="flush", random=["batch", "batch:chamber"])


def test_refit_and_profile() -> None:
    made = fit_crossed(crossed_table())
    assert made.refit(response=made.y * 2).loglik == pytest.approx(
        made.loglik - (made.n - made.p) * np.log(2), abs=1e-6
    )
    at = float(made.variances["batch"])
    assert made.profile_loglik("batch", at) == pytest.approx(made.loglik, abs=1e-8)
    lower = made.profile_loglik("batch", at * 4)
    assert lower < made.loglik
    keep = np.ones(made.n, dtype=bool)
    keep[:40] = False
    assert made.refit(keep=keep).n == made.n - 40
