"""Least squares: a room's constants from one chamber's log, with intervals and doubts."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trialkit.arrays import Floats
from trialkit.chamber.allowances import Settled, find_allowances, settle
from trialkit.chamber.course import Course, knot_weights, predict_readings
from trialkit.chamber.rates import BOUNDS, MOST_READINGS, Layout, Solution, find_rates
from trialkit.chamber.room import ChamberError
from trialkit.errors import Finding
from trialkit.wording import finding, message
from trialkit.wording.message import Message

RATES = ("air_changes_h", "mist_g_m3_h", "lag_s")
#: A constant is not determined where its logarithm has a greater standard error.
WIDEST_LOG_SE = 0.3
#: Factors on standard errors: errors were so much larger than worked out in simulated rooms
#: (`benchmarks/identify_cases.py`, seeds 2600, 3700, 6100 and 6200), a little everywhere since the
#: model is not quite the room, more where it follows fog, wet crop or a slow thermometer roughly.
ROUGH, FOG, SLOW_THERMOMETER = 1.1, 1.6, 1.2
#: With wet crop, of `RATES` and of what is beside them.
WET, WET_BESIDE = (1.9, 1.2, 1.1), 1.6
#: In air that fills with fog the mist is told by its rise up to full air; above this standard
#: error of its logarithm only by how long fog lasts, which leans on how fog falls.
FOG_LOG_SE = 0.01
LEAST_R2, LEAST_MOMENTS = 0.8, 8
#: A thermometer slower than this is told [s].
SLOW_THERMOMETER_S = 60.0
#: A thermometer this quick shows the air's own temperature [s].
QUICK_THERMOMETER_S = 20.0
_SPOILS = ("few_moments", "poor_fit", "outside_implausible")


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
    why_not : mapping
        Constant → why this log does not determine it; its numbers are NaN.
    """

    chamber: str
    estimates: pd.DataFrame
    log_se: dict[str, float]
    course: Course
    fitted_rh_pct: Floats
    used: NDArray[np.bool_]
    residual_sd_pct: float
    r2: float
    autocorrelation: float
    findings: tuple[Finding, ...]
    why_not: Mapping[str, Message] = field(default_factory=dict)

    @property
    def determined(self) -> frozenset[str]:
        """Names of the constants that the log determines."""
        return frozenset(RATES) - frozenset(self.why_not)


