"""Levels over rows and columns: Latin squares, and crossovers balanced for what came before.

References
----------
.. [1] Jacobson, M. T. and Matthews, P. (1996). Generating uniformly distributed random
   Latin squares. J. Combin. Designs 4, 405-437.
.. [2] Williams, E. J. (1949). Experimental designs balanced for the estimation of residual
   effects of treatments. Aust. J. Sci. Res. A 2, 149-168. doi:10.1071/CH9490149
.. [3] Lucas, H. L. (1957). Extra-period Latin-square change-over designs. J. Dairy Sci. 40,
   225-239.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import permutations

import numpy as np

from trialkit.arrays import Ints
from trialkit.design.layout.chance import Draws
from trialkit.design.layout.search import MOST_SEARCHED, searched_crossover
from trialkit.design.layout.site import Layout, Site
from trialkit.errors import PlanError
from trialkit.wording import plural


def drawn_squares(site: Site, draws: Draws) -> Ints:
    """Draw the Latin squares of a site, each uniformly and independently."""
    assert site.square is not None
    number, row, column = site.square
    out = np.empty(site.n, dtype=np.int64)
    for each in range(int(number.max()) + 1):
        square = latin_square(site.t, draws)
        here = number == each
        out[here] = square[row[here], column[here]]
    return out


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


def carry_over(site: Site) -> Layout:
    """Arrange a crossover: sequences over the periods balanced for what came before.

    Exact (Williams [1]_) where there are as many periods as treatments and the units are a
    multiple of the sequences; with one period more, the last is repeated, which balances
    carry-over from a treatment to itself as well (Lucas [2]_). Otherwise a search looks for
    the arrangement nearest to balance, efficiency and carry-over weighed together.

    References
    ----------
    .. [1] Williams (1949), doi:10.1071/CH9490149.
    .. [2] Lucas (1957), J. Dairy Sci. 40, 225-239.
    """
    period = "batch" if "batch" in site.term else site.term[0]
    rest = tuple(name for name in site.term if name != period)
    periods = site.counts[period]
    if not rest or periods < 2:
        raise PlanError(
            f"carry-over balance needs units that go through several {plural(period)}; "
            f'{":".join(site.term)} has {periods} {plural(period)}. Use method = "auto"'
        )
    line, when = site.holder(rest), site.place[period]
    sequences = williams_sequences(site.t)
    equal = len(set(site.target)) == 1
    if equal and (site.n // periods) % len(sequences) == 0 and periods in (site.t, site.t + 1):
        if periods == site.t + 1:
            sequences = np.concatenate([sequences, sequences[:, -1:]], axis=1)
        return Layout(
            site, sequences[line % len(sequences), when], "carry-over balanced", (period,)
        )
    if site.n > MOST_SEARCHED:
        raise PlanError(
            f"carry-over balance of {site.t} levels over {site.n} units is found by search, "
            f"which is limited to {MOST_SEARCHED} units. Use {site.t} or {site.t + 1} "
            f'{plural(period)}, or method = "auto"'
        )
    found = searched_crossover(site, line, when)
    return Layout(site, found, "carry-over nearly balanced", (period,))


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
