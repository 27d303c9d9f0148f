"""Cells of one layout → parts of a moment: blocks, layouts, ends of ranges; worked out by hand."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

import numpy as np
import pyarrow as pa
import pytest

from trialkit.logs.text import time_cells, times
from trialkit.logs.text.time_cells import date_of_day, days_since_1970
from trialkit.logs.text.time_forms import compile_format
from trialkit.logs.text.times import Moments, read_moments

EPOCH = dt.datetime(1970, 1, 1)


def shown(found: Moments) -> list[str | None]:
    at = [EPOCH + dt.timedelta(microseconds=int(w) // 1000) for w in found.wall]
    return [str(t) if ok else None for t, ok in zip(at, found.ok, strict=True)]


def read(*texts: str, **given: object) -> list[str | None]:
    return shown(read_moments(pa.array(texts), **given))  # type: ignore[arg-type]


def since(seconds: float) -> str:
    return str(EPOCH + dt.timedelta(seconds=seconds))


# ------------------------------------------------------------------ blocks and layouts


@pytest.mark.parametrize("block", [1, 2, 3, 7, 8])
@pytest.mark.parametrize("mixed", [False, True])
def test_cells_read_in_blocks_come_out_in_their_order(
    block: int, mixed: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Seven cells, all of one length or of two; in any block the same."""
    monkeypatch.setattr(time_cells, "_BLOCK", block)
    monkeypatch.setattr(times, "_BLOCK", block)
    at = [dt.datetime(2031, 1, 14, h, 5 * h, 59 - h) for h in range(7)]
    texts = [t.isoformat(sep=" ") for t in at]
    if mixed:
        texts[::3] = [t.isoformat(timespec="seconds") + ".0" for t in at[::3]]
    assert read(*texts) == [str(t) for t in at]


