"""Written times, part by part: words of months, offsets, halves of the day, ends of the range."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pyarrow as pa
import pytest

from trialkit.logs.text import calendar_words
from trialkit.logs.text.time_forms import compile_format
from trialkit.logs.text.times import read_moments

EPOCH = dt.datetime(1970, 1, 1)


def read(*texts: str, **given: object) -> list[dt.datetime | None]:
    found = read_moments(pa.array(texts), **given)  # type: ignore[arg-type]
    return [
        EPOCH + dt.timedelta(microseconds=int(w) // 1000) if ok else None
        for w, ok in zip(found.wall, found.ok, strict=True)
    ]


MONTHS = {
    1: "January Jan", 2: "February Feb", 3: "March Mar März mär", 4: "April Apr", 5: "May Mai",
    6: "June Jun Juni", 7: "July Jul Juli", 8: "August Aug", 9: "September Sep Sept",
    10: "October Oct Okt", 11: "November Nov", 12: "December Dec DEZ",
}  # fmt: skip


@pytest.mark.parametrize("number", list(MONTHS))
def test_months_in_words(number: int) -> None:
    """English in full and short, and the German ones that differ."""
    want = dt.datetime(2031, number, 5, 7, 8)
    for word in MONTHS[number].split():
        for text in (f"5 {word} 2031 07:08", f"05-{word}-31 7:08", f"5. {word} 2031 07:08"):
            assert read(text) == [want], text
        if word.isascii():
            assert read(f"{word} 5, 2031 07:08") == [want], word
    assert read(f"5 {MONTHS[number].split()[0]}x 2031") == [None]


@pytest.mark.parametrize(
    ("text", "hour", "minute"),
    [("12:05 AM", 0, 5), ("1:05 am", 1, 5), ("11:59 a.m.", 11, 59), ("12:00 PM", 12, 0),
     ("1:00 pm", 13, 0), ("11:59PM", 23, 59), ("0:05", 0, 5), ("23:59", 23, 59)],
)  # fmt: skip
def test_halves_of_the_day(text: str, hour: int, minute: int) -> None:
    assert read(f"2031-01-14 {text}") == [dt.datetime(2031, 1, 14, hour, minute)]
    assert read(f"{text} 2031-01-14") == [dt.datetime(2031, 1, 14, hour, minute)]


@pytest.mark.parametrize(
    "text", ["0:05 AM", "13:00 AM", "24:01", "24:00 AM", "10:60", "10:10:60", "12:5", "1:2:3"]
)
def test_what_no_clock_shows(text: str) -> None:
    assert read(f"2031-01-14 {text}") == [None]


@pytest.mark.parametrize("text", ["24:00", "24:00:00", "24:00:00.0"])
def test_the_end_of_a_day_is_the_start_of_the_next(text: str) -> None:
    """ISO 8601:2004, 4.2.3: 24:00 of a day is 00:00 of the next."""
    assert read(f"2031-01-31 {text}") == [dt.datetime(2031, 2, 1)]
    assert read("2031-01-31 24:00:01", "2031-01-31 24:00:00.1") == [None, None]


@pytest.mark.parametrize(
    ("text", "seconds"),
    [("+01:00", 3600), ("+0130", 5400), ("-04", -14400), ("-03:30", -12600), ("Z", 0), ("UTC", 0),
     (" +05:45", 20700), (" GMT", 0)],
)  # fmt: skip
def test_offsets_beside_the_clock(text: str, seconds: int) -> None:
    found = read_moments(pa.array([f"2031-01-14 10:00{text}", "2031-01-14 11:00"]))
    assert found.aware is not None
    assert found.offset_s is not None
    assert found.aware.tolist() == [True, False]
    assert found.offset_s.tolist() == [seconds, 0]
    assert found.wall.tolist() == [found.wall[0], found.wall[0] + 3600 * 10**9]
    assert read_moments(pa.array(["2031-01-14 10:00"])).offset_s is None


def test_parts_of_a_second_down_to_a_billionth() -> None:
    found = read_moments(
        pa.array(["2031-01-14 00:00:01.5", "2031-01-14 00:00:01,000000001",
                  "2031-01-14 00:00:01.120"])
    )  # fmt: skip
    first = found.wall[0] - 1_500_000_000
    assert (found.wall - first).tolist() == [1_500_000_000, 1_000_000_001, 1_120_000_000]


def test_seconds_and_their_parts_since_1970() -> None:
    """A million seconds are 1970-01-12 13:46:40 (POSIX time); 13 digits are milliseconds."""
    at = dt.datetime(2009, 2, 13, 23, 31, 30)
    assert read("1234567890", "1234567890.25", "1234567890250", "1000000", "5.5") == [
        at, at + dt.timedelta(seconds=0.25), at + dt.timedelta(seconds=0.25),
        dt.datetime(1970, 1, 12, 13, 46, 40), dt.datetime(1970, 1, 1, 0, 0, 5, 500000),
    ]  # fmt: skip
    assert read("1000000") == [None]  # alone it is a number, not a moment
    assert read("123456789012") == [None]
    found = read_moments(pa.array(["1234567890", "7"]))
    assert found.aware is not None
    assert found.aware.all()
    long = read_moments(pa.array(["1234567890.1234567891234"]))
    assert int(long.wall[0]) == 1234567890_123456789


@pytest.mark.parametrize(
    ("text", "sound"),
    [("1900-01-01", True), ("1899-12-31", False), ("2200-12-31", True), ("2201-01-01", False),
     ("2032-02-29", True), ("2031-02-29", False), ("2100-02-29", False), ("2000-02-29", True),
     ("2031-04-31", False), ("2031-12-31", True), ("2031-00-10", False), ("2031-01-00", False)],
)  # fmt: skip
def test_dates_that_exist(text: str, sound: bool) -> None:
    """Gregorian calendar: 2100 is no leap year, 2000 was one; years from 1900 to 2200."""
    [found] = read(text)
    assert found == (dt.datetime.fromisoformat(text) if sound else None)


def test_two_digits_of_a_year_are_of_this_century_and_a_date_alone_is_told() -> None:
    found = read_moments(pa.array(["14.01.31", "14.01.99", "14.01.2031 10:00"]))
    assert read("14.01.31", "14.01.99") == [dt.datetime(2031, 1, 14), dt.datetime(2099, 1, 14)]
    assert found.date_only.tolist() == [True, True, False]


def test_which_number_is_the_day() -> None:
    """13 and more can only be a day; what could be both is asked for, unless it is the same."""
    third, april = dt.datetime(2031, 4, 3), dt.datetime(2031, 3, 4)
    assert read("03/04/2031", "13/04/2031") == [third, dt.datetime(2031, 4, 13)]
    assert read("03/04/2031", "04/13/2031") == [april, dt.datetime(2031, 4, 13)]
    found = read_moments(pa.array(["03/04/2031", "05/05/2031", "2031-03-04"]))
    assert found.undecided.tolist() == [0]
    assert found.ok.tolist() == [False, True, True]
    assert found.orders == frozenset()
    both = read_moments(pa.array(["13/04/2031", "04/13/2031", "03/04/2031"]))
    assert both.orders == {"day first", "month first"}
    assert read("03/04/2031", day_first=True) == [third]
    assert read("03/04/2031", day_first=False) == [april]
    assert read("12/12/2031", "32/01/2031", "01/32/2031") == [dt.datetime(2031, 12, 12), None, None]
    assert read_moments(pa.array(["32/01/2031", "13/13/2031"])).orders == frozenset()


def test_blank_cells_and_long_ones() -> None:
    found = read_moments(pa.array(["", "  ", None, " 2031-01-14 ", "x" * 65, "1" * 64]))
    assert found.blank.tolist() == [True, True, True, False, False, False]
    assert found.ok.tolist() == [False, False, False, True, False, False]
    assert found.wall[~found.ok].tolist() == [0] * 5
    nothing = read_moments(pa.array([], pa.string()))
    assert (len(nothing.wall), nothing.aware) == (0, None)
    part = read_moments(pa.array(["a", "2031-01-14", "2031-01-15", "b"]).slice(1, 2))
    assert np.diff(part.wall).tolist() == [86400 * 10**9]


@pytest.mark.parametrize(
    ("form", "text", "want"),
    [("%d.%m.%y %H.%M Uhr", "5.1.31 7.08 Uhr", dt.datetime(2031, 1, 5, 7, 8)),
     ("%Y%m%d-%I%M%S%p", "20310105-120809AM", dt.datetime(2031, 1, 5, 0, 8, 9)),
     ("%B %d %Y %H:%M:%S.%f", "Jan 5 2031 01:02:03.25", dt.datetime(2031, 1, 5, 1, 2, 3, 250000)),
     ("%Y/%m/%d%%%H:%M", "2031/01/05%07:08", dt.datetime(2031, 1, 5, 7, 8))],
)  # fmt: skip
def test_forms_of_ones_own(form: str, text: str, want: dt.datetime) -> None:
    assert read(text, form=compile_format(form)) == [want]
    assert read("2031-01-05 07:08", form=compile_format(form)) == [None]


def test_months_in_words_by_a_form_of_ones_own() -> None:
    """October in German and French, by forms with the month's name, and stops as they are written.

    A form of numbers reads no word, and one of words no number.
    """
    named, numbers = compile_format("%d. %B %Y %H:%M"), compile_format("%d.%m.%Y %H:%M")
    want = dt.datetime(2031, 10, 5, 7, 8)
    assert read("5. Oktober 2031 07:08", form=named) == [want]
    assert read("5. October 2031 07:08", form=named) == [want]
    french = compile_format("%d %B, %Y %H:%M")
    assert read("5 octobre, 2031 07:08", form=french) == [want]
    assert read("05.10.2031 07:08", form=named) == [None]
    assert read("5. Oktober 2031 07:08", form=numbers) == [None]
    assert read("05.10.2031 07:08", form=numbers) == [want]


def test_the_words_of_all_languages_are_only_gathered_for_words(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Gathered for every column they would cost each reading of a log a second and 120 MB."""
    calls, gather = [], calendar_words.read_calendar
    monkeypatch.setattr(
        calendar_words, "read_calendar", lambda: calls.append("gathered") or gather()
    )
    read("2031-01-14 10:00", "14 Jan 2031 10:05", "", "broken")
    assert calls == []
    assert read("14. listopada 2031 10:00", "15. rujna 2031 10:00")[0] is not None
    assert calls
