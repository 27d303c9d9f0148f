"""How much units vary, from a pilot: its mean squares and their degrees of freedom.

A mean square on few degrees of freedom may lie far from what it estimates, so the pilot gives
no single variance but many that could have led to it: each expected mean square is the one
seen times its df over a chi-square, and the variances are solved from these. What is worked
out from them has a range.

References
----------
.. [1] Weerahandi, S. (1993). Generalized confidence intervals. J. Am. Stat. Assoc. 88,
   899-905 (from memory).
.. [2] Browne, R. H. (1995). On the use of a pilot sample for sample size determination.
   Stat. Med. 14, 1933-1940: a pilot variance taken at its face value promises too much
   (from memory).
"""

from __future__ import annotations

from functools import lru_cache
from math import prod
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from trialkit.arrays import Floats
from trialkit.design.power.variation import Variation, percentiles, planning_ranges
from trialkit.errors import DesignError
from trialkit.model.inference.crossed_effect import can_be_told, crossed_df, stands_clear
from trialkit.model.inference.memory import recall
from trialkit.trial.over_time import BATCH, START, laid_out
from trialkit.wording import Message, Units, message

if TYPE_CHECKING:
    from trialkit.model.fit import Fit
    from trialkit.structure import Term
    from trialkit.trial import Factor, Trial

DRAWS = 2_000
SHOWN = 0.95  #: quantile of F from which a pilot's batch × treatment counts as more than chance
_TENTH = 1.2815515655446004  # normal quantile of 90 %: planning ranges leave out a tenth each side


def pilot_variation(trial: Trial, pilot: Fit) -> Variation:
    """Take variances from a fit to earlier data, with all that is uncertain about them.

    Parameters
    ----------
    trial : Trial
    pilot : Fit
        Its random terms are matched to the trial's strata by their factors, whether or not
        crossed with flush; the residual stands for the smallest units, or for their flushes.

    Returns
    -------
    Variation
        Its draws are a fixed, evenly spread set, so that the same pilot always gives the
        same figures.

    Notes
    -----
    Variances are divided by the squared mean of the fitted values, which is taken as known.
    Strata that the pilot could not tell apart (chamber and chamber run in a single batch)
    share its variance in unknown parts. A stratum that it does not tell of takes its planning
    range, and `source` says so.
    """
    from trialkit.model.answers.mean_squares import mean_squares

    trial = laid_out(trial)
    mean = float(np.mean(pilot.fitted_fixed))
    if mean <= 0:
        raise DesignError("the pilot's mean is not above zero, so per cent of it have no meaning")
    pilot = _for_planning(trial, pilot)
    squares = mean_squares(pilot)
    strata = [":".join(t) for t in trial.structure.terms]
    uniform = spread_points(DRAWS, len(squares.names) + 2 * len(strata))
    m = len(squares.names)
    values = squares.draws(uniform[:, :m]) * (100.0 / mean) ** 2
    found = _by_stratum(trial, pilot, squares.names, values)
    ranges = planning_ranges(trial.structure)
    draws, source, df = np.zeros((DRAWS, len(strata))), {}, {}
    for i, (name, term) in enumerate(zip(strata, trial.structure.terms, strict=True)):
        key = _key(trial, pilot, term)
        alike = [t for t in trial.structure.terms if _key(trial, pilot, t) == key]
        total = found.get(key)
        if total is None or np.isnan(total).any():
            low, _, high = (float(np.sqrt(v)) for v in ranges.squares[name])
            normal = special.ndtri(uniform[:, m + i])
            log_sd = np.log(low * high) / 2 + normal * np.log(high / low) / 2 / _TENTH
            draws[:, i] = np.exp(2 * log_sd)
            source[name] = message("variation.untold", source=ranges.source[name])
            continue
        shares = _shares(
            uniform[:, m + len(strata) :], [trial.structure.terms.index(t) for t in alike]
        )
        draws[:, i] = total * shares[:, alike.index(term)]
        alone = len(alike) == 1
        source[name] = (
            message("variation.pilot")
            if alone
            else message("variation.pilot_alike", units=[Units(t) for t in alike])
        )
        df[name] = _df_of(trial, pilot, squares.names, squares.df, key)
    three = percentiles(np.maximum(draws, 0.0).T).T.tolist()
    ends = {name: (a, b, c) for name, (a, b, c) in zip(strata, three, strict=True)}
    notes = _notes(trial, pilot, squares.names)
    by_batch = _by_batch(trial, pilot, squares.names, values)
    return Variation(ends, source, "pilot", tuple(strata), draws, df, notes, by_batch=by_batch)


def _for_planning(trial: Trial, pilot: Fit) -> Fit:
    """Leave out batch × treatment where the pilot's own mean square may show it by chance.

    The analysis keeps the term wherever it may be there, in 40 of 100 trials that have none,
    since its own test would else err. Its variance in just those trials is far too large, and a
    plan made from it promises too little (benchmarks/pilot_power.py).
    """
    name = trial.primary.name
    term = next((t for t in pilot.spec.random if set(t.split(":")) == {"batch", name}), None)
    units = tuple(BATCH if x == START else x for x in trial.primary.applied_to)
    if term is None or pilot.is_large or not {"batch", *units} <= set(pilot.table):
        return pilot
    df = crossed_df(pilot.table, units, "batch", name)
    variances = pilot.variances.to_frame().T
    if not can_be_told(df):  # nor does the analysis choose: it was asked for
        return pilot
    if stands_clear(pilot.data, variances, name, term, df, at=SHOWN).all():
        return pilot
    return pilot.refit(random=[t for t in pilot.spec.random if t != term])


