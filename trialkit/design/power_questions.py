"""The chance that a layout answers each question, for one state of the variation.

Three questions are asked of a treatment: whether the levels differ at all (F), whether a
level differs from the reference by the difference worth finding (t, jointly over levels),
and whether a level that loses nothing is shown to be no worse (ratio within the margin).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np

from trialkit.design.comparisons import Comparison
from trialkit.design.power_exact import power_clear_of, power_f, power_t
from trialkit.design.units import Floats
from trialkit.design.variation import Variation
from trialkit.wording import units_in_words

Question = Literal["any", "difference", "no worse"]
QUESTIONS: tuple[Question, ...] = ("any", "difference", "no worse")
WORDS = {
    "any": "the levels differ at all",
    "difference": "a level differs from the reference",
    "no worse": "a level is no worse than the reference",
}


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


def critical_value(c: Comparison, rows: Floats, df: float, wanted: Wanted) -> float:
    """Give the half width of the intervals in standard errors, joint where asked."""
    from trialkit.model.compare import correlation_of
    from trialkit.model.tails import t_quantile

    if not wanted.joint or len(rows) == 1:
        return float(t_quantile(wanted.level, df))
    correlation = np.round(correlation_of(c.covariance(rows)), 9)
    return _joint_point(wanted.level, correlation.tobytes(), len(rows), round(df, 6))


@lru_cache(maxsize=1024)
def _joint_point(level: float, correlation: bytes, size: int, df: float) -> float:
    from trialkit.model.simultaneous import largest_point

    return float(largest_point(level, np.frombuffer(correlation).reshape(size, size), df))


def chance(
    c: Comparison, question: Question, variation: Variation, wanted: Wanted, *, effect: float
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

    Returns
    -------
    low, middle, high : float
        Power with the variation at its high, middle and low end; the worst level counts.
    """
    errors = variation.combined(c.error_weights(wanted.lost))
    df = c.left_df(wanted.lost)
    if df <= 0:
        return 0.0, 0.0, 0.0
    rows = c.interaction_row()[None, :] if ":" in c.name else rows_against(c, wanted.reference)
    worst = max(c.within_variance(row) for row in rows)
    if question == "no worse":
        return _no_worse(c, rows, errors, df, variation, wanted, effect)
    critical = critical_value(c, rows, df, wanted) if question == "difference" else 0.0
    out = []
    for error in reversed(errors):
        if question == "any":
            out.append(power_f(effect**2 / (worst * error), c.num_df, df, level=wanted.level))
        else:
            out.append(power_t(effect / np.sqrt(worst * error), df, critical=critical))
    return out[0], out[1], out[2]


def _no_worse(
    c: Comparison,
    rows: Floats,
    errors: tuple[float, float, float],
    df: float,
    variation: Variation,
    wanted: Wanted,
    effect: float,
) -> tuple[float, float, float]:
    """Value mean − θ·reference, which also carries a little of the grand mean's error."""
    theta = 1 - (effect - wanted.true_pct) / 100  # the ratio at the margin
    critical = critical_value(c, rows, df, wanted)
    means = variation.combined(c.mean_weights(wanted.lost))
    out = []
    for error, mean in zip(reversed(errors), reversed(means), strict=True):
        worst = 1.0
        for row in rows_against(c, wanted.reference, ratio=theta):
            within, above = _split_variance(c, row, error, mean)
            total = within + above
            freedom = _joint_df(within, above, df, c)
            se = float(np.sqrt(total))
            worst = min(worst, power_clear_of(effect, se, freedom, critical=critical))
        out.append(worst)
    return out[0], out[1], out[2]


def _split_variance(c: Comparison, row: Floats, error: float, mean: float) -> tuple[float, float]:
    """Split the variance of a comparison into the stratum's part and the grand mean's."""
    n = c.sizes[c.finest]
    inverse = np.linalg.pinv(c.info / error + c.mean_info / (n * mean), rcond=1e-10)
    half = row @ inverse
    within = float(half @ (c.info / error) @ half)
    return within, float(half @ (c.mean_info / (n * mean)) @ half)


def _joint_df(within: float, above: float, df: float, c: Comparison) -> float:
    """Give Satterthwaite's df of the two parts; the upper strata count with their fewest."""
    uppers = [d for s, d in c.spare_df.items() if set(s) < set(c.stratum) and d > 0]
    own = min(uppers) if uppers else df
    if not any(set(s) < set(c.stratum) for s in c.sizes):
        return df  # one stratum in all: both parts share its error
    return (within + above) ** 2 / (within**2 / df + above**2 / own)


def detectable(
    c: Comparison, question: Question, variation: Variation, wanted: Wanted, power: float
) -> float:
    """Give the smallest effect [%] found with the wanted power, at the middle variation.

    For "no worse" it is the smallest margin that a level without loss is shown to keep.
    """
    from trialkit.design.power_exact import smallest_for

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
    return {q: chance(c, q, variation, wanted, effect=effect_of(q, wanted)) for q in questions}


def notes_on(c: Comparison, spread: Variation, asked: Wanted) -> list[str]:
    """Say what a reader of the powers must know."""
    out = []
    if spread.kind == "planning range":
        out.append(
            "The variation is a planning range, not a measurement; a pilot of your own is better."
        )
    if spread.kind == "pilot":
        out.append("Much and little variation are the 80 % limits of the pilot's variance.")
    for stratum, share in asked.lost.items():
        if share:
            units = units_in_words(stratum.split(":"))
            out.append(f"{100 * share:g} % of {units} are expected to be lost.")
    if not c.orthogonal:
        out.append(
            f"{100 * c.efficiency:.1f} % of the information on {c.name} lies between "
            f"{units_in_words(c.stratum)}; the exact figures leave out the rest."
        )
    if asked.joint and len(c.levels[0]) > 2 and ":" not in c.name:
        out.append("Limits hold for all levels together, as in the analysis.")
    return out
