"""Tables to designs: coding, aliasing, hypotheses, and bad input said in plain words."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest

from trialkit.errors import ModelError
from trialkit.model.columns.formula import parse_fixed
from trialkit.model.columns.matrices import build_design
from trialkit.model.fit import fit


def small_table(seed: int = 1) -> pd.DataFrame:
    cells = itertools.product(["B1", "B2", "B3"], ["T1", "T2", "T3", "T4"], range(3))
    table = pd.DataFrame(cells, columns=["batch", "chamber", "block"])
    table["schedule"] = np.where(table.chamber.isin(["T1", "T2"]), "usual", "sparse")
    table["light"] = np.where(table.block == 0, "dim", "bright")
    rng = np.random.default_rng(seed)
    table["wet_g"] = rng.normal(2500, 100, len(table))
    table["fresh_g"] = rng.normal(400, 40, len(table))
    return table


def test_columns_agree_with_formulaic() -> None:
    """An independent builder of the same coding: formulaic's model matrix."""
    from formulaic import model_matrix

    table = small_table()
    formula = "schedule * light + wet_g + light:wet_g"
    _, X, *_ = build_design(table, formula)
    other = np.asarray(model_matrix(formula.replace("wet_g", "wet_g"), table), dtype=float)
    assert X.shape == other.shape
    joined = np.hstack([X, other])
    assert np.linalg.matrix_rank(joined) == np.linalg.matrix_rank(X)
    design, X_cells, *_ = build_design(table, "schedule:light")
    assert X_cells.shape[1] == len(design.names) == 5  # intercept and all four cells
    assert design.kept.sum() == 4


def test_computed_columns_and_factors_of_numbers() -> None:
    table = small_table()
    design, X, *_ = build_design(table, "np.log(wet_g) + C(block)")
    assert X.shape[1] == 4
    np.testing.assert_allclose(design.rows(table), X)
    assert design.levels == {"block": (0, 1, 2)}
    assert "wet_g" in design.covariates


def test_declared_order_of_levels_is_kept() -> None:
    table = small_table()
    table["schedule"] = pd.Categorical(table.schedule, categories=["usual", "sparse", "unused"])
    design, *_ = build_design(table, "schedule")
    assert design.levels["schedule"] == ("usual", "sparse")
    assert design.names == ("intercept", "schedule[sparse]")


def test_marginal_hypothesis_compares_unweighted_means() -> None:
    table = small_table()
    design, *_ = build_design(table, "schedule * light")
    combinations = itertools.product(["sparse", "usual"], ["bright", "dim"])
    grid = pd.DataFrame(combinations, columns=["schedule", "light"])
    rows = design.rows(grid)
    by_hand = rows[(grid.schedule == "usual").to_numpy()].mean(axis=0) - rows[
        (grid.schedule == "sparse").to_numpy()
    ].mean(axis=0)
    L = design.hypothesis("schedule")
    assert L.shape == (1, 4)
    np.testing.assert_allclose(np.outer(L[0], by_hand), np.outer(by_hand, L[0]), atol=1e-12)
    with pytest.raises(ModelError, match="choose from schedule, light, schedule:light"):
        design.hypothesis("mist")


def test_empty_cell_is_reported_and_not_estimated() -> None:
    table = small_table()
    table = table[~((table.schedule == "sparse") & (table.light == "dim"))]
    made = fit(table, response="fresh_g", fixed="schedule * light", random="batch:chamber")
    assert any(f.code == "aliased" and "schedule" in f.message for f in made.findings)
    tests = made.tests()
    assert tests.num_df["schedule:light"] == 0
    assert tests.method["schedule:light"] == "not estimable"
    rows = made.coefficients
    assert rows["method"].eq("not estimable").any()
    assert rows.loc[rows["method"] == "not estimable", "estimate"].isna().all()
    assert np.isfinite(made.beta).all()


