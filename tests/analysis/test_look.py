"""A planned look: which it is, what it rests on, its limits by hand, and what is said of it."""

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

import trialkit as tk
from tests.small_trials import make_data, make_trial
from trialkit.analysis.look import batches_in
from trialkit.analysis.look_reached import look_reached
from trialkit.decision.look_due import look_due
from trialkit.design.power.looks import planned_looks


@pytest.fixture
def trial(tmp_path):
    make_trial(tmp_path, batches=6, chambers=4)
    path = tmp_path / "trial.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("margin_pct = 10", "margin_pct = 10\nlooks = [2, 4]"))
    return tk.read_trial(tmp_path)


def harvested(trial, batches, *, seed=3, part=0.0, **words):
    """Take away what is not in yet: batches after the first ones, but for a part of the next."""
    data = make_data(trial, seed=seed, **words)
    table = data.table.copy()
    late = ~table["batch"].isin(trial.levels["batch"][:batches])
    if part:
        coming = table["batch"] == trial.levels["batch"][batches]
        late &= ~(coming & (table["block"].astype(int) <= 6 * part))
    table.loc[late, "fresh_g"] = np.nan
    table["status"] = np.where(late, "missing", "ok")
    return replace(data, table=table)


def test_reached_only_when_the_batches_of_a_look_are_in_and_no_more(trial):
    assert look_reached(trial, harvested(trial, 1)) is None
    look, _ = look_reached(trial, harvested(trial, 2))
    assert (look.number, look.of, look.batches, look.following) == (1, 3, ("B1", "B2"), 4)
    assert look_reached(trial, harvested(trial, 3)) is None
    assert look_reached(trial, harvested(trial, 4))[0].number == 2
    last, _ = look_reached(trial, harvested(trial, 6))
    assert last.is_last
    assert (last.share, last.following, last.spent) == (1.0, None, pytest.approx(0.025))


def test_levels_are_those_planned_where_nothing_is_lost(trial):
    planned = planned_looks(trial)
    for number, batches in ((1, 2), (2, 4), (3, 6)):
        look, _ = look_reached(trial, harvested(trial, batches))
        assert look.share == pytest.approx(planned[number - 1].share, abs=0.02)
        assert look.level == pytest.approx(planned[number - 1].level, abs=2e-3)
        assert look.level_at_end == pytest.approx(planned[-1].level, abs=2e-3)


def test_information_is_what_the_rows_bring(trial):
    """Half of the blocks of two batches lost: these runs tell less, so less error is spent.

    By hand, with runs alike and blocks of variance s²: a run's mean has s²/6 or s²/3, so that two
    batches of halved runs hold 1/5 of the information of the other four and themselves.
    """
    data = harvested(trial, 2, sd_run=0.0, sd_block=30.0)
    table = data.table.copy()
    gone = (table["status"] == "ok") & (table["block"].astype(int) > 3)
    table.loc[gone, "status"], table.loc[gone, "fresh_g"] = "contaminated", np.nan
    look, _ = look_reached(trial, replace(data, table=table))
    whole, _ = look_reached(trial, data)
    assert whole.share == pytest.approx(1 / 3, abs=0.01)
    assert 0.18 < look.share < 0.26  # 1/5, were the variance of runs estimated at zero
    assert look.spent < whole.spent
    assert look.level > whole.level


def test_what_is_in_of_a_later_batch_waits(trial):
    """The same answer, whenever it is asked for before the next look."""
    alone = tk.analyse(trial, harvested(trial, 2))
    partly = tk.analyse(trial, harvested(trial, 2, part=1 / 3))
    assert partly.look.later == ("B3",)
    assert partly.n_used == alone.n_used
    assert partly.ratios["low"].tolist() == alone.ratios["low"].tolist()
    verdict = tk.decide(trial, partly)
    assert "What is in of B3 waits for the next look" in verdict.sentence
    assert "B3" in {str(b) for b in partly.data.table["batch"]}  # rows stay, as not in yet


def test_batches_are_taken_in_the_order_of_their_starts(trial):
    day = dt.datetime(2031, 3, 1, tzinfo=dt.UTC)
    order = ["B3", "B1", "B2", "B4", "B5", "B6"]
    dated = {
        name: replace(trial.batches[name], start=day + dt.timedelta(days=30 * i))
        for i, name in enumerate(order)
    }
    trial = replace(trial, batches=dated)
    data = harvested(trial, 6)
    table = data.table.copy()
    late = ~table["batch"].isin(["B1", "B3"])
    table.loc[late, "status"], table.loc[late, "fresh_g"] = "missing", np.nan
    look, _ = look_reached(trial, replace(data, table=table))
    assert look.batches == ("B3", "B1")
    table.loc[table["batch"] == "B1", "status"] = "missing"
    table.loc[table["batch"] == "B6", "status"] = "ok"  # a batch out of turn: no planned look
    assert look_reached(trial, replace(data, table=table)) is None


