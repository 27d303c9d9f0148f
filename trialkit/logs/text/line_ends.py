"""Line ends of every kind → line feeds."""

from __future__ import annotations

import re

#: Signs that end lines beside line feed and carriage return: next line, line and paragraph
#: separator, form feed, vertical tab, record separator.
_OTHER = ("\x85", "\u2028", "\u2029", "\x0c", "\x0b", "\x1e")
_ROWLIKE = 0.8


def unify_line_ends(text: bytes) -> bytes:
    r"""Give UTF-8 text with line feeds as its only line ends.

    A sign other than line feed and carriage return counts as a line end where it parts most of
    the lines and most of what it parts looks like rows; a few of them inside notes stay what they
    are. Form feeds at the start of a line, as printers want them, are left out.

    Examples
    --------
    >>> unify_line_ends(b"a,b\r1,2\r\n3,4\n"), unify_line_ends("a,b\u20281,2".encode())
    (b'a,b\n1,2\n3,4\n', b'a,b\n1,2')
    """
    if b"\r" in text:
        text = text.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    plain = text.isascii()
    for sign in _OTHER:
        if plain and not sign.isascii():
            continue
        mark = sign.encode()
        if mark not in text:
            continue
        if sign == "\x0c":
            text = re.sub(rb"(^|\n)\x0c+", rb"\1", text)
        if text.count(mark) > text.rstrip(b"\n").count(b"\n") and _parts_rows(text, mark):
            text = text.replace(mark + b"\n", b"\n").replace(mark, b"\n")
    return text


def _parts_rows(text: bytes, mark: bytes) -> bool:
    pieces = [piece for piece in text[: 1 << 16].split(mark) if piece.strip()]
    if len(pieces) > 2 and len(text) > 1 << 16:
        pieces = pieces[:-1]  # cut in the middle
    sign = rb"[,;\t|]" if re.search(rb"[,;\t|]", text[: 1 << 16]) else rb"\d\s+\S"
    like = sum(bool(re.search(sign, piece)) for piece in pieces)
    return like >= _ROWLIKE * len(pieces)
