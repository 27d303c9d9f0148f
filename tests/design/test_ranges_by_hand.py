"""Plans of ranges: what units share, what a room holds, and three equal levels, by hand."""

import itertools
import math
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import trialkit as tk
from trialkit.chamber.room import Band, ChamberError
from trialkit.design.layout.chance import Draws
from trialkit.design.points import chance as chances
from trialkit.design.points import draw, held
from trialkit.design.points.criteria import range_products
from trialkit.design.points.draw import (
    _check,
    _levels,
    _where_held,
    finest_site,
    prediction_error,
    random_parts,
    settings_of_units,
    usual_units,
)
from trialkit.design.points.held import Held, _band, _not_held, _share, settings_held
from trialkit.design.points.search import PointsTask
from trialkit.design.points.three_levels import (
    RangeError,
    _cross,
    _distinct,
    _three,
    three_equal_levels,
)
from trialkit.errors import PlanError
from trialkit.settings.setting_range import SettingRange
from trialkit.structure import parse_structure

DUTY = SettingRange("duty_pct", 2, 10, usual=6, steps=(2, 4, 6, 8, 10))
LUX = SettingRange("lux", 0, 400, usual=200, steps=(0, 100, 200, 300, 400))


def factor_of(name, tuned, applied_to=("tent",), **more):
    """Give a treatment whose levels are named by their numbers."""
    levels = {f"{v:g}": SimpleNamespace() for v in tuned.steps}
    return SimpleNamespace(
        name=name, tuned=tuned, applied_to=applied_to, number=float, levels=levels,
        control=f"{tuned.usual:g}", apart=(), forbidden=(), method="auto", replication=None, **more,
    )  # fmt: skip


def trial_of(factors, structure="tent / bag", **counts):
    structure = parse_structure(structure)
    counts = {name: counts[name] for name in structure.factors}
    factors = {f.name: f for f in factors}
    return SimpleNamespace(
        structure=structure, counts=counts, factors=factors, tuned=list(factors.values())
    )


# ------------------------------------------------------------------ what units share


def test_units_share_what_lies_above_them_and_average_what_lies_within():
    """Runs 3, 6, 12 % and three blocks of 12, 20, 30 %: 9 + 144/3, 36 + 400/3, 144 + 900/3."""
    mist = factor_of("mist", DUTY, ("batch", "chamber"))
    trial = trial_of([mist], "(batch * chamber) / block", batch=2, chamber=4, block=3)
    site = finest_site(trial)
    assert (site.term, site.n) == (("batch", "chamber"), 8)
    units, planning = random_parts(trial, site)
    assert {name: u.tolist() for name, u in units.items()} == {
        "batch": [0] * 4 + [1] * 4, "chamber": [0, 1, 2, 3] * 2
    }  # fmt: skip
    assert [rest for _, rest in planning] == pytest.approx([57, 36 + 400 / 3, 444])
    assert [above for above, _ in planning] == [
        {"batch": 16, "chamber": 4}, {"batch": 64, "chamber": 16}, {"batch": 225, "chamber": 64}
    ]  # fmt: skip


def test_one_unit_in_twelve_has_todays_settings_and_one_at_least():
    for n, want in ((1, 1), (23, 1), (24, 2), (35, 2), (36, 3)):
        assert usual_units(SimpleNamespace(n=n)) == want


def test_the_error_of_means_and_of_differences_to_today():
    """Tents at 2, 6, 6 and 10 %: 4² + 20²/3 a tent at usual variation; by levels' own means."""
    trial = trial_of([factor_of("mist", DUTY)], tent=4, bag=3)
    each = 16 + 400 / 3
    values = np.array([[2.0], [6], [6], [10]])
    at, error = prediction_error(trial, values, points=[[-1], [0], [1]], against_usual=False)
    assert at[:, 0].tolist() == [2, 6, 10]
    assert error.tolist() == pytest.approx(np.sqrt([each, each / 2, each]))
    at, error = prediction_error(trial, values, points=[[-1], [0], [1]])
    assert error.tolist() == pytest.approx(np.sqrt([1.5 * each, 0, 1.5 * each]))
    at, _ = prediction_error(trial, values)
    assert at[:, 0].tolist() == [2, 4, 6, 8, 10]


