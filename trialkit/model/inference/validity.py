"""Whether a test came out as one, and what takes over where it did not.

With few units the variances of a free fit can run so far below zero that Kenward and Roger's
moments have no F distribution that matches them: its degrees of freedom or its F fall below
zero. Satterthwaite's df are then infinite, which would be the opposite error. Such a test
says nothing and is never shown. The next of these that has finite degrees of freedom of at
least `LEAST_DF` and a statistic takes over, and its row says so:

1. the method asked for (or the default rule, `trialkit.model.inference.default`);
2. Kenward and Roger's test with variances held at or above zero;
3. the covariance of that fit with the df of the stratum that contains the hypothesis;
4. no test: nothing but the estimate is given.

The choice is made for all rows of the fixed terms that a question touches, so that a
difference between two levels is analysed as the test of its factor is. Both ways that take over
err to the safe side (`docs/statistics.md` has the shares of false alarms).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from trialkit.arrays import Floats
from trialkit.model.inference.answer import (
    Answer,
    State,
    by_containment,
    by_kenward_roger,
    fit_state,
)
from trialkit.model.inference.memory import recall_for
from trialkit.model.inference.question import Question

HELD = "variances at or above zero"
NO_TEST = "no test"
LEAST_DF = 0.1  # df below which t has no quantile that a trial could ever reach (97.5 %: 1e12)
LEAST_NAMED = 1e-6  # the same where a method is asked for by name, and so given as it is
ALMOST_NONE = 1 - 1e-6  # df below which limits are too wide to be of use
FEW_DF = "almost no degrees of freedom left: too few units to judge chance by"
NO_DF = "no test: no way to judge chance has valid degrees of freedom here"


def is_valid(answer: Answer, *, joint: bool, least: float = LEAST_DF) -> NDArray[np.bool_]:
    """Say for which responses every row (and the joint test) is a test at all.

    Parameters
    ----------
    answer : Answer
    joint : bool
        Whether the rows were tested together; then that test alone is asked.
    least : float
        Degrees of freedom from which there is a test.

    Returns
    -------
    ndarray of bool, shape (R,)
    """
    variance = np.einsum("rll->rl", answer.cov)
    with np.errstate(invalid="ignore"):
        good = (np.isfinite(variance) & (variance > 0)).all(axis=1)
        if joint:
            F, den = answer.F, answer.den_df
            return np.asarray(good & np.isfinite(F) & (F >= 0) & _enough(den, least))
        return np.asarray(good & _enough(answer.df, least).all(axis=1))


def _enough(df: Floats, least: float) -> NDArray[np.bool_]:
    return np.asarray(np.isfinite(df) & (df >= least))


def hand_over(
    question: Question,
    base: State,
    Y: Floats,
    out: Answer,
    whole: Callable[[Question], Answer],
    df: str,
    *,
    joint: bool,
    least: float = LEAST_DF,
) -> Answer:
    """Replace answers that are no tests by the next way that gives one.

    Parameters
    ----------
    question : Question
    base : State
        The whole model fitted to the responses.
    Y : ndarray, shape (R, n)
    out : Answer
        What the method asked for gave; overwritten where it is no test.
    whole : callable
        Gives the joint answer of that method to another question.
    df : str
        Name of that method.
    joint : bool
    least : float
        Degrees of freedom from which the answer in hand stands.

    Returns
    -------
    Answer
    """
    bad = ~is_valid(out, joint=joint, least=least)
    asked = _whole_question(question, joint=joint)
    if asked is not None and not bad.all():
        bad |= ~recall_for(
            question.prepared,
            ("valid", question.about, df, least, base.phi.tobytes()),
            Y,
            lambda: is_valid(whole(asked), joint=True, least=least),
        )
    at = np.flatnonzero(bad)
    if not len(at):
        return out
    state = fit_held(question, base, Y[at])
    L = question.L
    part = by_kenward_roger(state, L, joint=joint)
    good = is_valid(part, joint=joint)
    if asked is not None:
        good &= is_valid(by_kenward_roger(state, asked.L, joint=True), joint=True)
    part.method[:] = f"kenward-roger, {HELD}"
    left = np.flatnonzero(~good)
    if len(left):
        part.put(left, _last(question, state.take(left), joint=joint))
    out.put(at, part)
    return out


def fit_held(question: Question, base: State, Y: Floats) -> State:
    """Fit the whole model with variances at or above zero."""
    return recall_for(
        question.prepared, "held", Y, lambda: fit_state(base.reduced, Y, "nonnegative")
    )


def _last(question: Question, state: State, *, joint: bool) -> Answer:
    """Answer with the df of the stratum, or say that there is no test."""
    out = by_containment(state, question.L, question.containment_df, joint=joint)
    out.method[:] = f"containment, {HELD}"
    return without_invalid(out, joint=joint)


def without_invalid(answer: Answer, *, joint: bool) -> Answer:
    """Take the tests out that are none, leaving their estimates."""
    bad = ~is_valid(answer, joint=joint)
    answer.method[bad] = NO_TEST
    for values in (answer.cov, answer.df, answer.F, answer.den_df):
        values[bad] = np.nan
    return answer


def _whole_question(question: Question, *, joint: bool) -> Question | None:
    """Give the hypothesis of all terms touched, where it says more than the rows do."""
    if not question.is_comparison:
        return None
    rows = question.decided_on
    if len(rows) == 1 or (joint and len(rows) == len(question.L)):
        return None
    return Question(question.prepared, rows)
