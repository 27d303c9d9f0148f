"""Files of a climate log, in any order and however large, turned into one file a chamber.

The rows are read once, piece by piece, and written to Parquet files of their chambers in the order
in which they came; then every chamber can be read by itself.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from trialkit.alignment.engine import read_batches
from trialkit.columns.channels import READ
from trialkit.errors import AlignError
from trialkit.logs.climate.chamber_store import ChamberStore

_WORDS = ("sensor", "shelf")


def store_files(
    files: str | Path | Sequence[str | Path],
    folder: Path,
    *,
    columns: Mapping[str, str] | None = None,
    memory_mb: int = 512,
) -> ChamberStore:
    """Write the rows of Parquet or CSV files into one file a chamber.

    Parameters
    ----------
    files : path, glob or sequence of them
        As for `expose_files`; `shelf` optional.
    folder : Path
        Where the files of the chambers go.
    columns : mapping, optional
        House name → name in the files, where they differ.
    memory_mb : int
        Memory that DuckDB may use to read CSV files [MB].

    Returns
    -------
    ChamberStore

    Raises
    ------
    AlignError
        If there are no such files, or a needed column is missing.
    """
    store = ChamberStore(folder)
    with read_batches(files, columns=columns or {}, memory_mb=memory_mb) as batches:
        for batch in batches:
            for chamber, rows in _by_chamber(batch):
                store.add(chamber, rows)
    return store.close()


def _by_chamber(batch: Any) -> Iterator[tuple[str, pd.DataFrame]]:
    """Split a record batch by chamber; rows without chamber or time are passed by."""
    import pyarrow as pa

    stamps = batch.column("time")
    if not pa.types.is_timestamp(stamps.type):
        raise AlignError("time is not stored as a timestamp in the file → convert it first")
    time = pd.DatetimeIndex(stamps.to_pandas())
    time = time.tz_localize("UTC") if time.tz is None else time.tz_convert("UTC")
    out: dict[str, Any] = {"time": time.as_unit("ns")}
    for name in batch.schema.names:
        if name in READ:
            out[name] = batch.column(name).cast("float64").to_pandas().to_numpy(dtype=float)
        elif name in _WORDS:
            out[name] = batch.column(name).cast("string").to_pandas().to_numpy(dtype=object)
    table = pd.DataFrame(out)
    chambers = batch.column("chamber").cast("string").to_pandas()
    known = chambers.notna().to_numpy() & table["time"].notna().to_numpy()
    for name, rows in table[known].groupby(chambers[known].to_numpy(), sort=False):
        yield str(name), rows
