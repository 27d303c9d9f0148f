"""Whether two analyses rest on the same harvest: a hash over the values that were analysed."""

from __future__ import annotations

import hashlib
from collections import Counter
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from trialkit.analysis.result import Analysis


def analysed_rows(result: Analysis, *, named: bool = False) -> list[tuple[str, ...]]:
    """List the analysed rows as text, in an order that does not depend on the file's.

    Parameters
    ----------
    result : Analysis
    named : bool
        With the names of the units and the flush beside treatments and value.

    Returns
    -------
    list of tuple of str
        Levels of the treatments and the response, of every row in the model.
    """
    trial, table = result.trial, result.fit.table
    names = list(trial.factors)
    if named:
        names += [*trial.structure.factors, "flush"]
    columns = [table[name].astype(str) for name in names if name in table]
    values = [float(value).hex() for value in table[result.terms.response]]
    return sorted(zip(*columns, values, strict=True))


def data_fingerprint(result: Analysis) -> str:
    """Give the SHA-256 of the analysed data.

    Titles, names of units and the order of rows do not enter, so that a copied or renamed
    trial has the fingerprint of its original.

    Parameters
    ----------
    result : Analysis

    Returns
    -------
    str
        64 hexadecimal digits.

    Examples
    --------
    >>> import trialkit as tk
    >>> trial = tk.read_trial(tk.demo_folder())
    >>> data = tk.align(trial, tk.read_harvest(trial), tk.read_environment(trial),
    ...                 tk.read_mist(trial))
    >>> result = tk.analyse(trial, data)
    >>> data_fingerprint(result) == data_fingerprint(tk.analyse(trial, data))
    True
    """
    rows = analysed_rows(result)
    return hashlib.sha256("\n".join("\t".join(row) for row in rows).encode()).hexdigest()


def share_in_common(one: Analysis, other: Analysis) -> float:
    """Give the share of the smaller trial's rows that the other has too, unit and value alike."""
    first, second = (Counter(analysed_rows(result, named=True)) for result in (one, other))
    both = sum((first & second).values())
    return both / max(1, min(first.total(), second.total()))
