"""What is summed over a window: the sums that the register's exposures are made of."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np

from trialkit.air import RH_ERROR_PCT
from trialkit.arrays import Floats
from trialkit.columns.channels import CHANNELS, HELD
from trialkit.columns.exposures import CLIMATE, ExposureLimits, Kind

MeasureKind = Literal["seconds", "mean", "below", "above", "deficit", "excess"]

_NS = 1_000_000_000


@dataclass(frozen=True, kw_only=True)
class ExposureSettings(ExposureLimits):
    """How exposures are counted, with their limits; all are shown with the result.

    The limits are those of `ExposureLimits`: `band_low_rh, band_high_rh, wet_rh` [%],
    `base_temp_c` [°C], `co2_limit_ppm` [ppm], `dark_below_lux` [lux], `dark_below_ppfd`
    [µmol m⁻² s⁻¹].

    Parameters
    ----------
    max_gap_min : float
        Two records further apart than this are not joined: the time between them counts
        as not covered [min].
    min_coverage_pct : float
        A window with less of its time covered is marked [%].
    held : tuple of str
        Channels whose records hold until the next one; the others follow a straight line. The
        line is exact for ramps and puts a step half way between two records; holding is exact
        for steps that are logged when they happen.
    rh_error_pct: float
        Error of the humidity sensors [% points]: readings above 100 % by no more than that are
        full air, with a vapour pressure deficit of 0; those further above say nothing of it.
    """

    max_gap_min: float = 10.0
    min_coverage_pct: float = 80.0
    held: tuple[str, ...] = HELD
    rh_error_pct: float = RH_ERROR_PCT

    @property
    def max_gap_ns(self) -> int:
        """Largest gap that is bridged, in nanoseconds."""
        return round(self.max_gap_min * 60 * _NS)

    def measures(self) -> tuple[Measure, ...]:
        """List the sums that the register's exposures are made of, each once."""
        found = {
            measure.name: measure
            for channel in CHANNELS
            for measure in (Measure(channel.name, "seconds"), Measure(channel.name, "mean"))
        }
        for exposure in CLIMATE:
            for source in exposure.counts(self):
                found |= {measure.name: measure for measure in measures_for(exposure.kind, *source)}
        return tuple(found.values())


def measures_for(kind: Kind, channel: str, low: float | None, high: float | None) -> list[Measure]:
    """List the sums that an exposure is made of besides covered time and mean.

    Examples
    --------
    >>> [m.name for m in measures_for("between", "rh_pct", 85.0, 95.0)]
    ['rh_pct|below|85.0', 'rh_pct|above|95.0']
    """
    if kind == "between":
        ends: list[tuple[MeasureKind, float | None]] = [("below", low), ("above", high)]
    elif kind in ("below", "above", "deficit", "excess"):
        ends = [(kind, low)]
    else:
        ends = []
    return [Measure(channel, side, limit) for side, limit in ends if limit is not None]


@dataclass(frozen=True)
class Measure:
    """One sum over a window.

    Parameters
    ----------
    channel : str
        Channel it is made of.
    kind : str
        ``"seconds"`` covered, ``"mean"`` the integral, ``"below"``/``"above"`` seconds under
        or over the limit, ``"deficit"``/``"excess"`` integral of the distance to the limit.
    limit : float
        Limit in the channel's unit; unused for the first two kinds.
    """

    channel: str
    kind: MeasureKind
    limit: float = float("nan")

    @property
    def name(self) -> str:
        """Name of the sum: ``channel|kind``, and the limit where there is one."""
        plain = f"{self.channel}|{self.kind}"
        return plain if self.limit != self.limit else f"{plain}|{self.limit!r}"


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


def fast_vpd(temp_c: Floats, rh_pct: Floats, *, rh_error_pct: float = RH_ERROR_PCT) -> Floats:
    """Give the vapour pressure deficit of many records [kPa].

    Parameters
    ----------
    temp_c, rh_pct : ndarray
        Records [°C, %], no missing values.
    rh_error_pct : float
        Error of the sensor [% points].

    Returns
    -------
    ndarray
        Equal to `trialkit.air.vpd_kpa` within 1 part in 10⁹ of the saturation pressure up to
        100 %, and 0 above it within the error of the sensor. Missing further above: no air
        is so humid, so what such a reading says of the deficit is not known.

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
    if temp_c.size == 0:
        return np.empty(0)
    out = _deficit(temp_c, rh_pct)
    if float(rh_pct.max()) > 100.0:
        np.maximum(out, 0.0, out=out)
        out[rh_pct > 100.0 + rh_error_pct] = np.nan
    return out


def _deficit(temp_c: Floats, rh_pct: Floats) -> Floats:
    """Give saturation pressure × (1 − RH/100), negative above 100 %."""
    out = np.empty(temp_c.size)
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
