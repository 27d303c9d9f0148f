"""The catalogue of one language, and how its locale writes numbers, dates, lists and counts.

A language is a folder of TOML files beside ``en`` with the same keys; a key that a translation
lacks is taken from English, so a page is never empty.
"""

from __future__ import annotations

import datetime as dt
import math
import re
import string
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from typing import Any, Literal, Protocol, runtime_checkable

from trialkit.errors import ReportError
from trialkit.visible_text import brief, visible

#: Numbers from here on are written as powers of ten.
_LARGEST_WRITTEN_OUT = 1e15
_DASH = "–"


@runtime_checkable
class Sayable(Protocol):
    """Something that each language says in its own way, such as a message or a unit's name."""

    def said_in(self, wording: Wording, /) -> str:
        """Give the text in the language of a catalogue."""
        ...


class _Filler(string.Formatter):
    """Fills the places of a text; numbers are written as the locale does."""

    def __init__(self, wording: Wording) -> None:
        self.wording = wording

    def format_field(self, value: Any, spec: str) -> str:
        return self.wording.written(value, spec)


@dataclass(frozen=True)
class Wording:
    """Words of one language and the way it writes numbers and dates.

    Parameters
    ----------
    locale : str
        Locale code, such as ``"en"`` or ``"de_AT"``.
    language : str
        Language whose words are used.
    entries : dict
        Key such as ``"answer.better"`` → text with ``{named}`` places.
    """

    locale: str
    language: str
    entries: dict[str, str]

    def text(self, key: str, /, **values: object) -> str:
        """Give the words for a key, with its named places filled in.

        Raises
        ------
        KeyError
            If no language has the key.

        Examples
        --------
        >>> read_wording("en").text("section.layout")
        'What was done'
        """
        words = self.entries[key]
        return _Filler(self).vformat(words, (), values) if values else words

    def written(self, value: object, spec: str = "") -> str:
        """Write one value as it stands in a text.

        Parameters
        ----------
        value : object
            Text and whole numbers stay as they are; other numbers, dates and moments follow
            the locale; a sequence becomes a list; a `Sayable` is said in this language.
        spec : str
            ``.1f`` for a number of decimals, ``.3g`` for significant digits, ``,`` to group the
            digits of a whole number; a leading ``+`` writes the sign.

        Raises
        ------
        ValueError
            If the spec is none of these.

        Examples
        --------
        >>> say = read_wording("de")
        >>> say.written(1234.56, ".1f"), say.written(122740, ","), say.written(1234)
        ('1.234,6', '122.740', '1234')
        """
        if not isinstance(value, (str, int, float)) and isinstance(value, Sayable):
            return value.said_in(self)  # asked last: what a protocol asks is slow
        if isinstance(value, dt.datetime):
            return self.moment(value)
        if isinstance(value, dt.date):
            return self.date(value)
        if isinstance(value, Sequence) and not isinstance(value, str):
            return self.listed([self.written(item, spec) for item in value])
        if not spec:
            number = isinstance(value, float) or hasattr(value, "dtype")
            return self.number(value) if number and not _is_whole_type(value) else _shown(value)
        return self._by_spec(value, spec)

    def _by_spec(self, value: object, spec: str) -> str:
        match = re.fullmatch(r"(?P<sign>\+?)(?:(?P<group>,)|\.(?P<digits>\d)(?P<kind>[fg]))", spec)
        if match is None:
            raise ValueError(f"{spec!r}: write a number as .1f, .3g or with a comma")
        number = _as_float(value)
        if number is None:
            return _DASH
        digits = int(match["digits"] or 0)
        if match["kind"] == "g" and math.isfinite(number):
            digits = max(0, digits - 1 - math.floor(math.log10(abs(number)))) if number else 0
            while digits and round(number, digits) == round(number, digits - 1):
                digits -= 1  # no zeros at the end
        sign = "+" if match["sign"] and round(number, digits) > 0 else ""
        return sign + self.number(number, digits)

    def either(self, key: str, fallback: str, /) -> str:
        """Give the words for a key, or the fallback where there are none."""
        return self.entries.get(key, fallback)

    def choose(self, key: str, count: int, /, **values: object) -> str:
        """Give the words for a count: the key with the language's plural form after it.

        The forms are those of the Unicode CLDR (``one``, ``few``, ``many``, ``other``).

        Examples
        --------
        >>> read_wording("en").choose("count.flush", 1)
        '1 flush'
        """
        values.setdefault("count", self.number(count, 0))
        return self.text(f"{key}.{self.form(key, count)}", **values)

    def form(self, key: str, count: float, /) -> str:
        """Give the plural form that the language uses for a count and the catalogue has."""
        from babel import Locale

        form = str(Locale.parse(self.language).plural_form(count))
        return form if f"{key}.{form}" in self.entries else "other"

    def listed(
        self, items: list[str] | tuple[str, ...], style: Literal["standard", "or"] = "standard"
    ) -> str:
        """Join words with commas and the language's *and*, or its *or*.

        Examples
        --------
        >>> read_wording("en").listed(["usual", "sparse", "banded"])
        'usual, sparse, and banded'
        """
        from babel.lists import format_list

        return str(format_list(list(items), style=style, locale=self.locale))

    def number(self, value: object, decimals: int | None = None) -> str:
        """Write a number as the locale does; three significant digits unless told otherwise.

        Examples
        --------
        >>> read_wording("en").number(1234.567, 1), read_wording("de").number(1234.567, 1)
        ('1,234.6', '1.234,6')
        """
        from babel.numbers import format_scientific

        number = _as_float(value)
        if number is None:
            return _DASH
        if math.isinf(number):
            return "∞" if number > 0 else "−∞"
        if abs(number) >= _LARGEST_WRITTEN_OUT:
            written = format_scientific(number, format="0.##E0", locale=self.locale)
            return str(written).replace("-", "−")
        if decimals is None:
            size = abs(number)
            whole = number == int(number) and size < 1e6
            decimals = 0 if whole or size == 0 else max(0, 2 - math.floor(math.log10(size)))
        places = min(decimals, 8)
        rounded = round(number, places) + 0.0  # no minus zero
        pattern = "#,##0" + ("." + "0" * places if places else "")
        return _decimal(rounded, pattern, self.locale)

    def percent(self, value: object, decimals: int = 0, *, sign: bool = False) -> str:
        """Write a percentage given in percent, with a plus sign if asked.

        Examples
        --------
        >>> read_wording("en").percent(3.21, 1, sign=True), read_wording("fr").percent(3.21, 1)
        ('+3.2 %', '3,2 %')
        """
        number = _as_float(value)
        if number is None:
            return _DASH
        plus = "+" if sign and round(number, decimals) > 0 else ""
        return f"{plus}{self.number(number, decimals)} %"

    def confidence(self, level: float) -> str:
        """Write the confidence of limits, with as many decimals as tell it from certainty.

        Examples
        --------
        >>> say = read_wording("en")
        >>> say.confidence(0.95), say.confidence(0.99695), say.confidence(0.9525)
        ('95 %', '99.7 %', '95.2 %')
        """
        return self.percent(100 * level, confidence_decimals(level))

    def p(self, value: object) -> str:
        """Write a p-value so that a small one is not printed as zero."""
        number = _as_float(value)
        if number is None:
            return _DASH
        if number < 0.0001:
            return f"< {self.number(0.0001, 4)}"
        return self.number(number, 3 if number >= 0.001 else 4)

    def money(self, value: object, currency: str, decimals: int = 2) -> str:
        """Write an amount of money with its currency code before it."""
        return f"{currency} {self.number(value, decimals)}".strip()

    def date(self, moment: object) -> str:
        """Write a day, such as ``13 Jan 2031``; a moment must already be in local time."""
        from babel.dates import format_date

        if not isinstance(moment, dt.date) or moment != moment:
            return _DASH
        return str(format_date(moment, format=self._date_pattern(), locale=self.locale))

    def _date_pattern(self) -> str:
        """Give the locale's pattern of a day; en_US would put the month first."""
        from babel.dates import get_date_format

        if self.locale.startswith("en"):
            return "d MMM y"
        return str(get_date_format("medium", locale=self.locale).pattern)

    def date_form(self) -> str:
        """Give the number format by which a workbook shows a day as `date` writes it.

        Examples
        --------
        >>> read_wording("en").date_form(), read_wording("de").date_form()
        ('d mmm yyyy', 'dd.mm.yyyy')
        """
        pattern = re.sub(r"'[^']*'", lambda plain: plain[0].replace("'", '"'), self._date_pattern())
        return re.sub(r"(?<!y)y(?!y)", "yyyy", pattern).replace("M", "m")

    def moment(self, moment: object) -> str:
        """Write day and time of day; the moment must already be in local time."""
        if not isinstance(moment, dt.datetime) or moment != moment:
            return _DASH
        return f"{self.date(moment)} {moment:%H:%M}"