def test_settings_of_the_units_that_are_treated():
    trial = trial_of(
        [factor_of("mist", DUTY), factor_of("light", LUX, ("tent", "bag"))], tent=2, bag=2
    )
    table = pd.DataFrame({"tent": list("AABB"), "bag": [1, 2] * 2, "mist": ["2", "2", "8", "8"],
                          "light": ["0", "100", "200", "300"]})  # fmt: skip
    assert settings_of_units(trial, table).tolist() == [[2, 0], [2, 100], [8, 200], [8, 300]]
    alone = trial_of([factor_of("mist", DUTY)], tent=2, bag=2)
    assert settings_of_units(alone, table).tolist() == [[2], [8]]
    assert _levels(alone.tuned[0], np.array([2.0, 9.1, 6.9, 10])).tolist() == [0, 4, 2, 4]


def test_what_cannot_be_tuned_together_is_refused():
    mist, light = factor_of("mist", DUTY), factor_of("light", LUX)
    _check(trial_of([mist, light], tent=4, bag=1))
    named = factor_of("spawn", DUTY)
    trial = trial_of([named, mist], tent=4, bag=1)
    named.tuned, trial.tuned = None, [mist]
    with pytest.raises(PlanError, match="spawn has named levels and mist a range"):
        _check(trial)
    for key, value in (("apart", (("a", "b"),)), ("forbidden", (("a", "b"),)),
                       ("method", "latin square"), ("replication", {"2": 2})):  # fmt: skip
        odd = factor_of("mist", DUTY)
        setattr(odd, key, value)
        with pytest.raises(PlanError, match="are for named levels"):
            _check(trial_of([odd], tent=4, bag=1))
    three = [factor_of(name, DUTY) for name in "abc"]
    _check(trial_of(three, tent=4, bag=1))
    with pytest.raises(PlanError, match="at most three"):
        _check(trial_of([*three, factor_of("d", DUTY)], tent=4, bag=1))


def test_units_of_two_settings_lie_within_one_another():
    both = [factor_of("mist", DUTY, ("tent",)), factor_of("light", LUX, ("tent", "bag"))]
    assert finest_site(trial_of(both, tent=3, bag=2)).term == ("tent", "bag")
    crossed = [factor_of("mist", DUTY, ("week",)), factor_of("light", LUX, ("tent",))]
    with pytest.raises(PlanError, match="within one another"):
        finest_site(trial_of(crossed, "week * tent", week=2, tent=3))


def test_the_chance_to_see_a_hill_over_two_settings():
    """Nine tents, 3 × 3: a² + b² has a sum of squares of 4 about its mean 4/3.

    16/9 in the middle, 4 · 1/9 at the edges and 4 · 4/9 at the corners; 5 terms; little, usual
    and much variation: 2² + 12²/3, 4² + 20²/3, 8² + 30²/3.
    """
    trial = trial_of([factor_of("mist", DUTY), factor_of("light", LUX)], tent=9, bag=3)
    values = np.array(list(itertools.product((2, 6, 10), (0, 200, 400))), dtype=float)
    got = chances.chance_to_see(trial, values, 10.0, 3.0)
    for value, each in zip(got, (364, 16 + 400 / 3, 52), strict=True):
        point = stats.f.ppf(0.95, 5, 3)
        assert value == pytest.approx(stats.ncf.sf(point, 5, 3, 400 / each), rel=1e-6)


# ------------------------------------------------------------------ what a room holds


def test_settings_that_are_left_out_are_those_and_no_others():
    out = Held({"mist": ["2", "10"], "light": ["200"]})
    factors = [factor_of("mist", DUTY), factor_of("light", LUX)]
    coded = np.array([[-1, -1], [-0.5, 0.5], [0, 0], [1, -1], [0.5, 1 - 1e-6], [-1 + 2e-5, 1]])
    assert out.allowed(factors, coded).tolist() == [False, True, False, False, True, True]
    assert out.allowed(factors, np.array([[1 - 9e-6, 1.0]])).tolist() == [False]
    assert Held({}).allowed(factors, coded).all()
    assert _where_held(Held({}), factors, [DUTY, LUX]) == {}
    kept = _where_held(out, factors, [DUTY, LUX])
    assert len(kept["over"]) == 3 * 4
    assert kept["allowed"](coded).sum() == 3


def shares(monkeypatch, **share):
    monkeypatch.setattr(held, "_share", lambda level, rooms, band: share[level])


