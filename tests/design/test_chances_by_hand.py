"""Chances at their ends, and efficiency where nothing is left: limits that must hold."""

import math
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats

from trialkit.design.layout.efficiency import average_efficiency, block_design_efficiency
from trialkit.design.layout.restriction_cost import free_efficiency
from trialkit.design.power import looks
from trialkit.design.power.exact import beyond_f, beyond_t, power_f, power_t, smallest_for
from trialkit.design.power.noise import stratum_sd, take_by_batch

RUNS = ("batch", "chamber")


def test_without_error_to_judge_by_there_is_no_chance() -> None:
    """No degrees of freedom, or no finite effect: none. With half a one there is some."""
    assert power_f(5.0, 2, 0) == power_f(5.0, 0, 5) == power_f(math.inf, 2, 5) == 0.0
    assert power_t(3.0, 0) == power_t(math.nan, 5) == power_t(3.0, -1) == 0.0
    assert power_f(5.0, 2, 0.5) > 0.05
    assert power_f(5.0, 0.5, 5) > 0.05
    assert power_t(3.0, 0.5) > 0.05


@pytest.mark.parametrize("ncp", [0.0, 0.7, 6.0, 20.0])
@pytest.mark.parametrize("df", [1.0, 3.0, 11.5])
def test_chances_are_those_of_scipys_laws(ncp: float, df: float) -> None:
    at = stats.f.ppf(0.95, 2, df)
    law = stats.ncf(2, df, ncp) if ncp else stats.f(2, df)
    assert power_f(ncp, 2, df) == pytest.approx(law.sf(at), abs=1e-8)
    assert beyond_f(-1.0, 2, df, np.array([at]))[0] == pytest.approx(0.05)  # never below nought
    for level in (0.9, 0.95):
        both, one = stats.t.ppf(0.5 + level / 2, df), stats.t.ppf(level, df)
        law = stats.nct(df, ncp)
        below = float(np.nan_to_num(law.cdf(-both)))  # far out scipy gives none: it is nought
        assert power_t(ncp, df, level=level) == pytest.approx(law.sf(both) + below, abs=1e-7)
        assert power_t(ncp, df, level=level, sides=1) == pytest.approx(law.sf(one), abs=1e-7)
    assert power_t(ncp, df, critical=1.5, sides=1) == pytest.approx(stats.nct.sf(1.5, df, ncp))


def test_far_out_a_chance_is_nearly_sure() -> None:
    """Beyond where the exact law can be worked out, both are 1 to many digits."""
    assert beyond_f(1e9, 2, 20.0, np.array([3.5]))[0] == pytest.approx(1.0, abs=1e-9)
    assert beyond_t(1e5, 20.0, np.array([2.1]))[0] == pytest.approx(1.0, abs=1e-9)
    assert beyond_t(60.0, 5.0, np.array([1e4]), sides=1)[0] == pytest.approx(0.0, abs=1e-3)


def test_the_smallest_effect_of_a_rising_chance() -> None:
    """1 − e^(−x) reaches 0.8 at ln 5; what starts above it at nought; what stays below never."""

    def rising(x: float) -> float:
        return 1 - math.exp(-x)

    for start in (0.01, 1.0, 50.0):
        assert smallest_for(rising, 0.8, start=start) == pytest.approx(math.log(5), abs=1e-8)
    assert smallest_for(lambda x: 0.8 + x, 0.8, start=1.0) == 0.0
    assert smallest_for(lambda x: 0.5 * rising(x), 0.8, start=1.0) == math.inf


# ------------------------------------------------------------------ efficiency


def test_efficiency_where_one_treatment_or_none_is_compared() -> None:
    """One alone keeps all; a square keeps all; treatments in blocks of their own keep none."""
    assert average_efficiency(np.zeros((1, 1)), [4.0]) == 1.0
    assert free_efficiency(SimpleNamespace(square=3), np.arange(3), 3) == 1.0
    assert block_design_efficiency([[0, 0], [1, 1]], 2) == 0.0
    assert block_design_efficiency([[0, 1], [0, 2], [1, 2]], 3) == pytest.approx(0.75)  # λv/(rk)
    assert block_design_efficiency([[0, 1, 2]] * 2, 3) == pytest.approx(1.0)


