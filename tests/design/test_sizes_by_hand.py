"""What more units cost and bring, from chances that are given."""

import math
from types import SimpleNamespace

import pandas as pd
import pytest

from tests.design.stand_ins import COUNTS, power_of, trial_of
from tests.design.test_comparison_by_hand import POT, TENT, compared
from trialkit.design.power import changes, grid, sizes
from trialkit.design.power.grid import added_cost, mix_cost
from trialkit.design.strata.error_terms import BatchTerm
from trialkit.errors import DesignError
from trialkit.wording import Units

# ------------------------------------------------------------------ costs


def test_what_more_units_cost_with_all_that_fills_them():
    """A batch: 24 blocks; a tent: 18; a block in each of 12 runs. No price, no cost."""
    trial = trial_of(batch_each=50, chamber_each=200, block_each=3)
    assert added_cost(trial, "batch", 2) == 2 * 50 + 48 * 3
    assert added_cost(trial, "chamber", 1) == 200 + 18 * 3
    assert added_cost(trial, "block", 1) == 12 * 3
    assert added_cost(trial, "batch", 0) == 0
    assert added_cost(trial_of(batch_each=50), "batch", 2) == 100
    assert math.isnan(added_cost(trial_of(batch_each=50), "chamber", 2))
    assert added_cost(trial_of(block_each=3), "chamber", 2) == 108
    assert math.isnan(added_cost(trial_of(), "batch", 1))


def test_what_a_mix_of_more_costs():
    """From 3 × 4 × 6 = 72 blocks to 4 × 5 × 6 = 120: a batch, a tent and 48 blocks."""
    more = {"batch": 4, "chamber": 5, "block": 6}
    assert mix_cost(trial_of(batch_each=50, chamber_each=200, block_each=3), more) == 394
    assert mix_cost(trial_of(batch_each=50), more) == 50
    assert mix_cost(trial_of(block_each=3), more) == 144
    assert math.isnan(mix_cost(trial_of(), more))
    assert math.isnan(mix_cost(trial_of(mushrooms_per_kg=9), more))


# ------------------------------------------------------------------ tables from chances


def chances_of(gain):
    """Give chances that rise by `gain` a unit from 0.5; none with 14 of a kind."""

    def power_with(power, unit, count, *, quick=False):
        at = 0.5 + gain[unit] * (count - COUNTS[unit])
        return None if count == 14 else (at - 0.1, at, at + 0.1)

    return power_with


def test_the_grid_holds_what_can_be_laid_out(monkeypatch):
    rate = {"batch": 0.02, "chamber": 0.01, "block": 0.005}
    monkeypatch.setattr(grid, "_power_with", chances_of(rate))
    table = grid.grid(power_of(trial_of(block_each=3)), most=8)
    assert table.groupby("unit", sort=False).size().to_dict() == {
        "batch": 9, "chamber": 9, "block": 8
    }  # fmt: skip
    row = table[(table["unit"] == "batch") & (table["added"] == 2)].iloc[0]
    assert row["count"] == 5
    assert (row["low"], row["power"], row["high"]) == pytest.approx((0.44, 0.54, 0.64))
    assert row["cost"] == 144
    assert len(grid.grid(power_of())) == 26  # eight more of each, and none


def test_one_more_of_what_brings_most_for_its_money_comes_first(monkeypatch, stepwise):
    """A tent gains 4 % for 254, a batch 2 % for 72: 1.6 and 2.8 % per hundred."""
    rate = {"batch": 0.02, "chamber": 0.04, "block": 0.001}
    monkeypatch.setattr(grid, "_power_with", chances_of(rate))
    table = grid.one_more(power_of(trial_of(chamber_each=200, block_each=3)))
    assert table["unit"].tolist() == ["batch", "chamber", "block"]
    assert table["gain_per_100"].tolist() == pytest.approx([2 / 72, 4 / 254, 0.1 / 36])
    assert table["then"].tolist() == [4, 5, 7]
    assert table["gain"].tolist() == pytest.approx([0.02, 0.04, 0.001])
    assert table["power"].tolist() == pytest.approx([0.52, 0.54, 0.501])
    table = grid.one_more(power_of(trial_of(chamber_each=200)))
    assert table["unit"].tolist() == ["chamber", "batch", "block"]  # some have no price: by gain
    free = grid.one_more(power_of(trial_of(block_each=0)))
    assert free["unit"].tolist() == ["chamber", "batch", "block"]
    assert free["gain_per_100"].isna().all()
    monkeypatch.setattr(grid, "_power_with", lambda power, unit, count: None)
    none = grid.one_more(power_of())  # nothing can be laid out
    assert none.empty
    assert list(none.columns) == list(table.columns)


