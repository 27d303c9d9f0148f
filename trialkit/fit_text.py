"""Words measured before they are drawn, so that they are broken and placed without collisions.

Widths are those of the house font, which is wider than the fonts of most pages.
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matplotlib.font_manager import FontProperties

#: Spaces that are no place to break a line: before a unit, and inside brackets.
_UNIT = re.compile(r"(?<=\d) (?=%)")
_HINTED = 1.04  # letters put on whole dots of a screen are a little wider
_SHAPED = 100.0  # size at which words are shaped, in points
_BRACKETS = re.compile(r"\([^()]{1,40}\)")


@lru_cache(maxsize=4096)
def width_of(text: str, size: float, *, bold: bool = False) -> float:
    """Give the width of a line of words, in points.

    Examples
    --------
    >>> width_of("two words", 10) > width_of("word", 10)
    True
    """
    from matplotlib.font_manager import FontProperties

    font = FontProperties(family="DejaVu Sans", size=size, weight="bold" if bold else "normal")
    wide, _, _ = size_of(text, font)
    return wide * _HINTED


def size_of(text: str, font: FontProperties) -> tuple[float, float, float]:
    """Give the width, the height and the descent of a line without mathematics, in points.

    Each line is shaped once for all sizes: that takes longer than drawing it.

    Examples
    --------
    >>> from matplotlib.font_manager import FontProperties
    >>> small, large = (size_of("word", FontProperties(size=size)) for size in (6, 12))
    >>> [round(b / a, 6) for a, b in zip(small, large)]
    [2.0, 2.0, 2.0]
    """
    whole = font.copy()
    whole.set_size(_SHAPED)
    share = font.get_size_in_points() / _SHAPED
    wide, tall, descent = _shaped(text, whole)
    return wide * share, tall * share, descent * share


@lru_cache(maxsize=8192)
def _shaped(text: str, font: FontProperties) -> tuple[float, float, float]:
    from matplotlib.textpath import text_to_path

    wide, tall, descent = text_to_path.get_text_width_height_descent(text, font, False)
    return float(wide), float(tall), float(descent)


def wrap(text: str, most: float, size: float, *, bold: bool = False) -> list[str]:
    """Break words into lines of at most so many points; a word that is longer is shortened.

    Examples
    --------
    >>> wrap("one two", 30, 10)
    ['one', 'two']
    """
    lines: list[str] = []
    kept = _BRACKETS.sub(lambda found: found.group().replace(" ", "\u00a0"), text)
    for paragraph in _UNIT.sub("\u00a0", kept).split("\n"):
        if width_of(paragraph, size, bold=bold) <= most:  # most words need no break
            lines.append(paragraph)
            continue
        line = ""
        for word in paragraph.split(" "):
            word = shorten(word, most, size, bold=bold)
            longer = f"{line} {word}" if line else word
            if line and width_of(longer, size, bold=bold) > most:
                lines.append(line)
                line = word
            else:
                line = longer
        lines.append(line)
    return [line.replace("\u00a0", " ") for line in lines if line]


def shorten(text: str, most: float, size: float, *, bold: bool = False) -> str:
    """Cut words to a width; what is left out is shown by an ellipsis in the middle.

    Examples
    --------
    >>> shorten("abcdefghijklmnop", 40, 10)
    'ab…op'
    """
    if width_of(text, size, bold=bold) <= most:
        return text
    for kept in range(len(text) - 1, 1, -1):
        tail = (kept + 1) // 2
        cut = text[: kept - tail] + "…" + text[-tail:]
        if width_of(cut, size, bold=bold) <= most:
            return cut
    return "…"


def lanes(spans: list[tuple[float, float]]) -> list[int]:
    """Put spans that would cover one another into lanes of their own, the first ones first.

    Examples
    --------
    >>> lanes([(0, 10), (5, 15), (12, 20)])
    [0, 1, 0]
    """
    ends: list[float] = []
    out = []
    for first, last in spans:
        lane = next((i for i, end in enumerate(ends) if end <= first), len(ends))
        if lane == len(ends):
            ends.append(last)
        else:
            ends[lane] = last
        out.append(lane)
    return out
