"""What more would settle the question: the chance of a clear answer with more batches.

The trial is its own pilot: its mean squares and their degrees of freedom say which variances
are possible (`trialkit.design.power.variation_pilot`), and the formulas used in planning
(`trialkit.design.power.questions`) give the chance. So every chance has a range.
"""

from __future__ import annotations

from dataclasses import replace
from math import prod
from typing import TYPE_CHECKING

import numpy as np

from trialkit.design.power.covariates import covariates_cost
from trialkit.design.power.notes import cannot_be_said
from trialkit.design.power.questions import Wanted, all_chances
from trialkit.design.power.variation_pilot import pilot_variation
from trialkit.design.strata.comparisons import Comparison, compare_in, with_counts
from trialkit.errors import DesignError, ModelError, PlanError
from trialkit.structure import skeleton
from trialkit.trial.over_time import in_time_blocks, laid_out
from trialkit.wording import Message, Units, message

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.analysis.result import Analysis
    from trialkit.trial import Trial

MOST = 40  #: batches looked at
_TOLD_FROM = 0.005  #: smallest fall of a chance that a reader of the curve can see
_COLUMNS = (
    "repeats",
    "count",
    "no_worse",
    "difference",
    "no_worse_low",
    "no_worse_high",
    "difference_low",
    "difference_high",
)


def batches_to_settle(
    trial: Trial, result: Analysis, *, chance: float = 0.8
) -> tuple[pd.DataFrame, int | None]:
    """Work out the chance of a clear answer with more batches, all else as in this trial.

    Parameters
    ----------
    trial : Trial
    result : Analysis
        Its mean squares and their degrees of freedom say how units vary, and how surely.
    chance : float
        Chance of a clear answer that is wanted.

    Returns
    -------
    table : DataFrame
        One row per count, from the batches that are in: `repeats` (name of the repeat: batch,
        or the coarsest unit), `count`, `no_worse` (chance to show no loss beyond the margin if
        there is none), `difference` (chance to show the difference worth finding if it is
        there); and for each its range, `…_low` and `…_high`.
    needed : int or None
        Smallest count at which both chances reach `chance`; None beyond 40. Chances rise with
        the count but for one step, from which the analysis can tell batch × treatment.

    Notes
    -----
    A chance is the middle over the variances that the trial allows, moved out for its own error
    (`trialkit.design.power.questions.chance`), its range the 5th to 95th percentile: about nine of
    ten trials like this one have the true chance within, fewer where a treatment does differ by
    batch and the trial does not show it (benchmarks/pilot_power.py). Blocks are taken to be lost as
    often as in this trial.
    """
    import pandas as pd

    repeats = "batch" if "batch" in trial.counts else trial.structure.factors[0]
    reference = result.means[trial.question.primary].set_index("level")["estimate"]
    base = float(reference[trial.primary.reference])
    mean = float(np.mean(result.fit.fitted_fixed))
    rows: list[dict[str, object]] = []
    try:
        variation = pilot_variation(trial, result.fit)
        layout = _Repeated(trial, repeats)
    except (DesignError, PlanError, ModelError):
        return pd.DataFrame(columns=list(_COLUMNS)), None
    if base <= 0:
        return pd.DataFrame(columns=list(_COLUMNS)), None
    done, wanted = _done(trial, result, repeats), _wanted(trial, result, base / mean, repeats)
    needed = enough = None
    for count in range(max(1, done), MOST + 1):
        c = layout.at(count)
        if c is None:
            continue
        found = all_chances(c, variation, wanted, ("no worse", "difference"))
        low, middle, high = (
            {name.replace(" ", "_"): three[i] for name, three in found.items()} for i in range(3)
        )
        rows.append(
            {"repeats": repeats, "count": count, **middle}
            | {f"{name}_low": value for name, value in low.items()}
            | {f"{name}_high": value for name, value in high.items()}
        )
        if needed is None and min(middle.values()) >= chance:
            needed = count
        if enough is None and min(low.values()) >= chance:
            enough = count
        if needed is not None and (enough is not None or count >= 2 * needed + 3):
            break
    return pd.DataFrame(rows, columns=list(_COLUMNS)), needed


def settle_in_words(table: pd.DataFrame, needed: int | None, *, chance: float = 0.8) -> Message:
    """Say how many more batches it would take, with what this trial leaves open.

    Parameters
    ----------
    table, needed
        As `batches_to_settle` gives them.
    chance : float
        Chance of a clear answer that was asked for.

    Returns
    -------
    Message
        Says itself in the language in use.
    """
    if not len(table):
        return message("settled.unknown")
    repeats, done = str(table["repeats"].iloc[0]), int(table["count"].iloc[0])
    words = {"units": Units((repeats,)), "times": 10 * chance}
    fewest, most = needed_range(table, chance=chance)
    if fewest is None:
        return message("settled.never", most=MOST, **words)
    if fewest <= done and most is not None and most <= done:
        return message("settled.near", **words)
    beyond = message("settled.beyond", last=int(table["count"].iloc[-1]))
    top = beyond if most is None else most
    if needed is None or too_wide(table):
        return message("settled.too_wide", fewest=max(fewest, done), most=top, **words)
    more = max(needed - done, 1)
    key = "settled.more" if fewest == most else "settled.more_or_less"
    words |= {"total": done + more, "units": Units((repeats,), more)}
    said = message(key, count=more, fewest=fewest, most=top, **words)
    dip = _dip(table, needed, chance)
    return said if dip is None else message("settled.and_dip", first=said, second=dip)


