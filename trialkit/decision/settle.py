"""What more would settle the question: batches needed for a clear answer."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from trialkit.structure import skeleton

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.analysis import Analysis
    from trialkit.trial import Trial

_MOST = 40


def _error_df(trial: Trial, repeats: str, count: int) -> int:
    levels = trial.counts | {repeats: count}
    treatments = {f.name: (f.applied_to, len(f.levels)) for f in trial.factors.values()}
    stratum = trial.structure.merged(levels).get(trial.primary.applied_to)
    lines = skeleton(trial.structure, levels, treatments)
    return next((s.df for s in lines if s.stratum == stratum and not s.name), 0)


def _lasting_share(trial: Trial, result: Analysis, repeats: str, se: float) -> float:
    """Share of a difference's variance that more repeats do not lessen.

    A schedule that stays with its chamber is repeated on the same chambers: what one chamber
    has over another stays in the difference however many batches are added.
    """
    own = trial.structure.merged(trial.counts).get(trial.primary.applied_to)
    if own is None or repeats in own:
        return 0.0
    units = math.prod(trial.counts[name] for name in own) / len(trial.primary.levels)
    lasting = 2 * float(result.fit.variances.get(":".join(own), 0.0)) / units
    return min(max(lasting / se**2, 0.0), 1.0)


def chance_of_answer(se: float, df: float, distance: float, level: float) -> float:
    """Chance that a two-sided interval clears a limit this far from the truth.

    Parameters
    ----------
    se : float
        Standard error of the difference.
    df : float
        Its degrees of freedom.
    distance : float
        Distance of the true difference from the limit, in the unit of `se`.
    level : float
        Two-sided confidence of the interval.

    Returns
    -------
    float
        Between 0 and 1.

    Notes
    -----
    The upper tail of the non-central t distribution beyond the t quantile.

    Examples
    --------
    Two groups of 64 with sd 1, half a standard deviation apart (Cohen 1988: power 0.80):

    >>> round(chance_of_answer((2 / 64) ** 0.5, 126, 0.5, 0.95), 4)
    0.8015
    """
    from scipy import special

    if df < 1 or se <= 0:
        return 0.0
    quantile = special.stdtrit(df, (1 + level) / 2)
    return float(1 - special.nctdtr(df, distance / se, quantile))


def batches_to_settle(
    trial: Trial, result: Analysis, *, chance: float = 0.8
) -> tuple[pd.DataFrame, int | None]:
    """Work out the chance of a clear answer with more batches, all else as in this trial.

    Parameters
    ----------
    trial : Trial
    result : Analysis
        Its standard error and variances are taken as they stand.
    chance : float
        Chance of a clear answer that is wanted.

    Returns
    -------
    table : DataFrame
        `repeats` (name of the repeat: batch, or the coarsest unit), `count`, `no_worse`
        (chance to show no loss beyond the margin if there is none) and `difference` (chance
        to show the difference worth finding if it is there).
    needed : int or None
        Smallest count with both chances reached; None beyond 40.

    Notes
    -----
    The standard error of this trial is taken for the true one. It rests on few units, so that
    the count it leads to is itself uncertain (docs/statistics.md says how much).
    """
    import pandas as pd

    question = trial.question
    repeats = "batch" if "batch" in trial.counts else trial.structure.factors[0]
    now = trial.counts[repeats]
    rows = result.differences[question.primary].dropna(subset=["se"])
    reference = result.means[question.primary].set_index("level")["estimate"]
    base = float(reference[trial.primary.reference])
    if not len(rows) or base <= 0:
        return pd.DataFrame(columns=["repeats", "count", "no_worse", "difference"]), None
    se_now = float(rows["se"].mean())
    lasting = _lasting_share(trial, result, repeats, se_now)
    out, needed = [], None
    for count in range(max(1, now), _MOST + 1):
        df = _error_df(trial, repeats, count)
        se = se_now * math.sqrt(lasting + (1 - lasting) * now / count)
        found = {
            "no_worse": chance_of_answer(
                se, df, base * question.margin_pct / 100, result.joint_level
            ),
            "difference": chance_of_answer(
                se, df, base * question.difference_pct / 100, result.joint_level
            ),
        }
        out.append({"repeats": repeats, "count": count, **found})
        if needed is None and min(found.values()) >= chance:
            needed = count
        if needed is not None and count >= needed + 3:
            break
    return pd.DataFrame(out), needed
