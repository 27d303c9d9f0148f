"""Least squares: a room's constants from one chamber's log, with intervals and doubts."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trialkit.chamber.course import Course, predict_readings
from trialkit.chamber.exponentials import Array
from trialkit.chamber.room import ChamberError
from trialkit.errors import Finding

#: Smallest and largest values tried: air changes [1/h], mist [g/m³ per h], lag [s].
BOUNDS = {"air_changes_h": (0.02, 200.0), "mist_g_m3_h": (0.05, 5000.0), "lag_s": (0.5, 1200.0)}
_ORDER = ("air_changes_h", "mist_g_m3_h", "lag_s")


@dataclass(frozen=True)
class RoomFit:
    """The fit of one chamber.

    Parameters
    ----------
    chamber : str
    estimates : DataFrame
        Index `air_changes_h, mist_g_m3_h, lag_s, outside_g_m3`; columns `estimate, se, low,
        high`. For the first three the interval is worked out on the logarithm and `se` is
        that of the estimate itself.
    log_se : dict
        Standard error of the logarithm of the first three.
    course : Course
    fitted_rh_pct : array, shape (n,)
        Readings the fit expects.
    used : array of bool, shape (n,)
        Readings that took part (short of saturation).
    residual_sd_pct, r2, autocorrelation : float
        Spread of the residuals [% RH], share of the variance explained, correlation of
        neighbouring residuals.
    findings : tuple of Finding
    """

    chamber: str
    estimates: pd.DataFrame
    log_se: dict[str, float]
    course: Course
    fitted_rh_pct: Array
    used: NDArray[np.bool_]
    residual_sd_pct: float
    r2: float
    autocorrelation: float
    findings: tuple[Finding, ...]


def fit_course(
    course: Course,
    *,
    chamber: str = "",
    outside_g_m3: float | None = None,
    level: float = 0.95,
    saturated_above: float = 99.0,
) -> RoomFit:
    """Fit one chamber's constants to its log by nonlinear least squares.

    Parameters
    ----------
    course : Course
        From `prepare_course`.
    chamber : str
        Name for messages.
    outside_g_m3 : float, optional
        Vapour of the air that comes in [g/m³], if it was measured; estimated otherwise.
    level : float
        Confidence level of the intervals.
    saturated_above : float
        Readings above this say nothing of the rates and are left out [%].

    Returns
    -------
    RoomFit

    Raises
    ------
    ChamberError
        If too few readings are short of saturation, or humidity hardly moves.

    Notes
    -----
    Intervals: linear approximation on the logarithm of the rates, Student's t, and the
    covariance multiplied by (1 + r)/(1 − r), r the correlation of neighbouring residuals if
    positive, since readings close in time repeat the same error [1]_.

    References
    ----------
    .. [1] Bayley G. V., Hammersley J. M. (1946). The "effective" number of independent
       observations in an autocorrelated time series. Suppl. J. R. Stat. Soc. 8:184-197,
       doi:10.2307/2983560.
    """
    from scipy.optimize import least_squares

    used = course.rh_pct < saturated_above
    span = float(np.ptp(course.rh_pct[used])) if used.any() else 0.0
    if used.sum() < 20 or span < 0.5:
        where = f"chamber {chamber}: " if chamber else ""
        raise ChamberError(
            f"{where}{int(used.sum())} readings below {saturated_above:g} % that span {span:.2g} "
            "points → too little to learn from; let the room dry between mists for two hours"
        )
    free_outside = outside_g_m3 is None

    def unpack(x: Array) -> dict[str, float]:
        n, a, lag = np.exp(x[:3])
        outside = float(x[4]) if free_outside else float(outside_g_m3)  # type: ignore[arg-type]
        return {"n_h": n, "mist_g_m3_h": a, "lag_s": lag, "outside": outside, "first": float(x[3])}

    low = np.array([*(math.log(BOUNDS[name][0]) for name in _ORDER), 0.0, 0.0])
    high = np.array([*(math.log(BOUNDS[name][1]) for name in _ORDER), 200.0, 200.0])
    size = 5 if free_outside else 4

    def search(part: Course, begin: Array) -> Any:
        keep = part.rh_pct < saturated_above
        return least_squares(
            lambda x: (predict_readings(part, **unpack(x)) - part.rh_pct)[keep],
            np.clip(begin, low[:size] + 1e-6, high[:size] - 1e-6),
            bounds=(low[:size], high[:size]),
            x_scale="jac",
            xtol=1e-9,
            ftol=1e-9,
        )

    few = course.thin(2000)
    begin = _first_guess(few, saturated_above, outside_g_m3)[:size]
    if len(few.time_s) < len(course.time_s):  # most of the way on few readings
        begin = search(few, begin).x
    result = search(course, begin)
    return _pack(course, chamber, used, result, unpack, free_outside, level)


def _first_guess(course: Course, saturated_above: float, outside: float | None) -> Array:
    """Try a grid of air changes and lags; for each the rest enters linearly (no saturation)."""
    used = course.rh_pct < saturated_above
    vapour = (course.rh_pct * course.full_g_m3 / 100)[used]
    # on this scale readings are densities, and nothing saturates
    open_course = replace(
        course,
        full_g_m3=np.full_like(course.full_g_m3, 100.0),
        switch_full=np.full_like(course.switch_full, 1e9),
    )
    best, found = math.inf, np.zeros(5)
    for n_h in np.geomspace(0.3, 40.0, 12):
        for lag in (5.0, 40.0, 150.0):
            if abs(1 - n_h / 3600 * lag) < 1e-3:
                continue
            shape: dict[str, Any] = {"n_h": n_h, "lag_s": lag}
            zero = {"mist_g_m3_h": 0.0, "outside": 0.0, "first": 0.0}
            by_mist = predict_readings(open_course, **shape, **{**zero, "mist_g_m3_h": 1.0})[used]
            by_first = predict_readings(open_course, **shape, **{**zero, "first": 1.0})[used]
            by_outside = 1.0 - by_first
            if outside is None:
                columns, target = np.column_stack([by_mist, by_first, by_outside]), vapour
            else:
                columns = np.column_stack([by_mist, by_first])
                target = vapour - outside * by_outside
            beta, *_ = np.linalg.lstsq(columns, target, rcond=None)
            miss = float(np.sum((target - columns @ beta) ** 2))
            if miss < best and beta[0] > 0:
                best = miss
                last = float(beta[2]) if outside is None else outside
                found = np.array([math.log(n_h), math.log(beta[0]), math.log(lag), beta[1], last])
    if math.isinf(best):
        return np.array([math.log(3.0), math.log(30.0), math.log(30.0), vapour[0], vapour.min()])
    return found


def _pack(
    course: Course,
    chamber: str,
    used: NDArray[np.bool_],
    result: Any,
    unpack: Any,
    free_outside: bool,
    level: float,
) -> RoomFit:
    from scipy.stats import t as student

    x, residual = result.x, result.fun
    n_used, size = residual.size, x.size
    freedom = n_used - size
    variance = float(residual @ residual) / freedom
    r = float(np.corrcoef(residual[:-1], residual[1:])[0, 1]) if np.ptp(residual) > 0 else 0.0
    inflate = (1 + max(r, 0.0)) / max(1 - max(r, 0.0), 1e-3)
    cov = variance * inflate * np.linalg.pinv(result.jac.T @ result.jac)
    se = np.sqrt(np.diag(cov))
    freedom_t = max(freedom / inflate, 1.0)
    width = float(student.ppf(0.5 + level / 2, freedom_t))
    values = unpack(x)
    rows: dict[str, dict[str, float]] = {}
    for k, name in enumerate(_ORDER):
        value = float(np.exp(x[k]))
        rows[name] = {
            "estimate": value,
            "se": value * se[k],
            "low": value * math.exp(-min(width * se[k], 700)),
            "high": value * math.exp(min(width * se[k], 700)),
        }
    outside, outside_se = values["outside"], se[4] if free_outside else 0.0
    rows["outside_g_m3"] = {
        "estimate": outside,
        "se": outside_se,
        "low": outside - width * outside_se,
        "high": outside + width * outside_se,
    }
    log_se = {name: float(se[k]) for k, name in enumerate(_ORDER)}
    _order_rates(rows, log_se)
    spread = float(np.sum((course.rh_pct[used] - course.rh_pct[used].mean()) ** 2))
    r2 = 1 - float(residual @ residual) / spread
    sd = math.sqrt(variance)
    return RoomFit(
        chamber=chamber,
        estimates=pd.DataFrame(rows).T,
        log_se=log_se,
        course=course,
        fitted_rh_pct=predict_readings(course, **values),
        used=used,
        residual_sd_pct=sd,
        r2=r2,
        autocorrelation=r,
        findings=tuple(_judge(course, rows, log_se, used, r2, r, x)),
    )


def _order_rates(rows: dict[str, dict[str, float]], log_se: dict[str, float]) -> None:
    """Call the slower of the two rates air exchange, the faster one the sensor.

    Mist through a room and a sensor gives the same readings if the two rates change places
    (and the mist is rescaled); a sensor slower than the room's air is not a usable one.
    """
    n, lag = rows["air_changes_h"]["estimate"] / 3600, rows["lag_s"]["estimate"]
    if n * lag <= 1:
        return
    air_row, lag_row = dict(rows["air_changes_h"]), dict(rows["lag_s"])
    for key, other in (("estimate", "estimate"), ("low", "high"), ("high", "low")):
        rows["air_changes_h"][key] = 3600 / lag_row[other]
        rows["lag_s"][key] = 3600 / air_row[other]
    log_se["air_changes_h"], log_se["lag_s"] = log_se["lag_s"], log_se["air_changes_h"]
    for name in ("air_changes_h", "lag_s"):
        rows[name]["se"] = rows[name]["estimate"] * log_se[name]
    for key in ("estimate", "se", "low", "high"):
        rows["mist_g_m3_h"][key] /= n * lag


def _judge(
    course: Course,
    rows: dict[str, dict[str, float]],
    log_se: dict[str, float],
    used: NDArray[np.bool_],
    r2: float,
    r: float,
    x: Array,
) -> list[Finding]:
    """Say what is doubtful about a fit."""
    found = []
    step = float(np.median(np.diff(course.time_s)))
    share = 100 * float((~used).mean())
    for count, code, what in (
        (course.left_out, "rows_left_out", "without a usable time, temperature or humidity"),
        (course.averaged, "rows_averaged", "shared their time with another and were averaged"),
    ):
        if count:
            found.append(Finding(code, "note", f"{count} rows of the log {what}"))
    if share > 20:
        found.append(
            Finding(
                "log_saturated",
                "caution",
                f"{share:.0f} % of the readings stand at saturation and say nothing of the rates",
                "log two hours with long pauses between mists",
            )
        )
    if r2 < 0.8:
        found.append(
            Finding(
                "poor_fit",
                "caution",
                f"the model explains {100 * max(r2, 0):.0f} % of the humidity's movement only",
                "check that the mist log belongs to this chamber and the clocks agree",
            )
        )
    if r > 0.5:
        found.append(
            Finding(
                "correlated_residuals",
                "note",
                f"neighbouring residuals agree (correlation {r:.2f}): something slower than the "
                "model moves the air; intervals are widened for it",
            )
        )
    if rows["lag_s"]["estimate"] < step:
        found.append(
            Finding(
                "lag_rough",
                "note",
                f"the sensor's lag is shorter than the {step:.0f} s between readings and known "
                "roughly only, whatever its interval says",
                "log faster if the lag matters",
            )
        )
    for k, name in enumerate(_ORDER[:2]):
        bound = BOUNDS[name]
        if log_se[name] > 0.5 or min(abs(x[k] - math.log(b)) for b in bound) < 1e-3:
            found.append(
                Finding(
                    "rate_uncertain",
                    "caution",
                    f"{name} is hardly determined by this log",
                    "log two hours with mist on for minutes and off for half an hour",
                )
            )
    return found
