"""A draw for some of the units, beside others whose levels stand: what joins later.

Each larger group of units (a batch; where there are none, all of them) is drawn by itself, one
after the other. Within it every level is given as often as its share asks, counting what stands
there; what is left over goes to the levels that are fewest so far. Of all ways to do so the one
is drawn that spreads each level best over the other groupings (chambers), ties by chance.

References
----------
.. [1] Pocock SJ, Simon R (1975). Sequential treatment assignment with balancing for prognostic
   factors in the controlled clinical trial. Biometrics 31:103-115 (the idea of balancing what
   joins on the margins of what is there; from memory).
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from trialkit.arrays import Bools, Floats, Ints
from trialkit.design.layout.chance import Draws
from trialkit.design.layout.site import Site, treated_sites
from trialkit.errors import PlanError
from trialkit.trial import Trial

if TYPE_CHECKING:
    import pandas as pd

#: Level of a unit that holds none, since it never began.
ABSENT = -1
_TRIES = 400
#: What one level too many costs: within its own group, over all, over another grouping.
_WITHIN, _OVERALL, _ACROSS = 1e4, 1.0, 10.0


def draw_joined(
    trial: Trial,
    standing: Mapping[str, Mapping[tuple[str, ...], str]],
    draws: Draws,
    *,
    units: Collection[str] | None = None,
) -> dict[str, dict[tuple[str, ...], str]]:
    """Draw the levels of the units that have none yet.

    Parameters
    ----------
    trial : Trial
        Units that never began (`Trial.never_grown`) are left out.
    standing : mapping
        Treatment → {unit of its stratum: level that stands}.
    draws : Draws
        Source of chance.
    units : collection of str, optional
        Codes of the smallest units to draw for; all that have none by default.

    Returns
    -------
    dict
        Treatment → {unit of its stratum: level}, those that stood too.

    Raises
    ------
    PlanError
        If what may not stand somewhere, or beside what, leaves no way.
    """
    return draw_prepared(prepare_joined(trial, units=units), standing, draws)


@dataclass(frozen=True, eq=False)
class Ready:
    """One stratum made ready for a draw, so that it can be drawn many times.

    Parameters
    ----------
    site : Site
    levels : dict
        Treatment → names of its levels.
    keys : list of tuple
        Its units, in plan order.
    grows : array of bool
        Units to draw for, unless they hold something.
    across : list of array of int
        Groupings to spread levels over: for each unit, the number of what holds it.
    groups : sequence of array of int
        Units drawn together, one group after the other.
    share : array
        How often each combination of levels is asked for beside the others.
    """

    site: Site
    levels: dict[str, list[str]]
    keys: list[tuple[str, ...]]
    grows: Bools
    across: list[Ints]
    groups: Sequence[Ints]
    share: Floats


def prepare_joined(trial: Trial, *, units: Collection[str] | None = None) -> list[Ready]:
    """Make every stratum that is treated ready for `draw_prepared`."""
    grown = trial.grown_units()
    if units is not None:
        grown = grown[grown["unit"].isin(list(units))]
    out = []
    for site in treated_sites(trial):
        named = trial.strata_units(":".join(site.term)).astype(str)
        keys = list(named[list(site.term)].itertuples(index=False, name=None))
        present = set(grown[list(site.term)].astype(str).itertuples(index=False, name=None))
        grows = np.array([key in present for key in keys])
        levels = {name: list(trial.factors[name].levels) for name in site.asked}
        out.append(Ready(site, levels, keys, grows, *_groupings(site), _shares(site)))
    return out


def draw_prepared(
    ready: Sequence[Ready],
    standing: Mapping[str, Mapping[tuple[str, ...], str]],
    draws: Draws,
) -> dict[str, dict[tuple[str, ...], str]]:
    """Draw as `draw_joined` does."""
    out: dict[str, dict[tuple[str, ...], str]] = {}
    for one in ready:
        held = np.array([_held(one, standing, key) for key in one.keys], dtype=np.int64)
        drawn = _draw(one, held, one.grows & (held < 0), draws)
        for name, level_of in one.site.level_of.items():
            names, told = one.levels[name], standing.get(name, {})
            out[name] = {
                key: told[key] if key in told else names[int(level_of[at])]
                for key, at in zip(one.keys, drawn.tolist(), strict=True)
                if at >= 0
            }
    return out


def _held(
    ready: Ready,
    standing: Mapping[str, Mapping[tuple[str, ...], str]],
    key: tuple[str, ...],
) -> int:
    """Give the combination of levels that stands at a unit; `ABSENT` where none does."""
    levels = [standing.get(name, {}).get(key) for name in ready.levels]
    if any(level is None for level in levels):
        return ABSENT
    at = tuple(
        names.index(str(level)) for names, level in zip(ready.levels.values(), levels, strict=True)
    )
    return int(np.ravel_multi_index(at, ready.site.sizes))


def _draw(ready: Ready, held: Ints, wanted: Bools, draws: Draws) -> Ints:
    """Draw the combinations of the wanted units; again where neighbours do not go together."""
    for tried in range(_TRIES):
        drawn = _draw_once(ready, held, wanted, draws, loose=tried > 0)
        if drawn is not None and not _breaks(ready.site, drawn, wanted):
            return drawn
    raise PlanError(
        f"no draw was found for what joins the {':'.join(ready.site.term)} units: what is "
        "forbidden or must stand apart leaves no way; loosen one of these rules"
    )


def _breaks(site: Site, drawn: Ints, wanted: Bools) -> bool:
    """Tell whether a wanted unit breaks a rule, beside neighbours that hold something."""
    if site.limits is None:
        return False
    for unit in np.flatnonzero(wanted):
        level = drawn[unit]
        near = [n for n in site.limits.neighbours[unit] if n >= 0 and drawn[n] >= 0]
        if not site.limits.may[unit, level] or site.limits.conflict[level, drawn[near]].any():
            return True
    return False


def _draw_once(
    ready: Ready, held: Ints, wanted: Bools, draws: Draws, *, loose: bool
) -> Ints | None:
    """Draw group by group; with `loose`, balance over other groupings yields to chance."""
    from scipy.optimize import linear_sum_assignment

    site, share, out = ready.site, ready.share, held.copy()
    for group in ready.groups:
        inside = group[wanted[group]]
        if not len(inside):
            continue
        standing = out[group][out[group] >= 0]
        slots, cost = _slots(site, out, standing, len(inside), share)
        spread = np.zeros((len(inside), site.t))
        for holder in ready.across:
            for row, unit in enumerate(inside):
                own = out[(holder == holder[unit]) & (out >= 0)]
                spread[row] += np.bincount(own, minlength=site.t) / share
        noise = np.array(
            [[draws.below(1 << 32) / (1 << 32) for _ in slots] for _ in inside], dtype=float
        )
        weight = _ACROSS * (0.0 if loose else 1.0)
        whole = cost[None, :] + weight * spread[:, slots] + 0.5 * noise
        if site.limits is not None:
            whole = whole + 1e9 * ~site.limits.may[np.ix_(inside, slots)]
        rows, columns = linear_sum_assignment(whole)
        if site.limits is not None and (whole[rows, columns] >= 1e9).any():
            return None
        out[inside[rows]] = slots[columns]
    return out


def _shares(site: Site) -> Floats:
    """Give how often each combination is asked for beside the others, 1 on average."""
    weights = np.ones(1)
    for asked in site.asked.values():
        weights = np.kron(weights, np.array(asked, dtype=float))
    return np.asarray(weights / weights.mean())


def _slots(site: Site, out: Ints, standing: Ints, count: int, share: Floats) -> tuple[Ints, Floats]:
    """List places for the combinations in a group, each dearer than the one before it."""
    here = np.bincount(standing, minlength=site.t).astype(float)
    over_all = np.bincount(out[out >= 0], minlength=site.t).astype(float) / share
    slots, cost = [], []
    for level in range(site.t):
        for more in range(count):
            slots.append(level)
            cost.append(_WITHIN * (here[level] + more + 0.5) / share[level])
            cost[-1] += _OVERALL * over_all[level] * _ACROSS
    return np.array(slots, dtype=np.int64), np.array(cost)


def _groupings(site: Site) -> tuple[list[Ints], Sequence[Ints]]:
    """Give the groupings to spread levels over, and the groups drawn one after the other."""
    blocks = [block.stratum for block in site.blocks]
    first = next((term for term in blocks if "batch" in term), blocks[0] if blocks else ())
    number = site.holder(first)
    groups = [np.flatnonzero(number == k) for k in dict.fromkeys(number.tolist())]
    across = [site.holder(g.stratum) for g in site.groupings[1:-1] if g.stratum != first]
    return across, groups


def joined_efficiency(trial: Trial, table: pd.DataFrame, name: str) -> float:
    """Give the share of a treatment's information that is kept, in the units that are grown.

    The harmonic mean of its canonical efficiency factors: its levels with the other groupings of
    its units (batches, chambers) taken out, against its levels alone.
    """
    factor = trial.factors[name]
    term = list(factor.applied_to)
    units = table[[*term, name]].drop_duplicates()
    level = _dummies(units[name].tolist())
    above = [t for t in trial.structure.terms if set(t) < set(term)]
    columns = [np.ones((len(units), 1))]
    columns += [_dummies(list(units[list(t)].itertuples(index=False, name=None))) for t in above]
    held = level / np.sqrt(level.sum(axis=0))
    left = held - np.hstack(columns) @ np.linalg.lstsq(np.hstack(columns), held, rcond=None)[0]
    factors = np.sort(np.linalg.eigvalsh(held.T @ left))[::-1][: level.shape[1] - 1]
    if not len(factors) or factors.min() < 1e-9:
        return 0.0
    return round(float(len(factors) / np.sum(1 / factors)), 10)


def _dummies(values: Sequence[object]) -> Floats:
    """Give one column of zeros and ones per value."""
    number = {value: i for i, value in enumerate(dict.fromkeys(values))}
    out = np.zeros((len(values), len(number)))
    out[np.arange(len(values)), [number[value] for value in values]] = 1.0
    return out
