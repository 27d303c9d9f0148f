"""Units of a stratum as arrays: who contains whom, projections, information.

The unit structure is complete and balanced, so the averaging matrices of all strata
commute and everything follows from counts of treatments in the units of each stratum.

References
----------
.. [1] Nelder, J. A. (1965). Proc. R. Soc. A 283, 147-178. doi:10.1098/rspa.1965.0012
.. [2] Bailey, R. A. (2008). Design of Comparative Experiments, ch. 10. Cambridge.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import prod

import numpy as np
from numpy.typing import NDArray

from trialkit.structure import Structure, Term

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


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


def coarser(structure: Structure, counts: Mapping[str, int], term: Term) -> tuple[Term, ...]:
    """List the distinct strata above one that divide its units into groups, coarsest first.

    Strata that coincide because a unit factor has one level count once; the grand mean and
    the stratum itself are not among them.
    """
    stands_for = structure.merged(counts)
    me = stands_for.get(term)
    return tuple(s for s in structure.strata(counts) if me is not None and set(s) < set(me))


def strata_coefficients(
    structure: Structure, counts: Mapping[str, int], term: Term
) -> dict[Term, int]:
    """Write the projection onto a stratum as a sum of averaging matrices.

    Returns
    -------
    dict
        Stratum (``()`` is the grand mean) → coefficient of its averaging matrix, so that
        the projection is the coefficients times the averages over its units ([1]_).

    References
    ----------
    .. [1] Nelder (1965), doi:10.1098/rspa.1965.0012.
    """
    term = structure.merged(counts)[term]
    known: dict[Term, dict[Term, int]] = {(): {(): 1}}
    for current in (*coarser(structure, counts, term), term):
        out = {current: 1}
        for above in list(known):
            if set(above) < set(current):
                for key, value in known[above].items():
                    out[key] = out.get(key, 0) - value
        known[current] = {key: value for key, value in out.items() if value}
    return known[term]


def incidence(treatment: Ints, unit: Ints, n_treatments: int, n_units: int) -> Floats:
    """Count each treatment in each unit: array (treatments, units)."""
    out = np.zeros((n_treatments, n_units))
    np.add.at(out, (treatment, unit), 1.0)
    return out


def information(
    structure: Structure, counts: Mapping[str, int], term: Term, treatment: Ints, n_treatments: int
) -> dict[Term, Floats]:
    """Give the treatments' information in the stratum and in every stratum above it.

    Parameters
    ----------
    structure, counts
        Unit structure and the number of levels of each unit factor.
    term : tuple of str
        Stratum whose units are listed in `treatment`.
    treatment : array of int, shape (units of the stratum,)
        Treatment number of each unit, in plan order.
    n_treatments : int

    Returns
    -------
    dict
        Stratum (the name that stands for it) → information matrix, shape (treatments,
        treatments), in units of one observation per unit of `term`.
    """
    n = len(treatment)
    strata = (*coarser(structure, counts, term), structure.merged(counts)[term])
    average: dict[Term, Floats] = {}
    for above in ((), *strata):
        size = prod(counts[name] for name in above)
        table = incidence(treatment, unit_of(strata[-1], above, counts), n_treatments, size)
        average[above] = table @ table.T * (size / n)
    out: dict[Term, Floats] = {}
    for stratum in strata:
        weights = strata_coefficients(structure, counts, stratum)
        total = sum(value * average[key] for key, value in weights.items())
        out[stratum] = np.asarray(total, dtype=np.float64)
    return out
