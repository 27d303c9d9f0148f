"""All files of one kind of log → raw tables with their columns found and their account opened."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING

import numpy as np

from trialkit.columns import HarvestColumn, log_columns
from trialkit.errors import MOST_TOLD, Finding, LogError, Severity
from trialkit.logs.clocks.zones import Change, find_zone
from trialkit.logs.heads import Columns, find_columns
from trialkit.logs.ledger import Account, FileAccount
from trialkit.logs.log import Log, LogFile
from trialkit.logs.text.chosen_cells import add_choices
from trialkit.logs.text.dialect import decode
from trialkit.logs.text.files import (
    Member,
    find_files,
    matches_file,
    read_once,
    starred_names,
    unpack_members,
)
from trialkit.logs.text.raw_table import RawTable
from trialkit.logs.text.tables import Told, read_text_tables
from trialkit.logs.text.typed_files import read_other
from trialkit.trial import Trial
from trialkit.trial.sections import Clock, LogSection
from trialkit.wording import finding

if TYPE_CHECKING:
    import pandas as pd

#: Says what a table's columns may be, none of which is named: the end of a refusal.
Advice = Callable[[Trial, str, RawTable], str]


@dataclass
class Opened:
    """One file opened: its rows, its columns found, its account.

    Parameters
    ----------
    raw : RawTable
    columns : Columns
    account : FileAccount
    chamber, sensor : str or None
        What the trial file says of the file by its name: whose it is, and which logger's.
    clock : tuple of Clock
        Corrections of the trial file for its clock.
    zone : tzinfo or None
        Zone of its times, where the trial file states it.
    """

    raw: RawTable
    columns: Columns
    account: FileAccount
    chamber: str | None = None
    sensor: str | None = None
    clock: tuple[Clock, ...] = ()
    zone: dt.tzinfo | None = None


@dataclass
class Reading:
    """A log while it is read.

    Parameters
    ----------
    trial : Trial
    kind : {"harvest", "environment", "mist"}
    spec : LogSection
    zone : tzinfo
        Zone of times without an offset.
    account : Account
    advise : callable
        Proposes columns for a table none of whose columns is named.
    files : list of LogFile
    findings : list of Finding
    stayed : list of (file, Change, records)
        Clock changes that a logger's clock did not follow.
    """

    trial: Trial
    kind: str
    spec: LogSection
    zone: dt.tzinfo
    account: Account
    advise: Advice
    files: list[LogFile] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    stayed: list[tuple[str, Change, int]] = field(default_factory=list)

    def close(self, table: pd.DataFrame, spans: pd.DataFrame) -> Log:
        """Close the account and give the log."""
        ledger, idle = self.account.close()
        findings = (*self.findings, *idle)
        return Log(self.kind, table, ledger, findings, tuple(self.files), spans=spans)


def start_reading(trial: Trial, kind: str, advise: Advice) -> Reading:
    """Begin to read a log.

    Raises
    ------
    LogError
        If the trial names no such log, or a time zone that is not known.
    """
    spec = trial.logs.get(kind)
    if spec is None:
        raise LogError(f"the trial names no {kind} log → add [logs.{kind}] with files = [ … ]")
    stated = spec.time_zone
    zone = find_zone(stated) if isinstance(stated, str) else trial.zone
    known = starred_names(trial.folder, spec.files)
    return Reading(trial, kind, spec, zone, Account(spec.keep, known), advise)


def for_each_file(reading: Reading, work: Callable[[Opened], None]) -> None:
    """Open the files of a log one after the other and do the same to each.

    The cells of a file are let go when its work is done, so that only one file's text is in
    memory at a time.

    A file that cannot be read stops only what depends on it: the others are read, and the gap is
    told. Without a harvest sheet the weights are not all there, which blocks the verdict.

    Raises
    ------
    LogError
        If no file can be read; what stops one is reported with what stops the others.
    """
    troubles: list[str] = []
    read = False
    for path, name in files_there(reading, troubles):
        try:
            raw, sha256 = read_once(path, name)
            reading.files.append(LogFile(name, sha256, len(raw)))
            members = unpack_members(raw, name)
            del raw  # plain text is held by its member alone
            reading.findings += _tell_waiting(path, name, members)
        except LogError as problem:
            troubles.append(str(problem))
            continue
        while members:
            read |= _work_through(reading, members.pop(0), work, troubles)
    if not read:
        raise_together(troubles)
    reading.findings += [tell_unread(reading.kind, trouble) for trouble in troubles]


def files_there(reading: Reading, troubles: list[str]) -> list[tuple[Path, str]]:
    """Find the files of a log, each once; add what names no file to the troubles."""
    found: dict[Path, tuple[Path, str]] = {}
    missing: list[str] = []
    folder, patterns = reading.trial.folder, reading.spec.files
    for pattern in patterns:
        try:
            found |= {
                path.resolve(): (path, name)
                for path, name in find_files(folder, [pattern])
                if path.resolve() not in found
            }
        except LogError:
            missing.append(pattern)
    if missing and not found:
        find_files(folder, missing)  # says all that is missing
    for pattern in missing:
        what = f"no file fits {pattern!r} in {folder.name}/"
        troubles.append(f"{what} → put it there, or correct the names under files")
    return list(found.values())


def tell_unread(kind: str, trouble: str) -> Finding:
    """Tell a file (or a whole log) that was not read, and what is missing for it."""
    problem, _, remedy = trouble.splitlines()[0].partition(" → ")
    severity: Severity = "stop" if kind == "harvest" else "caution"
    return finding("file_unread", severity, form=kind, problem=problem, remedy=remedy)


def _tell_waiting(path: Path, name: str, members: list[Member]) -> list[Finding]:
    """Tell that a database has changes in a file beside it, which are not read."""
    beside = Path(f"{path}-wal")
    try:
        kinds = {member.format for member in members}
        waiting = "sqlite" in kinds and beside.stat().st_size > 0
    except OSError:
        return []
    said = {"file": name, "beside": beside.name}
    return [finding("database_waiting", "caution", **said)] if waiting else []


def _work_through(
    reading: Reading, member: Member, work: Callable[[Opened], None], troubles: list[str]
) -> bool:
    """Do the work on the tables of one file; say if any was done, add what stopped the others."""
    try:
        opened = _open_tables(reading, member)
    except LogError as problem:
        troubles.append(str(problem))
        return False
    except MemoryError:
        troubles.append(f"{member.name}: does not fit into memory → split the file")
        return False
    del member  # its bytes are no longer needed
    done = False
    for one in opened:
        before = len(reading.findings), len(reading.stayed)
        try:
            work(one)
            done = True
        except (LogError, MemoryError) as problem:
            memory = f"{one.raw.name}: does not fit into memory → split the file"
            troubles.append(memory if isinstance(problem, MemoryError) else str(problem))
            reading.account.drop(one.account)
            del reading.findings[before[0] :], reading.stayed[before[1] :]
        one.raw.columns = {}
    return done


def raise_together(troubles: list[str]) -> None:
    """Raise one error for all files that cannot be read; do nothing where there are none."""
    if len(troubles) == 1:
        raise LogError(troubles[0])
    if troubles:
        lines = [f"  {i}. {t}" for i, t in enumerate(troubles[:MOST_TOLD], 1)]
        left = len(troubles) - MOST_TOLD
        lines += [f"  and {left} more"] if left > 0 else []
        raise LogError("\n".join([f"{len(troubles)} log files cannot be read", *lines]))


def _open_tables(reading: Reading, member: Member) -> list[Opened]:
    """Read the tables of a file, find their columns and open their accounts."""
    trial, spec = reading.trial, reading.spec
    tables = read_member(member, spec, reading.kind, trial.columns)
    if member.cut_short:
        reading.findings.append(finding("cut_short", "caution", file=member.name))
    troubles: list[str] = []
    out: list[Opened] = []
    for table in tables:
        try:
            columns = columns_of_table(trial, reading.kind, table)
        except LogError as problem:
            advice = "" if out else reading.advise(trial, reading.kind, table)
            troubles.append(str(problem) + advice)
            continue
        rows = np.concatenate([table.rows, np.array([b.row for b in table.broken], np.int64)])
        account = reading.account.open(table.name, rows.astype(np.int64))
        for k, line in enumerate(table.broken):
            account.set_aside(
                np.array([table.n + k]),
                rule=line.rule,
                reason=line.reason,
                remedy=line.remedy,
                old=line.text,
                keepable=False,
            )
        reading.findings += [*table.findings, *columns.findings]
        known = reading.account.known
        chamber = _said_of(table.name, spec.chamber, known)
        sensor = _said_of(table.name, spec.sensor, known)
        clock = tuple(c for c in spec.clock if matches_file(table.name, c.file, known))
        zone = _zone_stated(table.name, spec.time_zone, known)
        out.append(Opened(table, columns, account, chamber, sensor, clock, zone))
    if not out or member.format == "text":  # every row of a text belongs to the log
        raise_together(troubles)
    reading.findings += [  # other sheets of a workbook that is read
        finding("sheet_left", "note", form="because", problem=trouble.splitlines()[0])
        for trouble in troubles
    ]
    return out


def columns_of_table(trial: Trial, kind: str, table: RawTable) -> Columns:
    """Find the columns of a table of a log that the trial names; see `find_columns`.

    Raises
    ------
    LogError
        As `find_columns`.
    """
    return find_columns(
        list(table.columns),
        trial.logs[kind],
        kind,
        file=table.name,
        chambers=(*trial.levels.get("chamber", ()), *trial.aliases.get("chamber", ())),
        extra=tuple(trial.structure.factors),
        own=trial.columns,
        under=table.units,
    )


def _zone_stated(
    file: str, given: str | Mapping[str, str] | None, known: Collection[str]
) -> dt.tzinfo | None:
    """Give the zone that the trial file states for a file, where it states any."""
    name = _said_of(file, given, known) if isinstance(given, Mapping) else given
    return None if name is None else find_zone(name)


def _said_of(file: str, given: Mapping[str, str], known: Collection[str]) -> str | None:
    """Give what the trial file says of a file: by its name, else by the first pattern it fits."""
    named = [p for p in (file, PurePosixPath(file).name) if p in given]
    fits = (p for p in given if matches_file(file, p, known))
    pattern = next((p for p in (*named, *fits)), None)
    return None if pattern is None else given[pattern]


def read_member(
    member: Member, spec: LogSection, kind: str, own: Mapping[str, HarvestColumn]
) -> list[RawTable]:
    """Read the table (or, for a workbook, the tables) that a file holds.

    Heads that are expected, those of columns that the trial file adds (`own`) among them, help to
    find the row of heads.
    """
    expected = expected_heads(spec, kind, own)
    if member.format == "text":
        text, encoding, found = decode(member.data, member.name, spec.encoding)
        told = Told(spec.delimiter, spec.decimal, tuple(spec.widths), tuple(expected))
        tables = read_text_tables(
            text,
            encoding,
            member.name,
            told,
            cut_short=member.cut_short,
            pad_short=kind == "harvest",
        )
        tables[0].findings[:0] = found
    else:
        tables = read_other(
            member,
            decimal=spec.decimal,
            expected=expected,
            table=spec.table,
            query=spec.query,
        )
    given = [head for column in spec.columns for head in spec.heads(column)]
    for table in tables:
        add_choices(table, given)
        if not table.n and not table.broken and table.head_row:
            table.findings.append(finding("no_rows", "caution", file=table.name))
    return tables


def expected_heads(spec: LogSection, kind: str, own: Mapping[str, HarvestColumn]) -> list[str]:
    """List the heads that the trial file names, and those known without being named."""
    out = [*log_columns(kind, own), "date", "timestamp"]
    for given in (head for column in spec.columns for head in spec.heads(column)):
        if "{chamber}" not in given:
            out += [given, *(given.split(" + ") if " + " in given else ())]
    return out


def open_member(reading: Reading, member: Member) -> list[Opened]:
    """Open the tables of a sample of a file, leaving no trace of it in the reading.

    Raises
    ------
    LogError
        If they cannot be read.
    """
    aside = replace(
        reading,
        account=Account(reading.account.keep, reading.account.known),
        findings=[],
        stayed=[],
    )
    return _open_tables(aside, member)


def work_on_member(reading: Reading, member: Member, work: Callable[[Opened], None]) -> None:
    """Do the work on the tables of one file that is at hand already.

    Raises
    ------
    LogError
        If it cannot be read.
    """
    troubles: list[str] = []
    _work_through(reading, member, work, troubles)
    raise_together(troubles)
