"""Ratios of run totals, found by trying ratios twice: coarsely, then between two of them."""

from types import SimpleNamespace

import numpy as np
import pytest

from tests.small_trials import make_data, make_trial
from trialkit.analysis import by_run
from trialkit.decision.use import run_totals


@pytest.mark.parametrize("again", [1e-16, -1e-16], ids=["above nought", "below nought"])
def test_a_line_that_meets_nought_at_a_ratio_tried_has_it_there(tmp_path, monkeypatch, again):
    """Worked out a second time the line may lie a rounding above nought at the same ratio."""
    trial = make_trial(tmp_path)
    totals = run_totals(trial, make_data(trial))
    fit = by_run.fit_by_run(trial, totals, "kg")

    def times(fit, ratios, scaled):
        line = -np.log(ratios)  # nought at a ratio of 1, which is among those tried
        line[np.isclose(ratios, 1)] = -1e-16 if len(ratios) == 41 else again
        values = dict.fromkeys(("estimate", "low", "high"), line[:, None])
        return SimpleNamespace(limits=lambda L, level: values)

    monkeypatch.setattr(by_run, "_times", times)
    found = by_run._ratios(fit, "schedule", "usual")["sparse"]
    assert found == pytest.approx({"ratio": 1.0, "low": 1.0, "high": 1.0}, abs=1e-9)
