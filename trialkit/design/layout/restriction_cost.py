"""What restrictions on a plan cost, and which levels they tie to which places."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from trialkit.arrays import Floats, Ints
from trialkit.design.layout.blocks import complete
from trialkit.design.layout.efficiency import plan_efficiency
from trialkit.design.layout.procedure import Drawn
from trialkit.design.layout.search import searched
from trialkit.design.layout.site import Site
from trialkit.errors import Finding, Severity
from trialkit.wording import Message, Units, finding, message

if TYPE_CHECKING:
    from trialkit.trial import Factor, Trial

_FAR = 0.4  # a place's share of a level that is this far from even, as a part of it, is told
_SHOWN = 4  # places named for one level
_DEAR = 0.05  # loss of information that is called dear

_free: dict[object, float] = {}  # searched once for each situation


def restriction_findings(trial: Trial, drawn: Mapping[str, Drawn]) -> list[Finding]:
    """Say what each restricted treatment loses and where its levels stand more or less often.

    Parameters
    ----------
    trial : Trial
    drawn : mapping
        Treatment → how it was drawn.

    Returns
    -------
    list of Finding
        Empty where nothing is restricted.
    """
    out = []
    for name, treatment in drawn.items():
        factor, site, plans = trial.factors[name], treatment.layout.site, treatment.layout.plans
        if plans is None or not (factor.apart or factor.forbidden):
            continue
        held, levels = site.level_of[name], treatment.levels
        kept = plan_efficiency(site.groupings, held[treatment.layout.treatment], levels)
        out.append(_cost(name, kept, free_efficiency(site, held, levels)))
        out += _ties(factor, site, trial.levels, level_shares(held[plans], levels))
    return out


def free_efficiency(site: Site, held: Ints, levels: int) -> float:
    """Give the share of a treatment's information that a plan without restrictions keeps.

    `held` is its level in each treatment combination.
    """
    if site.square is not None:
        return 1.0
    whole = complete(site)
    if whole is not None:
        return plan_efficiency(site.groupings, held[whole], levels)
    free = replace(site, limits=None)
    key = (free.key, held.tobytes())
    if key not in _free:
        while len(_free) >= 64:
            _free.pop(next(iter(_free)))
        found = searched(free, quick=True)
        _free[key] = max(plan_efficiency(site.groupings, held[plan], levels) for plan in found)
    return _free[key]


def level_shares(plans: Ints, levels: int) -> Floats:
    """Give in what share of the plans each unit holds each level, shape (units, levels)."""
    return np.stack([(plans == level).mean(axis=0) for level in range(levels)], axis=1)


def _cost(name: str, kept: float, free: float) -> Finding:
    share = {"treatment": name, "kept": 100 * kept}
    lost = 1 - kept / free if free > 0 else 0.0
    if lost < 5e-4:
        return finding("restricted_plan", "note", form="same", **share)
    severity: Severity = "caution" if lost > _DEAR else "note"
    return finding(
        "restricted_plan", severity, form="costs", free=100 * free, lost=100 * lost, **share
    )


def _ties(
    factor: Factor, site: Site, units: Mapping[str, tuple[str, ...]], shares: Floats
) -> list[Finding]:
    """Name the places that receive a level more or less often than the others do."""
    names = list(factor.levels)
    even = shares.mean(axis=0)
    said = []
    for level, label in enumerate(names):
        for place in (name for name in site.term if site.counts[name] > 1):
            labels = units[place]
            share = np.array(
                [shares[site.place[place] == j, level].mean() for j in range(len(labels))]
            )
            never = [labels[j] for j in np.flatnonzero(share == 0)]
            rare = np.flatnonzero((share > 0) & (share < (1 - _FAR) * even[level]))
            often = np.flatnonzero(share > (1 + _FAR) * even[level])
            if never:
                said.append(message("tie.never", level=label, place=_named(place, never)))
            if len(rare):
                there = _named(place, [labels[j] for j in rare])
                said.append(message("tie.rarely", level=label, place=there))
            if len(often):
                there = _named(place, [labels[j] for j in often])
                said.append(message("tie.often", level=label, place=there))
    if not said:
        return []
    return [finding("level_tied_to_places", "caution", treatment=factor.name, ties=said)]


def _named(place: str, labels: list[str]) -> Message:
    names, more = ", ".join(labels[:_SHOWN]), len(labels) - _SHOWN
    key = "tie.place_more" if more > 0 else "tie.place"
    return message(key, unit=Units((place,), 1), names=names, more=more)
