"""A plan: drawn at random, read back, drawn as a map, and written to the trial's folder."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING

from trialkit.design.layout.allocation import Allocation
from trialkit.design.layout.chance import Draws
from trialkit.design.layout.fragile_counts import fragile_counts
from trialkit.design.layout.procedure import draw_plan, plan_table
from trialkit.design.layout.progress import shown_progress
from trialkit.design.layout.restriction_cost import restriction_findings
from trialkit.design.layout.search import Progress
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


def _fragile(trial: Trial, table: pd.DataFrame) -> Iterator[Finding]:
    """Say of each treatment whether its counts of units make the answer fragile."""
    for name, factor in trial.factors.items():
        units = table[[*factor.applied_to, name]].drop_duplicates()
        counts = units[name].value_counts().reindex(list(factor.levels), fill_value=0)
        yield from fragile_counts(counts.rename(name))


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
    """
    found = load_plan(trial, directory)
    return Plan(**{f.name: getattr(found, f.name) for f in fields(found)})
