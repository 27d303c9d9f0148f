"""Draw the plan of a trial whose treatments are settings tuned as numbers.

The points are searched for what they tell about the whole range; chance then decides which units
of each kind stand where, as the unit structure allows.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import prod
from typing import Any

import numpy as np
import pandas as pd

from trialkit.arrays import Floats, Ints
from trialkit.design.layout.chance import Draws, draw_shuffles, rearranged
from trialkit.design.layout.site import Site
from trialkit.design.points.criteria import prediction_variance, unit_weights
from trialkit.design.points.held import Held, settings_held
from trialkit.design.points.search import Points, find_points
from trialkit.design.variation import Variation, planning_ranges
from trialkit.errors import Finding, PlanError
from trialkit.settings.polynomial import terms
from trialkit.settings.setting_range import SettingRange, coded_grid, coded_usual
from trialkit.structure import Term
from trialkit.trial import Factor, Trial

#: Random starts of the search for points.
STARTS = 12
#: Units with today's settings, of so many.
_ONE_IN = 12
_WHOLE = "trial"  # what all units share, which varies by nothing


@dataclass(frozen=True, eq=False)
class DrawnPoints:
    """Settings drawn for every unit. Made by `draw_points`.

    Parameters
    ----------
    level : dict
        Treatment → number of its level at each smallest unit of the trial.
    table : DataFrame
        One row per treated unit: its unit factors and the settings as numbers.
    found : Points
    findings : tuple of Finding
        Settings that were left out, as the room cannot hold them, or were not checked for that.
    """

    level: dict[str, Ints]
    table: pd.DataFrame
    found: Points
    findings: tuple[Finding, ...] = ()


def draw_points(
    trial: Trial,
    draws: Draws,
    *,
    variation: Variation | None = None,
    starts: int = STARTS,
    tick: Callable[[], None] | None = None,
) -> DrawnPoints:
    """Search for the settings to try, and draw where they stand.

    Parameters
    ----------
    trial : Trial
        All of whose treatments have a range.
    draws : Draws
        Source of chance.
    variation : Variation, optional
        How much units vary; planning ranges by default.
    starts : int
        Random starts of the search.
    tick : callable, optional
        Called after every start.

    Returns
    -------
    DrawnPoints

    Raises
    ------
    PlanError
        Some treatment has no range, or is restricted in a way that is not known here.
    DesignError
        There are too few units for a surface.
    """
    _check(trial)
    site = finest_site(trial)
    factors = list(trial.tuned)
    ranges = [_range(f) for f in factors]
    holders = [site.holder(f.applied_to) for f in factors]
    units, planning = random_parts(trial, site, variation)
    held = settings_held(trial)
    found = find_points(
        ranges,
        holders,
        units,
        planning,
        **_where_held(held, factors, ranges),
        usual_units=usual_units(site),
        starts=starts,
        tick=tick,
    )
    moved = rearranged(site, draw_shuffles(site, draws, factors=set(site.term)))
    values = found.values[moved]
    at = {f.name: _levels(f, values[:, i])[site.of_smallest] for i, f in enumerate(factors)}
    rows = {
        name: np.array(trial.levels[name], dtype=object)[site.place[name]] for name in site.term
    }
    table = pd.DataFrame(rows | {f.name: values[:, i] for i, f in enumerate(factors)})
    return DrawnPoints(at, table, found, held.findings)


def usual_units(site: Site) -> int:
    """Say how many units are to have today's settings, at least."""
    return max(1, site.n // _ONE_IN)


def _where_held(
    held: Held, factors: Sequence[Factor], ranges: Sequence[SettingRange]
) -> dict[str, Any]:
    """Keep the search, and what it is searched for, to what the room can hold."""
    if not held.left_out:
        return {}
    grid = coded_grid(ranges)
    return {
        "allowed": lambda coded: held.allowed(factors, coded),
        "over": grid[held.allowed(factors, grid)],
    }


def settings_of_units(trial: Trial, table: pd.DataFrame) -> Floats:
    """Give the settings of each unit of the finest treated kind, shape (units, settings).

    Parameters
    ----------
    trial : Trial
        Whose treatments have ranges.
    table : DataFrame
        A plan's: unit factors and the level of each treatment.
    """
    finest = max((f.applied_to for f in trial.tuned), key=len)
    units = table.drop_duplicates(list(finest))
    return np.column_stack([units[f.name].map(f.number).to_numpy(float) for f in trial.tuned])


def prediction_error(
    trial: Trial,
    values: Floats,
    *,
    points: Floats | None = None,
    against_usual: bool = True,
    variation: Variation | None = None,
) -> tuple[Floats, Floats]:
    """Give the standard error of the surface that a plan will see, over the range.

    Parameters
    ----------
    trial : Trial
    values : ndarray, shape (units, settings)
        Settings of each unit of the finest treated kind, in plan order.
    points : ndarray, shape (points, settings), optional
        Coded settings; a grid by default.
    against_usual : bool
        Of the difference to today's settings, or of the mean itself.
    variation : Variation, optional

    Returns
    -------
    points : ndarray, shape (points, settings)
        In the settings' own units.
    error : ndarray, shape (points,)
        In per cent of the mean yield, at the middle of the planning range.
    """
    ranges = [_range(f) for f in trial.tuned]
    coded = coded_grid(ranges) if points is None else np.atleast_2d(points)
    tried = np.column_stack([r.code(v) for r, v in zip(ranges, values.T, strict=True)])
    units, planning = random_parts(trial, finest_site(trial), variation)
    weights = unit_weights(units, *planning[1])
    if against_usual:
        info = terms(tried).T @ weights @ terms(tried)
        rows = terms(coded) - terms(coded_usual(ranges))
        variance = np.einsum("ij,ji->i", rows, np.linalg.solve(info, rows.T))
    else:
        variance = prediction_variance(tried, weights, coded)
    own = np.column_stack([r.decode(x) for r, x in zip(ranges, coded.T, strict=True)])
    return own, np.sqrt(np.maximum(variance, 0))


def random_parts(
    trial: Trial, site: Site, variation: Variation | None = None
) -> tuple[dict[str, Ints], list[tuple[dict[str, float], float]]]:
    """Give the random parts that treated units share, and their variances [squared %].

    Returns
    -------
    units : dict
        Stratum above the treated units → unit of it that holds each of them; the whole trial,
        of variance nought, where there is none above.
    planning : list of (dict, float)
        At the low, the middle and the high end: variance of each, and of what is left to a
        treated unit, smaller units averaged.
    """
    known = planning_ranges(trial.structure) if variation is None else variation
    above: dict[Term, Ints] = {}
    for term in trial.structure.terms:
        if set(term) < set(site.term):
            above[term] = site.holder(term)
    planning = []
    for end in range(3):
        squares, rest = known.point(end), 0.0
        for term in trial.structure.terms:
            if term not in above:  # the treated units and all within them, averaged
                inside = prod(trial.counts[name] for name in term if name not in site.term)
                rest += squares[":".join(term)] / inside
        planning.append(({":".join(t): squares[":".join(t)] for t in above}, rest))
    if not above:  # the outermost units are treated: nothing is shared but the whole trial
        return {_WHOLE: np.zeros(site.n, dtype=np.int64)}, [({_WHOLE: 0.0}, r) for _, r in planning]
    return {":".join(t): holder for t, holder in above.items()}, planning


def _check(trial: Trial) -> None:
    for factor in trial.factors.values():
        if factor.tuned is None:
            raise PlanError(
                f"{factor.name} has named levels and {trial.tuned[0].name} a range; one trial "
                "has either the one or the other kind of treatment → tune "
                f"{trial.tuned[0].name} at one level of {factor.name}, in a trial of its own for "
                f"each level that matters; or give {trial.tuned[0].name} named levels too, such as "
                "low, usual and high"
            )
        if factor.apart or factor.forbidden or factor.method != "auto" or factor.replication:
            raise PlanError(
                f"{factor.name} has a range: apart, forbidden, replication and method are for "
                "named levels; leave them out"
            )
    if len(trial.factors) > 3:
        raise PlanError("at most three settings can be tuned in one trial")


def finest_site(trial: Trial) -> Site:
    """Take the finest units that a setting is given to."""
    terms_used = {f.applied_to for f in trial.factors.values()}
    finest = max(terms_used, key=len)
    for term in terms_used:
        if not set(term) <= set(finest):
            raise PlanError(
                "the units that settings are given to must lie within one another, such as "
                "chamber runs and their shelves"
            )
    return _site(trial, finest)


def _site(trial: Trial, term: Term) -> Site:
    n = prod(trial.counts[name] for name in term)
    return Site(trial.structure, trial.counts, term, {"settings": (1,)}, (n,))


def _range(factor: Factor) -> SettingRange:
    assert factor.tuned is not None
    return factor.tuned


def _levels(factor: Factor, values: Floats) -> Ints:
    """Find the level of each value."""
    numbers = np.array([factor.number(level) for level in factor.levels])
    return np.asarray(np.abs(values[:, None] - numbers[None, :]).argmin(axis=1), dtype=np.int64)
