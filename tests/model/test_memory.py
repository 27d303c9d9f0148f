"""What a design has answered is kept, and is never another's answer."""

from __future__ import annotations

import pickle
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from trialkit.model.batch import fit_batch
from trialkit.model.fit import Fit, fit
from trialkit.model.inference.memory import MOST_KEPT, recall, recall_for
from trialkit.model.inference.smallsample import _by_inverse, _with_edge


def runs(seed: int) -> pd.DataFrame:
    """Three batches of six chambers, two lights a run, unequal numbers of blocks."""
    rng = np.random.default_rng(seed)
    rows = []
    for b in range(3):
        for c in range(6):
            for light in ("dim", "bright"):
                for _ in range(int(rng.integers(1, 4))):
                    rows.append((f"B{b}", f"T{c}", f"s{(b + c) % 3}", light))
    out = pd.DataFrame(rows, columns=["batch", "chamber", "schedule", "light"])
    effect = {key: rng.normal(0, 20) for key in set(zip(out["batch"], out["chamber"], strict=True))}
    out["y"] = [400 + effect[key] for key in zip(out["batch"], out["chamber"], strict=True)]
    out["y"] += rng.normal(0, 30, len(out))
    return out


def fitted(table: pd.DataFrame) -> Fit:
    random = ["batch", "chamber", "batch:chamber"]
    return fit(table, response="y", fixed="schedule * light", random=random)


def ask(made: Fit, what: str) -> pd.DataFrame:
    if what == "tests":
        return made.tests()
    if what == "ratios":
        return made.noninferior("schedule", against="s0", margin_pct=10)
    if what == "held":
        return made.tests("kenward-roger")
    return made.means("light") if what == "means" else made.differences("schedule", against="s0")


@pytest.mark.parametrize("seed", range(4))
def test_answers_do_not_depend_on_what_was_asked_before(seed: int) -> None:
    """One fit asked everything twice, in two orders, beside a new fit for each question."""
    table, order = runs(seed), ["tests", "means", "differences", "ratios", "held"]
    forwards, backwards = fitted(table), fitted(table)
    found = [{what: ask(forwards, what) for what in order} for _ in range(2)]
    found.append({what: ask(backwards, what) for what in reversed(order)})
    for what in order:
        alone = ask(fitted(table), what)
        for some in found:
            pd.testing.assert_frame_equal(some[what], alone, check_exact=False, rtol=1e-12)


def test_another_response_on_the_same_design_is_another_answer() -> None:
    """Fits of two responses share what is known of the columns, not the answers."""
    table = runs(5)
    first = fitted(table)
    before = ask(first, "differences")
    other = np.random.default_rng(6).normal(300, 40, len(table))
    second = first.refit(response=other)
    assert second.data.memory is first.data.memory
    alone = fitted(table.assign(y=other))
    for what in ("differences", "tests", "ratios", "means"):
        pd.testing.assert_frame_equal(ask(second, what), ask(alone, what), rtol=1e-12)
    pd.testing.assert_frame_equal(ask(first, "differences"), before)
    held = first.refit(variances="nonnegative")
    plain = fit(table, response="y", fixed="schedule * light",
                random=["batch", "chamber", "batch:chamber"], variances="nonnegative")  # fmt: skip
    pd.testing.assert_frame_equal(held.tests(), plain.tests(), rtol=1e-12)


def test_many_responses_are_not_kept() -> None:
    table = runs(7)
    Y = np.random.default_rng(8).normal(300, 40, (5, len(table)))
    batch = fit_batch(table, Y, fixed="schedule * light", random=["batch", "chamber"])
    batch.tests("schedule")
    calls = []
    for _ in range(2):
        recall_for(batch.prepared, "made", Y, lambda: calls.append(1))
        recall_for(batch.prepared, "made", Y[:1], lambda: calls.append(1))
    assert len(calls) == 3  # twice for five responses, once for one


def test_memory_does_not_grow_with_the_responses_fitted() -> None:
    made, rng = fitted(runs(10)), np.random.default_rng(11)
    for _ in range(MOST_KEPT):
        made.refit(response=rng.normal(300, 40, made.n)).tests()
    assert len(made.data.memory["one response"]) == MOST_KEPT
    again = pickle.loads(pickle.dumps(made))
    assert not again.data.memory
    pd.testing.assert_frame_equal(again.tests(), made.tests(), rtol=1e-12)


def test_what_is_kept_is_made_once_even_if_nothing() -> None:
    data, calls = fitted(runs(9)).data, []
    assert recall(data, "nothing", lambda: calls.append(1)) is None
    assert recall(data, "nothing", lambda: calls.append(1)) is None
    assert calls == [1]
    assert recall(replace(data, memory={}), "nothing", lambda: 3) == 3


def test_weights_without_an_inverse_by_hand() -> None:
    """Two values of variance 1 and correlation -1: their mean is known, each weighs a half."""
    V = np.array([[1.0, -1.0], [-1.0, 1.0]])
    K = np.array([[1.0], [-1.0]]) / np.sqrt(2)
    P = K @ np.linalg.inv(K.T @ V @ K) @ K.T
    beta, C, weights = _with_edge(V, np.ones((2, 1)), np.array([3.0, 7.0]), P)
    assert beta == pytest.approx(5.0)
    assert pytest.approx(0.0, abs=1e-15) == C
    assert weights.ravel() == pytest.approx([0.5, 0.5])


def test_weights_without_an_inverse_where_there_is_one() -> None:
    """``(I - P V) X (X'X)^-1`` is ``V^-1 X C``: the two ways beside each other."""
    rng = np.random.default_rng(1)
    A, X, y = rng.normal(size=(6, 6)), rng.normal(size=(6, 2)), rng.normal(size=6)
    V = A @ A.T
    K = np.linalg.qr(np.hstack([X, np.eye(6)]))[0][:, 2:6]
    P = K @ np.linalg.inv(K.T @ V @ K) @ K.T
    _, C, weights = _by_inverse(V[None], X, y[None])
    back = np.linalg.pinv(X)
    assert (np.eye(6) - P @ V) @ back.T == pytest.approx(weights[0], rel=1e-9)
    assert back @ V @ weights[0] == pytest.approx(C[0], rel=1e-9)
