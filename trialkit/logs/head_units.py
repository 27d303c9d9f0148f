"""The unit that a column's head names, wherever it stands in the head.

A head says a unit, says none, or says something that cannot be used: a unit of another quantity,
two units, or a unit with a factor. The last is told, never guessed.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator
from dataclasses import dataclass

from trialkit.units import convert, is_unit, plain_unit, spellings, unit_word

#: Spellings that are also ordinary words or letters: they count in brackets, after a comma or as
#: the last word of a head, nowhere else.
_WEAK = frozenset({"in", "min", "mins", "mb", "h", "ms", "sec", "pa", "ma", "o", "oc", "of", "a"})
#: Units of quantities that no log column holds; a wanted column under them is asked about.
_FOREIGN_TEXT = """
v mv uv volt volts kv ohm ohms kohm kω ω mω hz khz db dba dbm cd cd/m2 nit nits phot w/m2 wm-2
wm2 kw/m2 mw/m2 mw/cm2 uw/cm2 watt/m2 watts/m2 w/sqm j/m2 kj/m2 mj/m2 ly langley mol/m2/d
mol/m2/day molm-2d-1 bar mbar hpa kpa pa psi inhg mmhg torr atm g/m3 gm-3 gr/m3 mg/m3 mgm-3
ug/m3 ugm-3 kg/m3 gr/ft3 grains/ft3 lb/ft3 g/kg gkg-1 kg/kg gr/lb counts cnt cnts raw adc lsb
bit bits m/s ms-1 km/h mph kn kts kj/kg btu btu/lb kcal °r °ra rankine °re °de"""
_FOREIGN = frozenset(_FOREIGN_TEXT.split())
_SIGNS = re.compile(
    r"[°%‰Ω]|(?<![a-z])u(?:mol|g|w|e)|(?:m|ft|cm|s)-?[23](?![0-9])|/(?:m|ft|s|h|d|kg|l)\b"
)
_SCALED = re.compile(
    r"(?<![\w.,])(?:0[.,]0*1|1\s*/\s*10+|[x×*/]\s*10+(?!\d)|10+\s*[x×*]|10\s*(?:\^\s*)?[-⁻]\s*\d"
    r"|1e-?\d|zehntel|hundertstel|tenths?|hundredths?)(?![\d.,])",
    re.IGNORECASE,
)
_WARMTH = r"(?:temp(?:eratur(?:e|a)?|érature)?|airt|tair|tavg|tmean|dewp(?:oin)?t)"
#: A quantity divided by its unit, as in ``Temperatur/°C``.
_DIVIDED = re.compile(r"(?<=\w[\w.])\s*/\s*(?=(?:[°º˚]\s*[CFK]|[℃℉]|%|ppm|lux|lx|klx|K|C|F)\s*$)")
_GLUED = re.compile(rf"{_WARMTH}\d*(?:in|out|indoor|outdoor)?([cfk])", re.IGNORECASE)
_NAMING = re.compile(
    r"(?:sensor|probe|channel|ch|tent|chamber|room|box|port|logger|fühler|kanal|zelt|raum|type|typ"
    r"|no|nr|unit|zone|side)",
    re.IGNORECASE,
)
_PLAIN_TEXT = """
avg mean min max med sd std sum air in out int ext amb left right top upper lower front back mid
north south east west n s e w l r inner outer dry wet red blue white cal corr new old ok log
day night"""
_PLAIN_WORDS = frozenset(_PLAIN_TEXT.split())


@dataclass(frozen=True)
class SaidUnit:
    """What a head says of the unit of its column.

    Parameters
    ----------
    unit : str or None
        The unit; None where it says none, or none that can be used.
    strange : str
        What it says instead that cannot be used; empty where there is nothing of the kind.
    """

    unit: str | None = None
    strange: str = ""


@dataclass(frozen=True)
class _Part:
    """Some words of a head, and whether they stand where units do."""

    text: str
    strong: bool
    bracket: str = ""


def head_unit(head: str, house: str, *, names: Collection[str] = ()) -> str | None:
    """Read the unit written in a column's head; None where it names none that is known.

    Examples
    --------
    >>> head_unit("Temp (°F)", "°C"), head_unit("Intensity, lum/ft²", "lux")
    ('degF', 'fc')
    """
    return said_unit(head, house, names=names).unit


def said_unit(head: str, house: str, *, names: Collection[str] = ()) -> SaidUnit:
    """Read what a column's head says of its unit, wherever it stands.

    Parameters
    ----------
    head : str
    house : str
        The unit that the column is kept in; empty where it has none.
    names : collection of str
        Names such as those of chambers, which are no units.

    Examples
    --------
    >>> said_unit("Licht [cd]", "lux").strange, said_unit("Temp °C", "°C").unit
    ('cd', 'degC')
    """
    if not house:
        return SaidUnit()
    known = {plain_unit(name) for name in names}
    parts = [part for part in _parts(head) if plain_unit(part.text) not in known]
    scaled = _SCALED.search(head)
    found = {p: unit for p in parts if (unit := _unit(p, house)) is not None}
    strong = [unit for part, unit in found.items() if part.strong]
    units = {convert(3.0, unit, house): unit for unit in strong or found.values()}
    if scaled and (units or _in_brackets(head, scaled)):
        return SaidUnit(strange=scaled[0].strip())
    if len(units) > 1:
        return SaidUnit(strange=" / ".join(sorted(units.values())))
    if units:
        return SaidUnit(next(iter(units.values())))
    glued = _GLUED.fullmatch(re.split(r"[\s_(\[,]+", head.strip())[0])
    if glued and house == "°C":
        return SaidUnit(unit_word(glued[1], house))
    return SaidUnit(_ending(head, house), _strange(parts) if _ending(head, house) is None else "")


def _in_brackets(head: str, found: re.Match[str]) -> bool:
    before, after = head[: found.start()], head[found.end() :]
    return bool(re.search(r"[(\[][^)\]]*$", before) and re.match(r"[^(\[]*[)\]]", after))


def _parts(head: str) -> Iterator[_Part]:
    """Take a head apart: what stands in brackets or after a comma, then all runs of words."""
    head = re.sub(r"(?<=\w)(?=[°º˚℃℉%％‰])", " ", _DIVIDED.sub(", ", head.replace("Â", "")))
    if plain_unit(head):
        yield _Part(head, strong=True)
    for opening, inner in re.findall(
        r"([\[({])([^\[\](){}]*(?:\([^()]*\))?[^\[\](){}]*)[\])}]", head
    ):
        yield _Part(inner, strong=True, bracket=opening)
        for piece in re.split(r"[,;|]", inner) if re.search(r"[,;|]", inner) else ():
            yield _Part(piece, strong=True, bracket=opening)
    bare = re.sub(r"[\[({][^\])}]*[\])}]", " ", head)
    pieces = re.split(r"[,;:|]", bare)
    for piece in pieces[1:]:
        yield _Part(piece.strip(), strong=True)
    for piece in pieces:
        spans = [m.span() for m in re.finditer(r"[^\s_]+", piece)]
        for size in (4, 3, 2, 1):
            for k in range(len(spans) - size + 1):
                text = piece[spans[k][0] : spans[k + size - 1][1]]
                before = piece[: spans[k][0]].strip(" _-.")
                last = k + size == len(spans) and len(spans) > 1
                if _may_be(text, before, last=last):
                    yield _Part(text, strong=False)


def _may_be(text: str, before: str, *, last: bool) -> bool:
    """Whether words outside brackets may be a unit: a lone letter only in some places."""
    plain = plain_unit(text)
    word = re.split(r"[\s_]+", before)[-1] if before else ""
    if len(plain) == 1 and plain.isalpha():
        warm = re.fullmatch(rf"(?:{_WARMTH}|t)\d*", word, re.IGNORECASE)
        return bool(warm) or (last and not _NAMING.fullmatch(word.rstrip(".")))
    return last or plain not in _WEAK


def _unit(part: _Part, house: str) -> str | None:
    if len(part.text) > 60:
        return None
    return unit_word(part.text.strip().strip("-–/:=").strip(), house)


def _ending(head: str, house: str) -> str | None:
    """Give the unit that is glued to the end of a word, such as ``CO2ppm``."""
    for word in re.split(r"[\s_,;:()\[\]]+", head.casefold()):
        for spelling, unit in spellings(house).items():
            stem = word.removesuffix(spelling)
            if len(spelling) > 2 and stem != word and re.fullmatch(r"[^\W_]{2,}", stem):
                return unit
    return None


def _strange(parts: Collection[_Part]) -> str:
    """Give what looks like a unit, but is none of this quantity."""
    for part in parts:
        text = part.text.strip().strip(":=").strip()
        plain = plain_unit(text)
        if not plain or len(plain) > 24 or plain in _PLAIN_WORDS or plain.isdigit():
            continue
        told = is_unit(text) and plain not in _WEAK and (len(plain) > 1 or plain in "%‰")
        if plain in _FOREIGN or told:
            return text
        if not part.strong:
            continue
        if (part.bracket and is_unit(text)) or (_SIGNS.search(plain) and " " not in text):
            return text
        short = len(plain) == 1 if part.bracket == "(" else len(plain) <= 5
        if part.bracket and short and plain.isalpha():
            return text
    return ""
