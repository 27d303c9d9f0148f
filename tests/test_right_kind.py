"""Wrong objects are refused in words: what was given, what is needed, how to get it."""

import pandas as pd
import pyarrow
import pytest

import trialkit as tk
from tests.small_trials import make_data, make_trial
from trialkit.errors import AlignError, DesignError, ModelError, ReportError, TrialkitError
from trialkit.right_kind import check_kinds


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    trial = make_trial(tmp_path_factory.mktemp("trial"))
    data = make_data(trial)
    return trial, data, tk.analyse(trial, data)


def test_wrong_objects_are_told_with_what_is_needed(made, tmp_path):
    trial, data, result = made
    for call, told in (
        (lambda: tk.decide(trial, result.fit), r"decide: 'result' must be an Analysis, not a Fit"),
        (lambda: tk.decide(data, result), r"'trial' must be a Trial, not an Aligned"),
        (lambda: tk.analyse(trial, data.table), r"'data' must be an Aligned, not a DataFrame"),
        (lambda: tk.analyse(trial, None), r"'data' must be an Aligned, not None"),
        (lambda: tk.strata("my-trial"), r"not the text 'my-trial' → .*tk\.read_trial"),
        (lambda: tk.read_harvest(tmp_path), r"read_harvest: 'trial' must be a Trial"),
        (lambda: tk.power("my-trial"), r"power: 'trial' must be a Trial"),
        (lambda: tk.assign("my-trial"), r"assign: 'trial' must be a Trial"),
        (lambda: tk.write_report(trial, result, result, "x.html"), r"must be a Verdict"),
        (lambda: tk.pool_trials(["a", "b"], level="sparse"), r"'result' must be an Analysis"),
        (lambda: tk.pool_trials([result, trial], level="sparse"), r"an Analysis, not a Trial"),
        (lambda: tk.write_for_r(result, tmp_path), r"'fit' must be a Fit, not an Analysis"),
    ):
        with pytest.raises(TrialkitError, match=told) as problem:
            call()
        assert isinstance(problem.value, TypeError)


def test_what_is_no_folder_and_no_number_is_told(made):
    trial, data, _ = made
    with pytest.raises(TrialkitError, match=r"Trial: is no folder and no file → .*read_trial"):
        tk.read_trial(trial)
    words = data.table.assign(fresh_g=data.table["fresh_g"].astype(object))
    words.loc[words.index[3], "fresh_g"] = "308,5"
    with pytest.raises(AlignError, match=r"fresh_g has cells that are no numbers, such as '308,5'"):
        tk.align(trial, words)


def test_an_object_of_the_users_own_may_stand_in():
    class Borrowed:
        pass

    class Analysis(Borrowed):
        pass

    check_kinds("decide", trial=Borrowed(), result=Analysis())


def test_a_wrong_table_for_a_figure_is_told(made):
    _, _, result = made
    with pytest.raises(
        ReportError, match=r"effects: 'differences' lacks 'low', 'high'; it has num_df"
    ):
        tk.figures.effects(result.tests, quantity="yield")
    with pytest.raises(ReportError, match=r"'means' must be a table, not Fit"):
        tk.figures.yield_by_level(result.fit)
    with pytest.raises(ReportError, match=r"'variances' must be a table, not list"):
        tk.figures.variance_shares([1.0, 2.0])


def test_one_question_may_be_given_as_text(made):
    trial = made[0]
    one = tk.power(trial, questions="no worse")
    assert one.table.equals(tk.power(trial, questions=("no worse",)).table)
    with pytest.raises(DesignError, match="unknown question 'better'"):
        tk.power(trial, questions="better")


def test_a_table_of_another_library_gives_the_same_fit():
    table = pd.DataFrame(
        {"box": list("AABBCC"), "mist": ["low", "high"] * 3, "g": [410.0, 402, 395, 380, 441, 420]}
    )
    options = {"response": "g", "fixed": "mist", "random": "box"}
    fits = [tk.fit(t, **options) for t in (table, pyarrow.Table.from_pandas(table))]
    assert fits[0].tests().equals(fits[1].tests())
    with pytest.raises(ModelError, match="pandas, polars or pyarrow, not list"):
        tk.fit([1, 2], **options)


def test_a_variance_below_zero_has_no_bar_and_is_told():
    ax = tk.figures.variance_shares(pd.Series({"batch": 100.0, "chamber": -25.0}), unit="g")
    assert [bar.get_width() for bar in ax.patches] == [10.0, 0.0]
    assert [t.get_text() for t in ax.texts if "zero" in t.get_text()] == ["estimated below zero"]
