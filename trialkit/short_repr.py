"""One short line for objects that hold tables: what they are and how large, not their cells."""

from __future__ import annotations

from dataclasses import fields, is_dataclass
from typing import Any

_LONGEST_TEXT, _LONGEST = 60, 1000
_MOST_ENTRIES = 6


def short_repr(self: Any) -> str:
    """Name a dataclass and its fields; tables, arrays and long collections only by their size.

    Use it as ``__repr__ = short_repr`` in the body of a dataclass.

    Examples
    --------
    >>> from dataclasses import dataclass
    >>> @dataclass(frozen=True)
    ... class Weights:
    ...     unit: str
    ...     values: tuple[float, ...]
    ...     __repr__ = short_repr
    >>> Weights("g", tuple(range(1000)))
    Weights(unit='g', values=<1000 entries>)
    """
    parts = [f"{f.name}={_brief(getattr(self, f.name))}" for f in fields(self) if f.repr]
    inside = ", ".join(parts)
    if len(inside) > _LONGEST:
        inside = inside[:_LONGEST] + "…"
    return f"{type(self).__name__}({inside})"


def _brief(value: Any) -> str:
    if value is None or isinstance(value, (bool, int, float)):
        return repr(value)
    if isinstance(value, str):
        return repr(value if len(value) <= _LONGEST_TEXT else value[: _LONGEST_TEXT - 1] + "…")
    shape = getattr(value, "shape", None)
    if isinstance(shape, tuple):
        if not shape:
            return str(value)
        if hasattr(value, "columns"):
            return f"<{shape[0]} rows × {shape[1]} columns>"
        return f"<{' × '.join(map(str, shape))} values>"
    if isinstance(value, (tuple, list, set, frozenset, dict)):
        return _brief_entries(value)
    if is_dataclass(value):
        return f"<{type(value).__name__}>"
    text = repr(value)
    return text if len(text) <= _LONGEST_TEXT else f"<{type(value).__name__}>"


def _brief_entries(value: Any) -> str:
    plain = all(x is None or isinstance(x, (bool, int, float, str)) for x in value)
    if len(value) <= _MOST_ENTRIES and plain:
        if isinstance(value, dict):
            return "{" + ", ".join(f"{_brief(k)}: {_brief(v)}" for k, v in value.items()) + "}"
        text = repr(value)
        if len(text) <= 2 * _LONGEST_TEXT:
            return text
    return f"<{len(value)} {'entry' if len(value) == 1 else 'entries'}>"
