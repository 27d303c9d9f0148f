"""The few records of a log that speak of its loggers' clocks.

The clocks of all loggers are judged against each other, which would need all chambers at once. But
only half-hourly means of temperature, moments at which lamps come on, and gaps are looked at; what
is kept here gives exactly those.
"""

from __future__ import annotations

import numpy as np

from trialkit.arrays import Bools, Ints
from trialkit.logs.climate.records import Part, Records

_BIN = 1800 * 1_000_000_000
_LIGHT_LUX = 10.0


def thin_records(records: Records, kept: Ints, series: Ints) -> list[Part]:
    """Keep the records that clocks are judged by.

    Parameters
    ----------
    records : Records
    kept : ndarray of int
        Records in the table, by series and time.
    series : ndarray of int
        Series of each record.

    Returns
    -------
    list of Part
        Of each part and half hour the first and last record; the first bears the mean temperature
        of them all. Of each lamp that comes on the records before and after.
    """
    if not len(kept):
        return []
    time, part, code = records.time[kept], records.part[kept], series[kept]
    order = np.lexsort((np.arange(len(kept)), part, code))
    bins = time[order] // _BIN
    new = _starts(code[order], part[order], bins)
    number = np.cumsum(new) - 1
    first, last = np.flatnonzero(new), np.append(np.flatnonzero(new)[1:], len(kept)) - 1
    chosen = np.zeros(len(kept), dtype=bool)
    chosen[order[first]] = chosen[order[last]] = True
    values = {name: np.full(len(kept), np.nan) for name in records.values}
    if "temp_c" in values:
        temp = records.values["temp_c"][kept][order]
        known = np.isfinite(temp)
        sums = np.bincount(number[known], weights=temp[known], minlength=len(first))
        counts = np.bincount(number[known], minlength=len(first))
        with np.errstate(invalid="ignore"):
            values["temp_c"][order[first]] = sums / np.where(counts > 0, counts, np.nan)
    if "light_lux" in values:
        values["light_lux"] = records.values["light_lux"][kept]
        chosen |= _lamps(values["light_lux"], code)
    return [_part(records, kept, np.flatnonzero(chosen & (part == f)), values, f)
            for f in np.unique(part).tolist()]  # fmt: skip


def _starts(*keys: Ints) -> Bools:
    out = np.ones(len(keys[0]), dtype=bool)
    out[1:] = np.any([key[1:] != key[:-1] for key in keys], axis=0)
    return out


def _lamps(lux: np.ndarray, code: Ints) -> Bools:
    """Tell the records before and after a lamp comes on."""
    out = np.zeros(len(lux), dtype=bool)
    known = np.flatnonzero(np.isfinite(lux))
    bright = lux[known] > _LIGHT_LUX
    on = np.flatnonzero(bright[1:] & ~bright[:-1] & (np.diff(code[known]) == 0))
    out[known[on]] = out[known[on + 1]] = True
    return out


def _part(
    records: Records, kept: Ints, at: Ints, values: dict[str, np.ndarray], number: int
) -> Part:
    rows = kept[at]
    return Part(
        records.accounts[number],
        records.index[rows],
        records.chamber[rows],
        records.sensor[rows],
        tuple(records.sensors),
        records.time[rows],
        {name: v[at] for name, v in values.items()},
        None if records.shelf is None else records.shelf[rows],
    )
