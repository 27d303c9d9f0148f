"""The exposure kernel: analytic integrals, a plain oracle, and what must change nothing."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.alignment.oracle import plain_sums
from trialkit.air import vpd_kpa
from trialkit.alignment import kernel
from trialkit.alignment.cells import Cells
from trialkit.alignment.frame import expose_frame, piece_of_frame
from trialkit.alignment.kernel import SeamError, Summer
from trialkit.alignment.measures import ExposureSettings, fast_vpd
from trialkit.alignment.summaries import EXPOSURE_COLUMNS, summarise

T0 = pd.Timestamp("2031-03-29 12:00", tz="UTC")
BAND = ExposureSettings(band_low_rh=82.0, band_high_rh=90.0, base_temp_c=14.0, max_gap_min=10)


def at(minutes):
    return T0 + pd.to_timedelta(np.asarray(minutes, dtype=float) * 60, unit="s")


def window(start_min, stop_min, chamber="T1", name="w"):
    return pd.DataFrame(
        {"chamber": [chamber], "window": [name], "start": [at(start_min)], "stop": [at(stop_min)]}
    )


def exposed(log, spans, settings=BAND):
    return expose_frame(log, spans, settings=settings).chambers


def ramp(minutes, low=80.0, high=92.0, length=60.0):
    """Humidity rising on a straight line."""
    minutes = np.asarray(minutes, dtype=float)
    rh = low + (high - low) * minutes / length
    return pd.DataFrame({"chamber": "T1", "time": at(minutes), "temp_c": 15.0, "rh_pct": rh})


@pytest.mark.parametrize("seed", range(5))
def test_ramp_equals_its_integral_however_it_is_sampled(seed):
    """Closed form: 80 → 92 % in an hour; under 82 % for 10 min, over 90 % for 10 min."""
    rng = np.random.default_rng(seed)
    minutes = np.unique(np.concatenate(([0, 60], np.arange(0, 60, 9), rng.uniform(0, 60, 7))))
    got = exposed(ramp(minutes), window(0, 60)).iloc[0]
    assert got["rh_pct"] == pytest.approx(86.0, abs=1e-10)
    assert got["hours_below_band"] == pytest.approx(1 / 6, abs=1e-10)
    assert got["hours_above_band"] == pytest.approx(1 / 6, abs=1e-10)
    assert got["hours_in_band"] == pytest.approx(2 / 3, abs=1e-10)
    # triangles of 10 min with 2 points at their end
    assert got["point_hours_below_band"] == pytest.approx(1 / 6, abs=1e-10)
    assert got["point_hours_above_band"] == pytest.approx(1 / 6, abs=1e-10)
    assert got["degree_hours"] == pytest.approx(1.0, abs=1e-10)
    assert got["coverage_pct"] == pytest.approx(100.0)


def test_ramp_cut_by_the_window():
    """From minute 20 to 40 of the ramp the mean is that of the middle."""
    got = exposed(ramp([0, 10, 20, 30, 40, 50, 60]), window(22, 37)).iloc[0]
    assert got["rh_pct"] == pytest.approx(80 + 12 * 29.5 / 60, abs=1e-10)
    assert got["window_h"] == pytest.approx(0.25)


def test_switched_light_equals_its_integral():
    """Closed form: a lamp of 600 lux, logged when it is switched: 0–2 h dark, 2–5 h lit."""
    hours = np.array([0.0, 2.0, 5.0, 8.0])
    log = pd.DataFrame(
        {
            "chamber": "T1",
            "time": at(hours * 60),
            "light_lux": [0.0, 600.0, 0.0, 0.0],
            "ppfd_umol_m2_s": [0.0, 10.0, 0.0, 0.0],
        }
    )
    got = exposed(log, window(60, 7 * 60), ExposureSettings(max_gap_min=300)).iloc[0]
    assert got["light_hours"] == pytest.approx(3.0, abs=1e-12)
    assert got["light_lux"] == pytest.approx(600 * 3 / 6, abs=1e-9)
    # 10 µmol m⁻² s⁻¹ for 3 h is 0.108 mol m⁻² (dose = flux × 3600 × h / 10⁶)
    assert got["photon_mol_m2"] == pytest.approx(0.108, abs=1e-12)


@pytest.mark.parametrize("seed", range(3))
def test_steps_that_are_logged_when_they_happen_are_exact(seed):
    """Closed form: humidity that jumps between levels, held in between, any window."""
    rng = np.random.default_rng(seed)
    minutes = np.concatenate(([0.0], np.sort(rng.uniform(1, 119, 30)), [120.0]))
    level = rng.choice([78.0, 86.0, 95.0], len(minutes))
    log = ramp(minutes).assign(rh_pct=level)
    chosen = ExposureSettings(
        band_low_rh=82, band_high_rh=90, max_gap_min=60, held=("rh_pct", "temp_c", "vpd_kpa")
    )
    got = exposed(log, window(7, 101), chosen).iloc[0]
    edges = np.clip(minutes, 7, 101)
    length = np.diff(edges)
    assert got["rh_pct"] == pytest.approx((length * level[:-1]).sum() / 94, abs=1e-9)
    below = length[level[:-1] < 82].sum() / 60
    assert got["hours_below_band"] == pytest.approx(below, abs=1e-9)
    assert got["point_hours_below_band"] == pytest.approx(4 * below, abs=1e-9)


def test_line_puts_a_step_half_way_between_two_records():
    """The stated error: at most half a gap times the height of the step."""
    minutes = np.arange(0, 61, 5.0)
    log = ramp(minutes).assign(rh_pct=np.where(minutes < 30, 80.0, 92.0))
    got = exposed(log, window(0, 60)).iloc[0]
    assert got["rh_pct"] * 60 == pytest.approx(80 * 27.5 + 92 * 32.5, abs=1e-9)
    assert abs(got["rh_pct"] * 60 - (80 * 30 + 92 * 30)) <= 12 * 5 / 2 + 1e-9


def test_no_bridge_over_a_long_gap():
    log = ramp([0, 5, 10, 40, 45, 50])
    got = exposed(log, window(0, 60)).iloc[0]
    assert got["coverage_pct"] == pytest.approx(100 * 20 / 60)
    # mean over the covered time only: two stretches around minutes 5 and 45
    assert got["rh_pct"] == pytest.approx(80 + 12 * 25 / 60, abs=1e-10)


def test_gap_of_exactly_the_limit_is_bridged_and_a_longer_one_is_not():
    assert exposed(ramp([0, 10]), window(0, 10)).iloc[0]["coverage_pct"] == pytest.approx(100)
    longer = exposed(ramp([0, 10 + 1e-6]), window(0, 10)).iloc[0]
    assert longer["coverage_pct"] == 0
    assert math.isnan(longer["rh_pct"])
    assert math.isnan(longer["hours_below_band"])


def test_deficit_is_made_record_by_record():
    """FAO-56 eq. 12: the saturation pressure of a mean temperature is too small; so for logs."""
    log = pd.DataFrame(
        {"chamber": "T1", "time": at([0, 10]), "temp_c": [10.0, 30.0], "rh_pct": [80.0, 80.0]}
    )
    got = exposed(log, window(0, 10)).iloc[0]["vpd_kpa"]
    each = float(np.mean(vpd_kpa(np.array([10.0, 30.0]), 80.0)))
    assert got == pytest.approx(each, rel=1e-8)
    assert got > 1.1 * vpd_kpa(20.0, 80.0)


def test_fast_deficit_equals_the_air_package():
    """The polynomials of narrow and wide ranges, and the equation itself beyond them."""
    for low, high in ((-20, 60), (-10, 50), (11.7, 23.4), (0.0, 0.0), (19.9, 20.1), (49, 50)):
        temp, rh = np.linspace(low, high, 4001), np.linspace(5, 99, 4001)
        error = np.abs(fast_vpd(temp, rh) - vpd_kpa(temp, rh)) / vpd_kpa(temp, 0.0)
        assert error.max() < 1e-9


def test_readings_above_full_air_make_no_negative_deficit():
    """By hand: 90 → 102 % in 10 min at one temperature, 102 % for 10 min, then 106 %.

    Saturation at 20 °C is 2.33919 kPa (IAPWS); the deficit falls from a tenth of it to 0 at
    the record of 102 % (within 3 points, so full air), and is 0 until the last sound record;
    106 % says nothing of the deficit, though it counts in humidity.
    """
    log = pd.DataFrame(
        {"chamber": "T1", "time": at([0, 10, 20, 25]), "temp_c": 20.0,
         "rh_pct": [90.0, 102.0, 102.0, 106.0]}
    )  # fmt: skip
    got = exposed(log, window(0, 25)).iloc[0]
    assert got["vpd_kpa"] == pytest.approx(2.33919 * 0.1 * 5 / 20, rel=1e-4)
    assert got["vpd_coverage_pct"] == pytest.approx(80.0)
    assert got["rh_coverage_pct"] == pytest.approx(100.0)
    # a sensor stated to be wrong by 8 points: 106 % is full air too
    wide = ExposureSettings(max_gap_min=10, rh_error_pct=8.0)
    got = exposed(log, window(0, 25), wide).iloc[0]
    assert got["vpd_kpa"] == pytest.approx(2.33919 * 0.1 * 5 / 25, rel=1e-4)
    assert got["vpd_coverage_pct"] == pytest.approx(100.0)


@pytest.mark.parametrize("temp", [20.0, 70.0])  # the polynomial and the equation itself
def test_deficit_is_never_negative(temp):
    got = fast_vpd(np.full(5, temp), np.array([99.9, 100.0, 100.1, 103.0, 103.1]))
    assert got[0] > 0
    assert (got[1:4] == 0).all()
    assert np.isnan(got[4])


def test_rows_of_sensors_that_take_turns():
    """Logs in order of time: strict turns, in any order of sensors, and turns with a gap."""
    rng = np.random.default_rng(5)
    minute = np.repeat(np.arange(60), 3)
    log = pd.DataFrame(
        {
            "chamber": ["T3", "T1", "T2"] * 60,
            "time": at(minute),
            "temp_c": rng.uniform(10, 20, 180),
            "rh_pct": rng.uniform(80, 99, 180),
        }
    )
    windows = pd.concat([window(3, 57).assign(chamber=c) for c in ("T1", "T2", "T3")])
    for rows in (log, log.drop(index=[7]), log.iloc[::-1]):
        got = exposed(rows, windows)
        for chamber in ("T1", "T2", "T3"):
            alone = exposed(
                rows[rows["chamber"] == chamber].sort_values("time"),
                window(3, 57).assign(chamber=chamber),
            ).iloc[0]
            mine = got[got["chamber"] == chamber].iloc[0]
            assert mine["vpd_kpa"] == pytest.approx(alone["vpd_kpa"], rel=1e-12)
            assert mine["rh_pct"] == pytest.approx(alone["rh_pct"], rel=1e-12)
            assert mine["coverage_pct"] == pytest.approx(alone["coverage_pct"], rel=1e-12)


@pytest.mark.parametrize("lost", [0.0, 0.05])
def test_rows_in_order_of_time_are_sorted_part_by_part(monkeypatch, lost):
    """Several parts, whole rounds or not; rows keep their order and none is lost."""
    monkeypatch.setattr(kernel, "CHUNK", 512)
    rng = np.random.default_rng(3)
    keep = rng.random(3 * 700) >= lost
    series = np.tile([2, 0, 1], 700)[keep]
    time = np.repeat(np.arange(700), 3)[keep]
    value = rng.random(series.size)
    got_series, got_time, got = kernel.in_order(series, time, {"rh_pct": value})
    order = np.lexsort((time, series))
    assert (got_series == series[order]).all()
    assert (got_time == time[order]).all()
    assert (got["rh_pct"] == value[order]).all()


@st.composite
def logs(draw):
    """Small logs of two sensors with gaps, missing values, doubled and clashing stamps."""
    n = draw(st.integers(1, 40))
    minute = draw(st.lists(st.integers(0, 90), min_size=n, max_size=n))
    second = draw(st.lists(st.sampled_from([0, 20, 31]), min_size=n, max_size=n))
    rh = st.one_of(st.integers(75, 95).map(float), st.just(math.nan))
    temp = st.one_of(st.integers(100, 200).map(lambda v: v / 10), st.just(math.nan))
    return pd.DataFrame(
        {
            "chamber": draw(st.lists(st.sampled_from(["T1", "T2"]), min_size=n, max_size=n)),
            "sensor": draw(st.lists(st.sampled_from(["a", "b"]), min_size=n, max_size=n)),
            "time": T0 + pd.to_timedelta(np.array(minute) * 60 + np.array(second), unit="s"),
            "temp_c": draw(st.lists(temp, min_size=n, max_size=n)),
            "rh_pct": draw(st.lists(rh, min_size=n, max_size=n)),
            "light_lux": draw(st.lists(st.sampled_from([0.0, 3.0, 500.0]), min_size=n, max_size=n)),
        }
    )


@st.composite
def spans(draw):
    rows = []
    for chamber in ("T1", "T2"):
        for k in range(draw(st.integers(1, 3))):
            start = draw(st.integers(-10, 60))
            rows.append(window(start, start + draw(st.integers(1, 60)), chamber, str(k)))
    return pd.concat(rows, ignore_index=True)


def assert_same(a, b):
    keys = ["chamber", "window", *(["sensor"] if "sensor" in a else [])]
    a, b = (t.sort_values(keys).reset_index(drop=True) for t in (a, b))
    pd.testing.assert_frame_equal(
        a[[*keys, *EXPOSURE_COLUMNS]], b[[*keys, *EXPOSURE_COLUMNS]], rtol=1e-9, atol=1e-9
    )


@given(logs(), spans(), st.sampled_from([2.0, 7.0, 30.0]), st.sampled_from([2, 5, 65_536]))
@settings(max_examples=25, deadline=None)
def test_kernel_equals_the_plain_loop(log, windows, gap, block):
    chosen = ExposureSettings(
        band_low_rh=82.0, band_high_rh=90.0, base_temp_c=14.0, max_gap_min=gap
    )
    before, kernel.BLOCK = kernel.BLOCK, block
    try:
        got = expose_frame(log, windows, settings=chosen).sensors
    finally:
        kernel.BLOCK = before
    for row in got.itertuples():
        part = log[(log["chamber"] == row.chamber) & (log["sensor"] == row.sensor)]
        span = (row.stop - row.start).total_seconds()

        def plain(channel, limit=None, part=part, row=row):
            return plain_sums(part, row.start, row.stop, channel, gap * 60, limit)

        humid = plain("rh_pct", 82.0)
        assert row.rh_coverage_pct == pytest.approx(100 * humid["seconds"] / span, abs=1e-7)
        for channel in ("temp_c", "rh_pct", "vpd_kpa", "light_lux"):
            want = plain(channel)
            if want["seconds"] == 0:
                assert math.isnan(getattr(row, channel))
            else:
                mean = want["mean"] / want["seconds"]
                assert getattr(row, channel) == pytest.approx(mean, abs=1e-8)
        if humid["seconds"] > 0:
            assert row.hours_below_band * 3600 == pytest.approx(humid["below"], abs=1e-5)
            assert row.point_hours_below_band * 3600 == pytest.approx(humid["deficit"], abs=1e-5)
            high = plain("rh_pct", 90.0)
            assert row.hours_above_band * 3600 == pytest.approx(high["above"], abs=1e-5)
            assert row.point_hours_above_band * 3600 == pytest.approx(high["excess"], abs=1e-5)
        lit = plain("light_lux", chosen.dark_below_lux)
        if lit["seconds"] > 0:
            assert row.light_hours * 3600 == pytest.approx(lit["above"], abs=1e-5)


@given(logs(), spans(), st.randoms(use_true_random=False))
@settings(max_examples=15, deadline=None)
def test_row_order_and_doubled_rows_change_nothing(log, windows, random):
    rows = list(range(len(log)))
    doubled = rows + [random.choice(rows) for _ in range(5)]
    random.shuffle(doubled)
    want = expose_frame(log, windows, settings=BAND)
    got = expose_frame(log.iloc[doubled], windows, settings=BAND)
    assert_same(want.sensors, got.sensors)
    assert_same(want.chambers, got.chambers)


@given(logs(), spans(), st.lists(st.integers(0, 40), max_size=4))
@settings(max_examples=15, deadline=None)
def test_pieces_cut_in_time_add_up(log, windows, cuts):
    summer = Summer(Cells(windows), BAND)
    want = expose_frame(log, windows, settings=BAND)
    ordered = log.sort_values("time", kind="stable").reset_index(drop=True)
    parts = np.split(np.arange(len(log)), sorted(min(c, len(log)) for c in cuts))
    pieces = [piece_of_frame(ordered.iloc[p], summer) for p in parts if len(p)]
    try:
        total = summer.join_pieces(pieces[::-1])
    except SeamError:
        # only where one moment of a sensor is torn apart deep inside a piece
        stamps = ordered.groupby(["chamber", "sensor", "time"]).size()
        assert stamps.max() > 1
        return
    got = summarise(total, Cells(windows), BAND)
    assert_same(want.chambers, got.chambers)


def test_overlapping_pieces_are_refused():
    summer = Summer(Cells(window(0, 60)), BAND)
    one = piece_of_frame(ramp(np.arange(0, 60, 5)), summer)
    two = piece_of_frame(ramp(np.arange(2, 60, 5)), summer)
    with pytest.raises(SeamError):
        summer.join_pieces([one, two])


@given(logs(), spans())
@settings(max_examples=10, deadline=None)
def test_time_zone_changes_nothing(log, windows):
    local = log.assign(time=log["time"].dt.tz_convert("Europe/Vienna"))
    shown = windows.assign(start=windows["start"].dt.tz_convert("America/Lima"))
    want = expose_frame(log, windows, settings=BAND)
    assert_same(want.chambers, expose_frame(local, shown, settings=BAND).chambers)


def test_two_records_of_one_moment_count_as_their_middle():
    log = ramp([0, 5, 5, 5, 10], low=80, high=80)
    log.loc[1:3, "rh_pct"] = [84.0, 90.0, 84.0]
    got = exposed(log, window(0, 10)).iloc[0]["rh_pct"]
    assert got == pytest.approx((80 + 87) / 2, abs=1e-10)


def test_clashing_records_deep_inside_a_log_count_as_their_middle():
    log = ramp(np.arange(0, 60, 5.0), low=80, high=80)
    clash = log.iloc[[6, 6]].assign(rh_pct=[84.0, 90.0])
    got = exposed(pd.concat([log.drop(index=6), clash]), window(0, 55)).iloc[0]["rh_pct"]
    assert got * 55 == pytest.approx(80 * 55 + 7 * 5, abs=1e-9)


def test_windows_may_overlap_and_add_up():
    rng = np.random.default_rng(3)
    minutes = np.sort(rng.uniform(0, 600, 300))
    log = ramp(minutes).assign(rh_pct=rng.uniform(75, 95, 300))
    parts = pd.concat([window(0, 200, name="a"), window(200, 600, name="b")], ignore_index=True)
    whole = pd.concat([parts, window(0, 600, name="all")], ignore_index=True)
    got = exposed(log, whole).set_index("window")
    for name in ("hours_below_band", "hours_above_band", "point_hours_below_band"):
        assert got.loc["all", name] == pytest.approx(got.loc[["a", "b"], name].sum(), abs=1e-9)


def test_several_sensors_are_averaged_by_the_time_they_cover():
    one = ramp(np.arange(0, 61, 1.0), low=80, high=80).assign(sensor="a")
    two = ramp(np.arange(0, 31, 1.0), low=88, high=88).assign(sensor="b")
    two["rh_pct"] = 88.0
    got = exposed(pd.concat([one, two]), window(0, 60)).iloc[0]
    assert got["rh_pct"] == pytest.approx((60 * 80 + 30 * 88) / 90)
    assert got["coverage_pct"] == pytest.approx(100)
    assert got["hours_below_band"] == pytest.approx(60 / 90)


def test_empty_log_and_unknown_windows_give_missing_values():
    log = ramp([0, 5]).iloc[:0]
    spans = pd.concat([window(0, 60), window(0, 60).assign(stop=pd.NaT)], ignore_index=True)
    got = exposed(log, spans)
    assert got["rh_pct"].isna().all()
    assert got["coverage_pct"].iloc[0] == 0
    assert math.isnan(got["window_h"].iloc[1])


def test_window_that_runs_backwards_has_no_exposure():
    got = exposed(ramp(np.arange(0, 60, 5)), window(40, 20)).iloc[0]
    assert math.isnan(got["rh_pct"])
    assert math.isnan(got["window_h"])


def test_deficit_of_real_weather_agrees_with_its_own_dew_points():
    """Hourly station records with dew points of their own (the file pvlib ships).

    The deficit from humidity (rounded to 1 %) against es(T) − es(Td) (rounded to 0.1 °C).
    """
    from pathlib import Path

    import pvlib

    from trialkit.air import saturation_pressure_kpa

    file = Path(pvlib.__file__).parent / "data" / "703165TY.csv"
    table, _ = pvlib.iotools.read_tmy3(file, map_variables=True)
    log = pd.DataFrame(
        {
            "chamber": "T1",
            "time": at(60.0 * np.arange(len(table))),
            "temp_c": table["temp_air"].to_numpy(dtype=float),
            "rh_pct": table["relative_humidity"].to_numpy(dtype=float),
        }
    )
    got = exposed(log, window(0, 60.0 * 8759), ExposureSettings(max_gap_min=60)).iloc[0]
    es = saturation_pressure_kpa(log["temp_c"].to_numpy())
    ed = saturation_pressure_kpa(table["temp_dew"].to_numpy(dtype=float))
    assert got["coverage_pct"] == pytest.approx(100)
    # a point of humidity, its rounding, is 1 % of es
    assert got["vpd_kpa"] == pytest.approx(float(np.mean(es - ed)), abs=0.01 * float(es.mean()))