def spread_points(n: int, dimensions: int) -> Floats:
    """Give points spread evenly over the unit cube, always the same.

    A Latin hypercube (McKay, Beckman and Conover 1979, Technometrics 21:239-245, from
    memory): each coordinate takes the middle of every one of n equal steps once.

    Examples
    --------
    >>> points = spread_points(1000, 3)
    >>> bool(abs(points.mean(axis=0) - 0.5).max() < 1e-12)
    True
    """
    return _spread_points(n, dimensions)


@lru_cache(maxsize=8)
def _spread_points(n: int, dimensions: int) -> Floats:
    rng = np.random.Generator(np.random.PCG64(20_310_113))
    steps = (np.arange(n) + 0.5) / n
    points = np.column_stack([rng.permutation(steps) for _ in range(dimensions)])
    points.setflags(write=False)
    return points


def _key(trial: Trial, pilot: Fit, term: Term | tuple[str, ...]) -> frozenset[str]:
    """Name a stratum by the factors that had more than one level in the pilot."""
    term = tuple(BATCH if name == START else name for name in term)  # as columns have it

    def several(name: str) -> bool:
        if name in pilot.table:
            key = ("several levels", name)
            return recall(pilot.data, key, lambda: bool(pilot.table[name].nunique() > 1))
        return trial.counts.get(name, 2) > 1

    return frozenset(name for name in term if several(name))


def _place(trial: Trial, pilot: Fit, name: str) -> tuple[frozenset[str], float]:
    """Give the stratum that a variance of the pilot belongs to, and its weight there."""
    smallest = _key(trial, pilot, trial.structure.smallest)
    if name == "residual":
        repeated = any(_key(trial, pilot, g.term.columns) == smallest for g in pilot.groupings)
        return smallest, 1.0 / trial.flushes if repeated else 1.0
    term = next(g.term for g in pilot.groupings if g.term.name == name)
    if term.slope is not None:
        return frozenset([name]), 1.0  # a coefficient is no variation between units
    columns = term.columns
    given = [trial.factors[name] for name in columns if name in trial.factors]
    if given:
        return _with_treatment(trial, pilot, columns, given)
    if "flush" in columns:
        rest = tuple(c for c in columns if c != "flush")
        return _key(trial, pilot, rest), 1.0 / trial.flushes
    return _key(trial, pilot, columns), 1.0


def _with_treatment(
    trial: Trial, pilot: Fit, columns: tuple[str, ...], given: list[Factor]
) -> tuple[frozenset[str], float]:
    """Place what a treatment does by batch: with the units that it was given to.

    Units of one level in one batch share it, so that for their mean it weighs as many times
    their own variance as there are such units in the layout. More batches lessen it as they
    should; more units in each batch seem to lessen it, which they do not.
    """
    home = trial.structure.join(*(factor.applied_to for factor in given))
    rest = [name for name in columns if name in trial.counts]
    sharing = prod(n for name, n in trial.counts.items() if name in home and name not in rest)
    levels = prod(len(factor.levels) for factor in given)
    return _key(trial, pilot, home), max(1.0, sharing / levels)


def _by_batch(
    trial: Trial, pilot: Fit, names: tuple[str, ...], values: Floats
) -> dict[str, tuple[float, float]]:
    """Give what the treatment of the question does by batch, at its median, and its weight."""
    out: dict[str, tuple[float, float]] = {}
    for group in pilot.groupings:
        if set(group.term.columns) != {"batch", trial.primary.name} or group.term.slope is not None:
            continue
        middle = float(np.median(values[:, names.index(group.term.name)]))
        home = ":".join(trial.structure.term(":".join(trial.primary.applied_to)))
        out[home] = (max(middle, 0.0), _place(trial, pilot, group.term.name)[1])
    return out


def _by_stratum(
    trial: Trial, pilot: Fit, names: tuple[str, ...], values: Floats
) -> dict[frozenset[str], Floats]:
    """Add up the draws of the variances that belong to each stratum."""
    out: dict[frozenset[str], Floats] = {}
    for i, name in enumerate(names):
        key, weight = _place(trial, pilot, name)
        out[key] = out.get(key, np.zeros(len(values))) + weight * values[:, i]
    return out


def _df_of(
    trial: Trial, pilot: Fit, names: tuple[str, ...], df: Floats, key: frozenset[str]
) -> float:
    """Give the df of a stratum's own mean square (not that of its flushes)."""
    own = [
        float(value)
        for name, value in zip(names, df, strict=True)
        if _place(trial, pilot, name) in ((key, 1.0), (key, 1.0 / trial.flushes))
    ]
    return own[0] if own else float("nan")


def _shares(uniform: Floats, columns: list[int]) -> Floats:
    """Split one into as many random parts as there are columns, shape (draws, columns)."""
    if len(columns) == 1:
        return np.ones((len(uniform), 1))
    raw = -np.log(uniform[:, columns])
    return np.asarray(raw / raw.sum(axis=1, keepdims=True))


def _notes(trial: Trial, pilot: Fit, names: tuple[str, ...]) -> tuple[Message, ...]:
    """Say which variances of the pilot stand for no kind of unit of the trial."""
    known = {_key(trial, pilot, term) for term in trial.structure.terms}
    apart = [n for n in names if _place(trial, pilot, n)[0] not in known]
    if not apart:
        return ()
    return (message("power.pilot_apart", units=[Units(tuple(n.split(":"))) for n in apart]),)
