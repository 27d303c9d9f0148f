"""What restrictions on a plan cost, and which levels they tie to which places."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from trialkit.design.layout import Layout, Site, complete, searched, spread
from trialkit.design.units import Floats, Ints, unit_levels
from trialkit.errors import Finding
from trialkit.structure import Term

if TYPE_CHECKING:
    from trialkit.trial import Factor, Trial

_FAR = 0.4  # a place's share of a level that is this far from even, as a part of it, is told
_SHOWN = 4  # places named for one level
_DEAR = 0.05  # loss of information that is called dear

_free: dict[object, float] = {}  # searched once for each situation


def restriction_findings(
    trial: Trial, layouts: Mapping[Term, Layout], sites: Mapping[Term, Site]
) -> list[Finding]:
    """Say what each restricted treatment loses and where its levels stand more or less often.

    Parameters
    ----------
    trial : Trial
    layouts, sites : mapping
        By stratum, as drawn.

    Returns
    -------
    list of Finding
        Empty where nothing is restricted.
    """
    out = []
    for term, layout in layouts.items():
        if layout.plans is None:
            continue
        site = sites[term]
        levels = np.indices(site.sizes).reshape(len(site.sizes), -1)
        for i, factor in enumerate(f for f in trial.factors.values() if f.applied_to == term):
            if not (factor.apart or factor.forbidden):
                continue
            held = levels[i]
            alone = Site(site.structure, site.counts, site.term, (len(factor.levels),), ())
            kept = spread(alone, held[layout.treatment])
            out.append(_cost(factor.name, kept, free_efficiency(site, held, alone)))
            shares = level_shares(held[layout.plans.plans], len(factor.levels))
            out += _ties(trial, factor, term, shares)
    return out


def free_efficiency(site: Site, held: Ints, alone: Site) -> float:
    """Give the share of a treatment's information that a plan without restrictions keeps."""
    if site.square is not None:
        return 1.0
    whole = complete(site)
    if whole is not None:
        return spread(alone, held[whole])
    key = (site.structure.text, tuple(site.counts.items()), site.term, site.target, held.tobytes())
    if key not in _free:
        while len(_free) >= 64:
            _free.pop(next(iter(_free)))
        _free[key] = max(spread(alone, held[plan]) for plan in searched(site, quick=True))
    return _free[key]


def level_shares(plans: Ints, levels: int) -> Floats:
    """Give in what share of the plans each unit holds each level, shape (units, levels)."""
    return np.stack([(plans == level).mean(axis=0) for level in range(levels)], axis=1)


def _cost(name: str, kept: float, free: float) -> Finding:
    said = f"with its restrictions {name} keeps {100 * kept:.1f} % of the information"
    lost = 1 - kept / free if free > 0 else 0.0
    if lost < 5e-4:
        return Finding("restricted_plan", "note", f"{said}, as much as a plan without them")
    return Finding(
        "restricted_plan",
        "caution" if lost > _DEAR else "note",
        f"{said}, where a plan without them keeps {100 * free:.1f} %: as if {100 * lost:.0f} % of "
        "the units were left out",
        "drop the restriction if it is not needed, or plan more units",
    )


def _ties(trial: Trial, factor: Factor, term: Term, shares: Floats) -> list[Finding]:
    """Name the places that receive a level more or less often than the others do."""
    names = list(factor.levels)
    number = unit_levels(term, trial.counts)
    even = shares.mean(axis=0)
    said = []
    for level, label in enumerate(names):
        for place in (name for name in term if trial.counts[name] > 1):
            labels = trial.levels[place]
            share = np.array([shares[number[place] == j, level].mean() for j in range(len(labels))])
            never = [labels[j] for j in np.flatnonzero(share == 0)]
            rare = np.flatnonzero((share > 0) & (share < (1 - _FAR) * even[level]))
            often = np.flatnonzero(share > (1 + _FAR) * even[level])
            if never:
                said.append(f"{label} never stands in {_named(place, never)}")
            if len(rare):
                said.append(f"{label} rarely stands in {_named(place, [labels[j] for j in rare])}")
            if len(often):
                said.append(f"{label} often stands in {_named(place, [labels[j] for j in often])}")
    if not said:
        return []
    return [
        Finding(
            "level_tied_to_places",
            "caution",
            f"the restrictions tie levels of {factor.name} to places: {'; '.join(said)}. What is "
            "special about such a place may look like an effect of the level",
            "say so beside the answer; the randomisation test redraws plans with the same "
            "restrictions",
        )
    ]


def _named(place: str, labels: list[str]) -> str:
    more = f" and {len(labels) - _SHOWN} more" if len(labels) > _SHOWN else ""
    return f"{place} {', '.join(labels[:_SHOWN])}{more}"
