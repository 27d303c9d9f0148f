"""Names of months, weekdays and halves of the day in every language that Babel knows."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

from trialkit.logs.text.time_forms import MONTHS

_SIGNS = re.compile(r"[\s.,’'`\u200e\u200f\u202f\u00a0]")
_DIGITS = re.compile(r"(\d+)")
_ENGLISH = ["jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"]
#: Signs of Chinese, Japanese and Korean dates and times: what stands for them.
_EAST = {
    "年": "-", "月": "-", "日": " ", "号": " ", "년": "-", "월": "-", "일": " ",
    "时": ":", "時": ":", "点": ":", "點": ":", "시": ":", "分": ":", "분": ":",
    "秒": " ", "초": " ",
}  # fmt: skip
#: What stands before a month given as a number, the day before it.
_MONTH_NUMBER = frozenset({"tháng"})
#: Words that may stand in a moment and mean nothing for it.
_FILLERS = frozenset(["at", "um", "uhr", "kl", "klo", "à", "a", "las", "la", "o", "of"])
_WEEKDAY = re.compile("^(星期|周|曜|요)?[月火水木金土日一二三四五六]{1,3}(曜日?|요일)?")
_CLOCK = re.compile(r"\d{1,2}:\d{2}(:\d{2}([.,]\d+)?)?")


@dataclass(frozen=True)
class Calendar:
    """Words of the calendar in all languages.

    Parameters
    ----------
    months : mapping
        Name without blanks and dots → number of the month → languages in which it is that.
    halves : mapping
        Word for a half of the day → ``"am"`` or ``"pm"``.
    weekdays : frozenset of str
    fillers : frozenset of str
        Words between the parts of a date.
    """

    months: Mapping[str, Mapping[int, frozenset[str]]]
    halves: Mapping[str, str]
    weekdays: frozenset[str]
    fillers: frozenset[str]


def bare(word: str) -> str:
    """Give a word without case, blanks, dots and apostrophes.

    Examples
    --------
    >>> bare("Févr."), bare("de març")
    ('févr', 'demarç')
    """
    return _SIGNS.sub("", word.casefold())


@lru_cache(maxsize=1)
def read_calendar() -> Calendar:
    """Gather the words of the calendar from the Unicode CLDR; takes a second or two, once."""
    from babel import Locale
    from babel.localedata import locale_identifiers

    months: dict[str, dict[int, set[str]]] = {}
    halves: dict[str, set[str]] = {}
    weekdays: set[str] = set()
    fillers = set(_FILLERS)
    for name in locale_identifiers():
        if "_" in name:
            continue
        locale = Locale.parse(name)
        for context in locale.months.values():
            for width in ("wide", "abbreviated"):
                for number, word in context.get(width, {}).items():
                    if not re.search(r"\d", word):
                        months.setdefault(bare(word), {}).setdefault(number, set()).add(name)
        for context in locale.days.values():
            for width in ("wide", "abbreviated"):
                weekdays |= {bare(w) for w in context.get(width, {}).values()}
        for context in locale.day_periods.values():
            for width in ("wide", "abbreviated"):
                for half in ("am", "pm"):
                    if word := context.get(width, {}).get(half):
                        halves.setdefault(bare(word), set()).add(half)
        for form in locale.date_formats.values():
            for quoted in re.findall(r"'([^']+)'", form.pattern):
                fillers |= {bare(w) for w in quoted.split()}
    # a word that also stands between the parts of a date, such as "de", says no half of the day
    fillers -= {"am", "pm"}
    beside = fillers | weekdays
    sure = {w: h.pop() for w, h in halves.items() if len(h) == 1 and w not in beside}
    sure |= {"am": "am", "pm": "pm"}
    fixed = {w: {n: frozenset(ls) for n, ls in by.items()} for w, by in months.items()}
    return Calendar(fixed, sure, frozenset(weekdays - {""}), frozenset(fillers - {""}))


@dataclass(frozen=True)
class Spelled:
    r"""A moment with its month in words of some language, taken apart.

    Parameters
    ----------
    plain : str
        The moment in signs and English names; ``"\0"`` stands for the month. The digits are
        those of the cell, in its order.
    month : str
        The month's name as `bare` gives it; empty where the cell has none in words.
    half : bool
        Whether it says which half of the day it means.
    """

    plain: str
    month: str
    half: bool


def take_apart(text: str) -> Spelled | None:
    """Take a moment apart that has words in it; None where it has others than of the calendar."""
    calendar = read_calendar()
    out: list[str] = []
    month = half = ""
    for piece in _DIGITS.split(text.strip()):
        found = _read_piece(piece, calendar)
        if found is None or (found[1] and half):
            return None
        if found[0] and month:  # one of them is a weekday, as "mar" is in Spanish
            if month in calendar.weekdays:
                out = [part.replace("\0", " ") for part in out]
            elif found[0] in calendar.weekdays:
                found = ("", found[1], found[2].replace("\0", " "))
            else:
                return None
        month, half = found[0] or month, found[1] or half
        out.append(found[2])
    plain = "".join(out)
    plain = re.sub(r":(?=\s|$)", "", plain)
    plain = re.sub(r"[.,](?=\s|$)", " ", plain)
    plain = re.sub(r"\s+", " ", re.sub(r"(?<=\0)-|-(?=\0)", " ", plain)).strip(" -,.")
    if half:
        plain, changed = _CLOCK.subn(lambda m: f"{m.group()} {half}", plain, count=1)
        if not changed:
            return None
    return Spelled(plain, month, bool(half))


def _read_piece(piece: str, calendar: Calendar) -> tuple[str, str, str] | None:
    """Read what stands between two numbers: a month, a half of the day, and what stands for it."""
    if piece.isascii() and not re.search(r"[A-Za-z]", piece):
        return "", "", piece
    if (east := _read_east(piece)) is not None:
        return "", calendar.halves.get(east[1], ""), east[0]
    whole = bare(piece).strip("-/()")
    if whole in calendar.halves:
        return "", calendar.halves[whole], " "
    if whole in calendar.months and whole not in calendar.fillers:
        return whole, "", " \0 "
    if piece.strip() in ("T", "t", "Z", "z") or piece.strip().upper() in ("UTC", "GMT"):
        return "", "", piece
    month = half = ""
    signs = ""
    for word in re.findall(r"[^\s,()/-]+|[/-]", piece):
        plain = bare(word)
        if word in "/-":
            signs += word
        elif plain in calendar.fillers or not plain:
            signs += " "
        elif plain in calendar.months and not month:
            month, signs = plain, signs + " \0 "
        elif plain in calendar.halves and not half:
            half = calendar.halves[plain]
        elif plain in _MONTH_NUMBER:
            signs += "m"
        elif plain in calendar.weekdays:
            signs += " "
        else:
            return None
    return month, half, signs or " "


def _read_east(piece: str) -> tuple[str, str] | None:
    """Read a sign of a Chinese, Japanese or Korean date, and the word that may follow it."""
    bare_piece = re.sub(r"[\s()（）]", "", piece)
    if not bare_piece or bare_piece[0] not in _EAST:
        return None
    rest = re.sub(
        r"^[月火水木金土日一二三四五六周星期曜요]{1,3}(?=$|[^月火水木金土日])", "", bare_piece[1:]
    )
    return _EAST[bare_piece[0]] + " " * bool(rest), rest


def settle_months(
    words: Iterable[str], languages: Sequence[str] = ()
) -> tuple[dict[str, int], list[str]]:
    """Say which month each name is, from all names of a column together.

    Parameters
    ----------
    words : iterable of str
        As `bare` gives them.
    languages : sequence of str
        The only languages that count; all by default.

    Returns
    -------
    (dict, list of str)
        Name → number of the month, and the names that are several months even so.

    Examples
    --------
    >>> settle_months(["listopada", "rujna"]), settle_months(["listopad"])
    (({'listopada': 10, 'rujna': 9}, []), ({}, ['listopad']))
    """
    months = read_calendar().months
    asked = [w for w in dict.fromkeys(words) if w in months]
    spoken = [frozenset().union(*months[w].values()) for w in asked]
    shared = frozenset.intersection(*spoken) if spoken else frozenset()
    allowed = frozenset(languages) or shared
    out, unsure = {}, []
    for word in asked:
        fits = {n for n, ls in months[word].items() if not allowed or ls & allowed}
        usual = MONTHS.get(word, 0)  # as in cells that need no other language
        if len(fits) == 1 or usual in fits:
            out[word] = usual if usual in fits else fits.pop()
        else:
            unsure.append(word)
    return out, unsure


def english_month(number: int) -> str:
    """Give the English short name of a month."""
    return _ENGLISH[number - 1]