def _shown(value: object) -> str:
    """Write what comes from a file: hidden marks visible, and not longer than can be read."""
    return brief(visible(str(value)), _LONGEST) if isinstance(value, str) else str(value)


#: Longest text of a file in a sentence; sentences of our own come as messages.
_LONGEST = 2000


def _is_whole_type(value: object) -> bool:
    kind = getattr(getattr(value, "dtype", None), "kind", "")
    return kind in ("i", "u", "b", "U", "O")


def confidence_decimals(level: float) -> int:
    """Give the decimals of a confidence in per cent that show its error within two per cent.

    Examples
    --------
    >>> [confidence_decimals(level) for level in (0.95, 0.99695, 0.999985)]
    [0, 1, 4]
    """
    error = 1 - level
    for decimals in range(8):
        shown = 1 - round(100 * level, decimals) / 100
        if abs(shown - error) <= 0.02 * error:
            return decimals
    return 8


@lru_cache(maxsize=8192)  # ticks and tables ask for the same numbers again and again
def _decimal(rounded: float, pattern: str, locale: str) -> str:
    from babel.numbers import format_decimal

    return str(format_decimal(rounded, format=pattern, locale=locale)).replace("-", "−")


def _as_float(value: object) -> float | None:
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        return None
    return None if math.isnan(number) else number


