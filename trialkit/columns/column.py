"""`Column`: one column of the glossary."""

from __future__ import annotations

from dataclasses import dataclass

from trialkit.wording import spoken


@dataclass(frozen=True)
class Column:
    """One column of the glossary.

    Parameters
    ----------
    name : str
        Column name in tables.
    unit : str
        Unit as shown to people; empty where there is none.
    own_label, own_meaning : str
        The user's words for a column that a trial file adds; empty for a column of the
        glossary, whose words stand in the catalogue.
    """

    name: str
    unit: str
    own_label: str = ""
    own_meaning: str = ""

    @property
    def label(self) -> str:
        """Short label for figures and tables, in the language in use."""
        return self.own_label or spoken().either(f"glossary_label.{self.name}", self.name)

    @property
    def meaning(self) -> str:
        """What it holds, in one sentence, in the language in use."""
        own = self.own_meaning or self.own_label
        return own or spoken().either(f"glossary_meaning.{self.name}", self.name)

    @property
    def head(self) -> str:
        """Label with its unit, for a table head or an axis."""
        unit = spoken().either(f"glossary_unit.{self.unit}", self.unit)
        return f"{self.label} [{unit}]" if unit else self.label