def test_counts_that_are_enough_have_a_range_and_a_cost(monkeypatch):
    """Five batches in the middle, four with little variation and none enough with much."""

    def first(power, unit, now, end):
        return {1: (5, 0.81), 2: (4, 0.8), 0: (None, 0.6)}[end]

    monkeypatch.setattr(grid, "_first_count", first)
    row = grid.how_many(power_of(trial_of(batch_each=10))).iloc[0]
    assert (row["now"], row["needed"], row["needed_low"]) == (3, 5, 4)
    assert math.isnan(row["needed_high"])
    assert (row["added"], row["cost"], row["power"]) == (2, 20, 0.81)
    monkeypatch.setattr(grid, "_first_count", lambda power, unit, now, end: (2, 0.9))
    row = grid.how_many(power_of(trial_of(batch_each=10))).iloc[0]
    assert (row["added"], row["cost"]) == (0, 0)  # there are more than are needed
    monkeypatch.setattr(grid, "_first_count", lambda power, unit, now, end: (None, 0.3))
    row = grid.how_many(power_of(trial_of(batch_each=10))).iloc[0]
    assert row[["needed", "added", "cost"]].isna().all()


@pytest.mark.parametrize(("enough", "count"), [(40, 40), (41, None)])
def test_more_than_forty_of_a_kind_are_not_looked_for(enough, count, monkeypatch, stepwise):
    def power_with(power, unit, count, *, quick=False):
        at = 0.8 + (count - enough) / 100
        return (at, at, at)

    monkeypatch.setattr(grid, "_power_with", power_with)
    assert grid._first_count(power_of(), "batch", 3, 1)[0] == count


def mixes(monkeypatch, enough, **options):
    """Let mixes do that have enough batches × chambers; give those found and those tried."""
    tried = []

    def at(power, counts, *, quick=False, hopeful=False):
        tried.append(dict(counts))
        whole = counts["batch"] * counts["chamber"]
        return (0.0, 0.8 if whole >= enough else 0.78, 1.0)

    monkeypatch.setattr(grid, "chance_at", at)
    monkeypatch.setattr(grid, "_promising", lambda power, counts: True)
    trial = trial_of({"batch": 3, "chamber": 4}, **options.pop("prices", {}))
    return grid.cheapest_mixes(power_of(trial), **options), tried


def test_mixes_from_the_cheapest_until_enough_suffice(monkeypatch):
    """At least 20 runs; a batch is 10, a tent 35: 5 × 4 for 20, then 4 × 5 for 45."""
    found, _ = mixes(monkeypatch, 20, prices={"batch_each": 10, "chamber_each": 35})
    assert found[["batch", "chamber", "cost", "units"]].to_numpy().tolist() == [
        [5, 4, 20, 20], [4, 5, 45, 20], [3, 7, 105, 21]
    ]  # fmt: skip
    found, _ = mixes(monkeypatch, 20, prices={"batch_each": 10, "chamber_each": 35}, show=2)
    assert len(found) == 2
    found, _ = mixes(monkeypatch, 20)  # without prices by what is planted
    assert found["units"].tolist() == [20, 20, 21]
    assert found["cost"].isna().all()
    found, _ = mixes(monkeypatch, 132)
    assert found[["batch", "chamber"]].to_numpy().tolist() == [[11, 12]]  # 8 more of each at most
    found, _ = mixes(monkeypatch, 133)
    assert list(found.columns) == ["batch", "chamber", "cost", "units", "power"]
    assert len(found) == 0


