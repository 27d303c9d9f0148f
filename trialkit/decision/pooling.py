"""Several trials in one room taken together: each shown, then pooled with honest doubt."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from trialkit.arrays import Floats
from trialkit.decision.fingerprint import data_fingerprint, share_in_common
from trialkit.decision.next_trial_limits import next_trial_limits
from trialkit.display import Shown, show_table
from trialkit.errors import Finding, ModelError
from trialkit.right_kind import check_kinds
from trialkit.short_repr import short_repr
from trialkit.tabular import Tabular
from trialkit.wording import Number, finding, spoken

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.analysis.result import Analysis


FEW_TRIALS = 15  # fewer hardly show how much trials differ (benchmarks/pooling_coverage.py)


@dataclass(frozen=True)
class Pooled(Tabular):
    """Ratios of one level to its control over several trials. Make it with `pool_trials`.

    Parameters
    ----------
    level, against : str
    table : DataFrame
        `trial, ratio, low, high, se_log, weight_pct, next_low, next_high`, one row per trial
        and a last row ``"pooled"``. `low` and `high` hold the mean over trials like these,
        `next_low` and `next_high` the true ratio in the next such trial.
    between_sd : float
        Standard deviation of the true log ratio between trials.
    variances : DataFrame
        For the next sample size: `term, smallest, pooled, largest, trials`.
    findings : tuple of Finding
    """

    level: str
    against: str
    table: pd.DataFrame
    between_sd: float
    variances: pd.DataFrame
    findings: tuple[Finding, ...] = ()

    _entries = ("level", "against", "table", "between_sd", "findings")
    __repr__ = short_repr

    def shown(self) -> Shown:
        """Format the trials and what they say together."""
        say, row = spoken(), self.table.iloc[-1]
        columns = ["trial", "ratio", "low", "high", "se_log", "weight_pct"]
        table = self.table.copy()
        table.loc[table.index[-1], "trial"] = say.text("pooled.all")
        limits = {"low": float(row["next_low"]), "high": float(row["next_high"])}
        return show_table(
            table,
            columns=columns,
            heads={name: say.text(f"column.{name}") for name in columns},
            caption=say.text(
                "pooled.caption", level=self.level, reference=self.against, trials=len(table) - 1
            ),
            notes=[
                say.text("pooled.note"),
                say.text("pooled.next", **limits),
                *map(str, self.findings),
            ],
        )

    def __str__(self) -> str:
        return self.shown().text()

    def _repr_html_(self) -> str:
        return self.shown().html()


@dataclass(frozen=True)
class Combined:
    """Estimates of several trials combined. Make it with `combine_estimates`.

    Parameters
    ----------
    estimate, se, low, high : float
        The mean over trials like these, with limits.
    df : int
        Trials minus one.
    between : float
        Variance of the true values between trials.
    weights : ndarray, shape (k,)
        Share of each trial in the mean, adding up to one.
    """

    estimate: float
    se: float
    low: float
    high: float
    df: int
    between: float
    weights: Floats


def combine_estimates(
    estimates: ArrayLike, variances: ArrayLike, *, level: float = 0.95
) -> Combined:
    """Combine estimates of several trials with a random trial effect.

    Parameters
    ----------
    estimates, variances : array, shape (k,)
        Estimate of each trial and its squared standard error.
    level : float
        Two-sided confidence.

    Returns
    -------
    Combined

    Raises
    ------
    ModelError
        With fewer than two estimates, or a variance that is not above zero.

    Notes
    -----
    The variance between trials by restricted maximum likelihood; the standard error of
    Hartung and Knapp [1]_, whose scale ``sum w (y - mean)^2 / (k - 1)`` is taken as one where
    it is smaller, since trials that agree by chance are no better known than their own errors
    allow [2]_; k - 1 df. `trialkit.decision.next_trial_limits` has those of the next trial.

    References
    ----------
    .. [1] Hartung J, Knapp G (2001). On tests of the overall treatment effect in
       meta-analysis with normally distributed responses. Stat Med 20:1771-1782.
       doi:10.1002/sim.791
    .. [2] Knapp G, Hartung J (2003). Improved tests for a random effects meta-regression with
       a single covariate. Stat Med 22:2693-2710. doi:10.1002/sim.1482

    Examples
    --------
    Two equal estimates are not a mean known without error:

    >>> got = combine_estimates([0.06, 0.06], [0.003, 0.003])
    >>> round(got.low, 4), round(got.high, 4)
    (-0.4321, 0.5521)
    """
    from scipy import special

    y, v = np.asarray(estimates, dtype=float), np.asarray(variances, dtype=float)
    if len(y) < 2:
        raise ModelError("pooling needs at least two trials")
    if not (np.isfinite(y).all() and np.isfinite(v).all() and (v > 0).all()):
        raise ModelError("pooling needs a finite estimate and a standard error above zero of each")
    between = between_variance(y, v)
    weights = 1 / (v + between)
    share = weights / weights.sum()
    centre = float(share @ y)
    scale = max(1.0, float(weights @ (y - centre) ** 2) / (len(y) - 1))
    se = math.sqrt(scale / weights.sum())
    point = float(special.stdtrit(len(y) - 1, (1 + level) / 2))
    return Combined(
        centre,
        se,
        centre - point * se,
        centre + point * se,
        len(y) - 1,
        between,
        share,
    )


def between_variance(y: Floats, v: Floats) -> float:
    """Give the restricted maximum likelihood estimate of the variance between trials.

    The likelihood may have more than one maximum, so a grid finds the highest and the root
    of the score next to it is solved.
    """
    from scipy.optimize import brentq

    def score(between: float) -> float:
        w = 1 / (v + between)
        left = y - w @ y / w.sum()
        return float((w * left) @ (w * left) - w.sum() + (w @ w) / w.sum())

    top = 10 * (float(np.ptp(y)) ** 2 + float(v.max()))
    grid = np.concatenate([[0.0], np.geomspace(1e-8 * float(v.min()), top, 120)])
    w = 1 / (v + grid[:, None])
    left = y - (w @ y / w.sum(axis=1))[:, None]
    loglik = np.log(w).sum(axis=1) - np.log(w.sum(axis=1)) - (w * left**2).sum(axis=1)
    at = int(loglik.argmax())
    low, high = grid[max(at - 1, 0)], grid[min(at + 1, len(grid) - 1)]
    if score(low) <= 0 or score(high) >= 0:
        return float(grid[at])
    return float(brentq(score, low, high, xtol=1e-15 * top, rtol=1e-12))


def log_ratio(result: Analysis, level: str) -> tuple[float, float]:
    """Give the log of a level's ratio to the control, and its standard error (delta method).

    Both come from the contrast behind the trial's own table of ratios.
    """
    from trialkit.model.answers.fieller import ratio_lines
    from trialkit.model.answers.means import contrast_rows, mean_cells

    factor, title = result.trial.primary, result.trial.title
    (cells,) = mean_cells(result.fit, factor.name)
    labels = [str(label) for label in cells.labels]
    for name in (level, factor.reference):
        if name not in labels:
            raise ModelError(f"trial {title!r} has no level {name!r}")
    if level == factor.reference:
        raise ModelError(f"{level!r} is the control of trial {title!r}: name another level")
    place = labels.index(factor.reference)
    if result.scale == "logarithm":  # the fit is of logarithms already
        others = [i for i in range(len(labels)) if i != place]  # asked together, as in the table
        rows = cells.rows[others] - cells.rows[place]
        apart, _ = contrast_rows(result.fit, rows, df="default", level=result.fit.level)
        one = apart.iloc[others.index(labels.index(level))]
        return float(one["estimate"]), float(one["se"])
    lines = ratio_lines(result.fit, cells, place)
    line = lines[[i for i in range(len(labels)) if i != place].index(labels.index(level))]
    if line is None:
        raise ModelError(f"trial {title!r}: {level} cannot be compared with {factor.reference}")
    if line.top <= 0 or line.bottom <= 0:
        raise ModelError(f"trial {title!r}: a mean is not above zero")
    ratio = line.ratio
    spread = line.var_top + ratio**2 * line.var_bottom - 2 * ratio * line.covariance
    if not spread > 0:
        raise ModelError(f"trial {title!r}: the ratio of {level} has no standard error")
    return math.log(ratio), math.sqrt(spread) / line.top


def pool_trials(results: Sequence[Analysis], *, level: str) -> Pooled:
    """Take several trials of the same two settings together.

    Parameters
    ----------
    results : sequence of Analysis
        At least two, each with `level` and a control.
    level : str
        Level of the primary treatment that is compared with the control.

    Returns
    -------
    Pooled

    Raises
    ------
    ModelError
        With fewer than two trials, where one lacks the level, where two rest on the same
        data, or where they differ in control or response.

    Notes
    -----
    Log ratios are combined by `combine_estimates`; `next_trial_limits` has the limits for the
    next trial. With two or three trials the limits are wide, and should be.

    Examples
    --------
    >>> import trialkit as tk
    >>> trial = tk.read_trial(tk.demo_folder())
    >>> data = tk.align(trial, tk.read_harvest(trial))
    >>> result = tk.analyse(trial, data)
    >>> tk.pool_trials([result, result], level="banded")  # the same harvest twice is refused
    Traceback (most recent call last):
        ...
    trialkit.errors.ModelError: trials 1 ... rest on the same data ... leave one of them out
    """
    import pandas as pd

    for result in results:
        check_kinds("pool_trials", result=result)
    if len(results) < 2:
        raise ModelError("pooling needs at least two trials")
    _check_alike(results)
    pairs = np.array([log_ratio(result, level) for result in results])
    got = combine_estimates(pairs[:, 0], pairs[:, 1] ** 2, level=results[0].trial.question.level)
    rows = []
    for result, (value, se), share in zip(results, pairs, got.weights, strict=True):
        row = result.ratios[result.ratios["level"].astype(str) == level].iloc[0]
        rows.append(
            {
                "trial": result.trial.title,
                "ratio": math.exp(value),
                "low": row["low"],
                "high": row["high"],
                "se_log": se,
                "weight_pct": 100 * share,
                "next_low": math.nan,
                "next_high": math.nan,
            }
        )
    ahead = next_trial_limits(pairs[:, 0], pairs[:, 1] ** 2, level=results[0].trial.question.level)
    ratios = [got.estimate, got.low, got.high, min(got.low, ahead[0]), max(got.high, ahead[1])]
    ratio, low, high, next_low, next_high = (_exp(value) for value in ratios)
    rows.append(
        {
            "trial": "pooled",
            "ratio": ratio,
            "low": low,
            "high": high,
            "se_log": got.se,
            "weight_pct": 100.0,
            "next_low": next_low,
            "next_high": next_high,
        }
    )
    return Pooled(
        level=level,
        against=results[0].trial.primary.reference,
        table=pd.DataFrame(rows),
        between_sd=math.sqrt(got.between),
        variances=_pooled_variances(results),
        findings=tuple(_pool_findings(results)),
    )


def _exp(value: float) -> float:
    """Give the ratio of a log ratio; infinite where it is beyond all numbers."""
    return math.exp(value) if value < 700 else math.inf


def _check_alike(results: Sequence[Analysis]) -> None:
    """Refuse the same data twice, and trials that do not ask the same."""
    seen: dict[str, int] = {}
    for at, result in enumerate(results):
        mark = data_fingerprint(result)
        if mark in seen:
            raise ModelError(
                f"trials {seen[mark] + 1} ({results[seen[mark]].trial.title!r}) and {at + 1} "
                f"({result.trial.title!r}) rest on the same data (fingerprint {mark[:12]}): a "
                "trial counts once; leave one of them out"
            )
        seen[mark] = at
    for what, values in (
        ("control", [r.trial.primary.reference for r in results]),
        ("response", [r.terms.response for r in results]),
    ):
        if len(set(values)) > 1:
            raise ModelError(
                f"the trials differ in their {what} ({', '.join(dict.fromkeys(values))}): pool "
                "trials that compare the same two settings by the same measure"
            )


def _pool_findings(results: Sequence[Analysis]) -> list[Finding]:
    """Say where trials share rows, and where they are too few to know how trials differ."""
    found = []
    for (i, one), (j, other) in itertools.combinations(enumerate(results), 2):
        share = share_in_common(one, other)
        if share > 0.5:
            found.append(
                finding(
                    "shared_rows",
                    "caution",
                    share=Number(100 * share),
                    first=i + 1,
                    first_title=one.trial.title,
                    second=j + 1,
                    second_title=other.trial.title,
                )
            )
    if len(results) < FEW_TRIALS:
        found.append(finding("few_trials", "note", trials=len(results)))
    return found


def _pooled_variances(results: Sequence[Analysis]) -> pd.DataFrame:
    """Average each variance over trials, weighted by how many units it was estimated from."""
    import pandas as pd

    rows = []
    for result in results:
        table = result.fit.table
        for term, value in result.fit.variances.items():
            names = [n for n in str(term).split(":") if n in table]
            units = len(table[names].drop_duplicates()) if names else len(table)
            rows.append({"term": str(term), "value": float(value), "units": units})
    frame = pd.DataFrame(rows)
    out = []
    for term, group in frame.groupby("term", sort=False):
        pooled = (group["value"] * group["units"]).sum() / group["units"].sum()
        out.append(
            {
                "term": term,
                "smallest": group["value"].min(),
                "pooled": pooled,
                "largest": group["value"].max(),
                "trials": len(group),
            }
        )
    return pd.DataFrame(out)
