"""Mist schedules as people write them: ``20/220``, ``20 s every 5 min``, ``85 to 92 %``."""

from __future__ import annotations

import re

from trialkit.wording import message

_NUMBER = r"(\d+(?:[.,]\d+)?)"
_SECOND, _MINUTE, _HOUR = (
    r"s|secs?|seconds?|sek|sekunden?",
    r"m|min|mins|minutes?|minuten?",
    r"h|hrs?|hours?|std|stunden?",
)
_NAMED = rf"({_SECOND}|{_MINUTE}|{_HOUR})\.?"
_UNIT = rf"\s*(?:{_NAMED})?"
_TIME = _NUMBER + _UNIT
_ON_OFF = (
    re.compile(rf"{_TIME}\s*/\s*{_TIME}"),
    re.compile(
        rf"{_TIME}\s*(?:on|an|ein)\s*[,;/]?\s*(?:and|und|then|dann)?\s*{_TIME}\s*(?:off|aus)"
    ),
)
_EVERY = re.compile(
    rf"{_TIME}\s*(?:on|an|ein|of mist|mist|nebel)?\s*(?:every|each|per|in|alle|je|pro)\s*"
    rf"(?:{_NAMED}|{_TIME})"
)
_BAND = re.compile(
    rf"(?:between|from|zwischen|von)?\s*{_NUMBER}\s*(%?)\s*(-|–|\bto\b|\band\b|\bbis\b|\bund\b|…)"
    rf"\s*{_NUMBER}\s*(%?)\s*(?:rh|rf|r\.?\s*h\.?|humidity|luftfeuchte|feuchte)?"
)


def read_setting(text: str) -> dict[str, float]:
    """Read a schedule written short: times of mist on and off, or a humidity band.

    Parameters
    ----------
    text : str
        ``"20/220"`` for 20 s of mist and 220 s without, which is also ``"20 s every 4 min"`` or
        ``"20 s on, 220 s off"``; ``"85-90%"`` or ``"85 to 90 %"`` for mist that starts below
        85 % and stops above 90 % relative humidity. A time without a unit is in seconds.

    Returns
    -------
    dict
        `on_s` and `off_s` [s], or `start_below_rh` and `stop_above_rh` [%].

    Raises
    ------
    ValueError
        If it is neither, or cannot be; the reason is in the language in use.

    Examples
    --------
    >>> read_setting("20/220"), read_setting("85-90%")
    ({'on_s': 20, 'off_s': 220}, {'start_below_rh': 85, 'stop_above_rh': 90})
    >>> read_setting("20 s every 5 min"), read_setting("30 s on, 5 min off")
    ({'on_s': 20, 'off_s': 280}, {'on_s': 30, 'off_s': 300})
    """
    plain = " ".join(text.strip().casefold().split())
    for pattern in _ON_OFF:
        if found := pattern.fullmatch(plain):
            on, off = _seconds(*found.group(1, 2)), _seconds(*found.group(3, 4))
            return _timed(on, off)
    if found := _EVERY.fullmatch(plain):
        on = _seconds(*found.group(1, 2))
        alone, number, unit = found.group(3, 4, 5)
        cycle = _seconds("1", alone) if alone else _seconds(number, unit or found.group(2))
        if cycle <= on:
            raise ValueError(str(message("new.wrong.cycle", on=on, cycle=cycle)))
        return _timed(on, cycle - on)
    found = _BAND.fullmatch(plain)
    if found and (found.group(2) or found.group(5) or found.group(3) not in ("-", "–")):
        return _band(_number(found.group(1)), _number(found.group(4)))
    raise ValueError(str(message("new.wrong.setting", text=text.strip())))


def _number(text: str) -> float:
    return float(text.replace(",", "."))


def _seconds(number: str, unit: str | None) -> float:
    for factor, names in ((1, _SECOND), (60, _MINUTE), (3600, _HOUR)):
        if unit is None or re.fullmatch(names, unit):
            return _number(number) * factor
    raise AssertionError(f"{unit!r} is matched and has no length")


def _timed(on: float, off: float) -> dict[str, float]:
    if on <= 0:
        raise ValueError(str(message("new.wrong.no_mist")))
    return {"on_s": _whole(on), "off_s": _whole(off)}


def _band(low: float, high: float) -> dict[str, float]:
    if not 0 < low < high <= 100:
        raise ValueError(str(message("new.wrong.band", low=low, high=high)))
    return {"start_below_rh": _whole(low), "stop_above_rh": _whole(high)}


def _whole(value: float) -> float:
    return int(value) if float(value).is_integer() else value
