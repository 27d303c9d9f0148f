"""What can be found with what there is, and what each change would buy, holds in simulation."""

import math

import numpy as np
import pandas as pd
import pytest

import trialkit as tk
from trialkit.design.power.changes import second_box, what_changes_buy, worth_saying
from trialkit.design.strata.comparisons import with_counts

UNITS = 'structure = "(batch * chamber) / block"\nbatch = {}\nchamber = {}\nblock = 6'
PRICES = "[prices]\nchamber_each = 300\nbatch_each = 40\nblock_each = 3"


@pytest.fixture
def trial(make_trial):
    def make(batch=3, chamber=4, levels=2, extra=PRICES, over_time=None):
        units = UNITS.format(batch, chamber) + (f'\nover_time = "{over_time}"' if over_time else "")
        return make_trial(units, {"schedule": ("batch:chamber", levels, "")}, extra=extra)

    return make


def bought(power):
    table = what_changes_buy(power)
    return table.set_index(table["change"] + table["unit"].map(lambda u: f" {u}" if u else ""))


def test_the_first_row_is_the_trial_as_it_is(trial):
    power = tk.power(trial(), method="exact")
    row = bought(power).loc["as it is"]
    asked = power.table.set_index("question").loc["no worse"]
    assert row["detectable_pct"] == pytest.approx(asked["detectable_pct"], rel=1e-6)
    assert row["chance"] == pytest.approx(asked["power"], rel=1e-9)
    assert row["detectable_low"] < row["detectable_pct"] < row["detectable_high"]


def test_changes_and_their_costs(trial):
    """By hand: a batch is 40 and 24 blocks at 3; a tent 300 and 18 blocks; a block each 12."""
    table = bought(tk.power(trial(levels=3), method="exact"))
    assert table.index.tolist() == [
        "as it is",
        "more units batch",
        "more units chamber",
        "more units block",
        "fewer levels",
        "larger loss accepted",
    ]
    costs = table["cost"]
    assert costs["more units batch"] == 40 + 24 * 3
    assert costs["more units chamber"] == 300 + 18 * 3
    assert costs["more units block"] == 12 * 3
    assert math.isnan(costs["fewer levels"])
    assert table.loc["fewer levels", "level"] == "s2"
    better = table["chance"].drop("as it is")
    assert (better > table.loc["as it is", "chance"]).all()


@pytest.mark.slow
@pytest.mark.parametrize(
    "change", ["as it is", "more units batch", "more units chamber", "fewer levels"]
)
def test_the_loss_told_from_none_is_told_8_times_in_10_in_simulated_trials(trial, change):
    """The simulation analyses each trial as `analyse` does, whatever the formula assumes."""
    start = trial(levels=3)
    row = bought(tk.power(start, method="exact")).loc[change]
    now = start
    if row["unit"]:
        now = with_counts(start, {row["unit"]: row["now"] + row["added"]})
    if change == "fewer levels":
        now = trial(levels=2)
    drawn = tk.power(
        now, margin_pct=row["detectable_pct"], method="simulation", trials=1_500, workers=1
    )
    chance = drawn.table.set_index("question").loc["no worse", "power"]
    assert chance == pytest.approx(0.8, abs=0.05)  # standard error 0.01; the formula is rough


def test_the_larger_loss_is_the_smallest_whole_one_with_the_wanted_chance(trial):
    """Asked of the power itself, at that loss and at one per cent less."""
    row = bought(tk.power(trial(levels=3), method="exact")).loc["larger loss accepted"]

    def chance(margin):
        table = tk.power(trial(levels=3), margin_pct=margin, method="exact").table
        return table.set_index("question").loc["no worse", "power"]

    assert row["margin_pct"] == round(row["margin_pct"]) > 10
    assert chance(row["margin_pct"] - 1) < 0.8 <= chance(row["margin_pct"])
    assert row["chance"] == pytest.approx(chance(row["margin_pct"]), rel=1e-9)
    assert (
        "larger loss accepted"
        not in bought(tk.power(trial(batch=30, chamber=8), method="exact")).index
    )  # the accepted loss is enough there


