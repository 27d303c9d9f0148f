"""How exact a plan of ranges will be, and three equal levels beside it: by closed forms."""

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

import trialkit as tk
from trialkit import figures
from trialkit.cli import build
from trialkit.design.points.search import PointsTask
from trialkit.design.points.three_levels import error_over_range, three_equal_levels
from trialkit.design.variation import given_variation
from trialkit.settings.setting_range import SettingRange

FILE = """
[trial]
title = "Best mist"
seed = 7
[units]
structure = "(batch * chamber) / block"
batch = 1
chamber = 12
block = 3
flushes = 1
[factors.mist]
applied_to = "batch:chamber"
control = "usual"
levels.usual = { on_s = 20, off_s = 180 }
range = { duty_pct = [2, 10], on_s = 20, step = 0.5 }
[question]
primary = "mist"
"""
LIGHT = """
[factors.light]
applied_to = "batch:chamber"
control = "today"
levels.today = { lux = 300, hours = 12 }
range = { lux = [100, 900], step = 50 }
"""


def write_trial(folder, text=FILE):
    (folder / "trial.toml").write_text(text, encoding="utf-8")
    return tk.read_trial(folder)


def plan_of(trial, duty):
    """Put a list of duties on the chamber runs: at the levels of the trial nearest to each."""
    mist = trial.tuned[0]
    names = list(mist.levels)
    numbers = np.array([mist.number(n) for n in names])
    table = trial.unit_table()
    runs = pd.factorize(table["chamber"])[0]
    return table.assign(mist=[names[np.abs(numbers - duty[r]).argmin()] for r in runs])


def judged(trial, duty):
    spread = given_variation(trial, {"batch:chamber:block": 12.0})  # all else does not vary
    return error_over_range(trial, plan_of(trial, duty), variation=spread)


def test_the_standard_error_of_one_setting_is_that_of_least_squares(tmp_path):
    """Var = f(x)' (X'X)^-1 f(x) s^2 by numpy; a run is the mean of three blocks of 12 %."""
    trial = write_trial(tmp_path)
    duty = [2.0] * 5 + [6.0] * 4 + [10.0] * 3
    found = judged(trial, duty)
    tried = trial.tuned[0].number  # timers are set to whole seconds: the values as they are
    own = np.array([tried(level) for level in plan_of(trial, duty)["mist"][::3]])
    X = np.vander((own - 6) / 4, 3)
    f = np.vander((found.table["mist"].to_numpy() - 6) / 4, 3)
    variance = np.einsum("ij,jk,ik->i", f, np.linalg.inv(X.T @ X), f) * 12**2 / 3
    np.testing.assert_allclose(found.table["error_pct"], np.sqrt(variance), rtol=1e-9)
    assert sorted(found.tried["n"]) == [3, 4, 5]
    assert found.units == 12


def test_three_equal_levels_beside_themselves_are_alike(tmp_path):
    found = judged(write_trial(tmp_path), [2.0, 6.0, 10.0] * 4)
    assert found.against_three == pytest.approx(1, abs=1e-9)
    assert "about as exact" in str(found.said)


def test_half_of_the_units_in_the_middle_are_an_eighth_better(tmp_path):
    """By hand, the average variance times n for a share a of units at both ends together.

    1/(1-a) - 2/(3 (1-a)) + 1/(3 a) + 1/(5 a (1-a)): 32/15 at a = 1/2, 12/5 at a = 2/3; 9/8.
    """
    found = judged(write_trial(tmp_path), [2.0, 6.0, 6.0, 10.0] * 3)
    assert found.against_three == pytest.approx(9 / 8, rel=1e-3)  # 6 % is 6.006 by whole seconds
    said = str(found.said)
    assert "12 % larger" in said or "13 % larger" in said
    assert "12 chamber runs" in said
    assert "about 14" in said  # 13.5 of them


def test_most_units_in_the_middle_are_worse_and_this_is_said(tmp_path):
    """The closed form above: a = 1/6 gives 3.84, and 2.4 / 3.84 = 0.625."""
    found = judged(write_trial(tmp_path), [2.0] + [6.0] * 10 + [10.0])
    a = 1 / 6
    worse = 1 / (3 * (1 - a)) + 1 / (3 * a) + 1 / (5 * a * (1 - a))
    assert found.against_three == pytest.approx(2.4 / worse, rel=2e-3)
    assert "would tell more" in str(found.said)


