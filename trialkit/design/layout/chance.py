"""Chance: the same for the same seed on every platform, and what it may do to a layout.

Only the raw 64-bit output of the bit generator is used, whose stream is fixed; the
convenience methods of a random generator may change between library versions.

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

from collections.abc import Collection, MutableSequence, Sequence
from typing import TypeVar

import numpy as np

from trialkit.arrays import Ints
from trialkit.design.layout.site import Layout, Site

BASE_SEED = 20_310_113  # base plans do not depend on the trial's seed; it randomises them
_Item = TypeVar("_Item")
_SPAN = 1 << 64


class Draws:
    """Uniform integers, shuffles and permutations from raw 64-bit words.

    Parameters
    ----------
    source : int, Generator or BitGenerator
        A seed for PCG64, or a generator whose raw words are used.

    Examples
    --------
    >>> Draws(2031).permutation(6)
    [2, 3, 4, 1, 0, 5]
    """

    def __init__(self, source: int | np.random.Generator | np.random.BitGenerator) -> None:
        if isinstance(source, np.random.Generator):
            source = source.bit_generator
        if isinstance(source, int):
            source = np.random.PCG64(source)
        self._bits = source
        self._words: list[int] = []

    def _word(self) -> int:
        if not self._words:
            self._words = self._bits.random_raw(64).tolist()
            self._words.reverse()
        return self._words.pop()

    def below(self, n: int) -> int:
        """Give an integer from 0 to n − 1, each equally likely."""
        limit = _SPAN - _SPAN % n
        while True:
            word = self._word()
            if word < limit:  # words beyond the last full multiple of n would favour small ones
                return word % n

    def shuffle(self, items: MutableSequence[_Item]) -> None:
        """Put items in random order, in place (Fisher and Yates)."""
        for i in range(len(items) - 1, 0, -1):
            j = self.below(i + 1)
            items[i], items[j] = items[j], items[i]

    def permutation(self, n: int) -> list[int]:
        """Give 0 … n − 1 in random order."""
        out = list(range(n))
        self.shuffle(out)
        return out

    def choice(self, items: Sequence[_Item]) -> _Item:
        """Give one of the items, each equally likely."""
        return items[self.below(len(items))]


Shuffles = dict[str, dict[tuple[int, ...], list[int]]]


def randomised(layouts: Sequence[Layout], draws: Draws) -> dict[str, Ints]:
    """Shuffle units and labels of all layouts together; give each treatment's level per unit."""
    used = {name for layout in layouts for name in layout.site.term}
    final = {name for layout in layouts if layout.final for name in layout.site.term}
    shuffles = draw_shuffles(layouts[0].site, draws, factors=used, fixed=final)
    out: dict[str, Ints] = {}
    for layout in layouts:
        site = layout.site
        fixed = {
            name
            for other in layouts
            if set(other.site.term) <= set(site.term)
            for name in other.ordered
        }
        mine = {name: moves for name, moves in shuffles.items() if name not in fixed}
        moved = layout.treatment[rearranged(site, mine)]
        for name, asked in site.asked.items():
            labels = list(range(len(asked))) if layout.final else draw_labels(asked, draws)
            out[name] = np.array(labels)[site.level_of[name][moved]]
    return out


def randomised_alone(
    site: Site, treatment: Ints, draws: Draws, *, fixed: Collection[str] = ()
) -> Ints:
    """Randomise one stratum's arrangement alone: its units, and the labels of each treatment.

    Parameters
    ----------
    site : Site
    treatment : array of int
        Combination of levels of each unit.
    draws : Draws
    fixed : collection of str
        Unit factors that stay in order.
    """
    shuffles = draw_shuffles(site, draws, factors=set(site.term), fixed=fixed)
    moved = treatment[rearranged(site, shuffles)]
    named = [
        np.array(draw_labels(asked, draws))[site.level_of[name][moved]]
        for name, asked in site.asked.items()
    ]
    return np.asarray(np.ravel_multi_index(tuple(named), site.sizes), dtype=np.int64)


def draw_shuffles(
    site: Site, draws: Draws, *, factors: Collection[str], fixed: Collection[str] = ()
) -> Shuffles:
    """Draw a shuffle of each unit factor within each combination of its parents.

    Parameters
    ----------
    site : Site
        Any of the trial's.
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
    out: Shuffles = {}
    for name, above in site.nested_in.items():
        if name not in factors:
            continue
        contexts = np.ndindex(*(site.counts[p] for p in above))
        keep, n = name in fixed, site.counts[name]
        out[name] = {c: list(range(n)) if keep else draws.permutation(n) for c in contexts}
    return out


def rearranged(site: Site, shuffles: Shuffles) -> Ints:
    """Give, for each unit of a stratum, the unit of the base design whose place it takes."""
    out = np.zeros(site.n, dtype=np.int64)
    for name in site.term:
        moved = site.place[name]
        if name in shuffles:
            above = site.nested_in[name]
            table = np.empty([site.counts[p] for p in (*above, name)], dtype=np.int64)
            for context, order in shuffles[name].items():
                table[context] = order
            moved = table[(*(site.place[p] for p in above), moved)]
        out = out * site.counts[name] + moved
    return out


def draw_labels(replication: Sequence[int], draws: Draws) -> list[int]:
    """Shuffle level labels among levels that are asked for equally often."""
    out = list(range(len(replication)))
    for size in sorted(set(replication)):
        same = [i for i, r in enumerate(replication) if r == size]
        mixed = same.copy()
        draws.shuffle(mixed)
        for place, level in zip(same, mixed, strict=True):
            out[place] = level
    return out
