"""One list of adjustments: known names work everywhere they are made for, others nowhere."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests

from trialkit.errors import ModelError
from trialkit.model.answers.comparisons import adjust_rows
from trialkit.model.fit import fit
from trialkit.model.inference.adjustments import ADJUSTMENTS


@pytest.fixture(scope="module")
def made():
    rng = np.random.default_rng(3)
    table = pd.DataFrame({"chamber": np.repeat([f"T{i}" for i in range(12)], 4)})
    table["dose"] = np.repeat(["0", "10", "20", "30"] * 3, 4)
    table["light"] = np.tile(["dim", "bright"], 24)
    table["y"] = 400 + np.repeat(rng.normal(0, 20, 12), 4) + rng.normal(0, 30, 48)
    return fit(table, response="y", fixed="dose * light", random=["chamber"])


ASKED = {
    "differences": (lambda f, a: f.differences("dose", adjust=a), {"tukey", "holm", "none"}),
    "differences against": (
        lambda f, a: f.differences("dose", against="0", adjust=a),
        {"tukey", "dunnett", "holm", "none"},
    ),
    "trends": (lambda f, a: f.trends("dose", adjust=a), {"holm", "none"}),
    "interactions": (lambda f, a: f.interactions("dose:light", adjust=a), {"holm", "none"}),
    "noninferior": (
        lambda f, a: f.noninferior("dose", against="0", margin_pct=10, adjust=a),
        {"tukey", "dunnett", "none"},
    ),
}


@pytest.mark.parametrize("question", ASKED)
@pytest.mark.parametrize("adjust", [*ADJUSTMENTS, "bogus", "Holm", "", 3, ["holm"]])
def test_every_question_takes_its_own_choices_and_no_others(made, question, adjust):
    ask, choices = ASKED[question]
    if isinstance(adjust, str) and adjust in choices:
        assert set(ask(made, adjust)["adjust"]) == {ADJUSTMENTS[adjust].label}
        return
    with pytest.raises(ModelError) as told:
        ask(made, adjust)
    shown = str(told.value)
    assert repr(adjust) in shown or f'"{adjust}"' in shown
    if adjust != "dunnett":
        assert all(f'"{name}"' in shown for name in choices)


def test_holm_is_that_of_statsmodels(made):
    for table in (made.trends("dose", adjust="holm"), made.interactions("dose:light")):
        expected = multipletests(table["p_alone"], method="holm")[1]
        assert table["p"].to_numpy() == pytest.approx(expected, rel=1e-12)
        # limits by Bonferroni: t at 5 % shared by all rows (scipy)
        point = stats.t.ppf(1 - 0.025 / len(table), table["df"])
        assert (table["high"] - table["estimate"]).to_numpy() == pytest.approx(point * table["se"])


def test_what_an_adjustment_lacks_is_said(made):
    rows = made.trends("dose")[["estimate", "se", "df", "t", "p"]]
    for adjust in ("tukey", "dunnett"):
        with pytest.raises(ModelError, match="not made for"):
            adjust_rows(rows, adjust=adjust, level=0.95)
