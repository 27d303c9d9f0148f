"""All wording of pages and pictures: one file per language, numbers and dates by locale.

A translation is one file beside ``en.toml`` with the same keys; a key that a translation
lacks is taken from English, so a page is never empty.
"""

from __future__ import annotations

import datetime as dt
import math
import tomllib
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from typing import Any, Literal

from trialkit.errors import ReportError

__all__ = ["Wording", "read_wording"]

_DASH = "–"


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
        >>> read_wording("en").text("section.done")
        'What was done'
        """
        words = self.entries[key]
        return words.format(**values) if values else words

    def either(self, key: str, fallback: str, /) -> str:
        """Give the words for a key, or the fallback where there are none."""
        return self.entries.get(key, fallback)

    def choose(self, key: str, count: int, /, **values: object) -> str:
        """Give the words for a count: the key with ``.one`` or ``.many`` after it.

        Examples
        --------
        >>> read_wording("en").choose("count.flush", 1)
        '1 flush'
        """
        form = "one" if count == 1 else "many"
        return self.text(f"{key}.{form}", count=self.number(count, 0), **values)

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
        from babel.numbers import format_decimal

        number = _as_float(value)
        if number is None:
            return _DASH
        if math.isinf(number):
            return "∞" if number > 0 else "−∞"
        if decimals is None:
            size = abs(number)
            whole = number == int(number) and size < 1e6
            decimals = 0 if whole or size == 0 else max(0, 2 - math.floor(math.log10(size)))
        places = min(decimals, 8)
        rounded = round(number, places) + 0.0  # no minus zero
        pattern = "#,##0" + ("." + "0" * places if places else "")
        written = format_decimal(rounded, format=pattern, locale=self.locale)
        return str(written).replace("-", "−")

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
        form = (
            "d MMM y" if self.locale.startswith("en") else "medium"
        )  # en_US would put the month first
        return str(format_date(moment, format=form, locale=self.locale))

    def moment(self, moment: object) -> str:
        """Write day and time of day; the moment must already be in local time."""
        if not isinstance(moment, dt.datetime) or moment != moment:
            return _DASH
        return f"{self.date(moment)} {moment:%H:%M}"


def _as_float(value: object) -> float | None:
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        return None
    return None if math.isnan(number) else number


def _flat(table: dict[str, Any], above: str = "") -> dict[str, str]:
    out: dict[str, str] = {}
    for key, value in table.items():
        name = f"{above}{key}"
        if isinstance(value, dict):
            out |= _flat(value, f"{name}.")
        else:
            out[name] = str(value)
    return out


def _entries(language: str) -> dict[str, str] | None:
    source = files(__package__).joinpath(f"{language}.toml")
    if not source.is_file():
        return None
    return _flat(tomllib.loads(source.read_text(encoding="utf-8")))


@lru_cache(maxsize=8)
def read_wording(locale: str = "en") -> Wording:
    """Read the words for a locale; a language without a file has English words.

    Numbers and dates follow the locale in any case.

    Parameters
    ----------
    locale : str
        Locale code such as ``"en"``, ``"en_GB"``, ``"de_AT"`` (``-`` or ``_``).

    Returns
    -------
    Wording

    Raises
    ------
    ReportError
        If the locale is not known.
    """
    from babel import Locale, UnknownLocaleError

    try:
        parsed = Locale.parse(locale.replace("-", "_"))
    except (UnknownLocaleError, ValueError):
        raise ReportError(
            f"the locale {locale!r} is not known; give one like 'en', 'en_GB' or 'de_AT'"
        ) from None
    english = _entries("en") or {}
    own = _entries(parsed.language)
    return Wording(
        locale=str(parsed),
        language="en" if own is None else parsed.language,
        entries=english if own is None else english | own,
    )
