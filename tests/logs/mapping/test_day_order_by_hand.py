"""Which number of a date is the day, told by the calendar: logs written out by hand."""

from __future__ import annotations

import datetime as dt
from types import SimpleNamespace

import pyarrow as pa
import pytest

from trialkit.logs.mapping.day_order import _lies_in, ask_order, judge_order


@pytest.mark.parametrize(
    ("cells", "head", "day_first"),
    [
        # the second to the fifth of March; or of February to May, a month at each midnight
        (["02/03/2031 23:50", "03/03/2031 00:00", "04/03/2031 00:10"], "time", True),
        (["03/02/2031 23:50", "03/03/2031 00:00", "03/04/2031 00:10"], "time", False),
        # one day alone tells nothing, but its head may
        (["02/03/2031 10:00", "02/03/2031 10:10"], "time", None),
        (["02/03/2031 10:00", "02/03/2031 10:10"], "time (dd/mm/yyyy)", True),
        (["02/03/2031 10:00", "02/03/2031 10:10"], "time (mm/dd/yyyy)", False),
        # jumps in either order: nothing is sure, whatever the head says
        (["02/03/2031 10:00", "02/09/2031 10:00", "09/04/2031 10:00"], "time (dd/mm/yyyy)", None),
        # the moments have the last word
        (["02/03/2031 23:50", "03/03/2031 00:00", "04/03/2031 00:10"], "time (mm/dd/yyyy)", True),
    ],
)
def test_the_order_without_jumps_of_a_month(
    cells: list[str], head: str, day_first: bool | None
) -> None:
    assert judge_order(pa.array(cells), head) is day_first


def batch(start: dt.date | None, end: dt.date | None) -> SimpleNamespace:
    def moment(day: dt.date | None) -> dt.datetime | None:
        return None if day is None else dt.datetime.combine(day, dt.time(9))

    return SimpleNamespace(start=moment(start), end=moment(end))


def test_a_batch_holds_its_first_and_its_last_day() -> None:
    march = batch(dt.date(2031, 3, 1), dt.date(2031, 3, 31))
    for day, inside in ((1, True), (31, True), (15, True)):
        assert _lies_in(dt.date(2031, 3, day), march) is inside
    assert not _lies_in(dt.date(2031, 2, 28), march)
    assert not _lies_in(dt.date(2031, 4, 1), march)
    assert not _lies_in(dt.date(2031, 3, 15), batch(None, dt.date(2031, 3, 31)))
    assert not _lies_in(dt.date(2031, 3, 15), batch(dt.date(2031, 3, 1), None))


def test_a_batch_in_which_one_of_the_days_lies_is_told() -> None:
    """2 March or 3 February: the one that lies in a batch is named, both or none are not."""
    march = batch(dt.date(2031, 3, 1), dt.date(2031, 3, 31))
    early = batch(dt.date(2031, 2, 1), dt.date(2031, 2, 28))
    cells = pa.array(["02/03/2031 10:00"])
    one, plain = "question.order_batch", "question.order"
    for batches, key in (({"B1": march}, one), ({"B2": early}, one),
                         ({"B1": march, "B2": early}, plain), ({}, plain)):  # fmt: skip
        asked = ask_order("time", cells, batches)
        assert asked.said.key == key
        told = [answer for _, answer in asked.choices]
        assert told == [{"day_first": True}, {"day_first": False}]
        days = [said.values["day"] for said, _ in asked.choices]
        assert days == [dt.date(2031, 3, 2), dt.date(2031, 2, 3)]
        if key == one:
            assert asked.said.values["day"] == days[0 if "B1" in batches else 1]
