"""Records of one series and moment beyond the first: copies, completions and contradictions."""

from __future__ import annotations

import numpy as np

from trialkit.logs.climate.records import Records
from trialkit.wording import Message, message

_MOST_COPIES = 1000


def set_copies_aside(records: Records, series: np.ndarray, order: np.ndarray) -> None:
    """Set aside copies of records; join records that complete each other.

    Parameters
    ----------
    records : Records
        Changed in place: `alive`, and `values` of records that others complete.
    series : ndarray of int
        Series of each record.
    order : ndarray of int
        Order by series, time and file.
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
    reason = message("row_reason.same_record_again")
    _report(records, copy, complete, "double export", reason, "")
    reason = message("row_reason.other_record")
    remedy = message("row_remedy.other_record")
    _report(records, other, complete, "same time, other values", reason, remedy)


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


def _report(
    records: Records,
    rows: np.ndarray,
    joined: np.ndarray,
    rule: str,
    reason: Message,
    remedy: Message | str,
) -> None:
    """Set aside the file rows behind records; rows of which another record is kept get a note."""
    if not len(rows):
        return
    used = records.alive.copy()
    used[joined] = True
    for account in {id(p.account): p.account for p in records.parts}.values():
        mine = np.array([p.account is account for p in records.parts])
        here = rows[mine[records.part[rows]]]
        if not len(here):
            continue
        live = np.zeros(len(account.rows), bool)
        live[records.index[used & mine[records.part]]] = True
        index, first = np.unique(records.index[here], return_index=True)
        when = np.datetime_as_string(records.time[here[first]].astype("datetime64[ns]"), unit="s")
        old = np.array([w.replace("T", " ") + " UTC" for w in when], dtype=object)
        gone = ~live[index]
        account.note(index[~gone], rule=rule, old=old[~gone], reason=reason, remedy=remedy)
        # a row of a wide file may be set aside already, for what it says of another chamber
        open_ = index[gone & account.alive[index]]
        aside = account.set_aside(
            index[gone], rule=rule, old=old[gone], reason=reason, remedy=remedy
        )
        asked = np.setdiff1d(open_, aside)
        if len(asked):  # kept by request: both records stand in the table
            records.alive[here[np.isin(records.index[here], asked)]] = True
