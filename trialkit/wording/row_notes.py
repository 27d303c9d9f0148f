"""Notes of rows, as people read them; tables carry them in English.

A note is made of pieces with semicolons between, each a text of the catalogue, such as ``"no
finite limits: the reference mean is not clearly above zero; only 0.5 to 0.7 can be ruled out"``.
"""

from __future__ import annotations

import re
from functools import cache

from trialkit.wording import Wording, message, read_wording

_NAMES = (
    "not_estimable",
    "no_error",
    "few_df",
    "no_df",
    "no_limits",
    "no_limits_error",
    "no_limits_df",
    "ruled_out",
    "left_out",
)
_BETWEEN = "; "


def note_words(note: object, say: Wording) -> str:
    """Say a note in the words of a language; a piece that is not known stays as it is.

    Parameters
    ----------
    note : str
        As in the column `note` of a table.
    say : Wording

    Returns
    -------
    str

    Examples
    --------
    >>> from trialkit.wording import read_wording
    >>> note_words("only 0.5 to 0.75 can be ruled out", read_wording())
    'only 0.5 to 0.75 can be ruled out'
    """
    return _BETWEEN.join(_words(piece, say) for piece in str(note).split(_BETWEEN))


def _words(piece: str, say: Wording) -> str:
    for key, pattern in _patterns():
        found = pattern.fullmatch(piece)
        if found is None:
            continue
        values: dict[str, object] = {}
        for name, text in found.groupdict().items():
            values[name] = _spans(text) if name == "spans" else float(text)
        return say.text(key, **values)
    return piece


def _spans(text: str) -> object:
    """Read stretches such as ``0.5 to 0.7 and 1.2 to 1.3``, to be said in any language."""
    pairs = [span.split(" to ") for span in text.split(" and ")]
    return [message("row_note.span", low=float(low), high=float(high)) for low, high in pairs]


@cache
def _patterns() -> list[tuple[str, re.Pattern[str]]]:
    """Give what each English text of the catalogue looks like with its places filled in."""
    entries = read_wording("en").entries
    number = r"-?[\d.]+(?:e[+-]?\d+)?"
    span = f"{number} to {number}"
    places = {
        "{df:.2g}": f"(?P<df>{number})",
        "{spans}": f"(?P<spans>{span}(?: and {span})*)",
    }
    out = []
    for key in (f"row_note.{name}" for name in _NAMES):
        pattern = re.escape(entries[key])
        for place, value in places.items():
            pattern = pattern.replace(re.escape(place), value)
        out.append((key, re.compile(pattern)))
    return out