def test_levels_are_tried_from_both_ends_until_one_holds(monkeypatch):
    """The share that must hold is 1 in 20; today's 6 % is never left out."""
    factor = factor_of("mist", DUTY)
    factor.levels = {name: f"l{name}" for name in ("8", "2", "10", "4", "6")}
    for given, out in (
        ([0, 0.04, 0, 0.05, 0.01], ["2", "4", "10"]), ([0.05, 0, 0, 0, 0.05], []),
        ([0.049, 0.05, 0, 0.9, 0.2], ["2"]), ([0, 0, 0, 0, 0], ["2", "4", "8", "10"]),
        ([0.9, 0, 0, 0.9, 0], ["10"]),
    ):  # fmt: skip
        shares(monkeypatch, **dict(zip(("l2", "l4", "l6", "l8", "l10"), given, strict=True)))
        assert _not_held(factor, [], None) == out


def test_a_setting_holds_where_its_mean_lies_in_the_band(monkeypatch):
    """Both ends count; above full counts as full; a band of its own may be missed by one."""
    monkeypatch.setattr(
        held, "simulate", lambda room, setting: SimpleNamespace(mean_rh_pct=float(room))
    )
    monkeypatch.setattr(held, "read_setting", lambda level: level)
    assert _share("timed", [89.9, 90, 95, 95.1], (90, 95)) == 0.5
    assert _share("timed", [89, 101, 100], (90, 100)) == pytest.approx(2 / 3)
    own = Band(70.0, 72.0)
    assert _share(own, [68.9, 69, 71, 73, 73.1], None) == pytest.approx(3 / 5)


def test_the_band_that_timed_mist_is_to_hold():
    def trial(low, high):
        return SimpleNamespace(rig=SimpleNamespace(band_low_rh=low, band_high_rh=high))

    mist = factor_of("mist", DUTY)
    assert _band(trial(85, 95), mist) == (85.0, 95.0)
    for low, high in ((None, 95), (85, None), (None, None)):
        with pytest.raises(ChamberError):
            _band(trial(low, high), mist)
    bands = factor_of("mist", SettingRange("start_below_rh", 66, 94, usual=70))
    assert _band(trial(None, None), bands) is None


@pytest.mark.parametrize(("out", "left"), [(["2"], 4), (["2", "10"], 3), (["2", "4", "10"], 2)])
@pytest.mark.parametrize("band", [(85.0, 95.0), None])
def test_three_settings_must_be_left(out, left, band, monkeypatch):
    monkeypatch.setattr(held, "_rooms", lambda trial: [])
    monkeypatch.setattr(held, "_band", lambda trial, factor: band)
    monkeypatch.setattr(held, "_not_held", lambda factor, rooms, band: out)
    trial = trial_of([factor_of("light", LUX), factor_of("mist", DUTY)], tent=4, bag=1)
    if left < 3:
        with pytest.raises(PlanError, match=f"can hold only {left} settings"):
            settings_held(trial)
        return
    found = settings_held(trial)
    assert found.left_out == {"mist": out}  # light makes no humidity
    (told,) = found.findings
    assert (told.code, told.severity) == ("settings_left_out", "caution")
    values = told.said.values
    assert values["least"] == pytest.approx(5)
    assert values["levels"] == out
    assert told.said.key.endswith("band" if band else "own_band")
    assert (values.get("low"), values.get("high")) == (band or (None, None))


def test_sixty_rooms_are_drawn(monkeypatch):
    monkeypatch.setattr(held, "room_from_rig", lambda rig: rig)
    told = []
    monkeypatch.setattr(
        held, "draw_rooms", lambda *a, **k: told.append((a, k)) or SimpleNamespace(rooms=[1])
    )
    assert held._rooms(SimpleNamespace(rig="rig")) == [1]
    assert told[0][0] == ("rig", 60)


# ------------------------------------------------------------------ three equal levels


@pytest.mark.parametrize("unit", ["chamber", "batch"])
def test_a_range_may_be_given_to_the_outermost_units(unit, make_trial):
    """Twelve starts of one box, or twelve tents: nothing lies above them that they share."""
    trial = make_trial(
        f"structure = '{unit} / block'\n{unit} = 12\nblock = 3\nflushes = 1",
        {"mist": (unit, [], "control = 'usual'\n"
         "range = { duty_pct = [2, 10], on_s = 20, step = 2 }\n"
         "levels.usual = { on_s = 20, off_s = 180 }")},
    )  # fmt: skip
    units, planning = random_parts(trial, finest_site(trial))
    assert [set(u) for u in units.values()] == [{0}]
    assert all(list(above.values()) == [0] for above, _ in planning)
    found = draw.draw_points(trial, Draws(1), starts=3)
    told = []
    tk.assign(trial, progress=lambda *now: told.append(now))
    assert told == [(i, 12) for i in range(1, 13)]
    # of like units a quarter at either end and half in the middle is best; today's 10 % is an end
    want = [2] * 3 + [6] * 6 + [10] * 3
    assert sorted(found.table["mist"]) == pytest.approx(want, abs=0.01)


