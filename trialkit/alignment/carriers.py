"""A climate log opened, whatever carries it: memory, files on disk, a Dask table."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeGuard

import pandas as pd

from trialkit.alignment.sources import HeldLog, Source, SpreadLog, StoredLog
from trialkit.errors import AlignError
from trialkit.logs.climate.large import LargeLog

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


@contextmanager
def open_climate(climate: Any) -> Iterator[Source | None]:
    """Open a climate log chamber by chamber, wherever it is.

    Parameters
    ----------
    climate : Log, DataFrame, LargeLog, path(s), Dask DataFrame or None

    Yields
    ------
    Source or None
        None where there is no log, or an empty one. Files are first turned into one file a
        chamber, in a folder of their own that is removed at the end.

    Raises
    ------
    AlignError
        If it is no log.
    """
    if are_files(climate):
        from trialkit.alignment.chamber_files import store_files

        with tempfile.TemporaryDirectory(prefix="trialkit-") as folder:
            store = store_files(climate, Path(folder))
            yield StoredLog(store.read, store.outline)
    elif isinstance(climate, LargeLog):
        yield StoredLog(climate.read, climate.outline) if climate.outline.rows else None
    elif is_spread(climate):
        yield SpreadLog(climate)
    else:
        table = log_table(climate, "climate")
        yield None if table is None else HeldLog(table)


def log_table(log: Any, kind: str) -> pd.DataFrame | None:
    """Accept a log or its table; an empty one counts as none, save for the harvest's."""
    if log is None:
        return None
    table = log if isinstance(log, pd.DataFrame) else getattr(log, "table", None)
    if not isinstance(table, pd.DataFrame):
        raise AlignError(f"{kind}: a log or a table is needed, not {type(log).__name__}")
    return table if len(table) or kind == "harvest" else None
