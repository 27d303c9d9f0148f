"""What would fix a layout that cannot test a treatment, and what that costs."""

from __future__ import annotations

from collections.abc import Mapping

from trialkit.structure import Term, skeleton
from trialkit.trial import Trial
from trialkit.wording import Message, Units, message, read_wording

LEAST_ERROR_DF = 3  # df for error below which 95 % limits are more than 4.3 standard errors wide


def refusal(trial: Trial, name: str, stratum: Term) -> str:
    """Say in English why a treatment cannot be tested, what would fix it and what that costs."""
    factor = trial.factors[name]
    sizes = trial.structure.counts(trial.counts)
    each = sizes[factor.applied_to] / len(factor.levels)
    units = Units(stratum, 1 if each == 1 else 2)
    said = _with_remedies("scarce.none", trial, name, each=each, units=units)
    return said.said_in(read_wording())


def _with_remedies(key: str, trial: Trial, name: str, **values: object) -> Message:
    remedies = mend(trial, name)
    if not remedies:
        return message(key, treatment=name, **values)
    either = remedies[0]
    for remedy in remedies[1:]:
        either = message("scarce.or", first=either, second=remedy)
    return message(f"{key}_cure", treatment=name, remedies=either, **values)


def scarce(trial: Trial, name: str, df: float) -> Message | None:
    """Say that too few df for error are left to judge a treatment by, and what would fix it.

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
    Message or None
        None where `LEAST_ERROR_DF` or more are left.
    """
    if df > LEAST_ERROR_DF - 1e-9:
        return None
    return _with_remedies("scarce.few", trial, name, df=df)


def mend(trial: Trial, name: str, *, wanted_df: int = 4) -> list[Message]:
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
    list of Message
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
                out.append(_more(trial, unit, more))
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


def _more(trial: Trial, unit: str, more: int) -> Message:
    """Name how many more of a kind of unit to plan, with the cost where it is known."""
    values = {"more": more, "units": Units((unit,), more), "total": trial.counts[unit] + more}
    cost = _cost(trial, unit, more)
    return (
        message("scarce.more_priced", cost=cost, **values)
        if cost
        else message("scarce.more", **values)
    )


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
    return f"{total:.0f} {prices.currency}"
