"""Names of single units and lists of them, said in the language in use."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from trialkit.wording.message import Message, message
from trialkit.wording.units import Units


def place(levels: Mapping[str, object]) -> Message:
    """Name one unit by its levels, the widest first: chamber T4 in batch B4.

    Parameters
    ----------
    levels : mapping
        Factor → level. The factor ``"window"`` has the name of a window.

    Returns
    -------
    Message

    Examples
    --------
    >>> str(place({"batch": "B4", "chamber": "T4"}))
    'chamber T4 in batch B4'
    >>> str(place({"chamber": "T4", "window": "flush 2"}))
    'flush 2 in chamber T4'
    """
    named = [_one(factor, str(level)) for factor, level in levels.items()]
    out = named[0]
    for inner in named[1:]:
        out = message("place.within", inner=inner, outer=out)
    return out


def _one(factor: str, level: str) -> Message:
    if factor == "window":
        if level == "whole":
            return message("place.whole")
        if not level.startswith("flush "):
            return message("place.named", name=level)
        factor, level = "flush", level.removeprefix("flush ")
    return message("place.one", kind=Units((factor,), 1), name=level)


def several(items: Sequence[Any], most: int) -> list[Any]:
    """List the first things of many, and say how many more there are.

    Examples
    --------
    >>> [str(item) for item in several(["a", "b", "c"], 2)]
    ['a', 'b', '1 more']
    """
    left = len(items) - most
    return [*items[:most], *([message("place.more", number=left)] if left > 0 else [])]
