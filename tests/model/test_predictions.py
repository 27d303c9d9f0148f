"""Predictions beside those of statsmodels and by hand, and what is told where none is possible."""

import numpy as np
import pandas as pd
import pyarrow
import pytest
import statsmodels.formula.api as smf

import trialkit as tk
from trialkit.errors import ModelError


@pytest.fixture(scope="module")
def blocks():
    rng = np.random.default_rng(11)
    table = pd.DataFrame(
        {
            "chamber": np.repeat([f"T{i}" for i in range(6)], 4),
            "schedule": np.repeat(["usual", "sparse", "banded"] * 2, 4),
            "temp_c": rng.normal(15, 1.5, 24),
        }
    )
    table["fresh_g"] = 400 + 5 * table["temp_c"] + np.repeat(rng.normal(0, 20, 6), 4)
    table["fresh_g"] += rng.normal(0, 30, 24)
    return table


@pytest.mark.parametrize(
    "fixed", ["schedule + temp_c", "schedule * temp_c", "schedule + np.log(temp_c)"]
)
def test_without_random_terms_it_is_that_of_statsmodels(blocks, fixed):
    new = pd.DataFrame(
        {"schedule": ["banded", "usual", "banded"], "temp_c": [12.5, 19.0, 12.5]}, index=[7, 3, 5]
    )
    ours = tk.fit(blocks, response="fresh_g", fixed=fixed.replace("np.log", "log")).predict(
        new, level=0.9
    )
    theirs = smf.ols(f"fresh_g ~ {fixed}", blocks).fit().get_prediction(new).summary_frame(0.1)
    assert ours.index.tolist() == [7, 3, 5]
    for name, column in {
        "estimate": "mean", "se": "mean_se", "low": "mean_ci_lower", "high": "mean_ci_upper",
    }.items():  # fmt: skip
        assert ours[name].to_numpy() == pytest.approx(theirs[column].to_numpy(), rel=1e-8)
    assert ours["df"].to_numpy() == pytest.approx(24 - {"*": 6}.get(fixed[9], 4))


def test_means_of_whole_chambers_by_hand(blocks):
    """Balanced chambers: the mean of a schedule's chamber means, its error from chambers."""
    fitted = tk.fit(blocks, response="fresh_g", fixed="schedule", random="chamber")
    row = fitted.predict(pd.DataFrame({"schedule": ["sparse"]})).iloc[0]
    chambers = blocks.groupby(["schedule", "chamber"])["fresh_g"].mean()
    within = chambers.groupby("schedule").var(ddof=1).mean()  # three schedules, 1 df each
    assert row["estimate"] == pytest.approx(chambers["sparse"].mean(), rel=1e-9)
    assert row["se"] == pytest.approx(np.sqrt(within / 2), rel=1e-6)
    assert row["df"] == pytest.approx(3, rel=1e-6)


def test_without_a_table_it_is_that_of_the_rows_used(blocks):
    holes = blocks.assign(fresh_g=blocks["fresh_g"].where(blocks.index != 4))
    fitted = tk.fit(holes, response="fresh_g", fixed="schedule + temp_c", random="chamber")
    rows = fitted.predict()
    assert rows["estimate"].to_numpy() == pytest.approx(fitted.fitted_fixed, rel=1e-10)
    assert rows.index.tolist() == fitted.table.index.tolist()


def test_a_level_may_be_written_as_it_is_called(blocks):
    flushes = blocks.assign(flush=np.tile(["1", "2"], 12))
    fitted = tk.fit(flushes, response="fresh_g", fixed="flush")
    by_flush = flushes.groupby("flush")["fresh_g"].mean()
    found = fitted.predict(pd.DataFrame({"flush": [2, 1]}))["estimate"]
    assert found.tolist() == pytest.approx([by_flush["2"], by_flush["1"]])
    with pytest.raises(ModelError, match="has no level 3"):
        fitted.predict(pd.DataFrame({"flush": [3]}))


def test_tables_of_other_libraries_are_taken(blocks):
    fitted = tk.fit(blocks, response="fresh_g", fixed="schedule")
    new = pyarrow.table({"schedule": ["usual", "sparse"]})
    assert fitted.predict(new)["estimate"].tolist() == pytest.approx(
        [blocks["fresh_g"][blocks["schedule"] == name].mean() for name in ("usual", "sparse")]
    )


def test_what_cannot_be_predicted_is_told(blocks):
    fitted = tk.fit(blocks, response="fresh_g", fixed="schedule + temp_c")
    with pytest.raises(ModelError, match="lacks 'temp_c': predict needs a column for each of"):
        fitted.predict(pd.DataFrame({"schedule": ["usual"]}))
    with pytest.raises(ModelError, match="'schedule' has no level usul: use one of banded"):
        fitted.predict(pd.DataFrame({"schedule": ["usul"], "temp_c": [15.0]}))
    with pytest.raises(ModelError, match=r"not str: give its columns schedule, temp_c"):
        fitted.predict("usual")
    gap = fitted.predict(pd.DataFrame({"schedule": ["usual", None], "temp_c": [np.nan, 15.0]}))
    assert gap["estimate"].isna().all()
    assert gap["note"].tolist() == ["a value it needs is missing"] * 2


def test_a_cell_without_data_has_no_prediction(blocks):
    lights = blocks.assign(light=np.tile(["dim", "bright"], 12))
    empty = lights[(lights["schedule"] != "sparse") | (lights["light"] != "dim")]
    fitted = tk.fit(empty, response="fresh_g", fixed="schedule * light")
    rows = fitted.predict(pd.DataFrame({"schedule": ["sparse"] * 2, "light": ["dim", "bright"]}))
    assert np.isnan(rows["estimate"].iloc[0])
    assert "not estimable" in rows["note"].iloc[0]
    seen = empty[(empty["schedule"] == "sparse")]["fresh_g"].mean()
    assert rows["estimate"].iloc[1] == pytest.approx(seen)
