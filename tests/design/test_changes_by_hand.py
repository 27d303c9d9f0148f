"""What changes to a trial buy, and the ways over time, from chances that are given."""

import math
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from tests.design.stand_ins import power_of, trial_of
from trialkit.design.power import changes, over_time
from trialkit.design.power.changes import (
    _changes,
    _detectable,
    _larger_loss,
    _priced,
    whole_loss,
    worth_saying,
)
from trialkit.design.power.over_time import OverTimeChoice
from trialkit.errors import PlanError

# ------------------------------------------------------------------ changes


def test_whole_losses_are_rounded_up_but_for_rounding():
    assert [whole_loss(x) for x in (11.0, 11.0000005, 11.00001, 0.0)] == [11, 11, 12, 0]
    assert whole_loss(math.inf) == math.inf


def test_a_change_is_worth_saying_from_two_hundredths_or_two_percent_on():
    """Now 0.5 and 20 %: 0.52 is, 0.519 is not; 18 % is, 18.5 % (19 whole) is not."""
    rows = [(0.5, 20.0), (0.52, 20.0), (0.519, 20.0), (0.5, 18.0), (0.5, 18.5), (0.4, 25.0)]
    bought = pd.DataFrame(rows, columns=["chance", "detectable_pct"])
    assert worth_saying(bought).index.tolist() == [1, 3]
    never = pd.DataFrame([(0.5, math.inf), (0.5, math.inf), (0.5, 60.0)], columns=bought.columns)
    assert worth_saying(never).index.tolist() == [2]
    assert worth_saying(bought.iloc[:0]).empty


def test_a_larger_loss_is_proposed_between_that_accepted_and_all():
    power = power_of(asked=SimpleNamespace(margin_pct=10.0))
    for enough, margin in ((11.2, 12), (98.5, 99), (10.0, None), (9.2, None), (99.5, None),
                           (math.inf, None)):  # fmt: skip
        found = _larger_loss(power, enough)
        assert (None if found is None else found.margin_pct) == margin


def test_a_loss_of_all_is_none_that_can_be_told(monkeypatch):
    """Chances reach the aim at 30, 99.9 and 100.1 %; the first is that of little variation."""
    ends = (100.1, 99.9, 30.0)

    def chance(c, question, variation, wanted, *, effect):
        assert question == "no worse"
        return tuple(0.8 * effect / end for end in ends)

    monkeypatch.setattr(changes, "chance", chance)
    found = _detectable(None, None, None, 0.8)
    assert found == (pytest.approx(30), pytest.approx(99.9), math.inf)


def test_the_last_level_beside_the_control_is_the_one_left_out(make_trial):
    """Of a, b, c with c the control, b goes; its replication goes along. Two levels stay two."""
    units = "structure = '(batch * chamber) / block'\nbatch = 2\nchamber = 8\nblock = 3"

    def kinds(levels, more=""):
        trial = make_trial(units, {"mist": ("batch:chamber", levels, more)})
        power = power_of(trial, asked=SimpleNamespace(margin_pct=10.0))
        return list(_changes(power))

    found = kinds(["a", "b", "c"], "control = 'c'\nreplication = { a = 1, b = 2, c = 1 }")
    assert [c.kind for c in found] == ["as it is", *["more units"] * 3, "fewer levels"]
    assert found[-1].level == "b"
    assert list(found[-1].trial.factors["mist"].levels) == ["a", "c"]
    assert found[-1].trial.factors["mist"].replication == {"a": 1, "c": 1}
    assert [c.trial.counts[c.unit] for c in found[1:4]] == [3, 9, 4]
    assert [c.added for c in found[1:4]] == [1, 1, 1]
    assert kinds(["a", "b", "c", "d"], "control = 'c'")[-1].level == "d"
    assert [c.kind for c in kinds(2)] == ["as it is", *["more units"] * 3]


def test_what_a_second_box_saves():
    """From 10 batches of one box to 6 of two: four fewer at 50, and 10 − 12 runs of 8 blocks."""
    counts = {"batch": 10, "chamber": 1, "shelf": 2, "block": 4}
    box = _priced(trial_of(counts, batch_each=50, block_each=3, chamber_each=900), 6)
    assert (box.batches, box.saved, box.box_cost) == (6, 4, 900)
    assert box.batch_cost == 4 * 50 - 2 * 8 * 3
    assert _priced(trial_of(counts, batch_each=50), 6).batch_cost == 200
    assert _priced(trial_of(counts, block_each=3), 6).batch_cost == -48
    bare = _priced(trial_of(counts, chamber_each=900), 6)
    assert math.isnan(bare.batch_cost)
    bare = _priced(trial_of(counts), 6)
    assert math.isnan(bare.box_cost)
    assert math.isnan(bare.batch_cost)