BAD_MODELS = {
    "unknown response": ({"response": "weight"}, "no column 'weight'"),
    "unknown fixed column": ({"fixed": "scheduel"}, "no column 'scheduel'"),
    "unknown random column": ({"random": ["shelf"]}, "no column 'shelf'"),
    "left-hand side": ({"fixed": "fresh_g ~ schedule"}, "only the right-hand side"),
    "bar in fixed": ({"fixed": "schedule + (1 | batch)"}, "random terms go in random"),
    "bar in random": ({"random": ["(1 | batch)"]}, "joined by ':'"),
    "given twice": ({"random": ["batch:chamber", "chamber:batch"]}, "given twice"),
    "same groups": ({"random": ["chamber", "chamber:schedule"]}, "the same groups"),
    "in fixed and random": ({"fixed": "schedule + batch", "random": ["batch"]}, "confounded"),
    "response in fixed": ({"fixed": "schedule + fresh_g"}, "both the response"),
    "slope of text": ({"random": ["light by chamber"]}, "must be a number"),
    "variances": ({"variances": "positive"}, "'free' or 'nonnegative'"),
    "level": ({"level": 95}, "between 0 and 1"),
    "residual_by": ({"residual_by": "flush"}, "no column 'flush'"),
}


@pytest.mark.parametrize("name", BAD_MODELS)
def test_bad_model_is_refused_with_column_and_remedy(name: str) -> None:
    options, words = BAD_MODELS[name]
    asked = {"response": "fresh_g", "fixed": "schedule", "random": ["chamber"], **options}
    with pytest.raises(ModelError, match=words.replace("(", r"\(")):
        fit(small_table(), **asked)  # type: ignore[arg-type]


BAD_TABLES = {
    "constant": (lambda t: t.assign(fresh_g=400.0), "the same on every row"),
    "explained": (lambda t: t.assign(fresh_g=(t.schedule == "usual") * 9.0), "exactly"),
    "text": (lambda t: t.assign(fresh_g="heavy"), "not numeric"),
    "infinite": (lambda t: t.assign(fresh_g=np.inf), "infinite"),
    "infinite covariate": (lambda t: t.assign(wet_g=-np.inf), "'wet_g' has infinite"),
    "all missing": (lambda t: t.assign(fresh_g=np.nan), "no row has a value"),
    "one level": (lambda t: t.assign(schedule="usual"), "'schedule' has one level"),
    "one chamber": (lambda t: t.assign(chamber="T1"), "'chamber' has one level"),
    "row per level": (lambda t: t.assign(chamber=range(len(t))), "one row per level"),
    "too few rows": (lambda t: t.iloc[[0, 10, 30]], "cannot hold"),
    "no rows": (lambda t: t.iloc[:0], "no row has a value"),
}


@pytest.mark.parametrize("name", BAD_TABLES)
def test_bad_table_is_refused_with_column_and_remedy(name: str) -> None:
    spoil, words = BAD_TABLES[name]
    with pytest.raises(ModelError, match=words):
        fit(
            spoil(small_table()),
            response="fresh_g",
            fixed="schedule + wet_g",
            random=["chamber"],
        )


def test_missing_rows_are_set_aside_and_counted() -> None:
    table = small_table()
    table.loc[[0, 5], "fresh_g"] = np.nan
    table.loc[7, "schedule"] = None
    before = table.copy()
    made = fit(table, response="fresh_g", fixed="schedule", random=["chamber"])
    assert made.n == len(table) - 3
    note = next(f for f in made.findings if f.code == "rows_set_aside")
    assert "3 of 36" in note.message
    assert "fresh_g 2" in note.message
    assert "schedule 1" in note.message
    pd.testing.assert_frame_equal(table, before)
    whole = fit(table.dropna(), response="fresh_g", fixed="schedule", random=["chamber"])
    assert made.loglik == pytest.approx(whole.loglik, abs=1e-10)


def test_parsing_is_ordered_by_degree() -> None:
    assert [tuple(n for n, _ in term) for term in parse_fixed("a:b + c + a")] == [
        (),
        ("c",),
        ("a",),
        ("a", "b"),
    ]


def test_many_factors_do_not_multiply_out() -> None:
    """Seven factors of seven levels: the marginal hypotheses from a sample of combinations."""
    rng = np.random.default_rng(1)
    names = [f"f{i}" for i in range(7)]
    table = pd.DataFrame({name: rng.integers(0, 7, 300).astype(str) for name in names})
    design, *_ = build_design(table, " + ".join(names))
    L = design.hypothesis("f3")
    assert L.shape == (6, 43)
    own = design.spans["f3"]
    outside = np.delete(L, np.arange(own.start, own.stop), axis=1)
    np.testing.assert_allclose(outside, 0, atol=1e-9)


def test_columns_of_the_same_name_are_refused() -> None:
    table = small_table()
    with pytest.raises(ModelError, match="several columns named 'fresh_g'"):
        fit(pd.concat([table, table[["fresh_g"]]], axis=1), response="fresh_g", fixed="schedule")
