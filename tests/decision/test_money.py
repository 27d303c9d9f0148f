"""Money at several prices, by hand: plain means of runs, and the t test of two groups of runs."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import trialkit as tk
from tests.small_trials import make_data, make_trial
from trialkit.decision.money import value_by_level
from trialkit.decision.use import run_totals

PRICES = """
[prices]
mushrooms_per_kg = 10
water_per_m3 = 50
energy_per_kwh = 0.4
batches_per_year = 7
"""
MULTIPLES = (0.5, 0.75, 1.0, 1.5, 2.0, 3.0)  # as docs/statistics.md and the report show them


@pytest.fixture(scope="module")
def one_batch(tmp_path_factory):
    """One batch of ten chambers: five runs of each schedule, so that 8 df are left."""
    trial = make_trial(tmp_path_factory.mktemp("money"), batches=1, chambers=10, more=PRICES)
    data = make_data(trial, effect=0.97, sd_run=30, seed=4)
    totals = run_totals(trial, data)
    money, findings = value_by_level(trial, totals)
    assert findings == []
    return trial, totals, money


def values(totals, mushrooms=10.0, water=50.0, energy=0.4):
    worth = totals["kg"] * mushrooms - totals["water_l"] / 1000 * water
    worth -= totals["energy_kwh"] * energy
    return worth[totals["schedule"] == "sparse"], worth[totals["schedule"] == "usual"]


def test_the_gain_at_every_price_is_that_of_a_t_test_on_runs(one_batch):
    """Scipy's two-sample t test of the runs' values at each price in turn."""
    _, totals, money = one_batch
    seen = money.by_price
    assert list(dict.fromkeys(seen["price"])) == ["mushrooms", "water", "energy"]
    given = {"mushrooms": 10.0, "water": 50.0, "energy": 0.4}
    for price, here in seen.groupby("price", sort=False):
        assert here["multiple"].tolist() == list(MULTIPLES)
        assert here["at"].tolist() == pytest.approx([given[price] * m for m in MULTIPLES])
        assert set(here["level"]) == {"sparse"}
        for row in here.itertuples():
            a, b = values(totals, **{price: given[price] * row.multiple})
            limits = stats.ttest_ind(a, b).confidence_interval(0.95)
            assert row.gain == pytest.approx(a.mean() - b.mean())
            assert [row.low, row.high] == pytest.approx([limits.low, limits.high], rel=1e-6)


def test_the_table_is_the_same_test_and_a_year_is_all_chambers_in_all_batches(one_batch):
    """Ten chambers, seven batches a year: seventy runs."""
    _, totals, money = one_batch
    a, b = values(totals)
    test = stats.ttest_ind(a, b)
    limits = test.confidence_interval(0.95)
    got = money.table.set_index("level")
    gain = got.loc["sparse", ["gain", "gain_low", "gain_high"]].tolist()
    assert gain == pytest.approx([a.mean() - b.mean(), limits.low, limits.high], rel=1e-6)
    year = got.loc["sparse", ["gain_year", "gain_year_low", "gain_year_high"]].tolist()
    assert year == pytest.approx([70 * x for x in gain])
    assert got.loc["usual", ["gain", "gain_low", "gain_year"]].isna().all()
    # one group mean with the pooled error of both: 8 df, five runs each
    half = stats.t.ppf(0.975, 8) * np.sqrt((a.var(ddof=1) + b.var(ddof=1)) / 2 / 5)
    assert got.loc["usual", "low"] == pytest.approx(b.mean() - half, rel=1e-6)
    assert got.loc["usual", "high"] == pytest.approx(b.mean() + half, rel=1e-6)


def test_chance_and_expected_loss_of_both_levels_follow_the_t_distribution(one_batch):
    """Closed form: for a gain g + s T with 8 df, E max(0, g + s T) and P(g + s T > 0).

    With z = g / s: s (pdf(z) (8 + z²) / 7 + z cdf(z)), pdf and cdf those of t with 8 df.
    """
    _, totals, money = one_batch
    a, b = values(totals)
    g = a.mean() - b.mean()
    s = np.sqrt((a.var(ddof=1) + b.var(ddof=1)) / 5)
    z = g / s
    law = stats.t(8)
    lost_by_usual = s * (law.pdf(z) * (8 + z**2) / 7 + z * law.cdf(z))
    got = money.table.set_index("level")
    within = 4 * s / np.sqrt(20_000)  # four standard errors of the mean of the draws
    assert got.loc["usual", "expected_loss"] == pytest.approx(lost_by_usual, abs=within)
    assert got.loc["sparse", "expected_loss"] == pytest.approx(lost_by_usual - g, abs=within)
    assert got.loc["sparse", "chance_best"] == pytest.approx(law.cdf(z), abs=0.015)
    assert got["chance_best"].sum() == pytest.approx(1)


@pytest.mark.parametrize(("chambers", "known"), [(4, False), (6, True)])
def test_too_few_runs_give_no_expected_loss_and_say_so(tmp_path, chambers, known):
    """Of t with one degree of freedom there is no mean, with two its draws have no variance.

    One batch of four chambers leaves 2 degrees of freedom, one of six leaves 4.
    """
    trial = make_trial(tmp_path, batches=1, chambers=chambers, more=PRICES)
    totals = run_totals(trial, make_data(trial, effect=0.97, sd_run=30, seed=4))
    money, _ = value_by_level(trial, totals)
    assert money.table["expected_loss"].notna().all() == known
    assert money.table["chance_best"].sum() == pytest.approx(1)
    assert ("No expected loss" in str(money)) != known


def test_what_is_not_priced_is_not_looked_at(tmp_path):
    """A water price of nothing, and none for power: mushrooms alone, and nothing is missed."""
    trial = make_trial(tmp_path, more="[prices]\nmushrooms_per_kg = 8\nwater_per_m3 = 0\n")
    totals = run_totals(trial, make_data(trial))
    money, findings = value_by_level(trial, totals)
    assert findings == []
    assert set(money.by_price["price"]) == {"mushrooms"}
    plain = 8 * totals.groupby("schedule")["kg"].mean()
    assert money.table.set_index("level")["estimate"].to_dict() == pytest.approx(plain.to_dict())
    assert money.table["gain_year"].isna().all()  # how many batches a year was not said
    assert value_by_level(trial, totals.iloc[:0]) == (None, [])


def test_too_few_runs_give_no_money_and_the_reason(tmp_path):
    trial = make_trial(tmp_path, more=PRICES)
    totals = run_totals(trial, make_data(trial))
    alone = totals[totals["schedule"] == "sparse"]
    money, findings = value_by_level(trial, alone)
    assert money is None
    assert [(f.code, f.severity) for f in findings] == [("money_not_estimated", "note")]


def test_runs_are_priced_by_what_was_weighed_whole_and_counted(tmp_path):
    """Totals by hand: grams to kilograms, blocks counted once, per kilogram of the run."""
    trial = make_trial(tmp_path)
    data = make_data(trial)
    table = data.table.copy()
    first = (table["batch"] == table["batch"].iloc[0]) & (
        table["chamber"] == table["chamber"].iloc[0]
    )
    table.loc[table.index[first][:2], "fresh_g"] = np.nan
    early = data.runs.assign(window="early", water_l=1e6)
    both = replace(data, table=table, runs=pd.concat([early, data.runs], ignore_index=True))
    totals = run_totals(trial, both)
    run = totals.iloc[0]
    assert run["kg"] == pytest.approx(table.loc[first, "fresh_g"].sum() / 1000)
    assert run["blocks"] == 4
    water = data.runs.iloc[0]["water_l"]
    assert run["water_l"] == pytest.approx(water)  # of the whole run, not of a part of it
    # the two blocks that nobody weighed are taken as the mean of the four others
    assert run["kg_all"] == pytest.approx(run["kg"] * 6 / 4)
    assert run["water_l_per_kg"] == pytest.approx(water / run["kg_all"])


def test_limits_of_two_gains_hold_together_as_in_dunnetts_test(tmp_path):
    """One batch of twelve chambers, four of each schedule: scipy's Dunnett test of the values.

    scipy (1.11 and later) finds the joint point by quasi-random integration, good to about
    three digits. Here the single limits would be 9 df's t, a tenth closer.
    """
    thin = "levels.thin = { on_s = 15, off_s = 585 }\n"
    trial = make_trial(tmp_path, batches=1, chambers=12, more=PRICES)
    file = tmp_path / "trial.toml"
    text = file.read_text(encoding="utf-8")
    at = text.index("levels.sparse")
    file.write_text(text[:at] + thin + text[at:], encoding="utf-8")
    trial = tk.read_trial(tmp_path)
    totals = run_totals(trial, make_data(trial, effect=0.97, sd_run=30, seed=4))
    money, _ = value_by_level(trial, totals)
    worth = totals["kg"] * 10 - totals["water_l"] / 1000 * 50 - totals["energy_kwh"] * 0.4
    groups = {name: worth[totals["schedule"] == name] for name in ("sparse", "thin", "usual")}
    joint = stats.dunnett(groups["sparse"], groups["thin"], control=groups["usual"], rng=1)
    limits = joint.confidence_interval(0.95)
    got = money.table.set_index("level")
    for i, name in enumerate(("sparse", "thin")):
        assert got.loc[name, "gain_low"] == pytest.approx(limits.low[i], rel=5e-3)
        assert got.loc[name, "gain_high"] == pytest.approx(limits.high[i], rel=5e-3)
        at_price = money.by_price[(money.by_price["level"] == name)]
        now = at_price[at_price["multiple"] == 1]
        assert len(now) == 3
        assert now["low"].tolist() == pytest.approx([got.loc[name, "gain_low"]] * 3)
    assert "hold for all levels at once" in str(money)
