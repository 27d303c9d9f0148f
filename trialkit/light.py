"""Light: from lux to photons and back by kind of lamp, and the daily dose.

Lux weighs light as the eye does; photon flux (PPFD, 400 to 700 nm) counts photons. The two
are tied only once the lamp is known: a wrong lamp costs about a quarter of the value, and for
a single colour lux says almost nothing. So every conversion names its lamp and can give the
limits that go with it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from trialkit.errors import TrialkitError

#: Luminous efficacy of 555 nm light, lm/W, for the CIE 1924 curve.
LUMENS_PER_WATT = 683.002
#: Planck constant × speed of light × Avogadro number, J m/mol.
_JOULE_METRE_PER_MOL = 0.119626566

_THIMIJAN = "Thimijan & Heins 1983, HortScience 18:818-822, as quoted by a meter's maker"
_MAKER = "the table of a light meter's maker"
_CIE = "CIE illuminants and other measured spectra, CIE 1924 curve (colour-science 0.4.7)"


class LightError(TrialkitError, ValueError):
    """A lamp or a light level that cannot be converted; the message says what would do."""


@dataclass(frozen=True)
class Lamp:
    """One kind of lamp and how many lux belong to one µmol m⁻² s⁻¹ of its light.

    Parameters
    ----------
    name : str
        Key in `LAMPS`.
    lux_per_umol : float
        Usual value [lux per µmol m⁻² s⁻¹].
    low, high : float
        Limits for lamps sold under this name [same unit].
    source : str
        Where the values come from.
    """

    name: str
    lux_per_umol: float
    low: float
    high: float
    source: str

    @property
    def u_pct(self) -> float:
        """Standard uncertainty of the factor [%], the limits taken as a rectangle (GUM 4.3.7)."""
        return 100 * (self.high - self.low) / math.sqrt(12) / self.lux_per_umol


def _lamps() -> dict[str, Lamp]:
    blue = f"LED-B1 to B5 and BH1 67.1 to 73.3, {_CIE}"  # white from a blue chip, any tint
    rows = [
        # limits: the spread of spectra measured under one trade name, all of them inside
        (
            "daylight",
            54.0,
            53.5,
            57.5,
            f"{_THIMIJAN}; C 53.8, D50 to D75 54.6 to 56.2, indoors ID50 57.2, {_CIE}",
        ),
        ("incandescent", 50.1, 48.6, 51.6, f"illuminant A 50.3, {_CIE}"),
        ("white led warm", 67.4, 66.5, 73.5, blue),
        ("white led neutral", 69.7, 66.5, 73.5, blue),
        ("white led cool", 70.5, 66.5, 73.5, blue),
        ("white led", 69.4, 66.5, 73.5, blue),
        (
            "white led high cri",
            54.8,
            52.0,
            58.0,
            f"LED-V1 53.1 and LED-V2 56.6, {_CIE}; limits judged, two types only",
        ),
        (
            "rgb led",
            60.5,
            50.0,
            88.0,
            f"LED-RGB1 60.5, mixes of three chips 76 to 88, {_CIE}; the mix is free",
        ),
        (
            "fluorescent",
            75.0,
            57.5,
            86.0,
            f"FL1 to FL12 and FL3.1 to FL3.15 57.8 to 80.5, makers' tubes to 85.2, {_CIE}",
        ),
        (
            "metal halide",
            71.0,
            61.0,
            74.0,
            f"HP3 to HP5 61.8 to 69.9, others to 73.2, {_CIE}; 71, {_THIMIJAN}",
        ),
        (
            "high-pressure sodium",
            82.0,
            79.5,
            86.5,
            f"HP1 85.8, others 82.5 and 83.3, {_CIE}; 82, {_THIMIJAN}",
        ),
        (
            "ceramic metal halide 4200 k",
            65.0,
            61.0,
            68.0,
            f"{_MAKER}; HP4 and HP5 of 4000 K 61.8 and 67.1, {_CIE}",
        ),
        ("ceramic metal halide 3100 k", 59.0, 57.0, 70.5, f"{_MAKER}; HP3 of 3100 K 69.9, {_CIE}"),
    ]
    rows.append(
        (
            "unknown white",
            66.0,
            min(row[2] for row in rows),
            max(row[3] for row in rows),
            "limits are the extremes of this list",
        )
    )
    return {name: Lamp(name, mid, low, high, source) for name, mid, low, high, source in rows}


#: Lamps known by name.
LAMPS: Mapping[str, Lamp] = MappingProxyType(_lamps())

# CIE 1924 photopic curve, every 10 nm from 380 to 780 and its peak at 555 nm
# (CIE S 010 / ISO 23539 table 1, thinned).
_V_NM = np.sort(np.append(np.arange(380.0, 781.0, 10.0), 555.0))
# fmt: off
_V = np.array([
    0.000039, 0.00012, 0.000396, 0.00121, 0.004, 0.0116, 0.023, 0.038, 0.06, 0.09098, 0.13902,
    0.20802, 0.323, 0.503, 0.71, 0.862, 0.954, 0.99495, 1.0, 0.995, 0.952, 0.87, 0.757, 0.631,
    0.503, 0.381, 0.265, 0.175, 0.107, 0.061, 0.032, 0.017, 0.00821, 0.004102, 0.002091, 0.001047,
    0.00052, 0.000249, 0.00012, 0.00006, 0.00003, 0.000015,
])
# fmt: on


def find_lamp(name: str) -> Lamp:
    """Give the lamp of this name.

    Parameters
    ----------
    name : str
        Key in `LAMPS`, in any case, with spaces, dashes or underscores.

    Raises
    ------
    LightError
        If no such lamp is known; the message lists those that are.

    Examples
    --------
    >>> find_lamp("White LED").lux_per_umol
    69.4
    """

    def plain(text: str) -> str:
        return " ".join(text.lower().replace("_", " ").replace("-", " ").split())

    for key, lamp in LAMPS.items():
        if plain(key) == plain(name):
            return lamp
    raise LightError(
        f"no lamp called {name!r} → one of: {', '.join(LAMPS)}; for a single colour use "
        "lux_per_umol_at(wavelength), for a known spectrum lux_per_umol_of"
    )


def _values(light: Any, what: str) -> Any:
    """Make plain numbers of the light given, keeping a Series, and refuse negative light."""
    values = light.astype(float) if isinstance(light, pd.Series) else np.asarray(light, dtype=float)
    flat = np.asarray(values)
    if np.any(flat < 0):
        raise LightError(f"{what}: light cannot be negative ({np.nanmin(flat):g}) → check the log")
    return values


def _plain(values: Any) -> Any:
    return float(values) if np.ndim(values) == 0 else values


def ppfd_from_lux(light_lux: Any, *, lamp: str) -> Any:
    """Give the photon flux of light measured in lux under a named lamp.

    Parameters
    ----------
    light_lux : float, array or Series
        Light [lux].
    lamp : str
        Key in `LAMPS`, such as ``"white led"``; ``"unknown white"`` if you do not know.

    Returns
    -------
    float, array or Series
        Photon flux 400–700 nm [µmol m⁻² s⁻¹]; its limits by `ppfd_limits_from_lux`.

    Raises
    ------
    LightError
        For an unknown lamp or negative light.

    Examples
    --------
    >>> round(ppfd_from_lux(1000.0, lamp="daylight"), 1)
    18.5
    """
    return _plain(_values(light_lux, "light_lux") / find_lamp(lamp).lux_per_umol)


def lux_from_ppfd(ppfd_umol_m2_s: Any, *, lamp: str) -> Any:
    """Give the lux that a photon flux of a named lamp would read.

    Examples
    --------
    >>> round(lux_from_ppfd(200.0, lamp="daylight"))
    10800
    """
    return _plain(_values(ppfd_umol_m2_s, "ppfd_umol_m2_s") * find_lamp(lamp).lux_per_umol)


def ppfd_limits_from_lux(
    light_lux: Any, *, lamp: str, meter_error_pct: float = 0.0
) -> tuple[Any, Any]:
    """Give the least and greatest photon flux that these lux can mean.

    Parameters
    ----------
    light_lux : float, array or Series
        Light [lux].
    lamp : str
        Key in `LAMPS`.
    meter_error_pct : float
        Limit of error of the lux meter [%], added on both sides.

    Returns
    -------
    tuple of two
        Low and high [µmol m⁻² s⁻¹], each of the kind given.

    Examples
    --------
    >>> low, high = ppfd_limits_from_lux(500.0, lamp="unknown white")
    >>> round(low, 1), round(high, 1)
    (5.7, 10.3)
    """
    kind, values = find_lamp(lamp), _values(light_lux, "light_lux")
    if not 0 <= meter_error_pct < 100:
        raise LightError(
            f"a meter's error of {meter_error_pct:g} % → give its limit in %, from 0 to below 100"
        )
    slack = meter_error_pct / 100
    return _plain(values * (1 - slack) / kind.high), _plain(values * (1 + slack) / kind.low)


def daily_light_mol_m2(ppfd_umol_m2_s: Any, *, hours: Any = 24.0) -> Any:
    """Give the photons that fall on a square metre in a day.

    Parameters
    ----------
    ppfd_umol_m2_s : float, array or Series
        Photon flux while the light is on [µmol m⁻² s⁻¹].
    hours : float, array or Series
        Hours of light per day [h]; 24 with the mean flux of the whole day.

    Returns
    -------
    float, array or Series
        Daily light integral [mol m⁻² d⁻¹].

    Examples
    --------
    >>> round(daily_light_mol_m2(10.0, hours=12.0), 3)
    0.432
    """
    flux = _values(ppfd_umol_m2_s, "ppfd_umol_m2_s")
    span = np.asarray(hours, dtype=float)
    if np.any((span < 0) | (span > 24)):
        raise LightError("hours of light per day must lie between 0 and 24")
    return _plain(flux * span * 3600 / 1e6)


def _photopic(wavelength_nm: ArrayLike) -> NDArray[np.float64]:
    """Read the eye's curve between its 10 nm points, by a spline through its logarithm.

    Straight lines instead would lie up to 2 % too low, as the curve bends.
    """
    from scipy.interpolate import CubicSpline

    nm = np.asarray(wavelength_nm, dtype=float)
    inside = (nm >= _V_NM[0]) & (nm <= _V_NM[-1])
    curve = CubicSpline(_V_NM, np.log(_V))
    return np.where(inside, np.exp(curve(np.clip(nm, _V_NM[0], _V_NM[-1]))), 0.0)


def _area(values: NDArray[np.float64]) -> float:
    """Integrate by trapezes at steps of 1 nm."""
    return float(values.sum() - (values[0] + values[-1]) / 2)


def lux_per_umol_at(wavelength_nm: float) -> float:
    """Give the lux of one µmol m⁻² s⁻¹ of a single colour; it shows why lux fails there.

    Parameters
    ----------
    wavelength_nm : float
        Wavelength [nm], 380 to 780.

    Returns
    -------
    float
        Lux per µmol m⁻² s⁻¹.

    Examples
    --------
    >>> round(lux_per_umol_at(450.0), 1), round(lux_per_umol_at(660.0), 1)
    (6.9, 7.6)
    """
    joule_per_umol = _JOULE_METRE_PER_MOL / (wavelength_nm * 1e-9) * 1e-6
    return float(LUMENS_PER_WATT * joule_per_umol * _photopic(wavelength_nm))


def lux_per_umol_of(wavelength_nm: ArrayLike, power: ArrayLike) -> float:
    """Give the lux per µmol m⁻² s⁻¹ of a lamp whose spectrum is known.

    Parameters
    ----------
    wavelength_nm : array, shape (n,)
        Wavelengths [nm], rising, covering 400 to 700.
    power : array, shape (n,)
        Spectral power per nm, any unit.

    Returns
    -------
    float
        Lux per µmol m⁻² s⁻¹ (photons 400–700 nm, lux 380–780 nm).

    Raises
    ------
    LightError
        If the spectrum does not cover 400 to 700 nm or holds no light.

    Examples
    --------
    >>> nm = np.arange(380.0, 781.0)
    >>> round(lux_per_umol_of(nm, np.ones_like(nm)), 0)
    53.0
    """
    nm, watts = np.asarray(wavelength_nm, dtype=float), np.asarray(power, dtype=float)
    if nm.shape != watts.shape or nm.size < 2 or np.any(np.diff(nm) <= 0):
        raise LightError("wavelengths must rise and be as many as the powers")
    if nm[0] > 400 or nm[-1] < 700:
        raise LightError(f"the spectrum covers {nm[0]:g} to {nm[-1]:g} nm → need 400 to 700 nm")
    grid = np.arange(max(380.0, nm[0]), min(780.0, nm[-1]) + 0.5)
    flux = np.interp(grid, nm, watts)
    par = (grid >= 400) & (grid <= 700)
    umol = flux * grid * 1e-9 / _JOULE_METRE_PER_MOL * 1e6
    photons = _area(umol[par])
    if not photons > 0:
        raise LightError("the spectrum holds no light between 400 and 700 nm")
    return LUMENS_PER_WATT * _area(flux * _photopic(grid)) / photons
