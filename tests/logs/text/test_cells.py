"""Cells read as numbers and as times: against Python's own readers and by hand."""

from __future__ import annotations

import datetime as dt
import math

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trialkit.columns import LOG_COLUMNS, house_unit, to_house_unit
from trialkit.logs.head_units import head_unit
from trialkit.logs.text.numbers import read_numbers
from trialkit.logs.text.time_forms import compile_format
from trialkit.logs.text.times import read_moments
from trialkit.units import unit_word

FORMATS = [
    "%Y-%m-%d %H:%M:%S", "%Y-%m-%d %H:%M", "%Y/%m/%d %H:%M:%S", "%Y-%m-%dT%H:%M:%S.%f",
    "%Y%m%d %H:%M:%S", "%Y%m%dT%H%M%S", "%d %b %Y %H:%M", "%b %d, %Y %I:%M %p",
    "%d-%b-%y %H:%M:%S", "%H:%M:%S %Y-%m-%d", "%Y-%m-%d",
]  # fmt: skip
SLASHED = ["%d/%m/%Y %H:%M", "%m/%d/%Y %H:%M:%S", "%d.%m.%y %H:%M", "%m-%d-%Y %I:%M:%S %p"]
MOMENTS = st.datetimes(dt.datetime(2000, 1, 1), dt.datetime(2068, 12, 31))


