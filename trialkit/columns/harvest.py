"""The register of harvest columns: all that is known of one stands in its entry.

A further column is one more entry, and its words in the catalogue. Glossary, mapping, readers,
harvest sheet, workbook, alignment, outcomes and report take it from here, in the order of the
register. A trial file can add columns
of its own; they are made by `own_column` and go the same ways.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from trialkit.columns.column import Column
from trialkit.wording import Message, message, spoken

#: How several values become one: added up, averaged, or the latest.
Pooling = Literal["sum", "mean", "last"]
#: States of a block that gives nothing more.
LOST = ("contaminated", "discarded")
#: States that can be entered.
STATES = ("ok", *LOST)


@dataclass(frozen=True)
class HarvestColumn(Column):
    """One quantity that is measured at harvest.

    Parameters
    ----------
    name, unit, own_label, own_meaning
        As in `Column`.
    heads : tuple of str
        Words in heads of files that name it, most telling first.
    possible : (float, float)
        Lowest and highest value that can be true, both included.
    rule : str
        Rule of the ledger that a value outside is caught by.
    reason, remedy : Message or str
        What the ledger says then.
    loses : {"value", "entry"}
        What is lost with an impossible value: the value alone, or its whole row.
    whole : bool
        Whether only whole numbers are possible.
    pools : {"sum", "mean", "last"}
        How several picks of one flush become its value. What is summed is also added up over
        the flushes of a block; other values stay one per flush.
    better : {"more", "less", ""}
        Which way is better; empty where neither is. A verdict can only be asked of what is
        better the more there is of it.
    outcome : bool
        Whether it is summarised beside the response, where it was measured.
    likely_most : float
        Where a proposed mapping looks for its values: from the lowest possible to this.
    typed_most : float or None
        Most that the workbook takes without asking; None for what a flush of a block can weigh.
    """

    heads: tuple[str, ...] = ()
    possible: tuple[float, float] = (0.0, math.inf)
    rule: str = "outside its range"
    reason: Message | str = ""
    remedy: Message | str = ""
    loses: Literal["value", "entry"] = "value"
    whole: bool = False
    pools: Pooling = "sum"
    better: Literal["more", "less", ""] = ""
    outcome: bool = True
    likely_most: float = 1e5
    typed_most: float | None = None

    def prompt(self, most: float) -> str:
        """Say what belongs into a cell of the workbook, in the language in use.

        Parameters
        ----------
        most : float
            Most that it takes without asking.

        Examples
        --------
        >>> HARVEST_COLUMNS["caps"].prompt(2000)
        'Number of mushrooms, a whole number from 0.'
        """
        if not self.own_label:
            return spoken().text(f"glossary_prompt.{self.name}", most=most)
        label = self.own_label[:1].upper() + self.own_label[1:]
        form = "whole" if self.whole else "any"
        span = _span(*self.possible, self.unit)
        return str(message(f"own_prompt.{form}", label=label, span=span))

    @property
    def adds_up(self) -> bool:
        """Whether the values of a block's flushes add up to one of the block."""
        return self.pools == "sum"

    @property
    def is_weight(self) -> bool:
        """Whether it is a weight harvested, of which a lost block has none."""
        return self.pools == "sum" and self.unit == "g"


_ENTRIES = (
    HarvestColumn(
        "fresh_g",
        "g",
        heads=("fresh", "weight", "yield", "mass", "wt", "gewicht", "frisch", "peso", "poids"),
        rule="negative weight",
        reason=message("row_reason.negative_weight"),
        remedy=message("row_remedy.negative_weight"),
        loses="entry",
        better="more",
        outcome=False,
    ),
    HarvestColumn(
        "dry_g",
        "g",
        heads=("dry", "trocken", "seco", "sec"),
        rule="negative weight",
        reason=message("row_reason.negative_weight"),
        remedy=message("row_remedy.negative_weight"),
        loses="entry",
        better="more",
    ),
    HarvestColumn(
        "caps",
        "count",
        heads=("caps", "count", "mushrooms", "number", "anzahl", "stück", "hüte", "nombre"),
        rule="caps impossible",
        reason=message("row_reason.caps_impossible"),
        remedy=message("row_remedy.caps_impossible"),
        whole=True,
        better="more",
        typed_most=2000,
    ),
)

#: The register: name → entry, in the order of sheets and tables.
HARVEST_COLUMNS: dict[str, HarvestColumn] = {entry.name: entry for entry in _ENTRIES}


def own_column(
    name: str,
    *,
    label: str = "",
    unit: str = "",
    meaning: str = "",
    heads: tuple[str, ...] = (),
    possible: tuple[float, float] = (0.0, math.inf),
    whole: bool = False,
    pools: Pooling = "mean",
    better: Literal["more", "less", ""] = "",
) -> HarvestColumn:
    """Make the entry of a harvest column that a trial file adds.

    Parameters
    ----------
    name, label, unit, meaning, heads, possible, whole, pools, better
        As in `HarvestColumn`; the label is made of the name where it is not given.

    Returns
    -------
    HarvestColumn

    Examples
    --------
    >>> cap = own_column("cap_mm", label="cap diameter", unit="mm", possible=(5, 250))
    >>> cap.head, str(cap.reason)
    ('cap diameter [mm]', 'outside 5 to 250 mm; the value is left out')
    """
    label = label or name.replace("_", " ")
    low, most = possible
    form = "outside_or_not_whole" if whole else "outside"
    return HarvestColumn(
        name,
        unit,
        label,
        meaning,
        heads=heads or (label.casefold(),),
        possible=(float(low), float(most)),
        reason=message(f"own_reason.{form}", span=_span(low, most, unit)),
        remedy=message("row_remedy.outside_its_range"),
        whole=whole,
        pools=pools,
        better=better,
        likely_most=most,
        typed_most=most if math.isfinite(most) else 1e9,
    )


def _span(low: float, most: float, unit: str) -> Message:
    """Say from where to where values may be."""
    form = ("between" if math.isfinite(most) else "from") + ("_unit" if unit else "")
    return message(f"own_span.{form}", low=float(low), most=float(most), unit=unit)


#: Responses that alignment works out from the harvest, and whether a block's flushes add up.
_WORKED_OUT = {"be_pct": True, "days": False}


def adds_up(response: str, columns: Mapping[str, HarvestColumn] = HARVEST_COLUMNS) -> bool:
    """Whether the values of a block's flushes add up to one of the block.

    Examples
    --------
    >>> adds_up("fresh_g"), adds_up("days")
    (True, False)
    """
    if response in columns:
        return columns[response].adds_up
    return _WORKED_OUT.get(response, False)


def responses(columns: Mapping[str, HarvestColumn] = HARVEST_COLUMNS) -> tuple[str, ...]:
    """List what a trial's question can be asked of: what is better the more there is of it.

    Examples
    --------
    >>> responses()
    ('fresh_g', 'dry_g', 'caps', 'be_pct', 'days')
    """
    asked = [name for name, column in columns.items() if column.better == "more"]
    return (*asked, *_WORKED_OUT)
