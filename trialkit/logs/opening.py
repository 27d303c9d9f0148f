"""All files of one kind of log → raw tables with their columns found and their account opened."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from trialkit.columns import value_columns
from trialkit.errors import LogError
from trialkit.logs.clocks.zones import find_zone
from trialkit.logs.file_tables import read_member
from trialkit.logs.ledger import Account
from trialkit.logs.log import LogFile
from trialkit.logs.mapping.heads import find_columns
from trialkit.logs.mapping.proposal import with_more_heads
from trialkit.logs.mapping.propose import propose_for_tables
from trialkit.logs.reading import Opened, Reading
from trialkit.logs.text.files import Member, find_files, hash_file, open_members
from trialkit.logs.text.raw_table import RawTable
from trialkit.trial import Trial


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


def _proposal(reading: Reading, table: RawTable) -> str:
    """Propose a mapping for a table none of whose columns is named.

    Where the trial file names heads that other files have, this one's are put beside them.
    """
    if reading.spec.columns:
        bare = reading.spec.model_copy(update={"columns": {}})
        found = propose_for_tables(reading.trial, reading.kind, [table], tuple(bare.files))
        line = with_more_heads(
            reading.spec, found, value_columns(reading.kind, reading.trial.columns)
        )
        return f"; if other files have the heads named now: {line}" if line else ""
    proposal = propose_for_tables(reading.trial, reading.kind, [table], tuple(reading.spec.files))
    return f"\n{proposal}" if proposal.columns else ""


def _open_tables(reading: Reading, member: Member) -> list[Opened]:
    """Read the tables of a file, find their columns and open their accounts."""
    trial, spec = reading.trial, reading.spec
    tables = read_member(member, spec, reading.kind, trial.columns)
    if member.cut_short:
        reading.find("cut_short", file=member.name)
    troubles: list[str] = []
    out: list[Opened] = []
    for table in tables:
        try:
            columns = find_columns(
                list(table.columns), spec, reading.kind, file=table.name,
                chambers=trial.levels.get("chamber", ()), extra=tuple(trial.structure.factors),
                own=trial.columns,
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
        reading.find("sheet_left", "note", form="because", problem=trouble.splitlines()[0])
    return out
