"""The next plan of a trial's folder: drawn whole at first, later only what has not begun."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from trialkit.errors import PlanError, TrialkitError
from trialkit.folder import log_files, read_log

if TYPE_CHECKING:
    from trialkit.design.plan import Plan
    from trialkit.trial import Trial


def batches_weighed(trial: Trial) -> list[str]:
    """List the batches of which weights are in; all of them where the log cannot be read."""
    if "harvest" not in trial.logs or not log_files(trial, "harvest"):
        return []
    try:
        log = read_log(trial, "harvest")
    except TrialkitError:
        return list(trial.batches)  # better to draw too little than to draw what has begun
    if log is None or not len(log.table):
        return []
    if "batch" not in log.table:
        return list(trial.batches)
    seen = set(log.table["batch"].astype(str))
    return [batch for batch in trial.batches if batch in seen]


def next_plan(
    trial: Trial,
    *,
    seed: int | None = None,
    beside: bool = False,
    weighed: Sequence[str] = (),
    now: dt.datetime | None = None,
    progress: Any = None,
) -> Plan:
    """Draw what a trial's folder needs: all of it, what joined since, or nothing.

    Parameters
    ----------
    trial : Trial
    seed : int, optional
        Seed of chance; the trial file's by default. Another one than the plan's asks for
        another plan.
    beside : bool
        For a trial that has begun: draw again what has not begun.
    weighed : sequence of str
        Batches of which weights are in.
    now : datetime, optional
        Moment to judge by, with a time zone; the present by default.
    progress : callable or bool, optional
        As for `assign`.

    Returns
    -------
    Plan
        Not written yet.

    Notes
    -----
    A plan that is there stands: a unit that it names keeps its levels. Where nothing has begun,
    another seed draws all of it again; where something has, `beside` draws again what has not.
    """
    from trialkit.design.layout.draw_record import has_begun
    from trialkit.design.layout.standing_levels import ran_before_and_told
    from trialkit.design.plan import (
        assign,
        continue_plan,
        draws_of,
        plan_so_far,
    )

    moment = now or dt.datetime.now(dt.UTC)
    chosen = trial.seed if seed is None else seed
    options: dict[str, Any] = {"now": moment, "weighed": weighed, "seed": seed}
    begun = [b for b in trial.batches if b in weighed or has_begun(trial, b, moment)]
    try:
        old = plan_so_far(trial)
    except PlanError:
        if begun:
            raise
        old = None  # of other units, or broken; nothing has begun that it could describe
    if trial.tuned:  # points of a surface are drawn whole
        return assign(trial, seed=seed, progress=progress)
    if old is None:
        return continue_plan(trial, None, progress=progress, **options)
    if beside and begun:
        return continue_plan(trial, old, again=True, progress=progress, **options)
    units = set(trial.grown_units()["unit"])
    joined = not units <= set(old.table["unit"])
    told = ran_before_and_told(trial, old)
    if joined or told or len(old.draws) > 1 or trial.never_grown or _in_part(old):
        if chosen != old.seed and not begun:
            return continue_plan(trial, None, progress=progress, **options)
        return continue_plan(trial, old, progress=progress, **options)
    drawn = assign(trial, seed=seed, progress=progress)
    names = list(trial.factors)
    if drawn.table[names].astype(str).equals(old.table[names].astype(str)):
        # the very same, under whatever names
        drawn = replace(drawn, draws=draws_of(old))
    return drawn


def plan_in_parts(trial: Trial) -> Plan | None:
    """Give the plan in the folder where it was drawn in parts; None otherwise."""
    from trialkit.design.plan import plan_so_far

    try:
        plan = plan_so_far(trial)
    except PlanError:
        return None
    return plan if plan is not None and plan.in_parts else None


def _in_part(plan: Plan) -> bool:
    """Tell whether some units of a plan were never drawn, since they ran already."""
    drawn = {code for draw in plan.draws for code in draw.units}
    return bool(plan.draws) and not set(plan.table["unit"].astype(str)) <= drawn


def _joined_chambers(plan: Plan) -> list[str]:
    """Name the chambers that the last draw alone knows, where others stood before it."""
    if "chamber" not in plan.table or len(plan.draws) < 2:
        return []
    now = plan.table["unit"].astype(str).isin(plan.draws[-1].units)
    chambers = plan.table["chamber"].astype(str)
    before = set(chambers[~now])
    return [name for name in dict.fromkeys(chambers[now]) if before and name not in before]


def entries_of_runs(plan: Plan, batches: Collection[str]) -> list[str]:
    """Write entries of the trial file that say what each run of some batches got.

    Parameters
    ----------
    plan : Plan
    batches : collection of str

    Returns
    -------
    list of str
        Lines; the level and the reason are left for the grower to fill in. Of a chamber that
        only the last draw knows they say that it was added; what is told already is left out.
    """
    from trialkit.design.layout.standing_levels import ran_before_and_told

    trial, factor = plan.trial, plan.trial.primary
    table = plan.assignment(factor.name)
    if "batch" in factor.applied_to:
        table = table[table["batch"].isin(batches)]
    here = set(table["chamber"].astype(str)) if "chamber" in table else set()
    added = [name for name in _joined_chambers(plan) if name in here]
    lines: list[str] = []
    for name in added:
        lines += ["[[happened]]", "on     = …", f'added  = "{name}"', 'reason = "…"', ""]
    levels = " or ".join(f'"{name}"' for name in factor.levels)
    told = ran_before_and_told(trial, plan)
    units = plan.table.groupby(list(factor.applied_to), sort=False)["unit"].agg(set).to_dict()
    for row in table.to_dict("records"):
        key = tuple(row[name] for name in factor.applied_to)
        if units[key if len(key) > 1 else key[0]] <= told or row.get("chamber") in added:
            continue
        dates = trial.batches.get(str(row.get("batch", "all")))
        start = None if dates is None else dates.start
        on = "…" if start is None else f"{start.astimezone(trial.zone):%Y-%m-%dT%H:%M:%S}"
        unit = ":".join(str(row[name]) for name in factor.applied_to)
        lines += ["[[happened]]", f"on     = {on}", f'unit   = "{unit}"']
        lines += [f'got    = "…"   # {levels}', 'reason = "ran before the plan was drawn"', ""]
    return lines