def test_the_fewest_batches_of_two_boxes_that_tell_as_much(monkeypatch):
    """One box tells 20 %; two boxes 50, 30, 20, 10 … with 2, 3, 4, 5 batches; 3 cannot be laid."""
    trial = trial_of({"batch": 10, "chamber": 1, "block": 6})
    told = {2: 50.0, 4: 20.0, 5: 10.0}

    def compared(power, change):
        n = change.trial.counts["batch"]
        if change.kind == "as it is":
            return (20.0,)
        assert change.trial.counts["chamber"] == 2
        return (told[n],) if n in told else None

    monkeypatch.setattr(changes, "_compared", compared)
    monkeypatch.setattr(changes, "_detectable", lambda loss, aim: (0.0, loss, 99.0))
    monkeypatch.setattr(changes, "one_box", lambda trial: True)
    monkeypatch.setattr(
        changes, "with_counts", lambda trial, counts: trial_of({**trial.counts, **counts})
    )
    power = power_of(trial, asked=SimpleNamespace(margin_pct=10.0))
    assert changes.second_box(power).batches == 4
    told[4] = 20.1
    assert changes.second_box(power).batches == 5
    told.clear()
    told[10] = 20.0
    assert changes.second_box(power).batches == 10  # even as many
    told.clear()
    assert changes.second_box(power) is None
    two = power_of(trial_of({"batch": 10, "chamber": 2, "block": 6}), asked=power.asked)
    assert changes.second_box(two) is None


# ------------------------------------------------------------------ over time


def widths_of(monkeypatch, ways):
    monkeypatch.setattr(over_time, "one_box", lambda trial: True)
    monkeypatch.setattr(over_time, "over_starts", lambda trial: {"mist": None})
    monkeypatch.setattr(over_time, "replace", lambda trial, over_time: over_time)
    monkeypatch.setattr(over_time, "_widths", lambda way, name: ways.get(way))
    return over_time.choose_over_time(SimpleNamespace(primary=SimpleNamespace(name="mist")))


def test_a_way_is_taken_where_its_limits_are_narrower_by_two_percent(monkeypatch):
    """Widths over those of chance without drift, averaged over little, middle, much variation."""
    alike = np.tile([[2.0], [4.0], [8.0]], (1, 3))
    chance = alike * [1.0, 1.2, 1.4]  # expected 1.2
    for share, chosen in ((1.17, "trend"), (1.179, "random"), (1.3, "random")):
        found = widths_of(monkeypatch, {"random": (8, chance), "trend": (7, alike * share)})
        assert found.chosen == chosen
        table = found.table.set_index("over_time")
        assert table.loc["random", "no_drift":"expected"].tolist() == pytest.approx(
            [1, 1.2, 1.4, 1.2]
        )
        assert table.loc["trend", "expected"] == pytest.approx(share)
        assert table["error_df"].to_dict() == {"random": 8, "trend": 7}
    # what only the grower can say is never chosen, and without chance there is no choice
    ways = {"random": (8, chance), "split deliveries": (7, alike * 0.5)}
    assert widths_of(monkeypatch, ways).chosen == "random"
    assert widths_of(monkeypatch, {"trend": (7, alike)}) is None


def test_the_reason_tells_the_gain_and_the_others_their_loss():
    """Chosen 0.9 calm and 1.2 at most against 1 and 1.6: 10 % and 25 % narrower; 1.3 over 1.04."""
    table = pd.DataFrame(
        [["random", 8, 1.0, 1.3, 1.6, 1.3], ["trend", 7, 0.9, 1.02, 1.2, 1.04]],
        columns=["over_time", "error_df", "no_drift", "some_drift", "much_drift", "expected"],
    )
    choice = OverTimeChoice(SimpleNamespace(counts={"batch": 10}), "trend", table)
    values = choice.reason.values
    assert choice.reason.key == "over_time.reason.trend"
    assert (values["starts"], values["df"], values["random_df"], values["most"]) == (10, 7, 8, 30)
    assert (values["calm"], values["drifting"]) == pytest.approx((10, 25))
    (other,) = choice.other_ways
    assert other.key == "over_time.other.random"
    assert other.values["df"] == 8
    assert other.values["change"] == pytest.approx(25)


def test_few_boxes_that_share_their_starts_can_swap(monkeypatch):
    """Two boxes and two schedules at each start; 9 df by chance, 8 when they swap in turn."""
    trial = SimpleNamespace(primary=SimpleNamespace(name="mist"), counts={"chamber": 2},
                            over_time="random")  # fmt: skip
    monkeypatch.setattr(over_time, "over_starts", lambda trial: {"mist": None})
    monkeypatch.setattr(over_time, "combinations_over_starts", lambda trial: 2)
    monkeypatch.setattr(over_time, "replace", lambda trial, over_time: over_time)
    df = {"random": 9, "time blocks": 8}
    monkeypatch.setattr(
        over_time, "compare_in", lambda way, name, quick: SimpleNamespace(error_df=df[way])
    )
    said = over_time.boxes_that_swap(trial)
    assert said.key == "over_time.shared_or_swapped"
    assert said.values == {"boxes": 2, "df": 8, "random_df": 9}
    trial.over_time = "time blocks"
    assert over_time.boxes_that_swap(trial).key == "over_time.swapped"
    trial.counts = {"chamber": 3}
    assert over_time.boxes_that_swap(trial) is None  # not each schedule once
    trial.counts = {"chamber": 1}
    monkeypatch.setattr(over_time, "combinations_over_starts", lambda trial: 1)
    assert over_time.boxes_that_swap(trial) is None
    trial.counts = {}
    assert over_time.boxes_that_swap(trial) is None
    trial.counts = {"chamber": 2}
    monkeypatch.setattr(over_time, "combinations_over_starts", lambda trial: 2)

    def refused(way, name, quick):
        raise PlanError("no")

    monkeypatch.setattr(over_time, "compare_in", refused)
    assert over_time.boxes_that_swap(trial).key == "over_time.shared"
    monkeypatch.setattr(over_time, "over_starts", lambda trial: {"light": None})
    assert over_time.boxes_that_swap(trial) is None
