"""Names of the small-sample methods, as people read them; tables carry their codes.

A code is a list of pieces with commas between, such as ``"fieller, unit means of
batch:chamber, chamber fixed"``.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

from trialkit.wording import Units, Wording

_OF_UNITS = re.compile(r"(?P<what>unit means|effective sample) of (?P<term>.+)")
_FIXED = re.compile(r"(?P<terms>.+) fixed")
_SPREAD = re.compile(r"spread by (?P<levels>.+)")


def method_words(code: str, say: Wording) -> str:
    """Name a method in the words of a language; a piece that has no words stays as it is.

    Parameters
    ----------
    code : str
        As in the column `method` of a table.
    say : Wording

    Returns
    -------
    str

    Examples
    --------
    >>> from trialkit.wording import read_wording
    >>> method_words("unit means of batch:chamber, chamber fixed", read_wording())
    'means of chamber runs, chambers as fixed effects'
    """
    return ", ".join(_words(piece, say) for piece in code.split(", "))


def method_notes(codes: Iterable[object], say: Wording) -> list[str]:
    """Explain the methods of a table, each once.

    Parameters
    ----------
    codes : iterable of str
        The column `method`.
    say : Wording

    Returns
    -------
    list of str
    """
    keys = dict.fromkeys(key for code in codes for key in _keys(str(code)))
    return [say.text(f"method_note.{k}") for k in keys if f"method_note.{k}" in say.entries]


def _keys(code: str) -> Iterator[str]:
    for piece in code.split(", "):
        match = _OF_UNITS.fullmatch(piece)
        if match:
            yield _key(match["what"])
        else:
            known = {"fixed": _FIXED, "spread": _SPREAD}
            yield next((k for k, form in known.items() if form.fullmatch(piece)), _key(piece))


def _key(piece: str) -> str:
    return piece.replace("-", "_").replace(" ", "_")


def _words(piece: str, say: Wording) -> str:
    match = _OF_UNITS.fullmatch(piece)
    if match:
        units = Units(tuple(match["term"].split(":")))
        return say.text(f"method.{_key(match['what'])}", units=units)
    match = _FIXED.fullmatch(piece)
    if match:
        terms = [Units(tuple(term.split(":"))) for term in match["terms"].split(" and ")]
        return say.text("method.fixed", units=terms)
    match = _SPREAD.fullmatch(piece)
    if match:
        return say.text("method.spread", levels=match["levels"].replace(":", " × "))
    return say.either(f"method.{_key(piece)}", piece)
