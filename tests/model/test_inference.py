"""The default rule: what it sees in a layout, when it leaves Kenward–Roger, and its level."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest

from trialkit.model.batch import fit_batch
from trialkit.model.fit import fit
from trialkit.model.inference.question import Question


def chambers(sizes: list[int], schedules: str) -> pd.DataFrame:
    rows = [
        (f"T{i}", s, k)
        for i, (m, s) in enumerate(zip(sizes, schedules, strict=True))
        for k in range(m)
    ]
    return pd.DataFrame(rows, columns=["chamber", "schedule", "block"])


def crossed(batches: list[str], blocks: int = 3) -> pd.DataFrame:
    rows = [
        (f"B{b}", f"T{c}", s, k, light)
        for b, row in enumerate(batches)
        for c, s in enumerate(row)
        for k, light in itertools.product(range(blocks), ("dim", "bright"))
    ]
    return pd.DataFrame(rows, columns=["batch", "chamber", "schedule", "block", "light"])


def question(table: pd.DataFrame, fixed: str, random: list[str], term: str) -> Question:
    rng = np.random.default_rng(1)
    made = fit(
        table.assign(y=rng.normal(size=len(table))), response="y", fixed=fixed, random=random
    )
    return Question(made.data, made.design.hypothesis(term)[:, made.design.kept])


def test_own_units_are_those_that_received_the_treatment() -> None:
    table = crossed(["aabb", "bbaa", "abab"])
    random = ["batch", "chamber", "batch:chamber"]
    schedule = question(table, "schedule * light", random, "schedule")
    assert schedule.own is not None
    assert schedule.own.term.name == "batch:chamber"
    assert schedule.equal_units
    light = question(table, "schedule * light", random, "light")
    assert light.own is None
    assert light.blocking == {}
    by_chamber = question(crossed(["aabb"] * 3), "schedule", random, "schedule")
    assert by_chamber.own is not None
    assert by_chamber.own.term.name == "chamber"
    assert [g.term.name for g in by_chamber.below] == ["batch:chamber"]


def test_orthogonal_terms_do_not_block() -> None:
    random = ["batch", "chamber", "batch:chamber"]
    latin = question(crossed(["abcd", "bcda", "cdab", "dabc"]), "schedule", random, "schedule")
    assert latin.blocking == {}
    uneven = question(crossed(["aabb", "abab", "abba"]), "schedule", random, "schedule")
    assert set(uneven.blocking) == {"chamber"}
    block = uneven.blocking["chamber"]
    assert block.df == 3
    # 4 chambers given a, b in 3 batches: intra-chamber efficiency from the run counts
    counts = np.array([[3, 0], [1, 2], [1, 2], [1, 2]])
    information = 6 - (counts[:, 0] ** 2).sum() / 3
    assert block.loss == pytest.approx(1 - information / (6 - 36 / 12), abs=1e-9)


def test_efficiency_of_balanced_incomplete_blocks() -> None:
    """Cochran & Cox (1957) ch. 11: 4 treatments in pairs have efficiency 2/3."""
    pairs = ["".join(p) for p in itertools.combinations("abcd", 2)]
    q = question(crossed(pairs), "schedule", ["batch", "batch:chamber"], "schedule")
    assert q.blocking["batch"].loss == pytest.approx(1 / 3, abs=1e-9)
    assert q.blocking["batch"].df == 5


def test_unit_values_are_plain_means_where_nothing_else_differs() -> None:
    table = chambers([5, 9, 4, 7], "aabb")
    y = np.random.default_rng(4).normal(size=len(table))
    made = fit(table.assign(y=y), response="y", fixed="schedule", random="chamber")
    q = Question(made.data, np.array([[0.0, 1.0]]))
    problem = q.problem(True, ())
    assert problem is not None
    means = table.assign(y=y).groupby("chamber").y.mean()
    np.testing.assert_allclose(problem.values(y[None])[0], means)


def test_unequal_chambers_with_little_variance_use_unit_means() -> None:
    """Equal to the pooled t-test on chamber means where the pairs are of equal sizes."""
    from scipy.stats import ttest_ind

    table = chambers([20, 6, 20, 6], "aabb")
    for seed in range(20):
        y = np.random.default_rng(seed).normal(size=len(table))
        made = fit(table.assign(y=y), response="y", fixed="schedule", random="chamber")
        if made.variances["chamber"] < 0:
            break
    test = made.tests().loc["schedule"]
    assert test.method == "unit means of chamber"
    means = table.assign(y=y).groupby("chamber").y.mean().to_numpy()
    other = ttest_ind(means[:2], means[2:])
    assert test.den_df == pytest.approx(2)
    assert pytest.approx(other.statistic**2, rel=1e-9) == test.F
    assert made.contrast([0.0, 1.0]).estimate[0] == pytest.approx(
        means[2:].mean() - means[:2].mean()
    )
    said = [f for f in made.findings if f.code == "test_chosen"]
    assert len(said) == 1
    assert "chamber" in said[0].message
    # asked for by name, a method is given as it is
    assert made.tests("kenward-roger").method["schedule"] == "kenward-roger"


def test_few_blocks_are_fixed_and_the_row_says_so() -> None:
    """The intra-block F, from least squares with batches and chambers as fixed."""
    table = crossed(["aabb", "abab", "abba"])
    rng = np.random.default_rng(3)
    table["y"] = (
        rng.normal(size=len(table))
        + rng.normal(size=12)[pd.factorize(table.batch + table.chamber)[0]]
    )
    made = fit(table, response="y", fixed="schedule", random=["batch", "chamber", "batch:chamber"])
    test = made.tests().loc["schedule"]
    assert test.method == "kenward-roger, chamber fixed"
    runs = table.groupby(["batch", "chamber", "schedule"], as_index=False).y.mean()
    intra = fit(runs, response="y", fixed="batch + chamber + schedule").tests().loc["schedule"]
    assert pytest.approx(intra.F, rel=1e-8) == test.F
    assert test.den_df == pytest.approx(intra.den_df, rel=1e-8)
    assert any("within chamber" in f.message for f in made.findings)


def test_means_keep_blocks_random() -> None:
    table = crossed(["aabb", "abab", "abba"])
    rng = np.random.default_rng(5)
    table["y"] = (
        rng.normal(size=len(table)) + 2 * rng.normal(size=4)[pd.factorize(table.chamber)[0]]
    )
    made = fit(table, response="y", fixed="schedule", random=["batch", "chamber", "batch:chamber"])
    row = made.contrast([1.0, 0.0]).iloc[0]
    assert "fixed" not in row["method"]
    assert row.se**2 > made.variances["chamber"] / 4 * 0.9


@pytest.mark.parametrize(
    ("name", "ratio"),
    [("unequal", 0.0), ("unequal", 0.3), ("crossed", 0.0), ("crossed", 1.0)],
)
def test_level_in_short(name: str, ratio: float) -> None:
    """A true null is called different in 5 % of 1 500 trials, within Monte-Carlo error."""
    rng = np.random.default_rng(8)
    if name == "unequal":
        table, random, unit = chambers([27, 27, 12, 13], "aabb"), ["chamber"], "chamber"
    else:
        table = crossed(["aabb", "abab", "abba"], blocks=1)
        random, unit = ["batch", "chamber", "batch:chamber"], "chamber"
    codes, labels = pd.factorize(table[unit])
    Y = rng.normal(size=(1500, len(table)))
    Y += np.sqrt(ratio) * rng.normal(size=(1500, len(labels)))[:, codes]
    if name == "crossed":
        runs, levels = pd.factorize(table.batch + table.chamber)
        Y += 0.5 * rng.normal(size=(1500, len(levels)))[:, runs]
    p = fit_batch(table, Y, fixed="schedule", random=random).tests("schedule").p
    assert 0.033 < (p < 0.05).mean() < 0.068  # three standard errors


@pytest.mark.slow
def test_calibration_bands() -> None:
    """A shorter run of benchmarks/calibration.py on its hardest designs."""
    import sys
    from pathlib import Path

    sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))
    try:
        import calibration
    finally:
        sys.path.pop(0)
    hard = ("27, 27", "4 chambers × 3", "two runs lost", "15 % of blocks", "2 + 2 chambers, 20")
    for case in calibration.zoo():
        if not any(h in case.name for h in hard):
            continue
        for ratio in (0.0, 0.5):
            Y = calibration.draw(case, ratio, 6000, seed=21)
            batch = fit_batch(case.table, Y, fixed=case.fixed, random=case.random)
            for factor in case.factors:
                rate = float((batch.tests(factor).p < 0.05).mean())
                low, high = (0.045, 0.055) if case.balanced else (0.04, 0.06)
                slack = 3 * np.sqrt(0.05 * 0.95 / 6000)
                assert low - slack < rate < high + slack, (case.name, factor, ratio, rate)


@pytest.mark.parametrize("sizes", [[6, 6, 6, 6], [9, 4, 7, 3]])
def test_differences_are_analysed_as_the_test_of_their_factor(sizes: list[int]) -> None:
    table = chambers(sizes, "aabb")
    for seed in range(4):
        y = np.random.default_rng(seed).normal(size=len(table))
        made = fit(table.assign(y=y), response="y", fixed="schedule", random="chamber")
        test, row = made.tests().loc["schedule"], made.contrast([0.0, 1.0]).iloc[0]
        assert row["method"] == test.method
        assert row.p == pytest.approx(test.p, rel=1e-9)
    three = crossed(["aabbcc", "abcabc", "bcaacb", "cbabca"], blocks=1)
    rng = np.random.default_rng(2)
    made = fit(
        three.assign(y=rng.normal(size=len(three))),
        response="y",
        fixed="schedule",
        random=["batch", "chamber", "batch:chamber"],
    )
    pairs = made.contrast([[0.0, 1.0, 0.0], [0.0, 0.0, 1.0], [0.0, 1.0, -1.0]])
    assert set(pairs["method"]) == {made.tests().method["schedule"]}


def unequal_chambers_by_flush() -> pd.DataFrame:
    """Chambers of 27, 27, 12 and 13 blocks, weighed in two flushes of unequal spread."""
    rng = np.random.default_rng(5)
    names = np.repeat(["T1", "T2", "T3", "T4"], [27, 27, 12, 13])
    one = pd.DataFrame({"chamber": names})
    one["schedule"] = np.where(np.isin(names, ["T1", "T3"]), "a", "b")
    table = pd.concat([one.assign(flush="1"), one.assign(flush="2")], ignore_index=True)
    spread = np.where(table["flush"] == "1", 30.0, 10.0)
    within = rng.normal(0, 1, len(table)) * spread
    # chambers exactly alike in each flush: their variance is estimated below zero
    table["y"] = within - pd.Series(within).groupby([table["chamber"], table["flush"]]).transform(
        "mean"
    )
    table["y"] += 400 + table["chamber"].map({"T1": 1.0, "T2": -1.0, "T3": 0.5, "T4": 2.0})
    return table


def test_unequal_units_weigh_the_same_with_separate_residual_variances_too() -> None:
    """The difference is that of the plain means of chamber means, by hand."""
    table = unequal_chambers_by_flush()
    made = fit(table, response="y", fixed="schedule * flush", random="chamber", residual_by="flush")
    row = made.differences("schedule", against="a").iloc[0]
    assert row["method"].startswith("unit means of chamber")
    assert row["estimate"] == pytest.approx((-1.0 + 2.0) / 2 - (1.0 + 0.5) / 2, abs=1e-9)


def test_shapes_of_separate_residuals_add_up_to_that_of_one() -> None:
    table = unequal_chambers_by_flush()
    shapes = []
    for by in (None, "flush"):
        made = fit(table, response="y", fixed="schedule * flush", random="chamber", residual_by=by)
        L = made.design.hypothesis("schedule")[:, made.design.kept]
        problem = Question(made.data, L).problem(True, ())
        shapes.append(sum(v for k, v in problem.shapes.items() if k.startswith("residual")))
    assert shapes[1] == pytest.approx(shapes[0], abs=1e-12)
