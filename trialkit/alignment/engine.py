"""Exposures of logs larger than memory, read in pieces from Parquet or CSV files.

Parquet files are read row group by row group, CSV files through DuckDB; each piece is summed
by the same kernel as a table in memory, on all processor cores. Where pieces overlap in time
(doubled exports, files out of order), DuckDB sorts the log first, on disk if need be.
"""

from __future__ import annotations

import glob
import os
import re
import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from threading import BoundedSemaphore
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trialkit.alignment.cells import Cells
from trialkit.alignment.kernel import Key, Piece, SeamError, Summer
from trialkit.alignment.measures import ExposureSettings
from trialkit.alignment.summaries import Summaries, summarise
from trialkit.arrays import Floats
from trialkit.columns.channels import READ
from trialkit.errors import AlignError
from trialkit.whole_files import remove_spare

#: Rows handed to the kernel at once.
BATCH = 262_144
_PARQUET = (".parquet", ".pq")
_CSV = (".csv", ".tsv", ".txt", ".csv.gz", ".tsv.gz", ".csv.zst")
_SPILL, _DAY_S = "trialkit-sort-", 86_400.0
_WORDS = ("chamber", "sensor", "shelf")


def expose_files(
    files: str | Path | Sequence[str | Path],
    windows: pd.DataFrame,
    *,
    settings: ExposureSettings,
    columns: Mapping[str, str] | None = None,
    workers: int | None = None,
    memory_mb: int = 512,
) -> Summaries:
    """Sum a climate log kept in files over windows, without loading it.

    Use it for clean logs of many million rows; smaller or messy ones are read with
    `trialkit.read_environment`, which accounts for every row.

    Parameters
    ----------
    files : path, glob or sequence of them
        Parquet or CSV files, all of one kind, each a long log with the columns `chamber`,
        `time` (with an offset, or in UTC) and any of `sensor, temp_c, rh_pct, co2_ppm,
        light_lux, ppfd_umol_m2_s`.
    windows : DataFrame
        `chamber, start, stop` (UTC) and any further columns, which are kept.
    settings : ExposureSettings
    columns : mapping, optional
        House name → name in the files, where they differ.
    workers : int, optional
        Threads; by default one per processor core.
    memory_mb : int
        Memory that DuckDB may use before it sorts on disk [MB].

    Returns
    -------
    Summaries
        Equal to `expose_frame` on the same rows.

    Raises
    ------
    AlignError
        If there are no such files, or a needed column is missing.

    Examples
    --------
    >>> import tempfile
    >>> log = pd.DataFrame({"chamber": "T1", "temp_c": 20.0, "rh_pct": [80.0, 90.0],
    ...     "time": pd.to_datetime(["2031-01-01 00:00", "2031-01-01 00:10"], utc=True)})
    >>> window = pd.DataFrame({"chamber": ["T1"], "start": log["time"].min(),
    ...     "stop": log["time"].max()})
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     log.to_parquet(Path(folder) / "log.parquet")
    ...     out = expose_files(Path(folder) / "*.parquet", window, settings=ExposureSettings())
    >>> float(out.chambers["rh_pct"].iloc[0])
    85.0
    """
    paths, reader = _find(files)
    cells = Cells(windows.reset_index(drop=True))
    summer = Summer(cells, settings)
    threads = workers or os.cpu_count() or 1
    try:
        if reader == "read_parquet":
            names = _columns_there(paths, _parquet_columns(paths), columns or {})
            pieces = _parquet_pieces(paths, names, summer, threads)
        else:
            with _database(threads, memory_mb, paths) as con:
                names = _columns_there(paths, _csv_columns(con, paths), columns or {})
                pieces = _streamed(con, _query(paths, reader, names), summer, threads)
        total = summer.join_pieces(pieces)
    except SeamError:
        order = ", ".join(name for name in ("chamber", "sensor", "time") if name in names)
        in_order = f"{_query(paths, reader, names)} ORDER BY {order}"
        with _database(threads, memory_mb, paths) as con:
            total = summer.join_pieces(_streamed(con, in_order, summer, threads))
    return summarise(total, cells, settings)