def test_so_many_mixes_are_tried_and_no_more(monkeypatch):
    monkeypatch.setattr(grid, "_MOST_MIXES", 7)
    found, tried = mixes(monkeypatch, 1000)
    assert len(found) == 0
    assert len(tried) == 7


@pytest.mark.parametrize(("brief", "found"), [(0.7901, 1), (0.7899, 0), (None, 0)])
def test_a_brief_search_may_fall_short_by_a_hundredth(brief, found, monkeypatch):
    def at(power, counts, *, quick=False, hopeful=False):
        assert quick == hopeful
        return None if quick and brief is None else (0.0, brief if quick else 0.8, 1.0)

    monkeypatch.setattr(grid, "chance_at", at)
    monkeypatch.setattr(grid, "_promising", lambda power, counts: True)
    trial = trial_of({"batch": 3, "chamber": 4})
    assert len(grid.cheapest_mixes(power_of(trial))) == found


def test_the_weakest_question_decides(monkeypatch):
    three = {"any": (0.2, 0.5, 0.9), "no worse": (0.3, 0.4, 0.8)}
    monkeypatch.setattr(grid, "all_chances", lambda *_: three)
    monkeypatch.setattr(grid, "with_counts", lambda trial, counts: trial)
    monkeypatch.setattr(grid, "compare_in", lambda *_, **__: None)
    monkeypatch.setattr(grid, "covariates_cost", lambda trial, c: c)
    monkeypatch.setattr(grid, "variation_for", lambda variation, trial: variation)
    power = power_of(variation=1, asked=None, questions=())
    assert grid.chance_at(power, {}) == (0.2, 0.4, 0.8)
    monkeypatch.setattr(grid, "variation_for", lambda variation, trial: None)
    assert grid.chance_at(power, {}) is None


# ------------------------------------------------------------------ other sizes


def test_other_sizes_are_two_fewer_to_four_more_by_one_fewer_to_two_more(monkeypatch, stepwise):
    def at(power, counts):
        whole = counts["batch"] * counts["chamber"] / 100
        return None if counts["batch"] == 6 else (whole - 0.1, whole, whole + 0.1)

    monkeypatch.setattr(sizes, "chance_at", at)
    table = sizes.other_sizes(power_of())
    assert sorted(set(table["chamber"])) == [3, 4, 5, 6]
    assert sorted(set(table["batch"])) == [2, 3, 4, 5, 7]  # one is none, six cannot be laid out
    assert table.loc[table["today"], ["batch", "chamber"]].to_numpy().tolist() == [[3, 4]]
    row = table[table["today"]].iloc[0]
    assert (row["low"], row["power"], row["high"]) == pytest.approx((0.02, 0.12, 0.22))
    assert not table["falls"].any()


def test_a_trial_of_one_kind_of_unit_has_sizes_of_that_one(monkeypatch, stepwise):
    monkeypatch.setattr(sizes, "chance_at", lambda power, counts: (0.1, counts["batch"] / 10, 1.0))
    table = sizes.other_sizes(power_of(trial_of({"batch": 5})))
    assert list(table.columns) == ["batch", "power", "low", "high", "today", "falls"]
    assert table["batch"].tolist() == [3, 4, 5, 6, 7, 8, 9]
    assert table.loc[table["today"], "batch"].tolist() == [5]


def test_counts_around_todays_in_whole_steps(monkeypatch):
    monkeypatch.setattr(sizes, "steps_of", lambda trial, unit: 2)
    assert sizes._counts(power_of(trial_of({"batch": 6})), "batch", range(-2, 3)) == [
        2,
        4,
        6,
        8,
        10,
    ]
    assert sizes._counts(power_of(trial_of({"batch": 4})), "batch", range(-2, 1)) == [2, 4]
    assert sizes._counts(power_of(trial_of({"batch": 1})), "batch", range(-1, 2)) == [1, 3]


