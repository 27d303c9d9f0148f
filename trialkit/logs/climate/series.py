"""The series of a log: its records by chamber and sensor.

A chamber looked at alone often has one sensor. Its records are then handed over as they are, which
is sooner than sorting hundreds of thousands of equal names and copying what they name.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import pandas as pd

from trialkit.arrays import Codes


def is_one(names: pd.Series) -> bool:
    """Say whether there are names, none missing, and all the same.

    Examples
    --------
    >>> [is_one(pd.Series(names)) for names in (["T1", "T1"], ["T1", "T2"], ["T1", None])]
    [True, False, False]
    """
    if not len(names) or pd.isna(first := names.iloc[0]):
        return False
    return names.iloc[-1] == first and bool((names == first).fillna(False).all())


def number_names(names: pd.Series, *, sort: bool = False) -> tuple[Codes, pd.Index]:
    """Give the number of each name, -1 where it is missing, and the names; as `pandas.factorize`.

    Examples
    --------
    >>> codes, names = number_names(pd.Series(["T1", "T1"]))
    >>> codes.tolist(), names.tolist()
    ([0, 0], ['T1'])
    """
    if is_one(names):
        return np.zeros(len(names), dtype=np.intp), pd.Index(names.iloc[:1])
    return pd.factorize(names, sort=sort)


def each_part(
    table: pd.DataFrame, by: Sequence[pd.Series], *, sort: bool = True, dropna: bool = True
) -> Iterator[tuple[tuple[Any, ...], pd.DataFrame]]:
    """Give the rows of each combination of names, as grouping does; not to be written to.

    Examples
    --------
    >>> log = pd.DataFrame({"chamber": ["T2", "T1"], "rh_pct": [80.0, 90.0]})
    >>> [(key, part["rh_pct"].tolist()) for key, part in each_part(log, [log["chamber"]])]
    [(('T1',), [90.0]), (('T2',), [80.0])]
    """
    if all(is_one(names) for names in by):
        yield tuple(names.iloc[0] for names in by), table
    else:
        yield from table.groupby(list(by), sort=sort, dropna=dropna)
