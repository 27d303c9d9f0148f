"""One box: the orders of its starts, what they cost, and which of them is chosen."""

import itertools
import json
from collections import Counter

import numpy as np
import pytest
from scipy import stats

import trialkit as tk
from tests.bare_plans import write_bare
from trialkit.design.layout.chance import Draws
from trialkit.design.layout.procedure import re_randomise
from trialkit.design.layout.trend import balanced_orders, kept_on_average, lost_to_trend
from trialkit.design.power.drift import drift_left, planned_drift, straight
from trialkit.design.power.over_time import boxes_that_swap, choose_over_time
from trialkit.errors import PlanError, TrialFileError

UNITS = 'structure = "(batch * chamber) / block"\nbatch = {batch}\nchamber = {chamber}\nblock = 6'


@pytest.fixture
def box(make_trial):
    def make(batch=8, chamber=1, levels=2, over_time=None, more="", extra=""):
        units = UNITS.format(batch=batch, chamber=chamber)
        units += f'\nover_time = "{over_time}"' if over_time else ""
        return make_trial(units, {"schedule": ("batch:chamber", levels, more)}, extra=extra)

    return make


def orders(trial, draws=1_000):
    source = Draws(3)
    return Counter(tuple(re_randomise(trial, source)["schedule"]) for _ in range(draws))


def eight_starts():
    """All 70 orders of two schedules over eight starts."""
    rows = []
    for first in itertools.combinations(range(8), 4):
        rows.append([int(i not in first) for i in range(8)])
    return np.array(rows)


def test_what_an_order_loses_to_a_line_is_the_r_squared_of_the_line_on_the_schedules():
    held = eight_starts()
    line = np.arange(8.0)
    for order, lost in zip(held, lost_to_trend(held, 2), strict=True):
        assert lost == pytest.approx(stats.pearsonr(order, line)[0] ** 2, abs=1e-12)
    three = np.array([[0, 1, 2, 2, 1, 0, 1, 0, 2]])
    X = np.eye(3)[three[0]]
    y = np.arange(9.0) - 4
    left = y - X @ np.linalg.lstsq(X, y, rcond=None)[0]
    assert lost_to_trend(three, 3)[0] == pytest.approx(1 - left @ left / (y @ y), abs=1e-12)


def test_the_plan_says_what_its_order_keeps_beside_the_trend(box):
    """What is kept is 1 - r² of the line with this very order, by an independent correlation."""
    plan = tk.assign(box(over_time="trend"))
    held = plan.table.drop_duplicates("batch").set_index("batch")["schedule"]
    held = held.reindex(plan.trial.levels["batch"])
    codes = [list(plan.trial.factors["schedule"].levels).index(level) for level in held]
    kept = 100 * (1 - stats.pearsonr(codes, range(8))[0] ** 2)
    assert f"{kept:.1f} %" in str(plan).replace("\u00a0", " ")
    assert "100.0 %" in str(tk.assign(box())).replace("\u00a0", " ")


def test_balanced_orders_are_those_whose_sums_of_places_lie_near_each_other():
    """By hand: sums 18 ± 3 of the places 1 to 8 are 8 + 2 (7 + 7 + 5) = 46 of 70 orders."""
    found = {tuple(order) for order in balanced_orders((4, 4))}
    places = np.arange(1, 9)
    wanted = {tuple(o) for o in eight_starts() if abs(places[o == 0].sum() - 18) <= 3}
    assert found == wanted
    assert len(found) == 46


def test_every_balanced_order_is_equally_likely(box):
    seen = orders(box(over_time="trend"), draws=3_000)
    assert len(seen) == 46
    assert stats.chisquare(list(seen.values())).pvalue > 1e-3
    each_start = np.array([[level == "s0" for level in order] for order in seen.elements()])
    assert np.allclose(each_start.mean(axis=0), 0.5, atol=4 * 0.5 / np.sqrt(3_000))


def test_many_starts_are_drawn_until_the_order_is_balanced(box):
    trial = box(batch=20, over_time="trend")
    for order in orders(trial, draws=50):
        held = np.array([[int(level == "s1") for level in order]])
        assert held.sum() == 10
        assert lost_to_trend(held, 2)[0] <= 0.05


