"""Names and texts as a script for R needs them."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

_PLAIN = re.compile(r"[A-Za-z][A-Za-z0-9_.]*")
_RESERVED = {
    *("if", "else", "repeat", "while", "function", "for", "next", "break", "in"),
    *("TRUE", "FALSE", "NULL", "Inf", "NaN", "NA"),
}


def r_names(names: Iterable[str]) -> dict[str, str]:
    """Give every column a name that R takes without quotes; plain ones keep theirs.

    Examples
    --------
    >>> r_names(["schedule", "start weight", "start.weight", "Größe"])
    {'schedule': 'schedule', 'start weight': 'start.weight.2', 'start.weight': 'start.weight', \
'Größe': 'Gr..e'}
    """
    names = list(dict.fromkeys(names))
    taken = {name for name in names if _is_plain(name)}
    out = {}
    for name in names:
        if _is_plain(name):
            out[name] = name
            continue
        stem = re.sub(r"[^A-Za-z0-9_.]", ".", name)
        stem = stem if _is_plain(stem) else f"x.{stem}"
        free, count = stem, 2
        while free in taken:
            free, count = f"{stem}.{count}", count + 1
        out[name] = free
        taken.add(free)
    return out


def _is_plain(name: str) -> bool:
    return _PLAIN.fullmatch(name) is not None and name not in _RESERVED


def r_text(text: str) -> str:
    r"""Write a text as R reads it on any machine: letters outside ASCII by their numbers.

    Examples
    --------
    >>> print(r_text('dim "ä"'))
    "dim \"\u00e4\""
    """
    out = []
    for letter in text:
        if letter in '"\\':
            out.append("\\" + letter)
        elif " " <= letter <= "~":
            out.append(letter)
        else:
            number = ord(letter)
            out.append(f"\\u{number:04x}" if number < 0x10000 else f"\\U{number:08x}")
    return '"' + "".join(out) + '"'


def r_vector(texts: Iterable[str]) -> str:
    """Write texts as a vector.

    Examples
    --------
    >>> r_vector(["a", "b"]), r_vector([])
    ('c("a", "b")', 'character(0)')
    """
    inside = ", ".join(r_text(text) for text in texts)
    return f"c({inside})" if inside else "character(0)"


def r_list(values: Mapping[str, str]) -> str:
    """Write a list whose values are R code already.

    Examples
    --------
    >>> r_list({"schedule": "0.9"})
    'list(schedule = 0.9)'
    """
    return f"list({', '.join(f'{name} = {code}' for name, code in values.items())})"
