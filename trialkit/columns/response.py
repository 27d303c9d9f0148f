"""The responses a trial may be asked about: which way is better, and how one speaks of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from trialkit.columns import HARVEST_COLUMNS, HarvestColumn
from trialkit.wording import Named

Better = Literal["more", "less"]
Kind = Literal["amount", "time"]


@dataclass(frozen=True)
class Response:
    """One response of the glossary, as a question may name it.

    Parameters
    ----------
    name : str
        Column.
    better : {"more", "less"}
        Whether a larger or a smaller value is what a grower wants.
    additive : bool
        Whether a block's total is the sum over its flushes.
    own : str
        Label of a column of the trial's own; those of the register are named by the catalogue.
    kind : {"amount", "time"}
        Whether a level *gave* more or less of it, or *took* longer or shorter.
    """

    name: str
    better: Better = "more"
    additive: bool = False
    own: str = ""
    kind: Kind = "amount"

    @property
    def noun(self) -> Named:
        """What is compared, in words."""
        return Named(f"noun.{self.name}", self.own)


#: The register: column name → `Response`.
RESPONSES: dict[str, Response] = {
    r.name: r
    for r in (
        Response("fresh_g", additive=True),
        Response("dry_g", additive=True),
        Response("caps", additive=True),
        Response("be_pct", additive=True),
        Response("days", better="less", kind="time"),
    )
}


def response_of(name: str, columns: Mapping[str, HarvestColumn] = HARVEST_COLUMNS) -> Response:
    """Give the register's entry, or one made from a harvest column of the trial's own.

    Parameters
    ----------
    name : str
        Column.
    columns : mapping
        Harvest columns of the trial; those that every trial has by default.

    Examples
    --------
    >>> response_of("days").better, response_of("fresh_g").better
    ('less', 'more')
    """
    if name in RESPONSES:
        return RESPONSES[name]
    if name not in columns:
        return Response(name, own=name)
    own = columns[name]
    return Response(name, better=own.better or "more", additive=own.adds_up, own=own.label)
