"""Totals of chamber runs compared between levels, the run being the unit."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeAlias

from trialkit.analysis.batches_to_come import BatchPart, fit_with_term, term_stays
from trialkit.errors import ModelError
from trialkit.trial.over_time import START_NO, TIME_BLOCK, in_time_blocks, with_starts

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray

    from trialkit.arrays import Floats
    from trialkit.model.batch import Batch
    from trialkit.model.fit import Fit
    from trialkit.trial import Trial

#: Ratios tried for limits lie between one over this and this.
WIDEST = 20.0
_TRIED = 41
#: Runs with their levels → the fits of one of their totals.
Fits: TypeAlias = "dict[tuple[tuple[str, ...], ...], RunFits]"


@dataclass(frozen=True)
class RunFits:
    """Fits of a total of runs, to be done again with another total of the same runs.

    Parameters
    ----------
    plain : Fit
    whole : Fit or None
        With a random term batch × treatment, where the runs can tell it.
    part : BatchPart
    """

    plain: Fit
    whole: Fit | None
    part: BatchPart

    def chosen(self, trial: Trial) -> Fit:
        """Give the fit with the term where it is large enough to stay, as for a yield."""
        if self.whole is not None and term_stays(trial, self.part, self.whole):
            return self.whole
        return self.plain

    def again(self, response: Floats) -> RunFits:
        """Fit another total of the same runs."""
        whole = None if self.whole is None else self.whole.refit(response=response)
        return RunFits(self.plain.refit(response=response), whole, self.part)


def run_keys(trial: Trial) -> list[str]:
    """Name the columns that tell chamber runs apart: batch and chamber, those the trial has."""
    return [name for name in ("batch", "chamber") if name in trial.levels]


def fit_by_run(
    trial: Trial, totals: pd.DataFrame, response: str, *, known: Fits | None = None
) -> Fit:
    """Fit a run total against the primary treatment, batches and chambers being random.

    A treatment that acts differently from batch to batch is allowed for as in the analysis of the
    yield (`trialkit.analysis.batches_to_come`): what is saved is asked of batches to come, too.

    Parameters
    ----------
    trial : Trial
    totals : DataFrame
        One row per chamber run; those with the response are used.
    response : str
    known : dict, optional
        Fits of this trial's other totals, added to: the same runs have the same columns, which
        are worked out once.

    Raises
    ------
    ModelError
        If the runs cannot carry the model.
    """
    import pandas as pd

    from trialkit.model.fit import fit

    primary = trial.primary
    usable = totals[totals[response].notna()]
    runs = tuple(map(tuple, usable[[*run_keys(trial), primary.name]].astype(str).to_numpy()))
    values = usable[response].to_numpy(dtype=float)
    if known is not None and runs in known and math.isfinite(values.sum()):
        return known[runs].again(values).chosen(trial)
    usable = with_starts(trial, usable.copy())
    order = [primary.reference, *(x for x in primary.levels if x != primary.reference)]
    seen = [x for x in order if (usable[primary.name] == x).any()]
    if len(seen) < 2 or primary.reference not in seen:
        raise ModelError(f"too few chamber runs have {response}")
    usable[primary.name] = pd.Categorical(usable[primary.name].astype(str), categories=seen)
    above = [
        ":".join(term)
        for term in trial.structure.strata(trial.counts)
        if set(term) < {"batch", "chamber"} & set(trial.levels)
    ]
    if in_time_blocks(trial):
        above = [TIME_BLOCK, *above, f"{TIME_BLOCK}:chamber"]
    trend = f" + {START_NO}" if trial.over_time == "trend" else ""
    random = [term for term in above if _tells_runs_apart(term, usable)]
    options: dict[str, Any] = {
        "response": response, "fixed": primary.name + trend, "level": trial.question.level,
    }  # fmt: skip
    whole, part = fit_with_term(trial, usable, random=random, options=options)
    made = RunFits(fit(usable, random=random, **options), whole, part)
    if known is not None:
        known[runs] = made
    return made.chosen(trial)


def _tells_runs_apart(term: str, runs: pd.DataFrame) -> bool:
    """Say whether a random term has several units, and fewer of them than there are runs."""
    names = term.split(":")
    if any(name not in runs or runs[name].nunique() < 2 for name in names):
        return False
    return len(runs[names].drop_duplicates()) < len(runs)


def ratio_of_totals(
    trial: Trial, totals: pd.DataFrame, top: str, bottom: str, *, known: Fits | None = None
) -> pd.DataFrame:
    """Compare levels by a ratio of two totals, such as litres over kilograms.

    Parameters
    ----------
    trial : Trial
    totals : DataFrame
        One row per chamber run, with the primary treatment, `top` and `bottom`.
    top, bottom : str
        Columns. Runs with both are used.
    known : dict, optional
        As for `fit_by_run`.

    Returns
    -------
    DataFrame
        One row per level: `level, estimate, low, high` (the ratio), `change, change_low,
        change_high` (over that of the reference; NaN for it), `runs`.

    Raises
    ------
    ModelError
        If the runs cannot carry the model, or a level's total below the line is not above zero.

    Notes
    -----
    Near its level's totals, the ratio of a run moves with ``q = 1 + bottom / mean(bottom) -
    top / mean(top)``, whose mean is 1 in every level; so ``q`` is linear in what was counted,
    a run that gave nothing has ``q`` near 0, and what a batch adds to all its runs in per cent
    is the same in each. ``q`` is fitted as a yield is, with batches and chambers random. The
    limits hold every ratio ``r`` at which ``q`` of a level does not differ from ``r q`` of the
    reference [1]_; as the values themselves are taken times ``r``, so is their spread. The
    inverse of ``r``, times the ratio of totals, is the change: never below zero, and open above
    where no ratio near zero is rejected. Where all batches hold the same runs the estimate is
    the ratio of totals; where some are left out, batches weigh as in the model.

    References
    ----------
    .. [1] The idea of Fieller EC (1954), J R Stat Soc B 16:175-185; coverage with losses:
       benchmarks/totals_coverage.py.
    """
    import pandas as pd

    name, reference = trial.primary.name, trial.primary.reference
    used = totals[totals[top].notna() & totals[bottom].notna()]
    used = used.assign(**{name: used[name].astype(str)})
    sums = used.groupby(name, observed=True)[[top, bottom]].mean()
    if not (sums[bottom] > 0).all():
        raise ModelError(f"a level has no {bottom} at all")
    share = used[top] / used[name].map(sums[top])
    share = share.where(used[name].map(sums[top]) != 0, 1.0)  # none in any run of the level
    relative = 1 + used[bottom] / used[name].map(sums[bottom]) - share
    fit = fit_by_run(trial, used.assign(relative=relative), "relative", known=known)
    means = fit.means(name).set_index("level")
    found = _ratios(fit, name, reference)
    base = (sums[top] / sums[bottom]).to_dict()
    at = {str(k): v for k, v in means.to_dict("index").items()}
    own = base[reference] / at[reference]["estimate"]
    counts = used[name].value_counts()
    rows = []
    for level, mean in at.items():
        change = _change(base[level], base[reference], found.get(level))
        estimate = own if level == reference else own * change["change"]
        if math.isnan(estimate):  # none of the top at the reference
            estimate = base[level] / mean["estimate"]
        low, high = (_inverse(mean["estimate"], mean[end]) for end in ("high", "low"))
        rows.append(
            {
                "level": level,
                "estimate": estimate,
                "low": estimate * low,
                "high": estimate * high if estimate else 0.0,
                **change,
                "runs": int(counts[level]),
            }
        )
    return pd.DataFrame(rows)


def _ratios(fit: Fit, name: str, reference: str) -> dict[str, dict[str, float]]:
    """Give the ratio of every level's values to the reference's, with limits, by trying ratios.

    `low` is 0 and `high` infinite where the widest ratios tried are not rejected.
    """
    import numpy as np

    from trialkit.model.answers.means import mean_cells

    (cells,) = mean_cells(fit, name)
    labels = [str(label) for label in cells.labels]
    scaled = fit.table[name].astype(str).to_numpy() == reference
    ends = {"ratio": "estimate", "low": "low", "high": "high"}
    base = cells.rows[labels.index(reference)]
    rows = {x: cells.rows[labels.index(x)] - base for x in labels if x != reference}
    if not rows:
        return {}
    L = np.array(list(rows.values()))
    tried = np.geomspace(1 / WIDEST, WIDEST, _TRIED)
    first = _times(fit, tried, scaled).limits(L, level=fit.level)
    out: dict[str, dict[str, float]] = {}
    finer: list[tuple[int, str, Floats]] = []
    for i, label in enumerate(rows):
        brackets = {key: _bracket(tried, first[end][:, i]) for key, end in ends.items()}
        out[label] = {k: v for k, v in brackets.items() if not isinstance(v, tuple)}
        pairs = {k: v for k, v in brackets.items() if isinstance(v, tuple)}
        finer += [(i, k, np.geomspace(*pair, _TRIED // 3)) for k, pair in pairs.items()]
    if not finer:
        return out
    second = _times(fit, np.concatenate([r for _, _, r in finer]), scaled)
    found, start, labels = second.limits(L, level=fit.level), 0, list(rows)
    for i, key, ratios in finer:
        values = found[ends[key]][start : start + len(ratios), i]
        start += len(ratios)
        below = np.flatnonzero(values <= 0)
        # at the end of the bracket the line was below zero; done again it may lie a rounding above
        at = int(below[0]) if len(below) else len(ratios) - 1
        share = values[at - 1] / (values[at - 1] - values[at]) if at and len(below) else 1.0
        before = ratios[max(at - 1, 0)]
        out[labels[i]][key] = float(before + share * (ratios[at] - before))
    return out


def _times(fit: Fit, ratios: Floats, scaled: NDArray[np.bool_]) -> Batch:
    """Fit again with the values of the reference taken times each of some ratios."""
    import numpy as np

    from trialkit.model.batch import refit_batch

    return refit_batch(fit, np.where(scaled, fit.y * ratios[:, None], fit.y))


def _bracket(ratios: Floats, line: Floats) -> tuple[float, float] | float:
    """Find where a falling line of differences meets zero; 0, infinity or NaN where it does not."""
    import numpy as np

    if not np.isfinite(line).all():
        return math.nan
    below = np.flatnonzero(line <= 0)
    if not len(below):
        return math.inf
    return (float(ratios[below[0] - 1]), float(ratios[below[0]])) if below[0] else 0.0


def _inverse(middle: float, end: float) -> float:
    """Turn a limit of a divisor into a factor of the quotient: open where it reaches zero."""
    if math.isnan(end):
        return math.nan
    return middle / end if end > 0 else math.inf


def _change(base: float, reference: float, ratio: dict[Any, Any] | None) -> dict[str, float]:
    """Give the change of a quotient against the reference from the ratio of its divisors."""
    names = {"change": "ratio", "change_low": "high", "change_high": "low"}
    if ratio is None or not reference > 0:
        return dict.fromkeys(names, math.nan)
    if base == 0:
        return dict.fromkeys(names, 0.0)
    return {
        name: base / reference * (0.0 if ratio[end] == math.inf else _inverse(1.0, ratio[end]))
        for name, end in names.items()
    }
