"""Which small-sample method a test uses by default, and the answers it gives.

The default holds its level with few, unequal units (`docs/statistics.md` has the
calibration table):

1. Fit with free variances and use Kenward and Roger's test.
2. Where the variance of the treated units is not clearly above what lies beneath them (its
   estimate is below the part of a unit mean's variance that comes from within the unit) and the
   units are unequal, analyse the values of the units, each weighing the same. Their
   unequal precision enters the covariance, not the weights.
3. Where a blocking term is not orthogonal to the hypothesis, keep it random (recover the
   information between blocks) only if it has at least `FEW` df and a variance of at least
   `CLEAR` times that of a unit; otherwise analyse within blocks. With few blocks
   recovery costs more than it brings (Yates 1940, from memory). A term that costs next to
   nothing to fix is fixed only if its estimate is below zero; one with `MANY` df stays random.

4. Where the levels compared have unequal numbers of units, or are three or more and found not to
   spread alike, analyse unit values with an error by level
   (`trialkit.model.inference.unequal_spread`).

Where no test comes of a method, the next one takes over (`trialkit.model.inference.validity`).

In a balanced design none of this changes anything: every way gives the F of the analysis of
variance.

References
----------
.. [1] Kenward MG, Roger JH (1997). Biometrics 53:983-997. doi:10.2307/2533558
.. [2] Yates F (1940). The recovery of inter-block information in balanced incomplete block
   designs. Ann Eugen 10:317-325. doi:10.1111/j.1469-1809.1940.tb02257.x
.. [3] Box GEP (1954). Some theorems on quadratic forms applied in the study of analysis of
   variance problems, I. Ann Math Stat 25:290-302. doi:10.1214/aoms/1177728786
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from trialkit.arrays import Floats
from trialkit.errors import ModelError
from trialkit.model.inference.answer import (
    Answer,
    State,
    by_containment,
    by_kenward_roger,
    by_satterthwaite,
    fit_state,
    kenward_roger_with,
)
from trialkit.model.inference.blocking import Block, Problem
from trialkit.model.inference.memory import recall_for
from trialkit.model.inference.question import RESIDUAL, Question
from trialkit.model.inference.spread_tests import spread_apart
from trialkit.model.inference.unequal_spread import (
    SpreadLevels,
    UnitParts,
    several_levels,
    unequal_levels,
    with_spread_by_level,
    within_shape,
)
from trialkit.model.inference.validity import (
    HELD,
    LEAST_DF,
    LEAST_NAMED,
    fit_held,
    hand_over,
    is_valid,
)

Df = Literal["default", "kenward-roger", "satterthwaite", "containment"]
METHODS = ("default", "kenward-roger", "satterthwaite", "containment")

OWN_CLEAR = 1.0  # own variance over the part from within, from which units may be weighted
CLEAR = 0.5  # blocking variance over that of a unit, from which it may be random
FEW = 5  # blocking df from which it may be random
SLIGHT = 0.02  # loss of information by fixing a term, below which only its sign decides
MANY = 20  # blocking df from which it stays random
SHRINK = 0.5  # own variance added, as a share of the part from within, when it may be zero


def answer(question: Question, base: State, Y: Floats, df: str, *, joint: bool) -> Answer:
    """Answer a question by a named method or by the default rule.

    Parameters
    ----------
    question : Question
    base : State
        The whole model fitted to the responses.
    Y : ndarray, shape (R, n)
    df : {"default", "kenward-roger", "satterthwaite", "containment"}
    joint : bool
        Whether the rows are tested together (they must be independent).

    Returns
    -------
    Answer
    """
    if df not in METHODS:
        raise ModelError(f"df='{df}': choose from {', '.join(METHODS)}")
    out = _as_asked(question, base, Y, df, joint=joint)
    return hand_over(
        question,
        base,
        Y,
        out,
        lambda whole: _as_asked(whole, base, Y, df, joint=True),
        df,
        joint=joint,
        least=LEAST_DF if df == "default" else LEAST_NAMED,
    )


def _as_asked(question: Question, base: State, Y: Floats, df: str, *, joint: bool) -> Answer:
    """Answer by one method, whether a test comes of it or not."""
    L = question.L
    if df == "kenward-roger":
        return by_kenward_roger(base, L, joint=joint)
    if df == "satterthwaite":
        return by_satterthwaite(base, L, joint=joint)
    if df == "containment":
        return by_containment(base, L, question.containment_df, joint=joint)
    return by_default(question, base, Y, joint=joint)


def by_default(question: Question, base: State, Y: Floats, *, joint: bool) -> Answer:
    """Answer by the rule at the head of this module."""
    out = by_kenward_roger(base, question.L, joint=joint)
    on_units = use_units(question, base) | error_by_level(question, Y)[1]
    if not question.is_comparison and base.edge.any():
        _hold_at_the_edge(question, base, Y, out, joint=joint)
        on_units &= ~base.edge
    fixed = use_fixed(question.blocking, base, question.own_share)
    here = np.flatnonzero(~on_units & fixed.any(axis=1))
    names = tuple(question.blocking)
    _by_group(question, out, Y, here, fixed[here], names, units=False, joint=joint, base=base)
    here = np.flatnonzero(on_units)
    if len(here) and (problem := question.problem(True, ())) is not None:
        state = fit_problem(question, problem, Y[here])
        out.put(
            here, on_unit_values(question, problem, state, base.take(here), Y[here], joint=joint)
        )
        blocking = question.unit_blocking
        fixed = use_fixed(blocking, state, {RESIDUAL: 1.0})
        some = np.flatnonzero(fixed.any(axis=1))
        _by_group(
            question,
            out,
            Y,
            here[some],
            fixed[some],
            tuple(blocking),
            units=True,
            joint=joint,
            base=base,
        )
    return out


def _hold_at_the_edge(
    question: Question, base: State, Y: Floats, out: Answer, *, joint: bool
) -> None:
    """Hold variances at or above zero where the covariance of the rows is at its edge."""
    at = np.flatnonzero(base.edge)
    state = fit_held(question, base, Y[at])
    part = by_kenward_roger(state, question.L, joint=joint)
    part.method[:] = f"kenward-roger, {HELD}"
    out.put(at, part)


def _by_group(
    question: Question,
    out: Answer,
    Y: Floats,
    here: NDArray[np.intp],
    fixed: NDArray[np.bool_],
    names: tuple[str, ...],
    *,
    units: bool,
    joint: bool,
    base: State,
) -> None:
    """Refit the responses that need the same terms fixed, together."""
    for pattern in np.unique(fixed, axis=0):
        at = here[(fixed == pattern).all(axis=1)]
        chosen = tuple(n for n, f in zip(names, pattern, strict=True) if f)
        problem = question.problem(units, chosen)
        if problem is None:
            continue
        state = fit_problem(question, problem, Y[at])
        if units:
            part = on_unit_values(question, problem, state, base.take(at), Y[at], joint=joint)
        else:
            part = by_kenward_roger(state, problem.L, joint=joint)
        part.method[:] = [f"{m}, {' and '.join(chosen)} fixed" for m in part.method]
        out.put(at, part)


def fit_problem(question: Question, problem: Problem, Y: Floats) -> State:
    """Fit responses in one way to analyse a hypothesis."""
    return recall_for(
        question.prepared,
        ("fitted", problem.key),
        Y,
        lambda: fit_state(problem.reduced, problem.values(Y)),
    )


def error_by_level(question: Question, Y: Floats) -> tuple[SpreadLevels | None, NDArray[np.bool_]]:
    """Say for which responses each level gets an error of its own, and which levels."""
    none = np.zeros(len(Y), dtype=bool)
    levels, several = unequal_levels(question), several_levels(question)
    if levels is None and several is None:
        return None, none
    # else units cannot be told from what blocks them
    if question.containment_df < 1 or question.problem(True, ()) is None:
        return None, none
    if levels is not None:
        return levels, ~none
    assert several is not None
    return several, spread_apart(question, several, Y)


def use_units(question: Question, base: State) -> NDArray[np.bool_]:
    """Say for which responses the values of the own units are analysed."""
    none = np.zeros(len(base.phi), dtype=bool)
    own = question.own
    if own is None:
        return none
    at = base.reduced.params.index(own.term.name)
    if question.equal_units:
        return base.held[:, at]
    share = question.own_share
    within = sum(
        value * base.phi[:, base.reduced.params.index(name)]
        for name, value in share.items()
        if name != own.term.name
    )
    return np.asarray((base.phi[:, at] < OWN_CLEAR * within) | base.edge)


def use_fixed(
    blocking: dict[str, Block], state: State, share: dict[str, float]
) -> NDArray[np.bool_]:
    """Say which blocking terms are fixed for which responses, shape (R, terms)."""
    out = np.zeros((len(state.phi), len(blocking)), dtype=bool)
    params = state.reduced.params
    own = sum(value * state.phi[:, params.index(name)] for name, value in share.items())
    for i, (name, block) in enumerate(blocking.items()):
        phi = state.phi[:, params.index(name)]
        if block.loss > SLIGHT and block.df < FEW:
            out[:, i] = True
        elif block.loss > SLIGHT and block.df < MANY:
            out[:, i] = phi < CLEAR * np.maximum(own, 0.0)
        if block.df < MANY:
            out[:, i] |= phi < 0
        out[:, i] |= state.edge
    return out


def on_unit_values(
    question: Question, problem: Problem, state: State, base: State, Y: Floats, *, joint: bool
) -> Answer:
    """Answer on the values of the own units, allowing for their unequal precision.

    The units weigh the same in the estimate; the covariance of their values, ``D``, has the
    shape that the variances of the whole model give, scaled to the error found between units.
    Where a common error does not serve, it is told apart by level
    (`trialkit.model.inference.unequal_spread`).
    """
    gls = state.gls
    D, error = unit_covariance(question, problem, state, base)
    b = gls.weights @ problem.L.T
    extra = np.swapaxes(b, 1, 2) @ (D - np.eye(D.shape[1])) @ b * error[:, None, None]
    assert question.own is not None
    name = f"unit means of {question.own.term.name}"
    out = kenward_roger_with(state, problem.L, extra, name, joint=joint)
    levels, by_level = error_by_level(question, Y)
    # an error that cannot be told whole has no parts by level
    at = np.flatnonzero(by_level & is_valid(out, joint=joint, least=LEAST_DF))
    if levels is None or not len(at):
        return out
    left = np.einsum("rab,rb->ra", gls.P, state.y) * (error * state.scale)[:, None]
    P = gls.P * error[:, None, None]
    parts = UnitParts(
        problem.reduced.rows.A, P[at], D[at], b[at], left[at], (error * state.scale**2)[at]
    )
    shape = within_shape(question, levels, Y[at])
    out.put(at, with_spread_by_level(out.take(at), levels, parts, shape, joint=joint))
    return out


def unit_covariance(
    question: Question, problem: Problem, state: State, base: State
) -> tuple[Floats, Floats]:
    """Give the covariance of unit values over the error between them, and that error."""
    gls, own = state.gls, question.own
    assert own is not None
    params = base.reduced.params
    sub = {name: value for name, value in question.own_share.items() if name != own.term.name}
    within = np.zeros(len(base.phi))
    r = len(problem.reduced.stratum)
    D = np.zeros((len(base.phi), r, r))
    for name, share in sub.items():
        phi = np.maximum(base.phi[:, params.index(name)], 0.0)
        within += share * phi
        D += phi[:, None, None] * problem.shapes[name]
    level = np.maximum(base.phi[:, params.index(own.term.name)], 0.0) + SHRINK * within
    D += level[:, None, None] * problem.shapes[own.term.name]
    P, residual = gls.P, state.phi[:, -1]
    ratio = np.einsum("rii->r", P) / np.einsum("rij,rji->r", P, D)
    return D * ratio[:, None, None], residual
