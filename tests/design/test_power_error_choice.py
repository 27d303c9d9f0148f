"""Power where the analysis chooses its error: against mean squares drawn, and simulated trials."""

import math

import numpy as np
import pytest
from scipy import stats

from trialkit.design.power.error_choice import errors_used, mixed
from trialkit.design.power.exact import beyond_f, beyond_t
from trialkit.design.power.power import power
from trialkit.design.strata.comparisons import compare_in
from trialkit.design.strata.error_terms import BatchTerm

RUNS = (
    "structure = '(batch * chamber) / shelf / block'\n"
    "batch = {}\nchamber = {}\nshelf = {}\nblock = 3"
)
SHELVES = ("batch:chamber:shelf", 2, "")


def runs(levels, more=""):
    return ("batch:chamber", levels, more)


@pytest.mark.parametrize(("d1", "d2", "apart"), [(6, 7, 1), (3, 5, 1), (3, 21, 1), (6, 12, 2.5)])
def test_mixture_is_what_drawn_mean_squares_give(d1, d2, apart):
    """Two independent mean squares and a normal estimate, drawn; the rule applied to each."""
    rng = np.random.default_rng(d1)
    n, d, ncp = 400_000, d1 + d2, 2.4
    first, second = apart * rng.chisquare(d1, n) / d1, rng.chisquare(d2, n) / d2
    kept = first / second > stats.f.ppf(0.5 if d1 < 5 else 0.6, d1, d2)
    error = np.where(kept, first, (d1 * first + d2 * second) / d) / apart
    normal = rng.standard_normal((2, n)) + np.array([[ncp], [0.0]])
    t = np.abs(normal[0]) / np.sqrt(error)
    drawn = (t > np.where(kept, stats.t.ppf(0.975, d1), stats.t.ppf(0.975, d))).mean()
    errors = errors_used(d, BatchTerm((d1, d2)), apart)

    def beyond(used):
        return beyond_t(ncp, d, stats.t.ppf(0.975, used.df) * np.sqrt(used.ratio))

    assert sum(used.weight.sum() for used in errors) == pytest.approx(1, abs=1e-9)
    assert mixed(errors, beyond) == pytest.approx(drawn, abs=4 * 0.5 / math.sqrt(n))
    F = (normal**2).sum(axis=0) / 2 / error
    limit = np.where(kept, *(stats.f.ppf(0.95, 2, x) for x in (d1, d)))
    drawn = (limit < F).mean()

    def beyond_both(used):
        return beyond_f(ncp**2, 2, d, stats.f.ppf(0.95, 2, used.df) * used.ratio)

    assert mixed(errors, beyond_both) == pytest.approx(drawn, abs=4 * 0.5 / math.sqrt(n))


def test_one_error_alone_where_the_rule_cannot_act():
    for df, term in ((10.0, BatchTerm()), (8.0, BatchTerm((2, 6))), (5.0, BatchTerm((3, 2)))):
        (used,) = errors_used(df, term)
        assert (used.df, used.ratio.tolist(), used.weight.tolist()) == (df, [1.0], [1.0])


def test_error_by_level_of_8_and_4_chambers_has_its_closed_form(make_trial):
    """One batch, one way: S_1 on 7 df and S_2 on 3, coefficients by hand, Satterthwaite's df."""
    trial = make_trial(
        RUNS.format(1, 12, 2), {"schedule": runs(2, "replication = {s0 = 8, s1 = 4}")}
    )
    c = compare_in(trial, "schedule")
    welch = (1 / 8 + 1 / 4) ** 2 / ((1 / 8) ** 2 / 7 + (1 / 4) ** 2 / 3)
    trust = 1 / (1 + (welch / 3) ** 2)
    first, second = (trust * (3 / 8) / 10 + (1 - trust) / n / (n - 1) for n in (8, 4))
    df = (3 / 8) ** 2 / (7 * first**2 + 3 * second**2)
    rows = (c.mean_row(1) - c.mean_row(0))[None]
    assert 10 * c.level_errors.share(rows)[0] == pytest.approx(df, rel=1e-9)
    assert welch < df < 10
    found = power(trial, method="exact", difference_pct=15, lost=0,
                  variation={"chamber": 5, "batch:chamber:shelf:block": 20})  # fmt: skip
    row = found.table.set_index("question").loc["difference"]
    law = stats.nct(df, 15 / math.sqrt((25 + 400 / 6) * 3 / 8))
    t = stats.t.ppf(0.975, df)
    assert row["power"] == pytest.approx(law.sf(t) + law.cdf(-t), abs=1e-6)
    assert row["method"] == "formula, t"


