"""Random rearrangements that the unit structure allows.

A valid randomisation draws one of the permutations of units that leave the structure
unchanged, each equally likely: every unit factor's levels are shuffled anew within each
combination of the factors it is nested in, and once for all across factors it crosses.

References
----------
.. [1] Bailey, R. A., Praeger, C. E., Rowley, C. A. and Speed, T. P. (1983). Generalized
   wreath products of permutation groups. Proc. London Math. Soc. 47, 69-82.
   doi:10.1112/plms/s3-47.1.69
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from math import prod

import numpy as np

from trialkit.design.draws import Draws
from trialkit.design.units import Ints, parents, unit_levels
from trialkit.structure import Structure, Term

Shuffles = dict[str, dict[tuple[int, ...], list[int]]]


def draw_shuffles(
    structure: Structure,
    counts: Mapping[str, int],
    draws: Draws,
    *,
    factors: Collection[str],
    fixed: Collection[str] = (),
) -> Shuffles:
    """Draw a shuffle of each unit factor within each combination of its parents.

    Parameters
    ----------
    structure, counts
        Unit structure and levels per factor.
    draws : Draws
    factors : collection of str
        Unit factors that matter for some treatment; others are left alone.
    fixed : collection of str
        Unit factors whose order carries meaning and must stay (the periods of a
        crossover balanced for carry-over).

    Returns
    -------
    dict
        Factor → {levels of its parents → new order of its levels}.
    """
    above = parents(structure)
    out: Shuffles = {}
    for name in structure.factors:
        if name not in factors:
            continue
        contexts = np.ndindex(*(counts[p] for p in above[name]))
        keep = name in fixed
        n = counts[name]
        out[name] = {c: list(range(n)) if keep else draws.permutation(n) for c in contexts}
    return out


def rearranged(
    structure: Structure, counts: Mapping[str, int], term: Term, shuffles: Shuffles
) -> Ints:
    """Give, for each unit of a stratum, the unit of the base design whose place it takes."""
    above = parents(structure)
    levels = unit_levels(term, counts)
    n = prod(counts[name] for name in term)
    out = np.zeros(n, dtype=np.int64)
    for name in term:
        if name not in shuffles:
            moved = levels[name]
        else:
            shape = tuple(counts[p] for p in above[name])
            table = np.empty((*shape, counts[name]), dtype=np.int64)
            for context, order in shuffles[name].items():
                table[context] = order
            moved = table[(*(levels[p] for p in above[name]), levels[name])]
        out = out * counts[name] + moved
    return out


def draw_arrangement(
    structure: Structure,
    counts: Mapping[str, int],
    term: Term,
    treatment: Ints,
    replications: Sequence[Sequence[int]],
    draws: Draws,
    *,
    fixed: Collection[str] = (),
) -> Ints:
    """Randomise one stratum's arrangement alone: its units, and the labels of each factor.

    Parameters
    ----------
    structure, counts, term
        Unit structure, levels per factor, and the stratum whose units are treated.
    treatment : array of int
        Combination of levels of each unit.
    replications : sequence of sequence of int
        Of each factor, how often each level was asked for.
    draws : Draws
    fixed : collection of str
        Unit factors that stay in order.
    """
    shuffles = draw_shuffles(structure, counts, draws, factors=set(term), fixed=fixed)
    moved = treatment[rearranged(structure, counts, term, shuffles)]
    sizes = tuple(map(len, replications))
    levels = np.unravel_index(moved, sizes)
    named = [
        np.array(draw_labels(r, draws))[held] for r, held in zip(replications, levels, strict=True)
    ]
    return np.asarray(np.ravel_multi_index(tuple(named), sizes), dtype=np.int64)


def draw_labels(replication: Sequence[int], draws: Draws) -> list[int]:
    """Shuffle level labels among levels that are asked for equally often."""
    out = list(range(len(replication)))
    for size in sorted(set(replication)):
        same = [i for i, r in enumerate(replication) if r == size]
        for place, level in zip(same, _shuffled(same, draws), strict=True):
            out[place] = level
    return out


def _shuffled(items: Sequence[int], draws: Draws) -> list[int]:
    out = list(items)
    draws.shuffle(out)
    return out