def _wall(moments: object) -> list[dt.datetime]:
    return [dt.datetime(1970, 1, 1) + dt.timedelta(microseconds=int(w) // 1000)
            for w in moments.wall]  # type: ignore[attr-defined]  # fmt: skip


@pytest.mark.parametrize("form", FORMATS)
@settings(max_examples=25, deadline=None)
@given(when=st.lists(MOMENTS, min_size=1, max_size=8))
def test_forms_known_without_being_told(form: str, when: list[dt.datetime]) -> None:
    """The same moments as `datetime.strptime` (Python's library reference, strftime codes)."""
    texts = [w.strftime(form) for w in when]
    found = read_moments(pa.array(texts))
    assert found.ok.all()
    assert _wall(found) == [dt.datetime.strptime(t, form) for t in texts]


@pytest.mark.parametrize("form", [*FORMATS, *SLASHED])
@settings(max_examples=25, deadline=None)
@given(when=st.lists(MOMENTS, min_size=1, max_size=8))
def test_a_stated_form_is_read_like_the_standard_library(
    form: str, when: list[dt.datetime]
) -> None:
    texts = [w.strftime(form) for w in when]
    found = read_moments(pa.array(texts), form=compile_format(form))
    assert found.ok.all()
    assert _wall(found) == [dt.datetime.strptime(t, form) for t in texts]


@settings(max_examples=60, deadline=None)
@given(when=st.lists(MOMENTS, min_size=1, max_size=10))
def test_order_of_day_and_month_is_proved_or_asked(when: list[dt.datetime]) -> None:
    texts = [w.strftime("%d/%m/%Y %H:%M") for w in when]
    found = read_moments(pa.array(texts))
    proved = any(w.day > 12 for w in when)
    if proved:
        assert found.ok.all()
        assert _wall(found) == [dt.datetime.strptime(t, "%d/%m/%Y %H:%M") for t in texts]
    else:
        swapped = [w.day != w.month for w in when]
        assert len(found.undecided) == sum(swapped)


@pytest.mark.parametrize(
    "text",
    ["2031-02-29 00:00", "2031-13-01 00:00", "2031-01-14 24:30", "2031-01-14 10:60", "31/02/2031",
     "14:00", "2031", "2031-1-1-1", "0000-01-01", "9999-99-99", "12:05 PM", "13 Foo 2031",
     "2031-01-14 10:00 Mars", "2031-01-14 13:00 PM", "x" * 70],
)  # fmt: skip
def test_what_is_no_time_is_not_read(text: str) -> None:
    assert not read_moments(pa.array([text]), day_first=True).ok.any()


def test_offsets_and_seconds_since_1970() -> None:
    texts = ["2031-01-14T10:00:00+01:00", "2031-01-14 09:00:00Z", "2031-01-14 04:30:00-0430"]
    found = read_moments(pa.array(texts))
    assert found.aware is not None
    assert found.offset_s is not None
    assert found.aware.all()
    assert len(set((found.wall - found.offset_s.astype(np.int64) * 10**9).tolist())) == 1
    # 1234567890 is 2009-02-13 23:31:30 UTC (POSIX time)
    seconds = read_moments(pa.array(["1234567890", "1234567890123", "1234567890.5", "60"]))
    assert _wall(seconds) == [
        dt.datetime(2009, 2, 13, 23, 31, 30),
        dt.datetime(2009, 2, 13, 23, 31, 30, 123000),
        dt.datetime(2009, 2, 13, 23, 31, 30, 500000),
        dt.datetime(1970, 1, 1, 0, 1),
    ]


@pytest.mark.parametrize("form", ["%H:%M", "%Y-%m", "%Y-%m-%d %d", "%Y-%j", "%q", ""])
def test_forms_that_do_not_make_a_date_are_refused(form: str) -> None:
    with pytest.raises(ValueError, match=r"a year, a month|twice|not known"):
        compile_format(form)


def test_many_layouts_do_not_slow_reading_down() -> None:
    """Cells of ten thousand different shapes are read one by one, and none is lost."""
    texts = [f"{'a' * (i % 40)}{i}{'-' * (i % 7)}{chr(97 + i % 26)}" for i in range(10_000)]
    found = read_moments(pa.array([*texts, "2031-01-14 00:00"]))
    assert found.ok.sum() == 1


@settings(max_examples=200, deadline=None)
@given(st.lists(st.floats(-1e12, 1e12), min_size=1, max_size=20), st.sampled_from([".", ","]))
def test_numbers_come_back_exactly(values: list[float], decimal: str) -> None:
    texts = [repr(v).replace(".", decimal) for v in values]
    found = read_numbers(pa.array(texts), "°C", unit=None, decimal=decimal)
    assert found.values.tolist() == values


@pytest.mark.parametrize(
    ("text", "decimal", "value"),
    [
        ("1 013,5", ",", 1013.5), ("1.013,5", ",", 1013.5), ("1,013.5", ".", 1013.5),
        ("1'013.5", ".", 1013.5), ("1\u202f013,5", ",", 1013.5), ("1.234.567", ",", 1234567),
        ("1.234", ",", 1234), ("1.234", ".", 1.234), ("1.234", None, 1.234),
        ("21,5", None, 21.5), ("−3,5", ",", -3.5), ("+3.5", ".", 3.5), (".5", ".", 0.5),
        ("5.", ".", 5), ("1e3", ".", 1000), ("21,5", ".", 21.5), ("70.5", ",", 70.5),
        ("", ".", math.nan), ("n/a", ".", math.nan),
    ],
)  # fmt: skip
def test_ways_to_write_a_number(text: str, decimal: str | None, value: float) -> None:
    found = read_numbers(pa.array([text]), "ppm", unit=None, decimal=decimal)
    assert not len(found.unreadable)
    assert found.values[0] == pytest.approx(value, nan_ok=True)


@pytest.mark.parametrize(
    ("text", "decimal"),
    [("1,234", None), ("1,2,3", "."), ("1.2.3", "."), ("12,34.5", "."), ("1 2", "."), ("0x1F", "."),
     ("abc", "."), ("20 lb", "."), ("1e999", "."), ("--5", "."), ("5-", "."), ("٣", "."),
     ("inf", "."), ("1,234,5", ",")],
)  # fmt: skip
def test_what_can_be_read_two_ways_or_none_is_not_read(text: str, decimal: str | None) -> None:
    found = read_numbers(pa.array([text]), "ppm", unit=None, decimal=decimal)
    assert np.isnan(found.values[0])
    assert found.unreadable.tolist() == [0]


@pytest.mark.parametrize(
    ("text", "decimal", "told"),
    [
        ("1.234 ppm", None, False), ("21,5", None, False), ("1.234,5", None, False),
        ("21,5", ".", True), ("70.5", ",", True), ("1.013,5", ".", True),
        ("1 013,5", ",", False), ("1.234", ",", False), ("1.234.567", ",", False),
    ],
)  # fmt: skip
def test_a_decimal_sign_that_is_not_the_files_is_told(
    text: str, decimal: str | None, told: bool
) -> None:
    """Where the file's own sign is not known, no cell has another one."""
    found = read_numbers(pa.array([text]), "ppm", unit=None, decimal=decimal)
    assert found.with_unit.tolist() == [0] * told


@pytest.mark.parametrize("decimal", [".", ","])
def test_numbers_beyond_the_largest_are_unreadable_among_others_too(decimal: str) -> None:
    found = read_numbers(pa.array(["12", "1e999", "abc", "7"]), "ppm", unit=None, decimal=decimal)
    assert found.unreadable.tolist() == [1, 2]
    assert found.values[[0, 3]].tolist() == [12, 7]
    assert np.isnan(found.values[[1, 2]]).all()


@pytest.mark.parametrize(
    ("cell", "column", "unit", "value"),
    [
        ("1 lb", "fresh_g", None, 453.59237), ("1 oz", "fresh_g", "kg", 28.349523125),
        ("0.4kg", "fresh_g", None, 400), ("68 °F", "temp_c", None, 20),
        ("20 °C", "temp_c", "degF", 20),
        ("0.9", "rh_pct", "fraction", 90), ("90 %", "rh_pct", "fraction", 90),
        ("1 fc", "light_lux", None, 10.763910416709722),
    ],
)  # fmt: skip
def test_units_in_cells(cell: str, column: str, unit: str | None, value: float) -> None:
    """Avoirdupois pound and ounce (exact, 1959); lumen per square foot."""
    found = read_numbers(pa.array([cell]), house_unit(column), unit=unit, decimal=".")
    assert found.values[0] == pytest.approx(value, rel=1e-12)


def test_units_in_heads() -> None:
    assert head_unit("Luft [°C]", "°C") == "degC"
    assert head_unit("fresh oz", "g") == "oz"
    assert head_unit("RH (%)", "%") == "%"
    assert head_unit("temperature", "°C") is None
    assert unit_word("nonsense", "°C") is None
    for columns in LOG_COLUMNS.values():
        for name in columns:  # the name of a column tells its own unit, or none
            unit = head_unit(name, house_unit(name))
            assert unit is None or to_house_unit(3.0, name, unit) == 3.0


@pytest.mark.parametrize(
    ("cell", "value"),
    [
        ("1'234.5", 1234.5), ("1’234’567", 1234567.0), ("12 345,6", 12345.6), ("18.'592", None),
        ("18. 592", None), ("1 234'567", None), ("1234 567", None), ("1'23", None), ("'5", None),
    ],
)  # fmt: skip
def test_marks_of_thousands_stand_in_the_whole_part_alone(cell: str, value: float | None) -> None:
    """By hand: 18.'592 is a damaged cell, not 18.592."""
    found = read_numbers(pa.array([cell, "text"]), "g", unit=None, decimal=None)
    assert (None if math.isnan(found.values[0]) else float(found.values[0])) == value
    assert list(found.unreadable) == ([1] if value else [0, 1])