@pytest.mark.parametrize(
    ("ratio", "key", "values"),
    [(math.inf, "none", {}), (1.0, "alike", {}), (1.019, "alike", {}), (0.981, "alike", {}),
     (1.021, "more", {"as_many": 25, "change": 2.1}), (1.5, "more", {"as_many": 36, "change": 50}),
     (0.975, "fewer", {"as_many": 23, "change": 2.5})],
)  # fmt: skip
def test_a_plan_is_told_beside_three_equal_levels(ratio, key, values):
    """24 units: as good as 24 times the ratio."""
    said = RangeError(None, None, {}, ("tent",), 24, ratio).said
    assert said.key == f"strata.surface.three.{key}"
    assert said.values["number"] == 24
    for name, value in values.items():
        assert said.values[name] == pytest.approx(value)


def test_three_levels_are_both_ends_and_the_step_next_to_the_middle():
    assert _three(DUTY, 2, 10).tolist() == [-1, 0, 1]
    assert _three(DUTY, 4, 10).tolist() == [-0.5, 0, 1]  # 7 lies as near to 6 as to 8
    assert _three(DUTY, 2, 5).tolist() == [-1, -0.5, -0.25]
    assert _three(SettingRange("x", 0, 10, usual=1), 0, 9).tolist() == pytest.approx(
        [-1, -0.1, 0.8]
    )


def task_of(settings, given_to):
    size = {1: 3, 2: 6}[len(settings)]
    n = len(given_to[0])
    return PointsTask(
        settings, [np.asarray(g) for g in given_to], [np.eye(n)],
        range_products(size, len(settings), None), "average variance",
        lambda x: np.ones(len(x), dtype=bool), 1,
    )  # fmt: skip


def test_combinations_are_dealt_in_equal_numbers():
    levels = [np.array([-1.0, 0, 1])] * 2
    same = np.arange(18)
    dealt = _cross(task_of([DUTY, LUX], [same, same]), levels, np.random.default_rng(1))
    assert set(np.unique(dealt, axis=0, return_counts=True)[1]) == {2}
    assert len(np.unique(dealt, axis=0)) == 9
    # nine tents of two bags: a duty three tents each, a light three bags with each duty: 6/3 = 2
    tents = np.repeat(range(9), 2)
    for seed in range(4):
        dealt = _cross(task_of([DUTY, LUX], [tents, same]), levels, np.random.default_rng(seed))
        assert (dealt[0::2, 0] == dealt[1::2, 0]).all()
        assert np.unique(dealt, axis=0, return_counts=True)[1].tolist() == [2] * 9
    assert len(_distinct([same, tents, same])) == 2


def test_three_levels_keep_a_unit_of_today():
    """Ten like tents between 2 and 10 % hold three of each, one more, one of them today's 6 %."""
    task = task_of([DUTY], [range(10)])
    found = three_equal_levels(task, [(2.0, 10.0)])
    counts = [int((found[:, 0] == v).sum()) for v in (-1, 0, 1)]
    assert sum(counts) == 10
    assert min(counts) >= 3


def test_drawn_points_stand_on_whole_units(make_trial, monkeypatch):
    """Settings of the search, put on tents by chance: each bag has that of its tent."""
    file = "structure = '(batch * chamber) / block'\nbatch = 2\nchamber = 6\nblock = 3\nflushes = 1"
    trial = make_trial(file, {"mist": ("batch:chamber", [], "control = 'usual'\n"
                       "range = { duty_pct = [2, 10], on_s = 20, step = 2 }\n"
                       "levels.usual = { on_s = 20, off_s = 220 }")})  # fmt: skip
    monkeypatch.setattr(draw, "settings_held", lambda trial: Held({}))
    found = draw.draw_points(trial, Draws(1), starts=1)
    assert len(found.table) == 12
    level = found.level["mist"].reshape(12, 3)
    assert (level == level[:, :1]).all()
    numbers = np.array([trial.factors["mist"].number(x) for x in trial.factors["mist"].levels])
    assert numbers[level[:, 0]] == pytest.approx(found.table["mist"].to_numpy())
    assert sorted(found.table["mist"]) == pytest.approx(sorted(found.found.values[:, 0]))
    assert found.table["batch"].tolist() == ["B1"] * 6 + ["B2"] * 6
    assert found.found.starts == 1
