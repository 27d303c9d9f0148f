"""What is doubtful about the records of climate logs: their order and their units."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from trialkit.errors import Finding
from trialkit.logs.climate.records import Records
from trialkit.wording import finding


def tell_doubts(records: Records, series: np.ndarray, kept: np.ndarray) -> list[Finding]:
    """Tell records out of order, and values that only make sense in another unit."""
    files = [account.file for account in records.accounts]
    return [*tell_disorder(files, count_steps(records, series)), *doubt_units(records, kept)]


def count_steps(records: Records, series: np.ndarray) -> np.ndarray:
    """Count the steps back and forth in time between neighbouring records of each part.

    Returns
    -------
    ndarray of int, shape (parts, 2)
    """
    out = np.zeros((len(records.accounts), 2), np.int64)
    bounds = np.searchsorted(records.part, np.arange(len(records.accounts) + 1))
    for f in range(len(records.accounts)):
        mine = slice(bounds[f], bounds[f + 1])
        live = records.alive[mine]
        code, time = series[mine][live], records.time[mine][live]
        if len(code) and code.min() != code.max():
            order = np.argsort(code, kind="stable")
            code, time = code[order], time[order]
        steps = np.diff(time)[np.diff(code) == 0]
        out[f] = (steps < 0).sum(), (steps > 0).sum()
    return out


def tell_disorder(files: Sequence[str], steps: np.ndarray) -> list[Finding]:
    """Tell files whose records are not in order of time."""
    return [
        finding("out_of_order", "note", file=file, count=int(turns))
        for file, turns in zip(files, steps.min(axis=1), strict=True)
        if turns
    ]


def doubt_units(records: Records, kept: np.ndarray) -> list[Finding]:
    """Find values that only make sense in another unit."""
    out = []
    whole = len(kept) == len(records.time)
    live = slice(None) if whole else records.alive
    bounds = np.searchsorted(records.part[live], np.arange(len(records.accounts) + 1))
    for column in ("temp_c", "rh_pct"):
        if column not in records.values:
            continue
        values = records.values[column][live]
        for f, account in enumerate(records.accounts):
            here = values[bounds[f] : bounds[f + 1]]
            here = here[~np.isnan(here)]
            if len(here) < 10:
                continue
            middle, top = float(np.median(here)), float(np.max(here))
            if column == "temp_c" and 45 < middle < 110:
                form, seen, unit = "temperature", middle, "degF"
            elif column == "rh_pct" and top <= 1.5:
                form, seen, unit = "humidity", top, "fraction"
            else:
                continue
            out.append(
                finding(
                    "unit_doubtful",
                    "stop",
                    form=form,
                    file=account.file,
                    seen=seen,
                    unit=unit,
                    line=f'units = {{ {column} = "{unit}" }}',
                )
            )
    return out
