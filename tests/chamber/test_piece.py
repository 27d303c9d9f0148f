"""One stretch of the balance against a general solver of the same straight-line equations.

The equations are those of the notes of `trialkit.chamber.balance`, written here anew: saturation is
a straight line about the start, and so is what the sensor would read at rest.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad, solve_ivp

from trialkit.chamber import Room
from trialkit.chamber.balance import Piece
from trialkit.chamber.constants import Constants, State, saturation_line

BASE = Room(
    volume_m3=2.0, air_changes_h=5.0, mist_l_h=0.9, evaporating_fraction=0.7, crop_m2=0.8,
    crop_co2_g_h=3.0, mist_air_changes_h=4.0, fogger_w=60.0, fan_w=15.0, heat_w=10.0,
    surface_holds_g_m2=1e4, heat_kj_k=25.0, height_m=1.4,
)  # fmt: skip
FULL, RISE = saturation_line(22.0)
OPEN = State(0.7 * FULL, 22.0, 55.0, 700.0, 0.0)
MISTY = State(FULL, 22.0, 90.0, 700.0, 0.0, 6.0)
TIMES = np.array([0.0, 1.0, 20.0, 300.0])


def follow(piece: Piece, times: np.ndarray) -> np.ndarray:
    """Follow c, T, s, q, W, F, ∫c, ∫(cs − c) and ∫F by scipy."""
    k, x, on = piece.room, piece.start, piece.on
    full, rise = saturation_line(x.t)
    rise = rise if k.cooling else 0.0
    n = k.n_on if on else k.n_off
    given = k.heat_on if on else k.heat_off
    mist = k.mist if on else 0.0
    settles = (1 - k.fraction) * mist
    wet = k.g_wet > 0 and (x.w > 0 or (settles > 0 and settles >= k.g_wet * (full - x.c)))
    if not wet and k.g_wet > 0:  # it leaves a dry surface at once
        gets, settles = settles, 0.0
    else:
        gets = 0.0
    vapour = k.fraction * mist + gets + k.crop_vapour
    g = k.g_crop + (k.g_wet if wet else 0.0)

    def slope(_: float, now: np.ndarray) -> list[float]:
        c, t, s, q, _w, f = now[:6]
        cs = full + rise * (t - x.t)
        leaves = (k.walls + k.air_heat * n) * (k.t_in - t) + given
        if piece.kind == "open":
            gain = vapour + g * (cs - c)
            dc = n * (k.c_in - c) + gain / k.volume
            dt = (leaves - k.latent * gain) / k.heat if k.cooling else 0.0
            df, dw = 0.0, settles - (k.g_wet * (cs - c) if wet else 0.0)
        else:  # c follows cs; e is what keeps it there
            out = k.latent * k.volume * n * (c - k.c_in)
            dt = (leaves - out) / (k.heat + k.latent * k.volume * rise) if k.cooling else 0.0
            dc = rise * dt
            evaporates = k.volume * (dc - n * (k.c_in - c))
            df = (vapour - evaporates) / k.volume - (n + k.falls) * f
            dw = settles + k.volume * k.falls * f
        reads = 100 / full * (x.c + (c - x.c) - x.c * rise / full * (t - x.t))
        ds = (reads - s) / k.lag if k.lag > 0 else 0.0
        dq = n * (k.q_in - q) + k.q_source
        return [dc, dt, ds, dq, dw, df, c, cs - c, f]

    begin = [*x, 0.0, 0.0, 0.0]
    made = solve_ivp(
        slope, (0, times[-1]), begin, method="LSODA", t_eval=times, rtol=1e-11, atol=1e-11
    )
    out = made.y
    if k.lag <= 0:
        out[2] = 100 / full * (out[0] - x.c * rise / full * (out[1] - x.t))
    return out


ROOMS = {
    "cooled": BASE,
    "plain": replace(BASE, cooling=False),
    "cooled, surfaces": replace(BASE, surface_m2=0.9),
    "plain, surfaces": replace(BASE, surface_m2=0.9, cooling=False),
    "plain, bare": replace(BASE, crop_m2=0.0, cooling=False, crop_co2_g_h=0.0),
    "cooled, bare": replace(BASE, crop_m2=0.0, evaporating_fraction=1.0),
}


@pytest.mark.parametrize("lag", [0.0, 0.4, 45.0])
@pytest.mark.parametrize("on", [True, False])
@pytest.mark.parametrize("start", [OPEN, OPEN._replace(w=300.0), MISTY, MISTY._replace(w=80.0)])
@pytest.mark.parametrize("name", ROOMS)
def test_every_kind_of_stretch_by_a_general_solver(
    name: str, start: State, on: bool, lag: float
) -> None:
    k = Constants.of(replace(ROOMS[name], sensor_lag_s=lag))
    start = start._replace(w=start.w if k.g_wet else 0.0)
    piece = Piece(k, start, on=on)
    assert piece.kind == ("saturated" if start.f else "open")
    want = follow(piece, TIMES)
    got = np.array([piece.at(float(t)) for t in TIMES]).T
    many = piece.sample(TIMES)
    fall = np.array([piece.fog(float(t)) for t in TIMES])
    scale = np.maximum(np.abs(want[:6]).max(axis=1), 1.0)[:, None]
    assert got / scale == pytest.approx(want[:6] / scale, abs=1e-7)
    want[5] = np.maximum(want[5], 0.0)
    assert many / scale == pytest.approx(want[:6] / scale, abs=1e-7)
    for k_, t in enumerate(TIMES):
        at = float(t)
        assert piece.integrals(at) == pytest.approx((want[6, k_], want[7, k_]), rel=1e-7, abs=1e-6)
        assert piece.fog_seconds(at) == pytest.approx(want[8, k_], rel=1e-7, abs=1e-6)
        spare = piece.cs + piece.cs_t * (got[1, k_] - start.t) - got[0, k_]
        assert piece.deficit(at) == pytest.approx(spare, abs=1e-9)
        assert piece.water(at) == got[4, k_]
        assert piece.sensor(at) == got[2, k_]
    assert piece.start.f == 0 or fall[0] == pytest.approx(start.f)


# ------------------------------------------------------------------ which kind a stretch is


def constants(**change: object) -> Constants:
    room = Room(volume_m3=2.0, air_changes_h=4.0, mist_l_h=0.3, cooling=False, sensor_lag_s=0.0)
    return Constants.of(room.change(**change))


@pytest.mark.parametrize(
    ("share", "wet"), [(0.5, False), (0.995, False), (1.005, True), (1.5, True)]
)
def test_a_dry_surface_is_wet_once_it_gets_more_than_it_gives_off(share: float, wet: bool) -> None:
    """Half the mist settles, 0.0416 g/s; it gives off 0.003 m/s × area × (cs − c)."""
    k = constants(evaporating_fraction=0.5, surface_m2=2.0)
    full = saturation_line(20.0)[0]
    gap = 0.5 * k.mist / (0.003 * 2.0) / share
    piece = Piece(k, State(full - gap, 20.0, 60.0, 420.0, 0.0), on=True)
    assert piece.wet is wet
    assert piece.supply == pytest.approx(0.5 * k.mist if wet else 0.0)
    assert piece.vapour == pytest.approx(k.mist * (0.5 if wet else 1.0))
    assert piece.g == pytest.approx(0.006 if wet else 0.0)


def test_surfaces_in_full_air_without_mist_are_as_dry_as_before() -> None:
    full = saturation_line(20.0)[0]
    k = constants(surface_m2=2.0)
    assert not Piece(k, State(full, 20.0, 100.0, 420.0, 0.0), on=False).wet
    assert Piece(k, State(full, 20.0, 100.0, 420.0, 1e-6), on=False).wet
    assert not Piece(constants(), State(full, 20.0, 100.0, 420.0, 0.0), on=True).wet
    # however little settles: full air takes nothing off
    little = constants(surface_m2=100.0, evaporating_fraction=0.999)
    assert Piece(little, State(full, 20.0, 100.0, 420.0, 0.0), on=True).wet


def test_when_air_counts_as_full() -> None:
    """Mist in full air fills it with fog; a hundredth short of it, or drying, it is open."""
    full = saturation_line(20.0)[0]
    k = constants()

    def kind(c: float, on: bool, fog: float = 0.0, room: Constants = k) -> str:
        return Piece(room, State(c, 20.0, 100.0, 420.0, 0.0, fog), on=on).kind

    assert kind(full, True) == "saturated"
    assert kind(0.995 * full, True) == "open"
    assert kind((1 - 1e-7) * full, True) == "open"
    assert kind(full, False) == "open"
    assert kind(full, False, 0.001) == "saturated"
    # air of a full room at rest with it: nothing moves, no fog arises
    damp = constants(room_rh_pct=100.0)
    assert kind(damp.c_in, False, room=damp) == "open"


def test_fog_goes_into_air_short_of_full_before_a_stretch_begins() -> None:
    full = saturation_line(20.0)[0]
    piece = Piece(constants(), State(full - 1.0, 20.0, 90.0, 420.0, 0.0, 1.5), on=False)
    assert piece.start.c == pytest.approx(full)
    assert piece.start.f == pytest.approx(0.5)
    dry = Piece(constants(), State(full - 1.0, 20.0, 90.0, 420.0, 0.0, 0.25), on=False)
    assert (dry.start.c, dry.start.f) == (pytest.approx(full - 0.75), 0.0)


# ------------------------------------------------------------------ when a stretch ends


def test_a_stretch_is_cut_where_the_air_has_moved_by_fifteen_hundredths() -> None:
    """Halved until it has not: what would move by 0.16 °C ends half way, 0.14 °C is left whole."""
    from scipy.optimize import brentq

    room = Room(volume_m3=2.0, air_changes_h=4.0, mist_l_h=0.0, heat_w=60.0)
    piece = Piece(
        Constants.of(room), State(Constants.of(room).c_in, 20.0, 50.0, 420.0, 0.0), on=False
    )
    for moves, parts in ((0.14, 1), (0.16, 2), (0.27, 2), (0.5, 4)):
        t = brentq(lambda t: piece.at(t).t - 20.0 - moves, 0.1, 5000.0, xtol=1e-12)  # noqa: B023
        assert piece.next_event(t) == pytest.approx(t / parts, rel=1e-12)
    cools = Piece(Constants.of(room), State(8.0, 25.0, 50.0, 420.0, 0.0), on=False)
    end = cools.next_event(3600.0)
    assert 0.06 < 25.0 - cools.at(end).t <= 0.15


def test_air_fills_at_the_moment_of_its_exponential() -> None:
    """C = top + (c − top) e^(−n t): full after ln((top − c)/(top − cs))/n."""
    k, full, n = constants(mist_l_h=0.6), saturation_line(20.0)[0], 4 / 3600
    top = k.c_in + k.mist / 2 / n
    piece = Piece(k, State(12.0, 20.0, 60.0, 420.0, 0.0), on=True)
    want = math.log((top - 12.0) / (top - full)) / n
    assert piece.next_event(2000.0) == pytest.approx(want, rel=1e-9)
    assert piece.next_event(want - 1.0) == want - 1.0
    # it never fills where the mist is too weak for it
    weak = Piece(constants(mist_l_h=0.05), State(12.0, 20.0, 60.0, 420.0, 0.0), on=True)
    assert weak.next_event(50_000.0) == 50_000.0


def test_fog_ends_at_the_moment_of_its_exponential() -> None:
    """F' = −n (cs − c_in) − (n + v) F: gone after ln(1 + F (n + v)/(n (cs − c_in)))/(n + v)."""
    k, full, n = constants(height_m=1.0), saturation_line(20.0)[0], 4 / 3600
    for fog in (1e-6, 0.02, 3.0):
        piece = Piece(k, State(full, 20.0, 100.0, 420.0, 0.0, fog), on=False)
        gone = n + k.falls
        want = math.log1p(fog * gone / (n * (full - k.c_in))) / gone
        assert piece.next_event(5000.0) == pytest.approx(want, rel=1e-6)
        assert piece.fog(want) == pytest.approx(0.0, abs=1e-9)


