"""Classical plans, constructed: Latin squares, Williams, balanced incomplete blocks, alpha.

Every construction returns treatment numbers from 0; randomisation comes after.

References
----------
.. [1] Jacobson, M. T. and Matthews, P. (1996). Generating uniformly distributed random
   Latin squares. J. Combin. Designs 4, 405-437.
.. [2] Williams, E. J. (1949). Experimental designs balanced for the estimation of residual
   effects of treatments. Aust. J. Sci. Res. A 2, 149-168. doi:10.1071/CH9490149
.. [3] Cochran, W. G. and Cox, G. M. (1957). Experimental Designs, 2nd ed., ch. 11. Wiley.
.. [4] Patterson, H. D. and Williams, E. R. (1976). Biometrika 63, 83-92.
   doi:10.1093/biomet/63.1.83
"""

from __future__ import annotations

from functools import lru_cache
from itertools import combinations, permutations
from math import comb

import numpy as np

from trialkit.design.draws import Draws
from trialkit.design.units import Ints


@lru_cache(maxsize=8)
def reduced_squares(n: int) -> tuple[tuple[tuple[int, ...], ...], ...]:
    """List all Latin squares of order n ≤ 5 with first row and column in order.

    Examples
    --------
    >>> [len(reduced_squares(n)) for n in (1, 2, 3, 4, 5)]
    [1, 1, 1, 4, 56]
    """
    found: list[tuple[tuple[int, ...], ...]] = []

    def extend(rows: list[tuple[int, ...]]) -> None:
        if len(rows) == n:
            found.append(tuple(rows))
            return
        first = len(rows)
        for rest in permutations([x for x in range(n) if x != first]):
            row = (first, *rest)
            if all(row[j] != above[j] for above in rows for j in range(n)):
                extend([*rows, row])

    extend([tuple(range(n))])
    return tuple(found)


def latin_square(n: int, draws: Draws) -> Ints:
    """Draw a Latin square of order n, every square equally likely.

    Up to order 5 a reduced square is drawn and its rows below the first and all its
    columns are shuffled, which reaches every square exactly once; beyond, the chain of
    Jacobson and Matthews [1]_ is run for 10 n³ proper squares from a cyclic one, uniform
    in the limit.

    References
    ----------
    .. [1] Jacobson and Matthews (1996), J. Combin. Designs 4, 405-437.
    """
    if n <= 5:
        square = np.array(draws.choice(reduced_squares(n)), dtype=np.int64).reshape(n, n)
        rows = [0, *(1 + i for i in draws.permutation(n - 1))]
        return square[rows][:, draws.permutation(n)]
    return _jacobson_matthews(n, draws)


def _jacobson_matthews(n: int, draws: Draws) -> Ints:
    """Walk on incidence cubes by ±1 moves; give the first proper square after the walk."""
    index = np.arange(n)
    cube = np.zeros((n, n, n), dtype=np.int64)  # cube[row, column, symbol]
    for i in range(n):
        cube[i, index, (i + index) % n] = 1
    negative: tuple[int, int, int] | None = None
    moves = 0
    while moves < 10 * n**3 or negative is not None:
        if negative is None:
            while True:  # a cell of the cube that holds 0
                r, c, s = draws.below(n), draws.below(n), draws.below(n)
                if cube[r, c, s] == 0:
                    break
            r2 = int(np.flatnonzero(cube[:, c, s] == 1)[0])
            c2 = int(np.flatnonzero(cube[r, :, s] == 1)[0])
            s2 = int(np.flatnonzero(cube[r, c, :] == 1)[0])
        else:
            r, c, s = negative
            r2 = int(draws.choice(np.flatnonzero(cube[:, c, s] == 1).tolist()))
            c2 = int(draws.choice(np.flatnonzero(cube[r, :, s] == 1).tolist()))
            s2 = int(draws.choice(np.flatnonzero(cube[r, c, :] == 1).tolist()))
        for cell in ((r, c, s), (r, c2, s2), (r2, c, s2), (r2, c2, s)):
            cube[cell] += 1
        for cell in ((r2, c, s), (r, c2, s), (r, c, s2), (r2, c2, s2)):
            cube[cell] -= 1
        negative = (r2, c2, s2) if cube[r2, c2, s2] < 0 else None
        moves += 1
    return np.asarray(cube.argmax(axis=2), dtype=np.int64)