@contextmanager
def read_batches(
    files: str | Path | Sequence[str | Path], *, columns: Mapping[str, str], memory_mb: int
) -> Iterator[Iterator[Any]]:
    """Read the rows of files as record batches under house names, in the order of the files.

    Parameters
    ----------
    files, columns, memory_mb
        As for `expose_files`; `shelf` is read too where it is there.

    Yields
    ------
    iterator of pyarrow.RecordBatch
    """
    paths, reader = _find(files)
    if reader == "read_parquet":
        names = _columns_there(paths, _parquet_columns(paths), columns, shelf=True)
        yield _in_row_groups(paths, names)
        return
    import duckdb

    with _database(os.cpu_count() or 1, memory_mb, paths) as con:
        try:
            names = _columns_there(paths, _csv_columns(con, paths), columns, shelf=True)
            yield iter(con.sql(_query(paths, reader, names)).to_arrow_reader(BATCH))
        except duckdb.Error as problem:
            raise AlignError(f"the log cannot be read: {problem}") from None


def _in_row_groups(paths: Sequence[Path], names: Mapping[str, str]) -> Iterator[Any]:
    """Read Parquet files batch by batch, one row group at a time."""
    import pyarrow.parquet as pq

    for path in paths:
        about = pq.read_metadata(path)
        for group in range(about.num_row_groups):
            yield from _parquet_batches(path, about, [group], names)


def _find(files: str | Path | Sequence[str | Path]) -> tuple[list[Path], str]:
    """Resolve globs and name the reader; refuse an empty list and a mix of kinds."""
    given = [files] if isinstance(files, str | Path) else list(files)
    paths = sorted({path for item in given for path in _named_or_fitting(Path(item))})
    if not paths:
        raise AlignError(f"no files match {', '.join(map(str, given))}")
    readers = set()
    for path in paths:
        name = path.name.lower()
        if not name.endswith((*_PARQUET, *_CSV)):
            raise AlignError(f"{path.name}: neither Parquet nor CSV by its name")
        readers.add("read_parquet" if name.endswith(_PARQUET) else "read_csv")
    if len(readers) > 1:
        raise AlignError("Parquet and CSV files are mixed → give one kind at a time")
    return paths, readers.pop()


@contextmanager
def _database(threads: int, memory_mb: int, paths: Sequence[Path]) -> Iterator[Any]:
    """Open a DuckDB database in memory that spills to a folder of its own.

    It reads the given files and nothing else, loads no extension and knows no network.
    """
    import duckdb

    remove_spare(Path(tempfile.gettempdir()), f"{_SPILL}*", after_s=_DAY_S)
    with tempfile.TemporaryDirectory(prefix=_SPILL) as spill, duckdb.connect() as con:
        con.execute(f"SET threads = {int(threads)}")
        con.execute(f"SET memory_limit = '{int(memory_mb)}MB'")
        con.execute("SET TimeZone = 'UTC'")
        con.execute(f"SET temp_directory = {_text(spill)}")
        for extra in ("autoinstall_known", "autoload_known", "allow_community"):
            con.execute(f"SET {extra}_extensions = false")
        # the name as it is, and as a pattern that fits it alone
        allowed = dict.fromkeys(name for p in paths for name in (str(p), _literal(str(p))))
        con.execute(f"SET allowed_paths = [{', '.join(map(_text, allowed))}]")
        con.execute(f"SET allowed_directories = [{_text(spill)}]")
        con.execute("SET enable_external_access = false")
        con.execute("SET lock_configuration = true")
        yield con


def _text(value: str) -> str:
    return "'" + value.replace("'", "''") + "'"


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def _named_or_fitting(item: Path) -> list[Path]:
    """Give the file or the files of a name or pattern; a name that is there is no pattern."""
    if item.is_file():
        return [item]
    folder = next((above for above in item.parents if above.is_dir()), Path())
    pattern = str(item.relative_to(folder))
    return [folder / hit for hit in glob.glob(pattern, root_dir=folder)]


