"""What a comparison costs in a layout: its error, degrees of freedom and information.

References
----------
.. [1] Nelder, J. A. (1965). Proc. R. Soc. A 283, 147-178. doi:10.1098/rspa.1965.0012
.. [2] Bailey, R. A. (2008). Design of Comparative Experiments. Cambridge, ch. 10-11.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from math import comb, prod

import numpy as np

from trialkit.design.strata import held_levels, home_strata, skeleton_lines
from trialkit.design.units import Floats, Ints, information, unit_of
from trialkit.errors import DesignError
from trialkit.structure import Term
from trialkit.trial import Trial


@dataclass(frozen=True)
class Comparison:
    """How a treatment term is compared in a layout.

    Parameters
    ----------
    name : str
        Treatment, or treatments joined by ``":"`` for an interaction.
    stratum : tuple of str
        Where most of its information lies.
    levels : tuple of tuple of str
        Level names per factor of the term.
    cells : array of int, shape (cells, factors of the term)
        Level numbers of each treatment combination present.
    info : array, shape (cells, cells)
        Information of the combinations in that stratum, per unit of `finest`.
    mean_info : array, shape (cells, cells)
        Information in the grand mean.
    finest : tuple of str
        The finest stratum that any treatment is given to.
    num_df, error_df : int
    efficiency : float
        Share of the term's information in the stratum.
    sizes : dict
        Stratum → number of units, all distinct strata of the layout.
    stands_for : dict
        Every stratum of the structure → the distinct one that stands for it; strata with
        one unit in all are left out.
    spare_df : dict
        Stratum → degrees of freedom left for error.
    """

    name: str
    stratum: Term
    levels: tuple[tuple[str, ...], ...]
    cells: Ints
    info: Floats
    mean_info: Floats
    finest: Term
    num_df: int
    error_df: int
    efficiency: float
    sizes: dict[Term, int]
    stands_for: dict[Term, Term]
    spare_df: dict[Term, int]

    @property
    def orthogonal(self) -> bool:
        """Whether all its information lies in one stratum."""
        return self.efficiency > 1 - 1e-9

    def mean_row(self, level: int) -> Floats:
        """Give the row that takes one level's mean out of the combinations, equal weights."""
        row = (self.cells[:, 0] == level).astype(float)
        return np.asarray(row / row.sum())

    def interaction_row(self) -> Floats:
        """Give the first difference of differences of an interaction."""
        out = np.ones(len(self.cells))
        for column in self.cells.T:
            out = out * ((column == 0).astype(float) - (column == 1))
        others = len(self.cells) / prod(len(names) for names in self.levels)
        return out / others

    def within_variance(self, row: Floats) -> float:
        """Give the variance of a comparison per unit of the stratum's error variance."""
        inverse = np.linalg.pinv(self.info, rcond=1e-9)
        if np.abs(row @ inverse @ self.info - row).max() > 1e-6:
            return float("inf")  # not comparable in this stratum
        return float(row @ inverse @ row)

    def covariance(self, rows: Floats) -> Floats:
        """Give the covariance of comparisons per unit of the stratum's error variance."""
        return np.asarray(rows @ np.linalg.pinv(self.info, rcond=1e-9) @ rows.T)

    def error_weights(self, lost: Mapping[str, float] | None = None) -> dict[str, float]:
        """Give the weights of the strata's variances in the stratum's error variance.

        Parameters
        ----------
        lost : mapping, optional
            Stratum → share of its units expected to be lost, from 0 to below 1.
        """
        return self.contrast_weights(self.stratum, self.sizes[self.finest], lost)

    def contrast_weights(
        self, stratum: Term, n: int, lost: Mapping[str, float] | None = None
    ) -> dict[str, float]:
        """Give the weights of the variances in that of a stratum's contrasts between n units.

        Strata that coincide because a unit factor has one level all count.
        """
        return {
            ":".join(s): n * self._inverse_size(distinct, lost or {})
            for s, distinct in self.stands_for.items()
            if set(stratum) <= set(distinct)
        }

    def mean_weights(self, lost: Mapping[str, float] | None = None) -> dict[str, float]:
        """Give the weights of the strata's variances in that of the grand mean."""
        return {
            ":".join(s): self._inverse_size(distinct, lost or {})
            for s, distinct in self.stands_for.items()
        }

    def _inverse_size(self, stratum: Term, lost: Mapping[str, float]) -> float:
        """Give one over the units of a stratum that are left, averaged over what chance loses."""
        share = lost.get(":".join(stratum), 0.0)
        n = self.sizes[stratum]
        if share <= 0:
            return 1 / n
        m = n // self.sizes[self.stratum]  # units in each unit of the comparison's stratum
        if m <= 1 or set(stratum) <= set(self.stratum):
            return 1 / (n * (1 - share))
        kept = [comb(m, k) * (1 - share) ** k * share ** (m - k) for k in range(1, m + 1)]
        inverse = sum(p / k for k, p in enumerate(kept, 1)) / sum(kept)
        return inverse * m / n

    def left_df(self, lost: Mapping[str, float] | None = None) -> float:
        """Give the degrees of freedom for error once units are lost."""
        units = self.sizes[self.stratum]
        gone = 0.0
        for name, share in (lost or {}).items():
            stratum = next((s for s in self.sizes if ":".join(s) == name), None)
            if stratum is None or share <= 0:
                continue
            inside = max(1, self.sizes[stratum] // units)
            covers = set(self.stratum) <= set(stratum)
            gone += units * share**inside if covers else 0.0
        return max(0.0, self.error_df - gone)


def with_counts(trial: Trial, counts: Mapping[str, int]) -> Trial:
    """Give the trial with more or fewer levels of some unit factors.

    New levels are named after the old ones: ``C7`` after ``C1`` … ``C6``.
    """
    levels = dict(trial.levels)
    for name, n in counts.items():
        old = levels[name]
        letter = old[0].rstrip("0123456789")
        fresh = [f"{letter}{i}" for i in range(1, n + len(old) + 1)]
        extra = [x for x in fresh if x not in old]
        levels[name] = (*old, *extra)[:n]
    return replace(trial, levels=levels)


def compare_in(trial: Trial, name: str, *, quick: bool = False) -> Comparison:
    """Work out how a treatment term is compared in a trial's layout.

    Parameters
    ----------
    trial : Trial
    name : str
        Treatment, or treatments joined by ``":"``.
    quick : bool
        Spend little on the search for an efficient arrangement (used over many layouts).
    """
    names = name.split(":")
    for part in names:
        if part not in trial.factors:
            raise DesignError(
                f"no treatment is called {part!r}; there are {', '.join(trial.factors)}"
            )
    free = replace(
        trial, factors={k: replace(f, forbidden=(), apart=()) for k, f in trial.factors.items()}
    )
    return _compare(_Frozen(free), tuple(names), quick)


class _Frozen:
    """A trial as a cache key: only what a layout depends on."""

    def __init__(self, trial: Trial) -> None:
        self.trial = trial
        self.key = (
            trial.structure.text,
            tuple(trial.counts.items()),
            tuple(
                (f.name, f.applied_to, tuple(f.levels), tuple((f.replication or {}).items()),
                 f.method)
                for f in trial.factors.values()
            ),
        )  # fmt: skip

    def __hash__(self) -> int:
        return hash(self.key)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Frozen) and self.key == other.key


