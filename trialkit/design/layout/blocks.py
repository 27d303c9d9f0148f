"""Levels in blocks: the same in each where counts allow, balanced sets or efficient ones where not.

Constructions return treatment numbers from 0; randomisation comes after.

References
----------
.. [1] Cochran, W. G. and Cox, G. M. (1957). Experimental Designs, 2nd ed., ch. 11. Wiley.
.. [2] Patterson, H. D. and Williams, E. R. (1976). Biometrika 63, 83-92.
   doi:10.1093/biomet/63.1.83
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations, product
from math import comb

import numpy as np

from trialkit.arrays import Ints
from trialkit.design.layout.chance import BASE_SEED, Draws
from trialkit.design.layout.efficiency import block_design_efficiency, steady
from trialkit.design.layout.site import Site


def complete(site: Site) -> Ints | None:
    """Arrange the same set of treatments in every block, where counts allow."""
    if len(site.blocks) > 1:
        return None
    number = site.blocks[0].size if site.blocks else 1
    if any(r % number for r in site.target):
        return None
    inside = [level for level, r in enumerate(site.target) for _ in range(r // number)]
    return _in_blocks(site, np.tile(np.array(inside, dtype=np.int64), (number, 1)))


def systematic_starts(site: Site) -> list[Ints]:
    """Give a cyclic arrangement, and classical ones where they are known."""
    total = np.sum([site.place[name] for name in site.term], axis=0)
    out = [_with_target(total % site.t, site.target)]
    if len(site.blocks) == 1:
        out += [_in_blocks(site, blocks) for blocks in _known_blocks(site)]
    elif len(site.blocks) == 2:
        out += _youden(site)
    return [s for s in out if np.array_equal(np.bincount(s, minlength=site.t), site.target)]


def _in_blocks(site: Site, blocks: Ints) -> Ints:
    holder = site.blocks[0].unit if site.blocks else np.zeros(site.n, dtype=np.int64)
    out = np.empty(site.n, dtype=np.int64)
    for unit, block in enumerate(blocks):
        out[holder == unit] = block
    return out


def _known_blocks(site: Site) -> list[Ints]:
    number = site.blocks[0].size
    k = site.n // number
    blocks = balanced_blocks(site.t, k, number)
    if blocks is not None:
        return [blocks]
    if len(site.sizes) > 1:
        return _confounded(site, k, number)
    if 1 < k < site.t and site.t % k == 0 and number * k % site.t == 0:
        replicates = number * k // site.t
        if 1 < replicates <= 8:
            return [alpha_blocks(site.t // k, k, replicates, Draws(BASE_SEED))]
    return []


def _confounded(site: Site, k: int, number: int) -> list[Ints]:
    """Give a factorial in blocks that gives up only its highest interaction (Yates 1937)."""
    p = site.sizes[0]
    if any(size != p for size in site.sizes) or k * p != site.t or number % p:
        return []
    total = np.indices(site.sizes).reshape(len(site.sizes), -1).sum(axis=0) % p
    blocks = np.array([np.flatnonzero(total == rest) for rest in range(p)])
    return [np.tile(blocks, (number // p, 1))]


def _youden(site: Site) -> list[Ints]:
    """Give rows by columns in which columns hold a difference set, moved on by one."""
    a, b = (block.unit for block in site.blocks)
    out = []
    for row, column in ((a, b), (b, a)):
        shifts = difference_set(site.t, int(row.max()) + 1)
        if shifts is not None and (int(column.max()) + 1) % site.t == 0:
            out.append((np.array(shifts, dtype=np.int64)[row] + column) % site.t)
    return out


def _with_target(start: Ints, target: Sequence[int]) -> Ints:
    """Change as few units as needed so that each treatment has its replication."""
    out = start.copy()
    have = np.bincount(out, minlength=len(target))
    short = [level for level, r in enumerate(target) for _ in range(max(0, r - have[level]))]
    for i in range(len(out) - 1, -1, -1):
        if short and have[out[i]] > target[out[i]]:
            have[out[i]] -= 1
            out[i] = short.pop()
            have[out[i]] += 1
    return out


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


def difference_set(t: int, k: int) -> tuple[int, ...] | None:
    """Give a set of k numbers whose differences modulo t meet every value equally often."""
    base = _BASE_BLOCKS.get((t, k), ())
    return base[0] if len(base) == 1 else None


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
    4: (2, (1, 1)),
    8: (2, (1, 1, 0)),
    9: (3, (2, 0)),
}


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
