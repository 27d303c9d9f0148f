"""How treatments are arranged over their units and randomised, stratum by stratum."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from trialkit.design.layout.all_plans import best_plans
from trialkit.design.layout.arrangements import (
    Layout,
    Site,
    complete,
    drawn_squares,
    replication,
    searched,
)
from trialkit.design.layout.constraints import find_constraints
from trialkit.design.layout.crossover import carry_over
from trialkit.design.layout.draws import Draws
from trialkit.design.layout.efficiency import Progress
from trialkit.design.layout.randomise import (
    draw_arrangement,
    draw_labels,
    draw_shuffles,
    rearranged,
)
from trialkit.design.layout.units import Ints, unit_of
from trialkit.errors import PlanError
from trialkit.structure import Term
from trialkit.trial import Factor, Trial


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
    arranged, _, _ = draw_all(trial, draws, None)
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


def draw_all(
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
