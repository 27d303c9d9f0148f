"""Units that values may be given in, and their factors to the house units."""

from __future__ import annotations

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
    "ppm": {"ppm": (1, 0), "%": (1e4, 0)},
    "lux": {"lux": (1, 0), "klux": (1000, 0), "fc": (10.763910416709722, 0)},
    "µmol m⁻² s⁻¹": {"umol_m2_s": (1, 0)},
    "s": {"s": (1, 0), "min": (60, 0), "h": (3600, 0), "ms": (1e-3, 0)},
    "h": {"h": (1, 0), "min": (1 / 60, 0), "s": (1 / 3600, 0)},
    "W": {"W": (1, 0), "kW": (1000, 0)},
    "A": {"A": (1, 0), "mA": (1e-3, 0)},
    "L": {"L": (1, 0), "mL": (1e-3, 0), "gal_us": (3.785411784, 0)},
    "mm": {"mm": (1, 0), "cm": (10, 0), "m": (1000, 0), "in": (25.4, 0)},
    "count": {"count": (1, 0)},
}


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
