"""Least squares: a room's constants from one chamber's log, with intervals and doubts."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trialkit.chamber.course import Course, knot_weights, predict_readings
from trialkit.chamber.exponentials import Array
from trialkit.chamber.rates import BOUNDS, Solution, find_rates, unpack
from trialkit.chamber.room import ChamberError
from trialkit.errors import Finding

_ORDER = ("air_changes_h", "mist_g_m3_h", "lag_s")


@dataclass(frozen=True)
class RoomFit:
    """The fit of one chamber.

    Parameters
    ----------
    chamber : str
    estimates : DataFrame
        Index `air_changes_h, mist_g_m3_h, lag_s, delay_s, outside_g_m3`; columns `estimate,
        se, low, high`. For the first three the interval is worked out on the logarithm and `se` is
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
    used = course.rh_pct < saturated_above
    span = float(np.ptp(course.rh_pct[used])) if used.any() else 0.0
    if used.sum() < 20 or span < 0.5:
        where = f"chamber {chamber}: " if chamber else ""
        raise ChamberError(
            f"{where}{int(used.sum())} readings below {saturated_above:g} % that span {span:.2g} "
            "points → too little to learn from; let the room dry between mists for two hours"
        )
    solution = find_rates(course, saturated_above=saturated_above, outside=outside_g_m3)
    return _pack(course, chamber, used, solution, outside_g_m3, level)


def _pack(
    course: Course,
    chamber: str,
    used: NDArray[np.bool_],
    solution: Solution,
    outside_g_m3: float | None,
    level: float,
) -> RoomFit:
    from scipy.stats import t as student

    x, residual = solution.x, solution.residual
    freedom = residual.size - x.size
    variance = float(residual @ residual) / freedom
    r = float(np.corrcoef(residual[:-1], residual[1:])[0, 1]) if np.ptp(residual) > 0 else 0.0
    inflate = (1 + max(r, 0.0)) / max(1 - max(r, 0.0), 1e-3)
    cov = variance * inflate * _inverse_information(solution.jacobian)
    se = np.sqrt(np.diag(cov))
    width = float(student.ppf(0.5 + level / 2, max(freedom / inflate, 1.0)))
    rows: dict[str, dict[str, float]] = {}
    for k, name in enumerate(_ORDER):
        value = float(np.exp(x[k]))
        rows[name] = {
            "estimate": value,
            "se": value * se[k],
            "low": value * math.exp(-min(width * se[k], 700)),
            "high": value * math.exp(min(width * se[k], 700)),
        }
    values = unpack(x, outside_g_m3)
    middle = knot_weights(course.time_s, course.knots_s).mean(axis=0)
    outside = float(middle @ np.broadcast_to(values["outside"], middle.shape))
    outside_se = 0.0 if outside_g_m3 is not None else math.sqrt(middle @ cov[5:, 5:] @ middle)
    for name, value, error in (
        ("delay_s", float(x[3]), float(se[3])),
        ("outside_g_m3", outside, outside_se),
    ):
        rows[name] = {
            "estimate": value,
            "se": error,
            "low": value - width * error,
            "high": value + width * error,
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


def _inverse_information(jacobian: Array) -> Array:
    """Give (J'J)⁻¹, columns scaled; directions without information get a huge variance."""
    size = np.sqrt(np.einsum("ij,ij->j", jacobian, jacobian))
    size[size == 0] = 1e-8
    scaled = jacobian / size
    values, vectors = np.linalg.eigh(scaled.T @ scaled)
    values = np.maximum(values, 1e-13 * values.max())
    return np.asarray((vectors / values) @ vectors.T / np.outer(size, size))


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


def _moments_in_cycle(course: Course, step: float) -> int:
    """Count the distinct moments after a mist start at which readings fall, to a tenth step."""
    starts = course.switch_s[(course.on > 0) & np.append(True, course.on[:-1] == 0)]
    k = np.searchsorted(starts, course.time_s, side="right") - 1
    since = (course.time_s - starts[k])[k >= 0]
    near = since[since <= np.median(np.diff(starts))] if len(starts) > 1 else since
    return len(np.unique(np.round(near / step * 10)))


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
    if rows["lag_s"]["estimate"] + abs(rows["delay_s"]["estimate"]) < 1.5 * step:
        found.append(
            Finding(
                "lag_rough",
                "note",
                f"readings {step:.0f} s apart show sensor lag and delay roughly only, whatever "
                "their intervals say",
                "log faster if they matter",
            )
        )
    outside = rows["outside_g_m3"]["estimate"]
    if not 0.1 < outside < float(course.full_g_m3.max()):
        found.append(
            Finding(
                "outside_implausible",
                "caution",
                f"incoming air of {outside:.1f} g/m³ cannot be: this log does not tell air "
                "exchange from the drift of the room",
                "let the chamber dry for half an hour between mists, or measure the incoming air "
                "and give outside_g_m3",
            )
        )
    moments = _moments_in_cycle(course, step)
    if moments < 8:
        found.append(
            Finding(
                "few_moments",
                "caution",
                f"the readings fall on {moments} moments of the mist's cycle again and again: "
                "the rates lean on few points and cannot be trusted",
                "log faster, or at a step that does not divide the cycle",
            )
        )
    if rows["delay_s"]["low"] > 60 or rows["delay_s"]["high"] < -10:
        found.append(
            Finding(
                "clocks_disagree",
                "caution",
                f"humidity follows the mist log by {rows['delay_s']['estimate']:.0f} s",
                "compare the clocks of the logger and the timer",
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
