"""The chance that a layout answers each question, for one state of the variation.

Three questions are asked of a treatment: whether the levels differ at all (F), whether a
level differs from the reference by the difference worth finding (t, jointly over levels),
and whether a level that loses nothing is shown to be no worse (ratio within the margin).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache, partial
from typing import Literal

import numpy as np
from scipy import special

from trialkit.arrays import Floats
from trialkit.design.power.error_choice import ErrorUsed, errors_used, mixed
from trialkit.design.power.exact import beyond_f, beyond_t
from trialkit.design.power.mean_error import common_row, joint_df, mean_df, split_variance
from trialkit.design.strata.comparisons import Comparison, Solved
from trialkit.design.strata.error_terms import BatchTerm
from trialkit.design.variation import Variation
from trialkit.model.answers.comparisons import correlation_of
from trialkit.model.inference.simultaneous import largest_point
from trialkit.model.inference.tails import t_quantile

Question = Literal["any", "difference", "no worse"]
QUESTIONS: tuple[Question, ...] = ("any", "difference", "no worse")
#: How far a pilot's chance is moved out, in percentiles per unit of chance: with very many
#: degrees of freedom, and what is added over their number; with fewer than `FEWEST` no more.
OUTWARD, OUTWARD_FEW, FEWEST = 0.13, 3.6, 3.5


@dataclass(frozen=True)
class Wanted:
    """What a trial is to find out.

    Parameters
    ----------
    difference_pct : float
        Difference worth finding [% of the mean].
    margin_pct : float
        Loss accepted [% of the reference mean].
    true_pct : float
        True change for the question "no worse" [% of the reference mean], usually 0.
    level : float
    joint : bool
        Whether limits hold for all levels together, as the analysis has them.
    reference : int
        Number of the reference level.
    lost : dict
        Stratum → share of its units expected to be lost.
    """

    difference_pct: float
    margin_pct: float
    true_pct: float
    level: float
    joint: bool
    reference: int
    lost: dict[str, float]


def rows_against(c: Comparison, reference: int, *, ratio: float = 1.0) -> Floats:
    """Give the rows of each level's mean minus `ratio` times the reference's."""
    base = c.mean_row(reference)
    others = [i for i in range(len(c.levels[0])) if i != reference]
    return np.array([c.mean_row(i) - ratio * base for i in others])


def critical_value(
    solved: Solved, rows: Floats, df: float, wanted: Wanted, *, near: float | None = None
) -> float:
    """Give the half width of the intervals in standard errors, joint where asked.

    With `near`, other degrees of freedom, the joint value is found there and carried over, which
    is quicker where those serve many times: as a single test of the same level, times what the
    two differ by between levels that are all alike.
    """
    if not wanted.joint or len(rows) == 1:
        return _single_point(wanted.level, df)
    correlation = np.round(correlation_of(solved.covariance(rows)), 9)
    joint = _joint_point(wanted.level, correlation.tobytes(), len(rows), round(near or df, 6))
    if near is None or near == df:
        return joint
    usual = float(np.clip(correlation[np.triu_indices(len(rows), 1)].mean(), 0.0, 0.9))
    alike = (wanted.level, len(rows), round(usual, 1))
    return _as_single(joint, near, df) * _carried(*alike, max(round(near), 1), max(round(df), 1))


@lru_cache(maxsize=1024)
def _single_point(level: float, df: float) -> float:
    return float(t_quantile(level, df))


def _as_single(point: float, near: float, df: float) -> float:
    """Give the critical value that a single test of the same level has at other df."""
    return float(t_quantile(1 - 2 * float(special.stdtr(near, -point)), df))


@lru_cache(maxsize=1024)
def _carried(level: float, size: int, correlation: float, near: int, df: int) -> float:
    """Give the joint critical value over that of a single test of the same level."""
    alike = np.full((size, size), correlation) + (1 - correlation) * np.eye(size)
    there, here = (_joint_point(level, alike.tobytes(), size, float(d)) for d in (near, df))
    return here / _as_single(there, near, df)


def worst_row(solved: Solved, rows: Floats) -> tuple[int, float]:
    """Give the number of the comparison with the largest variance, and that variance."""
    variances = [solved.variance(row) for row in rows]
    worst = int(np.argmax(variances))
    return worst, variances[worst]


@lru_cache(maxsize=1024)
def _joint_point(level: float, correlation: bytes, size: int, df: float) -> float:
    return float(largest_point(level, np.frombuffer(correlation).reshape(size, size), df))


@dataclass(frozen=True, eq=False)
class _Ends:
    """A comparison worked out at the ends of the variation: low (0), middle (1), high (2).

    They do not depend on what is asked, nor on which percentile counts as a pilot's middle.
    """

    rows: Floats
    solved: list[Solved]
    used: list[tuple[BatchTerm, float]]


def _ends(c: Comparison, variation: Variation, wanted: Wanted) -> _Ends:
    rows = c.interaction_row()[None, :] if ":" in c.name else rows_against(c, wanted.reference)
    # elsewhere the ends differ in nothing, or a pilot's are quantiles at one weighting
    points = (0, 1, 2) if variation.kind == "planning range" else (1,)
    times = 3 // len(points)
    solved = [c.solve(variation.point(at), wanted.lost) for at in points] * times
    terms = [c.batch_term_at(variation.point(at), wanted.lost) for at in points] * times
    apart = variation.apart(":".join(c.stratum), c.error_weights(wanted.lost))
    return _Ends(rows, solved, [(term, apart) for term in terms])


def chance(
    c: Comparison,
    question: Question,
    variation: Variation,
    wanted: Wanted,
    *,
    effect: float,
    ends: _Ends | None = None,
) -> tuple[float, float, float]:
    """Give the chance of a positive answer at high, middle and low variation.

    Parameters
    ----------
    c : Comparison
    question : {"any", "difference", "no worse"}
    variation : Variation
    wanted : Wanted
    effect : float
        Size of the true difference [%]: from the reference, or for "no worse" the distance
        of the truth from the margin.
    ends : optional
        The comparison at the ends of the variation, where other questions have worked it out.

    Returns
    -------
    low, middle, high : float
        Power with the variation at its high, middle and low end; the worst level counts.

    Notes
    -----
    Each chance falls as one error variance rises. From a pilot, low and high are therefore
    the 5th and 95th percentile of the chances that its mean squares allow. The middle is the
    percentile ``50 + 100 k (m - 1/2)`` with m their median: an estimated chance is drawn to the
    middle by its own error, since it cannot go beyond 0 and 1, and this moves it back as far
    as is needed on average. ``k = 0.13 + 3.6 / df`` with the degrees of freedom of the mean square
    that the comparison rests on (``benchmarks/pilot_power.py --one``). It rises with every chance,
    so that it rises with every count.
    """
    known = ends or _ends(c, variation, wanted)
    if variation.draws is not None:
        (median,) = _chance(c, question, variation, wanted, effect, known, ends=(1,))
        df = variation.df.get(":".join(c.stratum), math.nan)
        variation = replace(variation, middle=0.5 - outward(df) * (median - 0.5))
    high, middle, low = _chance(c, question, variation, wanted, effect, known, ends=(0, 1, 2))
    return low, middle, high


def outward(df: float) -> float:
    """Give how far a chance stated from a mean square on few df is moved out (see `chance`)."""
    few = FEWEST if math.isnan(df) else max(df, FEWEST)
    return OUTWARD + OUTWARD_FEW / few


def _chance(
    c: Comparison,
    question: Question,
    variation: Variation,
    wanted: Wanted,
    effect: float,
    known: _Ends,
    *,
    ends: tuple[int, ...],
) -> list[float]:
    """Give the chance at some ends of the variation: low (0), middle (1), high (2)."""
    rows, solved, used = known.rows, known.solved, known.used
    if question == "no worse":
        return _no_worse(c, rows, solved, used, variation, wanted, effect, ends)
    out = []
    variances = _worst_variances(solved, rows, variation)
    for end in ends:
        error = variances[end]
        df = c.left_df(wanted.lost, free=solved[end].free_df())
        if df <= 0 or not np.isfinite(error) or error <= 0:  # no error to judge by: no chance
            out.append(0.0)
            continue
        errors = errors_used(df, *used[end])
        if question == "any":
            out.append(_any_differs(c, errors, rows, df, effect**2 / error, wanted.level))
        else:
            ncp = effect / float(np.sqrt(error))
            out.append(_one_differs(c, errors, solved[end], rows, df, ncp, wanted))
    return out


def _any_differs(
    c: Comparison, errors: tuple[ErrorUsed, ...], rows: Floats, df: float, ncp: float, level: float
) -> float:
    """Give the chance that F finds the levels apart."""

    def beyond(used: ErrorUsed) -> Floats:
        own, law = used.df, df
        if c.level_errors is not None and not used.kept:
            own = law = c.level_errors.together(rows, df)
        critical = special.fdtri(c.num_df, own, level)
        return beyond_f(ncp, c.num_df, law, critical * used.ratio)

    return mixed(errors, beyond)


def _one_differs(
    c: Comparison,
    errors: tuple[ErrorUsed, ...],
    solved: Solved,
    rows: Floats,
    df: float,
    ncp: float,
    wanted: Wanted,
) -> float:
    """Give the chance that the least precise comparison is found apart."""

    def beyond(used: ErrorUsed) -> Floats:
        own, law = used.df, df
        if c.level_errors is not None and not used.kept:
            at = worst_row(solved, rows)[0]
            own = law = df * float(c.level_errors.share(rows)[at])
        critical = critical_value(solved, rows, own, wanted, near=df)
        return beyond_t(ncp, law, critical * np.sqrt(used.ratio))

    return mixed(errors, beyond)


def _worst_variances(
    solved: list[Solved], rows: Floats, variation: Variation
) -> tuple[float, float, float]:
    """Give the variance of the least precise comparison at low, middle and high variation."""
    if variation.draws is None:
        low, middle, high = (worst_row(s, rows)[1] for s in solved)
        return low, middle, high
    at, value = worst_row(solved[1], rows)
    if not np.isfinite(value):
        return value, value, value
    return variation.combined(solved[1].variance_weights(rows[at]))


def _no_worse(
    c: Comparison,
    rows: Floats,
    solved: list[Solved],
    used: list[tuple[BatchTerm, float]],
    variation: Variation,
    wanted: Wanted,
    effect: float,
    ends: tuple[int, ...],
) -> list[float]:
    """Value mean − θ·reference, which also carries a little of the grand mean's error."""
    theta = 1 - (effect - wanted.true_pct) / 100  # the ratio at the margin
    means = variation.combined(c.mean_weights(wanted.lost))
    tested = rows_against(c, wanted.reference, ratio=theta)
    known: list[tuple[float, float, float]] = []
    if variation.draws is not None:
        centred = [row - row.sum() * common_row(c) for row in tested]
        known = [variation.combined(solved[1].variance_weights(row)) for row in centred]
    out = []
    for end in ends:
        at = solved[end]
        df = c.left_df(wanted.lost, free=at.free_df())
        if df <= 0:
            out.append(0.0)
            continue
        errors = errors_used(df, *used[end])
        worst, asked = 1.0, list[tuple[float, float]]()
        for i, row in enumerate(tested):
            within, above = split_variance(c, at, row, means[end])
            if known:
                within = known[i][end]
            if c.level_errors is None:  # levels that are alike have one chance
                if any(map(partial(_are_alike, (within, above)), asked)):
                    continue
                asked.append((within, above))
            if not (within > 0 and above >= 0 and math.isfinite(within + above)):
                worst = 0.0  # no error to judge by: no chance
                continue
            chance_of = _no_worse_law(c, at, rows, i, df, (within, above), effect, wanted)
            worst = min(worst, mixed(errors, chance_of))
        if variation.draws is None or end == 2:  # a pilot tells too little of it but to be wary
            phi = variation.point(end if variation.kind == "planning range" else 1)
            own = mean_df(c, phi, wanted.lost) or df
            worst *= _mean_clear(c, at, rows, (df, own), means[end], wanted)
        out.append(worst)
    return out


