"""What a comparison costs in a layout: its error, degrees of freedom and information.

References
----------
.. [1] Nelder, J. A. (1965). Proc. R. Soc. A 283, 147-178. doi:10.1098/rspa.1965.0012
.. [2] Bailey, R. A. (2008). Design of Comparative Experiments. Cambridge, ch. 10-11.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache
from math import comb, prod

import numpy as np

from trialkit.arrays import Floats, Ints
from trialkit.design.layout.efficiency import information
from trialkit.design.layout.site import treated_sites
from trialkit.design.layout.trend import kept_on_average
from trialkit.design.layout.units import groupings, unit_of
from trialkit.design.strata.error_terms import (
    BATCH,
    BatchTerm,
    LevelErrors,
    batch_term,
    level_errors,
)
from trialkit.design.strata.strata import (
    held_levels,
    home_strata,
    skeleton_lines,
    with_trend,
)
from trialkit.errors import DesignError, PlanError
from trialkit.structure import Term
from trialkit.trial import Trial
from trialkit.trial.over_time import laid_out, one_box, over_starts, refusal


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
    finer : dict
        The same in every finer stratum that treatments lie in: where other treatments are
        compared, which keeps them from costing this one.
    mean_info : array, shape (cells, cells)
        Information in the grand mean.
    finest : tuple of str
        The finest stratum that any treatment is given to.
    num_df, error_df : int
        `error_df` is what the skeleton of the analysis of variance leaves; `left_df` adds
        what treatments compared more precisely in a finer stratum do not take.
    efficiency : float
        Share of the term's information in the stratum.
    sizes : dict
        Stratum → number of units, all distinct strata of the layout.
    stands_for : dict
        Every stratum of the structure → the distinct one that stands for it; strata with
        one unit in all are left out.
    spare_df : dict
        Stratum → degrees of freedom left for error.
    batch_term : BatchTerm
        What the layout tells of a random term batch × treatment.
    level_errors : LevelErrors, optional
        Where levels have unequal numbers of units, what an error by level rests on.
    trend : bool
        Whether a trend over starts is in the model; `info` is then what is left beside it,
        averaged over the orders that may be drawn.
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
    finer: dict[Term, Floats] = field(default_factory=dict)
    batch_term: BatchTerm = field(default_factory=BatchTerm)
    level_errors: LevelErrors | None = None
    trend: bool = False

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

    def solve(self, phi: Mapping[str, float], lost: Mapping[str, float] | None = None) -> Solved:
        """Solve for the treatment combinations at some variances of the strata.

        Parameters
        ----------
        phi : mapping
            Stratum → variance.
        lost : mapping, optional
            Stratum → share of its units expected to be lost.
        """
        n = self.sizes[self.finest]
        weights = {s: self.contrast_weights(s, n, lost) for s in (self.stratum, *self.finer)}
        errors = {s: sum(w * phi[k] for k, w in own.items()) for s, own in weights.items()}
        scale = max(errors[self.stratum], 1e-12)
        errors = {s: max(value, 1e-9 * scale) for s, value in errors.items()}
        parts = {self.stratum: self.info, **self.finer}
        total = sum(scale / errors[s] * matrix for s, matrix in parts.items())
        return Solved(self.stratum, parts, weights, errors, np.asarray(total) / scale)

    def batch_term_at(
        self, phi: Mapping[str, float], lost: Mapping[str, float] | None = None
    ) -> BatchTerm:
        """Give what the layout tells of batch × treatment at some variances of the strata.

        What units across batches (chambers) take of it, they tell themselves, but less precisely.
        """
        term, across = self.batch_term, tuple(f for f in self.stratum if f != BATCH)
        if term.share == 1:
            return term
        if across not in self.sizes:
            return replace(term, share=1.0)
        n = self.sizes[self.finest]
        own, other = (
            sum(w * phi[name] for name, w in self.contrast_weights(s, n, lost).items())
            for s in (self.stratum, across)
        )
        return replace(term, share=round(term.share + (1 - term.share) * own / other, 4))

    def structural_df(self) -> dict[Term, int]:
        """Give the degrees of freedom of each stratum, those of treatments included."""
        out: dict[Term, int] = {}
        for stratum in sorted(self.sizes, key=len):
            above = sum(df for other, df in out.items() if set(other) < set(stratum))
            out[stratum] = self.sizes[stratum] - 1 - above
        return out

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
        if m > 500:  # the series of E[1/M] for large m; the sum below would overflow
            return (1 + share / ((1 - share) * m)) / (n * (1 - share))
        kept = [comb(m, k) * (1 - share) ** k * share ** (m - k) for k in range(1, m + 1)]
        inverse = sum(p / k for k, p in enumerate(kept, 1)) / sum(kept)
        return inverse * m / n

    def left_df(self, lost: Mapping[str, float] | None = None, *, free: float = 0.0) -> float:
        """Give the degrees of freedom for error once units are lost.

        `free` are those that the treatments of a finer stratum do not take (`Solved.free_df`).
        """
        units = self.sizes[self.stratum]
        gone = 0.0
        for name, share in (lost or {}).items():
            stratum = next((s for s in self.sizes if ":".join(s) == name), None)
            if stratum is None or share <= 0:
                continue
            inside = max(1, self.sizes[stratum] // units)
            covers = set(self.stratum) <= set(stratum)
            gone += units * share**inside if covers else 0.0
        return max(0.0, self.error_df + free - gone)


@dataclass(frozen=True)
class Solved:
    """A layout solved at some variances: generalised least squares in its own stratum and below.

    Coarser strata are left out: what they tell is small, and the analysis seldom uses it.

    Parameters
    ----------
    home : tuple of str
        The comparison's own stratum.
    parts : dict
        Stratum → information per unit of error variance.
    weights : dict
        Stratum → weights of the strata's variances in its error variance.
    errors : dict
        Stratum → error variance.
    total : array, shape (cells, cells)
        Information in all of them.
    """

    home: Term
    parts: dict[Term, Floats]
    weights: dict[Term, dict[str, float]]
    errors: dict[Term, float]
    total: Floats

    @cached_property
    def inverse(self) -> Floats:
        """Give the covariance of the combinations, as far as they are compared."""
        return np.asarray(np.linalg.pinv(self.total, rcond=1e-9, hermitian=True))

    def covariance(self, rows: Floats) -> Floats:
        """Give the covariance of comparisons."""
        return np.asarray(rows @ self.inverse @ rows.T)

    def variance(self, row: Floats) -> float:
        """Give the variance of a comparison; infinite where it cannot be made here."""
        if np.abs(row @ self.inverse @ self.total - row).max() > 1e-6:
            return float("inf")
        return float(row @ self.inverse @ row)

    def variance_weights(self, row: Floats) -> dict[str, float]:
        """Give the weights of the strata's variances in that of a comparison.

        The comparison is the one that is best at these variances, so that at others its
        variance is the weighted sum of theirs.
        """
        half = row @ self.inverse
        out: dict[str, float] = {}
        for stratum, matrix in self.parts.items():
            share = float(half @ matrix @ half) / self.errors[stratum] ** 2
            for name, weight in self.weights[stratum].items():
                out[name] = out.get(name, 0.0) + share * weight
        return out

    def free_df(self) -> float:
        """Give the df that treatments compared more precisely further down leave to error."""
        return self._free_df

    @cached_property
    def _free_df(self) -> float:
        mine = self.parts[self.home]
        rank = int(np.linalg.matrix_rank(mine, tol=1e-9 * max(1.0, np.abs(mine).max())))
        taken = float(np.trace(self.inverse @ mine)) / self.errors[self.home]
        # rounding must not leave a df where there is none: on 1e-16 df all would be found
        return max(0.0, round(rank - taken, 9))


def with_counts(trial: Trial, counts: Mapping[str, int]) -> Trial:
    """Give the trial with more or fewer levels of some unit factors.

    New levels are named after the old ones: ``C7`` after ``C1`` … ``C6``. With a second box
    schedules are compared within each start, and the order of the starts is plain chance.
    """
    levels = dict(trial.levels)
    for name, n in counts.items():
        old = levels[name]
        letter = old[0].rstrip("0123456789")
        fresh = [f"{letter}{i}" for i in range(1, n + len(old) + 1)]
        extra = [x for x in fresh if x not in old]
        levels[name] = (*old, *extra)[:n]
    bigger = replace(trial, levels=levels)
    alone = one_box(trial) and not one_box(bigger)
    return replace(bigger, over_time="random") if alone else bigger


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
    refused = refusal(trial)
    if refused is not None:  # such as a number of batches that makes no whole blocks
        raise PlanError(f'over_time = "{trial.over_time}": {refused[0]}; {refused[1]}')
    free = replace(
        trial, factors={k: replace(f, forbidden=(), apart=()) for k, f in trial.factors.items()}
    )
    found = _compare(_Frozen(free), tuple(names), quick)
    # the term batch × treatment is looked at for the treatment of the question alone
    return found if name == trial.primary.name else replace(found, batch_term=BatchTerm())


class _Frozen:
    """A trial as a cache key: only what a layout depends on."""

    def __init__(self, trial: Trial) -> None:
        self.trial = trial
        self.key = (
            trial.structure.text,
            trial.over_time,
            tuple(trial.counts.items()),
            tuple(
                (
                    f.name,
                    f.applied_to,
                    tuple(f.levels),
                    tuple((f.replication or {}).items()),
                    f.method,
                )
                for f in trial.factors.values()
            ),
        )

    def __hash__(self) -> int:
        return hash(self.key)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Frozen) and self.key == other.key


@lru_cache(maxsize=512)
def _compare(frozen: _Frozen, names: tuple[str, ...], quick: bool) -> Comparison:
    trial = laid_out(frozen.trial)
    structure, counts = trial.structure, trial.counts
    # how treatments of finer units lie hardly matters here, so they are not searched for long
    own = structure.join(*(trial.factors[f].applied_to for f in names))
    held = held_levels(trial, quick=quick, closely=own)
    lines = with_trend(trial, skeleton_lines(structure, counts, held))
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
    info = information(groupings(structure, counts, finest), cell, unique.shape[1])
    beside = [kept_on_average(s.target) for s in treated_sites(trial) if s.trend]
    trend = bool(beside) and stratum == structure.merged(counts)[_trend_home(trial)]
    replication = np.bincount(cell).astype(float)
    compared = np.unique(unique[: len(names)].T, axis=0, return_inverse=True)[1].ravel()
    batches = BatchTerm()
    if len(names) == 1 and BATCH in stratum:
        batches = batch_term(structure, counts, *held[name])
    return Comparison(
        name=name,
        stratum=stratum,
        levels=tuple(tuple(trial.factors[f].levels) for f in names),
        cells=unique[: len(names)].T.astype(np.int64),
        info=info[stratum] * (beside[0] if trend else 1.0),
        mean_info=np.outer(replication, replication) / n,
        finest=structure.merged(counts)[finest],
        num_df=here.df,
        error_df=left[stratum],
        efficiency=here.efficiency,
        sizes={s: prod(counts[f] for f in s) for s in structure.strata(counts)},
        stands_for=structure.merged(counts),
        spare_df=left,
        finer={s: m for s, m in info.items() if set(stratum) < set(s) and np.abs(m).max() > 1e-9},
        batch_term=batches,
        level_errors=level_errors(structure, counts, stratum, finest, cell, compared),
        trend=trend,
    )


def _trend_home(trial: Trial) -> Term:
    """Give the units that a trend over starts is taken out between."""
    return next(iter(over_starts(trial).values())).applied_to