@pytest.mark.parametrize("most", [0, 1, 2, 3])
def test_many_layouts_are_read_one_by_one_to_the_same(
    most: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two cells of each of three layouts of one length."""
    monkeypatch.setattr(time_cells, "_MOST_LAYOUTS", most)
    texts = [f"2031{sign}01{sign}{day} 10:00" for day in (14, 15) for sign in "-/."]
    assert read(*texts) == [f"2031-01-{day} 10:00:00" for day in (14, 15) for _ in range(3)]


def test_every_digit_of_a_cell_counts_at_its_place() -> None:
    """Noughts and nines at every place: ends of what a digit is."""
    assert read("2009-09-09 09:09:09", "2000-10-10 00:00:00", "1999-09-09 19:09:09") == [
        "2009-09-09 09:09:09", "2000-10-10 00:00:00", "1999-09-09 19:09:09"
    ]  # fmt: skip
    for wrong in ("203/-01-14", "203:-01-14", "2031-01-1/", "2031-01-1:"):
        assert read(wrong, "2031-01-14") == [None, "2031-01-14 00:00:00"], wrong


# ------------------------------------------------------------------ ends of the clock


@pytest.mark.parametrize(
    ("clock", "want"),
    [
        ("23:59:59", "2031-01-14 23:59:59"), ("00:00:00", "2031-01-14 00:00:00"),
        ("00:59:00", "2031-01-14 00:59:00"), ("00:00:59", "2031-01-14 00:00:59"),
        ("23:00:00", "2031-01-14 23:00:00"), ("01:01:01", "2031-01-14 01:01:01"),
        ("00:60:00", None), ("00:00:60", None), ("25:00:00", None), ("25:00", None),
        ("24:00:00", "2031-01-15 00:00:00"), ("24:01:00", None), ("24:00:01", None),
        ("24:00:00.000000001", None), ("23:01:00.9", "2031-01-14 23:01:00.900000"),
        ("12:00 AM", "2031-01-14 00:00:00"), ("12:59 AM", "2031-01-14 00:59:00"),
        ("1:00 AM", "2031-01-14 01:00:00"), ("11:00 AM", "2031-01-14 11:00:00"),
        ("12:00 PM", "2031-01-14 12:00:00"), ("12:59 P", "2031-01-14 12:59:00"),
        ("1:00 p.m.", "2031-01-14 13:00:00"), ("11:59:59 PM", "2031-01-14 23:59:59"),
        ("0:30 PM", None), ("0:30 AM", None), ("13:00 PM", None), ("13:00 AM", None),
    ],
)  # fmt: skip
def test_the_ends_of_a_clock(clock: str, want: str | None) -> None:
    assert read(f"2031-01-14 {clock}") == [want]


def test_of_cells_of_one_layout_only_those_that_are_no_time_are_left_out() -> None:
    assert read("2031-01-14 23:59", "2031-01-14 23:60", "2031-01-14 24:00", "2031-01-14 24:01") == [
        "2031-01-14 23:59:00", None, "2031-01-15 00:00:00", None
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("part", "ns"),
    [("1", 100_000_000), ("12", 120_000_000), ("123", 123_000_000), ("000001", 1000),
     ("123456789", 123_456_789), ("000000001", 1), ("999999999", 999_999_999)],
)  # fmt: skip
def test_parts_of_a_second_by_their_digits(part: str, ns: int) -> None:
    day = (dt.datetime(2031, 1, 14) - EPOCH).days
    found = read_moments(pa.array([f"2031-01-14 00:00:00.{part}"]))
    assert found.wall.tolist() == [day * 86_400 * 10**9 + ns]


@pytest.mark.parametrize(
    ("offset", "seconds"),
    [("+14:00", 50_400), ("-14:00", -50_400), ("+14:01", None), ("-14:30", None), ("+15", None),
     ("+14", 50_400), ("+01:59", 7140), ("+01:60", None), ("-00:30", -1800), ("-0130", -5400),
     ("+0001", 60), ("+12", 43_200), ("-09:45", -35_100), ("Z", 0), ("GMT", 0)],
)  # fmt: skip
def test_the_ends_of_an_offset(offset: str, seconds: int | None) -> None:
    """No clock is farther from UTC than 14 h (Kiribati, IANA tz database)."""
    found = read_moments(pa.array([f"2031-01-14 10:00{offset}"]))
    assert found.ok.tolist() == [seconds is not None]
    if seconds is not None:
        assert found.offset_s is not None
        assert found.offset_s.tolist() == [seconds]


# ------------------------------------------------------------------ days


def brute(year: int, month: int, day: int) -> int | None:
    try:
        at = dt.date(year, month, day)
    except ValueError:
        return None
    return (at - EPOCH.date()).days if 1900 <= year <= 2200 else None


def test_days_are_those_of_the_standard_library() -> None:
    """Every day that a cell can name around the ends of months, leap years and the range."""
    years = [1899, 1900, 1904, 1969, 1970, 1999, 2000, 2031, 2032, 2100, 2199, 2200, 2201]
    made = [(y, m, d) for y in years for m in range(14) for d in (0, 1, 28, 29, 30, 31, 32)]
    days, ok = days_since_1970(*(np.array(part) for part in zip(*made, strict=True)))
    want = [brute(*part) for part in made]
    assert ok.tolist() == [w is not None for w in want]
    assert days.tolist() == [w or 0 for w in want]


def test_days_of_the_year_are_those_of_the_standard_library() -> None:
    years = [1899, 1900, 1970, 2000, 2031, 2032, 2100, 2200, 2201]
    made = [(y, n) for y in years for n in (-1, 0, 1, 2, 31, 32, 59, 60, 61, 335, 365, 366, 367)]
    month, day = date_of_day(*(np.array(part) for part in zip(*made, strict=True)))
    for (year, n), m, d in zip(made, month.tolist(), day.tolist(), strict=True):
        last = dt.date(year, 12, 31).timetuple().tm_yday
        if 1900 <= year <= 2200 and 1 <= n <= last:
            at = dt.date(year, 1, 1) + dt.timedelta(n - 1)
            assert (m, d) == (at.month, at.day), (year, n)
        else:
            assert (m, d) == (1, 0), (year, n)


@pytest.mark.parametrize(
    ("text", "want"),
    [("2031-001", "2031-01-01"), ("2031.365", "2031-12-31"), ("2032/366 06:00", "2032-12-31"),
     ("2031-366", None), ("2031-000", None), ("2031-367", None)],
)  # fmt: skip
def test_days_counted_from_the_start_of_the_year(text: str, want: str | None) -> None:
    [found] = read(text)
    assert (found and found[:10]) == want


@pytest.mark.parametrize(
    ("text", "want"),
    [("14 Jan 31", "2031-01-14"), ("14.01.00", "2000-01-14"), ("14/01/99", "2099-01-14"),
     ("20310114", "2031-01-14"), ("14 Jan 1931", "1931-01-14"), ("2031-Jan-14", "2031-01-14"),
     ("Jan 14 2031", "2031-01-14"), ("Tue Jan 14 2031", "2031-01-14"),
     ("Jan 14 10:00 2031", "2031-01-14"), ("2031 Foo 14", None), ("14 Januar 2031", "2031-01-14")],
)  # fmt: skip
def test_two_figures_of_a_year_are_of_this_century(text: str, want: str | None) -> None:
    [found] = read(text, day_first=True)
    assert (found and found[:10]) == want


# ------------------------------------------------------------------ seconds since 1970


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("1234567890", 1234567890), ("1234567890.5", 1234567890.5),
        ("1234567890123", 1234567890.123), ("1234567890123.5", 1234567890.1235),
        ("1234567890123456", 1234567890.123456), ("1234567890123456789", 1234567890.123456),
        ("0000000000", 0), ("123456789012", None),
        ("12345678901234", None), ("1234567890123456.5", None),
    ],
)  # fmt: skip
def test_seconds_and_finer_since_1970(text: str, seconds: float | None) -> None:
    """By the number of digits: seconds, thousandths, millionths, billionths; whole µs compared."""
    want = None if seconds is None else since(seconds)
    assert read(text) == [want]


@pytest.mark.parametrize("finer", ["", "000", "000000", "000000000"])
def test_seconds_end_where_the_years_of_dates_do(finer: str) -> None:
    """The years read are 1900 to 2200; a counter at its end is no moment, and no one of 1702."""
    last = int((dt.datetime(2200, 12, 31, 23, 59, 59) - EPOCH).total_seconds())
    texts = [f"{last}{finer}", f"{last + 1}{finer}", "9" * (10 + len(finer)), f"1234567890{finer}"]
    assert read(*texts) == ["2200-12-31 23:59:59", None, None, since(1234567890)]


def test_parts_of_a_second_since_1970_to_the_billionth() -> None:
    texts = ["1234567890.123456789", "1234567890.1234567899", "1234567890123456789",
             "1234567890123.456789", "1234567890.000000001"]  # fmt: skip
    found = read_moments(pa.array(texts))
    whole = 1234567890 * 10**9
    assert (found.wall - whole).tolist() == [123456789] * 4 + [1]
    assert found.aware is not None
    assert found.aware.all()
    assert not found.date_only.any()


def test_a_clock_that_was_reset_counts_from_nought_beside_real_seconds() -> None:
    """Up to nine digits, with parts; words and blanks beside them stay what they are."""
    found = read("1234567890", "0", "59.25", "123456789", "", "soon", "1 2")
    assert found == [
        since(1234567890), since(0), since(59.25), since(123456789), None, None, None
    ]  # fmt: skip
    assert read("2031-01-14", "0", "59.25") == ["2031-01-14 00:00:00", None, None]


@pytest.mark.parametrize(
    ("text", "want"),
    [
        ("1970010100", "1970-01-01 00:00:00"), ("2031011407", "2031-01-14 07:00:00"),
        ("2031123123", "2031-12-31 23:00:00"), ("2031011424", "2031-01-15 00:00:00"),
        ("2200123124", "2201-01-01 00:00:00"), ("2031010100", "2031-01-01 00:00:00"),
        ("2031011425", since(2031011425)), ("2031013200", since(2031013200)),
        ("2031010000", since(2031010000)), ("2031001400", since(2031001400)),
        ("2031131400", since(2031131400)), ("1969010100", since(1969010100)),
        ("2201010100", since(2201010100)), ("2031023000", None),
    ],
)  # fmt: skip
def test_ten_digits_are_a_date_and_an_hour_where_all_of_them_can_be(
    text: str, want: str | None
) -> None:
    """30 February has a month and a day of the month, but is none."""
    assert read(text) == [want]
    assert read(text, text.replace("0100", "0101"))[0] == want


def test_one_cell_that_is_no_date_makes_all_of_ten_digits_seconds() -> None:
    assert read("2031011407", "1234567890") == [since(2031011407), since(1234567890)]


# ------------------------------------------------------------------ words of other languages


def test_march_in_german_is_read_without_the_words_of_all_languages() -> None:
    assert read("14. März 2031 07:00", "15. mär 2031 08:00") == [
        "2031-03-14 07:00:00", "2031-03-15 08:00:00"
    ]  # fmt: skip


@pytest.mark.parametrize(
    "text",
    [
        "14. Jänner 2031 07:00",
        "14. jän. 2031 07:00",
        "14-JÄN-31 07:00",
        "Di., 14. Jänner 2031 07:00",
    ],
)
def test_january_in_austria(text: str) -> None:
    """Jänner, short Jän., is January in Austria (Unicode CLDR, de-AT)."""
    assert read(text) == ["2031-01-14 07:00:00"]
    assert read("14. Jänner 2031 07:00", form=compile_format("%d. %B %Y %H:%M")) == [
        "2031-01-14 07:00:00"
    ]


def test_words_of_other_languages_beside_english_ones() -> None:
    """Polish and Czech names of months (Unicode CLDR); a word of none is no time."""
    texts = ["14 października 2031 07:00", "15 Oct 2031 07:00", "16 unknownia 2031 07:00"]
    assert read(*texts) == ["2031-10-14 07:00:00", "2031-10-15 07:00:00", None]
    assert read("14. října 2031", "5. ledna 2031") == [
        "2031-10-14 00:00:00", "2031-01-05 00:00:00"
    ]  # fmt: skip


def test_beside_halves_of_the_day_a_cell_without_one_is_open() -> None:
    """Greek: π.μ. before noon, μ.μ. after it (Unicode CLDR); a date alone is not in doubt."""
    texts = ["14/1/2031 7:00 π.μ.", "14/1/2031 7:00 μ.μ.", "14 Ιανουαρίου 2031 7:00",
             "14 Ιανουαρίου 2031"]  # fmt: skip
    assert read(*texts) == [
        "2031-01-14 07:00:00", "2031-01-14 19:00:00", None, "2031-01-14 00:00:00"
    ]  # fmt: skip


def test_a_form_of_figures_alone_reads_no_words() -> None:
    form = compile_format("%d %m %Y")
    assert read("14 października 2031", form=form) == [None]
    named = compile_format("%d %B %Y")
    assert read("14 października 2031", "15 01 2031", form=named) == ["2031-10-14 00:00:00", None]


def test_only_the_languages_named_count() -> None:
    """Listopad is November in Polish and October in Croatian."""

    def of(languages: Sequence[str]) -> list[str | None]:
        return read("14 listopada 2031", languages=languages)

    assert of(("pl",)) == ["2031-11-14 00:00:00"]
    assert of(("hr",)) == ["2031-10-14 00:00:00"]
    assert of(()) == [None]
    found = read_moments(pa.array(["14 listopada 2031"]))
    assert found.unsure_months == ("listopada",)
