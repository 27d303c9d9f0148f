"""Orders over starts that are balanced against a trend, so that a trend in the model costs little.

Schedules that follow one another in one box are compared between starts. Where yields drift, a
straight line over the starts is taken out in the analysis. What that costs is the part of the
comparison that runs along the line: an order in which it is small is drawn, every such order
being equally likely.

References
----------
.. [1] Cox, D. R. (1951). Some systematic experimental designs. Biometrika 38, 312-323.
   doi:10.1093/biomet/38.3-4.312
"""

from __future__ import annotations

from functools import lru_cache
from math import factorial, prod

import numpy as np

from trialkit.arrays import Floats, Ints
from trialkit.design.layout.chance import BASE_SEED, Draws, randomised_alone
from trialkit.design.layout.site import Layout, Site

CODE = "balanced against a trend"
LOSS = 0.05  #: share of the information that an order may lose to the line
#: The same where otherwise fewer than `ENOUGH` orders are left; 40 let a randomisation test of
#: two schedules reach 5 %, since an order and its mirror image in the labels tell the same.
MOST_LOSS, ENOUGH = 0.12, 40
_LISTED = 5_000  # distinct orders up to which all are looked at
_SAMPLED = 400  # orders drawn to find what they lose on average, where there are more


def trend_layout(site: Site, draws: Draws) -> Layout:
    """Draw an order of treatments over the starts that is balanced against a straight line."""
    if distinct_orders(site.target) <= _LISTED:
        orders = balanced_orders(site.target)
        found = orders[draws.below(len(orders))]
    else:
        found = _drawn(site.target, draws)
    held = randomised_alone(site, found.astype(np.int64), draws, fixed=site.term)
    return Layout(site, held, CODE, final=True)


def distinct_orders(target: tuple[int, ...]) -> int:
    """Count the orders of treatments with a given number of starts each.

    Examples
    --------
    >>> distinct_orders((4, 4))
    70
    """
    return factorial(sum(target)) // prod(map(factorial, target))


def lost_to_trend(orders: Ints, levels: int) -> Floats:
    """Give the share of the information that each order loses to a line over its starts.

    Parameters
    ----------
    orders : array of int, shape (orders, starts)
        Treatment at each start.
    levels : int

    Returns
    -------
    array
        Squared multiple correlation of the line with the treatments: what the comparison that
        runs along the line loses; all others lose nothing.

    Examples
    --------
    >>> lost_to_trend(np.array([[0, 1, 1, 0, 1, 0, 0, 1], [0, 0, 0, 0, 1, 1, 1, 1]]), 2).round(4)
    array([0.    , 0.7619])
    """
    n = orders.shape[1]
    line = np.arange(n) - (n - 1) / 2
    between = np.zeros(len(orders))
    for level in range(levels):
        mine = orders == level
        between += (mine @ line) ** 2 / np.maximum(mine.sum(axis=1), 1)
    return np.asarray(between / (line @ line))


@lru_cache(maxsize=64)
def balanced_orders(target: tuple[int, ...]) -> Ints:
    """List the orders that may be drawn, of a trial small enough to list them all.

    Examples
    --------
    Of the 70 orders of two schedules over eight starts:

    >>> len(balanced_orders((4, 4)))
    46
    """
    orders = _all_orders(target)
    lost = lost_to_trend(orders, len(target)).round(9)
    limit = max(LOSS, float(lost.min()))
    if (lost <= limit).sum() < ENOUGH:
        enough = [at for at in np.unique(lost) if (lost <= at).sum() >= ENOUGH]
        if enough and enough[0] <= MOST_LOSS:
            limit = float(enough[0])
    return orders[lost <= limit]


def _all_orders(target: tuple[int, ...]) -> Ints:
    """List all orders, start by start."""
    plans = np.zeros((1, 0), dtype=np.int8)
    used = np.zeros((1, len(target)), dtype=np.int8)
    for _ in range(sum(target)):
        grown = []
        for level, most in enumerate(target):
            free = used[:, level] < most
            counts = used[free].copy()
            counts[:, level] += 1
            last = np.full((len(counts), 1), level, dtype=np.int8)
            grown.append((np.hstack([plans[free], last]), counts))
        plans = np.vstack([part[0] for part in grown])
        used = np.vstack([part[1] for part in grown])
    return plans.astype(np.int64)


def _drawn(target: tuple[int, ...], draws: Draws) -> Ints:
    """Draw orders until one is balanced; each balanced order is then equally likely."""
    order = [level for level, times in enumerate(target) for _ in range(times)]
    while True:
        draws.shuffle(order)
        found = np.array(order, dtype=np.int64)
        if lost_to_trend(found[None], len(target))[0] <= LOSS:
            return found


def kept_of(lost: Floats, levels: int) -> Floats:
    """Give the average efficiency factor of orders from what each loses to the line."""
    return np.asarray((levels - 1) / (levels - 2 + 1 / np.maximum(1 - lost, 1e-9)))


@lru_cache(maxsize=256)
def kept_on_average(target: tuple[int, ...]) -> float:
    """Give the share of the information that is kept, averaged over the orders that may be drawn.

    It is the harmonic mean, so that one over it is the mean variance of a comparison.
    """
    if distinct_orders(target) <= _LISTED:
        orders = balanced_orders(target)
    else:
        draws = Draws(BASE_SEED)
        orders = np.array([_drawn(target, draws) for _ in range(_SAMPLED)])
    kept = kept_of(lost_to_trend(orders, len(target)), len(target))
    return float(1 / np.mean(1 / kept))