def test_a_batch_counts_as_in_from_half_of_its_blocks(trial):
    assert batches_in(harvested(trial, 1, part=1 / 2).table)[0] == {"B1", "B2"}
    assert batches_in(harvested(trial, 1, part=1 / 3).table) == ({"B1"}, {"B1", "B2"})
    everything = harvested(trial, 5, part=1 / 6).table  # no batch is wholly absent: the end
    assert len(batches_in(everything)[0]) == 6


@pytest.mark.parametrize(("batches", "df"), [(4, 8), (6, 14)])
def test_limits_have_the_level_of_the_look(trial, batches, df):
    """Differences beside ordinary least squares, t quantiles and the level of the look.

    Runs 4n − 1, batches n − 1, chambers 3, schedules 1: 3n − 4 are left where the analysis has
    no batch × schedule in its error; a seed is chosen with which it has none.
    """
    for seed in range(1, 40):
        data = harvested(trial, batches, seed=seed)
        result = tk.analyse(trial, data)
        if not any("schedule" in term for term in result.fit.spec.random):
            break
    look, row = result.look, result.differences["schedule"].iloc[0]
    assert row["df"] == pytest.approx(df, rel=1e-3)
    wide = stats.t.ppf((1 + look.level) / 2, row["df"]) * row["se"]
    assert row["high"] - row["estimate"] == pytest.approx(wide, rel=1e-9)
    ratio = result.ratios.iloc[0]
    plain = tk.analyse(
        replace(trial, question=trial.question.model_copy(update={"looks": []})), data
    )
    assert ratio["ratio"] == pytest.approx(plain.ratios.iloc[0]["ratio"], rel=1e-12)
    assert ratio["low"] < plain.ratios.iloc[0]["low"]
    assert ratio["high"] > plain.ratios.iloc[0]["high"]


def test_a_clear_answer_may_end_the_trial_and_an_open_one_may_not(trial):
    clear = tk.decide(trial, tk.analyse(trial, harvested(trial, 4, effect=1.2)))
    assert clear.answer == "better"
    assert "look 2 of 3, after 4 of 6 batches" in clear.sentence
    assert clear.next_steps[0].startswith("The trial may end here")
    assert not any(f.code == "looked_early" for f in clear.findings)
    open_still = tk.decide(trial, tk.analyse(trial, harvested(trial, 2, effect=1.0, sd_run=30)))
    assert open_still.answer == "not enough evidence"
    assert len(open_still.next_steps) == 1
    assert "after batch 4 of 6" in open_still.next_steps[0]
    end = tk.decide(trial, tk.analyse(trial, harvested(trial, 6)))
    assert "the end of the trial" in end.sentence
    assert "instead of 95 %" in end.sentence


def test_a_worse_level_ends_the_trial_too(trial):
    verdict = tk.decide(trial, tk.analyse(trial, harvested(trial, 4, effect=0.6)))
    assert verdict.answer == "worse"
    assert verdict.next_steps[0].startswith("The trial may end here")


def test_a_look_not_planned_is_told_as_one(trial):
    result = tk.analyse(trial, harvested(trial, 3))
    assert result.look is None
    assert result.joint_level == 0.95
    (told,) = [f for f in tk.decide(trial, result).findings if f.code == "looked_early"]
    assert "the next look that was planned is after batch 4 of 6" in told.remedy


def test_other_responses_are_described_as_before(trial):
    data = harvested(trial, 2)
    table = data.table.assign(caps=data.table["fresh_g"] / 10)
    assert tk.analyse(trial, replace(data, table=table), response="caps").look is None


def test_when_the_next_look_is_due(trial):
    def told(batches, part=0.0):
        table = harvested(trial, batches, part=part).table
        return look_due(trial, table[table["status"] != "missing"])

    state, words = look_due(trial, None)
    assert state == "to do"
    assert "look 1 of 3 is due after batch 2 of 6; 0 are in" in str(words)
    level = planned_looks(trial)[0].level
    assert f"if limits of about {100 * level:.4f} %" in str(words)
    assert "not worse by more than 10 %" in str(words)
    assert told(2)[0] == "under way"
    assert "look 1 of 3 is due now" in str(told(2)[1])
    assert "look 2 of 3 is due after batch 4 of 6; 3 are in" in str(told(3, part=1 / 3)[1])
    assert told(6)[0] == "done"
    dated = dict(trial.batches)
    dated["B2"] = replace(dated["B2"], end=dt.datetime(2031, 4, 2, 12, tzinfo=dt.UTC))
    assert "2 Apr 2031" in str(look_due(replace(trial, batches=dated), None)[1])
    bare = replace(trial, question=trial.question.model_copy(update={"looks": []}))
    assert look_due(bare, None) is None


def test_the_status_has_a_line_for_looks(trial):
    from trialkit.status import trial_status

    table = trial_status(trial).table.set_index("step")
    assert table.loc["looks", "state"] == "to do"
