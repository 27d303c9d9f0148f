"""Units of a stratum as arrays: which level each has, and which larger unit holds it.

The unit structure is complete and balanced, so the averaging matrices of all strata
commute, and the projection onto a stratum is a sum of averages over it and those above.

References
----------
.. [1] Nelder, J. A. (1965). Proc. R. Soc. A 283, 147-178. doi:10.1098/rspa.1965.0012
.. [2] Bailey, R. A. (2008). Design of Comparative Experiments, ch. 10. Cambridge.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import prod

import numpy as np

from trialkit.arrays import Ints
from trialkit.short_repr import short_repr
from trialkit.structure import Structure, Term


def unit_levels(term: Sequence[str], counts: Mapping[str, int]) -> dict[str, Ints]:
    """Give, for every unit of a stratum in plan order, its level number of each factor."""
    shape = tuple(counts[name] for name in term)
    grid = np.indices(shape).reshape(len(term), -1)
    return {name: grid[i].astype(np.int64) for i, name in enumerate(term)}


def unit_of(term: Sequence[str], above: Sequence[str], counts: Mapping[str, int]) -> Ints:
    """Give, for every unit of `term`, the number of the unit of `above` that holds it.

    `above` may name factors with one level that `term` leaves out.
    """
    levels = unit_levels(term, counts)
    out = np.zeros(prod(counts[name] for name in term), dtype=np.int64)
    for name in above:
        out = out * counts[name] + (levels[name] if name in levels or counts[name] > 1 else 0)
    return out


def parents(structure: Structure) -> dict[str, Term]:
    """Give, for each unit factor, the factors it is nested in."""
    out: dict[str, Term] = {}
    for name in structure.factors:
        home = min((t for t in structure.terms if name in t), key=len)
        out[name] = tuple(f for f in home if f != name)
    return out


def projections(
    structure: Structure, counts: Mapping[str, int], term: Term
) -> dict[Term, dict[Term, int]]:
    """Write the projection onto a stratum, and each above it, as sums of averaging matrices.

    Strata that coincide because a unit factor has one level count once.

    Returns
    -------
    dict
        Stratum, from ``()``, the grand mean, to the finest → {stratum → coefficient of its
        averaging matrix}; the projection is the sum of these ([1]_).

    References
    ----------
    .. [1] Nelder (1965), doi:10.1098/rspa.1965.0012.
    """
    finest = structure.merged(counts)[term]
    known: dict[Term, dict[Term, int]] = {(): {(): 1}}
    for current in structure.strata(counts):
        if not set(current) <= set(finest):
            continue
        out = {current: 1}
        for above in list(known):
            if set(above) < set(current):
                for key, value in known[above].items():
                    out[key] = out.get(key, 0) - value
        known[current] = {key: value for key, value in out.items() if value}
    return known


def strata_coefficients(
    structure: Structure, counts: Mapping[str, int], term: Term
) -> dict[Term, int]:
    """Write the projection onto one stratum as a sum of averaging matrices; see `projections`."""
    return projections(structure, counts, term)[structure.merged(counts)[term]]


@dataclass(frozen=True, eq=False)
class Grouping:
    """A stratum as the units of a finer one see it.

    Parameters
    ----------
    stratum : tuple of str
        ``()`` for the grand mean, whose one unit holds all.
    unit : array of int
        For each finer unit, in plan order, the number of the unit that holds it.
    size : int
        Number of units that hold them.
    projection : dict
        Stratum → coefficient of its averaging matrix in the projection onto this one.
    """

    stratum: Term
    unit: Ints
    size: int
    projection: dict[Term, int]

    __repr__ = short_repr


def groupings(structure: Structure, counts: Mapping[str, int], term: Term) -> tuple[Grouping, ...]:
    """Give the groupings of a stratum's units, from the grand mean down to the units themselves.

    Examples
    --------
    >>> from trialkit.structure import parse_structure
    >>> found = groupings(parse_structure("tray / pot"), {"tray": 2, "pot": 3}, ("tray", "pot"))
    >>> [(g.stratum, g.size) for g in found]
    [((), 1), (('tray',), 2), (('tray', 'pot'), 6)]
    >>> found[1].unit.tolist()
    [0, 0, 0, 1, 1, 1]
    """
    return tuple(
        Grouping(
            stratum,
            unit_of(term, stratum, counts),
            prod(counts[name] for name in stratum),
            projection,
        )
        for stratum, projection in projections(structure, counts, term).items()
    )
