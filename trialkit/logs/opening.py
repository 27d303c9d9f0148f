"""All files of one kind of log → raw tables with their columns found and their account opened."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from trialkit.columns import LOG_COLUMNS
from trialkit.errors import Finding, LogError
from trialkit.logs.clocks.zones import Change, find_zone
from trialkit.logs.ledger import Account, FileAccount
from trialkit.logs.log import LogFile
from trialkit.logs.mapping.heads import Columns, find_columns
from trialkit.logs.text.delimited import read_text_table
from trialkit.logs.text.dialect import decode, find_dialect
from trialkit.logs.text.files import Member, find_files, hash_file, open_members
from trialkit.logs.text.raw_table import RawTable
from trialkit.trial import Trial
from trialkit.trialfile import LogSection


@dataclass
class Opened:
    """One file opened: its rows, its columns found, its account."""

    raw: RawTable
    columns: Columns
    account: FileAccount


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
    files: list[LogFile] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    stayed: list[tuple[str, Change, int]] = field(default_factory=list)

    def find(self, code: str, message: str, remedy: str = "", *, severity: str = "caution") -> None:
        """Store a finding."""
        self.findings.append(Finding(code, severity, message, remedy))  # type: ignore[arg-type]


def start_reading(trial: Trial, kind: str) -> Reading:
    """Begin to read a log.

    Raises
    ------
    LogError
        If the trial names no such log, or a time zone that is not known.
    """
    spec = trial.logs.get(kind)
    if spec is None:
        raise LogError(f"the trial names no {kind} log → add [logs.{kind}] with files = [ … ]")
    zone = find_zone(spec.time_zone) if spec.time_zone else trial.zone
    return Reading(trial, kind, spec, zone, Account(spec.keep))


def for_each_file(reading: Reading, work: Callable[[Opened], None]) -> None:
    """Open the files of a log one after the other and do the same to each.

    The cells of a file are let go when its work is done, so that only one file's text is in
    memory at a time.

    Raises
    ------
    LogError
        If files cannot be read; what stops one is reported with what stops the others.
    """
    troubles: list[str] = []
    for path, name in find_files(reading.trial.folder, reading.spec.files):
        try:
            sha256, size = hash_file(path)
            reading.files.append(LogFile(name, sha256, size))
            members = open_members(path, name)
        except LogError as problem:
            troubles.append(str(problem))
            continue
        while members:
            troubles += _work_through(reading, members.pop(0), work)
    raise_together(troubles)


def _work_through(reading: Reading, member: Member, work: Callable[[Opened], None]) -> list[str]:
    """Do the work on the tables of one file; give what stopped it."""
    troubles: list[str] = []
    try:
        opened = _open_tables(reading, member)
    except LogError as problem:
        return [str(problem)]
    except MemoryError:
        return [f"{member.name}: does not fit into memory → split the file"]
    del member  # its bytes are no longer needed
    for one in opened:
        try:
            work(one)
        except LogError as problem:
            troubles.append(str(problem))
        except MemoryError:
            troubles.append(f"{one.raw.name}: does not fit into memory → split the file")
        one.raw.columns = {}
    return troubles


def raise_together(troubles: list[str]) -> None:
    """Raise one error for all files that cannot be read; do nothing where there are none."""
    if len(troubles) == 1:
        raise LogError(troubles[0])
    if troubles:
        lines = [f"  {i}. {t}" for i, t in enumerate(troubles, 1)]
        raise LogError("\n".join([f"{len(troubles)} log files cannot be read", *lines]))


def tell_doubled(reading: Reading) -> None:
    """Tell, once for each file, how many of its rows stand in the files twice."""
    for account in reading.account.files:
        doubled = account.count("double export")
        if doubled:
            reading.find(
                "double_export",
                f"{account.file}: {doubled} row{'s' * (doubled != 1)} stand in the files twice; "
                "each record is used once",
                severity="note",
            )


def read_member(member: Member, spec: LogSection, kind: str) -> list[RawTable]:
    """Read the table (or, for a workbook, the tables) that a file holds."""
    if member.format == "text":
        text, encoding, found = decode(member.data, member.name)
        dialect = find_dialect(
            text, encoding, member.name, delimiter=spec.delimiter, decimal=spec.decimal,
            expected=expected_heads(spec, kind),
        )  # fmt: skip
        table = read_text_table(
            text, dialect, member.name, cut_short=member.cut_short, pad_short=kind == "harvest"
        )
        table.findings[:0] = found
        return [table]
    from trialkit.logs.text.typed_files import read_other

    return read_other(member, spec, expected=expected_heads(spec, kind))


def expected_heads(spec: LogSection, kind: str) -> list[str]:
    """List the heads that the trial file names, and those known without being named."""
    out = [*LOG_COLUMNS[kind], "date", "timestamp"]
    for given in (head for column in spec.columns for head in spec.heads(column)):
        if "{chamber}" not in given:
            out += [given, *(given.split(" + ") if " + " in given else ())]
    return out


def _proposal(reading: Reading, table: RawTable) -> str:
    """Propose a mapping for a table none of whose columns is named.

    Where the trial file names heads that other files have, this one's are put beside them.
    """
    from trialkit.logs.mapping.propose import propose_for_tables, with_more_heads

    if reading.spec.columns:
        bare = reading.spec.model_copy(update={"columns": {}})
        found = propose_for_tables(reading.trial, reading.kind, [table], tuple(bare.files))
        line = with_more_heads(reading.spec, found)
        return f"; if other files have the heads named now: {line}" if line else ""
    proposal = propose_for_tables(reading.trial, reading.kind, [table], tuple(reading.spec.files))
    return f"\n{proposal}" if proposal.columns else ""


def _open_tables(reading: Reading, member: Member) -> list[Opened]:
    """Read the tables of a file, find their columns and open their accounts."""
    trial, spec = reading.trial, reading.spec
    tables = read_member(member, spec, reading.kind)
    if member.cut_short:
        what = f"{member.name}: the compressed file ends too early; what came before was read"
        reading.find("cut_short", what, "export the file again")
    troubles: list[str] = []
    out: list[Opened] = []
    for table in tables:
        try:
            columns = find_columns(
                list(table.columns), spec, reading.kind, file=table.name,
                chambers=trial.levels.get("chamber", ()), extra=tuple(trial.structure.factors),
            )  # fmt: skip
        except LogError as problem:
            troubles.append(str(problem) if out else str(problem) + _proposal(reading, table))
            continue
        rows = np.concatenate([table.rows, np.array([b.row for b in table.broken], np.int64)])
        account = reading.account.open(table.name, rows.astype(np.int64))
        for k, line in enumerate(table.broken):
            account.set_aside(
                np.array([table.n + k]), rule=line.rule, reason=line.reason, remedy=line.remedy,
                old=line.text, keepable=False,
            )  # fmt: skip
        reading.findings += [*table.findings, *columns.findings]
        out.append(Opened(table, columns, account))
    if not out:
        raise_together(troubles)
    for trouble in troubles:  # other sheets of a workbook that is read
        reading.find("sheet_left", f"not read: {trouble.splitlines()[0]}", severity="note")
    return out
