"""Tables that an analysis holds, asked for as one asks a fit: by calling them.

`Fit` works its answers out, so there they are methods: ``fit.tests()``, ``fit.means("light")``.
An `Analysis` has its answers already; it gives them to both ways of asking, as
``result.tests`` and ``result.tests()``, as ``result.means["light"]`` and ``result.means("light")``.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from trialkit.errors import TrialkitError


class UnknownTreatmentError(TrialkitError, KeyError):
    """A treatment was asked for that the analysis does not have."""

    __str__ = Exception.__str__  # a KeyError would show its message in quotation marks


class TermTests(pd.DataFrame):
    """The tests of an analysis, one row per fixed term; calling it gives a copy.

    Examples
    --------
    >>> tests = TermTests({"F": [4.2]}, index=["schedule"])
    >>> tests["F"].tolist(), tests()["F"].tolist()
    ([4.2], [4.2])
    """

    @property
    def _constructor(self) -> Any:
        return pd.DataFrame  # what is cut from it is a plain table

    def __call__(self) -> pd.DataFrame:
        """Give a copy as a plain table."""
        return pd.DataFrame(self).copy()


class ByTreatment(dict[str, pd.DataFrame]):
    """A table for each treatment; calling it with a treatment's name gives a copy.

    Parameters
    ----------
    tables : mapping of str to DataFrame
    primary : str, optional
        The treatment meant where none is named; the first by default.

    Examples
    --------
    >>> means = ByTreatment({"schedule": pd.DataFrame({"estimate": [410.0]})})
    >>> means("schedule").equals(means["schedule"]), means().equals(means["schedule"])
    (True, True)
    >>> means("timing")
    Traceback (most recent call last):
    trialkit.analysis.tables_of_answers.UnknownTreatmentError: no treatment is called 'timing': \
use 'schedule'
    """

    def __init__(
        self, tables: Mapping[str, pd.DataFrame] | Any = (), primary: str | None = None
    ) -> None:
        super().__init__(tables)
        self.primary = primary

    def __missing__(self, name: object) -> pd.DataFrame:
        known = ", ".join(map(repr, self))
        raise UnknownTreatmentError(f"no treatment is called {name!r}: use {known}")

    def __call__(self, factor: str | None = None) -> pd.DataFrame:
        """Give a copy of the table of a treatment; of the primary one by default."""
        return self[factor or self.primary or next(iter(self), "")].copy()
