"""The ledger line by line: runs, requests, copies of a file's rows; counted by hand."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from trialkit.logs.ledger import Account, FileAccount, Ledger
from trialkit.trial.sections import Keep
from trialkit.wording import message


def account_of(rows: int = 200, *keep: Keep) -> tuple[Account, FileAccount]:
    account = Account(keep)
    return account, account.open("a.csv", np.arange(2, rows + 2))


def lines(account: Account) -> list[tuple[Any, ...]]:
    table = account.close()[0].lines
    return list(table[["row", "row_last", "rows", "old"]].itertuples(index=False, name=None))


@pytest.mark.parametrize(("rows", "told"), [(6, 6), (7, 1)])
def test_more_than_six_rows_treated_alike_take_one_line(rows: int, told: int) -> None:
    account, file = account_of()
    file.set_aside(np.arange(rows), rule="no value", reason="r")
    assert len(lines(account)) == told


@pytest.mark.parametrize(("rows", "told"), [(50, 50), (51, 1)])
def test_more_than_fifty_take_one_even_with_other_old_values(rows: int, told: int) -> None:
    account, file = account_of()
    file.note(np.arange(rows), rule="no value", reason="r", old=[str(k) for k in range(rows)])
    found = lines(account)
    assert len(found) == told
    if told == 1:
        assert found == [(2, 52, 51, "0 … 50")]


def test_runs_end_where_rows_or_reasons_are_others() -> None:
    account, file = account_of()
    rows = np.array([0, 1, 2, 3, 5, 6, 7, 8])
    file.set_aside(rows, rule="no value", reason=["x"] * 6 + ["y"] * 2)
    assert [found[:3] for found in lines(account)] == [(2, 5, 4), (7, 8, 2), (9, 10, 2)]


def test_an_old_value_that_is_the_same_all_along_is_told_once() -> None:
    account, file = account_of()
    file.note(np.arange(60), rule="no value", reason="r", old=["x"] * 59 + ["x"])
    assert lines(account) == [(2, 61, 60, "x")]


def test_changed_values_are_never_told_by_the_first_and_last() -> None:
    account, file = account_of()
    old = [str(k) for k in range(60)]
    file.change(np.arange(60), rule="written otherwise", reason="r", column="c", old=old, new="0")
    assert len(lines(account)) == 60


def test_rows_are_told_in_the_order_of_the_file() -> None:
    account, file = account_of()
    file.note(np.array([5, 1, 3]), rule="no value", reason=["five", "one", "three"],
              old=["5", "1", "3"])  # fmt: skip
    table = account.close()[0].table
    assert table["row"].tolist() == [3, 5, 7]
    assert table["old"].tolist() == ["1", "3", "5"]
    assert table["reason"].tolist() == ["one", "three", "five"]


def test_texts_may_be_given_for_the_rows_chosen_or_for_all_of_a_mask() -> None:
    mask = np.array([False, True, False, True])
    for old in (["b", "d"], ["a", "b", "c", "d"]):
        account, file = account_of(4)
        file.note(mask, rule="no value", reason="r", old=old)
        assert [found[3] for found in lines(account)] == ["b", "d"]
    account, file = account_of(2)
    file.note(np.ones(2, bool), rule="no value", reason="r", old=["a", "b"])
    assert [found[3] for found in lines(account)] == ["a", "b"]


def test_a_row_is_set_aside_once_by_the_first_rule() -> None:
    account, file = account_of(4)
    assert file.set_aside(np.array([1, 2]), rule="no value", reason="r").tolist() == [1, 2]
    again = file.set_aside(np.array([2, 3]), rule="chamber unknown", reason="r", old=["c", "d"])
    assert again.tolist() == [3]
    assert lines(account) == [(3, 3, 1, ""), (4, 4, 1, ""), (5, 5, 1, "d")]
    assert file.set_aside(np.array([1]), rule="no value", reason="r").tolist() == []
    assert file.alive.tolist() == [True, False, False, False]


def test_what_cannot_be_kept_is_said_of_the_rows_asked_for() -> None:
    keep = Keep(file="a.csv", rows=[3], rule="no value", because="seen")
    account, file = account_of(3, keep)
    file.set_aside(np.arange(3), rule="no value", reason="r", remedy=["p", "q", "s"],
                   keepable=False)  # fmt: skip
    table = account.close()[0].table
    assert table["action"].tolist() == ["set aside"] * 3
    assert table["remedy"].tolist()[::2] == ["p", "s"]
    assert table["remedy"].iloc[1] == str(message("row_remedy.cannot_be_kept"))
    account, file = account_of(3, keep)
    file.set_aside(np.arange(3), rule="chamber unknown", reason="r", remedy="p", keepable=False)
    assert account.close()[0].table["remedy"].tolist() == ["p"] * 3


def test_rows_of_one_rule_are_counted() -> None:
    account, file = account_of()
    file.set_aside(np.arange(60), rule="double export", reason="r")
    file.set_aside(np.array([100]), rule="double export", reason="r")
    file.set_aside(np.array([101]), rule="no value", reason="r")
    file.note(np.array([102]), rule="double export", reason="r")
    assert (file.count("double export"), file.count("no value")) == (61, 1)
    assert account.tell_doubled()[0].values["count"] == 61


def test_the_pieces_of_a_file_are_told_together() -> None:
    account = Account()
    for name in ("b.csv", "a.csv", "b.csv"):
        file = account.open(name, np.arange(2, 12))
        if name == "b.csv":
            file.set_aside(np.array([0, 1]), rule="double export", reason="r")
    [told] = account.tell_doubled()
    assert (told.values["file"], told.values["count"]) == ("b.csv", 4)
    counts = account.close()[0].summary()
    assert counts.to_numpy().tolist() == [["b.csv", 20, 16, 4], ["a.csv", 10, 10, 0]]


def test_lines_stand_file_by_file_in_the_order_of_reading() -> None:
    account = Account()
    first, second = account.open("z.csv", np.arange(2, 9)), account.open("a.csv", np.arange(2, 9))
    second.note(np.array([0]), rule="no value", reason="r")
    first.note(np.array([4]), rule="no value", reason="r")
    first.note(np.array([1]), rule="no value", reason="r")
    table = account.close()[0].lines
    assert table[["file", "row"]].to_numpy().tolist() == [["z.csv", 3], ["z.csv", 6], ["a.csv", 2]]
    assert [str(table[name].dtype) for name in ("row", "row_last", "rows")] == ["int64"] * 3
    account.drop(first)
    assert account.close()[0].summary()["file"].tolist() == ["a.csv"]


@pytest.mark.parametrize(
    ("counts", "aside", "sound"),
    [((5, 3, 2), 2, True), ((5, 4, 2), 2, False), ((5, 3, 2), 1, False), ((5, 5, 0), 0, True)],
)
def test_read_is_kept_and_set_aside_and_the_lines_say_so(
    counts: tuple[int, int, int], aside: int, sound: bool
) -> None:
    table = pd.DataFrame({"file": ["a"] * 2, "action": ["set aside", "note"], "rows": [aside, 9]})
    summary = pd.DataFrame([("a", *counts)], columns=["file", "read", "kept", "set_aside"])
    assert Ledger(table, summary).adds_up == sound


def test_requests_that_touch_nothing_are_told() -> None:
    used = Keep(file="*", rows=[2], rule="no value", because="b")
    idle = Keep(file="*", rows=[99], rule="no value", because="b")
    odd = Keep(file="*", rows=[2], rule="no such rule", because="b")
    account, file = account_of(3, used, idle, odd)
    file.set_aside(np.array([0]), rule="no value", reason="r")
    ledger, told = account.close()
    assert [f.values["rows"] for f in told] == [[99], [2]]
    assert [f.code for f in told] == ["idle_request"] * 2
    assert told[0].message != told[1].message
    assert ledger.table["action"].tolist() == ["kept by request"]
    other = Account([used])
    other.open("a.csv", np.arange(5, 9)).set_aside(np.array([0]), rule="no value", reason="r")
    assert len(other.close()[1]) == 1
