"""Rooms that this one could be: draws from what is unsure about it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from trialkit.arrays import Floats
from trialkit.chamber.quantities import QUANTITIES, Quantity
from trialkit.chamber.rig import Assumed
from trialkit.chamber.room import Room


@dataclass(frozen=True)
class Likely:
    """Rooms drawn, and the draws behind them.

    Parameters
    ----------
    rooms : tuple of Room
    keys : tuple of str
        Names of the quantities that are unsure.
    draws : array, shape (rooms, quantities)
        Where each quantity lies between its least (0) and its most (1).
    """

    rooms: tuple[Room, ...]
    keys: tuple[str, ...]
    draws: Floats


def draw_rooms(made: Assumed, count: int, *, seed: int = 1) -> Likely:
    """Draw rooms that this one could be, evenly spread over what is unsure (Latin hypercube).

    A quantity is equally likely anywhere between its limits, those that multiply on the
    logarithm; the quantities are drawn independently.

    Parameters
    ----------
    made : Assumed
        From `room_from_rig`.
    count : int
        Number of rooms.
    seed : int

    Examples
    --------
    >>> from trialkit.chamber import room_from_rig
    >>> made = room_from_rig({"chamber_m3": 2.0, "air_changes_h": 4.0, "mist_l_h": 0.3})
    >>> len(draw_rooms(made, 10).rooms)
    10
    """
    from scipy.stats import qmc

    unsure = [q for q in QUANTITIES if _limits(q, made)[0] < _limits(q, made)[1]]
    draws = qmc.LatinHypercube(len(unsure), rng=np.random.default_rng(seed)).random(count)
    limits = [_limits(quantity, made) for quantity in unsure]
    rooms = []
    for row in draws:
        new = {
            quantity.field: _between(quantity, low, high, share)
            for quantity, (low, high), share in zip(unsure, limits, row.tolist(), strict=True)
        }
        rooms.append(made.room.change(**new))
    return Likely(tuple(rooms), tuple(q.key for q in unsure), draws)


def _limits(quantity: Quantity, made: Assumed) -> tuple[float, float]:
    known = vars(made.room)
    if quantity.key in made.missing and quantity.usual is not None:
        return quantity.usual(known)[1:]
    return quantity.limits(known, measured=quantity.key in made.measured)


def _between(quantity: Quantity, low: float, high: float, share: float) -> float:
    if quantity.kind == "ratio" and low > 0:
        return math.exp(math.log(low) + share * (math.log(high) - math.log(low)))
    return low + share * (high - low)


def shares_of(likely: Likely, values: Floats) -> dict[str, float]:
    """Give the share of the spread of a result that each quantity alone explains.

    A parabola in the draws of that quantity, least squares, with the chance agreement of two
    slopes taken off.
    """
    total = float(np.var(values))
    found = dict.fromkeys(likely.keys, 0.0)
    if total <= 0:
        return found
    n = len(values)
    for k, key in enumerate(likely.keys):
        x = likely.draws[:, k] - 0.5
        fitted = np.polyval(np.polyfit(x, values, 2), x)
        explained = float(np.var(fitted)) / total
        found[key] = max(0.0, 1 - (1 - explained) * (n - 1) / (n - 3))
    return found