def _dip(table: pd.DataFrame, needed: int, chance: float) -> Message | None:
    """Say where still more batches bring a smaller chance, since the analysis then looks closer."""
    weakest = table.set_index("count")[["no_worse", "difference"]].min(axis=1)
    short = weakest.index[(weakest.index > needed) & (weakest < chance)]
    if not len(short):
        return None
    return message(
        "settled.dip",
        total=int(short[0]),
        units=Units((str(table["repeats"].iloc[0]),)),
        chance=100 * float(weakest[short[0]]),
    )


def first_fall(table: pd.DataFrame) -> int | None:
    """Give the first count at which a chance is smaller than at the count before; None if none.

    Parameters
    ----------
    table : DataFrame
        As `batches_to_settle` gives it.
    """
    steps = table[["no_worse", "difference"]].diff().min(axis=1)
    falls = table.loc[steps < -_TOLD_FROM, "count"]
    return int(falls.iloc[0]) if len(falls) else None


def needed_range(table: pd.DataFrame, *, chance: float = 0.8) -> tuple[int | None, int | None]:
    """Give the smallest counts at which the high and the low ends reach a chance."""

    def first(end: str) -> int | None:
        enough = table[(table[f"no_worse{end}"] >= chance) & (table[f"difference{end}"] >= chance)]
        return int(enough["count"].iloc[0]) if len(enough) else None

    return first("_high"), first("_low")


def too_wide(table: pd.DataFrame) -> bool:
    """Say whether the ranges are so wide that the trial tells next to nothing about size."""
    widest = (table["no_worse_high"] - table["no_worse_low"]).max()
    return cannot_be_said(0.0, float(widest))


def _done(trial: Trial, result: Analysis, repeats: str) -> int:
    """Count the repeats that hold a result: planned ones that are not in yet do not count."""
    table = result.data.table
    if repeats not in table:
        return trial.counts[repeats]
    return int(table.loc[table[result.terms.response].notna(), repeats].nunique())


def _wanted(trial: Trial, result: Analysis, base: float, repeats: str) -> Wanted:
    """State the questions in per cent of the mean, at the level of the joint limits."""
    question = trial.question
    smallest = trial.structure.smallest
    table = result.data.table
    seen = table.loc[table[result.terms.response].notna()]
    units = seen.drop_duplicates([name for name in smallest if name in seen])
    done = _done(trial, result, repeats) * prod(
        n for name, n in trial.counts.items() if name != repeats
    )
    lost = min(max(1 - len(units) / done, 0.0), 0.95)
    names = list(trial.primary.levels)
    return Wanted(
        difference_pct=question.difference_pct * base,
        margin_pct=question.margin_pct * base,
        true_pct=0.0,
        level=result.joint_level_at_end,
        joint=False,
        reference=names.index(trial.primary.reference),
        lost={":".join(laid_out(trial).structure.smallest): lost} if lost > 1e-9 else {},
    )


class _Repeated:
    """The trial's layout with more repeats, each like the ones it has on average."""

    def __init__(self, trial: Trial, repeats: str) -> None:
        self.trial, self.repeats = trial, repeats
        self.base_count = max(2, trial.counts[repeats])  # from two on the strata stay the same
        self.base = self._layout(self.base_count)

    def _layout(self, count: int) -> Comparison:
        counted = with_counts(self.trial, {self.repeats: count})
        return covariates_cost(counted, compare_in(counted, self.trial.primary.name))

    def _structural_df(self, count: int) -> dict[tuple[str, ...], int]:
        levels = self.trial.counts | {self.repeats: count}
        treatments = {f.name: (f.applied_to, len(f.levels)) for f in self.trial.factors.values()}
        lines = skeleton(self.trial.structure, levels, treatments)
        return {line.stratum: line.df for line in lines if not line.name}

    def at(self, count: int) -> Comparison | None:
        """Give the comparison at a count; None where it cannot be made."""
        if count < 2 or in_time_blocks(self.trial):  # a whole number of blocks, or none
            try:
                return self._layout(count)
            except (DesignError, PlanError):
                return None
        c, gain = self.base, count / self.base_count
        sizes = {s: round(n * gain) if self.repeats in s else n for s, n in c.sizes.items()}
        now, then = self._structural_df(self.base_count), self._structural_df(count)
        spare = {s: max(0, df + then.get(s, 0) - now.get(s, 0)) for s, df in c.spare_df.items()}
        bigger = sizes[c.finest] / c.sizes[c.finest]
        brought = then.get(c.stratum, 0) - now.get(c.stratum, 0)
        levels = c.level_errors
        if levels is not None and c.error_df:
            levels = levels.scaled(spare[c.stratum] / c.error_df)
        return replace(
            c,
            info=c.info * bigger,
            mean_info=c.mean_info * bigger,
            finer={s: matrix * bigger for s, matrix in c.finer.items()},
            sizes=sizes,
            spare_df=spare,
            error_df=spare[c.stratum],
            batch_term=c.batch_term.with_batches(
                count - self.base_count, len(c.levels[0]), brought
            ),
            level_errors=levels,
        )
