"""Which encoding bytes are likely to be in, and what a guess of it may have changed."""

from __future__ import annotations

import re

from trialkit.errors import Finding
from trialkit.wording import finding

SAMPLE = 64 * 1024
_ENCODINGS = [
    "cp1252",
    "cp1250",
    "cp1251",
    "cp1253",
    "cp1254",
    "mac_roman",
    "cp850",
    "cp437",
    "koi8_r",
    "shift_jis",
    "euc_jp",
    "gb18030",
    "big5",
    "euc_kr",
]
_USUAL = frozenset("°µ²³·±–—’“”äöüßÄÖÜéèêàâçñíóáúãõåøæôîûëïÅØÆÉ")
_SIGNS = frozenset("µªº")  # letters to Unicode, signs to people
_WORD = re.compile(r"[^\W\d_]*[^\W\d_\x00-\x7f]+[^\W\d_]*")


def is_utf8(data: bytes) -> bool:
    """Whether bytes are sound UTF-8."""
    if data.isascii():
        return True
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


def guess_encoding(data: bytes) -> tuple[str, bool]:
    """Give the likeliest encoding, and whether it is a guess among code pages.

    Examples
    --------
    >>> guess_encoding("Wärme".encode("cp1252")), guess_encoding("Wärme".encode())
    (('cp1252', True), ('utf-8', False))
    """
    if data.isascii() and b"\x00" not in data[:SAMPLE]:
        return "utf-8", False
    if (wide := _guess_wide(data[:SAMPLE])) is not None:
        return wide, False
    if is_utf8(data):
        return "utf-8", False
    text = data[:SAMPLE].decode("utf-8", errors="replace")
    bad, beyond = text.count("\ufffd"), sum(c > "\x7f" for c in text)
    if beyond > 3 * bad:  # mostly sound UTF-8 with a few damaged places
        return "utf-8", False
    from charset_normalizer import from_bytes

    rest = bytes(b for b in data[:SAMPLE] if b)
    beyond_ascii = [c for c in rest.decode("cp1252", errors="replace") if c > "\x7f"]
    if sum(c in _USUAL for c in beyond_ascii) > 0.8 * len(beyond_ascii):
        return "cp1252", True  # a few bytes alone cannot tell code pages apart: the usual one
    best = from_bytes(rest, cp_isolation=_ENCODINGS).best()
    if best is None:
        return "cp1252", True
    alike = {best.encoding, *best.could_be_from_charset}
    return ("cp1252" if "cp1252" in alike else str(best.encoding)), True


def _guess_wide(sample: bytes) -> str | None:
    """Tell UTF-16 without a mark by its zero bytes, which stand at every other place."""
    if len(sample) < 4 or sample.count(0) < 0.3 * len(sample):
        return None
    even, odd = sample[0::2].count(0), sample[1::2].count(0)
    if odd > 3 * even:
        return "utf-16-le"
    return "utf-16-be" if even > 3 * odd else None


def tell_guess(text: str, encoding: str, name: str) -> list[Finding]:
    """Tell a guessed encoding where letters beyond ASCII came out of it.

    Signs such as ° and µ are no letters here: a wrong guess would show them at once, and no name
    or note changes with them.
    """
    words = [w for w in _WORD.findall(text) if any(c > "\x7f" and c not in _SIGNS for c in w)]
    if not words:
        return []
    letters = {c for w in words for c in w if c > "\x7f" and c not in _SIGNS}
    rare = all(2 * sum(c > "\x7f" for c in w) < len(w) for w in words)
    usual = encoding == "cp1252" and letters <= _USUAL and rare  # as in German or French words
    shown = list(dict.fromkeys(w[:40] for w in words))[:3]
    return [
        finding(
            "encoding_guessed",
            "note" if usual else "caution",
            file=name,
            encoding=encoding,
            words=[repr(w) for w in shown],
        )
    ]
