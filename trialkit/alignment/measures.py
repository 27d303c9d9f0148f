"""What is summed over a window: the channels of a climate log and the sums made of each."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Kind = Literal["seconds", "mean", "below", "above", "deficit", "excess"]

#: Channels read from a log; `vpd_kpa` is made of the first two, record by record.
READ = ("temp_c", "rh_pct", "co2_ppm", "light_lux", "ppfd_umol_m2_s")
#: All channels that are summed.
CHANNELS = ("temp_c", "rh_pct", "vpd_kpa", "co2_ppm", "light_lux", "ppfd_umol_m2_s")
#: Channels that are switched rather than drift: a record holds until the next one.
HELD = ("light_lux", "ppfd_umol_m2_s")

_NS = 1_000_000_000


@dataclass(frozen=True)
class ExposureSettings:
    """The limits that exposures are counted against; all are shown with the result.

    Parameters
    ----------
    max_gap_min : float
        Two records further apart than this are not joined: the time between them counts
        as not covered [min].
    band_low_rh, band_high_rh : float or None
        Humidity band [%].
    wet_rh : float
        Humidity from which surfaces count as wet [%]. Common practice, no source.
    base_temp_c : float
        Temperature from which degree-hours are counted [°C].
    co2_limit_ppm : float
        Carbon dioxide above this is counted [ppm]. Common practice for oyster mushrooms,
        no source.
    dark_below_lux, dark_below_ppfd : float
        Light at or under this is dark [lux, µmol m⁻² s⁻¹].
    min_coverage_pct : float
        A window with less of its time covered is marked [%].
    held : tuple of str
        Channels whose records hold until the next one; the others follow a straight line. The
        line is exact for ramps and puts a step half way between two records; holding is exact
        for steps that are logged when they happen.
    """

    max_gap_min: float = 10.0
    band_low_rh: float | None = None
    band_high_rh: float | None = None
    wet_rh: float = 98.0
    base_temp_c: float = 0.0
    co2_limit_ppm: float = 1000.0
    dark_below_lux: float = 5.0
    dark_below_ppfd: float = 0.1
    min_coverage_pct: float = 80.0
    held: tuple[str, ...] = HELD

    @property
    def max_gap_ns(self) -> int:
        """Largest gap that is bridged, in nanoseconds."""
        return round(self.max_gap_min * 60 * _NS)

    def measures(self) -> tuple[Measure, ...]:
        """List the sums that these settings ask for."""
        out = [Measure(f"{c}|{kind}", c, kind) for c in CHANNELS for kind in ("seconds", "mean")]
        limits: list[tuple[str, Kind, float | None]] = [
            ("rh_pct", "below", self.band_low_rh),
            ("rh_pct", "above", self.band_high_rh),
            ("rh_pct", "deficit", self.band_low_rh),
            ("rh_pct", "excess", self.band_high_rh),
            ("temp_c", "excess", self.base_temp_c),
            ("co2_ppm", "above", self.co2_limit_ppm),
            ("light_lux", "above", self.dark_below_lux),
            ("ppfd_umol_m2_s", "above", self.dark_below_ppfd),
        ]
        out += [
            Measure(f"{channel}|{kind}", channel, kind, float(limit))
            for channel, kind, limit in limits
            if limit is not None
        ]
        out.append(Measure("rh_pct|wet", "rh_pct", "above", float(self.wet_rh)))
        return tuple(out)


@dataclass(frozen=True)
class Measure:
    """One sum over a window.

    Parameters
    ----------
    name : str
        Name of the sum, ``channel|kind``.
    channel : str
        Channel it is made of.
    kind : str
        ``"seconds"`` covered, ``"mean"`` the integral, ``"below"``/``"above"`` seconds under
        or over the limit, ``"deficit"``/``"excess"`` integral of the distance to the limit.
    limit : float
        Limit in the channel's unit; unused for the first two kinds.
    """

    name: str
    channel: str
    kind: Kind
    limit: float = field(default=float("nan"))


#: The polynomial of the saturation pressure is used between these temperatures [°C], fitted on a
#: grid of this step [°C], and as long as needed for this relative error.
_FIT_RANGE, _FIT_STEP, _FIT_ERROR = (-10.0, 50.0), 5.0, 1e-10


@lru_cache(maxsize=64)
def _saturation_fit(low: float, high: float) -> tuple[float, float, tuple[float, ...]]:
    """Fit the saturation pressure between two temperatures by a polynomial of a scaled one."""
    from numpy.polynomial import Chebyshev, Polynomial

    from trialkit.air import saturation_pressure_kpa

    temp = np.linspace(low, high, 1001)
    exact = np.asarray(saturation_pressure_kpa(temp))
    for degree in range(4, 20):
        fit = Chebyshev.interpolate(saturation_pressure_kpa, degree, domain=[low, high])
        if np.abs(fit(temp) / exact - 1.0).max() < _FIT_ERROR:
            break
    offset, scale = fit.mapparms()
    power = fit.convert(kind=Polynomial, domain=fit.domain, window=fit.window)
    return float(offset), float(scale), tuple(float(c) for c in power.coef)


def fast_vpd(temp_c: Array, rh_pct: Array) -> Array:
    """Give the vapour pressure deficit of many records [kPa].

    Parameters
    ----------
    temp_c, rh_pct : ndarray
        Records [°C, %], no missing values.

    Returns
    -------
    ndarray
        Equal to `trialkit.air.vpd_kpa` within 1 part in 10⁹ of the saturation pressure.

    Notes
    -----
    Logs of a season hold tens of millions of records, of which neighbours are nearly as warm. A
    polynomial fitted to the full equation over the few degrees that are needed costs a
    fifteenth of the equation itself (seen). Below −10 and above 50 °C the equation is used.

    Examples
    --------
    >>> fast_vpd(np.array([20.0]), np.array([90.0])).round(4)
    array([0.2339])
    """
    out = np.empty(temp_c.size)
    if temp_c.size == 0:
        return out
    lowest, highest = float(temp_c.min()), float(temp_c.max())
    if lowest < _FIT_RANGE[0] or highest > _FIT_RANGE[1]:
        from trialkit.air.kernels import saturation

        with np.errstate(all="ignore"):
            return np.asarray(saturation(temp_c) * (1.0 - rh_pct / 100.0))
    low = np.floor(lowest / _FIT_STEP) * _FIT_STEP
    high = max(np.ceil(highest / _FIT_STEP) * _FIT_STEP, low + _FIT_STEP)
    offset, scale, coefficients = _saturation_fit(float(low), float(high))
    for lo in range(0, temp_c.size, 16384):  # small parts stay in the nearest cache
        part = slice(lo, lo + 16384)
        x = temp_c[part] * scale
        x += offset
        y = out[part]
        np.multiply(x, coefficients[-1], out=y)
        y += coefficients[-2]
        for coefficient in coefficients[-3::-1]:
            y *= x
            y += coefficient
        np.multiply(rh_pct[part], -0.01, out=x)
        x += 1.0
        y *= x
    return out
