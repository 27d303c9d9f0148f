"""`Log`: what a reader gives out."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from trialkit.errors import Finding
from trialkit.logs.ledger import Ledger
from trialkit.short_repr import short_repr
from trialkit.tabular import Tabular
from trialkit.wording import message

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class LogFile:
    """One file that was read: its name, its content hash and its size in bytes."""

    name: str
    sha256: str
    size: int


@dataclass(frozen=True)
class Log(Tabular):
    """A log as a table, with the account of every row and what is doubtful about it.

    Parameters
    ----------
    kind : {"harvest", "environment", "mist"}
    table : DataFrame
        The sound rows; see the reader for its columns. Times are UTC.
    ledger : Ledger
        Rows read = kept + set aside, per file; every change with its reason.
    findings : tuple of Finding
        What a reader of the result must know.
    files : tuple of LogFile
        The files it was read from.
    spans : DataFrame
        What each file covers: ``file, chamber, sensor, first, last, records``; empty for harvests.
    """

    kind: str
    table: pd.DataFrame
    ledger: Ledger
    findings: tuple[Finding, ...] = ()
    files: tuple[LogFile, ...] = ()
    spans: pd.DataFrame = field(repr=False, kw_only=True)

    _entries = ("kind", "table", "findings")
    __repr__ = short_repr

    def __str__(self) -> str:
        head = message(f"log_rows.{self.kind}", count=len(self.table))
        lines = [str(head), str(self.ledger)]
        return "\n".join([*lines, *map(str, self.findings)])

    def _repr_html_(self) -> str:
        from trialkit.display import show_lines

        return self.ledger._repr_html_() + show_lines(self.findings).html()


def no_spans() -> pd.DataFrame:
    """Give the empty table of spans."""
    import pandas as pd

    return pd.DataFrame(columns=["file", "chamber", "sensor", "first", "last", "records"])
