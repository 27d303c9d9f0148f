"""Several trials together: Hartung-Knapp, and each trial shown."""

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.meta_analysis import combine_effects

import trialkit as tk
from tests.small_trials import make_data, make_trial
from trialkit.decision.pooling import log_ratio, pool_trials
from trialkit.errors import ModelError


@pytest.fixture
def results(tmp_path):
    out = []
    for i, effect in enumerate((0.95, 1.0, 0.9)):
        folder = tmp_path / str(i)
        folder.mkdir()
        trial = make_trial(folder)
        out.append(tk.analyse(trial, make_data(trial, effect=effect, sd_run=25, seed=i)))
    return out


def test_pooled_limits_are_those_of_hartung_and_knapp(results):
    """Against statsmodels' combine_effects, whose standard error carries the same scaling."""
    pairs = np.array([log_ratio(r, "sparse") for r in results])
    other = combine_effects(pairs[:, 0], pairs[:, 1] ** 2, method_re="iterated", use_t=True)
    row = pool_trials(results, level="sparse").table.set_index("trial").loc["pooled"]
    assert row["ratio"] == pytest.approx(np.exp(other.mean_effect_re), rel=1e-6)
    assert row["se_log"] == pytest.approx(other.sd_eff_w_re_hksj, rel=1e-6)
    reach = stats.t.ppf(0.975, 2) * other.sd_eff_w_re_hksj
    assert np.log(row["high"] / row["ratio"]) == pytest.approx(reach, rel=1e-6)


def test_every_trial_is_shown_and_variances_are_carried(results):
    pooled = pool_trials(results, level="sparse")
    assert len(pooled.table) == 4
    assert pooled.table["weight_pct"].iloc[:-1].sum() == pytest.approx(100)
    variances = pooled.variances.set_index("term")
    assert (variances["trials"] == 3).all()
    assert (variances["smallest"] <= variances["pooled"]).all()
    assert (variances["pooled"] <= variances["largest"]).all()


def test_one_trial_cannot_be_pooled(results):
    with pytest.raises(ModelError, match="at least two"):
        pool_trials(results[:1], level="sparse")
    with pytest.raises(ModelError, match="has no level 'banded'"):
        pool_trials(results, level="banded")
