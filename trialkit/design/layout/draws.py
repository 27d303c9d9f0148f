"""Random integers that are the same for the same seed on every platform and version.

Only the raw 64-bit output of the bit generator is used, whose stream is fixed; the
convenience methods of a random generator may change between library versions.
"""

from __future__ import annotations

from collections.abc import MutableSequence, Sequence
from typing import TypeVar

import numpy as np

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
