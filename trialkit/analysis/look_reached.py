"""Find the planned look that a harvest has reached, and the information it brings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from trialkit.analysis.fit_response import fit_response
from trialkit.analysis.look import Look, batches_in, batches_in_order, batches_that_count
from trialkit.analysis.table import level_order
from trialkit.design.power.looks import LookPlan, ending_after, level_at, look_plan
from trialkit.errors import ModelError
from trialkit.trial.look_checks import BATCH

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.alignment.result import Aligned
    from trialkit.model.fit import Fit
    from trialkit.model.likelihood.prepare import Spec
    from trialkit.trial import Trial

_LEAST_STEP = 0.002  #: share of information that a look brings at least


def look_reached(trial: Trial, data: Aligned) -> tuple[Look, Aligned] | None:
    """Find the planned look that the harvest has reached, with the data it rests on.

    Parameters
    ----------
    trial : Trial
    data : Aligned

    Returns
    -------
    look : Look
    data : Aligned
        Without what is in of later batches.

    None where the trial plans no look before the end, or the batches that are in are not those of
    a look.
    """
    table = data.table
    if not {BATCH, "status"} <= set(table) or BATCH not in trial.counts:
        return None
    plan = look_plan(trial)
    if plan is None:
        return None
    whole, some = batches_in(table)
    order = batches_that_count(trial, whole)
    first = next((i for i, name in enumerate(order) if name not in whole), len(order))
    if not first or whole - set(order[:first]):  # a later batch is in whole before it
        return None
    plan = ending_after(plan, len(order))
    if first not in plan.batches:
        return None
    number = plan.batches.index(first) + 1
    now = order[:first]
    parts = [name for name in batches_in_order(trial) if name in some and name not in now]
    given_up = _given_up_before(trial, now, parts, everything=number == len(plan.batches))
    later = tuple(name for name in parts if name not in given_up)
    data = _up_to(data, [*now, *given_up])
    shares = [_share(trial, data, order[:n], len(order)) for n in plan.batches[:number]]
    return _look(trial, plan, number, now, later, rising_shares(shares, plan)), data


def _given_up_before(
    trial: Trial, now: Sequence[str], parts: Sequence[str], *, everything: bool
) -> list[str]:
    """List the batches given up that brought something before a look, or before the end."""
    order, counted = batches_in_order(trial), set(batches_that_count(trial))
    last = max(order.index(name) for name in now)
    gone = [name for name in parts if name not in counted]
    return [name for name in gone if everything or order.index(name) < last]


def _look(
    trial: Trial,
    plan: LookPlan,
    number: int,
    now: Sequence[str],
    later: tuple[str, ...],
    shares: tuple[float, ...],
) -> Look:
    spent, level = level_at(trial, plan, shares)
    last = number == len(plan.batches)
    to_come = tuple(s for s in plan.shares[number:] if s > shares[-1] + _LEAST_STEP)
    at_end = level if last else level_at(trial, plan, _with_end(shares, to_come, plan))[1]
    return Look(
        number=number,
        of=len(plan.batches),
        batches=tuple(now),
        later=later,
        total=plan.batches[-1],
        following=None if last else plan.batches[number],
        share=shares[-1],
        spent=spent,
        alpha=(1 - trial.question.level) / 2,
        level=level,
        level_at_end=at_end,
    )


def _with_end(
    shares: tuple[float, ...], to_come: tuple[float, ...], plan: LookPlan
) -> tuple[float, ...]:
    """Put planned looks after those taken, as many as there are."""
    missing = len(plan.batches) - len(shares)
    steps = np.linspace(shares[-1], 1.0, missing + 1)[1:]
    return (*shares, *(to_come if len(to_come) == missing else map(float, steps)))


def rising_shares(shares: Sequence[float], plan: LookPlan) -> tuple[float, ...]:
    """Let shares rise from look to look, and leave room for those to come."""
    out: list[float] = []
    last = len(plan.batches)
    for i, share in enumerate(shares):
        low = (out[-1] if out else 0.0) + _LEAST_STEP
        high = 1.0 - _LEAST_STEP * (last - 1 - i)
        out.append(1.0 if i == last - 1 else float(np.clip(share, min(low, high), high)))
    return tuple(out)


def _up_to(data: Aligned, batches: Sequence[str]) -> Aligned:
    """Leave out what is in of other batches, as if it had not come in yet."""
    table = data.table.copy()
    waits = ~table[BATCH].astype(str).isin(set(batches))
    if not (waits & (table["status"] != "missing")).any():
        return data
    measured = ["fresh_g", "dry_g", "caps", "be_pct", "days", *data.trial.columns]
    for name in [c for c in dict.fromkeys(measured) if c in table]:
        table[name] = table[name].where(~waits)
    table["status"] = table["status"].where(~waits, "missing")
    return replace(data, table=table)


def _share(trial: Trial, data: Aligned, batches: Sequence[str], total: int) -> float:
    """Give the share of the whole information that some batches bring.

    It is the variance that the effect would have with all rows still to come, over the variance it
    has with those that are in, both at the variances that these batches tell.
    """
    plain = len(batches) / total
    if len(batches) == 1 or plain == 1:  # one batch does not tell batches and runs apart
        return plain
    here = _up_to(data, batches)
    try:
        terms, rows, fit = fit_response(trial, here, scale=trial.question.scale)
        seen = rows[rows[terms.response].notna()]
        waits = ~rows[BATCH].astype(str).isin(set(batches)) & ~rows["unit"].isin(trial.given_up)
        return _information_share(trial, fit, seen, rows[waits])
    except (ModelError, np.linalg.LinAlgError):
        return plain


def _information_share(trial: Trial, fit: Fit, seen: pd.DataFrame, to_come: pd.DataFrame) -> float:
    """Compare the variances of the effect with the rows seen and with all rows."""
    import pandas as pd

    variances = fit.variances.clip(lower=0.0)
    if not variances.iloc[-1] > 0:
        raise ModelError("no residual variance to weigh rows by")
    every = level_order(trial, pd.concat([seen, to_come], ignore_index=True))
    every[fit.spec.response] = np.arange(len(every), dtype=float)  # only its place counts
    now = level_order(trial, seen)
    pair = [
        effect_variance(trial.primary.name, frame, fit.spec, variances) for frame in (every, now)
    ]
    return pair[0] / pair[1]


def effect_variance(primary: str, rows: pd.DataFrame, spec: Spec, variances: pd.Series) -> float:
    """Give the largest variance of a difference from the first level, at given variances."""
    from trialkit.model.inference.smallsample import generalised_least_squares
    from trialkit.model.likelihood.prepare import prepare

    data = prepare(rows, spec)
    reduced, design = data.reduced, data.design
    phi = np.array([variances[name] for name in reduced.params]) / reduced.units
    solved = generalised_least_squares(reduced, phi[None], np.zeros((1, len(reduced.stratum))))
    others = [name for name in design.levels if name != primary]
    grid = design.grid_rows([primary, *others])[:, design.kept]
    means = grid.reshape(len(design.levels[primary]), -1, grid.shape[1]).mean(axis=1)
    apart = means[1:] - means[0]
    return float(np.einsum("ij,jk,ik->i", apart, solved.C[0], apart).max())
