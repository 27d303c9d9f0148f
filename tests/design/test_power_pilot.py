"""Power from a pilot: mean squares by hand, ranges in closed form, and what must always hold."""

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import trialkit as tk
from trialkit.design.power.notes import range_in_words
from trialkit.design.power.power import power
from trialkit.design.power.questions import all_chances
from trialkit.design.power.variation_pilot import pilot_variation, spread_points
from trialkit.design.strata.comparisons import compare_in, with_counts
from trialkit.design.variation import percentiles
from trialkit.model.answers.mean_squares import mean_squares


def flat_pilot(seed=11, chambers=8, bags=6, between=20.0, within=60.0):
    """Chambers of bags, two schedules in turn: a one-way layout of chamber means."""
    rng = np.random.default_rng(seed)
    table = pd.DataFrame({
        "chamber": np.repeat([f"p{i}" for i in range(chambers)], bags),
        "schedule": np.repeat(["s0", "s1"] * (chambers // 2), bags),
    })  # fmt: skip
    apart = np.repeat(rng.normal(0, between, chambers), bags)
    table["fresh_g"] = 400 + apart + rng.normal(0, within, len(table))
    return table, tk.fit(table, response="fresh_g", fixed="schedule", random=["chamber"])


def two_arms(make_trial, chambers, bags):
    return make_trial(f"structure = 'chamber / bag'\nchamber = {chambers}\nbag = {bags}",
                      {"schedule": ("chamber", 2, "")})  # fmt: skip


def crossed_pilot(seed, *, sd_run=6.0, sd_shelf=4.0, batches=3, chambers=4, keep=1.0):
    """Draw runs of shelves of blocks, with light on the shelves, and fit them."""
    rng = np.random.default_rng(seed)
    rows = [(f"b{b}", f"c{c}", f"h{s}", f"k{k}", f"s{(b + c) % 2}", f"l{s % 2}")
            for b in range(batches) for c in range(chambers) for s in range(2)
            for k in range(3)]  # fmt: skip
    names = ["batch", "chamber", "shelf", "block", "schedule", "light"]
    table = pd.DataFrame(rows, columns=names)
    run = table["batch"] + table["chamber"]
    for codes, sd in ((table["batch"], 8), (table["chamber"], 4), (run, sd_run),
                      (run + table["shelf"], sd_shelf)):  # fmt: skip
        number = pd.factorize(codes)[0]
        table["y"] = table.get("y", 100.0) + sd * rng.standard_normal(number.max() + 1)[number]
    table["y"] += 20 * rng.standard_normal(len(table))
    table = table[rng.random(len(table)) < keep]
    return tk.fit(table, response="y", fixed="schedule * light",
                  random=["batch", "chamber", "batch:chamber", "batch:chamber:shelf"])  # fmt: skip


def planned(make_trial, shelf=2, block=3, batch=3, chamber=4):
    return make_trial(
        "structure = '(batch * chamber) / shelf / block'\n"
        f"batch = {batch}\nchamber = {chamber}\nshelf = {shelf}\nblock = {block}",
        {"schedule": ("batch:chamber", 2, ""), "light": ("batch:chamber:shelf", 2, "")},
    )


def test_mean_squares_of_a_one_way_layout_by_hand():
    table, fit = flat_pilot()
    found = mean_squares(fit)
    means = table.groupby(["schedule", "chamber"])["fresh_g"].mean()
    between = 6 * means.groupby("schedule").var().mean()
    within = table.groupby("chamber")["fresh_g"].var().mean()
    assert found.names == ("chamber", "residual")
    assert found.values == pytest.approx([between, within], rel=1e-9)
    assert found.df == pytest.approx([6, 40])
    assert found.weights == pytest.approx(np.array([[6, 1], [0, 1]]), abs=1e-9)


def test_mean_squares_of_a_split_plot_by_two_way_tables():
    """Error mean squares by least squares on dummy columns (numpy alone)."""
    fit = crossed_pilot(2, batches=4)
    table = fit.table
    found = mean_squares(fit)

    def rss(*terms):
        parts = [np.ones((len(table), 1))]
        for term in terms:
            columns = [table[name] for name in term]
            key = columns[0].str.cat(columns[1:]) if len(columns) > 1 else columns[0]
            parts.append(pd.get_dummies(key).to_numpy(float))
        X = np.hstack(parts)
        left = table["y"] - X @ np.linalg.lstsq(X, table["y"], rcond=None)[0]
        return float(left @ left), np.linalg.matrix_rank(X)

    steps = [("schedule",), ("light",), ("schedule", "light"), ("batch",), ("chamber",),
             ("batch", "chamber"), ("batch", "chamber", "shelf")]  # fmt: skip
    fits = [rss(*steps[:i]) for i in range(3, len(steps) + 1)]
    for i in range(4):
        df = fits[i + 1][1] - fits[i][1]
        assert found.df[i] == pytest.approx(df)
        assert found.values[i] == pytest.approx((fits[i][0] - fits[i + 1][0]) / df, rel=1e-8)
    assert found.values[4] == pytest.approx(fits[4][0] / (len(table) - fits[4][1]), rel=1e-8)
    # a run's mean square expects 6 run + 3 shelf + block
    assert found.weights[2] == pytest.approx([0, 0, 6, 3, 1], abs=1e-9)


def test_expected_mean_squares_and_df_of_an_unbalanced_layout_by_projections():
    """E(y'Qy) = tr(QV) and Box's df (tr QV)² / tr(QVQV), with full projection matrices."""
    fit = crossed_pilot(4, keep=0.75)
    table = fit.table
    found = mean_squares(fit)
    X = pd.get_dummies(table["schedule"] + table["light"]).to_numpy(float)
    keys = [table["batch"], table["chamber"], table["batch"] + table["chamber"],
            table["batch"] + table["chamber"] + table["shelf"]]  # fmt: skip
    Zs = [pd.get_dummies(key).to_numpy(float) for key in keys]
    phi = np.array([*found.components(found.values)])
    V = sum(v * Z @ Z.T for v, Z in zip(phi, Zs, strict=False)) + phi[-1] * np.eye(len(table))
    y = table["y"].to_numpy()
    before = X @ np.linalg.pinv(X)
    for i in range(5):
        W = np.hstack([X, *Zs[: i + 1]]) if i < 4 else np.eye(len(table))
        after = W @ np.linalg.pinv(W)
        Q = after - before
        df = np.trace(Q)
        weights = [np.trace(Q @ Z @ Z.T) / df for Z in Zs] + [1.0]
        assert found.values[i] == pytest.approx(y @ Q @ y / df, rel=1e-7)
        assert found.weights[i] == pytest.approx(weights, abs=1e-7)
        box = np.trace(Q @ V) ** 2 / np.trace(Q @ V @ Q @ V)
        assert found.df[i] == pytest.approx(box, rel=1e-6)
        assert found.df[i] <= df + 1e-9
        before = after


def test_range_of_a_one_way_pilot_has_its_closed_form(make_trial):
    """Bags as in the pilot: chamber means alone matter, a chi-square on 6 df.

    Powers by scipy's non-central t. The middle is the 50 + 100 k (m − 1/2)th percentile,
    k = 0.13 + 3.6 / df.
    """
    table, fit = flat_pilot()
    trial = two_arms(make_trial, 10, 6)
    row = power(trial, pilot=fit, difference_pct=10, lost=0).table.set_index("question")
    row = row.loc["difference"]
    square = table.groupby(["schedule", "chamber"])["fresh_g"].mean().groupby("schedule").var()
    square = square.mean() / table["fresh_g"].mean() ** 2 * 100**2

    def chance(share):  # of pilots whose chance is lower than this percentile of the possible
        error = 6 * square / stats.chi2.ppf(share, 6)
        t = stats.t.ppf(0.975, 8)
        law = stats.nct(8, 10 / math.sqrt(error * 2 / 5))
        return law.sf(t) + law.cdf(-t)

    assert row["low"] == pytest.approx(chance(0.05), abs=0.004)
    assert row["high"] == pytest.approx(chance(0.95), abs=0.004)
    moved = 0.5 + (0.13 + 3.6 / 6) * (chance(0.5) - 0.5)
    assert row["power"] == pytest.approx(chance(moved), abs=0.004)


def test_a_pilot_never_makes_a_figure_exact(make_trial):
    _, fit = flat_pilot()
    found = power(two_arms(make_trial, 10, 6), pilot=fit, lost=0)
    assert not found.table["method"].str.contains("exact").any()
    known = power(two_arms(make_trial, 10, 6), variation={"chamber": 5, "chamber:bag": 15}, lost=0)
    assert known.table["method"].tolist() == ["exact, F", "exact, t", "exact, t"]
    lossy = power(two_arms(make_trial, 10, 6), variation={"chamber": 5, "chamber:bag": 15}, lost=9)
    assert not lossy.table["method"].str.contains("exact").any()


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("sds", [(6.0, 4.0), (0.0, 0.0)])
def test_chances_rise_in_every_count_up_to_that_of_infinitely_many(make_trial, seed, sds):
    """Components below zero come up in most of the pilots without run and shelf variance.

    From 4 batches (3 df) on the analysis looks at batch × schedule: that step may lower a chance.
    """
    fit = crossed_pilot(seed, sd_run=sds[0], sd_shelf=sds[1])
    trial = planned(make_trial)
    found = power(trial, pilot=fit, method="exact", questions=["difference"], difference_pct=18)

    def at(**counts):
        changed = with_counts(trial, counts)
        c = compare_in(changed, "schedule", quick=True)
        return np.array(all_chances(c, found.variation, found.asked, ("difference",))["difference"])

    endless = {unit: at(**{unit: 4000}) for unit in ("block", "shelf")}
    for unit, counts in {"block": (2, 3, 4, 6, 9, 15), "shelf": (2, 3, 4, 5, 6, 7, 10),
                         "batch": (4, 5, 6, 8), "chamber": (4, 6, 8, 10)}.items():  # fmt: skip
        chances = np.array([at(**{unit: n}) for n in counts])
        assert (np.diff(chances, axis=0) >= -2e-3).all(), unit
        if unit in endless:
            assert (chances <= endless[unit] + 2e-3).all()


@pytest.mark.parametrize("seed", [0, 2])
@pytest.mark.parametrize("sds", [(6.0, 4.0), (0.0, 0.0)])
def test_chances_rise_in_every_count_where_batches_are_told_too(make_trial, seed, sds):
    """As above, with 5 batches: 4 df between batches, so that the analysis looks at them."""
    fit = crossed_pilot(seed, sd_run=sds[0], sd_shelf=sds[1])
    trial = planned(make_trial, batch=5)
    asked = ("difference", "no worse")
    found = power(trial, pilot=fit, method="exact", questions=asked, difference_pct=18)

    def at(**counts):
        c = compare_in(with_counts(trial, counts), "schedule", quick=True)
        assert min(c.batch_term.df) >= 3
        chances = all_chances(c, found.variation, found.asked, asked)
        return np.array([chances[question] for question in asked])

    for unit, counts in {"block": (2, 3, 4, 6, 9, 15, 4000), "shelf": (2, 3, 4, 5, 6, 7, 10, 4000),
                         "batch": (5, 6, 7, 8, 10), "chamber": range(4, 11)}.items():  # fmt: skip
        chances = np.array([at(**{unit: n}) for n in counts])
        assert (np.diff(chances, axis=0) >= -2e-3).all(), unit
        assert ((chances >= 0) & (chances <= 1)).all()


def test_the_step_from_which_batches_are_told_is_said(make_trial):
    """2 schedules: 3 batches give 2 df between them, 4 give 3 and the analysis looks."""
    fit = crossed_pilot(0)
    asked = {"method": "exact", "pilot": fit, "questions": ["difference"], "difference_pct": 18}
    three, four = (power(planned(make_trial, batch=n), **asked) for n in (3, 4))
    assert four.table["power"].iloc[0] < three.table["power"].iloc[0]
    assert any("with 4 batches the chance may be lower than with 3" in x for x in three.notes)
    assert any("3 degrees of freedom in place of 8" in note for note in four.notes)
    two = power(planned(make_trial, batch=2), **asked)
    assert not any("tell whether schedule acts alike" in note for note in two.notes)


def test_infinitely_many_blocks_leave_runs_and_shelves(make_trial):
    """Two components known to the pilot as they are: the ceiling by scipy's non-central t."""
    trial = planned(make_trial, batch=2, chamber=8, block=300)
    found = power(trial, variation={"batch:chamber": 6, "batch:chamber:shelf": 4,
                                    "batch:chamber:shelf:block": 20},
                  difference_pct=10, lost=0, questions=["difference"], method="exact")  # fmt: skip
    df = found.table["error_df"].iloc[0]
    law = stats.nct(df, 10 / math.sqrt(2 / 8 * (36 + 16 / 2 + 400 / 6e2)))
    t = stats.t.ppf(0.975, df)
    assert found.table["power"].iloc[0] == pytest.approx(law.sf(t) + law.cdf(-t), abs=1e-6)


def test_components_below_zero_do_not_promise_what_blocks_cannot_give(make_trial):
    """A pilot whose runs lie closer together than its blocks allow."""

    def promised(fit):
        naive = fit.variances / fit.fitted_fixed.mean() ** 2 * 1e4
        return (naive["batch:chamber"] + naive["batch:chamber:shelf"] / 2
                + naive["residual"] / 60)  # fmt: skip

    # with the components as estimated, the error would lie below zero: certainty
    fit = next(f for f in map(crossed_pilot, range(60)) if promised(f) < 0)
    trial = planned(make_trial, block=30)
    found = power(trial, pilot=fit, method="exact", difference_pct=10, lost=0,
                  questions=["difference"])  # fmt: skip
    row = found.table.iloc[0]
    assert row["low"] < 0.75
    assert (found.variation.table[["low_pct", "middle_pct", "high_pct"]] >= 0).all(axis=None)


def test_flushes_of_a_run_count_with_the_run(make_trial):
    """A run's own good and bad flushes make runs differ: φ(run:flush) over the flushes."""
    rng = np.random.default_rng(3)
    rows = [(f"c{c}", f"k{c}{k}", f"{f}", f"s{c % 2}")
            for c in range(8) for k in range(4) for f in range(3)]  # fmt: skip
    table = pd.DataFrame(rows, columns=["chamber", "bag", "flush", "schedule"])
    code = pd.factorize(table["chamber"] + table["flush"])[0]
    table["y"] = 100 + 30 * rng.standard_normal(24)[code] + rng.normal(0, 10, len(table))
    fit = tk.fit(table, response="y", fixed="schedule * flush",
                 random=["chamber", "chamber:bag", "chamber:flush"])  # fmt: skip
    trial = make_trial("structure = 'chamber / bag'\nchamber = 8\nbag = 4",
                       {"schedule": ("chamber", 2, "")})  # fmt: skip
    trial = replace(trial, flushes=3)
    assert trial.flushes == 3
    found = pilot_variation(trial, fit)
    low, middle, high = found.combined({"chamber": 1.0, "chamber:bag": 1 / 4})
    means = table.groupby(["schedule", "chamber"])["y"].mean()
    square = means.groupby("schedule").var().mean() / table["y"].mean() ** 2 * 1e4
    assert low < square < high
    assert middle == pytest.approx(square, rel=0.35)


def test_a_stratum_that_the_pilot_lacks_takes_its_planning_range(make_trial):
    _, fit = flat_pilot()
    trial = make_trial(
        "structure = '(batch * chamber) / bag'\nbatch = 3\nchamber = 8\nbag = 6",
        {"schedule": ("batch:chamber", 2, "")},
    )
    found = power(trial, pilot=fit, method="exact")
    source = found.variation.table.set_index("stratum")["source"]
    assert str(source["chamber"]) == "pilot"
    assert "not told by the pilot" in source["batch:chamber"]
    assert any("does not tell how chamber runs vary" in note for note in found.notes)


def test_strata_that_one_batch_cannot_tell_apart_share_its_variance(make_trial):
    """Within a single batch nothing is lost: chamber and run add up to the pilot's chambers."""
    table, _ = flat_pilot()
    table["batch"] = "b1"
    fit = tk.fit(table, response="fresh_g", fixed="schedule", random=["batch:chamber"])
    trial = make_trial(
        "structure = '(batch * chamber) / bag'\nbatch = 1\nchamber = 8\nbag = 6",
        {"schedule": ("batch:chamber", 2, "")},
    )
    one = pilot_variation(trial, fit)
    both = one.draws[:, one.strata.index("chamber")] + one.draws[
        :, one.strata.index("batch:chamber")]  # fmt: skip
    _, alone = flat_pilot()
    plain = pilot_variation(two_arms(make_trial, 8, 6), alone)
    assert np.quantile(both, [0.1, 0.5, 0.9]) == pytest.approx(
        np.quantile(plain.draws[:, 0], [0.1, 0.5, 0.9]), rel=0.05, abs=1.0
    )


def test_grid_curve_next_step_sliders_and_power_are_one_engine(make_trial, chambers):
    """What is said of one more unit is what `power` says of a trial that has it."""
    trial = chambers()
    found = power(trial, method="exact")
    grid = found.grid(most=3).set_index(["unit", "count"])["power"]
    for unit in trial.structure.factors:
        for added in (1, 2, 3):
            count = trial.counts[unit] + added
            bigger = power(with_counts(trial, {unit: count}), method="exact")
            assert grid[unit, count] == pytest.approx(bigger.table["power"].min(), abs=1e-9)
    step = found.next_step.set_index("unit")
    assert step.loc["shelf", "power"] == pytest.approx(grid["shelf", 3], abs=1e-12)


def test_power_rises_with_odd_numbers_of_shelves(chambers):
    found = power(chambers(), method="exact")
    grid = found.grid(most=6)
    for _, rows in grid.groupby("unit"):
        assert (rows["power"].diff().dropna() > 0).all()
    # three shelves by simulation, the analysis as it is: see test_power_simulation


def test_needed_has_a_range(chambers):
    found = power(chambers(), method="exact", questions=["difference"])
    table = found.needed.set_index("unit")
    batch = table.loc["batch"]
    assert batch["needed_low"] < batch["needed"] < batch["needed_high"]
    bigger = power(with_counts(found.trial, {"batch": int(batch["needed"])}), method="exact",
                   questions=["difference"])  # fmt: skip
    smaller = power(with_counts(found.trial, {"batch": int(batch["needed"]) - 1}),
                    method="exact", questions=["difference"])  # fmt: skip
    assert smaller.table["power"].iloc[0] < 0.8 <= bigger.table["power"].iloc[0]


def test_ranges_in_words():
    assert str(range_in_words(0.4, 0.75)) == "between 40 and 75 %"
    assert "too small to say" in str(range_in_words(0.03, 0.97))
    assert str(range_in_words(0.801, 0.803)) == "about 80 %"


def test_a_tiny_pilot_is_said_to_be_too_small(make_trial):
    _, fit = flat_pilot(chambers=4)  # 2 df
    found = power(two_arms(make_trial, 12, 6), pilot=fit, difference_pct=20)
    assert any("too small to say" in note for note in found.notes)


def test_spread_points_take_every_step_once():
    points = spread_points(50, 4)
    for column in points.T:
        assert np.sort(column) == pytest.approx((np.arange(50) + 0.5) / 50)


def test_what_a_schedule_does_by_batch_counts_with_its_runs(make_trial):
    """Difference of two schedules over 4 batches of 2 + 2 runs: 2/4 (φ_by_batch + φ_run / 2).

    In the layout's terms, runs of variance φ_run + 2 φ_by_batch.
    """
    rng = np.random.default_rng(5)
    rows = [(f"b{b}", f"c{c}", f"s{(b + c) % 2}") for b in range(4) for c in range(4)
            for _ in range(3)]  # fmt: skip
    table = pd.DataFrame(rows, columns=["batch", "chamber", "schedule"])
    code = pd.factorize(table["batch"] + table["schedule"])[0]
    table["y"] = 100 + 25 * rng.standard_normal(8)[code] + rng.normal(0, 2, len(table))
    fit = tk.fit(table, response="y", fixed="schedule",
                 random=["batch", "batch:chamber", "batch:schedule"])  # fmt: skip
    trial = make_trial("structure = '(batch * chamber) / block'\nbatch = 4\nchamber = 4\nblock = 3",
                       {"schedule": ("batch:chamber", 2, "")})  # fmt: skip
    found = pilot_variation(trial, fit)
    middle = found.combined({"batch:chamber": 1.0, "batch:chamber:block": 1 / 3})[1]
    means = table.groupby(["batch", "schedule"])["y"].mean().unstack()
    gap = (means["s1"] - means["s0"]).var() / table["y"].mean() ** 2 * 1e4  # 2 (φ + φ_run / 2)
    ratio = 3 / stats.chi2.ppf(0.5, 3)  # the median of 3 df
    assert middle == pytest.approx(gap * ratio, rel=0.1)
    assert found.by_batch["batch:chamber"][1] == 2  # of 4 chambers, 2 in each batch share it
    settled = power(trial, pilot=fit, method="exact", questions=["difference"], difference_pct=30,
                    lost=0)  # fmt: skip
    # runs hardly differ beside that, so the term stays and its 3 df judge
    weights = {"batch:chamber": 1 / 4, "batch:chamber:block": 1 / 12}

    def chance(error):
        law, t = stats.nct(3, 30 / math.sqrt(error)), stats.t.ppf(0.975, 3)
        return law.sf(t) + law.cdf(-t)

    low, _, high = found.combined(weights)
    assert settled.table["low"].iloc[0] == pytest.approx(chance(high), abs=0.01)
    assert settled.table["high"].iloc[0] == pytest.approx(chance(low), abs=0.01)
    simulated = power(trial, pilot=fit, method="simulation", questions=["difference"], workers=1,
                      difference_pct=30, lost=0, trials=500)  # fmt: skip
    middle = chance(found.combined(weights)[1])
    assert simulated.table["power"].iloc[0] == pytest.approx(middle, abs=0.08)


def by_batch_pilot(seed, own):
    """4 batches of 6 chambers, 3 schedules: 6 df for batch × schedule, 7 beside it."""
    rng = np.random.default_rng(seed)
    rows = [(f"B{b + 1}", f"C{c + 1}", f"s{(b + c) % 3}") for b in range(4) for c in range(6)
            for _ in range(3)]  # fmt: skip
    table = pd.DataFrame(rows, columns=["batch", "chamber", "schedule"])
    run = pd.factorize(table["batch"] + table["chamber"])[0]
    both = pd.factorize(table["batch"] + table["schedule"])[0]
    y = 100 + 6 * rng.standard_normal(24)[run] + own * rng.standard_normal(12)[both]
    table["y"] = y + 12 * rng.standard_normal(len(table))
    return table


def test_batch_by_treatment_counts_in_a_plan_only_where_the_pilot_shows_it(make_trial):
    """Among 60 pilots without any, what the analysis keeps in 4 of 10 a plan counts in 1 of 20.

    Five standard deviations of the runs between batches are shown by every pilot.
    """
    trial = make_trial("structure = '(batch * chamber) / block'\nbatch = 4\nchamber = 6\nblock = 3",
                       {"schedule": ("batch:chamber", 3, "")})  # fmt: skip
    random = ["batch", "chamber", "batch:chamber"]
    counted = []
    for seed in range(60):
        table = by_batch_pilot(seed, 0.0)
        fit = tk.fit(table, response="y", fixed="schedule", random=[*random, "batch:schedule"])
        found = pilot_variation(trial, fit)
        counted.append(bool(found.by_batch))
        if not found.by_batch:
            plain = tk.fit(table, response="y", fixed="schedule", random=random)
            assert np.allclose(found.draws, pilot_variation(trial, plain).draws, rtol=1e-9)
    assert 0 < sum(counted) <= stats.binom.ppf(0.999, 60, 0.05)
    for seed in range(5):
        table = by_batch_pilot(seed, 30.0)
        fit = tk.fit(table, response="y", fixed="schedule", random=[*random, "batch:schedule"])
        assert pilot_variation(trial, fit).by_batch["batch:chamber"][0] > 0


def test_a_range_holds_nine_tenths_about_the_median():
    """Of 0, 1 … 100 the 5th, 50th and 95th percentile; a middle further out than an end is it."""
    values = np.arange(101.0)[::-1]
    assert percentiles(values).tolist() == pytest.approx([5, 50, 95])
    assert percentiles(np.vstack([values, 2 * values])).T.tolist() == [
        pytest.approx([5, 50, 95]), pytest.approx([10, 100, 190])
    ]  # fmt: skip
    assert percentiles(values, 0.7).tolist() == pytest.approx([5, 70, 95])
    assert percentiles(values, 0.99).tolist() == pytest.approx([5, 95, 95])


def test_a_pilot_that_shows_no_batch_by_treatment_says_what_its_range_rests_on(make_trial):
    """Not where it shows it (30 % against runs of 6 %), nor where there are no batches at all."""
    trial = make_trial("structure = '(batch * chamber) / block'\nbatch = 4\nchamber = 6\nblock = 3",
                       {"schedule": ("batch:chamber", 3, "")})  # fmt: skip
    random = ["batch", "chamber", "batch:chamber", "batch:schedule"]

    def said(own):
        fit = tk.fit(by_batch_pilot(1, own), response="y", fixed="schedule", random=random)
        return " ".join(power(trial, pilot=fit, lost=0, trials=200).notes)

    assert "acts alike in every batch, which so small a pilot" in said(0.0)
    assert "so small a pilot" not in said(30.0)
    _, fit = flat_pilot()
    alone = power(two_arms(make_trial, 10, 6), pilot=fit, lost=0, trials=200)
    assert "so small a pilot" not in " ".join(alone.notes)