def _flat(table: Mapping[str, Any], above: str = "") -> dict[str, str]:
    out: dict[str, str] = {}
    for key, value in table.items():
        name = f"{above}{key}"
        if isinstance(value, dict):
            out |= _flat(value, f"{name}.")
        else:
            out[name] = str(value)
    return out


@lru_cache(maxsize=16)  # shared by locales, so read only: a `Wording` has entries of its own
def _entries(language: str) -> Mapping[str, str] | None:
    folder = files(__package__).joinpath(language)
    if not folder.is_dir():
        return None
    out: dict[str, str] = {}
    for source in sorted(folder.iterdir(), key=lambda f: f.name):
        if source.name.endswith(".toml"):
            own = _flat(tomllib.loads(source.read_text(encoding="utf-8")))
            if twice := sorted(own.keys() & out.keys()):  # the later one would be said for both
                raise ValueError(f"{language}/{source.name} has keys of another file: {twice}")
            out |= own
    return out


@lru_cache(maxsize=16)
def read_wording(locale: str = "en", language: str = "") -> Wording:
    """Read the words for a locale; a language without a folder has English words.

    Parameters
    ----------
    locale : str
        Locale code such as ``"en"``, ``"en_GB"``, ``"de_AT"`` (``-`` or ``_``): how numbers
        and dates are written.
    language : str
        Language of the words, such as ``"de"``; that of the locale by default.

    Returns
    -------
    Wording

    Raises
    ------
    ReportError
        If the locale or the language is not known.
    """
    from babel import Locale, UnknownLocaleError

    try:
        parsed = Locale.parse(locale.replace("-", "_"))
    except (UnknownLocaleError, ValueError):
        raise ReportError(
            f"the locale {locale!r} is not known; give one like 'en', 'en_GB' or 'de_AT'"
        ) from None
    if language and language not in languages():
        raise ReportError(
            f"there are no words in the language {language!r}; choose from {', '.join(languages())}"
        )
    own = _entries(language or parsed.language)
    return Wording(
        locale=str(parsed),
        language="en" if own is None else language or parsed.language,
        entries={**(_entries("en") or {}), **(own or {})},
    )


def languages() -> tuple[str, ...]:
    """Give the languages that have a catalogue, English first.

    Examples
    --------
    >>> languages()[0]
    'en'
    """
    folders = (f for f in files(__package__).iterdir() if f.is_dir())
    names = sorted(f.name for f in folders if len(f.name) == 2)
    return ("en", *(name for name in names if name != "en"))
