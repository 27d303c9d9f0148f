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

from trialkit.design.layout.draws import Draws
from trialkit.design.layout.units import Ints


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
    Jacobson and Matthews [1]_ is run over n³ proper squares from a cyclic one, uniform in
    the limit.

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
    """Walk on incidence cubes by ±1 moves; give the proper square at a fixed count of them.

    Stopping at the first proper square after a fixed number of moves would not be uniform:
    squares reached by long improper excursions would come up too often.
    """
    index = np.arange(n)
    cube = np.zeros((n, n, n), dtype=np.int64)  # cube[row, column, symbol]
    for i in range(n):
        cube[i, index, (i + index) % n] = 1
    negative: tuple[int, int, int] | None = None
    proper = 0
    while proper < n**3:
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
        proper += negative is None
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
    (15, 3): ((0, 1, 4), (0, 2, 8), (0, 5, 10)),
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
    Tried in turn: developed difference sets, affine and projective planes over finite
    fields (orders up to 9), the complements of these, and all combinations [1]_.

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
    for make in (_developed, _lattice, _plane, _complement, _all_blocks):
        blocks = make(t, k)
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
    blocks = {tuple(sorted((x + j) % t for x in block)) for block in base for j in range(t)}
    return np.array(sorted(blocks))  # a set, for a base block may repeat before t steps


_FIELDS: dict[int, tuple[int, tuple[int, ...]]] = {
    # order: characteristic and the remainder of x^m by an irreducible polynomial, low first
    4: (2, (1, 1)), 8: (2, (1, 1, 0)), 9: (3, (2, 0)),
}  # fmt: skip


def _field(q: int) -> tuple[Ints, Ints] | None:
    """Give the addition and multiplication tables of the finite field of order q, or None."""
    index = np.arange(q)
    if q > 1 and all(q % p for p in range(2, q)):
        return np.add.outer(index, index) % q, np.multiply.outer(index, index) % q
    if q not in _FIELDS:
        return None
    p, rest = _FIELDS[q]
    m = len(rest)
    power = p ** np.arange(m)
    digits = index[:, None] // power % p
    plus = ((digits[:, None] + digits[None]) % p) @ power
    times = np.zeros((q, q), dtype=np.int64)
    for a in range(q):
        shifted = digits.copy()  # every element times x^d, d = 0, 1, …
        total = np.zeros_like(digits)
        for d in range(m):
            total = (total + digits[a, d] * shifted) % p
            top = shifted[:, -1:]
            shifted = (np.roll(shifted, 1, axis=1) * (np.arange(m) > 0) + top * np.array(rest)) % p
        times[a] = total @ power
    return plus, times


def _lattice(t: int, k: int) -> Ints | None:
    """Give the lines of an affine plane of order k: k² treatments in k + 1 replicates."""
    field = _field(k) if t == k * k else None
    if field is None:
        return None
    plus, times = field
    blocks = [[k * i + j for j in range(k)] for i in range(k)]
    for slope in range(k):
        blocks += [[k * i + plus[times[slope, i], shift] for i in range(k)] for shift in range(k)]
    return np.array(blocks)


def _plane(t: int, k: int) -> Ints | None:
    """Give the lines of a projective plane: an affine one with a line at infinity added."""
    q = k - 1
    lines = _lattice(q * q, q) if t == q * q + q + 1 else None
    if lines is None:
        return None
    far = q * q + np.arange(len(lines)) // q  # parallel lines meet in one far point
    last = np.arange(q * q, t)
    return np.vstack([np.column_stack([lines, far]), last])


def _complement(t: int, k: int) -> Ints | None:
    other = None
    for make in (_developed, _lattice, _plane):
        other = make(t, t - k) if other is None else other
    if other is None:
        return None
    return np.array([[x for x in range(t) if x not in set(block)] for block in other.tolist()])


def _all_blocks(t: int, k: int) -> Ints | None:
    if comb(t, k) > 2000:
        return None
    return np.array(list(combinations(range(t), k)))


def alpha_blocks(s: int, k: int, r: int, draws: Draws) -> Ints:
    """Construct a resolvable plan of s·k treatments in r replicates of s blocks of k.

    Parameters
    ----------
    s, k, r : int
        Blocks per replicate, units per block, replicates.
    draws : Draws
        Chance for the arrays tried where there are too many to try all.

    Returns
    -------
    array of int, shape (r·s, k)
        Blocks, replicate after replicate; the most efficient of the arrays tried.

    Notes
    -----
    Block b of replicate j holds i·s + (b + a[i, j]) mod s for i = 0 … k − 1; the array a has
    zeros in its first row and column [1]_. All arrays are tried where there are at most
    3000, otherwise 400 at random.

    References
    ----------
    .. [1] Patterson and Williams (1976), doi:10.1093/biomet/63.1.83.
    """
    from itertools import product

    from trialkit.design.layout.efficiency import block_design_efficiency, steady

    free = (k - 1) * (r - 1)
    if s**free <= 3000:
        tried: list[tuple[int, ...]] = list(product(range(s), repeat=free))
    else:
        tried = [tuple(draws.below(s) for _ in range(free)) for _ in range(400)]
    best, best_value = None, -1.0
    for entries in tried:
        array = np.zeros((k, r), dtype=np.int64)
        array[1:, 1:] = np.array(entries, dtype=np.int64).reshape(k - 1, r - 1)
        b = np.arange(s)
        blocks = np.concatenate(
            [(np.arange(k) * s + (b[:, None] + array[:, j]) % s) for j in range(r)]
        )
        value = float(steady(block_design_efficiency(blocks.tolist(), s * k)))
        if value > best_value:
            best, best_value = blocks, value
    assert best is not None
    return np.asarray(best, dtype=np.int64)


def difference_set(t: int, k: int) -> tuple[int, ...] | None:
    """Give a set of k numbers whose differences modulo t meet every value equally often."""
    base = _BASE_BLOCKS.get((t, k), ())
    return base[0] if len(base) == 1 else None
