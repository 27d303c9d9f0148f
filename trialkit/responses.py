"""The responses a trial may be asked about: which way is better, and how one speaks of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

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


def response_of(name: str) -> Response:
    """Give the register's entry; a column that is not in it is taken as more is better.

    Examples
    --------
    >>> response_of("days").better, response_of("fresh_g").better
    ('less', 'more')
    """
    return RESPONSES.get(name, Response(name, noun=name))
