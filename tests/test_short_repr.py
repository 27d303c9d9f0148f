"""Objects name themselves in one short line, and show their findings in HTML as in text."""

import dataclasses
import html
import pickle

import numpy as np
import pandas as pd
import pytest

import trialkit as tk
from tests.bare_plans import write_bare
from tests.lived.garage import grow, write_garage, write_mist
from trialkit.display import show_lines
from trialkit.pipeline import Pipeline
from trialkit.short_repr import short_repr

LONGEST = 2000


@pytest.fixture(scope="module")
def steps(tmp_path_factory):
    folder = tmp_path_factory.mktemp("garage")
    trial = write_garage(folder, logs=True)
    plan = tk.assign(trial)
    write_bare(plan, folder)
    grow(folder, plan.table, effect=0.9)
    write_mist(folder, plan.table.drop_duplicates(["batch", "chamber"]))
    return Pipeline(folder)


def test_a_trial_and_what_comes_of_it_can_be_stored(steps):
    """Jobs in other processes and caches of notebooks store objects; climate logs or none."""
    with_limits = (steps.trial.folder / "trial.toml").read_text(encoding="utf-8")
    assert "[logs.environment]" in with_limits
    for one in (steps.trial, steps.data, steps.result, steps.verdict):
        again = pickle.loads(pickle.dumps(one))
        assert repr(again) == repr(one)


def reached(value, seen):
    """Collect trialkit's own objects that can be reached through fields, one of each class."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        if type(value) not in seen and type(value).__module__.startswith("trialkit"):
            seen[type(value)] = value
            for field in dataclasses.fields(value):
                reached(getattr(value, field.name), seen)
    elif isinstance(value, dict):
        for one in list(value.values())[:5]:
            reached(one, seen)
    elif isinstance(value, (tuple, list)):
        for one in value[:5]:
            reached(one, seen)
    return seen


def test_every_object_names_itself_shortly(steps):
    trial, data, result = steps.trial, steps.data, steps.result
    seen = {}
    for one in (
        trial, steps.plan, steps.harvest, steps.climate, steps.mist, data, result, steps.verdict,
        result.fit.diagnose(), tk.strata(trial), tk.trial_status(trial), tk.power(trial),
        tk.dose_response(trial, data), tk.other_outcomes(trial, data),
        tk.randomisation_test(trial, steps.plan, data, draws=99),
    ):  # fmt: skip
        reached(one, seen)
    assert len(seen) > 30
    long = {kind.__name__: len(repr(one)) for kind, one in seen.items() if len(repr(one)) > LONGEST}
    assert long == {}


def test_an_analysis_shows_its_findings_in_html_as_in_text(steps):
    result = steps.result
    assert len(result.findings) > 0
    page, text = result._repr_html_(), str(result)
    for finding in result.findings:
        assert str(finding) in text
        assert html.escape(str(finding)) in page
    assert "This trial is invented" in page
    assert "This trial is invented" in text


def test_a_verdict_shows_its_next_steps_in_html_as_in_text(steps):
    verdict = steps.verdict
    for step in verdict.next_steps:
        assert f"<li>{html.escape(step)}</li>" in verdict._repr_html_()
        assert step in str(verdict)


def test_tables_and_long_collections_are_named_by_their_size():
    @dataclasses.dataclass(frozen=True)
    class Held:
        table: pd.DataFrame
        values: np.ndarray
        few: tuple
        many: dict
        words: str
        hidden: int = dataclasses.field(default=3, repr=False)
        __repr__ = short_repr

    held = Held(
        pd.DataFrame({"a": [1, 2]}), np.zeros((3, 4)), (1, "x"), dict.fromkeys(range(9)), "w" * 99
    )
    told = repr(held)
    assert "table=<2 rows × 1 columns>" in told
    assert "values=<3 × 4 values>" in told
    assert "few=(1, 'x')" in told
    assert "many=<9 entries>" in told
    assert "w" * 61 not in told
    assert "hidden" not in told


def test_lines_are_a_list_and_never_markup():
    lines = show_lines(["<b>one</b>", "two"])
    assert lines._repr_html_() == (
        '<ul class="tk-lines"><li>&lt;b&gt;one&lt;/b&gt;</li><li>two</li></ul>'
    )
    assert str(lines) == "• <b>one</b>\n• two"
    assert show_lines([]).html() == ""
