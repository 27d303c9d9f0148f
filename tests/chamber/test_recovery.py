"""The way back after a door was open: what the air starts from, and when it is back."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq

from trialkit import air
from trialkit.chamber import Room, recovery, recovery_minutes, simulate
from trialkit.chamber.constants import Constants

TENT = Room(volume_m3=2.0, air_changes_h=4.0, mist_l_h=0.05, cooling=False)
ALWAYS = {"on_s": 60, "off_s": 0}


class CaughtError(Exception):
    """The start of the run, so that nothing need be run."""


@pytest.mark.parametrize("exchanged", [0.25, 1.0])
def test_what_an_open_door_leaves(monkeypatch: pytest.MonkeyPatch, exchanged: float) -> None:
    """Means of a settled cycle by a fine trace; vapour and fog in part, the water stays."""
    room = Room(
        volume_m3=2.0, air_changes_h=4.0, mist_l_h=2.0, surface_m2=0.5, surface_holds_g_m2=50.0,
        evaporating_fraction=0.6, outside_co2_ppm=450.0, crop_co2_g_h=1.0,
    )  # fmt: skip
    setting = {"on_s": 60, "off_s": 540}

    def catch(constants: Constants, timer: Any, *, start: Any, at_most_s: float) -> None:
        assert at_most_s == 86_400.0
        raise CaughtError(start)

    monkeypatch.setattr(recovery, "run_setting", catch)
    with pytest.raises(CaughtError) as caught:
        recovery_minutes(room, setting, exchanged=exchanged)
    opened = caught.value.args[0]
    usual = simulate(room, setting, 24.0, step_s=1.0)
    mean = usual.trace.iloc[-601:-1].mean()
    c_in = room.outside_g_m3
    assert opened.c == pytest.approx(
        c_in + (1 - exchanged) * (mean["vapour_g_m3"] - c_in), rel=1e-3
    )
    assert opened.t == pytest.approx(mean["temp_c"], abs=0.01)
    assert opened.s == pytest.approx(min(mean["rh_pct"], 100.0), abs=0.1)
    assert opened.q == 450.0
    assert mean["surface_g"] > 1
    assert opened.w == pytest.approx(mean["surface_g"], rel=0.01)
    assert mean["fog_g_m3"] > 0.1
    assert opened.f == pytest.approx((1 - exchanged) * mean["fog_g_m3"], rel=0.05, abs=1e-12)


@pytest.mark.parametrize(("n", "share", "exchanged"), [(4, 0.95, 1.0), (8, 0.8, 0.3)])
def test_the_moment_to_a_hundredth_of_a_second(n: float, share: float, exchanged: float) -> None:
    """Read over a minute: e^(−n t) sinh(x)/x with x = n · 30 s, so ln(sinh(x)/x)/n later."""
    rate = n / 60  # 1/min
    x = rate / 2
    want = (math.log(1 / (1 - share)) + math.log(math.sinh(x) / x)) / rate
    room = TENT.change(air_changes_h=n)
    found = recovery_minutes(room, ALWAYS, exchanged=exchanged, share=share)
    assert found == pytest.approx(want, abs=2e-4)


def test_the_first_stretch_looked_at_is_one_cycle_long() -> None:
    """A thousandth of the way is made up within it: half a minute, its middle."""
    assert recovery_minutes(TENT, ALWAYS, share=1e-3) == 0.5
    slow = {"on_s": 60, "off_s": 540}
    assert recovery_minutes(TENT, slow, share=1e-3) == pytest.approx(5.0, rel=0.02)


def test_by_default_all_air_is_lost_and_a_twentieth_may_lack() -> None:
    told = recovery_minutes(TENT, ALWAYS, exchanged=1.0, share=0.95)
    assert recovery_minutes(TENT, ALWAYS) == told


@pytest.mark.parametrize(("mist", "exchanged"), [(2.0, 1.0), (0.08, 1.0), (0.1, 0.5)])
def test_air_that_fills_with_fog_comes_back_by_one_exponential(
    mist: float, exchanged: float
) -> None:
    """Vapour and fog rise as top − (top − c0) e^(−n t), air takes them up to saturation.

    Fog that is left after the door goes into the air at once. Its mean over a minute, by
    quadrature, makes up 95 % of what the vapour alone had lost.
    """
    room = TENT.change(mist_l_h=mist, height_m=1e6)  # so high that no fog falls out
    n, low = 4 / 60, room.outside_g_m3
    full = float(air.absolute_humidity_g_m3(20.0, 100.0))
    top = low + mist * 998.2 / 8
    lost = exchanged * (full - low)
    begins = full - lost + (1 - exchanged) * (top - full)

    def mean(t: float) -> float:
        return quad(
            lambda u: min(top - (top - begins) * math.exp(-n * u), full),
            t - 0.5,
            t + 0.5,
            limit=200,
        )[0]

    want = brentq(lambda t: mean(t) - (full - 0.05 * lost), 0.5, 100.0)
    assert recovery_minutes(room, ALWAYS, exchanged=exchanged) == pytest.approx(want, abs=2e-3)


def test_never_back_within_a_day() -> None:
    """At 0.1 changes an hour ln 20/0.1 = 30 h; at 0.15 it is 20 h."""
    assert recovery_minutes(TENT.change(air_changes_h=0.1, mist_l_h=0.001), ALWAYS) == math.inf
    hours = recovery_minutes(TENT.change(air_changes_h=0.15, mist_l_h=0.001), ALWAYS) / 60
    assert hours == pytest.approx(math.log(20) / 0.15, rel=1e-3)
    assert np.isfinite(hours)


def test_a_loss_of_less_than_a_point_is_waited_for_too() -> None:
    """Mist of 0.1 mL/h in 8 m³/h lifts the air by 0.07 points: ln 20 over n, as any other."""
    found = recovery_minutes(TENT.change(mist_l_h=1e-4), ALWAYS)
    assert found == pytest.approx(60 * math.log(20) / 4, abs=0.01)
