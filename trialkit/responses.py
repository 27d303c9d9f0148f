"""The responses a trial may be asked about: which way is better, and how one speaks of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from trialkit.columns import HARVEST_COLUMNS, HarvestColumn

Better = Literal["more", "less"]


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
    noun : str
        What is compared, in words.
    verb : str
        How a level came by it: it *gave* a yield, it *took* days.
    up, down : str
        Words for a larger and a smaller value.
    """

    name: str
    better: Better = "more"
    additive: bool = False
    noun: str = "yield"
    verb: str = "gave"
    up: str = "more"
    down: str = "less"


#: The register: column name → `Response`.
RESPONSES: dict[str, Response] = {
    r.name: r
    for r in (
        Response("fresh_g", additive=True, noun="yield"),
        Response("dry_g", additive=True, noun="dry yield"),
        Response("caps", additive=True, noun="number of mushrooms"),
        Response("be_pct", additive=True, noun="biological efficiency"),
        Response(
            "days", better="less", noun="time to harvest", verb="took", up="longer", down="shorter"
        ),
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
        return Response(name, noun=name)
    own = columns[name]
    return Response(name, better=own.better or "more", additive=own.adds_up, noun=own.label)
