"""A plan: drawn at random, read back, drawn as a map, and written to the trial's folder."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterator, Mapping  # noqa: F401 (fields Plan inherits)
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any  # noqa: F401 (fields that Plan inherits)

import numpy as np

from trialkit.design.layout.allocation import Allocation
from trialkit.design.layout.chance import Draws
from trialkit.design.layout.draw_record import (
    Draw,
    has_begun,
    undated_draw,
)
from trialkit.design.layout.fragile_counts import fragile_counts
from trialkit.design.layout.joined_units import joined_efficiency
from trialkit.design.layout.procedure import draw_plan, plan_table
from trialkit.design.layout.progress import shown_progress
from trialkit.design.layout.restriction_cost import restriction_findings
from trialkit.design.layout.search import Progress
from trialkit.design.layout.standing_levels import (
    continued_table,
    ran_before_and_told,
    standing_levels,
)
from trialkit.design.power.over_time import over_time_findings
from trialkit.design.sheets.map import draw_map
from trialkit.design.sheets.plan_folder import load_plan, plan_hash, write_plan
from trialkit.errors import Finding, PlanError
from trialkit.trial import Trial
from trialkit.wording import spoken

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class Plan(Allocation):
    """A randomised plan. Make it with `assign` or read it with `read_plan`.

    What it holds is described at `Allocation`.
    """

    map = draw_map
    write = write_plan


def assign(
    trial: Trial, *, seed: int | None = None, progress: Progress | bool | None = None
) -> Plan:
    """Draw a fair plan: every treatment at random over its units, balanced as counts allow.

    Levels are balanced within the units above (each batch, each chamber) and over the
    treatments given to larger units. The structure's own permutations randomise the
    arrangement, so that every unit is equally likely to receive each allowed level. Where
    `apart` or `forbidden` restrict a treatment, one of the plans of the best information is
    drawn, each equally likely; `Plan.findings` says what the restriction costs.

    Parameters
    ----------
    trial : Trial
    seed : int, optional
        Seed of chance; the trial file's by default. The same seed gives the same plan on
        every platform.
    progress : callable or bool, optional
        True shows a bar while a search runs; a callable is told (done, planned).

    Returns
    -------
    Plan

    Raises
    ------
    PlanError
        If constraints leave no plan, or a chosen method does not fit the counts.

    References
    ----------
    .. [1] Bailey, R. A. (2008). Design of Comparative Experiments. Cambridge.

    Examples
    --------
    >>> import trialkit as tk
    >>> plan = tk.assign(tk.read_trial(tk.demo_folder()))
    >>> plan.counts("schedule").to_dict()
    {'usual': 8, 'sparse': 8, 'banded': 8}
    """
    import trialkit

    seed = trial.seed if seed is None else seed
    if seed < 0:
        raise PlanError(f"the seed must be zero or more, but it is {seed}")
    if trial.tuned:
        return _tuned(trial, seed, progress)
    with shown_progress(progress, spoken().text("progress.plan")) as told:
        drawn = draw_plan(trial, Draws(seed), told)
    table = plan_table(trial, drawn)
    version = trialkit.__version__
    return Plan(
        trial=trial,
        table=table,
        seed=seed,
        version=version,
        hash=plan_hash(table, seed, version),
        method={name: drawn[name].layout.method for name in trial.factors},
        efficiency={name: drawn[name].efficiency for name in trial.factors},
        bound={name: drawn[name].bound for name in trial.factors},
        findings=(
            *over_time_findings(trial),
            *restriction_findings(trial, drawn),
            *_fragile(trial, table),
        ),
    )


def continue_plan(
    trial: Trial,
    old: Allocation | None = None,
    *,
    now: dt.datetime | None = None,
    weighed: Collection[str] = (),
    seed: int | None = None,
    again: bool = False,
    progress: Progress | bool | None = None,
) -> Plan:
    """Draw what has not begun; what was drawn before, or runs already, stands.

    Parameters
    ----------
    trial : Trial
    old : Allocation, optional
        The plan so far; its draws stand.
    now : datetime, optional
        Moment to judge by what has begun, with a time zone; the present by default.
    weighed : collection of str
        Batches of which weights are in: they have begun, whatever their dates.
    seed : int, optional
        Seed of chance; the trial file's by default.
    again : bool
        Draw again what has been drawn but has not begun.
    progress : callable or bool, optional
        As for `assign`.

    Returns
    -------
    Plan
        A whole new plan where nothing has begun and none was drawn before. Otherwise a unit that
        has a level in `old` keeps it; one that ran before any draw has what the trial file says
        it got (``[[happened]]`` with ``got``); the others are drawn by a draw of their own.
        Units that never began are left out. `Plan.draws` tells the draws apart.

    Raises
    ------
    PlanError
        If constraints leave no way to draw what joins.

    Examples
    --------
    >>> import datetime as dt
    >>> import trialkit as tk
    >>> trial = tk.read_trial(tk.demo_folder())
    >>> early = dt.datetime(2031, 1, 2, tzinfo=dt.UTC)
    >>> continue_plan(trial, now=early).hash == tk.assign(trial).hash
    True
    """
    moment = now or dt.datetime.now(dt.UTC)
    seed = trial.seed if seed is None else seed
    begun = {b for b in trial.batches if b in weighed or has_begun(trial, b, moment)}
    standing = standing_levels(trial, old, begun, again=again)
    if old is None and not any(standing.values()) and not trial.never_grown:
        return assign(trial, seed=seed, progress=progress)
    earlier = 0 if old is None else len(old.draws)
    table, stood = continued_table(trial, standing, earlier, seed)
    return _continued(trial, table, stood, old, seed, moment, sorted(begun), again=again)


def _continued(
    trial: Trial,
    table: pd.DataFrame,
    stood: np.ndarray,
    old: Allocation | None,
    seed: int,
    now: dt.datetime,
    begun: list[str],
    *,
    again: bool,
) -> Plan:
    """Put a plan together from what stands and what was drawn now."""
    import trialkit

    version = trialkit.__version__
    codes = tuple(table.loc[~stood, "unit"].astype(str))
    draws = () if old is None else draws_of(old)
    elsewhere = set(codes) if again else set()  # what is drawn again belongs to this draw alone
    if old is not None:  # and what ran before it was drawn, to none once it is told
        elsewhere |= ran_before_and_told(trial, old)
    draws = tuple(replace(d, units=tuple(u for u in d.units if u not in elsewhere)) for d in draws)
    draws = tuple(d for d in draws if d.units)
    if codes:
        draws = (*draws, Draw(now, seed, version, codes, tuple(begun)))
    first_seed, first_version = (seed, version) if old is None else (old.seed, old.version)
    return Plan(
        trial=trial,
        table=table,
        seed=first_seed,
        version=first_version,
        hash=plan_hash(table, first_seed, first_version),
        method=dict.fromkeys(trial.factors, "joined"),
        efficiency={name: joined_efficiency(trial, table, name) for name in trial.factors},
        findings=tuple(_fragile(trial, table)),
        draws=draws,
    )


def draws_of(plan: Allocation) -> tuple[Draw, ...]:
    """Give the draws of a plan; one whose day is not known where it has none."""
    factors = plan.trial.structure.factors
    return plan.draws or (undated_draw(plan.table, factors, plan.seed, plan.version),)


def _tuned(trial: Trial, seed: int, progress: Progress | bool | None) -> Plan:
    """Draw the plan of a trial whose treatments have ranges."""
    import pandas as pd

    import trialkit
    from trialkit.design.points.draw import STARTS, draw_points

    with shown_progress(progress, spoken().text("progress.plan")) as told:
        done = iter(range(1, STARTS + 1))
        tick = None if told is None else lambda: told(next(done), STARTS)
        drawn = draw_points(trial, Draws(seed), tick=tick)
    table = trial.unit_table()
    for name, factor in trial.factors.items():
        levels = np.array(list(factor.levels), dtype=object)
        table[name] = pd.Series(levels[drawn.level[name]], dtype=object)
    version = trialkit.__version__
    return Plan(
        trial=trial.with_levels(table),
        table=table,
        seed=seed,
        version=version,
        hash=plan_hash(table, seed, version),
        method=dict.fromkeys(trial.factors, "points of a surface"),
    )


def _fragile(trial: Trial, table: pd.DataFrame) -> Iterator[Finding]:
    """Say of each treatment whether its counts of units make the answer fragile."""
    for name, factor in trial.factors.items():
        units = table[[*factor.applied_to, name]].drop_duplicates()
        counts = units[name].value_counts().reindex(list(factor.levels), fill_value=0)
        yield from fragile_counts(counts.rename(name))


def plan_so_far(trial: Trial) -> Plan | None:
    """Read the plan in a trial's folder though units may have joined since; None without one.

    Raises
    ------
    PlanError
        If it cannot be read, was changed, or is of other units or levels than the trial's.
    """
    if not (trial.folder / "plan" / "plan.json").exists():
        return None
    found = load_plan(trial, None, partly=True)
    return Plan(**{f.name: getattr(found, f.name) for f in fields(found)})


def read_plan(trial: Trial, *, directory: str | Path | None = None) -> Plan:
    """Read the plan written for a trial, and check that nobody has changed it.

    Parameters
    ----------
    trial : Trial
    directory : str or Path, optional
        Folder that holds ``plan/``; the trial's folder by default.

    Raises
    ------
    PlanError
        If there is no plan, it does not fit the trial, or its hash does not match.

    Examples
    --------
    >>> import trialkit as tk
    >>> trial = tk.read_trial(tk.demo_folder())
    >>> plan = tk.read_plan(trial)
    >>> plan.table["schedule"].value_counts().to_dict()
    {'usual': 48, 'banded': 48, 'sparse': 48}
    """
    found = load_plan(trial, directory)
    return Plan(**{f.name: getattr(found, f.name) for f in fields(found)})
