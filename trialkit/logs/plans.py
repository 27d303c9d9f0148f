"""`plan_files`: how large climate files can be read by an embedded database, row by row.

For logs too large for memory. A plan says in one query what `read_environment` would do with a
regular file: columns, units, decimal sign, time zone, constant clock corrections. A file that
needs more than that has no query, and the plan says why.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from trialkit.columns import to_house_unit
from trialkit.errors import LogError
from trialkit.logs.dialect import Dialect, decode, find_dialect
from trialkit.logs.files import find_files, peek
from trialkit.logs.ledger import matches_file
from trialkit.logs.mapping import VALUES, Columns, find_columns
from trialkit.logs.names import chamber_of_file, tidy
from trialkit.logs.table_read import read_text_table
from trialkit.logs.tables import expected_heads
from trialkit.logs.timetext import compile_format, read_moments
from trialkit.trial import Trial
from trialkit.trialfile import LogSection

_SAMPLE = 256 * 1024
_DATES = ("%Y-%m-%d", "%Y/%m/%d", "%d.%m.%Y", "%d/%m/%Y", "%d-%m-%Y", "%m/%d/%Y", "%m-%d-%Y")
_CLOCKS = (" %H:%M:%S", " %H:%M", "T%H:%M:%S", "T%H:%M", " %H:%M:%S.%f", " %I:%M:%S %p",
           " %I:%M %p")  # fmt: skip


@dataclass(frozen=True)
class FilePlan:
    """How one climate file can be read by DuckDB.

    Parameters
    ----------
    path : Path
    name : str
        Name shown to people.
    query : str or None
        Gives ``chamber, sensor, time`` (TIMESTAMPTZ) and the measured columns in house units, one
        row per row of the file; a row without a readable time or a known chamber has NULL there.
        None where the file must be read by `read_environment`.
    why : str
        Why there is no query.
    columns : dict
        Column → head, as found.
    """

    path: Path
    name: str
    query: str | None
    why: str = ""
    columns: dict[str, str] | None = None

    def account_query(self) -> str:
        """Give a query that counts the rows: ``read, kept, set_aside``."""
        if self.query is None:
            raise LogError(f"{self.name}: {self.why}")
        good = "count(*) FILTER (time IS NOT NULL AND chamber IS NOT NULL)"
        counts = f"count(*) AS read, {good} AS kept, count(*) - kept AS set_aside"
        return f"SELECT {counts} FROM ({self.query})"


class _UnplannableError(Exception):
    """The file needs the tolerant reader; the message says why."""


def plan_files(trial: Trial) -> list[FilePlan]:
    """Plan how the climate files of a trial can be read without loading them.

    Only the beginning of each file is looked at.

    Parameters
    ----------
    trial : Trial

    Returns
    -------
    list of FilePlan
        One for each file, in order.

    Raises
    ------
    LogError
        If files are missing, or a column or chamber cannot be found.

    Notes
    -----
    Unlike `read_environment`, a query does not read the doubled hour from the order of rows: the
    database takes the second passage, and moves times of the missing hour an hour on. Copies of
    rows are not set aside either; exposures do not count them twice.
    """
    spec = trial.logs.get("environment")
    if spec is None:
        raise LogError("the trial names no environment log → add [logs.environment]")
    out = []
    for path, name in find_files(trial.folder, spec.files):
        try:
            query, columns = _plan(trial, spec, path, name)
            out.append(FilePlan(path, name, query, columns=columns.heads))
        except _UnplannableError as problem:
            out.append(FilePlan(path, name, None, str(problem)))
    return out


def _plan(trial: Trial, spec: LogSection, path: Path, name: str) -> tuple[str, Columns]:
    start, packing = peek(path, _SAMPLE)
    if start.startswith(b"PAR1"):
        raise _UnplannableError("Parquet files are read directly")
    if packing not in ("", "gzip"):
        raise _UnplannableError(f"a {packing} file must be unpacked first")
    text, encoding, _ = decode(start, name)
    if encoding not in ("utf-8", "utf-8-sig"):
        raise _UnplannableError(f"its encoding is {encoding}")
    dialect = find_dialect(
        text, encoding, name, delimiter=spec.delimiter, decimal=spec.decimal,
        expected=expected_heads(spec, "environment"),
    )  # fmt: skip
    columns = find_columns(
        dialect.heads, spec, "environment", file=name, chambers=trial.levels["chamber"]
    )
    if columns.wide:
        raise _UnplannableError("it has one column for each chamber")
    whole = text[: text.rfind(b"\n") + 1] or text
    table = read_text_table(whole, dialect, name)
    time = _time(trial, spec, name, columns, table.columns)
    chamber = _chamber(trial, spec, name, columns)
    parts = [f"{chamber} AS chamber", f"{_sensor(spec, name, columns)} AS sensor",
             f"{time} AS time"]  # fmt: skip
    parts += [
        f"{_value(columns, column, dialect.decimal)} AS {column}"
        for column in VALUES["environment"]
        if column in columns.heads
    ]
    return f"SELECT {', '.join(parts)} FROM {_source(path, packing, dialect)}", columns


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def _text(value: str) -> str:
    return "'" + value.replace("'", "''") + "'"


def _source(path: Path, packing: str, dialect: Dialect) -> str:
    names = "{" + ", ".join(f"{_text(h)}: 'VARCHAR'" for h in dialect.heads) + "}"
    options = [
        _text(str(path)), f"delim = {_text(dialect.delimiter)}", "header = false",
        f"skip = {dialect.first_row - 1}", f"columns = {names}", "auto_detect = false",
        "null_padding = true", "quote = '\"'", "escape = '\"'",
    ]  # fmt: skip
    if packing:
        options.append(f"compression = '{packing}'")
    return f"read_csv({', '.join(options)})"


def _time(
    trial: Trial, spec: LogSection, name: str, columns: Columns, cells: dict[str, Any]
) -> str:
    """Write the expression of the time."""
    if len(columns.time_parts) != 1:
        raise _UnplannableError("date and clock stand in two columns")
    head = columns.time_parts[0]
    moments = read_moments(cells[head], day_first=spec.day_first)
    bare = f"trim({_quoted(head)})"
    if spec.time_format is None and moments.aware is not None:
        texts = [t for t in cells[head].to_pylist() if t]
        if all(t.strip().isdigit() and len(t.strip()) == 10 for t in texts):
            expression = f"to_timestamp(try_cast({bare} AS BIGINT))"
        elif moments.aware.all():
            expression = f"try_cast({bare} AS TIMESTAMPTZ)"
        else:
            raise _UnplannableError("only some of its times have an offset")
        if _corrections(spec, name, bare):
            raise _UnplannableError("its clock is corrected, and its times have offsets")
        return expression
    if len(moments.undecided) and not spec.time_format:
        raise LogError(
            f"{name}: day and month cannot be told apart → add day_first to [logs.environment]"
        )
    form = spec.time_format or _find_format(cells[head], moments)
    wall = f"try_strptime({bare}, {_text(form)})"
    wall = f"{wall}{_corrections(spec, name, wall)}"
    return f"timezone({_text(spec.time_zone or trial.time_zone)}, {wall})"


def _find_format(column: Any, moments: Any) -> str:
    """Find the one format that reads all cells of the sample to the same moments."""
    day_first = "month first" not in moments.orders
    for date in _DATES:
        if (date[1] == "m") and day_first:
            continue
        for clock in _CLOCKS:
            other = read_moments(column, form=compile_format(date + clock))
            if (other.ok == moments.ok).all() and (other.wall == moments.wall).all():
                return date + clock
    raise _UnplannableError("its times have no one form")


def _corrections(spec: LogSection, name: str, wall: str) -> str:
    """Write constant clock corrections as an addition to the wall time."""
    out = ""
    for c in spec.clock:
        if not matches_file(name, c.file):
            continue
        if c.add_s is None:
            raise _UnplannableError("its clock is corrected by known moments")
        limits = [f"{wall} >= TIMESTAMP '{c.since:%Y-%m-%d %H:%M:%S}'"] if c.since else []
        limits += [f"{wall} < TIMESTAMP '{c.until:%Y-%m-%d %H:%M:%S}'"] if c.until else []
        when = " AND ".join(limits) or "true"
        out += f" + CASE WHEN {when} THEN INTERVAL ({round(c.add_s * 1e6)}) MICROSECONDS "
        out += "ELSE INTERVAL 0 SECONDS END"
    return out


def _chamber(trial: Trial, spec: LogSection, name: str, columns: Columns) -> str:
    chambers = trial.levels["chamber"]
    if "chamber" not in columns.heads:
        return _text(chamber_of_file(name, chambers, spec.chamber, "environment"))
    known = {c: c for c in chambers} | {k: v for k, v in spec.chamber.items() if v in chambers}
    known |= {tidy(c): c for c in chambers}
    cases = " ".join(f"WHEN {_text(k.casefold())} THEN {_text(v)}" for k, v in known.items())
    return f"CASE lower(trim({_quoted(columns.heads['chamber'])})) {cases} END"


def _sensor(spec: LogSection, name: str, columns: Columns) -> str:
    if "sensor" in columns.heads:
        return f"trim({_quoted(columns.heads['sensor'])})"
    given: Sequence[str] = [v for k, v in spec.sensor.items() if matches_file(name, k)]
    return _text(given[0]) if given else "''"


def _value(columns: Columns, column: str, decimal: str | None) -> str:
    """Write the expression of a measured value in its house unit."""
    cell = f"trim({_quoted(columns.heads[column])})"
    if decimal == ",":
        cell = f"replace({cell}, ',', '.')"
    number = f"try_cast({cell} AS DOUBLE)"
    unit = columns.units.get(column)
    if unit is None:
        return number
    zero, one = to_house_unit(0.0, column, unit), to_house_unit(1.0, column, unit)
    return f"({number} * {one - zero!r} + {zero!r})"
