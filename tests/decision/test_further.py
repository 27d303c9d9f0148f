"""The next setting lies where the loss would reach the margin, or half below what was tried."""

import pytest

import trialkit as tk
from tests.small_trials import make_data, make_trial
from trialkit.decision.further import next_setting


def analysed(folder, effect):
    trial = make_trial(folder)
    data = make_data(trial, effect=effect, sd_run=2, sd_block=4)
    data.runs["duty_pct"] = data.runs["schedule"].map({"usual": 100 / 12, "sparse": 100 / 24})
    data.runs["duty_pct"] += 0.01 * (data.runs.index % 3)  # as delivered, never quite as set
    return trial, tk.analyse(trial, data)


def test_it_lies_where_a_line_reaches_the_margin(tmp_path):
    """Yield 500 at 8.33 % and 400 at 4.17 %: a loss of 50 (10 %) is reached at 6.25 %."""
    trial, result = analysed(tmp_path, 0.8)
    found = next_setting(trial, result)
    assert found.duty_pct == pytest.approx(6.25, abs=0.1)
    assert 100 * found.on_s / (found.on_s + found.off_s) == pytest.approx(found.duty_pct)
    assert "10 %" in found.sentence


def test_without_a_loss_it_is_half_the_lowest_tried(tmp_path):
    trial, result = analysed(tmp_path, 1.02)
    assert next_setting(trial, result).duty_pct == pytest.approx(100 / 48)


def test_nothing_is_offered_without_logged_mist(tmp_path):
    trial = make_trial(tmp_path)
    assert next_setting(trial, tk.analyse(trial, make_data(trial))) is None
