"""The model's terms, derived from the trial's layout, never asked for."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

from trialkit.analysis.table import flushes_weighed
from trialkit.structure import skeleton
from trialkit.trial.over_time import START_NO, column_names, laid_out, over_starts

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.alignment.result import Aligned
    from trialkit.trial import Trial


@dataclass(frozen=True)
class Terms:
    """The model that the trial's layout calls for.

    Parameters
    ----------
    response : str
        Column analysed.
    fixed : str
        Fixed formula: treatments, flush and the interactions that have an error to be
        tested against.
    random : tuple of str
        Random terms: every stratum coarser than one row.
    left_out : tuple of str
        Interactions that no stratum can test.
    """

    response: str
    fixed: str
    random: tuple[str, ...]
    left_out: tuple[str, ...] = ()


def derive_terms(
    trial: Trial, *, response: str | None = None, data: Aligned | pd.DataFrame | None = None
) -> Terms:
    """Derive the fixed and random terms of a trial's model from its layout.

    Parameters
    ----------
    trial : Trial
    response : str, optional
        Column to analyse; that of the question by default.
    data : Aligned or DataFrame, optional
        What came in; where it holds a single flush so far, there is none to compare.

    Returns
    -------
    Terms
        Fixed: every treatment, their two-way interactions where a stratum can test them,
        and flush with its interactions with each treatment. Random: every stratum coarser
        than one row, so that each treatment is judged against the units it was given to;
        and those units crossed with flush, for what a treatment does by flush. Where starts
        follow one another in time blocks, these are a random term too; where they are balanced
        against a trend, the number of the start is fixed.

    Examples
    --------
    >>> import trialkit as tk
    >>> terms = derive_terms(tk.read_trial(tk.demo_folder()))
    >>> terms.fixed
    'schedule + light + schedule:light + flush + schedule:flush + light:flush'
    """
    wanted = response or trial.question.response
    repeated = trial.flushes > 1 and wanted != "days" and flushes_weighed(data, wanted) > 1
    trial = laid_out(trial)
    treatments = {f.name: (f.applied_to, len(f.levels)) for f in trial.factors.values()}
    lines = skeleton(trial.structure, trial.counts, treatments)
    stands_for = trial.structure.merged(trial.counts)
    spare = trial.structure.degrees_of_freedom(trial.counts)
    for name in trial.factors:
        spare[stands_for[trial.factors[name].applied_to]] -= treatments[name][1] - 1
    trend = [START_NO] if trial.over_time == "trend" else []
    for factor in list(over_starts(trial).values())[: len(trend)]:
        spare[stands_for[factor.applied_to]] -= 1
    fixed, left_out = list(trial.factors), []
    for pair in map(":".join, combinations(trial.factors, 2)):
        line = next(s for s in lines if s.name == pair)
        if spare[line.stratum] > line.df:
            spare[line.stratum] -= line.df
            fixed.append(pair)
        else:
            left_out.append(pair)
    fixed += trend
    if repeated:
        fixed += ["flush", *(f"{name}:flush" for name in trial.factors)]
    strata = trial.structure.strata(trial.counts)
    random = [column_names(term) for term in (strata if repeated else strata[:-1])]
    if repeated:
        random += _flush_strata(trial)
    return Terms(wanted, " + ".join(fixed), tuple(random), tuple(left_out))


def _flush_strata(trial: Trial) -> list[str]:
    """Cross flush with the units that each treatment was given to.

    A chamber run has good and bad flushes of its own, which all its blocks share. Without
    these terms the question whether a schedule acts differently by flush would be judged
    against single blocks, which did not receive a schedule each. The smallest units need no
    such term: their flushes are the rows. What batches and flushes share is left in these
    terms: it makes that test cautious, and further terms would cost the main test its level
    (docs/statistics.md).
    """
    stands_for = trial.structure.merged(trial.counts)
    given = {stands_for.get(f.applied_to, f.applied_to) for f in trial.factors.values()}
    strata = trial.structure.strata(trial.counts)
    return [f"{column_names(term)}:flush" for term in strata[:-1] if term in given]
