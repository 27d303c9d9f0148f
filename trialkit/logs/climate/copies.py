"""Records of one series and moment beyond the first: copies, completions and contradictions."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from trialkit.logs.climate.records import Records
from trialkit.logs.ledger import FileAccount
from trialkit.wording import message

_MOST_COPIES = 1000


#: What happens to a record beyond the first: its rule, in the order in which they are told.
RULES = ("double export", "same time, other values")
_SAID = {"double export": "same_record_again", "same time, other values": "other_record"}


@dataclass(frozen=True)
class Case:
    """Rows of a file with a record beyond the first of its series and moment.

    Parameters
    ----------
    account : FileAccount
    rule : str
        One of `RULES`.
    index : ndarray of int
        Positions of the rows, rising.
    time : ndarray of int64
        Moment of each [ns].
    gone : ndarray of bool
        Rows of which no other record is used.
    """

    account: FileAccount
    rule: str
    index: np.ndarray
    time: np.ndarray
    gone: np.ndarray


def set_copies_aside(
    records: Records,
    series: np.ndarray,
    order: np.ndarray,
    *,
    report: Callable[[Case], object] | None = None,
) -> None:
    """Set aside copies of records; join records that complete each other.

    Parameters
    ----------
    records : Records
        Changed in place: `alive`, and `values` of records that others complete.
    series : ndarray of int
        Series of each record.
    order : ndarray of int
        Order by series, time and file.
    report : callable, optional
        Takes the rows of each file and rule; by default they are told at once (`tell_case`).
    """
    if len(order) < 2:
        return
    same = (np.diff(records.time[order]) == 0) & (np.diff(series[order]) == 0)
    if not same.any():
        return
    start = np.concatenate([[True], ~same])
    head = np.maximum.accumulate(np.where(start, np.arange(len(order)), 0))
    rank = np.arange(len(order)) - head
    none = np.zeros(0, np.int64)
    copies, others, joined = [none], [none], [none]
    for k in range(1, int(min(rank.max(), _MOST_COPIES)) + 1):
        at = np.flatnonzero(rank == k)
        later, first = order[at], order[head[at]]
        clash, adds = _compare(records, first, later)
        for values in records.values.values():
            fill = adds & ~clash & np.isnan(values[first])
            values[first[fill]] = values[later[fill]]
        copies.append(later[~clash & ~adds])
        others.append(later[clash])
        joined.append(later[~clash & adds])
    others.append(order[rank > _MOST_COPIES])
    copy, other, complete = (np.concatenate(x) for x in (copies, others, joined))
    # a joined record is not in the table, but its row is used: its values stand in the first one
    records.alive[np.concatenate([copy, other, complete])] = False
    for rule, rows in zip(RULES, (copy, other), strict=True):
        for case, here in _cases(records, rows, complete, rule):
            open_ = case.index[case.gone & case.account.alive[case.index]]
            asked = open_[case.account.asked_for(open_, rule)]
            (report or tell_case)(case)
            if len(asked):  # kept by request: both records stand in the table
                records.alive[here[np.isin(records.index[here], asked)]] = True


def _compare(
    records: Records, first: np.ndarray, later: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Say which later records contradict the first of their moment, and which add values."""
    clash, adds = np.zeros(len(later), bool), np.zeros(len(later), bool)
    for values in records.values.values():
        one, two = values[first], values[later]
        clash |= ~np.isnan(one) & ~np.isnan(two) & (one != two)
        adds |= np.isnan(one) & ~np.isnan(two)
    return clash, adds


def _cases(
    records: Records, rows: np.ndarray, joined: np.ndarray, rule: str
) -> Iterator[tuple[Case, np.ndarray]]:
    """Give the file rows behind records, file by file, and the records that are meant."""
    if not len(rows):
        return
    used = records.alive.copy()
    used[joined] = True
    for account in {id(a): a for a in records.accounts}.values():
        mine = np.array([a is account for a in records.accounts])
        here = rows[mine[records.part[rows]]]
        if not len(here):
            continue
        live = np.zeros(len(account.rows), bool)
        live[records.index[used & mine[records.part]]] = True
        index, first = np.unique(records.index[here], return_index=True)
        yield Case(account, rule, index, records.time[here[first]], ~live[index]), here


def tell_case(case: Case) -> None:
    """Set the file rows behind records aside; rows of which another record is kept get a note."""
    account, gone, index = case.account, case.gone, case.index
    reason = message(f"row_reason.{_SAID[case.rule]}")
    copied = case.rule == "double export"
    remedy = "" if copied else message("row_remedy.other_record")
    when = np.datetime_as_string(case.time.astype("datetime64[ns]"), unit="s")
    old = np.array([w.replace("T", " ") + " UTC" for w in when], dtype=object)
    account.note(index[~gone], rule=case.rule, old=old[~gone], reason=reason, remedy=remedy)
    # a row of a wide file may be set aside already, for what it says of another chamber
    account.set_aside(index[gone], rule=case.rule, old=old[gone], reason=reason, remedy=remedy)
