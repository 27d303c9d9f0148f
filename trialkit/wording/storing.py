"""Messages as plain data and back, so that what is stored can be said in any language."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Any

from trialkit.wording.message import Message
from trialkit.wording.suggestion import Either
from trialkit.wording.units import Units


def to_data(said: object) -> Any:
    """Give something to say as data that JSON can hold: text, or a key with its values.

    Raises
    ------
    TypeError
        If a value is of a kind that cannot be stored.

    Examples
    --------
    >>> to_data(Message("count.flush", {"count": 3}))
    {'key': 'count.flush', 'values': {'count': 3}}
    """
    if isinstance(said, Message):
        return {"key": said.key, "values": {k: to_data(v) for k, v in said.values.items()}}
    if isinstance(said, Units):
        return {"term": list(said.term), "count": said.count}
    if isinstance(said, Either):
        return {"names": list(said.names)}
    if isinstance(said, dt.date):
        return {"moment" if isinstance(said, dt.datetime) else "day": said.isoformat()}
    if isinstance(said, Sequence) and not isinstance(said, str):
        return [to_data(item) for item in said]
    if hasattr(said, "item"):  # a number of numpy
        said = said.item()
    if said is None or isinstance(said, (str, int, float)):
        return said
    raise TypeError(f"{type(said).__name__} cannot be stored as part of a message")


def from_data(data: Any) -> Any:
    """Give back what `to_data` stored.

    Examples
    --------
    >>> str(from_data({"key": "count.flush", "values": {"count": 3}}))
    '3 flushes'
    """
    if isinstance(data, Mapping):
        if "key" in data:
            return Message(data["key"], {k: from_data(v) for k, v in data["values"].items()})
        if "term" in data:
            return Units(tuple(data["term"]), data["count"])
        if "names" in data:
            return Either(tuple(data["names"]))
        if "moment" in data:
            return dt.datetime.fromisoformat(data["moment"])
        return dt.date.fromisoformat(data["day"])
    return [from_data(item) for item in data] if isinstance(data, list) else data
