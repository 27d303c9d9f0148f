"""Functions in a fixed formula: right columns for old rows and new, faults in plain words."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.interpolate import BSpline

from trialkit.errors import ModelError
from trialkit.model.columns.functions import Expression
from trialkit.model.columns.matrices import build_design
from trialkit.model.fit import fit


@pytest.fixture
def table():
    rng = np.random.default_rng(4)
    days = np.tile([0.0, 1.0, 2.0, 3.0, 5.0], 6)
    out = pd.DataFrame({"chamber": np.repeat([f"T{i}" for i in range(6)], 5), "days": days})
    out["schedule"] = np.repeat(["usual", "sparse", "banded"] * 2, 5)
    out["offset"] = out["days"] - 2
    out["wet kg"] = 2 + rng.random(30)
    out["y"] = 400 + np.repeat(rng.normal(0, 10, 6), 5) + 5 * days + rng.normal(0, 30, 30)
    out.index = out.index + 2  # rows as a file numbers them
    return out


def test_values_are_those_of_numpy(table):
    days = table["days"].to_numpy()
    for text, expected in (
        ("log(days + 1)", np.log(days + 1)),
        ("np.log1p(days)", np.log1p(days)),
        ("sqrt(days)", days**0.5),
        ("exp(-days / 2)", np.exp(-days / 2)),
        ("abs(offset)", np.abs(days - 2)),
        ("I(days ** 2)", days**2),
        ("np.where(days > 2, 1, 0)", (days > 2) * 1.0),
        ("log(`wet kg`)", np.log(table["wet kg"].to_numpy())),
        ("center(days)", days - 2.2),
        ("scale(days)", (days - 2.2) / days.std(ddof=1)),
        ("maximum(days, 2) - 2", np.maximum(days - 2, 0)),
        ("1 < days < 4", ((days > 1) & (days < 4)) * 1.0),
    ):
        assert Expression(text).numbers(table)[:, 0] == pytest.approx(expected, rel=1e-12), text


def test_polynomials_are_orthonormal_and_span_the_powers(table):
    days = table["days"].to_numpy()
    got = Expression("poly(days, 3)").numbers(table)
    assert got.T @ got == pytest.approx(np.eye(3), abs=1e-10)
    assert got.sum(axis=0) == pytest.approx(0, abs=1e-10)
    powers = np.vander(days, 4)
    assert np.linalg.matrix_rank(np.hstack([powers, got]), tol=1e-8) == 4


def test_splines_are_those_of_scipy(table):
    """Cubic, one knot at the median (2.0): scipy's B-splines without the first."""
    days = table["days"].to_numpy()
    knots = np.r_[[0.0] * 4, 2.0, [5.0] * 4]
    expected = BSpline.design_matrix(days, knots, 3).toarray()[:, 1:]
    assert Expression("bs(days, df=4)").numbers(table) == pytest.approx(expected, abs=1e-10)


def test_new_rows_use_what_was_learnt(table):
    for text in (
        "center(days)",
        "scale(days)",
        "poly(days, 2)",
        "bs(days, df=4)",
        "cr(days, df=3)",
    ):
        made = Expression(text)
        whole = made.numbers(table)
        assert made.numbers(table.iloc[[3, 1]]) == pytest.approx(whole[[3, 1]], abs=1e-12)


@pytest.mark.parametrize("text", ["sqrt(days)", "poly(days, 2)", "center(days)", "bs(days, df=4)"])
def test_a_fit_is_that_of_the_columns_worked_out_beforehand(table, text):
    columns = Expression(text).numbers(table)
    names = [f"x{i}" for i in range(columns.shape[1])]
    wide = table.assign(**dict(zip(names, columns.T, strict=True)))
    one = fit(table, response="y", fixed=f"schedule + {text}", random=["chamber"])
    two = fit(wide, response="y", fixed=f"schedule + {' + '.join(names)}", random=["chamber"])
    assert one.beta == pytest.approx(two.beta, rel=1e-8)
    assert one.tests().loc["schedule", "F"] == pytest.approx(two.tests().loc["schedule", "F"])
    gaps = [f.differences("schedule", against="usual")["estimate"].tolist() for f in (one, two)]
    assert gaps[0] == pytest.approx(gaps[1], rel=1e-8)