def test_alike_numbers_keep_one_error(make_trial):
    trial = make_trial(RUNS.format(1, 12, 2), {"schedule": runs(2)})
    assert compare_in(trial, "schedule").level_errors is None
    near = make_trial(RUNS.format(1, 11, 2), {"schedule": runs(2)})  # 6 and 5
    assert compare_in(near, "schedule").level_errors is None


def test_a_figure_is_called_exact_only_where_one_error_serves(make_trial):
    known = {"variation": {"batch:chamber": 5, "batch:chamber:shelf:block": 20}, "lost": 0}
    told = power(make_trial(RUNS.format(4, 4, 2), {"schedule": runs(2)}), method="exact", **known)
    assert told.table["method"].tolist()[:2] == ["formula, F", "formula, t"]
    untold = power(make_trial(RUNS.format(2, 8, 2), {"schedule": runs(2)}), method="exact", **known)
    assert untold.table["method"].tolist()[:2] == ["exact, F", "exact, t"]


LAYOUTS = {
    "4 batches of 6, 3 schedules": ((4, 6, 2), {"schedule": runs(3), "light": SHELVES}),
    "4 batches of 4, 2 schedules": ((4, 4, 2), {"schedule": runs(2), "light": SHELVES}),
    "3 batches of 6, 3 shelves": ((3, 6, 3), {"schedule": runs(3), "light": SHELVES}),
    "3 batches of 6, 5 shelves": ((3, 6, 5), {"schedule": runs(3), "light": SHELVES}),
    "2 batches of 6, 8 and 4 runs": (
        (2, 6, 2), {"schedule": runs(2, "replication = {s0 = 8, s1 = 4}")}),
    "4 batches of 6, 16 and 8 runs": (
        (4, 6, 2), {"schedule": runs(2, "replication = {s0 = 16, s1 = 8}")}),
    "split plot, light": ((4, 4, 2), {"light": SHELVES, "schedule": runs(2)}),
    "6 batches of 6, 2 schedules": ((6, 6, 2), {"schedule": runs(2)}),
    "one batch": ((1, 12, 2), {"schedule": runs(2)}),
    "one batch, 8 and 4 chambers": (
        (1, 12, 2), {"schedule": runs(2, "replication = {s0 = 8, s1 = 4}")}),
}  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("name", LAYOUTS)
def test_formula_agrees_with_simulated_trials(make_trial, name):
    """Within two points and Monte-Carlo error; "no worse" of unequal runs may be said too low."""
    counts, factors = LAYOUTS[name]
    trial = make_trial(RUNS.format(*counts), factors)
    options = {"difference_pct": 15, "margin_pct": 15, "lost": 0}
    formula = power(trial, method="exact", **options).table.set_index("question")
    simulated = power(trial, method="simulation", trials=2000, workers=1, **options).table
    for row in simulated.to_dict("records"):
        off = formula.loc[row["question"], "power"] - row["power"]
        assert off < 0.02 + 3 * row["mc_se"], row["question"]
        if not (row["question"] == "no worse" and "8 and 4 runs" in name):
            assert off > -0.02 - 3 * row["mc_se"], row["question"]
