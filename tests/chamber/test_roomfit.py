"""How a fit is made: what is read as it stands, what is fitted twice, what a limit leaves."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy.stats import t as student

from trialkit.chamber import ChamberError, roomfit
from trialkit.chamber.allowances import Settled
from trialkit.chamber.course import Course, predict_readings
from trialkit.chamber.rates import Layout, Solution
from trialkit.chamber.roomfit import _judge, _Made, _pack, _settle, fit_course

X = np.array([math.log(4.0), math.log(150.0), math.log(30.0), 2.0, 9.0, 52.0, 8.6])
LAYOUT = Layout(knots=1, outside=None, fog=False)


def make_course(temp_lag: float = math.nan, temps: int = 0) -> Course:
    times = np.arange(210) * 10.0
    begin = np.arange(0.0, 2090.0, 200.0)
    switch = np.concatenate([[0.0], np.column_stack([begin, begin + 20.0]).ravel()])
    full = np.full(210, 17.3)
    course = Course(
        time_s=times, rh_pct=np.zeros(210), full_g_m3=full, switch_s=switch,
        on=np.concatenate([[0.0], np.tile([1.0, 0.0], len(begin))]),
        switch_full=np.full(len(switch), 17.3), knots_s=np.zeros(1), node_s=times,
        node_full=full, temp_lag_s=temp_lag, start=pd.Timestamp("2031-03-01", tz="UTC"),
        temp_apart_c=np.full((210, temps), 0.01),
    )  # fmt: skip
    return replace(course, rh_pct=predict_readings(course, **LAYOUT.unpack(X)))


def jacobian(slope: float = 2.0) -> np.ndarray:
    out = np.zeros((210, 7))
    for k in range(7):
        out[30 * k : 30 * (k + 1), k] = slope
    return out


class Stage:
    """Stand-ins for the search and for what is made of it, that keep what they were given."""

    def __init__(self, patch: pytest.MonkeyPatch, *, fog: bool = False) -> None:
        self.courses: list[Course] = []
        self.taken: list[tuple[bool, float]] = []
        self.how: list[dict[str, Any]] = []
        self.packed: tuple[Any, ...] = ()
        layout = Layout(knots=1, outside=None, fog=fog)

        def find(course: Course, **how: Any) -> tuple[Solution, Layout]:
            self.courses.append(course)
            self.how.append(how)
            return Solution(X, np.zeros(210), jacobian()), layout

        def settle(course, above, solution, layout, empty, taken) -> _Made:  # type: ignore[no-untyped-def]
            self.taken.append((empty, taken))
            together = Settled(X, np.eye(7), np.zeros(0), 200.0, 0.0)
            return _Made(together, 0.4, np.full(210, 3.0))

        patch.setattr(roomfit, "find_rates", find)
        patch.setattr(roomfit, "_settle", settle)
        patch.setattr(roomfit, "_pack", lambda *given: setattr(self, "packed", given))


@pytest.mark.parametrize(
    ("empty", "lag", "as_read"),
    [
        (True, math.nan, False), (True, 21.0, False), (True, 5.0, False),
        (False, math.nan, True), (False, 20.0, True), (False, 21.0, False),
    ],
)  # fmt: skip
def test_beside_crop_only_a_slow_thermometer_is_seen_through(
    monkeypatch: pytest.MonkeyPatch, empty: bool, lag: float, as_read: bool
) -> None:
    """A thermometer of 20 s shows the air itself: what it reads is no course of mist alone."""
    stage, course = Stage(monkeypatch), make_course(lag, 1)
    fit_course(course, empty=empty)
    assert (stage.courses[0].temp_apart_c is None) is as_read


def test_wet_crop_is_taken_out_and_the_rest_fitted_once_more(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    stage, course = Stage(monkeypatch), make_course(21.0, 1)
    fit_course(course, empty=False, outside_g_m3=8.0, most_mist=99.0)
    assert stage.taken == [(False, 0.0), (False, 0.4)]
    assert stage.courses[1].rh_pct == pytest.approx(course.rh_pct - 3.0)
    assert stage.how == [{"saturated_above": 99.0, "outside": 8.0, "most_mist": 99.0}] * 2
    assert stage.packed[0].rh_pct is course.rh_pct
    stage = Stage(monkeypatch)
    fit_course(course)
    assert stage.taken == [(True, 0.0)]
    assert stage.how == [{"saturated_above": 99.0, "outside": None, "most_mist": math.inf}]
    _, chamber, above, _, _, level, most = stage.packed
    assert (chamber, above, level, most) == ("", 99.0, 0.95, math.inf)


def test_in_fog_the_temperature_is_as_read(monkeypatch: pytest.MonkeyPatch) -> None:
    for fog in (True, False):
        stage = Stage(monkeypatch, fog=fog)
        fit_course(make_course(90.0, 1))
        assert (stage.packed[0].temp_apart_c is None) is fog


# ------------------------------------------------------------------ brought together


def test_what_wet_crop_did_to_the_readings() -> None:
    """Its column for the share found: what was taken already and what the readings add."""
    course = make_course()
    solution = Solution(X, 0.2 * np.sin(np.arange(210.0)), jacobian())
    none = _settle(course, math.inf, solution, LAYOUT, True, 0.0)
    assert none.taken == 0.0
    assert none.pulled.tolist() == [0.0] * 210
    moving = replace(course, node_full=17.3 - np.cos(course.time_s / 300))
    before = _settle(moving, math.inf, solution, LAYOUT, False, 0.0)
    after = _settle(moving, math.inf, solution, LAYOUT, False, 0.25)
    for made in (before, after):
        assert np.ptp(made.pulled) > 0
        assert 0 <= made.taken <= 1
    # the column is of one share: what is pulled goes with it
    assert before.pulled / before.taken == pytest.approx(after.pulled / after.taken, rel=1e-9)


def made(x: np.ndarray, cov: np.ndarray, freedom: float = 200.0) -> _Made:
    return _Made(Settled(x, cov, np.zeros(0), freedom, 0.1), 0.0, np.zeros(210))


def pack(x: np.ndarray, cov: np.ndarray, *, layout: Layout = LAYOUT, level: float = 0.95,
         freedom: float = 200.0):  # fmt: skip
    course = make_course()
    return _pack(course, "T1", math.inf, made(x, cov, freedom), layout, level, math.inf)


def test_numbers_of_a_fit_by_student() -> None:
    """Each log by its own error, 1.1 times as large; 0.9 of the chance lies within."""
    cov = np.diag([0.01, 0.0004, 0.0025, 4.0, 1.0, 1.0, 0.04])
    fit = pack(X, cov, level=0.9, freedom=12.5)
    wide = student.ppf(0.95, 12.5) * 1.1
    for name, value, error in (("air_changes_h", 4.0, 0.1), ("mist_g_m3_h", 150.0, 0.02),
                               ("lag_s", 30.0, 0.05)):  # fmt: skip
        row = fit.estimates.loc[name]
        want = [value, value * 1.1 * error, value * math.exp(-wide * error),
                value * math.exp(wide * error)]  # fmt: skip
        assert row.tolist() == pytest.approx(want), name
        assert fit.log_se[name] == pytest.approx(1.1 * error)
    for name, value, error in (("delay_s", 2.0, 2.0), ("outside_g_m3", 8.6, 0.2)):
        want = [value, 1.1 * error, value - wide * error, value + wide * error]
        assert fit.estimates.loc[name].tolist() == pytest.approx(want), name
    assert fit.chamber == "T1"
    assert fit.autocorrelation == 0.1
    assert fit.fitted_rh_pct == pytest.approx(fit.course.rh_pct)
    assert fit.r2 == pytest.approx(1.0)


def test_what_leaves_the_possible_is_brought_back() -> None:
    """A delay of two minutes at most, a mist of 5000 g/m³ an hour; an error without end."""
    cov = np.eye(7) * 1e-4
    far = X.copy()
    far[3] = 130.0
    assert pack(far, cov).estimates.loc["delay_s", "estimate"] == 120.0
    far[3] = -130.0
    assert pack(far, cov).estimates.loc["delay_s", "estimate"] == -120.0
    far = X.copy()
    far[1] = math.log(9000.0)
    beyond = pack(far, cov)
    most = X.copy()
    most[1] = math.log(5000.0)
    assert beyond.fitted_rh_pct == pytest.approx(pack(most, cov).fitted_rh_pct)
    lost = pack(X, np.eye(7) * 1e12)
    assert {why.key for why in lost.why_not.values()} == {"chamber.because.too_wide"}
    assert lost.estimates.loc["lag_s"].isna().all()


def test_incoming_air_that_drifts_is_told_by_its_mean() -> None:
    """Knots at both ends: half of each, with the error of their mean."""
    course = replace(make_course(), knots_s=np.array([0.0, 2090.0]))
    x, layout = np.append(X, 9.6), Layout(knots=2, outside=None, fog=False)
    cov = np.diag([1e-4] * 6 + [0.04, 0.09])
    cov[6, 7] = cov[7, 6] = 0.03
    course = replace(course, rh_pct=predict_readings(course, **layout.unpack(x)))
    fit = _pack(course, "", math.inf, made(x, cov), layout, 0.95, math.inf)
    row = fit.estimates.loc["outside_g_m3"]
    assert row["estimate"] == pytest.approx(9.1)
    assert row["se"] == pytest.approx(1.1 * math.sqrt((0.04 + 0.09 + 2 * 0.03) / 4))
    assert np.ptp(course.drift) > 0.5


def test_the_least_readings_and_the_least_swing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Twenty below the limit that span half a point are enough; those at it do not count."""
    Stage(monkeypatch)
    flat = np.full(210, 99.0)
    flat[:20] = 70.0 + 0.5 * (np.arange(20) % 2)
    fit_course(replace(make_course(), rh_pct=flat))
    for at, value in ((19, 99.0), (slice(1, 20, 2), 70.25)):
        wrong = flat.copy()
        wrong[at] = value
        with pytest.raises(ChamberError, match="too little to learn from"):
            fit_course(replace(make_course(), rh_pct=wrong))


def test_how_much_is_explained_is_said_in_a_hundred() -> None:
    rows = {"lag_s": {"estimate": 30.0}, "delay_s": {"estimate": 2.0, "low": 0.0, "high": 4.0},
            "outside_g_m3": {"estimate": 8.6}}  # fmt: skip
    used = np.ones(210, dtype=bool)
    for r2, explained in ((-0.5, 0.0), (0.5, 50.0)):
        [told] = _judge(make_course(), rows, used, r2, 0.1)
        assert (told.code, told.values["explained"]) == ("poor_fit", explained)
    used[:63] = False
    [told] = _judge(make_course(), rows, used, 0.9, 0.1)
    assert told.values["share"] == pytest.approx(30.0)


def test_readings_at_the_limit_are_left_out_of_all() -> None:
    """The highest reading is the limit itself: search, allowances and fit leave out the same."""
    course = make_course()
    limit = float(course.rh_pct.max())
    fit = fit_course(course, saturated_above=limit)
    assert fit.used.tolist() == (course.rh_pct < limit).tolist()
    assert 0 < (~fit.used).sum() < 210
