"""Results give their table and plain values, and an analysis is asked as a fit is."""

import json
import pickle

import numpy as np
import pandas as pd
import pytest

import trialkit as tk
from tests.small_trials import make_data, make_trial
from trialkit.errors import Finding, TrialkitError
from trialkit.tabular import plain_value


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    trial = make_trial(tmp_path_factory.mktemp("trial"))
    data = make_data(trial)
    return trial, data, tk.analyse(trial, data)


@pytest.fixture(scope="module")
def results(made):
    trial, data, result = made
    plan = tk.assign(trial)
    return {
        "strata": tk.strata(trial), "power": tk.power(trial), "plan": plan, "aligned": data,
        "analysis": result, "verdict": tk.decide(trial, result),
        "redrawn": tk.randomisation_test(trial, plan, data, draws=99),
    }  # fmt: skip


def test_every_result_gives_its_table_and_plain_values(results):
    for name, one in results.items():
        frame = one.to_frame()
        pd.testing.assert_frame_equal(frame, one.table)
        frame.iloc[:, 0] = None  # a copy: what is done to it does not touch the result
        assert not one.table.iloc[:, 0].isna().all(), name
        told = one.to_dict()
        assert json.loads(json.dumps(told, allow_nan=False)) == told, name
        assert set(told) >= {"sentence"} or len(told.get("table", told.get("means"))) > 0


def test_a_fit_gives_its_coefficients(made):
    fitted = made[2].fit
    frame = fitted.to_frame()
    assert frame["coefficient"].tolist() == list(fitted.names)
    told = fitted.to_dict()
    assert told["response"] == fitted.spec.response
    assert told["variances"]["residual"] == pytest.approx(float(fitted.variances["residual"]))
    assert [row["term"] for row in told["tests"]] == list(fitted.tests().index)
    assert json.loads(json.dumps(told, allow_nan=False)) == told


def test_values_become_plain():
    when = pd.Timestamp("2031-02-01", tz="UTC")
    assert plain_value(
        {
            1: np.array([[1.5, np.nan]]), "when": when, "none": pd.NaT, "s": {"b", "a"},
            "series": pd.Series([np.int64(3)], index=["x"]), "yes": np.bool_(True),
            "found": Finding("few_df", "caution", "Few.", "More."),
        }
    ) == {
        "1": [[1.5, None]], "when": str(when), "none": None, "s": ["a", "b"],
        "series": {"x": 3}, "yes": True,
        "found": {"code": "few_df", "severity": "caution", "message": "Few.", "remedy": "More."},
    }  # fmt: skip


def test_an_analysis_is_asked_as_a_fit_is(made):
    trial, _, result = made
    primary = trial.question.primary
    for held in (result.means, result.differences):
        pd.testing.assert_frame_equal(held(primary), held[primary])
        pd.testing.assert_frame_equal(held(), held[primary])
        assert held(primary) is not held[primary]
        with pytest.raises(TrialkitError, match="no treatment is called 'timing': use 'schedule'"):
            held("timing")
        with pytest.raises(KeyError):
            held["timing"]
    pd.testing.assert_frame_equal(result.tests(), pd.DataFrame(result.tests))
    assert list(result.tests().columns) == list(result.fit.tests().columns)
    assert type(result.tests.reset_index()) is pd.DataFrame
    again = pickle.loads(pickle.dumps((result.tests, result.means)))
    assert again[0]().equals(result.tests())
    assert again[1]().equals(result.means())


def test_predictions_of_an_analysis_average_to_its_means(made):
    """Equal weights over the other treatments and flushes: that is what a marginal mean is."""
    trial, _, result = made
    others = {n: f.levels for n, f in trial.factors.items() if n != trial.question.primary}
    flushes = result.fit.design.levels.get("flush", (1,))
    asked = pd.MultiIndex.from_product(
        [list(trial.primary.levels), *map(list, others.values()), list(flushes)],
        names=[trial.question.primary, *others, "flush"],
    ).to_frame(index=False)
    found = result.predict(asked)["estimate"].groupby(asked[trial.question.primary]).mean()
    means = result.means().set_index("level")["estimate"]
    assert found[means.index].to_numpy() == pytest.approx(means.to_numpy(), rel=1e-9)