class Brief(Piece):
    """A stretch whose fog is there for a hundred-thousandth of a second."""

    def fog(self, t: float) -> float:
        return t * (1e-5 - t)


def test_fog_gone_before_the_first_look_ends_a_stretch_while_it_is_there() -> None:
    full = saturation_line(20.0)[0]
    piece = Brief(constants(), State(full, 20.0, 100.0, 420.0, 0.0, 1.0), on=False)
    end = piece.next_event(600.0)
    assert 0.5e-5 <= end <= 1e-5


def test_wet_surfaces_dry_at_the_moment_of_their_balance() -> None:
    """W = W0 − g ∫(cs − c), c by one exponential of rate n + g/V; by quadrature."""
    k, full, n = (
        constants(surface_m2=1.0, surface_holds_g_m2=1e4),
        saturation_line(20.0)[0],
        4 / 3600,
    )
    piece = Piece(k, State(12.0, 20.0, 60.0, 420.0, 15.0), on=False)
    g = 0.003
    rate = n + g / 2
    rest = (n * k.c_in + g / 2 * full) / rate
    end = piece.next_event(6000.0)
    lost = quad(lambda t: g * (full - rest - (12.0 - rest) * math.exp(-rate * t)), 0, end)[0]
    assert lost == pytest.approx(15.0, rel=1e-9)
    assert piece.next_event(end - 1.0) == end - 1.0
    more = Piece(k, State(12.0, 20.0, 60.0, 420.0, 4000.0), on=False)
    assert more.next_event(6000.0) == 6000.0


def test_a_dry_surface_is_wetted_as_the_air_grows_damp() -> None:
    """It gets (1 − f) G; from then on it gives off no more: g (cs − c) falls to it."""
    k = constants(mist_l_h=0.9, evaporating_fraction=0.8, surface_m2=4.0, surface_holds_g_m2=1e4)
    full, n = saturation_line(20.0)[0], 4 / 3600
    top = k.c_in + k.mist / 2 / n
    wets = full - 0.2 * k.mist / 0.012
    assert 9.0 < wets < full
    piece = Piece(k, State(9.0, 20.0, 60.0, 420.0, 0.0), on=True)
    assert not piece.wet
    want = math.log((top - 9.0) / (top - wets)) / n
    assert piece.next_event(1000.0) == pytest.approx(want, rel=1e-9)


def test_what_is_watched_for_ends_a_stretch_too() -> None:
    piece = Piece(constants(), State(9.0, 20.0, 60.0, 420.0, 0.0), on=False)
    assert piece.next_event(500.0, lambda t: t - 123.0) == pytest.approx(123.0)
    assert piece.next_event(500.0, lambda t: t - 501.0) == 500.0
    assert piece.next_event(500.0) == 500.0
