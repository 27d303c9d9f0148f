"""`Column`: one column of the glossary."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Column:
    """One column of the glossary.

    Parameters
    ----------
    name : str
        Column name in tables.
    unit : str
        Unit as shown to people; empty where there is none.
    label : str
        Short label for figures and tables.
    meaning : str
        What it holds, in one sentence.
    """

    name: str
    unit: str
    label: str
    meaning: str

    @property
    def head(self) -> str:
        """Label with its unit, for a table head or an axis."""
        return f"{self.label} [{self.unit}]" if self.unit else self.label
