"""While planned batches are to come the advice is to finish them, counted by hand."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import trialkit as tk
from tests.small_trials import make_data, make_trial
from trialkit.decision.settle import settle_in_words

LOOKS = """
[question]
primary = "schedule"
looks = [2]
"""


def first_batches(trial, n, **options):
    """Keep the harvest of the first batches; the others are still to come."""
    data = make_data(trial, **options)
    table = data.table.copy()
    late = table["batch"].astype(str).isin(list(trial.levels["batch"])[n:])
    table.loc[late, "fresh_g"], table.loc[late, "status"] = np.nan, "missing"
    return replace(data, table=table)


@pytest.mark.parametrize(
    ("done", "told"),
    [
        (1, "4 of 5 planned batches are still to come"),
        (4, "1 of 5 planned batches is still to come"),
    ],
)
def test_an_open_answer_before_the_end_is_no_reason_for_more_batches(tmp_path, done, told):
    trial = make_trial(tmp_path, batches=5, chambers=6)
    verdict = tk.decide(trial, tk.analyse(trial, first_batches(trial, done, effect=0.9, sd_run=40)))
    assert verdict.answer == "not enough evidence"
    (step,) = verdict.next_steps
    assert step.startswith(f"Carry on as planned: {told}. Change nothing until then.")
    assert "Take the answer when all are in" in step
    assert str(settle_in_words(verdict.settle, verdict.needed)) not in step
    assert not any(word in step for word in ("more batches", "clear answer", "Do not look"))


def test_after_the_last_batch_it_is_said_what_would_settle_it(tmp_path):
    trial = make_trial(tmp_path, batches=2, chambers=6)
    verdict = tk.decide(trial, tk.analyse(trial, first_batches(trial, 2, effect=0.9, sd_run=40)))
    assert verdict.answer == "not enough evidence"
    assert verdict.next_steps[0] == str(settle_in_words(verdict.settle, verdict.needed))


def test_an_answer_before_the_end_is_acted_on_only_where_stricter_limits_give_it(tmp_path):
    """Equal means, 3 chamber runs of each, 10 % of 500 g accepted: 50 g.

    The error of a difference is sd x sqrt(2 / 3). With 4 df limits of 95 % reach 2.78 of it
    (t tables), those of 99.9 % 8.61: for an sd of 14 g about 32 g and 98 g, for 0.5 g about 4 g.
    """
    trial = make_trial(tmp_path, batches=4, chambers=6)
    for sd, strict in ((14.0, False), (0.5, True)):
        options = {"sd_run": sd, "sd_block": 0.5, "seed": 4}
        verdict = tk.decide(trial, tk.analyse(trial, first_batches(trial, 1, **options)))
        assert verdict.answer in ("better", "no worse")
        (early,) = [f for f in verdict.findings if f.code == "looked_early"]
        assert ("now it is that clear for sparse" in early.remedy) is strict
        assert verdict.next_steps[0].startswith("Carry on as planned") is not strict
        assert verdict.next_steps[0].startswith("Use sparse") is strict


def test_before_a_planned_look_the_advice_names_it(tmp_path):
    make_trial(tmp_path, batches=4, chambers=6)
    path = tmp_path / "trial.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace('[question]\nprimary = "schedule"\n', LOOKS), encoding="utf-8")
    trial = tk.read_trial(tmp_path)
    verdict = tk.decide(trial, tk.analyse(trial, first_batches(trial, 1, sd_run=40)))
    (step,) = verdict.next_steps
    assert "3 of 4 planned batches are still to come" in step
    assert step.endswith("Take the answer at the next planned look, after batch 2 of 4.")


def test_a_last_flush_that_is_to_come_is_waited_for(tmp_path):
    """2 batches of 2 flushes are 4 parts; flush 2 of the last batch is not in: 1 of 4."""
    text = make_trial(tmp_path, batches=2, chambers=6).source.read_text(encoding="utf-8")
    (tmp_path / "trial.toml").write_text(text.replace("flushes = 1", "flushes = 2"), "utf-8")
    trial = tk.read_trial(tmp_path)
    data = make_data(trial, sd_run=40)
    both = [data.table.assign(flush=n, fresh_g=data.table["fresh_g"] / n) for n in (1, 2)]
    last = both[1]["batch"].astype(str) == list(trial.levels["batch"])[-1]
    both[1].loc[last, "fresh_g"], both[1].loc[last, "status"] = np.nan, "missing"
    data = replace(data, table=pd.concat(both, ignore_index=True))
    verdict = tk.decide(trial, tk.analyse(trial, data))
    (step,) = verdict.next_steps
    told = "Carry on as planned: 1 of 4 flushes (counted over all batches) is still to come."
    assert step.startswith(told)
