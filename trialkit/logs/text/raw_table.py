"""`RawTable`: rows as they stand in a file, before anything is read into them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from trialkit.errors import Finding
from trialkit.wording import Message


@dataclass(frozen=True)
class Broken:
    """A line that could not be taken apart: its number, its text and the rule it broke."""

    row: int
    text: str
    rule: str
    reason: Message | str
    remedy: Message | str = ""


@dataclass
class RawTable:
    """Columns of a file as Arrow arrays (text, numbers or times), with line numbers.

    Parameters
    ----------
    name : str
        File name shown to people.
    columns : dict
        Head → Arrow array or chunked array, all of one length.
    rows : ndarray of int
        Line number of each row.
    broken : list of Broken
        Lines that are rows but could not be taken apart.
    decimal : {".", ","} or None
        Decimal sign of the file where known.
    findings : list of Finding
        What is doubtful about the file.
    head_row : int
        Line number of the heads (0 where there are none).
    units : dict
        Head → unit, where a line under the heads says it.
    zone_line : str
        Line above the heads that names the zone of the times; empty where none does.
    """

    name: str
    columns: dict[str, Any]
    rows: np.ndarray
    broken: list[Broken] = field(default_factory=list)
    decimal: str | None = None
    findings: list[Finding] = field(default_factory=list)
    head_row: int = 1
    units: dict[str, str] = field(default_factory=dict)
    zone_line: str = ""

    @property
    def n(self) -> int:
        """Number of whole rows."""
        return len(self.rows)
