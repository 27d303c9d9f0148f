"""How treatments are laid out and randomised, stratum by stratum: one call after the other."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from trialkit.arrays import Ints
from trialkit.design.layout.blocks import complete
from trialkit.design.layout.chance import Draws, randomised, randomised_alone
from trialkit.design.layout.covariate_balance import most_even
from trialkit.design.layout.efficiency import plan_bound, plan_efficiency
from trialkit.design.layout.restricted_plans import best_plans
from trialkit.design.layout.search import Progress, searched, searched_once
from trialkit.design.layout.site import Layout, Site, treated_sites
from trialkit.design.layout.squares import carry_over, drawn_squares
from trialkit.design.layout.trend import kept_of, lost_to_trend, trend_layout
from trialkit.errors import PlanError
from trialkit.structure import Term
from trialkit.trial import Trial

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, eq=False)
class Drawn:
    """A treatment as drawn.

    Parameters
    ----------
    layout : Layout
        Of its stratum, before units and labels were shuffled.
    level : array of int
        Its level number at each unit of the stratum, in plan order.
    levels : int
        How many levels there are.
    """

    layout: Layout
    level: Ints
    levels: int

    @property
    def at_smallest(self) -> Ints:
        """Its level number at each smallest unit of the trial."""
        return self.level[self.layout.site.of_smallest]

    @property
    def efficiency(self) -> float:
        """Share of the information that is kept in its own stratum, beside a trend if there is."""
        kept = plan_efficiency(self.layout.site.groupings, self.level, self.levels)
        if self.layout.site.trend:
            kept *= float(kept_of(lost_to_trend(self.level[None], self.levels), self.levels)[0])
        return round(kept, 10)

    @property
    def bound(self) -> float:
        """The most that any plan over these units could keep."""
        used = np.bincount(self.level, minlength=self.levels).tolist()
        return round(plan_bound(self.layout.site.blocks, used), 10)


def draw_plan(
    trial: Trial,
    draws: Draws,
    progress: Progress | None = None,
    *,
    sites: Sequence[Site] | None = None,
) -> dict[str, Drawn]:
    """Lay out all treatments of a trial and randomise them; `sites` where they are known."""
    sites = treated_sites(trial) if sites is None else sites
    layouts = base_layouts(sites, draws, progress)
    level = most_even(trial, lambda: randomised(layouts, draws))
    return {
        name: Drawn(layout, level[name], len(asked))
        for layout in layouts
        for name, asked in layout.site.asked.items()
    }


def plan_table(trial: Trial, drawn: Mapping[str, Drawn]) -> pd.DataFrame:
    """List all smallest units with the level of each treatment that was drawn for them."""
    import pandas as pd

    table = trial.unit_table()
    for name, factor in trial.factors.items():
        levels = np.array(list(factor.levels), dtype=object)
        table[name] = pd.Series(levels[drawn[name].at_smallest], dtype=object)
    return table


def re_randomise(
    trial: Trial, rng: np.random.Generator | Draws, *, sites: Sequence[Site] | None = None
) -> dict[str, np.ndarray]:
    """Draw a fresh assignment by the same procedure as `assign`, for randomisation tests.

    Parameters
    ----------
    trial : Trial
    rng : Generator
        Source of chance; its raw words are consumed.
    sites : sequence of Site, optional
        Where the treatments go, as `treated_sites` gives it: for many draws, made once.

    Returns
    -------
    dict
        Treatment → level names, one per unit of its stratum in plan order (the order of
        `Trial.strata_units`).
    """
    drawn = draw_plan(trial, rng if isinstance(rng, Draws) else Draws(rng), sites=sites)
    return {
        name: np.array(list(factor.levels), dtype=object)[drawn[name].level]
        for name, factor in trial.factors.items()
    }


def base_layouts(
    sites: Sequence[Site],
    draws: Draws,
    progress: Progress | None = None,
    *,
    quick: bool = False,
    closely: Term | None = None,
) -> list[Layout]:
    """Arrange the treatments of every stratum, before randomisation.

    Latin squares take their chance from `draws`, and in a trial with constraints or a trend all
    arrangements do. With `quick`, searches start only from systematic arrangements; with
    `closely`, those over strata that are not this one or above it do.
    """
    layouts: list[Layout] = []
    constrained = any(site.limits or site.trend for site in sites)
    for site in sites:
        above = [other for other in layouts if set(other.site.term) < set(site.term)]
        over = tuple(other.treatment[site.holder(other.site.term)] for other in above)
        if site.limits:
            layouts.append(_restricted_layout(site, over, draws, quick=quick))
            continue
        if site.trend:
            layouts.append(trend_layout(site, draws))
            continue
        brief = quick or (closely is not None and not set(site.term) <= set(closely))
        # in a constrained trial larger units are not shuffled, so the search supplies the chance
        chance = draws if constrained else None
        layout = _free_layout(site, over, draws, chance, progress, quick=brief)
        if constrained:  # randomised by itself, since nothing may move a constrained one
            fixed = {name for other in above for name in other.site.term} | set(layout.ordered)
            alone = randomised_alone(site, layout.treatment, draws, fixed=fixed)
            layout = replace(layout, treatment=alone, final=True)
        layouts.append(layout)
    return layouts


def _restricted_layout(site: Site, over: tuple[Ints, ...], draws: Draws, *, quick: bool) -> Layout:
    spread = replace(site, spread_over=over)
    if quick:
        found = draws.choice(searched(spread, draws=draws))
        return Layout(site, found, "restricted, by search", final=True)
    best = best_plans(spread)
    found = np.array(best.plans[draws.below(len(best.plans))], dtype=np.int64)
    return Layout(site, found, best.words, final=True, plans=best.plans)


def _free_layout(
    site: Site,
    over: tuple[Ints, ...],
    draws: Draws,
    chance: Draws | None,
    progress: Progress | None,
    *,
    quick: bool,
) -> Layout:
    """Take a classical arrangement where there is one, otherwise search for the best."""
    method = _method(site)
    if method == "carry-over balanced":
        return carry_over(site)
    if site.square is not None:
        return Layout(site, drawn_squares(site, draws), "Latin square")
    whole = complete(site)
    if whole is not None:
        return Layout(site, whole, "randomised blocks" if site.blocks else "completely randomised")
    spread = replace(site, spread_over=over)
    if chance is not None:
        found = searched(spread, draws=chance, progress=progress)
    else:
        found = searched_once(spread, progress, quick=quick)
    words = "row–column" if len(site.blocks) > 1 else "incomplete blocks"
    return Layout(site, draws.choice(found), words)


def _method(site: Site) -> str:
    """Give the way of laying out that was asked for, once it is known to fit."""
    if len(site.methods) > 1:
        raise PlanError(
            f"{' and '.join(site.asked)} are given to the same units and must be "
            f"laid out together, but ask for {' and '.join(site.methods)}; ask for one"
        )
    method = next(iter(site.methods), "auto")
    if method == "latin square" and site.square is None:
        raise PlanError(
            f"a Latin square of {site.t} levels needs {site.t} rows crossed with {site.t} columns "
            f'as {":".join(site.term)}; change the counts or use method = "auto"'
        )
    return method
