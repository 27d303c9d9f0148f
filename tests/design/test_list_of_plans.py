"""The list that a restricted plan is drawn from: each plan once, and none better left out."""

import numpy as np

import trialkit as tk
from trialkit.design.layout import restricted_plans

UNITS = "structure = '(batch * chamber) / block'\nbatch = {}\nchamber = {}\nblock = 2"


def listed(make_trial, batch, chamber):
    restricted_plans._known.clear()
    trial = make_trial(
        UNITS.format(batch, chamber), {"a": ("batch:chamber", 3, "apart = [['a0', 'a1']]")}
    )
    tk.assign(trial)
    (found,) = restricted_plans._known.values()
    return found


def test_a_whole_list_holds_each_plan_once(make_trial):
    """Twice the same in the list would be drawn twice as often."""
    for batch, chamber in ((2, 6), (3, 4), (2, 5)):
        found = listed(make_trial, batch, chamber)
        assert found.complete
        assert found.loss == 0
        assert len(np.unique(found.plans, axis=0)) == len(found.plans) > 1


def test_a_list_cut_short_still_holds_the_best_that_the_search_reached(make_trial, monkeypatch):
    """Stand in for a list cut short: a single poor plan of it was seen; the search knows better."""
    whole = listed(make_trial, 2, 6)

    def cut_short(target, constraints, **options):
        plans = np.repeat(np.arange(len(target)), target)[None, :]  # all of a level in a row
        return plans, False

    monkeypatch.setattr(restricted_plans, "every_plan", cut_short)
    found = listed(make_trial, 2, 6)
    restricted_plans._known.clear()
    assert not found.complete
    assert found.kept > 0.85 * whole.kept
