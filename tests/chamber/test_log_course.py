"""A log made ready at its limits: how far off a clock may be, and from when the air is full."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from trialkit import air
from trialkit.chamber import ChamberError
from trialkit.chamber.log_course import _from_the_first_fall, _merge, _shorten, prepare_course

START = pd.Timestamp("2031-03-01 06:00", tz="UTC")


def table(count: int = 60, step: float = 60.0, rh: float = 70.0, temp=20.0) -> pd.DataFrame:
    times = START + pd.to_timedelta(np.arange(count) * step, unit="s")
    return pd.DataFrame({"time": times, "temp_c": temp, "rh_pct": rh})


def spells(*seconds: tuple[float, float]) -> pd.DataFrame:
    times = [[START + pd.Timedelta(s, "s") for s in pair] for pair in seconds]
    return pd.DataFrame(times, columns=["start", "stop"])


@pytest.mark.parametrize(
    ("begin", "end", "counts"),
    [
        (-300.0, -119.0, True), (-300.0, -121.0, False), (-300.0, -120.0, False),
        (3659.0, 3700.0, True), (3661.0, 3700.0, False), (3660.0, 3700.0, False),
    ],
)  # fmt: skip
def test_mist_counts_up_to_two_minutes_off_the_log(begin: float, end: float, counts: bool) -> None:
    """Clocks may disagree by as much; the log lasts from 0 to 3540 s."""
    made = prepare_course(table(), spells((600.0, 660.0), (begin, end)))
    assert (int(made.on.sum()) > 1) is counts


@pytest.mark.parametrize(("rh", "longest"), [(97.0, 900.0), (97.1, 60.0), (106.0, 900.0)])
def test_stretches_are_short_where_the_air_may_be_full(rh: float, longest: float) -> None:
    """Above 97 %; a reading of 106 % is none."""
    log = table(count=121)
    log.loc[60, "rh_pct"] = rh
    lengths = np.diff(prepare_course(log, spells((5.0, 6.0))).switch_s)
    assert 0.9 * longest < lengths.max() <= longest + 1e-9


def test_what_is_short_of_full() -> None:
    rows = pd.DataFrame({"rh_pct": [98.0, 97.0, 96.9, 99.0]})
    kept, left = _from_the_first_fall(rows)
    assert (left, kept["rh_pct"].tolist()) == (2, [96.9, 99.0])
    log = table(count=30)
    log.loc[:3, "rh_pct"] = 99.0
    made = prepare_course(log, spells((600.0, 660.0)))
    assert made.left_out == 4
    assert made.start == START + pd.Timedelta("240s")
    assert made.switch_s[made.on > 0][0] == 360.0


def test_saturation_at_the_end_of_each_stretch() -> None:
    """Air that warms by a degree in 1000 s; stretches end at 600, 660 and 3540 s."""
    log = table(temp=15 + np.arange(60) * 0.06)
    made = prepare_course(log, spells((600.0, 660.0)))
    ends = np.append(made.switch_s[1:], 3540.0)
    want = air.absolute_humidity_g_m3(15 + ends * 1e-3, 100.0)
    assert made.switch_full == pytest.approx(want, rel=1e-4)
    assert made.full_g_m3 == pytest.approx(
        air.absolute_humidity_g_m3(log["temp_c"].to_numpy(), 100.0)
    )
    assert made.node_full == pytest.approx(made.full_g_m3)
    assert made.on.tolist()[:1] == [0.0]
    long = prepare_course(table(61, 180.02), spells((600.0, 660.0)))  # 10 801.2 s
    assert long.knots_s.tolist() == pytest.approx([0.0, 5400.6, 10_801.2])
    assert long.knots_s[0] == 0.0
    assert math.isnan(made.temp_lag_s)


def test_stretches_are_cut_into_equal_parts() -> None:
    """700 s at 150 s at most are five of 140 s; 150 s are one."""
    switch, on = _shorten(np.array([0.0, 150.0, 150.0]), np.array([0.0, 1.0, 0.0]), 850.0, 150.0)
    assert switch.tolist() == pytest.approx([0, 150, 150, 290, 430, 570, 710])
    assert on.tolist() == [0, 1, 0, 0, 0, 0, 0]


def test_mist_within_other_mist_is_part_of_it() -> None:
    begin, end = _merge(np.array([0.0, 10.0, 20.0, 41.0]), np.array([40.0, 15.0, 30.0, 45.0]))
    assert (begin.tolist(), end.tolist()) == ([0.0, 41.0], [40.0, 45.0])
    begin, end = _merge(np.array([0.0]), np.array([5.0]))
    assert (begin.tolist(), end.tolist()) == ([0.0], [5.0])


@pytest.mark.parametrize(("name", "named"), [("", False), ("chamber", False), ("T7", True)])
def test_only_a_chamber_with_a_name_is_named(name: str, named: bool) -> None:
    with pytest.raises(ChamberError) as told:
        prepare_course(table(5), spells((0.0, 60.0)), chamber=name)
    assert str(told.value).startswith("chamber T7: ") is named
    assert "5 usable readings" in str(told.value)


def test_mist_without_times_is_none() -> None:
    mist = spells((600.0, 660.0), (900.0, 960.0))
    mist.loc[1, "start"] = pd.NaT
    assert prepare_course(table(), mist).on.sum() == 1
    assert prepare_course(table(), spells((600.0, 660.0), (900.0, 900.0))).on.sum() == 1
    with pytest.raises(ChamberError, match="lacks stop"):
        prepare_course(table(), mist.drop(columns="stop"))
    with pytest.raises(ChamberError, match="lacks time, rh_pct"):
        prepare_course(table().drop(columns=["time", "rh_pct"]), mist)