@pytest.mark.parametrize("levels", [2, 3])
def test_time_blocks_hold_each_schedule_once(box, levels):
    trial = box(batch=4 * levels, levels=levels, over_time="time blocks")
    seen = orders(trial, draws=400)
    for order in seen:
        blocks = [order[i : i + levels] for i in range(0, len(order), levels)]
        assert all(len(set(block)) == levels for block in blocks)
    if levels == 2:
        assert len(seen) == 2**4
        assert stats.chisquare(list(seen.values())).pvalue > 1e-3


def test_two_boxes_swap_in_every_time_block(box):
    plan = tk.assign(box(chamber=2, over_time="time blocks"))
    runs = plan.assignment("schedule").pivot(index="batch", columns="chamber", values="schedule")
    for first, second in zip(runs.values[::2], runs.values[1::2], strict=True):
        assert set(first) == {"s0", "s1"}
        assert list(first) == list(second[::-1])


@pytest.mark.parametrize(
    ("way", "df"), [("random", 6), ("trend", 5), ("time blocks", 3), ("split deliveries", 3)]
)
def test_error_degrees_of_freedom(box, way, df):
    """8 starts: 7 in all, less the schedule, less a trend (1) or 4 blocks (3)."""
    trial = box(over_time=way)
    found = tk.strata(trial)
    assert found.error_df("schedule") == df
    assert found.table["df"].sum() == 47
    assert tk.power(trial, method="exact", lost=0).table["error_df"].tolist() == [df] * 3
    drawn = tk.strata(trial, plan=tk.assign(trial))
    assert drawn.error_df("schedule") == df


def test_what_a_layout_leaves_of_a_drift_is_its_mean_error_over_all_orders():
    """Brute force: the residual mean square of the drift itself, averaged over the orders."""
    course = planned_drift(8, 30.0)
    line = np.arange(8.0)
    for way, columns in (("random", []), ("trend", [line])):
        squares = []
        for order in eight_starts():
            X = np.column_stack([np.ones(8), order, *columns])
            left = course - X @ np.linalg.lstsq(X, course, rcond=None)[0]
            squares.append(left @ left / (8 - np.linalg.matrix_rank(X)))
        if way == "random":
            assert drift_left(way, course, 2) == pytest.approx(np.mean(squares), rel=1e-9)
        else:  # orders along the line hold other errors than those across it, but little
            assert drift_left(way, course, 2) == pytest.approx(np.mean(squares), rel=0.05)
    squares = []
    for signs in itertools.product([1, -1], repeat=4):
        gaps = (course[1::2] - course[::2]) * signs
        squares.append(gaps.var(ddof=1) / 2)
    assert drift_left("time blocks", course, 2) == pytest.approx(np.mean(squares), rel=1e-9)


def test_a_straight_drift_of_30_is_what_an_equally_spaced_line_varies():
    """Sample variance of n equal steps of d is d² n (n + 1) / 12."""
    assert drift_left("random", straight(8, 30.0), 2) == pytest.approx((30 / 7) ** 2 * 8 * 9 / 12)


def test_expected_widths_without_drift_are_those_of_t_and_chi(box):
    table = choose_over_time(box()).table.set_index("over_time")

    def reach(df):
        return stats.t.ppf(0.975, df) * stats.chi.mean(df) / np.sqrt(df)

    trend = reach(5) / reach(6) / np.sqrt(kept_on_average((4, 4)))
    assert table.loc["random", "no_drift"] == 1
    assert table.loc["trend", "no_drift"] == pytest.approx(trend, rel=1e-9)
    assert table.loc["time blocks", "no_drift"] == pytest.approx(reach(3) / reach(6), rel=1e-9)


def test_a_trend_is_chosen_for_eight_starts_and_chance_for_four(box):
    eight, four = choose_over_time(box()), choose_over_time(box(batch=4))
    assert (eight.chosen, four.chosen) == ("trend", "random")
    table = eight.table.set_index("over_time")
    assert table.loc["trend", "no_drift"] <= 1.1
    assert table.loc["trend", "much_drift"] <= 0.8 * table.loc["random", "much_drift"]
    assert len(eight.other_ways) == 3
    assert "30 %" in str(eight.reason)


