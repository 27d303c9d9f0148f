"""When a slow thermometer is seen through, and what is then known of the air."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.signal import lfilter

from trialkit.chamber import airtemp
from trialkit.chamber.airtemp import AirTemp, _directions, _lag, _share_on, estimate_air_temp

WARMING, LAG = 400.0, 60.0


@pytest.fixture(autouse=True)
def one_start(monkeypatch: pytest.MonkeyPatch) -> None:
    """Set out from one guess near the truth; the search itself is tried elsewhere."""
    monkeypatch.setattr(airtemp, "WARMINGS_S", (420.0,))
    monkeypatch.setattr(airtemp, "LAGS_S", (50.0,))


def shapes(last: float, begin: np.ndarray, lasts: float, lag: float = LAG) -> tuple:
    """Give each second the air (from 0 to −1 at its coldest) and what a thermometer reads."""
    seconds = np.arange(0.0, last + 2.0)
    on = np.zeros(seconds.size)
    for start in begin:
        on[(seconds >= start) & (seconds < start + lasts)] = 1.0
    keeps = math.exp(-1 / WARMING)
    air = -np.append(0.0, lfilter([1 - keeps], [1.0, -keeps], on)[:-1])
    air /= np.ptp(air)
    keeps, between = math.exp(-1 / lag), (air[1:] + air[:-1]) / 2
    return seconds, air, np.append(0.0, lfilter([1 - keeps], [1.0, -keeps], between))


def read(
    count: int, last: float, *, depth: float = 1.0, swing: float | None = None, base=18.0,
    noise=None, every: float = 1200.0, lasts: float = 300.0, lag: float = LAG, drift_h: float = 2.0,
) -> tuple[np.ndarray, np.ndarray, AirTemp]:  # fmt: skip
    """Estimate from `count` readings over `last` seconds; give times, true air, estimate."""
    times = np.linspace(0.0, last, count)
    begin = np.arange(300.0, last - lasts, every)
    seconds, air, shown = shapes(last, begin, lasts, lag)
    seen = np.interp(times, seconds, shown)
    if swing is not None:
        depth = swing / np.ptp(seen)
    temps = base + depth * seen + (0.0 if noise is None else noise)
    found = estimate_air_temp(times, temps, begin, begin + lasts, drift_h=drift_h)
    return times, base + depth * np.interp(times, seconds, air), found


def is_told(found: AirTemp) -> bool:
    return math.isfinite(found.lag_s)


@pytest.mark.parametrize(("swing", "told"), [(0.148, False), (0.155, True)])
def test_readings_must_swing_by_fifteen_hundredths(swing: float, told: bool) -> None:
    """The air itself swings more, by a fifth: what the thermometer shows decides here."""
    assert is_told(read(301, 6000.0, swing=swing)[2]) is told


@pytest.mark.parametrize(("depth", "told"), [(0.135, False), (0.165, True)])
def test_mist_must_cool_by_fifteen_hundredths(depth: float, told: bool) -> None:
    """A room that warms by a degree says nothing of the mist."""
    base = 18 + np.linspace(0, 1, 301)
    assert is_told(read(301, 6000.0, depth=depth, base=base)[2]) is told


@pytest.mark.parametrize(
    ("depth", "spread", "told"),
    [(2.0, 0.15, True), (0.5, 0.105, False), (0.5, 0.12, False), (0.25, 0.09, True)],
)
def test_noise_that_hides_the_mist(depth: float, spread: float, told: bool) -> None:
    """Told where mist explains nine tenths, or the noise is that of a thermometer, 0.1 °C."""
    rng = np.random.default_rng(4)
    noise = rng.normal(0, 1, 301)
    noise *= spread / np.sqrt(np.mean(noise**2))
    assert is_told(read(301, 6000.0, depth=depth, noise=noise)[2]) is told


def test_noise_in_a_deep_swing_is_judged_by_its_share() -> None:
    """The share explained is v/(0.2² + v), v the variance of what is read."""
    rng = np.random.default_rng(5)
    noise = rng.normal(0, 1, 301)
    noise *= 0.2 / np.sqrt(np.mean(noise**2))
    seconds, _, shown = shapes(6000.0, np.arange(300.0, 5700.0, 1200.0), 300.0)
    spread = np.std(np.interp(np.linspace(0, 6000.0, 301), seconds, shown))
    for share, told in ((0.87, False), (0.93, True)):
        depth = 0.2 / spread * math.sqrt(share / (1 - share))
        assert is_told(read(301, 6000.0, depth=depth, noise=noise)[2]) is told


@pytest.mark.parametrize(
    ("count", "last", "told"),
    [
        (30, 1900.0, True), (29, 1900.0, False),  # so many readings
        (91, 1800.0, True), (91, 1799.0, False),  # half an hour
        (401, 172_800.0, True), (401, 172_810.0, False),  # two days
    ],
)  # fmt: skip
def test_how_many_readings_over_which_time(count: int, last: float, told: bool) -> None:
    long = last > 10_000
    found = read(count, last, every=14_400.0 if long else 1200.0, lasts=1800.0 if long else 300.0)
    assert is_told(found[2]) is told
    if not told:
        assert found[2].apart_c.shape == (count, 0)


def test_air_is_given_each_two_seconds_from_the_first_reading_to_the_last() -> None:
    times, air, found = read(301, 6000.0)
    assert found.node_s.tolist() == np.arange(0.0, 6000.5, 2.0).tolist()
    assert np.interp(times, found.node_s, found.temp_c) == pytest.approx(air, abs=0.02)
    assert found.lag_s == pytest.approx(LAG, abs=3.0)
    # six thousand steps at most
    _, _, long = read(400, 24_000.0)
    assert np.diff(long.node_s) == pytest.approx(np.full(len(long.node_s) - 1, 4.0))
    assert long.node_s[-1] == 24_000.0


def test_readings_each_five_seconds_are_close_enough_to_stand_for_the_air() -> None:
    times, _, found = read(501, 2500.0)
    assert found.node_s is times
    times, _, found = read(501, 2505.0)
    assert found.node_s is not times
    assert found.node_s[:3].tolist() == [0.0, 2.0, 4.0]


@pytest.mark.parametrize(
    ("last", "drift_h", "knots"),
    [(6000.0, 2.0, 2), (6000.0, 0.5, 4), (18_360.0, 2.0, 4), (18_360.0, 6.0, 2)],
)
def test_what_is_left_open_has_a_direction_for_each_constant(
    last: float, drift_h: float, knots: int
) -> None:
    """Knots of the base each so many hours, two at least; cooling, beginning, warming and lag."""
    _, _, found = read(400, last, drift_h=drift_h)
    assert found.apart_c.shape == (len(found.node_s), knots + 4)


def test_knots_are_two_hours_apart_if_nothing_is_said() -> None:
    times = np.linspace(0.0, 18_360.0, 400)
    begin = np.arange(300.0, 18_000.0, 1200.0)
    seconds, _, shown = shapes(18_360.0, begin, 300.0)
    found = estimate_air_temp(times, 18 + np.interp(times, seconds, shown), begin, begin + 300.0)
    assert found.apart_c.shape[1] == 4 + 4  # 5.1 h: at 0, 1.7, 3.4 and 5.1 h
    _, _, more = read(400, 10_801.0)  # a little more than three times an hour: three knots
    assert more.apart_c.shape[1] == 3 + 4


def test_a_quick_thermometer_has_hardly_a_lag(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(airtemp, "LAGS_S", (0.0, 10.0))
    times, air, found = read(301, 6000.0, lag=0.05)
    assert 0 <= found.lag_s < 0.9
    assert np.interp(times, found.node_s, found.temp_c) == pytest.approx(air, abs=0.01)


def test_a_log_that_begins_while_the_air_still_warms() -> None:
    """Two degrees short of the room, with the same 400 s of warming; seen through the lag."""
    seconds, air, _ = shapes(6000.0, np.arange(900.0, 5700.0, 1200.0), 300.0)
    air = air - 2 * np.exp(-seconds / WARMING)
    keeps, between = math.exp(-1 / LAG), (air[1:] + air[:-1]) / 2
    shown = lfilter([1 - keeps], [1.0, -keeps], between, zi=[air[0] * keeps])[0]
    times = np.linspace(0.0, 6000.0, 301)
    begin = np.arange(900.0, 5700.0, 1200.0)
    temps = 18 + np.interp(times, seconds, np.append(air[0], shown))
    found = estimate_air_temp(times, temps, begin, begin + 300.0)
    true = 18 + np.interp(found.node_s, seconds, air)
    assert found.temp_c == pytest.approx(true, abs=0.05)


def test_a_lag_of_less_than_a_quarter_of_a_step_is_none() -> None:
    values = np.array([0.0, 1.0, 1.0, 0.0])
    assert _lag(values, 2.4, 10.0) is values
    keeps = math.exp(-10 / 2.6)
    assert _lag(values, 2.6, 10.0)[1] == pytest.approx(0.5 * (1 - keeps))


# ------------------------------------------------------------------ errors carried over


def noise_like(alike: float, count: int) -> np.ndarray:
    """Draw residuals whose neighbours correlate about so."""
    rng = np.random.default_rng(11)
    out = rng.normal(size=count)
    for k in range(1, count):
        out[k] += alike * out[k - 1]
    return out


def widening(residual: np.ndarray) -> float:
    r = max(float(np.corrcoef(residual[:-1], residual[1:])[0, 1]), 0.0)
    return (1 + r) / max(1 - r, 1e-3)


@pytest.mark.parametrize("alike", [-0.8, 0.0, 0.8])
@pytest.mark.parametrize("scale", [(1.0, 1.0, 1.0), (1e-5, 1.0, 1e5)])
def test_errors_by_columns_of_any_size(alike: float, scale: tuple) -> None:
    """D (X'X)⁻¹ D' s² (1 + ρ)/(1 − ρ), ρ no less than 0."""
    rng = np.random.default_rng(12)
    seen, residual = rng.normal(size=(120, 3)), noise_like(alike, 120) * 0.02
    by_node = rng.normal(size=(7, 3))
    apart = _directions(seen * scale, by_node * scale, residual)
    spread = residual @ residual / 117 * widening(residual)
    want = by_node @ np.linalg.inv(seen.T @ seen) @ by_node.T * spread
    assert apart @ apart.T == pytest.approx(want, rel=1e-6)


def test_errors_of_residuals_that_are_nothing_or_all_alike() -> None:
    rng = np.random.default_rng(13)
    seen, by_node = rng.normal(size=(100, 2)), rng.normal(size=(4, 2))
    assert (_directions(seen, by_node, np.zeros(100)) == 0).all()
    drifts = np.linspace(-1, 1, 100)  # neighbours agree wholly: counted a thousandth part
    apart = _directions(seen, by_node, drifts)
    want = by_node @ np.linalg.inv(seen.T @ seen) @ by_node.T * (drifts @ drifts / 98 * 2e3)
    assert apart @ apart.T == pytest.approx(want, rel=1e-6)


def test_errors_of_no_more_readings_than_constants() -> None:
    """Three of each: the spread is taken over one, and not over none."""
    rng = np.random.default_rng(14)
    seen, residual = rng.normal(size=(3, 3)), np.array([0.1, -0.2, 0.1])
    apart = _directions(seen, np.eye(3), residual)
    want = np.linalg.inv(seen.T @ seen) * 0.06 * widening(residual)
    assert apart @ apart.T == pytest.approx(want, rel=1e-6)


def test_a_constant_that_readings_do_not_tell_leaves_the_air_open() -> None:
    """A column of noughts: what hangs on it is not known at all, the rest as without it."""
    rng = np.random.default_rng(15)
    seen, residual = rng.normal(size=(60, 2)), rng.normal(size=60)
    by_node = np.array([[1.0, 0.5, 0.0], [0.3, -1.0, 0.0], [0.0, 0.0, 1.0]])
    apart = _directions(np.column_stack([seen, np.zeros(60)]), by_node, residual)
    spread = residual @ residual / 57 * widening(residual)
    want = by_node[:2, :2] @ np.linalg.inv(seen.T @ seen) @ by_node[:2, :2].T * spread
    got = apart @ apart.T
    assert got[:2, :2] == pytest.approx(want, rel=1e-6)
    assert got[2, 2] > 1e6


def test_a_step_of_the_warming_moves_the_air_by_its_derivative(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """By central differences over a thousandth of the time of warming, each second."""
    given: list[tuple] = []
    monkeypatch.setattr(airtemp, "_directions", lambda *parts: given.append(parts))
    _, _, found = read(301, 6000.0)
    moved = given[0][1][:, -2]
    begin = np.arange(300.0, 5700.0, 1200.0)

    def cooled(warming: float) -> np.ndarray:
        keeps, on = math.exp(-1 / warming), np.zeros(6002)
        for start in begin.astype(int):
            on[start : start + 300] = 1.0
        return np.append(0.0, lfilter([warming * (1 - keeps)], [1.0, -keeps], on)[:-1])

    per_degree = 1.0 / np.ptp(cooled(WARMING))
    slope = -(cooled(WARMING * 1.001) - cooled(WARMING * 0.999)) / (0.002 * WARMING) * per_degree
    want = np.interp(found.node_s, np.arange(6002.0), slope)
    assert moved == pytest.approx(want, abs=0.03 * np.abs(want).max())
    lagged = given[0][0][:, -1]
    assert np.abs(lagged).max() > 0
    assert (given[0][1][:, -1] == 0).all()  # the air itself does not follow the thermometer


def test_mist_that_lasts_through_the_last_step() -> None:
    """Steps of 10 s from 0 to 40 s; mist from 5 s on, without end within the log."""
    found = _share_on(np.arange(0.0, 50.0, 10.0), 10.0, np.array([5.0]), np.array([90.0]))
    assert found.tolist() == pytest.approx([0.5, 1.0, 1.0, 1.0, 1.0])
