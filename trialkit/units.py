"""Units that values may be given in, their spellings, and their factors to the house units."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache
from types import MappingProxyType
from typing import Any

# house unit → unit → (factor, offset): value in the house unit = value × factor + offset
_TO_HOUSE: dict[str, dict[str, tuple[float, float]]] = {
    "g": {
        "g": (1, 0),
        "kg": (1000, 0),
        "mg": (1e-3, 0),
        "oz": (28.349523125, 0),
        "lb": (453.59237, 0),
    },
    "°C": {
        "degC": (1, 0),
        "°C": (1, 0),
        "C": (1, 0),
        "degF": (5 / 9, -160 / 9),
        "°F": (5 / 9, -160 / 9),
        "F": (5 / 9, -160 / 9),
        "K": (1, -273.15),
    },
    "%": {"%": (1, 0), "percent": (1, 0), "fraction": (100, 0)},
    "kPa": {"kPa": (1, 0), "hPa": (0.1, 0), "mbar": (0.1, 0), "Pa": (1e-3, 0)},
    "ppm": {"ppm": (1, 0), "%": (1e4, 0), "permille": (1000, 0), "ppb": (1e-3, 0)},
    "lux": {"lux": (1, 0), "klux": (1000, 0), "mlux": (1e-3, 0), "fc": (1 / 0.3048**2, 0)},
    "µmol m⁻² s⁻¹": {"umol_m2_s": (1, 0), "mmol_m2_s": (1000, 0)},
    "s": {"s": (1, 0), "min": (60, 0), "h": (3600, 0), "ms": (1e-3, 0)},
    "h": {"h": (1, 0), "min": (1 / 60, 0), "s": (1 / 3600, 0)},
    "W": {"W": (1, 0), "kW": (1000, 0)},
    "A": {"A": (1, 0), "mA": (1e-3, 0)},
    "L": {"L": (1, 0), "mL": (1e-3, 0), "gal_us": (3.785411784, 0)},
    "mm": {"mm": (1, 0), "cm": (10, 0), "m": (1000, 0), "in": (25.4, 0)},
    "count": {"count": (1, 0)},
}
_RH = "rh rf hr ur rv relh relf rel relhumidity relativehumidity relfeuchte relhum humidity hum"
_DEG = "° deg degree degrees grad o * ' ?"
# house unit → unit → how loggers and people write it, as `plain_unit` makes it
_SPELLINGS: dict[str, dict[str, str]] = {
    "g": {
        "g": "gr gram grams gramm gramme grammes gramos",
        "kg": "kilo kilos kilogram kilograms kilogramm",
        "mg": "milligram milligrams milligramm",
        "oz": "ounce ounces",
        "lb": "lbs pound pounds",
    },
    "°C": {
        "degC": "c c° celsius °celsius centigrade "
        + " ".join(f"{d}{c}" for d in _DEG.split() for c in ("c", "celsius")),
        "degF": "f f° fahrenheit °fahrenheit "
        + " ".join(f"{d}{f}" for d in _DEG.split() for f in ("f", "fahrenheit")),
        "K": "k kelvin °k degk",
    },
    "%": {
        "percent": "pct prozent pourcent porcento percentrh pctrh",
        "%": " ".join(f"%{rh} {rh}%" for rh in _RH.split()),
        "fraction": "0-1 0…1 0..1 0to1",
    },
    "kPa": {"mbar": "mb millibar millibars"},
    "ppm": {
        "ppm": "ppmv ppmvol ppmco2 co2ppm umol/mol umolmol-1 ul/l ml/m3 cm3/m3",
        "%": "percent pct %co2 co2% vol% %vol vol-% volume% %volume %v/v v/v% %byvol volpct",
        "permille": "‰ promille",
        "ppb": "ppbv nmol/mol",
    },
    "lux": {
        "lux": "lx luxes lm/m2 lmm-2 lum/m2 lumen/m2 lumens/m2 lm/sqm",
        "klux": "klx kilolux kilo-lux",
        "mlux": "mlx millilux",
        "fc": "ftc ft-c ftcd ft-cd ft-candle ft-candles ftcandle ftcandles footcandle footcandles "
        "foot-candle foot-candles lm/ft2 lmft-2 lum/ft2 lumen/ft2 lumens/ft2 lm/sqft lum/sqft "
        "lumens/sqft lm/ft° lum/ft° lumen/ft° lm/ft? lum/ft? lumenspersquarefoot",
    },
    "µmol m⁻² s⁻¹": {
        "umol_m2_s": " ".join(
            f"{mol}/m2/s {mol}/m2/sec {mol}m-2s-1 {mol}/m2s {mol}/m2-s {mol}/s/m2 {mol}/sm2 "
            f"{mol}s-1m-2 {mol}m-2sec-1 {mol}m2s {mol}/m°/s {mol}/m?/s {mol}"
            for mol in (
                "umol",
                "umols",
                "umolphotons",
                "micromol",
                "micromoles",
                "ue",
                "°mol",
                "?mol",
            )
        ),
        "mmol_m2_s": "mmol/m2/s mmolm-2s-1 mmol/m2s mmol/s/m2",
    },
    "s": {
        "s": "sec secs second seconds sek sekunde sekunden",
        "min": "mins minute minutes minuten minuto minutos",
        "h": "hr hrs hour hours std stunde stunden",
        "ms": "msec millisecond milliseconds",
    },
    "W": {"W": "watt watts", "kW": "kilowatt kilowatts"},
    "A": {"A": "amp amps ampere amperes", "mA": "milliamp milliamps milliampere"},
    "L": {"L": "liter liters litre litres", "mL": "milliliter millilitre"},
    "mm": {"in": "inch inches", "mm": "millimeter millimetre", "cm": "centimeter centimetre"},
    "count": {"count": "pcs caps"},
}
_SPELLINGS["h"] = _SPELLINGS["s"]
_SAME_SIGN = str.maketrans("º˚�μµ²³⁻−–¹×⋅·•％", "°°°uu23---1x   %")


def plain_unit(text: str) -> str:
    """Give a written unit without case, blanks and the many ways of one sign.

    Examples
    --------
    >>> plain_unit("µmol·m⁻²·s⁻¹"), plain_unit("% r.F."), plain_unit("lum/ft²")
    ('umolm-2s-1', '%rf', 'lum/ft2')
    """
    text = text.replace("℃", "°C").replace("℉", "°F").replace("Â", "").translate(_SAME_SIGN)
    return re.sub(r"[\s._()\[\]{}^]|(?<=\w)\*+(?=\w)", "", text.casefold())


@cache
def spellings(house: str) -> Mapping[str, str]:
    """Give how the units of a house unit are written, made plain by `plain_unit` → the unit.

    Examples
    --------
    >>> spellings("lux")["lum/ft2"], "kg" in spellings("lux")
    ('fc', False)
    """
    known = {plain_unit(unit): unit for unit in units_of(house)}
    for unit, words in _SPELLINGS.get(house, {}).items():
        if unit in units_of(house):
            known |= dict.fromkeys(words.split(), unit)
    return MappingProxyType(known)


def unit_word(text: str, house: str) -> str | None:
    """Give the unit that a word stands for, if values kept in a house unit can be in it.

    Examples
    --------
    >>> unit_word("lbs", "g"), unit_word("lbs", "°C"), unit_word("Lum/ft²", "lux")
    ('lb', None, 'fc')
    """
    return spellings(house).get(plain_unit(text))


def is_unit(text: str) -> bool:
    """Whether a word is a unit of any quantity that is known here.

    Examples
    --------
    >>> is_unit("klx"), is_unit("left")
    (True, False)
    """
    return any(unit_word(text, house) is not None for house in _TO_HOUSE)


def units_of(house: str) -> tuple[str, ...]:
    """List the units that values kept in a house unit may be given in.

    A unit that is not in the list of house units can only be given as it is; no unit has none.

    Examples
    --------
    >>> units_of("g"), units_of("°Brix"), units_of("")
    (('g', 'kg', 'mg', 'oz', 'lb'), ('°Brix',), ())
    """
    return tuple(_TO_HOUSE.get(house, {house: (1, 0)} if house else {}))


def house_unit_of(unit: str) -> str | None:
    """Give the unit that values in a convertible unit are kept in; None where it is kept itself.

    Examples
    --------
    >>> house_unit_of("cm"), house_unit_of("mm"), house_unit_of("°Brix")
    ('mm', None, None)
    """
    if unit in _TO_HOUSE:
        return None
    return next((house for house, known in _TO_HOUSE.items() if unit in known), None)


def convert(values: Any, unit: str, house: str) -> Any:
    """Convert values from a stated unit to the house unit.

    Parameters
    ----------
    values : float, ndarray or Series
    unit : str
        Unit the values are in, one of ``units_of(house)``.
    house : str
        The house unit.

    Returns
    -------
    Same type as `values`.

    Raises
    ------
    KeyError
        If values kept in this house unit cannot be given in `unit`.

    Notes
    -----
    Ounce and pound are the international avoirdupois units (28.349523125 g, 453.59237 g,
    exact since 1959), as is the inch (25.4 mm); the foot-candle is one lumen per square foot.

    Examples
    --------
    >>> convert(212.0, "degF", "°C"), convert(2.0, "cm", "mm")
    (100.0, 20.0)
    """
    if unit == house:
        return values
    factor, offset = _TO_HOUSE[house][unit]
    if (factor, offset) == (1, 0):
        return values
    if unit in ("degF", "°F", "F"):
        return (values - 32) * 5 / 9  # exact at the fixed points, unlike factor and offset
    return values * factor + offset
