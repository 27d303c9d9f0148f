"""One kernel, three carriers: a table in memory, files on disk, a Dask table."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any, TypeGuard

import pandas as pd

from trialkit.alignment.frame import expose_frame
from trialkit.alignment.measures import ExposureSettings
from trialkit.alignment.summaries import Summaries

Files = str | Path | Sequence[str | Path]


def are_files(climate: Any) -> TypeGuard[Files]:
    """Tell a path, a glob or a list of them from a table.

    Examples
    --------
    >>> are_files("climate/*.parquet"), are_files(pd.DataFrame())
    (True, False)
    """
    if isinstance(climate, str | Path):
        return True
    return isinstance(climate, list | tuple) and all(isinstance(c, str | Path) for c in climate)


def is_spread(climate: Any) -> bool:
    """Tell a Dask table, without loading Dask."""
    return hasattr(climate, "to_delayed") and hasattr(climate, "npartitions")


def expose(climate: Any, windows: pd.DataFrame, *, settings: ExposureSettings) -> Summaries:
    """Sum a climate log over windows, wherever the log is.

    Parameters
    ----------
    climate : DataFrame, path(s) or Dask DataFrame
        See `expose_frame`, `expose_files`, `expose_dask`.
    windows : DataFrame
        `chamber, start, stop` (UTC) and any further columns, which are kept.
    settings : ExposureSettings

    Returns
    -------
    Summaries
    """
    if are_files(climate):
        from trialkit.alignment.engine import expose_files

        return expose_files(climate, windows, settings=settings)
    if is_spread(climate):
        from trialkit.alignment.cluster import expose_dask

        return expose_dask(climate, windows, settings=settings)
    return expose_frame(climate, windows, settings=settings)
