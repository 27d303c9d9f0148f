"""How much units vary by chance: from a pilot, from the user, or from planning ranges.

All variation is relative: standard deviations in per cent of the mean yield.

References
----------
.. [1] Baysal, E. et al. (2003). Bioresource Technology 89, 95: *Pleurotus ostreatus*, seven
   mixes × 5 bags, coefficient of variation within mixes 10-20 %, pooled 12.0 % (citation
   from memory, figures recomputed from its table).
.. [2] Scientifica 2020, 3950357, table 2: *P. ostreatus* on straw, 3 bags per mix, 26 % and
   36 % within two of the three mixes.
.. [3] Advances in Agriculture 2019, 6853627, table 3: *P. sajor-caju*, 19-22 % between plots
   of a randomised block trial.
.. [4] Lee, C. and Rawlings, J. O. (1982). Crop Science 22(3),
   doi:10.2135/cropsci1982.0011183X002200030028x: variation among growth chambers and
   among runs is sizeable. It gives no figure that can be used for mushrooms.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from trialkit.arrays import Floats
from trialkit.errors import DesignError
from trialkit.short_repr import short_repr
from trialkit.structure import Structure
from trialkit.trial import Trial
from trialkit.trial.over_time import BATCH, laid_name, plain_name
from trialkit.wording import Message, message

if TYPE_CHECKING:
    import pandas as pd

#: Planning ranges: standard deviation [% of the mean], low, middle, high, and the source.
BLOCK_RANGE = (12.0, 20.0, 30.0)
BLOCK_SOURCE = message("variation.blocks")
BATCH_RANGE = (4.0, 8.0, 15.0)
PLACE_RANGE = (2.0, 4.0, 8.0)
RUN_RANGE = (3.0, 6.0, 12.0)
PRACTICE_SOURCE = message("variation.practice")
RANGE = 0.90  #: share of the possible values that the range shown for a pilot holds

KEPT = 8  #: weighted sums of a pilot's draws kept sorted
MOST_APART = 100.0  #: error over what it would be if batches did not differ, at most


@dataclass(frozen=True)
class Variation:
    """Standard deviations of the random strata, with how sure they are.

    Parameters
    ----------
    squares : dict
        Stratum → variance, in squared per cent of the mean: low, middle, high.
    source : dict
        Stratum → where it comes from.
    kind : {"planning range", "given", "pilot"}
    strata : tuple of str
        Order of the columns of `draws`.
    draws : array, shape (draws, strata), optional
        Variances that could have led to a pilot's mean squares, squared per cent. They are
        differences of mean squares, and single ones may lie below zero; see `combined`.
    df : dict
        Stratum → degrees of freedom of the pilot's mean square.
    notes : tuple of str
        What a reader of the figures must know about the pilot.
    middle : float
        Percentile of a pilot's sums that counts as the middle, as a share.
    by_batch : dict
        Stratum → what the treatment of the question does by batch, as a pilot found it: its
        variance, and how many times it counts in the stratum's, which holds it.
    """

    squares: dict[str, tuple[float, float, float]]
    source: dict[str, Message]
    kind: str
    strata: tuple[str, ...] = ()
    draws: Floats | None = field(default=None, repr=False)
    df: dict[str, float] = field(default_factory=dict)
    notes: tuple[Message, ...] = ()
    middle: float = 0.5
    by_batch: dict[str, tuple[float, float]] = field(default_factory=dict)
    _sorted: dict[tuple[tuple[str, float], ...], Floats] = field(
        default_factory=dict, repr=False, compare=False
    )

    __repr__ = short_repr

    @property
    def table(self) -> pd.DataFrame:
        """One row per stratum: `stratum, low_pct, middle_pct, high_pct, df, source`."""
        import pandas as pd

        rows = []
        for name, three in self.squares.items():
            low, middle, high = (float(np.sqrt(v)) for v in three)
            rows.append(
                {
                    "stratum": name,
                    "low_pct": low,
                    "middle_pct": middle,
                    "high_pct": high,
                    "df": self.df.get(name, float("nan")),
                    "source": str(self.source[name]),
                }
            )
        return pd.DataFrame(rows)

    def point(self, end: int) -> dict[str, float]:
        """Give the variances of all strata at the low (0), middle (1) or high (2) end."""
        return {name: three[end] for name, three in self.squares.items()}

    def combined(self, weights: Mapping[str, float]) -> tuple[float, float, float]:
        """Give low, middle and high of a weighted sum of the variances, in squared per cent.

        From a pilot they are the 5th, 50th and 95th percentile over its draws; otherwise all
        strata are low, or middle, or high.

        Notes
        -----
        The variance of a coarser stratum is not below zero, so the sum is not below what it
        would be without that stratum. A percentile is therefore the largest among those of
        the sums that leave out any of the coarser strata. Applied to percentiles, not to each
        draw, this keeps the range honest where the true variance of a stratum is near zero
        (benchmarks/pilot_power.py).
        """
        if self.draws is None:
            sums = [sum(w * self.squares[name][i] for name, w in weights.items()) for i in range(3)]
            return sums[0], sums[1], sums[2]
        low, middle, high = of_sorted(self._sorted_sums(weights), self.middle).max(axis=1)
        return float(low), float(middle), float(high)

    def _sorted_sums(self, weights: Mapping[str, float]) -> Floats:
        """Sort the draws of a weighted sum and of those that leave out coarser strata.

        Each is asked for several times in a row, at another middle; a copy of this variation with
        another `middle` shares what was sorted.
        """
        assert self.draws is not None
        used = [(i, s, weights[s]) for i, s in enumerate(self.strata) if weights.get(s, 0.0) > 0]
        key = tuple((s, w) for _, s, w in used)
        if key not in self._sorted:
            parts = [self.draws[:, i] * w for i, _, w in used]
            sums = parts[-1][None]  # the smallest units' own variance is above zero in every draw
            for part in parts[:-1]:
                sums = np.vstack([sums, sums + part])
            if len(self._sorted) >= KEPT:
                self._sorted.clear()
            self._sorted[key] = np.sort(sums, axis=-1)
        return self._sorted[key]

    def apart(self, stratum: str, weights: Mapping[str, float]) -> float:
        """Give the error of a stratum over what it would be if batches did not differ."""
        variance, times = self.by_batch.get(stratum, (0.0, 0.0))
        if variance <= 0:
            return 1.0
        whole = replace(self, middle=0.5).combined(weights)[1]  # as that of batches is
        return whole / max(whole - weights[stratum] * times * variance, whole / MOST_APART)

    def at_ends(self, weights: Mapping[str, float]) -> tuple[dict[str, float], ...]:
        """Give variances of all strata that make a weighted sum low, middle and high.

        From a pilot they are its middle variances, scaled together.
        """
        if self.draws is None:
            return tuple(self.point(end) for end in range(3))
        middle = self.point(1)
        total = sum(w * middle[name] for name, w in weights.items())
        return tuple(
            {name: value * wanted / total for name, value in middle.items()}
            for wanted in self.combined(weights)
        )


def percentiles(values: Floats, at: float = 0.5) -> Floats:
    """Give the low end of the range, the middle (by default the median) and the high end.

    Of the last axis; the three stand in the first.

    Examples
    --------
    >>> percentiles(np.arange(101.0)).round(9).tolist()
    [5.0, 50.0, 95.0]
    """
    return of_sorted(np.sort(values, axis=-1), at)


def of_sorted(values: Floats, at: float) -> Floats:
    """Give the same of values that rise along the last axis, straight between two of them."""
    tail = (1 - RANGE) / 2
    places = (values.shape[-1] - 1) * np.array([tail, min(max(at, tail), 1 - tail), 1 - tail])
    below = np.minimum(places.astype(int), values.shape[-1] - 2)
    low, high = values[..., below], values[..., below + 1]
    return np.moveaxis(low + (high - low) * (places - below), -1, 0)


def planning_ranges(structure: Structure) -> Variation:
    """Give planning ranges for every stratum, marked as what they are.

    Only the variation between blocks has published figures; the rest is common practice
    without a source and says so.
    """
    squares, source = {}, {}
    for term in structure.terms:
        name = ":".join(term)
        if term == structure.smallest:
            three, why = BLOCK_RANGE, BLOCK_SOURCE
        elif plain_name(term) == BATCH:
            three, why = BATCH_RANGE, PRACTICE_SOURCE
        elif plain_name(term) == "batch:chamber":
            three, why = RUN_RANGE, PRACTICE_SOURCE
        else:
            three, why = PLACE_RANGE, PRACTICE_SOURCE
        squares[name] = (three[0] ** 2, three[1] ** 2, three[2] ** 2)
        source[name] = why
    return Variation(squares, source, "planning range")


def given_variation(trial: Trial, spread: Mapping[str, float]) -> Variation:
    """Take standard deviations from the user: stratum → per cent of the mean."""
    strata = [":".join(t) for t in trial.structure.terms]
    named = {
        ":".join(trial.structure.term(laid_name(trial, name))): float(v)
        for name, v in spread.items()
    }
    stands_for = trial.structure.merged(trial.counts)
    finest = stands_for[trial.structure.smallest]
    same = [":".join(t) for t, distinct in stands_for.items() if distinct == finest]
    if not any(named.get(name) for name in same):
        raise DesignError(
            f"variation between the smallest units, {strata[-1]!r}, must be given and above zero"
        )
    squares = {s: (named.get(s, 0.0) ** 2,) * 3 for s in strata}
    source = {s: message(f"variation.{'given' if s in named else 'zero'}") for s in strata}
    return Variation(squares, source, "given")
