"""Humidity that a logger gives as vapour, dew point or deficit → relative humidity.

Each needs the temperature of the air beside it, from the same row; the formulas are those of
`trialkit.air`.
"""

from __future__ import annotations

import re
from collections.abc import Collection

import numpy as np

from trialkit.air import rh_from_absolute_humidity, rh_from_dew_point, rh_from_vpd
from trialkit.logs.head_units import SaidUnit, said_unit
from trialkit.units import plain_unit

#: Temperatures of the air between which humidity is worked out [°C].
_WORKABLE = (-40.0, 60.0)
_DEW = re.compile(r"dew|taupunkt|roc[ií]o|ros[eé]e|rugiada|dauwpunt", re.IGNORECASE)
_DEFICIT = re.compile(r"\bvpd\b|deficit|défici?t|defizit", re.IGNORECASE)
_VAPOUR = frozenset({"g/m3", "gm-3", "gr/m3"})
#: Unit → the unit of its numbers, and the house unit these are read in.
WRITTEN = {
    "g_m3": ("g_m3", "g_m3"),
    "dew_degC": ("degC", "°C"),
    "dew_degF": ("degF", "°C"),
    "vpd_kPa": ("kPa", "kPa"),
    "vpd_hPa": ("hPa", "kPa"),
}


def said_humidity(head: str, *, names: Collection[str] = ()) -> SaidUnit:
    """Read the unit in the head of a column of humidity.

    Examples
    --------
    >>> said_humidity("RH (%)").unit, said_humidity("Dew point, °F").unit
    ('%', 'dew_degF')
    >>> said_humidity("Abs. humidity [g/m³]").unit, said_humidity("e [hPa]").strange
    ('g_m3', 'hPa')
    """
    if _DEW.search(head):
        warmth = said_unit(head, "°C", names=names)
        said = {"degC": "dew_degC", "degF": "dew_degF"}.get(warmth.unit or "")
        return SaidUnit(said, "" if said else warmth.strange or warmth.unit or head.strip())
    if _DEFICIT.search(head):
        pressure = said_unit(head, "kPa", names=names)
        said = {"kPa": "vpd_kPa", "hPa": "vpd_hPa", "mbar": "vpd_hPa"}.get(pressure.unit or "")
        return SaidUnit(said, "" if said else pressure.strange or pressure.unit or head.strip())
    found = said_unit(head, "%", names=names)
    return SaidUnit("g_m3") if plain_unit(found.strange) in _VAPOUR else found


def rh_from(unit: str, values: np.ndarray, temp_c: np.ndarray) -> np.ndarray:
    """Give relative humidity [%] from vapour, dew point or deficit and the temperature beside it.

    Parameters
    ----------
    unit : str
        One of ``WITH_TEMPERATURE["rh_pct"]``.
    values : ndarray, shape (n,)
        In the house unit of `WRITTEN`: g/m³, dew point [°C] or deficit [kPa].
    temp_c : ndarray, shape (n,)
        Temperature of the air [°C].

    Returns
    -------
    ndarray
        NaN where either is missing or the temperature is outside −40 to 60 °C.

    Examples
    --------
    >>> rh_from("dew_degF", np.array([20.0]), np.array([20.0])).tolist()
    [100.0]
    """
    low, high = _WORKABLE
    with np.errstate(invalid="ignore"):
        sound = (temp_c >= low) & (temp_c <= high) & ~np.isnan(values)
        if unit.startswith("dew"):
            sound &= (values >= low) & (values <= high)
        else:
            sound &= (values >= 0) & (values <= 200)
    formula = {"g": rh_from_absolute_humidity, "d": rh_from_dew_point, "v": rh_from_vpd}[unit[0]]
    out = np.full(len(values), np.nan)
    if sound.any():
        out[sound] = formula(temp_c[sound], values[sound])
    return out