def test_two_boxes_share_their_starts_and_are_told_what_swapping_costs(box):
    """8 × 2 runs leave 15 less 7, 1 and 1; swapping takes one more for 3 of 4 time blocks."""
    assert choose_over_time(box(chamber=2)) is None
    assert "leaves 3 degrees of freedom instead of 6" in str(boxes_that_swap(box(chamber=2)))
    swapped = boxes_that_swap(box(chamber=2, over_time="time blocks"))
    assert "the boxes swap within every 2 starts" in str(swapped)
    assert boxes_that_swap(box()) is None


def test_a_plan_says_why_and_a_worse_order_is_told(box):
    codes = {
        way: [f.code for f in tk.assign(box(over_time=way)).findings]
        for way in ("random", "trend", "time blocks")
    }
    assert codes == {
        "random": ["over_time_wider"],
        "trend": ["over_time_chosen"],
        "time blocks": ["over_time_wider"],
    }
    told = tk.assign(box()).findings[0]
    assert 'over_time = "trend"' in told.remedy


def test_a_plan_keeps_its_layout_and_is_not_read_under_another(box):
    trial = box(over_time="trend")
    write_bare(tk.assign(trial), trial.folder)
    record = json.loads((trial.folder / "plan" / "plan.json").read_text(encoding="utf-8"))
    assert record["over_time"] == "trend"
    assert record["method"] == {"schedule": "balanced against a trend"}
    assert tk.read_plan(trial).table.equals(tk.assign(trial).table)
    text = trial.source.read_text(encoding="utf-8").replace('"trend"', '"random"')
    trial.source.write_text(text, encoding="utf-8")
    with pytest.raises(PlanError, match='write over_time = "trend"'):
        tk.read_plan(tk.read_trial(trial.folder))


def test_a_plan_of_before_without_a_layout_is_one_drawn_at_random(box):
    trial = box()
    write_bare(tk.assign(trial), trial.folder)
    path = trial.folder / "plan" / "plan.json"
    record = json.loads(path.read_text(encoding="utf-8"))
    del record["over_time"]
    path.write_text(json.dumps(record), encoding="utf-8")
    assert tk.read_plan(trial).seed == trial.seed


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"over_time": "pairs"}, "over_time is one of"),
        ({"batch": 9, "over_time": "time blocks"}, "plan 8 or 10 batches"),
        ({"batch": 3, "levels": 3, "over_time": "time blocks"}, "."),
        ({"batch": 3, "over_time": "trend"}, "plan 4 batches or more"),
        ({"chamber": 2, "over_time": "trend"}, "compared within each start"),
        ({"chamber": 3, "over_time": "time blocks"}, "holds every schedule already"),
        ({"over_time": "trend", "more": 'apart = [["s0", "s1"]]'}, "cannot keep"),
        ({"over_time": "time blocks", "more": "replication = { s0 = 3 }"}, "leave out replication"),
    ],
)
def test_a_layout_that_cannot_be_is_refused_at_its_line(box, options, says):
    with pytest.raises(TrialFileError, match=says) as refused:
        box(**options)
    assert "(line" in str(refused.value)


def test_light_on_shelves_is_spread_anew_under_a_trend(make_trial):
    units = (
        "structure = '(batch * chamber) / shelf / block'\n"
        "batch = 8\nchamber = 1\nshelf = 2\nblock = 3\nover_time = 'trend'"
    )
    factors = {"schedule": ("batch:chamber", 2, ""), "light": ("batch:chamber:shelf", 2, "")}
    trial = make_trial(units, factors)
    plan = tk.assign(trial)
    assert (plan.table.groupby("batch")["light"].nunique() == 2).all()
    assert tk.strata(trial).error_df("schedule") == 5
    seen = {tuple(tk.assign(trial, seed=s).assignment("light")["light"]) for s in range(20)}
    assert len(seen) > 15


@pytest.mark.parametrize("way", ["trend", "time blocks"])
def test_simulated_power_agrees_with_the_formula(box, way):
    trial = box(batch=12, over_time=way)
    options = {"variation": {"batch": 5, "batch:chamber": 3, "batch:chamber:block": 12}}
    exact = tk.power(trial, method="exact", lost=0, **options).table["power"]
    drawn = tk.power(trial, method="simulation", lost=0, trials=2_000, **options).table["power"]
    # one drawn order stands for the average of all: about 2 % of the information apart
    assert np.allclose(exact, drawn, atol=0.05)