def test_sizes_fall_where_fewer_have_a_better_chance_by_half_a_hundredth():
    table = pd.DataFrame({"a": [2, 3, 4], "power": [0.5, 0.4952, 0.494]})
    falls = [sizes._falls(table, row, ["a"]) for row in table.to_dict("records")]
    assert falls == [False, False, True]
    beside = pd.DataFrame({"a": [2, 2], "b": [2, 3], "power": [0.9, 0.5]})
    falls = [sizes._falls(beside, row, ["a", "b"]) for row in beside.to_dict("records")]
    assert falls == [False, True]
    two = pd.DataFrame({"a": [2, 3], "b": [3, 2], "power": [0.9, 0.5]})
    assert [sizes._falls(two, row, ["a", "b"]) for row in two.to_dict("records")] == [False] * 2


def test_heads_of_panels_tell_the_units_their_price_or_todays_chance(stepwise):
    power = power_of(trial_of(chamber_each=200, block_each=3))
    rows = pd.DataFrame({"power": [0.4, 0.62], "today": [False, True]})
    none = rows.assign(today=False)
    (head, high, style), (today, low, plain) = sizes._panel_head(power, rows, "chamber", 4)
    assert str(Units(("chamber",), 4)) in head
    assert "62" in today
    assert (high, low) == (14.0, 3.0)
    assert style["fontweight"] == "bold"
    assert plain == {}
    (_, (price, *_)) = sizes._panel_head(power, none, "chamber", 5)
    assert "254" in price
    assert "CHF" in price
    for count in (4, 3):
        (_, (price, *_)) = sizes._panel_head(power, none, "chamber", count)
        assert price == ""
    ((said, *_),) = sizes._panel_head(power, rows, "", 0)
    assert said == today
    assert sizes._panel_head(power, none, "", 0) == []


# ------------------------------------------------------------------ looking ahead


@pytest.mark.parametrize(
    ("few", "hopeful", "kept"), [(5, True, False), (6, True, True), (5, False, True)]
)
def test_a_hopeful_search_leaves_out_what_another_layout_might_not_tell(
    few, hopeful, kept, monkeypatch
):
    """Batch × treatment on fewer than twice three df counts as one that cannot be told."""
    term, told = BatchTerm((few, 9)), []
    monkeypatch.setattr(grid, "with_counts", lambda trial, counts: trial)
    monkeypatch.setattr(grid, "compare_in", lambda *_, **__: compared(batch_term=term))
    monkeypatch.setattr(grid, "covariates_cost", lambda trial, c: c)
    monkeypatch.setattr(grid, "variation_for", lambda variation, trial: variation)
    monkeypatch.setattr(grid, "all_chances", lambda c, *_: told.append(c) or {"any": (0, 0, 0)})
    power = power_of(variation=1, asked=None, questions=())
    grid.chance_at(power, {}, hopeful=hopeful)
    assert told[0].batch_term == (term if kept else BatchTerm())


def promising(monkeypatch, counts, now=None, c=None, chance=0.8, found=1, other=None):
    """Ask whether a mix could do; give the answer and the comparison that was asked."""
    told = []
    monkeypatch.setattr(
        grid,
        "all_chances",
        lambda c, *_: told.append(c) or {"any": (0, chance, 1), "x": (0, 0.9, 1)},
    )
    monkeypatch.setattr(
        grid, "with_counts", lambda trial, counts: trial_of({**trial.counts, **counts})
    )
    monkeypatch.setattr(grid, "laid_out", lambda trial: trial)
    monkeypatch.setattr(grid, "covariates_cost", lambda trial, c: c)
    monkeypatch.setattr(grid, "variation_for", lambda variation, trial: found)
    asked = []

    def compare(trial, name, quick):
        assert quick is True
        asked.append(dict(trial.counts))
        if other is None:
            raise DesignError("no")
        return other

    monkeypatch.setattr(grid, "compare_in", compare)
    power = power_of(trial_of(now or {"chamber": 8, "block": 3}), comparison=c or compared(),
                     variation=1, asked=None, questions=())  # fmt: skip
    return grid._promising(power, counts), told[0] if told else None, asked


