"""A log while it is read: its files opened, their columns found, its account and its findings."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import Any

from trialkit.errors import Finding, Severity
from trialkit.logs.clocks.zones import Change
from trialkit.logs.ledger import Account, FileAccount
from trialkit.logs.log import LogFile
from trialkit.logs.mapping.heads import Columns
from trialkit.logs.text.raw_table import RawTable
from trialkit.trial import Trial
from trialkit.trial.sections import LogSection
from trialkit.wording import finding


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

    def find(
        self, code: str, /, severity: Severity = "caution", *, form: str = "", **values: Any
    ) -> None:
        """Store a finding; its sentence is in the catalogue (see `trialkit.wording.finding`)."""
        self.findings.append(finding(code, severity, form=form, **values))


def tell_doubled(reading: Reading) -> None:
    """Tell, once for each file, how many of its rows stand in the files twice."""
    for account in reading.account.files:
        doubled = account.count("double export")
        if doubled:
            reading.find("double_export", "note", file=account.file, count=doubled)
