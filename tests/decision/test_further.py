"""A new setting is proposed only where limits carry it: between two levels, or half the lowest."""

import pandas as pd
import pytest

import trialkit as tk
from tests.small_trials import make_data, make_trial
from trialkit.decision.further import next_setting


def analysed(folder, effect):
    trial = make_trial(folder)
    data = make_data(trial, effect=effect, sd_run=2, sd_block=4)
    return trial, tk.decide(trial, tk.analyse(trial, data))


def test_it_lies_between_what_holds_and_what_loses(tmp_path):
    """Duties 8.33 and 4.17 %, the second 20 % worse: halfway is 6.25 %, 20 s on and 300 s off."""
    trial, verdict = analysed(tmp_path, 0.8)
    found = next_setting(trial, verdict.table)
    assert (found.on_s, found.off_s) == (20, 300)
    assert found.duty_pct == pytest.approx(6.25)
    assert "10 %" in found.sentence
    assert found.sentence in verdict.next_steps


def test_where_the_lowest_holds_it_is_half_of_it(tmp_path):
    trial, verdict = analysed(tmp_path, 1.02)
    found = next_setting(trial, verdict.table)
    assert found.duty_pct == pytest.approx(100 / 48, abs=0.01)
    assert found.sentence in verdict.next_steps


LADDER = """
levels.a = { on_s = 20, off_s = 380 }
levels.b = { on_s = 20, off_s = 780 }
levels.held = { start_below_rh = 85, stop_above_rh = 92 }
"""


@pytest.mark.parametrize(
    ("answers", "duty"),
    [
        # usual 8.33 %, a 5 %, sparse 4.17 %, b 2.5 %; held by a sensor: no duty
        (("no worse", "better", "no worse", "worse"), 1.25),
        (("no worse", "no worse", "worse", "better"), (100 / 24 + 2.5) / 2),
        (("no worse", "worse", "worse", "no worse"), (5 + 100 / 24) / 2),
        (("worse", "better", "better", "better"), (100 / 12 + 5) / 2),
        (("no worse", "not enough evidence", "worse", "no worse"), None),
        (("depends", "no worse", "worse", "no worse"), None),
    ],
)
def test_an_open_level_ends_the_search_and_the_first_that_loses_brackets_it(
    tmp_path, answers, duty
):
    make_trial(tmp_path)
    path = tmp_path / "trial.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("[question]", LADDER + "[question]"), encoding="utf-8")
    trial = tk.read_trial(tmp_path)
    table = pd.DataFrame({"level": ["a", "sparse", "b", "held"], "answer": answers})
    found = next_setting(trial, table)
    if duty is None:
        assert found is None
    else:
        assert found.duty_pct == pytest.approx(duty, rel=0.02)


def test_nothing_is_offered_between_a_timer_and_a_sensor():
    trial = tk.read_trial(tk.demo_folder())
    table = pd.DataFrame({"level": ["banded"], "answer": ["worse"]})
    assert next_setting(trial, table) is None
