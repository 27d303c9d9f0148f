"""What joins a plan and what a simulation asks for, part by part: values counted by hand."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from trialkit.design.layout.joined_units import _breaks, _dummies, _shares, _slots
from trialkit.design.layout.standing_levels import _told, ran_before
from trialkit.design.points import chance
from trialkit.design.power import grid, over_time
from trialkit.design.power.simulate import _critical, _drawn, _interaction, _mean_row
from trialkit.settings.polynomial import terms
from trialkit.settings.setting_range import SettingRange


def test_a_rule_is_broken_by_the_unit_itself_or_beside_a_neighbour() -> None:
    """Three chambers in a row; level 1 is forbidden in the first, and 0 beside 2."""
    may = np.ones((3, 3), dtype=bool)
    may[0, 1] = False
    conflict = np.zeros((3, 3), dtype=bool)
    conflict[0, 2] = conflict[2, 0] = True
    beside = np.array([[1, -1], [0, 2], [1, -1]])
    site = SimpleNamespace(limits=SimpleNamespace(may=may, conflict=conflict, neighbours=beside))
    every = np.ones(3, dtype=bool)
    for drawn, broken in (([0, 1, 2], False), ([1, 0, 0], True), ([0, 2, 1], True),
                          ([2, 2, 1], False), ([1, -1, 2], True), ([0, -1, 2], False)):  # fmt: skip
        wanted = every & (np.array(drawn) >= 0)
        assert _breaks(site, np.array(drawn), wanted) is broken, drawn
    # what nobody wants to know of may break a rule
    assert not _breaks(site, np.array([1, 0, 0]), np.array([False, True, True]))
    assert not _breaks(SimpleNamespace(limits=None), np.array([1, 0, 0]), every)


def test_levels_are_asked_for_by_their_weights() -> None:
    """Twice as often as the other two: 2, 1, 1 over a mean of 4/3; crossed with two alike."""
    site = SimpleNamespace(asked={"a": (2, 1, 1)})
    assert _shares(site).tolist() == pytest.approx([1.5, 0.75, 0.75])
    site.asked["b"] = (1, 1)
    assert _shares(site).tolist() == pytest.approx([1.5, 1.5, 0.75, 0.75, 0.75, 0.75])
    assert _shares(SimpleNamespace(asked={})).tolist() == [1.0]


def test_places_grow_dearer_with_what_stands_in_the_group() -> None:
    """One of level 0 stands in the group; over all there are two of level 0 and one of level 1.

    Places within a group cost 10 000 each from a half on, those over all ten.
    """
    out = np.array([0, 1, -1, 0])
    slots, cost = _slots(SimpleNamespace(t=2), out, np.array([0]), 2, np.ones(2))
    assert slots.tolist() == [0, 0, 1, 1]
    assert cost.tolist() == [15_020.0, 25_020.0, 5_010.0, 15_010.0]
    _, twice = _slots(SimpleNamespace(t=2), out, np.array([0]), 1, np.array([2.0, 1.0]))
    assert twice.tolist() == [7_510.0, 5_010.0]


def test_one_column_for_each_value() -> None:
    assert _dummies(["b", "a", "b"]).tolist() == [[1, 0], [0, 1], [1, 0]]


def test_an_entry_tells_a_level_of_its_own_treatment_and_unit() -> None:
    unit = {"unit": "1-A"}
    for kind, name, about, told in (
        ("got", "light", True, True), ("got", "light", False, False),
        ("got", "spawn", True, False), ("lost", "light", True, False),
    ):  # fmt: skip
        entry = SimpleNamespace(kind=kind, treatment=name, about=lambda _, about=about: about)
        assert _told(entry, "light", unit) is told


def test_what_had_begun_before_it_was_drawn(monkeypatch: pytest.MonkeyPatch) -> None:
    """Batch 1 had begun when its units were drawn; unit 3-A is in no draw; 2-A is in time."""
    from trialkit.design.layout import standing_levels

    batches = {"1-A": "1", "2-A": "2", "3-A": "3"}
    monkeypatch.setattr(standing_levels, "batch_of", lambda trial: batches)
    table = pd.DataFrame({"unit": list(batches)})
    draws = [SimpleNamespace(units=("1-A", "2-A"), begun=("1",))]
    plan = SimpleNamespace(trial=None, table=table, draws=draws)
    assert ran_before(plan) == {"1-A", "3-A"}
    assert ran_before(SimpleNamespace(trial=None, table=table, draws=[])) == set()


# ------------------------------------------------------------------ rows of a simulation


def made(names: dict[str, tuple[str, ...]]) -> tuple[SimpleNamespace, SimpleNamespace]:
    """Give a job over crossed levels and a design of one column for each cell."""
    table = pd.DataFrame([(a, b) for a in names["a"] for b in names["b"]], columns=["a", "b"])
    design = SimpleNamespace(levels=names, rows=lambda grid: np.eye(len(grid)))
    return SimpleNamespace(table=table, known=(), term="a:b"), design


def test_the_row_of_an_interaction_is_a_difference_of_differences() -> None:
    """Levels by name: (x − y) at p less (x − y) at q; z has no part in it."""
    job, design = made({"a": ("x", "y", "z"), "b": ("p", "q")})
    assert _interaction(job, design).tolist() == [1, -1, -1, 1, 0, 0]
    job.term = "b"
    assert _interaction(job, design).tolist() == pytest.approx(np.tile([1 / 3, -1 / 3], 3))


def test_the_row_of_a_mean_is_even_over_the_other_levels() -> None:
    job, design = made({"a": ("x", "y", "z"), "b": ("p", "q")})
    job.term = "a"
    assert _mean_row(job, design, "y").tolist() == [0, 0, 0.5, 0.5, 0, 0]


def test_what_a_ratio_was_drawn_with() -> None:
    """A difference of 20 around 100: 110 and 90, less nine tenths: 110 − 81."""
    job = SimpleNamespace(wanted=SimpleNamespace(difference_pct=20.0))
    assert _drawn(job, 0.9) == pytest.approx(29.0)
    assert _drawn(job, 1.0) == pytest.approx(20.0)


def test_critical_values_lie_on_lines_over_the_inverse_of_df() -> None:
    """Halfway between 1/10 and 1/20 is 1/13.333."""
    job = SimpleNamespace(critical_df=np.array([10.0, 20.0]), critical=np.array([2.4, 2.0]))
    assert _critical(job, [10.0, 40 / 3, 20.0, 5.0]).tolist() == pytest.approx([2.4, 2.2, 2, 2.4])


def test_the_chance_to_see_a_hill_is_that_of_scipy(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nine units at −1, 0 and 1, variance 25, a fall of 10 % at the ends.

    About its mean x² has a sum of squares of 6 − 36/9 = 2: noncentrality 100 · 2/25 = 8, on 2
    and 6 df. A line has no part in it, nor the other variances than in their own chance.
    """
    values = np.repeat([-1.0, 0.0, 1.0], 3)[:, None]
    tuned = SettingRange("wait", -1, 1, usual=0, steps=(-1, 0, 1))
    trial = SimpleNamespace(tuned=[SimpleNamespace(tuned=tuned)])
    planning = [(None, 4.0), (None, 25.0), (None, 100.0)]
    monkeypatch.setattr(chance, "finest_site", lambda trial: None)
    monkeypatch.setattr(chance, "random_parts", lambda *_: (None, planning))
    monkeypatch.setattr(chance, "unit_weights", lambda units, variances, rest: np.eye(9) / rest)
    assert terms(values).shape == (9, 3)
    want = [
        float(stats.ncf.sf(stats.f.ppf(0.95, 2, 6), 2, 6, 200.0 / rest)) for _, rest in planning
    ]
    assert chance.chance_to_see(trial, values, 10.0, 6.0) == pytest.approx(want[::-1])