def _are_alike(parts: tuple[float, float], others: tuple[float, float]) -> bool:
    """Say whether two pairs of variances differ by rounding alone."""
    return all(math.isclose(a, b, rel_tol=1e-12) for a, b in zip(parts, others, strict=True))


def _mean_clear(
    c: Comparison,
    at: Solved,
    rows: Floats,
    dfs: tuple[float, float],
    mean: float,
    wanted: Wanted,
) -> float:
    """Give the chance that the reference's mean is clearly above zero; else no limits are finite.

    With one or two degrees of freedom between batches it need not be. `dfs` are those of the
    comparison's error and of what lies above it.
    """
    df, own = dfs
    within, above = split_variance(c, at, c.mean_row(wanted.reference), mean)
    if not (within >= 0 and above > 0 and math.isfinite(within + above)):
        return 1.0  # nothing but the comparison's own error, which has been asked
    law = (within + above) ** 2 / (within**2 / df + above**2 / own)
    critical = critical_value(at, rows, min(law, df), wanted, near=df)
    return float(beyond_t(100 / math.sqrt(within + above), law, np.array([critical]), sides=1)[0])


def _no_worse_law(
    c: Comparison,
    solved: Solved,
    rows: Floats,
    i: int,
    df: float,
    parts: tuple[float, float],
    effect: float,
    wanted: Wanted,
) -> Callable[[ErrorUsed], Floats]:
    """Give the chance to clear the margin, for each ratio of the error used.

    Only the part of the strata is found by that error, not the grand mean's. Where levels have
    unequal numbers of units, the error by level has the df of the difference `i`.
    """
    within, above = parts
    whole = within + above
    alone = df
    if c.level_errors is not None:
        alone = df * float(c.level_errors.share(rows)[i])

    def beyond(used: ErrorUsed) -> Floats:
        law = joint_df(within, above, df if used.kept else alone, c)
        own = joint_df(within, above, used.df, c) if used.kept else alone
        critical = critical_value(solved, rows, own, wanted, near=df)
        ratio = (within * used.ratio + above) / whole
        return beyond_t(effect / math.sqrt(whole), law, critical * np.sqrt(ratio), sides=1)

    return beyond


def detectable(
    c: Comparison, question: Question, variation: Variation, wanted: Wanted, power: float
) -> float:
    """Give the smallest effect [%] found with the wanted power, at the middle variation.

    For "no worse" it is the smallest margin that a level without loss is shown to keep.
    """
    from trialkit.design.power.exact import smallest_for

    def power_at(effect: float) -> float:
        return chance(c, question, variation, wanted, effect=effect)[1]

    return smallest_for(power_at, power, start=10.0)


def effect_of(question: Question, wanted: Wanted) -> float:
    """Give the true distance that a question is asked at [%]."""
    if question == "no worse":
        return wanted.margin_pct + wanted.true_pct
    return wanted.difference_pct


def all_chances(
    c: Comparison, variation: Variation, wanted: Wanted, questions: tuple[Question, ...]
) -> Mapping[Question, tuple[float, float, float]]:
    """Give the chances of all questions asked."""
    ends = _ends(c, variation, wanted)
    return {
        q: chance(c, q, variation, wanted, effect=effect_of(q, wanted), ends=ends)
        for q in questions
    }
