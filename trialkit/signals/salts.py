"""The humidity above saturated salt solutions, and how well a reading above one is known.

References
----------
.. [1] Greenspan, L. (1977). Humidity fixed points of binary saturated aqueous solutions.
   J. Res. Natl. Bur. Stand. 81A, 89-96. doi:10.6028/jres.081A.011
"""

from __future__ import annotations

import math

import numpy as np

from trialkit.errors import LogError
from trialkit.trial.text import nearest

#: Coefficients of humidity [%] as a polynomial of temperature [°C], 0 to 50 °C: [1]_ table 1,
#: as transcribed publicly; KNO3 fitted to the table's values from memory.
POLYNOMIALS: dict[str, tuple[float, ...]] = {
    "LiCl": (11.2323, 0.00824245, -2.1489e-4),
    "MgCl2": (33.6686, -0.00797397, -1.08988e-3),
    "Mg(NO3)2": (60.3514, -0.298153),
    "NaCl": (75.5164, 0.0398321, -2.65459e-3, 2.848e-5),
    "KCl": (88.6190, -0.193340, 8.99706e-4),
    "KNO3": (96.3321, 0.011226, -0.0048452),
    "K2SO4": (98.7792, -0.0590502),
}
#: Limits of error [% points] at 0, 5 … 35 °C: [1]_ table 2. From memory, except NaCl at 25 °C.
_ERRORS: dict[str, tuple[float, ...]] = {
    "LiCl": (0.54, 0.47, 0.41, 0.35, 0.31, 0.27, 0.24, 0.22),
    "MgCl2": (0.33, 0.28, 0.24, 0.21, 0.18, 0.16, 0.14, 0.13),
    "Mg(NO3)2": (0.55, 0.43, 0.33, 0.27, 0.23, 0.22, 0.24, 0.29),
    "NaCl": (0.34, 0.27, 0.22, 0.18, 0.14, 0.12, 0.11, 0.12),
    "KCl": (0.53, 0.45, 0.39, 0.33, 0.29, 0.26, 0.25, 0.25),
    "KNO3": (2.9, 2.1, 1.4, 0.96, 0.66, 0.55, 0.60, 0.83),
    "K2SO4": (1.1, 0.91, 0.76, 0.63, 0.53, 0.45, 0.40, 0.38),
}
#: Spread of a reading above a salt [% points]. Common practice, no source.
READING_U = 0.3
#: Share of the humidity that 0.1 °C between probe and solution makes.
PROBE_SHARE = 0.006


def salt_rh_pct(salt: str, temp_c: float) -> float:
    """Give the humidity above a saturated salt solution [%].

    Parameters
    ----------
    salt : str
        One of `POLYNOMIALS`, such as ``"NaCl"``.
    temp_c : float
        Temperature of the solution [°C], 0 to 50.

    Returns
    -------
    float

    Raises
    ------
    LogError
        If the salt is not known or the temperature is out of range.

    Notes
    -----
    Greenspan (1977), doi:10.6028/jres.081A.011, table 1.

    Examples
    --------
    >>> round(salt_rh_pct("NaCl", 25.0), 2), round(salt_rh_pct("K2SO4", 20.0), 2)
    (75.3, 97.6)
    """
    name = _salt(salt)
    if not 0 <= temp_c <= 50:
        raise LogError(f"calibration with {name} at {temp_c:g} °C: the table is for 0 to 50 °C")
    return sum(c * temp_c**k for k, c in enumerate(POLYNOMIALS[name]))


def salt_u_pct(salt: str, temp_c: float, *, temp_u_c: float = 0.5) -> float:
    """Give the standard uncertainty of one calibration reading [% points].

    Parameters
    ----------
    salt : str
    temp_c : float
        Temperature of the solution [°C].
    temp_u_c : float
        Standard uncertainty of that temperature [°C].

    Returns
    -------
    float
        The table's limits of error taken as two standard deviations; the temperature; 0.1 °C
        between probe and solution; the spread of the reading; all independent.

    Examples
    --------
    >>> round(salt_u_pct("NaCl", 20.0), 2)
    0.55
    """
    name = _salt(salt)
    table = float(np.interp(temp_c, np.arange(0, 40, 5), _ERRORS[name])) / 2
    slope = salt_rh_pct(name, min(temp_c + 0.5, 50)) - salt_rh_pct(name, max(temp_c - 0.5, 0))
    probe = PROBE_SHARE * salt_rh_pct(name, temp_c)
    return math.sqrt(table**2 + (slope * temp_u_c) ** 2 + probe**2 + READING_U**2)


def _salt(name: str) -> str:
    known = {salt.casefold(): salt for salt in POLYNOMIALS}
    found = known.get(name.strip().casefold())
    if found is None:
        raise LogError(f"calibration: salt {name!r} is not known; {nearest(name, POLYNOMIALS)}")
    return found
