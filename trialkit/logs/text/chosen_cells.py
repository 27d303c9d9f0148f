"""Columns made of those cells of another that belong to one sensor: ``value where sensor is A``."""

from __future__ import annotations

import re
from collections.abc import Iterable

from trialkit.logs.text.head_lines import plain_cell
from trialkit.logs.text.raw_table import RawTable

_WHERE = re.compile(r"^(?P<value>.+?)\s+where\s+(?P<key>.+?)\s+is\s+(?P<word>.+)$", re.IGNORECASE)
_MOST = 500


def is_choice(head: str) -> bool:
    """Whether a head names cells of a column by what another column says.

    Examples
    --------
    >>> is_choice("value where sensor is hum-1"), is_choice("humidity")
    (True, False)
    """
    return bool(_WHERE.match(head))


def chosen_word(head: str) -> str:
    """Give the word that chooses the cells of a head; the head itself where none does.

    Examples
    --------
    >>> chosen_word("value where sensor is hum-1"), chosen_word("humidity")
    ('hum-1', 'humidity')
    """
    found = _WHERE.match(head)
    return found["word"] if found else head


def add_choices(table: RawTable, heads: Iterable[str]) -> None:
    """Add the columns that heads such as ``state where entity is temp-1`` name.

    One column is added for each word in the column that names the sensors, so that a pattern
    with ``{chamber}`` in place of the word finds those of all chambers. A row has a cell only in
    the column of its own sensor.

    Parameters
    ----------
    table : RawTable
        Changed in place.
    heads : iterable of str
        Heads that the trial file names.
    """
    import pyarrow as pa
    import pyarrow.compute as pc

    plain = {plain_cell(h): h for h in reversed(list(table.columns))}
    done = set()
    for given in heads:
        match = _WHERE.match(given.strip())
        if match is None or plain_cell(given) in plain:
            continue
        value, key = (plain.get(plain_cell(match[k])) for k in ("value", "key"))
        pair = (match["value"], match["key"])
        if value is None or key is None or pair in done:
            continue
        done.add(pair)
        keys = pc.fill_null(pc.utf8_trim_whitespace(pc.cast(table.columns[key], pa.string())), "")
        words = [w for w in pc.unique(keys).to_pylist() if w]
        for word in words[:_MOST]:
            cells = pc.cast(table.columns[value], pa.string())
            chosen = pc.if_else(pc.equal(keys, word), cells, pa.scalar("", pa.string()))
            table.columns[f"{match['value']} where {match['key']} is {word}"] = chosen