def test_a_mix_is_ruled_out_by_the_best_that_its_units_could_tell(monkeypatch):
    """16 tents of 6 blocks are four times 24 blocks: four times the information, ample df."""
    may, c, asked = promising(monkeypatch, {"chamber": 16, "block": 6})
    assert may
    assert asked == []
    assert c.info == pytest.approx(4 * compared().info)
    assert c.mean_info == pytest.approx(4 * compared().mean_info)
    assert c.sizes == {TENT: 16, POT: 96}
    assert (c.error_df, c.spare_df) == (60, {TENT: 60, POT: 160})
    assert c.batch_term == BatchTerm()
    assert c.level_errors is None
    assert not promising(monkeypatch, {"chamber": 16, "block": 6}, chance=0.79)[0]
    split = compared(efficiency=0.5, finer={POT: compared().info})
    _, c, _ = promising(monkeypatch, {"chamber": 8, "block": 3}, c=split)
    assert c.info == pytest.approx(2 * compared().info)  # an efficient layout might keep all
    assert c.finer[POT] == pytest.approx(2 * compared().info)
    _, c, _ = promising(monkeypatch, {"chamber": 8, "block": 3}, c=compared(efficiency=0.01))
    assert c.info == pytest.approx(10 * compared().info)


def test_a_mix_is_tried_in_full_where_little_is_known_of_it(monkeypatch):
    """Three df or fewer tell nothing; a second kind of unit makes another layout, of two."""
    mix = {"chamber": 16, "block": 3}
    assert promising(monkeypatch, mix, c=compared(error_df=3), chance=0.1)[0]
    assert not promising(monkeypatch, mix, c=compared(error_df=4), chance=0.1)[0]
    one = {"chamber": 1, "block": 3}
    may, c, asked = promising(monkeypatch, mix, one, chance=0.1)  # cannot be laid out
    assert (may, c) == (True, None)
    assert asked == [{"chamber": 2, "block": 3}]
    assert promising(monkeypatch, mix, one, chance=0.1, found=None, other=compared())[0]
    assert not promising(monkeypatch, mix, one, chance=0.1, other=compared())[0]
    assert promising(monkeypatch, one, one, chance=0.1)[2] == []


def test_what_changes_buy_is_listed_with_what_cannot_be_left_out(monkeypatch):
    """As it is 12.4 % with 0.6; a batch more cannot be laid out; so much as 13 % would do."""
    as_it_is, more = (
        changes._Change("as it is", trial_of(), 10.0),
        changes._Change("more units", trial_of(), 10.0, unit="batch", added=1, cost=7.0),
    )
    monkeypatch.setattr(changes, "_changes", lambda power: iter([as_it_is, more]))
    monkeypatch.setattr(
        changes, "_compared", lambda power, change: None if change is more else (1, 2, 3)
    )
    monkeypatch.setattr(changes, "_detectable", lambda *a: (9.0, 12.4, 20.0))
    told = []
    monkeypatch.setattr(
        changes, "chance", lambda *a, effect: told.append(effect) or (0.5, 0.6, 0.7)
    )
    power = power_of(asked=SimpleNamespace(margin_pct=10.0))
    table = changes.what_changes_buy(power)
    assert table["change"].tolist() == ["as it is", "larger loss accepted"]
    assert table["margin_pct"].tolist() == [10, 13] == told
    first = table.iloc[0]
    ends = (first["detectable_low"], first["detectable_pct"], first["detectable_high"])
    assert ends == (9.0, 12.4, 20.0)
    assert (first["chance"], first["now"], first["added"], first["unit"]) == (0.6, 0, 0, "")
    monkeypatch.setattr(changes, "_compared", lambda power, change: (1, 2, 3))
    table = changes.what_changes_buy(power)
    row = table[table["change"] == "more units"].iloc[0]
    assert (row["unit"], row["added"], row["now"], row["cost"]) == ("batch", 1, 3, 7.0)
    monkeypatch.setattr(changes, "_detectable", lambda *a: (5.0, 9.0, 20.0))
    assert "larger loss accepted" not in set(changes.what_changes_buy(power)["change"])
    monkeypatch.setattr(
        changes, "_compared", lambda power, change: (1, 2, 3) if change is more else None
    )
    assert changes.what_changes_buy(power)["change"].tolist() == ["more units"]