def test_an_interaction_with_a_spline_has_a_hypothesis_of_full_rank(table):
    design, X, *_ = build_design(table, "schedule * poly(days, 2)")
    assert X.shape[1] == 9
    assert np.linalg.matrix_rank(design.hypothesis("schedule:poly(days, 2)")) == 4


def test_a_column_may_be_factor_and_number_at_once(table):
    """Lack of fit: what the levels of days say beyond a line."""
    made = fit(table, response="y", fixed="schedule + days + C(days)", random=["chamber"])
    assert any(f.code == "aliased" for f in made.findings)
    assert made.means("schedule")["estimate"].notna().any()


BAD = {
    "schedule + log(days)": r"log\(days\)' .* row 2 \(days = 0\), row 7 .* and 3 more: a logarithm",
    "schedule + log(offset)": r"row 2 \(offset = -2\), row 3 .*values above zero",
    "schedule + sqrt(offset)": r"row 2 \(offset = -2\).*zero or more",
    "schedule + 5 * (days + 1)": "cannot be read",
    "schedule + exp(days * 400)": "too large a number; give the column in a larger unit",
    "schedule + I(1 / days)": r"'1 / days' .* row 2 \(days = 0\)",
    "schedule + log(schedule)": "column 'schedule' holds text, not numbers",
    "schedule + poly(schedule, 2)": "column 'schedule' holds text",
    "schedule + poly(days, 7)": "5 different values, which carry degree 1 to 4",
    "schedule + cube(days)": "no function cube; use one of I, abs, bs",
    "schedule + np.cube(days)": "no function np.cube",
    "schedule + log(nothing)": "no column 'nothing'",
    "schedule + log()": r"log\(\) in 'log\(\)' needs a column",
    "schedule + log(days, 1, 2, 3)": "cannot be worked out: check its options",
    "schedule + bs(days, df=2)": "cannot be worked out: check its options",
    "schedule + days.mean()": "make it a column of the table first",
    "schedule + __import__('os')": "no function __import__",
    "schedule + C(days, 3)": r"C\(\) takes one column",
    "schedule + C(schedule)": "the same factor: leave one out",
    "schedule + I(1 + 1)": "does not vary",
    "schedule +": r"incomplete or cannot be read at '\+'",
    "*": "incomplete or cannot be read",
    "schedule:": "incomplete or cannot be read at ':'",
    "schedule + (days": r"incomplete or cannot be read at '\('",
    "schedule + log(days": r"incomplete or cannot be read at 'log\(days'",
}


@pytest.mark.parametrize("formula", BAD)
def test_what_does_not_work_is_told_in_one_sentence(table, formula):
    with pytest.raises(ModelError, match=BAD[formula]) as told:
        fit(table, response="y", fixed=formula, random=["chamber"])
    shown = str(told.value)
    assert "\x1b" not in shown
    assert "\n" not in shown
    assert "Error" not in shown


@pytest.mark.parametrize("factor", [1e300, 1e160, 1e-200])
def test_numbers_too_large_or_small_to_square_are_refused(table, factor):
    table["y"] *= factor
    with pytest.raises(ModelError, match=r"column 'y' holds .* \(row \d+\), too (large|small)"):
        fit(table, response="y", fixed="schedule", random=["chamber"])
    one = table.assign(y=np.where(table.index == 9, 1e300, 400.0 + table["days"]))
    with pytest.raises(ModelError, match=r"column 'y' holds 1e\+300 \(row 9\)"):
        fit(one, response="y", fixed="schedule", random=["chamber"])
    wide = table.assign(y=400.0 + np.arange(30) % 7, days=table["days"] * 1e300)
    with pytest.raises(ModelError, match="column 'days' holds"):
        fit(wide, response="y", fixed="schedule + days", random=["chamber"])