# ------------------------------------------------------------------ variances


def test_what_a_treatment_does_by_batch_is_taken_out_of_its_stratum() -> None:
    """A pilot's 9 of 36 in runs, twice in each batch: 36 − 2 · 9 are left; scaled where planned."""
    comparison = SimpleNamespace(name="light", stratum=RUNS)
    pilot = SimpleNamespace(
        by_batch={"batch:chamber": (9.0, 2.0)}, point=lambda end: {"batch:chamber": 36.0}
    )
    phi = {"batch:chamber": 36.0}
    assert take_by_batch(phi, comparison, pilot, "light") == 3.0
    assert phi["batch:chamber"] == 18.0
    phi = {"batch:chamber": 144.0}  # four times the pilot's
    assert take_by_batch(phi, comparison, pilot, "light") == 6.0
    assert phi["batch:chamber"] == 72.0
    pilot.by_batch = {"batch:chamber": (30.0, 2.0)}  # more than there is: all of it
    phi = {"batch:chamber": 36.0}
    assert take_by_batch(phi, comparison, pilot, "light") == pytest.approx(18**0.5)
    assert phi["batch:chamber"] == 0.0
    for kept in ({"batch:chamber": (0.0, 2.0)}, {}):
        pilot.by_batch, phi = kept, {"batch:chamber": 36.0}
        assert take_by_batch(phi, comparison, pilot, "light") == 0.0
        assert phi["batch:chamber"] == 36.0
    pilot.by_batch = {"batch:chamber": (9.0, 2.0)}
    assert take_by_batch(phi, comparison, pilot, "spawn") == 0.0


def test_spread_of_a_stratum_with_what_stands_for_it() -> None:
    """Weights 2 and 1 of variances 4 and 8 are 16; its own and the one merged into it 12."""
    comparison = SimpleNamespace(
        contrast_weights=lambda stratum, n: {"batch:chamber": 2.0, "block": 1.0},
        stands_for={RUNS: RUNS, ("block",): RUNS, ("batch",): ("batch",)},
    )
    phi = {"batch:chamber": 4.0, "block": 8.0, "batch": 100.0}
    assert stratum_sd(phi, comparison, RUNS, 24) == pytest.approx((4.0, 12**0.5))


@pytest.mark.parametrize(
    ("variances", "shares"),
    [
        ([8.0, 4.0, 2.0], [0.25, 0.5, 1.0]),  # information against the end's
        ([8.0, None, 2.0], [0.25, 4 / 6, 1.0]),  # unknown: by batches
        ([2.0, 1.9, 2.0], [2 / 6, 4 / 6, 1.0]),  # none below the end's
        ([8.0, 10.0, 2.0], [0.25, 0.251, 1.0]),  # each look tells more than the one before
        ([math.inf, 4.0, 2.0], [2 / 6, 0.5, 1.0]),
        ([8.0, 4.0, None], [2 / 6, 4 / 6, 1.0]),
    ],
)
def test_shares_of_information_at_looks(
    variances: list[float | None], shares: list[float], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Looks after two and four of six batches."""
    at = {n: None if v is None else SimpleNamespace(
              left_df=lambda free=0: 9.0, v=v,
              solve=lambda phi: SimpleNamespace(free_df=lambda: 0, covariance=lambda rows: None))
          for n, v in zip((2, 4, 6), variances, strict=True)}  # fmt: skip
    monkeypatch.setattr(looks, "comparison_after", lambda trial, n: at[n])
    monkeypatch.setattr(looks, "_variance", lambda c, reference, spread: c.v)
    monkeypatch.setattr(looks, "error_df_after", lambda *_: 5.0)
    trial = SimpleNamespace(
        counts={"batch": 6}, question=SimpleNamespace(looks=(2, 4, 6), primary="light"),
        primary=SimpleNamespace(levels=("a", "b"), reference="a"), structure=None, levels={},
        factors={},
    )  # fmt: skip
    plan = looks.look_plan(trial, SimpleNamespace(point=lambda end: {}))
    assert plan.shares == pytest.approx(shares)
    assert plan.batches == (2, 4, 6)
    assert plan.comparisons == 1
    assert plan.df == tuple(5.0 if v is None else 9.0 for v in variances)
