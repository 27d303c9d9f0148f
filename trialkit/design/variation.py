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
.. [5] Browne, R. H. (1995). On the use of a pilot sample for sample size determination.
   Stat. Med. 14, 1933-1940: plan for the upper limit of a pilot variance (from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from trialkit.design.units import Floats
from trialkit.errors import DesignError
from trialkit.structure import Structure

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.model.fit import Fit
    from trialkit.trial import Trial

#: Planning ranges: standard deviation [% of the mean], low, middle, high, and the source.
BLOCK_RANGE = (12.0, 20.0, 30.0)
BLOCK_SOURCE = (
    "published: 12 % pooled over seven mixes (Baysal et al. 2003), 19-22 % in a block trial "
    "(Advances in Agriculture 2019:6853627), 26-36 % on a farm scale (Scientifica 2020:3950357)"
)
BATCH_RANGE = (4.0, 8.0, 15.0)
PLACE_RANGE = (2.0, 4.0, 8.0)
RUN_RANGE = (3.0, 6.0, 12.0)
PRACTICE_SOURCE = "common practice, no source: replace it by a pilot of your own"
PLAUSIBLE = 0.80  #: two-sided confidence of the range shown for a pilot


@dataclass(frozen=True)
class Variation:
    """Standard deviations of the random strata, with how sure they are.

    Parameters
    ----------
    squares : dict
        Stratum → variance, in squared per cent of the mean: low, middle, high.
    source : dict
        Stratum → where it comes from, in words.
    kind : {"planning range", "given", "pilot"}
    strata : tuple of str
        Order of the rows of `covariance`.
    covariance : array, optional
        Sampling covariance of a pilot's variances, in per cent to the fourth.
    """

    squares: dict[str, tuple[float, float, float]]
    source: dict[str, str]
    kind: str
    strata: tuple[str, ...] = ()
    covariance: Floats | None = field(default=None, repr=False)

    @property
    def table(self) -> pd.DataFrame:
        """One row per stratum: `stratum, low_pct, middle_pct, high_pct, source`."""
        import pandas as pd

        rows = []
        for name, three in self.squares.items():
            ends = three if self.covariance is None else self.combined({name: 1.0})
            middle = three[1]  # a pilot's component may lie below zero; its limits do not
            low, high = (ends[0], ends[2]) if middle > 0 else (middle, ends[2])
            roots = [float(np.sign(v) * np.sqrt(abs(v))) for v in (low, middle, high)]
            rows.append(
                {
                    "stratum": name,
                    "low_pct": roots[0],
                    "middle_pct": roots[1],
                    "high_pct": roots[2],
                    "source": self.source[name],
                }
            )
        return pd.DataFrame(rows)

    def combined(self, weights: Mapping[str, float]) -> tuple[float, float, float]:
        """Give low, middle and high of a weighted sum of the variances, in squared per cent.

        From a pilot the limits are those of a chi-square with the sum's own (Satterthwaite)
        degrees of freedom, 80 % two-sided; otherwise all strata are low, or middle, or high.
        """
        sums = [sum(w * self.squares[name][i] for name, w in weights.items()) for i in range(3)]
        if self.covariance is None:
            return sums[0], sums[1], sums[2]
        from scipy import special

        w = np.array([weights.get(name, 0.0) for name in self.strata])
        spread = float(w @ self.covariance @ w)
        middle = max(sums[1], 1e-9)
        if spread <= 0:
            return middle, middle, middle
        df = 2 * middle**2 / spread
        tail = (1 - PLAUSIBLE) / 2
        if df < 1:  # hardly known at all: the quantiles of such a chi-square run off the scale
            reach = float(special.ndtri(1 - tail)) * float(np.sqrt(spread))
            return max(middle - reach, middle / 100), middle, middle + reach
        low = middle * df / float(special.chdtri(df, tail))
        high = middle * df / float(special.chdtri(df, 1 - tail))
        return low, middle, high


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
        elif term == ("batch",):
            three, why = BATCH_RANGE, PRACTICE_SOURCE
        elif term == ("batch", "chamber"):
            three, why = RUN_RANGE, PRACTICE_SOURCE
        else:
            three, why = PLACE_RANGE, PRACTICE_SOURCE
        squares[name] = (three[0] ** 2, three[1] ** 2, three[2] ** 2)
        source[name] = why
    return Variation(squares, source, "planning range")


def given_variation(trial: Trial, spread: Mapping[str, float]) -> Variation:
    """Take standard deviations from the user: stratum → per cent of the mean."""
    strata = [":".join(t) for t in trial.structure.terms]
    named = {":".join(trial.structure.term(name)): float(v) for name, v in spread.items()}
    stands_for = trial.structure.merged(trial.counts)
    finest = stands_for[trial.structure.smallest]
    same = [":".join(t) for t, distinct in stands_for.items() if distinct == finest]
    if not any(named.get(name) for name in same):
        raise DesignError(
            f"variation between the smallest units, {strata[-1]!r}, must be given and above zero"
        )
    squares = {s: (named.get(s, 0.0) ** 2,) * 3 for s in strata}
    source = {s: "given" if s in named else "taken as zero: not given" for s in strata}
    return Variation(squares, source, "given")


def pilot_variation(trial: Trial, pilot: Fit) -> Variation:
    """Take variances from a fit to earlier data, with how well they are known.

    Parameters
    ----------
    trial : Trial
    pilot : Fit
        Its random terms are matched to the trial's strata by name; the residual stands for
        the smallest units, or for their flushes where the smallest units are a term.

    Notes
    -----
    Variances are divided by the squared mean of the fitted values. A component below zero
    is kept as it is: only sums over strata enter a comparison.
    """
    strata = [":".join(t) for t in trial.structure.terms]
    mean = float(np.mean(pilot.fitted_fixed))
    if mean <= 0:
        raise DesignError("the pilot's mean is not above zero, so per cent of it have no meaning")
    known = {frozenset(name.split(":")): name for name in pilot.variances.index}
    smallest = frozenset(strata[-1].split(":"))
    matrix = np.zeros((len(strata), len(pilot.variances)))
    source = {}
    for i, name in enumerate(strata):
        column = known.get(frozenset(name.split(":")))
        source[name] = "pilot" if column else "taken as zero: not a term of the pilot"
        if column is not None:
            matrix[i, pilot.variances.index.get_loc(column)] = 1.0
    at = pilot.variances.index.get_loc("residual")
    matrix[-1, at] = 1.0 / trial.flushes if smallest in known else 1.0
    source[strata[-1]] = "pilot"
    unit = 100.0**2 / mean**2
    values = matrix @ pilot.variances.to_numpy(dtype=float) * unit
    to_user = np.asarray(pilot.reduced.units, dtype=float) * pilot.scale**2
    inner = np.asarray(pilot.state.expected_cov[0], dtype=float) * np.outer(to_user, to_user)
    covariance = matrix @ inner @ matrix.T * unit**2
    squares = {s: (float(v),) * 3 for s, v in zip(strata, values, strict=True)}
    return Variation(squares, source, "pilot", tuple(strata), covariance)