def test_ends_that_a_plan_does_not_try_are_left_to_neither(tmp_path):
    """As where the room holds 4 to 8 % only: both average variances over 11 points there, numpy."""
    trial = write_trial(tmp_path, FILE.replace("off_s = 180", "off_s = 313"))  # today 6 %
    found = judged(trial, [4.0, 6.0, 6.0, 8.0] * 3)
    f, average = np.vander(np.linspace(-1, 1, 11), 3), []
    for tried in ([-1, 0, 1] * 4, [-1, 0, 0, 1] * 3):
        X = np.vander(tried, 3)
        average.append(np.einsum("ij,jk,ik->i", f, np.linalg.inv(X.T @ X), f).mean())
    assert found.against_three == pytest.approx(average[0] / average[1], rel=2e-3)
    assert found.table["mist"].min() == pytest.approx(4, abs=0.01)
    assert found.table["mist"].max() == pytest.approx(8, abs=0.01)


def three_of(settings, given_to):
    n = len(given_to[0])
    size = 1 + 2 * len(settings) + (len(settings) == 2)
    task = PointsTask(
        settings,
        given_to,
        [np.eye(n)],
        np.eye(size),
        "average variance",
        lambda x: np.ones(len(x), dtype=bool),
        1,
    )
    return three_equal_levels(task, [(s.low, s.high) for s in settings])


def test_two_settings_are_crossed_in_equal_numbers():
    """Nine combinations on 18 units: two of each; today's is one of them."""
    both = [SettingRange("duty_pct", 2, 10, usual=10), SettingRange("lux", 0, 800, usual=400)]
    coded = three_of(both, [np.arange(18), np.arange(18)])
    points, count = np.unique(coded, axis=0, return_counts=True)
    assert len(points) == 9
    assert count.tolist() == [2] * 9


def test_whole_units_stay_whole_and_todays_settings_are_among_them():
    """Nine runs of three shelves: mist by run, light by shelf; today is none of three levels."""
    both = [SettingRange("duty_pct", 2, 10, usual=9), SettingRange("lux", 0, 800, usual=300)]
    run = np.repeat(np.arange(9), 3)
    coded = three_of(both, [run, np.arange(27)])
    assert all(len(np.unique(coded[run == r, 0])) == 1 for r in range(9))
    assert np.isclose(coded, [0.75, -0.25]).all(axis=1).sum() == 1
    ends = [np.unique(column).tolist() for column in coded.T]
    assert ends == [[-1, 0, 0.75, 1], [-1, -0.25, 0, 1]]


def test_a_plan_that_is_drawn_says_how_it_compares(tmp_path):
    text = FILE.replace("chamber = 12", "chamber = 24")
    write_trial(tmp_path, text + LIGHT)
    told = CliRunner().invoke(build(rich_help=False), ["plan", str(tmp_path)])
    assert told.exit_code == 0, told.output
    assert "Three equal levels of each setting" in " ".join(told.output.split())


def test_the_picture_of_one_setting_is_a_curve_with_what_is_tried(tmp_path):
    found = judged(write_trial(tmp_path), [2.0, 6.0, 10.0] * 4)
    ax = figures.setting_error(
        found.table,
        settings=["mist"],
        labels=["mist [% of the time]"],
        today={"mist": 10.0},
        tried=found.tried,
        basis="n = 12 chamber runs.",
    )
    drawn = ax.lines[0].get_xydata()
    np.testing.assert_allclose(drawn[:, 1], found.table["error_pct"])
    words = [text.get_text() for text in ax.texts]
    assert words.count("4") == 3
    assert "%" in ax.get_ylabel()


def test_an_error_that_is_the_same_everywhere_can_be_drawn():
    grid = pd.DataFrame({"mist": [2.0, 2, 10, 10], "light": [1.0, 9, 1, 9], "error_pct": 3.0})
    ax = figures.setting_error(
        grid,
        settings=["mist", "light"],
        labels=["mist [%]", "light [lux]"],
        today={"mist": 10.0, "light": 1.0},
        tried=grid.assign(n=1),
    )
    assert ax.get_ylabel() == "light [lux]"