def test_a_change_that_nobody_would_notice_is_not_told():
    """By hand: from 50 % and a loss of 12 %, 65 % and 10 % are gains; 51 % and 11 % are none."""
    table = pd.DataFrame(
        {
            "unit": ["", "batch", "block", "shelf", "rack", "room"],
            "chance": [0.50, 0.65, 0.51, 0.515, 0.45, 0.515],
            "detectable_pct": [11.4, 10.9, 11.2, 9.9, 12.4, 10.2],
        }
    )
    assert worth_saying(table)["unit"].tolist() == ["batch", "shelf"]
    nothing = table.assign(chance=0.1, detectable_pct=math.inf)
    assert worth_saying(nothing).empty


@pytest.mark.slow
def test_the_larger_loss_has_the_chance_that_is_said_in_simulated_trials(trial):
    row = bought(tk.power(trial(), method="exact")).loc["larger loss accepted"]
    margin = row["margin_pct"]
    drawn = tk.power(trial(), margin_pct=margin, method="simulation", trials=1_500, workers=1)
    chance = drawn.table.set_index("question").loc["no worse", "power"]
    assert chance == pytest.approx(row["chance"], abs=0.05)


def test_a_second_box_saves_batches_and_has_its_price(trial):
    one = trial(batch=8, chamber=1, over_time="trend")
    power = tk.power(one, method="exact")
    box = second_box(power)
    assert box.saved == 8 - box.batches > 0
    assert box.box_cost == 300
    blocks = (8 - 2 * box.batches) * 6
    assert box.batch_cost == box.saved * 40 + blocks * 3
    loss = {
        n: bought(tk.power(trial(batch=n, chamber=2), method="exact")).loc["as it is"]
        for n in (box.batches, box.batches - 1)
    }
    alone = bought(power).loc["as it is", "detectable_pct"]
    assert loss[box.batches]["detectable_pct"] <= alone < loss[box.batches - 1]["detectable_pct"]


def test_where_there_are_two_boxes_a_second_is_not_spoken_of(trial):
    assert second_box(tk.power(trial(chamber=2), method="exact")) is None


def test_with_a_second_box_the_starts_need_no_trend(trial):
    one = trial(batch=8, chamber=1, over_time="trend")
    both = with_counts(one, {"chamber": 2})
    assert (one.over_time, both.over_time) == ("trend", "random")
    assert np.isfinite(bought(tk.power(one, method="exact")).loc["more units chamber", "chance"])


def test_batches_are_added_by_whole_time_blocks(trial):
    power = tk.power(trial(batch=8, chamber=1, over_time="time blocks"), method="exact")
    assert bought(power).loc["more units batch", "added"] == 2
    counts = power.grid(most=4).query("unit == 'batch'")["count"].tolist()
    assert counts == [8, 10, 12]


@pytest.mark.parametrize("way", ["trend", "time blocks"])
def test_the_cheapest_mix_of_one_box_costs_no_more_than_boxes_alone(trial, way):
    power = tk.power(trial(batch=12, chamber=1, over_time=way), method="exact")
    alone = power.needed.set_index("unit").loc["chamber"]
    assert power.cheapest["cost"].iloc[0] <= alone["cost"]
    assert (power.cheapest["power"] >= 0.8).all()


def test_enough_batches_are_counted_in_whole_time_blocks(trial):
    one = trial(batch=9, chamber=1, levels=3, over_time="time blocks")
    still = {"batch": 3, "batch:chamber": 2, "batch:chamber:block": 8}
    power = tk.power(one, method="exact", variation=still)
    needed = power.needed.set_index("unit").loc["batch", "needed"]
    assert needed % 3 == 0
    enough = tk.power(with_counts(one, {"batch": int(needed)}), method="exact", variation=still)
    short = tk.power(with_counts(one, {"batch": int(needed) - 3}), method="exact", variation=still)
    assert enough.table["power"].min() >= 0.8 > short.table["power"].min()
    assert power.next_step.set_index("unit").loc["batch", "then"] == 12