@lru_cache(maxsize=512)
def _compare(frozen: _Frozen, names: tuple[str, ...], quick: bool) -> Comparison:
    trial = frozen.trial
    structure, counts = trial.structure, trial.counts
    held = held_levels(trial, quick=quick)
    lines = skeleton_lines(structure, counts, held)
    name = ":".join(names)
    order = list(trial.factors)
    known = ":".join(sorted(names, key=order.index))
    stratum = home_strata(lines)[known]
    here = next(line for line in lines if line.name == known and line.stratum == stratum)
    left = {line.stratum: line.df for line in lines if not line.name}
    finest = structure.join(*(term for term, _, _ in held.values()))
    n = prod(counts[f] for f in finest)
    columns = [held[f][1][unit_of(finest, held[f][0], counts)] for f in (*names, *order)]
    unique, cell = np.unique(np.stack(columns), axis=1, return_inverse=True)
    cell = cell.ravel().astype(np.int64)
    info = information(structure, counts, finest, cell, unique.shape[1])
    replication = np.bincount(cell).astype(float)
    return Comparison(
        name=name,
        stratum=stratum,
        levels=tuple(tuple(trial.factors[f].levels) for f in names),
        cells=unique[: len(names)].T.astype(np.int64),
        info=info[stratum],
        mean_info=np.outer(replication, replication) / n,
        finest=structure.merged(counts)[finest],
        num_df=here.df,
        error_df=left[stratum],
        efficiency=here.efficiency,
        sizes={s: prod(counts[f] for f in s) for s in structure.strata(counts)},
        stands_for=structure.merged(counts),
        spare_df=left,
    )