def fit_course(
    course: Course,
    *,
    chamber: str = "",
    outside_g_m3: float | None = None,
    level: float = 0.95,
    saturated_above: float = 99.0,
    most_mist: float = math.inf,
    empty: bool = True,
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
    most_mist : float
        Most that the fogger can give by its rating [g/m³ per h].
    empty : bool
        Whether nothing wet stands in the chamber.

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
    positive, since readings close in time repeat the same error [1]_. Added to it is what the
    errors of the air's temperature do; wet crop pulls by an unknown share of the whole pull, which
    readings and its range settle together (`trialkit.chamber.allowances`). Standard errors are
    1.1 times as large, and 1.1 to 1.9 times where the air fills with fog, something stands wet or
    the thermometer is slow, since the model is rougher there. The sensor is taken to read true. A
    constant that the log does not determine has no numbers.

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
    if not empty and not course.temp_lag_s > QUICK_THERMOMETER_S:
        course = course.as_read()  # crop that dries and warms in turn: not the mist's course alone
    how: dict[str, Any] = {
        "saturated_above": saturated_above,
        "outside": outside_g_m3,
        "most_mist": most_mist,
    }
    solution, layout = find_rates(course, **how)
    read = course.as_read() if layout.fog else course
    made = _settle(read, saturated_above, solution, layout, empty, 0.0)
    if not empty:  # what wet surfaces do is not quite linear: take it out and fit once more
        dry = replace(read, rh_pct=read.rh_pct - made.pulled)
        solution, layout = find_rates(dry, **how)
        made = _settle(dry, saturated_above, solution, layout, empty, made.taken)
    return _pack(read, chamber, saturated_above, made, layout, level, most_mist)


@dataclass(frozen=True)
class _Made:
    """A solution and its allowances together, and what wet surfaces did to the readings."""

    together: Settled
    taken: float
    pulled: Floats


def _settle(
    course: Course, above: float, solution: Solution, layout: Layout, empty: bool, taken: float
) -> _Made:
    """Bring a solution and what it does not know together."""
    fitted_to = course.average(MOST_READINGS)
    values = layout.unpack(solution.x)
    known = find_allowances(fitted_to, values, empty=empty, taken=taken)
    used = replace(known, columns=known.columns[fitted_to.rh_pct < above])
    together = settle(solution.x, solution.residual, solution.jacobian, used)
    if empty:
        return _Made(together, 0.0, np.zeros(len(course.time_s)))
    share = taken + float(together.found[-1]) * known.wet_spread
    pulled = known.columns[:, -1] / known.wet_spread * share
    return _Made(together, share, np.interp(course.time_s, fitted_to.time_s, pulled))


def _pack(
    course: Course,
    chamber: str,
    above: float,
    made: _Made,
    layout: Layout,
    level: float,
    most_mist: float,
) -> RoomFit:
    from scipy.stats import t as student

    used = course.rh_pct < above
    together = made.together
    x, cov, r = together.x.copy(), together.cov, together.alike
    for k, name in enumerate(RATES):  # what is added to a solution may leave what is possible
        x[k] = np.clip(x[k], *np.log(BOUNDS[name]))
    x[3] = np.clip(x[3], *BOUNDS["delay_s"])
    rough = _roughness(course, layout, made, len(x))
    cov = cov * np.outer(rough, rough)
    se = np.sqrt(np.diag(cov))
    width = float(student.ppf(0.5 + level / 2, together.freedom))
    step = float(np.median(np.diff(course.time_s)))
    rows: dict[str, dict[str, float]] = {}
    for k, name in enumerate(RATES):
        value = float(np.exp(x[k]))
        rows[name] = {
            "estimate": value,
            "se": value * se[k],
            "low": value * math.exp(-min(width * se[k], 700)),
            "high": value * math.exp(min(width * se[k], 700)),
        }
    values = layout.unpack(x)
    fitted = predict_readings(course, **values) + made.pulled
    missed = (fitted - course.rh_pct)[used]  # of the readings themselves, not averaged
    middle = knot_weights(course.time_s, course.knots_s).mean(axis=0)
    outside = float(middle @ np.broadcast_to(values["outside"], middle.shape))
    outside_se = 0.0
    if layout.outside is None:
        places = layout.incoming
        outside_se = math.sqrt(middle @ cov[places, places] @ middle)
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
    log_se = {name: float(se[k]) for k, name in enumerate(RATES)}
    _order_rates(rows, log_se)
    spread = float(np.sum((course.rh_pct[used] - course.rh_pct[used].mean()) ** 2))
    r2 = 1 - float(missed @ missed) / spread
    sd = math.sqrt(float(missed @ missed) / (missed.size - x.size))
    found = _judge(course, rows, used, r2, r)
    why_not = _why_not(course, found, rows, log_se, layout, x, most_mist, step)
    for name in why_not:
        rows[name] = dict.fromkeys(("estimate", "se", "low", "high"), math.nan)
    return RoomFit(
        chamber=chamber,
        estimates=pd.DataFrame(rows).T,
        log_se=log_se,
        course=course,
        fitted_rh_pct=fitted,
        used=used,
        residual_sd_pct=sd,
        r2=r2,
        autocorrelation=r,
        findings=tuple(found),
        why_not=why_not,
    )


def _roughness(course: Course, layout: Layout, made: _Made, count: int) -> Floats:
    """Give the factors on standard errors of what was found."""
    found = np.full(count, ROUGH)
    if layout.fog:
        found[:] = FOG
    elif made.taken != 0.0:
        found[:] = WET_BESIDE
        found[: len(WET)] = WET
    if course.temp_lag_s > SLOW_THERMOMETER_S:
        found = np.maximum(found, SLOW_THERMOMETER)
    return found


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
    used: NDArray[np.bool_],
    r2: float,
    r: float,
) -> list[Finding]:
    """Say what is doubtful about a fit."""
    found = []
    step = float(np.median(np.diff(course.time_s)))
    share = 100 * float((~used).mean())
    if course.left_out:
        found.append(finding("rows_left_out", "note", rows=course.left_out))
    if course.averaged:
        found.append(finding("rows_averaged", "note", rows=course.averaged))
    if share > 20:
        found.append(finding("log_saturated", "caution", share=share))
    if r2 < LEAST_R2:
        found.append(finding("poor_fit", "caution", explained=100 * max(r2, 0.0)))
    if r > 0.5:
        found.append(finding("correlated_residuals", "note", r=r))
    if rows["lag_s"]["estimate"] + abs(rows["delay_s"]["estimate"]) < 1.5 * step:
        found.append(finding("lag_rough", "note", step=step))
    outside = rows["outside_g_m3"]["estimate"]
    if not 0.1 < outside < float(course.full_g_m3.max()):
        found.append(finding("outside_implausible", "caution", vapour=outside))
    moments = _moments_in_cycle(course, step)
    if moments < LEAST_MOMENTS:
        found.append(finding("few_moments", "caution", moments=moments))
    if rows["delay_s"]["low"] > 60 or rows["delay_s"]["high"] < -10:
        found.append(finding("clocks_disagree", "caution", delay=rows["delay_s"]["estimate"]))
    if course.temp_lag_s > SLOW_THERMOMETER_S:
        found.append(finding("slow_thermometer", "note", lag=course.temp_lag_s))
    return found


def _why_not(
    course: Course,
    found: list[Finding],
    rows: dict[str, dict[str, float]],
    log_se: dict[str, float],
    layout: Layout,
    x: Floats,
    most_mist: float,
    step: float,
) -> dict[str, Message]:
    """Give the reason why each constant is not determined, of those that are not."""
    codes = {finding.code for finding in found}
    spoilt = next((code for code in _SPOILS if code in codes), None)
    if spoilt is not None:
        return dict.fromkeys(RATES, message(f"chamber.because.{spoilt}"))
    why: dict[str, Message] = {}
    for k, name in enumerate(RATES):
        low, high = BOUNDS[name]
        high = min(high, most_mist) if name == "mist_g_m3_h" else high
        if min(abs(x[k] - math.log(low)), abs(x[k] - math.log(high))) < 0.02:
            why[name] = message("chamber.because.at_bound")
        elif log_se[name] > WIDEST_LOG_SE:
            why[name] = message("chamber.because.too_wide")
    if layout.fog and course.temp_lag_s > SLOW_THERMOMETER_S:  # fog follows the air's own degrees
        for name in ("air_changes_h", "mist_g_m3_h"):
            why.setdefault(name, message("chamber.because.slow_thermometer"))
    if layout.fog and log_se["mist_g_m3_h"] > FOG_LOG_SE:
        why.setdefault("mist_g_m3_h", message("chamber.because.full_air_mist"))
    if layout.fog and "lag_s" not in why:
        why["lag_s"] = message("chamber.because.full_air")
    elif step > rows["lag_s"]["estimate"] and "lag_s" not in why:
        why["lag_s"] = message("chamber.because.slow_readings", step=step)
    return why
