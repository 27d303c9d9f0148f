"""Which logger a record comes from, where files do not say it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import PurePosixPath

import numpy as np

from trialkit.errors import Finding
from trialkit.logs.climate.records import Records
from trialkit.wording import finding, place

_SHARED = 0.2
_CLASHING = 0.5


def name_sensors(records: Records, chambers: Sequence[str]) -> list[Finding]:
    """Name sensors that files do not name: by chamber, or by file where two loggers differ.

    Two files of one chamber that overlap in time and disagree there come from two loggers; files
    that agree, or follow each other, are exports of one. A wide file has one logger per chamber.
    """
    unnamed = records.sensor < 0
    several: list[Finding] = []
    for code in np.unique(records.chamber[unnamed]):
        chamber = chambers[code]
        here = np.flatnonzero(unnamed & (records.chamber == code))
        records.sensor[here] = _number(records, chamber)
        parts = np.unique(records.part[here])
        rows = {int(f): here[records.part[here] == f] for f in parts}
        owner = _loggers(records, rows)
        names = {f: _stem(records.accounts[f].file) for f in set(owner.values())}
        if len(set(names.values())) < 2:
            continue
        for f, index in rows.items():
            records.sensor[index] = _number(records, names[owner[f]])
        loggers = sorted(set(names.values()))
        where = place({"chamber": chamber})
        several.append(finding("several_loggers", "note", place=where, sensors=loggers))
    return several


def _number(records: Records, name: str) -> int:
    if name not in records.sensors:
        records.sensors.append(name)
    return records.sensors.index(name)


def _stem(file: str) -> str:
    return PurePosixPath(file).name.split(".")[0]


def _loggers(records: Records, rows: dict[int, np.ndarray]) -> dict[int, int]:
    """Give for each file the first file of the same logger."""
    owner: dict[int, int] = {}
    for f, mine in rows.items():
        owner[f] = f
        for g in sorted(set(owner.values()) - {f}):
            if not _disagree(records, rows[g], mine):
                owner[f] = g
                break
    return owner


def _disagree(records: Records, first: np.ndarray, second: np.ndarray) -> bool:
    """Whether two files overlap in time and are not copies of each other there.

    Files that share no measured column complete each other and do not disagree.
    """
    a, b = records.time[first], records.time[second]
    low, high = max(a.min(), b.min()), min(a.max(), b.max())
    shared = [
        v
        for v in records.values.values()
        if not np.isnan(v[first]).all() and not np.isnan(v[second]).all()
    ]
    in_a, in_b = first[(a >= low) & (a <= high)], second[(b >= low) & (b <= high)]
    if high <= low or not shared or not len(in_a) or not len(in_b):
        return False
    _, ia, ib = np.intersect1d(records.time[in_a], records.time[in_b], return_indices=True)
    if len(ia) < _SHARED * min(len(in_a), len(in_b)):
        return True  # other moments: two loggers out of step
    clash = np.zeros(len(ia), bool)
    for values in shared:
        one, two = values[in_a[ia]], values[in_b[ib]]
        clash |= ~np.isnan(one) & ~np.isnan(two) & (one != two)
    return bool(clash.mean() > _CLASHING)
