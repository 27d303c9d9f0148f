"""Pictures of settings given as ranges: what they hold, also where there is little to show."""

import itertools

import numpy as np
import pandas as pd
import pytest

from trialkit import figures

DUTY, LUX = np.linspace(2, 10, 9), np.linspace(100, 900, 9)


def grid(estimate, within):
    table = pd.DataFrame(itertools.product(DUTY, LUX), columns=["mist", "light"])
    return table.assign(estimate=estimate(table), within=within(table))


def draw_map(table):
    tried = pd.DataFrame({"mist": [2.0, 6, 10], "light": [100.0, 500, 900], "n": [1, 2, 1]})
    return figures.setting_map(
        table,
        settings=["mist", "light"],
        labels=["mist [% of the time]", "light [lux]"],
        quantity="fresh weight [g]",
        today={"mist": 8.0, "light": 300.0},
        best={"mist": 6.0, "light": 500.0},
        tried=tried,
        basis="n = 12 blocks.",
    )


def hill(table):
    return 480 - 3 * (table["mist"] - 6) ** 2 - ((table["light"] - 500) / 100) ** 2


@pytest.mark.parametrize(
    "within",
    [
        lambda t: (t["mist"] - 6).abs() < 2,
        lambda t: t["mist"] > 0,  # nothing is ruled out
        lambda t: (t["mist"] == 6) & (t["light"] == 500),  # a single setting is left
    ],
)
def test_a_map_shows_today_the_best_and_what_was_tried(within):
    ax = draw_map(grid(hill, within))
    marks = {line.get_marker(): line.get_xydata().tolist() for line in ax.lines}
    assert marks["x"] == [[8.0, 300.0]]
    assert marks["D"] == [[6.0, 500.0]]
    points = ax.collections[-1].get_offsets().tolist()
    assert points == [[2.0, 100.0], [6.0, 500.0], [10.0, 900.0]]
    assert ax.get_xlabel() == "mist [% of the time]"


def test_today_and_the_best_lie_whole_above_what_was_tried():
    """At the edge of the range and on a circle they would be cut or hidden."""
    ax = draw_map(grid(hill, lambda t: t["mist"] > 0))
    tried = ax.collections[-1]
    for line in [line for line in ax.lines if line.get_marker() in ("x", "D")]:
        assert line.get_zorder() > tried.get_zorder()
        assert not line.get_clip_on()


def test_a_flat_surface_can_be_drawn():
    ax = draw_map(grid(lambda t: 480.0 + 0 * t["mist"], lambda t: t["mist"] > 0))
    assert ax.get_ylabel() == "light [lux]"


@pytest.mark.parametrize("tried", [None, pd.DataFrame({"mist": [2.0, 10], "mean": [440.0, 450]})])
def test_a_curve_marks_what_may_be_best_on_its_axis(tried):
    curve = pd.DataFrame({"mist": DUTY, "estimate": 480 - 3 * (DUTY - 6) ** 2})
    curve = curve.assign(low=curve["estimate"] - 30, high=curve["estimate"] + 30)
    ax = figures.setting_curve(
        curve.assign(within=(DUTY >= 5) & (DUTY <= 7)),
        setting="mist",
        axis="mist [% of the time]",
        quantity="fresh weight [g]",
        today=8.0,
        tried=tried,
    )
    bar = next(line for line in ax.lines if line.get_linewidth() == 5)
    assert bar.get_xdata().tolist() == [5, 7]
    words = " ".join(text.get_text() for text in ax.texts).replace("\n", " ")
    assert ("circles" in words) == (tried is not None)


def test_yield_against_use_fills_the_marks_that_surely_lose_no_more():
    table = pd.DataFrame({"use": [0.5, 1.0, 1.5], "yield": [400.0, 450, 470]})
    table = table.assign(yield_low=table["yield"] - 40, yield_high=table["yield"] + 40)
    ax = figures.yield_against_use(
        table.assign(loses_no_more=[False, False, True]),
        today={"use": 2.0, "yield": 460.0},
        axis="water [L a day]",
        quantity="fresh weight [g]",
    )
    filled = {line.get_markerfacecolor(): line.get_xdata().tolist() for line in ax.lines[1:3]}
    assert sorted(map(len, filled.values())) == [1, 2]
    assert [1.5] in filled.values()


def test_a_curve_without_limits_says_that_there_are_none():
    table = pd.DataFrame({"mist": DUTY, "estimate": 480 - 3 * (DUTY - 6) ** 2}).assign(
        low=np.nan, high=np.nan, within=True
    )
    given = {"setting": "mist", "axis": "mist [%]", "quantity": "fresh weight [g]", "today": 8.0}
    without = figures.setting_curve(table, **given)
    limited = table.assign(low=table["estimate"] - 20, high=table["estimate"] + 20)
    with_them = figures.setting_curve(limited, **given)
    said = [
        " ".join(" ".join(text.get_text() for text in ax.texts).split())
        for ax in (without, with_them)
    ]
    assert ["without limits" in words for words in said] == [True, False]
    assert ["band: 95 % limits" in words for words in said] == [False, True]
