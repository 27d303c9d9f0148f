"""Words that come from files, made fit to be shown: every mark visible, nothing too long."""

from __future__ import annotations

import datetime as dt
import re

#: Longest value of a file that is quoted whole in a message [characters].
LONGEST_QUOTE = 80
#: Longest message [characters].
LONGEST_MESSAGE = 500

# Controls of a terminal, marks that turn the direction of text or have no width, halves of
# pairs, and what XML cannot hold; the line end stays.
_HIDDEN = re.compile(
    "[\x00-\x09\x0b-\x1f\x7f-\x9f\u061c\u200b\u200e\u200f\u2028-\u202e\u2060-\u206f\ufeff"
    "\ud800-\udfff\ufff9-\ufffb\ufffe\uffff]"
)


def visible(text: str) -> str:
    r"""Show control characters and other hidden marks as marks that can be seen.

    Line ends stay as they are; a tab becomes a blank.

    Examples
    --------
    >>> visible("T1\x1b[31m"), visible("a\u202eb"), visible("a\tb")
    ('T1␛[31m', 'a⟨U+202E⟩b', 'a b')
    """
    return _HIDDEN.sub(_mark, text)


def visible_name(name: str) -> str:
    r"""Show a name of a file, a sheet or a table: as `visible`, and in one line.

    Examples
    --------
    >>> visible_name("log\nT1.csv")
    'log␊T1.csv'
    """
    return visible(name).replace("\n", "␊")


def _mark(match: re.Match[str]) -> str:
    code = ord(match[0])
    if code == 9:
        return " "
    if code < 32:
        return chr(0x2400 + code)
    return "␡" if code == 127 else f"⟨U+{code:04X}⟩"


def is_plain(text: str) -> bool:
    r"""Whether a text has no control character, hidden mark or line end.

    Examples
    --------
    >>> is_plain("left tent"), is_plain("left\x07"), is_plain("two\nlines")
    (True, False, False)
    """
    return "\n" not in text and _HIDDEN.search(text) is None


def brief(text: str, most: int = LONGEST_QUOTE) -> str:
    """Cut the middle out of a text that is too long to be read in a message.

    Examples
    --------
    >>> brief("abcdefghijklmnopqrstuvwxyz", 11)
    'abcdefg…xyz'
    """
    if len(text) <= most:
        return text
    tail = (most - 1) * 3 // 10
    return f"{text[: most - 1 - tail]}…{text[len(text) - tail :]}"


def quote(value: object, most: int = LONGEST_QUOTE) -> str:
    """Write a value as it stands in a file, for a message: text in quotes, nothing too long.

    Examples
    --------
    >>> quote("usual"), quote(12), quote("a" * 100, 9)
    ("'usual'", '12', "'aaaaa…a'")
    """
    if isinstance(value, str):
        value = brief(value, most - 2)
    if isinstance(value, dt.date):
        return value.isoformat()
    try:
        return brief(repr(value), most)
    except (ValueError, RecursionError):  # a number of thousands of digits, lists without end
        return "something too long to be shown"


def bounded(words: str) -> str:
    """Keep each line of a message short enough to be read; lines to paste stay whole.

    Examples
    --------
    >>> len(bounded("a" * 10_000))
    500
    """
    if len(words) <= LONGEST_MESSAGE:
        return words
    return "\n".join(
        line if _PASTE.match(line) else brief(line, LONGEST_MESSAGE) for line in words.split("\n")
    )


_PASTE = re.compile(r"(?:columns|chamber|sensor|units|files) = ")