def _literal(path: str) -> str:
    """Write a path so that the database reads it as a name, not as a pattern."""
    return re.sub(r"[*?\[]", r"[\g<0>]", path)


def _from(paths: Sequence[Path], reader: str) -> str:
    listed = ", ".join(_text(_literal(str(p))) for p in paths)
    return f"{reader}([{listed}], union_by_name = true)"


def _parquet_columns(paths: Sequence[Path]) -> list[str]:
    """List the columns of Parquet files."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    there: dict[str, None] = {}
    for path in paths:
        try:
            there |= dict.fromkeys(pq.read_schema(path).names)
        except (pa.ArrowException, OSError) as problem:
            raise AlignError(f"{path.name}: cannot be read: {problem}") from None
    return list(there)


def _csv_columns(con: Any, paths: Sequence[Path]) -> list[str]:
    """List the columns of CSV files."""
    import duckdb

    try:
        found = con.execute(f"DESCRIBE SELECT * FROM {_from(paths, 'read_csv')}").fetchall()
    except duckdb.Error as problem:
        raise AlignError(f"{paths[0].name}: cannot be read: {problem}") from None
    return [str(row[0]) for row in found]


def _columns_there(
    paths: Sequence[Path],
    there: Sequence[str],
    columns: Mapping[str, str],
    *,
    shelf: bool = False,
) -> dict[str, str]:
    """Match the columns of the files; house name → name in the files."""
    names = {}
    for house in ("chamber", "time", "sensor", *(("shelf",) if shelf else ()), *READ):
        name = columns.get(house, house)
        if name in there:
            names[house] = name
        elif house in ("chamber", "time") or house in columns:
            raise AlignError(
                f"{paths[0].name}: there is no column {name!r} for {house}; it has "
                f"{', '.join(there)} → give columns={{{house!r}: …}}"
            )
    return names


def _query(paths: Sequence[Path], reader: str, names: Mapping[str, str]) -> str:
    """Write the query that gives the rows under house names."""
    kinds = {"time": "TIMESTAMPTZ"} | dict.fromkeys(_WORDS, "VARCHAR")
    parts = [
        f"CAST({_quoted(name)} AS {kinds.get(house, 'DOUBLE')}) AS {house}"
        for house, name in names.items()
    ]
    return f"SELECT {', '.join(parts)} FROM {_from(paths, reader)}"


def _streamed(con: Any, query: str, summer: Summer, threads: int) -> list[Piece]:
    """Sum the batches of a query as they come, a bounded number of them at once."""
    import duckdb

    try:
        batches = con.sql(query).to_arrow_reader(BATCH)
        found = _in_threads(batches, lambda batch: _piece_of_batch(batch, summer), threads)
        return [piece for piece in found if piece is not None]
    except duckdb.Error as problem:
        raise AlignError(f"the log cannot be read: {problem}") from None


def _in_threads(items: Iterable[Any], work: Callable[[Any], Any], threads: int) -> list[Any]:
    """Run work on items in threads, taking new items only as fast as old ones are done."""
    room = BoundedSemaphore(threads + 1)

    def run(item: Any) -> Any:
        try:
            return work(item)
        finally:
            room.release()

    futures = []
    with ThreadPoolExecutor(threads) as pool:
        for item in items:
            room.acquire()
            futures.append(pool.submit(run, item))
    return [future.result() for future in futures]


def _parquet_pieces(
    paths: Sequence[Path], names: Mapping[str, str], summer: Summer, threads: int
) -> list[Piece]:
    """Sum Parquet files, some row groups at a time in each thread."""
    import pyarrow.parquet as pq

    tasks: list[tuple[Path, Any, list[int]]] = []
    for path in paths:
        about = pq.read_metadata(path)  # read once: it grows with the file
        groups = list(range(about.num_row_groups))
        share = max(1, len(groups) * 4 * BATCH // max(about.num_rows, 1))
        tasks += [(path, about, groups[i : i + share]) for i in range(0, len(groups), share)]

    def work(task: tuple[Path, Any, list[int]]) -> list[Piece]:
        batches = _parquet_batches(*task, names)
        return [piece for batch in batches if (piece := _piece_of_batch(batch, summer))]

    return [piece for found in _in_threads(tasks, work, threads) for piece in found]


def _parquet_batches(
    path: Path, about: Any, groups: list[int], names: Mapping[str, str]
) -> Iterator[Any]:
    """Read row groups as record batches under house names."""
    import pyarrow.parquet as pq

    words = [names[word] for word in _WORDS if word in names]
    options = {"metadata": about, "read_dictionary": words, "memory_map": True}
    with pq.ParquetFile(path, pre_buffer=False, **options) as file:
        have = set(file.schema_arrow.names)
        house = [h for h, name in names.items() if name in have]
        wanted = [names[h] for h in house]
        if sum(file.metadata.row_group(g).num_rows for g in groups) <= 4 * BATCH:
            table = file.read_row_groups(groups, columns=wanted, use_threads=False)
            batches = iter(table.unify_dictionaries().combine_chunks().to_batches())
        else:
            batches = file.iter_batches(BATCH, row_groups=groups, columns=wanted, use_threads=False)
        for batch in batches:
            yield batch.select(wanted).rename_columns(house)


def _piece_of_batch(batch: Any, summer: Summer) -> Piece | None:
    """Sum one record batch; rows without chamber or time, or without windows, are passed by."""
    import pyarrow as pa

    rows = batch.num_rows
    if not rows:
        return None
    stamps = batch.column("time")
    if not pa.types.is_timestamp(stamps.type):
        raise AlignError("time is not stored as a timestamp in the file → convert it first")
    series, names = _series(batch, summer.cells.chambers)
    sound = series >= 0 if series.min() < 0 else None
    if stamps.null_count:
        known = ~np.asarray(stamps.is_null())
        sound = known if sound is None else sound & known
        stamps = stamps.fill_null(0)
    time = np.asarray(stamps.cast(pa.timestamp("ns", stamps.type.tz)).view("int64"))
    values = {name: _numbers(batch.column(name)) for name in READ if name in batch.schema.names}
    if sound is not None:
        series, time = series[sound], time[sound]
        values = {name: v[sound] for name, v in values.items()}
    return summer.sum_piece(names, series, time, values) if len(time) else None


def _series(batch: Any, chambers: Sequence[str]) -> tuple[NDArray[np.int64], list[Key]]:
    """Give each row the number of its series; −1 where its chamber has no windows."""
    code, words = _coded(batch.column("chamber"))
    wanted = set(chambers)
    names = [(word, "") for word in words]
    if "sensor" in batch.schema.names:
        sensor, sensors = _coded(batch.column("sensor"))
        missing = code < 0
        sensors.append("")  # a missing sensor is the last
        code = code * len(sensors) + np.where(sensor < 0, len(sensors) - 1, sensor)
        code[missing] = -1
        names = [(word, name) for word in words for name in sensors]
    if code.min() < 0 or not wanted.issuperset(words):
        use = np.array([name[0] in wanted for name in names] + [False])
        code = np.where(use[code], code, -1)
    return code, names


def _coded(column: Any) -> tuple[NDArray[np.int64], list[str]]:
    """Give the words of a column as numbers (−1 where missing) and the list of words."""
    import pyarrow as pa

    if not pa.types.is_dictionary(column.type):
        column = column.cast("string").dictionary_encode()
    words = [str(word) for word in column.dictionary.to_pylist()]
    indices = column.indices
    if indices.null_count:
        indices = indices.fill_null(-1)
    return np.asarray(indices).astype(np.int64), words


def _numbers(column: Any) -> Floats:
    """Give a column as floats; missing values are NaN."""
    import pyarrow as pa

    if not pa.types.is_float64(column.type):
        column = column.cast("float64")
    if column.null_count:
        column = column.fill_null(float("nan"))
    return np.asarray(column)
