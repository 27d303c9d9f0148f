"""Time zones by the names people use: a city, a country, a zone written in small letters."""

from __future__ import annotations

from functools import lru_cache
from zoneinfo import ZoneInfo, available_timezones

_OWN_TONGUE = ("en", "de", "fr", "es", "it", "pl", "nl")


def find_zone_names(text: str, language: str = "en") -> list[str]:
    """Find the time zones that a name may mean: none, one, or several to choose from.

    Parameters
    ----------
    text : str
        An IANA name, a city that has one, or a country.
    language : str
        Language in which cities and countries are named, besides English.

    Returns
    -------
    list of str
        IANA names.

    Notes
    -----
    From the tables of time zones and of the Unicode CLDR; nothing is fetched. A city that has no
    zone of its own is not in them: then its country or capital helps.

    Examples
    --------
    >>> find_zone_names("Berlin"), find_zone_names("europe/vienna")
    (['Europe/Berlin'], ['Europe/Vienna'])
    >>> find_zone_names("Wien", "de"), find_zone_names("Atlantis")
    (['Europe/Vienna'], [])
    """
    wanted = _plain(text)
    if not wanted:
        return []
    exact = _zones().get(wanted)
    if exact:
        return [exact]
    cities = [z for key, z in _zones().items() if key.endswith(f"/{wanted}") and _is_place(z)]
    if cities:
        return _canonical(cities)
    for tongue in dict.fromkeys((language, *_OWN_TONGUE)):
        found = _exemplars(tongue).get(wanted, []) or _countries(tongue).get(wanted, [])
        if found:
            return found
    return []


def _plain(text: str) -> str:
    return "_".join(text.strip().casefold().split())


@lru_cache(maxsize=1)
def _zones() -> dict[str, str]:
    return {_plain(name): name for name in sorted(available_timezones())}


def _is_place(name: str) -> bool:
    return not name.startswith(("Etc/", "posix", "right", "SystemV/", "US/"))


def _canonical(zones: list[str]) -> list[str]:
    """Leave out old names of a zone that has a newer one."""
    from babel.core import get_global

    known = get_global("zone_territories")
    kept = [zone for zone in zones if zone in known]
    return sorted(kept or zones)


@lru_cache(maxsize=8)
def _exemplars(language: str) -> dict[str, list[str]]:
    """Give the cities that a language names itself: city → zones."""
    from babel import Locale, UnknownLocaleError

    out: dict[str, list[str]] = {}
    try:
        names = Locale.parse(language).time_zones
    except (UnknownLocaleError, ValueError):
        return out
    for zone, words in dict(names).items():
        city = words.get("city") if hasattr(words, "get") else None
        if city and _is_known(zone):
            out.setdefault(_plain(str(city)), []).append(zone)
    return out


@lru_cache(maxsize=8)
def _countries(language: str) -> dict[str, list[str]]:
    """Give the zones of each country: its name → zones."""
    from babel import Locale, UnknownLocaleError
    from babel.core import get_global

    try:
        names = Locale.parse(language).territories
    except (UnknownLocaleError, ValueError):
        return {}
    zones: dict[str, list[str]] = {}
    for zone, territory in get_global("zone_territories").items():
        if _is_known(zone) and _is_place(zone):
            zones.setdefault(str(territory), []).append(str(zone))
    return {_plain(str(names[code])): sorted(zones[code]) for code in zones if code in names}


def _is_known(zone: str) -> bool:
    try:
        ZoneInfo(zone)
    except (KeyError, ValueError, OSError):
        return False
    return True
