"""Many responses together must be what single fits are, one by one."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tests.model.test_reml import RANDOM, crossed_table, fit_crossed
from trialkit.errors import ModelError
from trialkit.model.batch import fit_batch, refit_batch, simulate
from trialkit.model.fit import fit

FIXED = "schedule * flush + light + days"


@pytest.mark.parametrize("variances", ["free", "nonnegative"])
@pytest.mark.parametrize("df", ["default", "kenward-roger", "satterthwaite"])
def test_batch_equals_single_fits(variances: str, df: str) -> None:
    table = crossed_table(lost=0.2, places=2)
    rng = np.random.default_rng(6)
    # little variance between units, so that boundaries, edges and switches happen
    Y = rng.normal(size=(10, len(table)))
    Y[::2] += rng.normal(size=(5, 4))[:, table.batch]
    batch = fit_batch(table, Y, fixed=FIXED, random=RANDOM, variances=variances)
    tests, light = batch.tests("schedule", df=df), batch.tests("light", df=df)
    for i, y in enumerate(Y):
        single = fit_crossed(table.assign(fresh_g=y), variances=variances)
        assert batch.loglik[i] == pytest.approx(single.loglik, abs=1e-6)
        np.testing.assert_allclose(batch.phi[i], single.variances, rtol=1e-5, atol=1e-7)
        np.testing.assert_array_equal(batch.held[i], single.optimum.held[0])
        assert batch.edge[i] == single.optimum.edge[0]
        for many, term in ((tests, "schedule"), (light, "light")):
            one = single.tests(df).loc[term]
            assert many.method[i] == one.method
            assert many.F[i] == pytest.approx(one.F, rel=1e-5)
            assert many.den_df[i] == pytest.approx(one.den_df, rel=1e-5)
            assert many.p[i] == pytest.approx(one.p, rel=1e-5)
    if variances == "nonnegative":
        assert batch.held.any()
    else:
        assert (batch.phi < 0).any()


def test_passes_do_not_matter(monkeypatch: pytest.MonkeyPatch) -> None:
    from trialkit.model import batch as module

    table = crossed_table()
    Y = np.random.default_rng(1).normal(size=(12, len(table)))
    whole = fit_batch(table, Y, fixed=FIXED, random=RANDOM).tests("schedule")
    monkeypatch.setattr(module, "MOST_NUMBERS", 60_000)
    parts = fit_batch(table, Y, fixed=FIXED, random=RANDOM)
    assert len(parts.states) > 1
    pd.testing.assert_frame_equal(parts.tests("schedule"), whole, rtol=1e-6)


def test_contrast_equals_single() -> None:
    made = fit_crossed(crossed_table())
    Y = np.stack([made.y, made.y * 2 + 5])
    row = np.zeros(len(made.names))
    row[1] = 1.0
    many = refit_batch(made, Y).contrast(row)
    one = made.contrast(row)
    for column in ("estimate", "se", "df", "p", "low", "high"):
        assert many[column][0] == pytest.approx(one[column][0], rel=1e-6)
    assert many.estimate[1] == pytest.approx(2 * many.estimate[0])


def test_simulated_responses_have_the_covariance_of_the_fit() -> None:
    from tests.model.test_reml import indicator

    table = crossed_table(places=3)
    made = fit_crossed(table)
    Y = simulate(made, 40_000, seed=3) - made.fitted_fixed
    V = made.variances["residual"] * np.eye(made.n)
    for g in made.groupings:
        V += made.variances[g.term.name] * indicator(g) @ indicator(g).T
    rng = np.random.default_rng(0)
    for _ in range(5):
        v = rng.normal(size=made.n)
        drawn, expected = (Y @ v).var(), v @ V @ v
        assert drawn == pytest.approx(expected, rel=5 * np.sqrt(2 / 40_000))
    assert np.array_equal(simulate(made, 2, seed=9), simulate(made, 2, seed=9))


def test_bootstrap_centres_on_the_fit() -> None:
    made = fit_crossed(crossed_table(places=2))
    drawn = refit_batch(made, simulate(made, 400, seed=1))
    assert drawn.summary["settled"] > 0.99
    se = drawn.variances.std() / np.sqrt(400)
    assert ((drawn.variances.mean() - made.variances).abs() < 4.5 * se).all()


def test_bad_batches_are_refused() -> None:
    table = crossed_table()
    good = np.random.default_rng(1).normal(size=(3, len(table)))
    with pytest.raises(ModelError, match="values each"):
        fit_batch(table, good[:, 1:], fixed=FIXED, random=RANDOM)
    with pytest.raises(ModelError, match="finite"):
        fit_batch(table, np.where(good > 2, np.nan, good), fixed=FIXED, random=RANDOM)
    with pytest.raises(ModelError, match="constant"):
        fit_batch(table, np.vstack([good, np.ones(len(table))]), fixed=FIXED, random=RANDOM)
    with pytest.raises(ModelError, match="missing values"):
        fit_batch(
            table.assign(days=table.days.where(table.index > 2)), good, fixed=FIXED, random=RANDOM
        )


def test_one_response_without_random_terms() -> None:
    table = crossed_table()
    y = np.random.default_rng(1).normal(size=len(table))
    single = fit(table.assign(y=y), response="y", fixed="schedule")
    many = fit_batch(table, y, fixed="schedule")
    assert many.tests("schedule").p[0] == pytest.approx(single.tests().p["schedule"], rel=1e-9)
