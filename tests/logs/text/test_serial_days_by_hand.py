"""Days as spreadsheets count them, orders of day and month, and the longest cell: by hand."""

from __future__ import annotations

import datetime as dt

import pyarrow as pa
import pytest

from trialkit.logs.text.time_forms import compile_format
from trialkit.logs.text.times import Moments, read_moments

EPOCH = dt.datetime(1970, 1, 1)


def moments(*texts: str | None, **given: object) -> Moments:
    return read_moments(pa.array(texts, pa.string()), **given)  # type: ignore[arg-type]


def read(*texts: str | None, **given: object) -> list[str | None]:
    found = moments(*texts, **given)
    at = [EPOCH + dt.timedelta(microseconds=int(w) // 1000) for w in found.wall]
    return [str(t) if ok else None for t, ok in zip(at, found.ok, strict=True)]


def counted(day: int, clock: str = "00:00:00") -> str:
    """Day 0 of a spreadsheet is 30 December 1899 (ECMA-376, part 1, 18.17.4.1)."""
    return f"{dt.date(1899, 12, 30) + dt.timedelta(day)} {clock}"


@pytest.mark.parametrize("sign", [".", ","])
@pytest.mark.parametrize(
    ("part", "clock"),
    [
        ("5", "12:00:00"), ("25", "06:00:00"), ("75", "18:00:00"),
        # a third digit is 86.4 s: the minute is all that it can say
        ("292", "07:00:00"), ("293", "07:02:00"), ("2917", "07:00:00"), ("29167", "07:00:00"),
        # 0.29172 days are 25 204.6 s: within 0.43 s this is no minute
        ("29172", "07:00:05"), ("29166667", "07:00:00"), ("2916666667", "07:00:00"),
        ("99999", "23:59:59"), ("00001", "00:00:01"), ("29173611", "07:00:06"),
        # 45 s are 4.5 times what four digits leave open
        ("2922", "07:00:46"),
    ],
)  # fmt: skip
def test_a_part_of_a_day_is_read_as_exactly_as_its_digits_say(
    part: str, clock: str, sign: str
) -> None:
    assert read(f"47862{sign}{part}", serial=True) == [counted(47862, clock)]


def test_whole_days_are_dates_and_parts_are_moments() -> None:
    """45000 is 15 March 2023."""
    assert read("45000", serial=True) == ["2023-03-15 00:00:00"]
    assert moments("45000", "45001", serial=True).date_only.all()
    assert not moments("45000", "45000.5", serial=True).date_only.any()
    found = moments("45000.5", serial=True)
    assert (found.serial, found.aware, found.orders) == (True, None, frozenset())


def test_blanks_among_days_that_are_counted_stay_blank() -> None:
    assert read("", "45000.5", None, "45001.5", serial=True) == [
        None, "2023-03-15 12:00:00", None, "2023-03-16 12:00:00"
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("cells", "sound"),
    [
        (["25569", "80000"], True), (["25568", "45000"], False), (["45000", "80001"], False),
        (["80000.5"], False), (["45000", "word"], False), (["45000", "2031-01-14"], False),
        (["4500"], False), (["450000"], False), ([""], False), (["45000.", "45001"], False),
    ],
)  # fmt: skip
def test_which_columns_are_counted_days(cells: list[str], sound: bool) -> None:
    """From 1970 on, and not beyond day 80 000 (in 2119); other cells make all of them numbers."""
    assert moments(*cells, serial=True).serial == sound
    if sound:
        assert read(*cells, serial=True) == ["1970-01-01 00:00:00", counted(80_000)]


def test_days_are_counted_only_where_asked_and_without_a_form() -> None:
    assert read("45000") == [None]
    assert not moments("45000").serial
    assert read("45000", serial=True, form=compile_format("%Y-%m-%d")) == [None]
    assert read("2031-01-14", serial=True) == ["2031-01-14 00:00:00"]


@pytest.mark.parametrize(("blanks", "sound"), [(49, True), (50, False)])
def test_cells_of_more_than_64_letters_are_no_moments(blanks: int, sound: bool) -> None:
    """Ten letters of the date, five of the clock and blanks between them."""
    [found] = read(f"2031-01-14{' ' * blanks}10:00")
    assert found == ("2031-01-14 10:00:00" if sound else None)


@pytest.mark.parametrize(("digits", "sound"), [(62, True), (63, False)])
def test_so_are_short_seconds_of_more_than_64_letters(digits: int, sound: bool) -> None:
    [_, found] = read("1234567890", f"5.{'0' * digits}")
    assert found == ("1970-01-01 00:00:05" if sound else None)


@pytest.mark.parametrize(
    ("first", "second", "proof"),
    [
        (13, 12, "day first"), (31, 12, "day first"), (13, 1, "day first"), (12, 13, "month first"),
        (12, 31, "month first"), (1, 13, "month first"), (12, 12, None), (12, 11, None),
        (13, 13, None), (32, 12, None), (12, 32, None), (32, 1, None), (1, 32, None),
        (31, 13, None), (13, 31, None),
    ],
)  # fmt: skip
def test_what_proves_the_order_of_day_and_month(first: int, second: int, proof: str | None) -> None:
    found = moments(f"{first:02d}/{second:02d}/2031")
    assert found.orders == ({proof} if proof else set())


def test_a_proof_settles_the_others_and_two_against_each_other_settle_nothing() -> None:
    assert read("01/02/2031", "13/02/2031") == ["2031-02-01 00:00:00", "2031-02-13 00:00:00"]
    assert read("01/02/2031", "02/13/2031") == ["2031-01-02 00:00:00", "2031-02-13 00:00:00"]
    mixed = moments("01/02/2031", "13/02/2031", "02/13/2031", "03/03/2031")
    assert mixed.undecided.tolist() == [0, 1, 2]  # though one of them alone could be told
    assert mixed.ok.tolist() == [False, False, False, True]
    assert mixed.wall[:3].tolist() == [0, 0, 0]


def test_an_order_that_is_told_holds_against_a_proof() -> None:
    assert read("01/02/2031", "02/13/2031", day_first=True) == ["2031-02-01 00:00:00", None]
    assert read("01/02/2031", "13/02/2031", day_first=False) == ["2031-01-02 00:00:00", None]


def test_cells_that_name_their_month_are_never_in_doubt() -> None:
    found = moments("2031-01-02", "2 Jan 2031", "01/02/2031 25:00", "01/02/2031")
    assert found.undecided.tolist() == [3]  # the third is no time whatever the order
    assert found.ok.tolist() == [True, True, False, False]


def test_days_of_the_year_beside_seconds_are_no_slip() -> None:
    found = moments("2031-305", "1234567890", "2031-306", "1234567891")
    assert found.ok.all()
    assert moments("2031-305", "2031-01-14").ok.tolist() == [False, True]  # as many of each