# ------------------------------------------------------------------ counts that are enough


@pytest.mark.parametrize("size", [1, 2])
@pytest.mark.parametrize("enough", [2, 3, 5, 6, 7, 13, 39, 40, 41])
@pytest.mark.parametrize("brief", [-3, 0, 1, 4])
def test_the_smallest_count_that_is_enough_by_going_through_all(
    size: int, enough: int, brief: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Power grows with the count; a brief search for layouts needs some more, or some fewer.

    In the middle of the range the full search decides, at its ends the brief one.
    """

    def power_with(_: object, unit: str, count: int, *, quick: bool) -> tuple[float, ...] | None:
        whole = count / size
        assert whole == int(whole)
        at = 0.8 + (whole - enough - (brief if quick else 0)) / 100
        return None if whole < 2 else (at, at, at)

    monkeypatch.setattr(grid, "_MOST", 40 * size)
    monkeypatch.setattr(grid, "steps_of", lambda trial, unit: size)
    monkeypatch.setattr(grid, "_power_with", power_with)
    power = SimpleNamespace(trial=None, wanted=0.8)
    for end, need in ((1, enough), (0, enough + brief), (2, enough + brief)):
        count, reached = grid._first_count(power, "batch", 6 * size, end)
        if (max(need, enough + brief) if end == 1 else need) > 40:
            assert count is None
            assert reached == pytest.approx(0.8 + (40 - enough) / 100)
        else:
            assert count == max(need, 2) * size
            assert reached >= 0.8


@pytest.mark.parametrize("df", [1.0, 2.0, 3.0, 7.5, 40.0])
def test_a_standard_deviation_is_found_too_small_on_average(df: float) -> None:
    """By scipy's law of chi: its mean over the root of the degrees of freedom."""
    assert over_time._mean_root(df) == pytest.approx(stats.chi.mean(df) / df**0.5, rel=1e-12)


@pytest.mark.parametrize(
    ("now", "code", "value"),
    [
        ("trend", "over_time_chosen", None),
        ("time blocks", "over_time_wider", 25.0),  # 5 over 4
        ("by chance", "over_time_better", 10.0),  # 3.6 over 4
    ],
)
def test_a_plan_says_how_its_starts_are_laid_out(
    now: str, code: str, value: float | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    table = pd.DataFrame({"over_time": ["trend", "time blocks", "by chance"],
                          "expected": [4.0, 5.0, 3.6]})  # fmt: skip
    choice = SimpleNamespace(table=table, chosen="trend", reason="so")
    monkeypatch.setattr(over_time, "choose_over_time", lambda trial: choice)
    [found] = over_time.over_time_findings(SimpleNamespace(over_time=now))
    assert found.code == code
    if value is not None:
        told = [v for v in found.values.values() if isinstance(v, float)]
        assert told == [pytest.approx(value)]
    monkeypatch.setattr(over_time, "choose_over_time", lambda trial: None)
    assert over_time.over_time_findings(SimpleNamespace(over_time=now)) == ()
