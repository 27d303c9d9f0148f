"""What would mend a layout that cannot test a treatment, and what that costs."""

from __future__ import annotations

from collections.abc import Mapping

from trialkit.structure import Term, skeleton
from trialkit.trial import Trial
from trialkit.wording import plural, units_in_words

LEAST_ERROR_DF = 3  # df for error below which 95 % limits are more than 4.3 standard errors wide


def _one(term: Term) -> str:
    """Name a single unit of a stratum."""
    return "chamber run" if set(term) == {"batch", "chamber"} else term[-1]


def refusal(trial: Trial, name: str, stratum: Term) -> str:
    """Say why a treatment cannot be tested, what would mend it and what that costs."""
    factor = trial.factors[name]
    sizes = trial.structure.counts(trial.counts)
    each = sizes[factor.applied_to] / len(factor.levels)
    kind = _one(stratum) if each == 1 else units_in_words(stratum)
    remedies = mend(trial, name)
    text = (
        f"{name} cannot be tested: each level sits in only {each:g} {kind}, and nothing is left "
        "to judge chance by"
    )
    return text + (f". What would mend it: {'; or '.join(remedies)}" if remedies else "")


def scarce(trial: Trial, name: str, df: float) -> str:
    """Say that too little is left to judge a treatment by, and what would mend it.

    Parameters
    ----------
    trial : Trial
    name : str
        Treatment.
    df : float
        Degrees of freedom for error once everything that is set apart (batches, chambers) has
        taken its share, as the analysis takes it where batches or chambers are few.

    Returns
    -------
    str
        Empty where `LEAST_ERROR_DF` or more are left.
    """
    if df > LEAST_ERROR_DF - 1e-9:
        return ""
    text = (
        f"{name} leaves only {df:.2g} df to judge chance by, so limits will be too wide to tell "
        "much, and one lost unit may leave no test at all"
    )
    remedies = mend(trial, name)
    return text + (f". What would mend it: {'; or '.join(remedies)}" if remedies else "")


def mend(trial: Trial, name: str, *, wanted_df: int = 4) -> list[str]:
    """Say how many more chambers, batches or blocks would give a treatment an error.

    Parameters
    ----------
    trial : Trial
    name : str
        Treatment.
    wanted_df : int
        Degrees of freedom for error to reach; 4 is the least at which an interval is of
        any use (t at 95 % is 2.8; common practice, no source).

    Returns
    -------
    list of str
        One remedy per unit factor of the treatment's stratum, with its cost where known.
    """
    factor = trial.factors[name]
    others = {
        f.name: (f.applied_to, len(f.levels)) for f in trial.factors.values() if f.name != name
    }
    out = []
    for unit in factor.applied_to:
        now = trial.counts[unit]
        for more in range(1, 50):
            counts = {**trial.counts, unit: now + more}
            if _structural_df(trial, counts, name, others) >= wanted_df:
                named = plural(unit) if more > 1 else unit
                text = f"{more} more {named} ({now + more} in all)"
                out.append(text + _cost(trial, unit, more))
                break
    return out


def _structural_df(
    trial: Trial,
    counts: Mapping[str, int],
    name: str,
    others: Mapping[str, tuple[Term, int]],
) -> int:
    factor = trial.factors[name]
    given = {**others, name: (factor.applied_to, len(factor.levels))}
    lines = skeleton(trial.structure, counts, given)
    home = trial.structure.merged(counts).get(factor.applied_to)
    return next((line.df for line in lines if line.stratum == home and not line.name), 0)


def _cost(trial: Trial, unit: str, more: int) -> str:
    prices = trial.prices
    each = getattr(prices, f"{unit}_each", None) if prices is not None else None
    blocks = 1
    for name, n in trial.counts.items():
        blocks *= 1 if name == unit else n
    per_block = prices.block_each if prices is not None else None
    if each is None and per_block is None:
        return ""
    total = more * ((each or 0.0) + (blocks * (per_block or 0.0) if unit != "block" else 0.0))
    assert prices is not None
    return f", about {total:.0f} {prices.currency}"
