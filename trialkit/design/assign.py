"""Who gets what: a random, balanced assignment of every treatment to its units."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from trialkit.design.all_plans import best_plans
from trialkit.design.constraints import find_constraints
from trialkit.design.crossover import carry_over
from trialkit.design.draws import Draws
from trialkit.design.efficiency import Progress, plan_bound
from trialkit.design.fragile_counts import fragile_counts
from trialkit.design.layout import (
    Layout,
    Site,
    complete,
    drawn_squares,
    replication,
    searched,
    spread,
)
from trialkit.design.progress import shown_progress
from trialkit.design.randomise import (
    draw_arrangement,
    draw_labels,
    draw_shuffles,
    rearranged,
)
from trialkit.design.restriction_cost import restriction_findings
from trialkit.design.units import Ints, unit_of
from trialkit.errors import Finding, PlanError
from trialkit.structure import Term
from trialkit.trial import Factor, Trial

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

    from trialkit.display import Shown


@dataclass(frozen=True)
class Plan:
    """A randomised plan. Make it with `assign` or read it with `read_plan`.

    Parameters
    ----------
    trial : Trial
    table : DataFrame
        One row per smallest unit: unit factors, `unit`, one column per treatment.
    seed : int
        Seed it was drawn from.
    version : str
        Version of trialkit that drew it.
    hash : str
        SHA-256 over assignment, seed and version.
    method : dict
        Treatment → how it was laid out, in words.
    efficiency : dict
        Treatment → share of the information that is kept in its own stratum, from 0 to 1.
    bound : dict
        Treatment → the most that any plan over these units could keep.
    findings : tuple of Finding
        What restrictions on the plan cost, and which levels they tie to which places.
    """

    trial: Trial
    table: pd.DataFrame
    seed: int
    version: str
    hash: str
    method: dict[str, str]
    efficiency: dict[str, float] = field(default_factory=dict)
    bound: dict[str, float] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()

    def assignment(self, factor: str) -> pd.DataFrame:
        """List the units of a treatment's stratum with the level each receives."""
        term = list(self._factor(factor).applied_to)
        return self.table[[*term, factor]].drop_duplicates(ignore_index=True)

    def _factor(self, name: str) -> Factor:
        if name not in self.trial.factors:
            raise PlanError(
                f"no treatment is called {name!r}; there are {', '.join(self.trial.factors)}"
            )
        return self.trial.factors[name]

    def counts(self, factor: str) -> pd.Series:
        """Count the units of the treatment's stratum that receive each level."""
        levels = list(self._factor(factor).levels)
        return self.assignment(factor)[factor].value_counts().reindex(levels, fill_value=0)

    def map(self) -> Figure:
        """Draw the plan as a map; see `trialkit.design.map.draw_map`."""
        from trialkit.design.map import draw_map

        return draw_map(self)

    def write(
        self, directory: str | Path, *, keep_old: bool = False, blind: bool = True
    ) -> list[Path]:
        """Write the plan's files to ``directory/plan``; see `write_plan`."""
        from trialkit.design.planfile import write_plan

        return write_plan(self, directory, keep_old=keep_old, blind=blind)

    def _shown(self) -> Shown:
        import pandas as pd

        from trialkit.display import show_table

        rows = []
        for name, factor in self.trial.factors.items():
            counts = self.counts(name)
            rows.append(
                {
                    "treatment": name,
                    "given to": factor.stratum,
                    "units per level": ", ".join(f"{k} {v}" for k, v in counts.items()),
                    "laid out as": self.method.get(name, ""),
                    "information kept": f"{100 * self.efficiency.get(name, 1.0):.1f} %",
                    "at best": f"{100 * self.bound.get(name, 1.0):.1f} %",
                }
            )
        return show_table(
            pd.DataFrame(rows),
            caption=f"Plan of “{self.trial.title}”, drawn at random from seed {self.seed}",
            notes=(f"trialkit {self.version}, plan {self.hash[:12]}", *map(str, self.findings)),
        )

    def __str__(self) -> str:
        return self._shown().text()

    def _repr_html_(self) -> str:
        return self._shown().html()


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
    import pandas as pd

    import trialkit
    from trialkit.design.planfile import plan_hash

    seed = trial.seed if seed is None else seed
    if seed < 0:
        raise PlanError(f"the seed must be zero or more, but it is {seed}")
    with shown_progress(progress, "looking for the best arrangement") as told:
        arranged, layouts, sites = _draw(trial, Draws(seed), told)
    table = trial.unit_table()
    counts = trial.counts
    whole = trial.structure.smallest
    method: dict[str, str] = {}
    efficiency: dict[str, float] = {}
    bound: dict[str, float] = {}
    for name, factor in trial.factors.items():
        levels = np.array(list(factor.levels), dtype=object)
        given = levels[arranged[name][unit_of(whole, factor.applied_to, counts)]]
        table[name] = pd.Series(given, dtype=object)
        method[name] = layouts[factor.applied_to].method
        site = sites[factor.applied_to]
        alone = Site(site.structure, site.counts, site.term, (len(levels),), ())
        efficiency[name] = round(spread(alone, arranged[name]), 10)
        used = np.bincount(arranged[name], minlength=len(levels)).tolist()
        bound[name] = round(plan_bound(trial.structure, counts, factor.applied_to, used), 10)
    version = trialkit.__version__
    return Plan(
        trial=trial,
        table=table,
        seed=seed,
        version=version,
        hash=plan_hash(table, seed, version),
        method=method,
        efficiency=efficiency,
        bound=bound,
        findings=(*restriction_findings(trial, layouts, sites), *_fragile(trial, table)),
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
    from trialkit.design.planfile import load_plan

    return load_plan(trial, directory)


def re_randomise(trial: Trial, rng: np.random.Generator | Draws) -> dict[str, np.ndarray]:
    """Draw a fresh assignment by the same procedure as `assign`, for randomisation tests.

    Parameters
    ----------
    trial : Trial
    rng : Generator
        Source of chance; its raw words are consumed.

    Returns
    -------
    dict
        Treatment → level names, one per unit of its stratum in plan order (the order of
        `Trial.strata_units`).
    """
    draws = rng if isinstance(rng, Draws) else Draws(rng)
    arranged, _, _ = _draw(trial, draws, None)
    return {
        name: np.array(list(factor.levels), dtype=object)[arranged[name]]
        for name, factor in trial.factors.items()
    }


def strata_factors(trial: Trial) -> dict[Term, list[Factor]]:
    """Group the treatments by the stratum they are applied to, coarsest first."""
    return {
        term: here
        for term in trial.structure.terms
        if (here := [f for f in trial.factors.values() if f.applied_to == term])
    }


def base_layouts(
    trial: Trial,
    draws: Draws | None = None,
    progress: Progress | None = None,
    *,
    quick: bool = False,
    closely: Term | None = None,
) -> tuple[dict[Term, Layout], dict[Term, Site]]:
    """Arrange the treatments of every stratum, before randomisation.

    Latin squares take their chance from `draws`, and in a trial with constraints all
    arrangements do. With `quick`, searches start only from systematic arrangements; with
    `closely`, those over strata that are not this one or above it do.
    """
    layouts: dict[Term, Layout] = {}
    sites: dict[Term, Site] = {}
    chance = draws or Draws(trial.seed)
    here = strata_factors(trial)
    limits = {term: find_constraints(factors, trial.levels, term) for term, factors in here.items()}
    constrained = any(limit.any for limit in limits.values())
    for term, factors in here.items():
        site = _site(trial, term, factors)
        groups = tuple(
            _onto(layout.treatment, sites[higher], term)
            for higher, layout in layouts.items()
            if set(higher) < set(term)
        )
        if limits[term].any and quick:
            found = searched(site, groups=groups, constraints=limits[term], draws=chance)
            layout = Layout(chance.choice(found), "restricted, by search", final=True)
        elif limits[term].any:
            plans = best_plans(site, limits[term], groups=groups)
            layout = Layout(plans.draw(chance), plans.words, final=True, plans=plans)
        else:
            brief = quick or (closely is not None and not set(term) <= set(closely))
            layout = _free_layout(site, factors, groups, chance, constrained, progress, quick=brief)
            if constrained:  # randomised by itself, since nothing may move a constrained one
                above = {name for other in layouts if set(other) < set(term) for name in other}
                fixed = above | set(layout.ordered)
                asked = [_asked(factor) for factor in factors]
                drawn = draw_arrangement(site.structure, site.counts, term, layout.treatment,
                                         asked, chance, fixed=fixed)  # fmt: skip
                layout = Layout(drawn, layout.method, layout.ordered, final=True)
        layouts[term], sites[term] = layout, site
    return layouts, sites


def _site(trial: Trial, term: Term, factors: list[Factor]) -> Site:
    sizes = tuple(len(f.levels) for f in factors)
    weights = np.ones(1, dtype=np.int64)
    for factor in factors:
        weights = np.kron(weights, np.array(_asked(factor)))
    n = int(np.prod([trial.counts[name] for name in term]))
    if len(weights) > n:
        raise PlanError(
            f"{len(weights)} combinations of {' and '.join(f.name for f in factors)} do not fit "
            f"on {n} {':'.join(term)} units; add units or drop levels"
        )
    target = tuple(replication(n, [int(w) for w in weights]))
    return Site(trial.structure, trial.counts, term, sizes, target)


def _free_layout(
    site: Site,
    factors: list[Factor],
    groups: tuple[Ints, ...],
    draws: Draws,
    constrained: bool,
    progress: Progress | None,
    *,
    quick: bool = False,
) -> Layout:
    methods = {f.method for f in factors} - {"auto"}
    if len(methods) > 1:
        raise PlanError(
            f"{' and '.join(f.name for f in factors)} are given to the same units and must be "
            f"laid out together, but ask for {' and '.join(sorted(methods))}; ask for one"
        )
    method = next(iter(methods), "auto")
    if method == "latin square" and site.square is None:
        raise PlanError(
            f"a Latin square of {site.t} levels needs {site.t} rows crossed with {site.t} columns "
            f'as {":".join(site.term)}; change the counts or use method = "auto"'
        )
    if method == "carry-over balanced":
        return carry_over(site)
    if site.square is not None:
        return Layout(drawn_squares(site, draws), "Latin square")
    whole = complete(site)
    if whole is not None:
        return Layout(whole, "randomised blocks" if site.parents else "completely randomised")
    if constrained:  # larger units are not shuffled, so the search supplies the chance
        found = searched(site, groups=groups, draws=draws, progress=progress)
    else:
        found = _searched_once(site, groups, progress, quick)
    method = "row–column" if len(site.parents) > 1 else "incomplete blocks"
    return Layout(draws.choice(found), method)


_known: dict[object, list[Ints]] = {}


def _searched_once(
    site: Site, groups: tuple[Ints, ...], progress: Progress | None, quick: bool
) -> list[Ints]:
    """Search once for each situation; the result does not depend on the trial's seed."""
    key = (site.structure.text, tuple(site.counts.items()), site.term, site.sizes, site.target,
           tuple(g.tobytes() for g in groups), quick)  # fmt: skip
    if key not in _known:
        while len(_known) >= 64:
            _known.pop(next(iter(_known)))
        _known[key] = searched(site, groups=groups, progress=progress, quick=quick)
    return _known[key]


def _onto(treatment: Ints, site: Site, term: Term) -> Ints:
    """Give each unit of a lower stratum the treatment of the larger unit that holds it."""
    return treatment[unit_of(term, site.term, site.counts)]


def _draw(
    trial: Trial, draws: Draws, progress: Progress | None
) -> tuple[dict[str, Ints], dict[Term, Layout], dict[Term, Site]]:
    """Arrange and randomise all treatments; level numbers per unit of each stratum."""
    layouts, sites = base_layouts(trial, draws, progress)
    used = {name for term in layouts for name in term}
    final = {name for term, layout in layouts.items() if layout.final for name in term}
    shuffles = draw_shuffles(trial.structure, trial.counts, draws, factors=used, fixed=final)
    out: dict[str, Ints] = {}
    for term, layout in layouts.items():
        ordered = {
            name for other in layouts if set(other) <= set(term) for name in layouts[other].ordered
        }
        mine = {name: moves for name, moves in shuffles.items() if name not in ordered}
        moved = layout.treatment[rearranged(trial.structure, trial.counts, term, mine)]
        levels = np.indices(sites[term].sizes).reshape(len(sites[term].sizes), -1)
        for i, factor in enumerate(strata_factors(trial)[term]):
            labels = _labels(factor, layout, draws)
            out[factor.name] = labels[levels[i][moved]]
    return out, layouts, sites


def _labels(factor: Factor, layout: Layout, draws: Draws) -> Ints:
    if layout.final:
        return np.arange(len(factor.levels))
    return np.array(draw_labels(_asked(factor), draws))


def _asked(factor: Factor) -> list[int]:
    """Give how often each level was asked for, beside the others."""
    asked: Mapping[str, Any] = factor.replication or {}
    return [asked.get(level, 1) for level in factor.levels]