def williams_sequences(t: int) -> Ints:
    """Give sequences of t treatments in which each follows each other equally often.

    Returns
    -------
    array of int, shape (t, t) for even t, (2t, t) for odd t
        One sequence per row; each ordered pair occurs once (even) or twice (odd) [1]_.

    References
    ----------
    .. [1] Williams (1949), doi:10.1071/CH9490149.

    Examples
    --------
    >>> williams_sequences(4).tolist()
    [[0, 1, 3, 2], [1, 2, 0, 3], [2, 3, 1, 0], [3, 0, 2, 1]]
    """
    first = [0]
    low, high = 1, t - 1
    while len(first) < t:
        first.append(low)
        low += 1
        if len(first) < t:
            first.append(high)
            high -= 1
    square = np.add.outer(np.arange(t), np.array(first, dtype=np.int64)) % t
    both = square if t % 2 == 0 else np.concatenate([square, square[:, ::-1]])
    return np.asarray(both, dtype=np.int64)


# Difference sets and families: base blocks that, developed modulo v, meet every pair
# equally often. Checked by the construction itself; Cochran and Cox (1957), ch. 11.
_BASE_BLOCKS: dict[tuple[int, int], tuple[tuple[int, ...], ...]] = {
    (7, 3): ((0, 1, 3),),
    (7, 4): ((0, 1, 2, 4),),
    (11, 5): ((1, 3, 4, 5, 9),),
    (11, 6): ((0, 2, 6, 7, 8, 10),),
    (13, 3): ((0, 1, 4), (0, 2, 7)),
    (13, 4): ((0, 1, 3, 9),),
    (13, 9): ((2, 4, 5, 6, 7, 8, 10, 11, 12),),
    (15, 7): ((0, 1, 2, 4, 5, 8, 10),),
    (15, 8): ((3, 6, 7, 9, 11, 12, 13, 14),),
    (19, 9): ((1, 4, 5, 6, 7, 9, 11, 16, 17),),
    (19, 3): ((0, 1, 8), (0, 2, 5), (0, 4, 13)),
    (21, 5): ((3, 6, 7, 12, 14),),
    (25, 4): (),
    (31, 6): ((1, 5, 11, 24, 25, 27),),
}


def pair_counts(blocks: Ints, t: int) -> Ints:
    """Count how often each pair of treatments shares a block."""
    table = np.zeros((t, len(blocks)), dtype=np.int64)
    for j, block in enumerate(blocks):
        table[block, j] += 1
    meets = table @ table.T
    return np.asarray(meets[np.triu_indices(t, 1)])


def balanced_blocks(t: int, k: int, b: int) -> Ints | None:
    """Construct b blocks of k out of t treatments in which all pairs meet equally often.

    Returns
    -------
    array of int, shape (b, k), or None
        None where no construction is known here; a search may still find one.

    Notes
    -----
    Tried in turn: developed difference sets, lattices of prime order (k² treatments in
    blocks of k), the complements of these, and all combinations [1]_.

    References
    ----------
    .. [1] Cochran and Cox (1957), ch. 11.

    Examples
    --------
    >>> set(pair_counts(balanced_blocks(9, 3, 12), 9).tolist())
    {1}
    """
    if not 1 < k < t or b * k % t or b * k * (k - 1) % (t * (t - 1)):
        return None
    for blocks in (_developed(t, k), _lattice(t, k), _complement(t, k), _all_blocks(t, k)):
        if blocks is None or b % len(blocks):
            continue
        full = np.tile(blocks, (b // len(blocks), 1))
        if len(set(pair_counts(full, t).tolist())) == 1:
            return full
    return None


def _developed(t: int, k: int) -> Ints | None:
    base = _BASE_BLOCKS.get((t, k))
    if not base:
        return None
    return np.array([[(x + j) % t for x in block] for block in base for j in range(t)])


def _lattice(t: int, k: int) -> Ints | None:
    """Give the lines of an affine plane of prime order k: k² treatments, k + 1 replicates."""
    if t != k * k or any(k % p == 0 for p in range(2, k)):
        return None
    blocks = [[k * i + j for j in range(k)] for i in range(k)]
    for slope in range(k):
        blocks += [[k * i + (slope * i + shift) % k for i in range(k)] for shift in range(k)]
    return np.array(blocks)


def _complement(t: int, k: int) -> Ints | None:
    other = None
    for make in (_developed, _lattice):
        other = make(t, t - k) if other is None else other
    if other is None:
        return None
    return np.array([[x for x in range(t) if x not in set(block)] for block in other.tolist()])


def _all_blocks(t: int, k: int) -> Ints | None:
    if comb(t, k) > 2000:
        return None
    return np.array(list(combinations(range(t), k)))
