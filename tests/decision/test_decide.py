"""The verdict says what the limits say, and nothing when a check has failed."""

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import trialkit as tk
from tests.small_trials import make_data, make_trial
from trialkit.decision.sentences import chance_words, change_words
from trialkit.decision.settle import batches_to_settle, settle_in_words
from trialkit.errors import Finding


@pytest.fixture
def trial(tmp_path):
    return make_trial(tmp_path)


@pytest.mark.parametrize(
    ("effect", "sd_run", "answer"),
    [
        (1.25, 5, "better"),
        (1.00, 5, "no worse"),
        (0.60, 5, "worse"),
        (0.92, 120, "not enough evidence"),
    ],
)
def test_each_answer_is_reached_when_the_truth_is_plain(trial, effect, sd_run, answer):
    verdict = tk.decide(trial, tk.analyse(trial, make_data(trial, effect=effect, sd_run=sd_run)))
    assert verdict.answer == answer
    row = verdict.table.iloc[0]
    bounds = {
        "better": row["low"] > 1,
        "no worse": row["low"] > 0.9 and row["low"] <= 1,
        "worse": row["high"] < 0.9,
        "not enough evidence": row["low"] <= 0.9 <= row["high"],
    }
    assert bounds[answer]
    assert "sparse" in verdict.sentence
    assert verdict.next_steps


def test_ratio_limits_are_those_of_fieller_on_run_means(tmp_path):
    """One batch, ten chambers: Fieller (1954) on two independent means of five runs each.

    The limits solve (m1 - r m0)^2 = t^2 s^2 (1 + r^2) / 5 with 8 df; written out here.
    """
    trial = make_trial(tmp_path, batches=1, chambers=10)
    data = make_data(trial, effect=0.97, sd_run=30)
    means = data.table.groupby("chamber", sort=False).agg(
        y=("fresh_g", "mean"), s=("schedule", "first")
    )
    groups = means.groupby("s")["y"]
    m1, m0 = groups.mean()[["sparse", "usual"]]
    v = groups.var().mean() / 5
    t2 = stats.t.ppf(0.975, 8) ** 2
    limits = np.sort(np.roots([m0**2 - t2 * v, -2 * m1 * m0, m1**2 - t2 * v]))
    result = tk.analyse(trial, data)
    row = result.ratios.iloc[0]
    assert row["ratio"] == pytest.approx(m1 / m0)
    assert [row["low"], row["high"]] == pytest.approx(limits.tolist(), rel=1e-6)
    assert result.joint_level == 0.95


def test_a_failed_check_blocks_the_verdict_and_is_named(trial):
    stop = Finding("clock", "stop", "the loggers disagree by an hour", "correct the clock")
    verdict = tk.decide(trial, tk.analyse(trial, make_data(trial, findings=[stop])))
    assert verdict.answer == "blocked"
    assert "the loggers disagree by an hour" in verdict.sentence
    assert verdict.next_steps == ("First: correct the clock",)


def test_water_and_energy_per_kilogram_are_those_of_the_totals(trial):
    """Balanced runs: litres of all runs over kilograms of all runs."""
    data = make_data(trial)
    verdict = tk.decide(trial, tk.analyse(trial, data))
    totals = verdict.totals
    assert totals["kg"].sum() == pytest.approx(data.table["fresh_g"].sum() / 1000)
    sums = totals.groupby("schedule")[["water_l", "kg"]].sum()
    plain = sums["water_l"] / sums["kg"]
    water = verdict.use[verdict.use["use"] == "water_l"].set_index("level")
    assert water["estimate"].to_dict() == pytest.approx(plain.to_dict())
    # half the duty: about half the water for the same yield
    assert water.loc["sparse", "saving_pct"] == pytest.approx(50, abs=3)
    assert water.loc["sparse", "saving_low_pct"] < water.loc["sparse", "saving_pct"]
    assert math.isnan(water.loc["usual", "saving_pct"])


@pytest.mark.parametrize(("saving", "reason"), [(30.0, "what it saves"), (np.nan, "cheaper")])
def test_no_worse_promises_a_saving_only_where_one_was_seen(trial, saving, reason):
    data = make_data(trial, effect=1.0, sd_run=5)
    if np.isnan(saving):
        data = replace(data, runs=data.runs.assign(water_l=np.nan, energy_kwh=np.nan))
    verdict = tk.decide(trial, tk.analyse(trial, data))
    assert verdict.answer == "no worse"
    assert reason in verdict.next_steps[0]


def test_no_prices_no_money(trial):
    assert tk.decide(trial, tk.analyse(trial, make_data(trial))).money is None


PRICES = """
[prices]
mushrooms_per_kg = 10
water_per_m3 = 5
energy_per_kwh = 0.4
batches_per_year = 10
"""


def test_money_is_arithmetic_on_runs(tmp_path):
    trial = make_trial(tmp_path, more=PRICES)
    verdict = tk.decide(trial, tk.analyse(trial, make_data(trial, effect=1.0)))
    totals, money = verdict.totals, verdict.money
    value = totals["kg"] * 10 - totals["water_l"] / 1000 * 5 - totals["energy_kwh"] * 0.4
    plain = value.groupby(totals["schedule"]).mean()
    got = money.table.set_index("level")
    assert got["estimate"].to_dict() == pytest.approx(plain.to_dict())
    assert got.loc["sparse", "gain"] == pytest.approx(plain["sparse"] - plain["usual"])
    assert got.loc["sparse", "gain_year"] == pytest.approx(got.loc["sparse", "gain"] * 10 * 4)
    assert got["chance_best"].sum() == pytest.approx(1)
    now = money.by_price[(money.by_price["price"] == "energy") & (money.by_price["multiple"] == 1)]
    assert now["gain"].iloc[0] == pytest.approx(got.loc["sparse", "gain"])


def test_money_of_the_mushrooms_alone_where_no_log_counts_the_mist(tmp_path):
    """A priced trial without a mist log still gets its verdict, and is told what is left out."""
    trial = make_trial(tmp_path, more=PRICES)
    data = make_data(trial, effect=1.0)
    blind = replace(data, runs=data.runs.assign(water_l=np.nan, energy_kwh=np.nan))
    verdict = tk.decide(trial, tk.analyse(trial, blind))
    plain = 10 * verdict.totals.groupby("schedule")["kg"].mean()
    got = verdict.money.table.set_index("level")
    assert got["estimate"].to_dict() == pytest.approx(plain.to_dict())
    told = [f.message for f in verdict.findings if f.code == "use_not_priced"]
    assert len(told) == 2
    assert "water" in told[0]
    assert "electricity" in told[1]


def test_runs_without_a_count_are_told(tmp_path):
    trial = make_trial(tmp_path, more=PRICES)
    data = make_data(trial, effect=1.0)
    runs = data.runs.copy()
    lost = (runs["batch"] == runs["batch"].iloc[0]) & (runs["chamber"] == runs["chamber"].iloc[0])
    runs.loc[lost, ["water_l", "energy_kwh"]] = np.nan
    verdict = tk.decide(trial, tk.analyse(trial, replace(data, runs=runs)))
    told = [f.message for f in verdict.findings if f.code == "use_partly_priced"]
    assert len(told) == 2
    assert all(m.startswith(f"1 of {len(verdict.totals)} chamber runs") for m in told)


def test_expected_loss_of_two_levels_has_its_closed_form(tmp_path):
    """For a t-distributed gain g + s T: E[max(0, -gain)] by one-dimensional quadrature."""
    trial = make_trial(tmp_path, more=PRICES)
    verdict = tk.decide(trial, tk.analyse(trial, make_data(trial, effect=1.0, sd_run=120, seed=3)))
    row = verdict.money.table.set_index("level").loc["sparse"]
    from trialkit.analysis.by_run import fit_by_run

    totals = verdict.totals.assign(
        value=lambda t: t["kg"] * 10 - t["water_l"] / 1000 * 5 - t["energy_kwh"] * 0.4
    )
    gap = (
        fit_by_run(trial, totals, "value")
        .differences("schedule", against="usual", adjust="none")
        .iloc[0]
    )
    law = stats.t(gap["df"], loc=gap["estimate"], scale=gap["se"])
    grid = np.linspace(*law.ppf([1e-7, 1 - 1e-7]), 200_001)
    exact = np.trapezoid(np.maximum(0, -grid) * law.pdf(grid), grid)
    assert row["expected_loss"] == pytest.approx(exact, rel=0.05)
    assert row["chance_best"] == pytest.approx(1 - law.cdf(0), abs=0.02)


def test_more_batches_raise_the_chance_and_needed_is_the_first_to_reach_it(trial):
    """But for the step to 4 batches, 3 degrees of freedom between batches of two schedules."""
    result = tk.analyse(trial, make_data(trial, effect=0.97, sd_run=40))
    table, needed = batches_to_settle(trial, result)
    for name in ("no_worse", "difference"):
        for end in ("", "_low", "_high"):
            for _, part in table.groupby(table["count"] >= 4):
                assert part[f"{name}{end}"].is_monotonic_increasing
        assert (table[f"{name}_low"] <= table[name]).all()
        assert (table[name] <= table[f"{name}_high"]).all()
    reached = table[(table["no_worse"] >= 0.8) & (table["difference"] >= 0.8)]
    assert needed == reached["count"].iloc[0]


def test_settle_is_the_power_of_a_larger_trial_with_this_one_as_pilot(trial):
    """One engine: the same chances as planning gives for that many batches.

    But planning would arrange 6 batches so that one degree of freedom of batch × schedule goes to
    chambers (4 in place of 5), which costs the low end three points.
    """
    from trialkit.design.strata.comparisons import with_counts

    result = tk.analyse(trial, make_data(trial, effect=0.97, sd_run=40))
    table, _ = batches_to_settle(trial, result)
    count = int(table["count"].iloc[2])
    reference = result.means["schedule"].set_index("level")["estimate"][trial.primary.reference]
    scale = float(reference) / result.fit.fitted_fixed.mean()
    found = tk.power(
        with_counts(trial, {"batch": count}), pilot=result.fit, lost=0, method="exact",
        joint=False, level=result.joint_level, questions=["difference"],
        difference_pct=trial.question.difference_pct * scale,
    )  # fmt: skip
    row = table.set_index("count").loc[count]
    assert row["difference"] == pytest.approx(found.table["power"].iloc[0], abs=0.01)
    assert row["difference_low"] == pytest.approx(found.table["low"].iloc[0], abs=0.04)


def test_batches_that_are_planned_but_not_in_are_not_counted(trial):
    data = make_data(trial, effect=0.97, sd_run=40)
    batches = sorted(data.table["batch"].unique())
    early = replace(data, table=data.table.copy())
    early.table.loc[early.table["batch"] == batches[-1], "fresh_g"] = np.nan
    table, _ = batches_to_settle(trial, tk.analyse(trial, early))
    assert table["count"].iloc[0] == len(batches) - 1


def test_what_a_trial_cannot_say_about_batches_is_said(trial):
    """Wide ranges: no single count. Narrow ones: a count with its range."""
    columns = {"repeats": ["batch"] * 3, "count": [3, 10, 40]}
    narrow = pd.DataFrame({**columns, **{
        f"{name}{end}": values for name in ("no_worse", "difference")
        for end, values in (("_low", [0.3, 0.7, 0.9]), ("", [0.4, 0.85, 0.95]),
                            ("_high", [0.5, 0.9, 0.99]))}})  # fmt: skip
    said = str(settle_in_words(narrow, 10))
    assert said.startswith("7 more batches like these (10 in all)")
    assert "anything from 10 to 40" in said
    wide = narrow.assign(no_worse_low=0.05, difference_low=0.05, no_worse_high=0.97)
    said = str(settle_in_words(wide, 10))
    assert "This trial cannot say how many more batches" in said
    assert "from 10 to more than 40" in said
    dips = narrow.assign(no_worse=[0.4, 0.85, 0.61])
    assert "With 40 batches in all the chance is 61 %" in str(settle_in_words(dips, 10))
    never = narrow.assign(no_worse_high=0.6)
    assert str(settle_in_words(never, None)).startswith("Even 40 batches would not settle it")


@pytest.mark.parametrize(
    ("ratio", "words"), [(1.0, "the same"), (1.062, "6 % more"), (0.91, "9 % less")]
)
def test_ratios_in_words(ratio, words):
    assert str(change_words(ratio)) == words


def test_limits_open_to_both_sides_are_said_in_words_a_yield_can_have():
    assert str(change_words(float("inf"))) == "any amount more"
    # no yield is below nothing
    assert str(change_words(float("-inf"))) == str(change_words(-0.4)) == "100 % less"
    assert str(change_words(1.25)) == "25 % more"


def kept_by_chamber(folder, *, batches=3, chambers=6):
    """Each chamber keeps its schedule through all batches."""
    make_trial(folder, batches=batches, chambers=chambers)
    text = (folder / "trial.toml").read_text(encoding="utf-8")
    text = text.replace('applied_to = "batch:chamber"', 'applied_to = "chamber"')
    (folder / "trial.toml").write_text(text, encoding="utf-8")
    return tk.read_trial(folder)


def test_more_batches_do_not_mend_chambers_that_keep_their_schedule(tmp_path):
    """Chambers apart by far more than their runs: six batches tell hardly more than three.

    Closed form: var = 2 / 3 (chamber + run / batches); here the chamber part is nearly all.
    """
    trial = kept_by_chamber(tmp_path)
    data = make_data(trial, sd_run=3, sd_block=3, seed=2)
    names = sorted(data.table["chamber"].unique())
    apart = dict(zip(names, [-90, 60, -30, 20, 80, -40], strict=True))
    data.table["fresh_g"] += data.table["chamber"].map(apart)
    table, needed = batches_to_settle(trial, tk.analyse(trial, data))
    assert needed is None
    chance = table.set_index("count")["difference"]
    assert chance[40] == pytest.approx(chance[3], abs=0.02)


def test_the_chance_at_the_margin_agrees_with_the_joint_limits():
    """Dunnett: p is below (1 - level) / 2 exactly where the joint limit clears the margin."""
    trial = tk.read_trial(tk.demo_folder())
    aligned = tk.align(
        trial, tk.read_harvest(trial), tk.read_environment(trial), tk.read_mist(trial)
    )
    result = tk.analyse(trial, aligned)
    table = tk.decide(trial, result).table
    alone = result.ratios["p_alone"]
    assert table["p"].tolist() == result.ratios["p"].tolist()
    assert (table["p"] > alone).all()
    assert (table["p"] < 2 * alone + 1e-12).all()  # Bonferroni bounds Dunnett
    edge = 100 * (1 - float(table["low"].iloc[1]))
    for margin in (2, 5, 8, edge):
        got = result.fit.noninferior(
            "schedule", against="usual", margin_pct=margin, level=0.95, adjust="dunnett"
        )
        if margin == edge:  # at the limit itself the chance is the stated one
            assert got["p"].iloc[1] == pytest.approx(0.025, abs=1e-8)
        else:
            assert ((got["p"] < 0.025) == (got["low"] > 1 - margin / 100)).all()


def three_levels(folder, *, control):
    """Three schedules; without a control all pairs are compared, reference first or last."""
    make_trial(folder, chambers=6)
    text = (folder / "trial.toml").read_text(encoding="utf-8")
    text = text.replace("[question]", "levels.banded = { on_s = 20, off_s = 340 }\n[question]")
    if not control:
        text = text.replace('control = "usual"\n', "")
    (folder / "trial.toml").write_text(text, encoding="utf-8")
    return tk.read_trial(folder)


@pytest.mark.parametrize("control", [True, False])
def test_one_p_goes_with_one_question_with_and_without_a_control(tmp_path, control):
    trial = three_levels(tmp_path, control=control)
    result = tk.analyse(trial, make_data(trial, effect=1.3, sd_run=8))
    verdict = tk.decide(trial, result)
    assert verdict.table["p"].tolist() == result.ratios["p"].tolist()
    adjust = "dunnett" if control else "tukey"
    assert set(result.ratios["adjust"]) == {adjust}
    rows, reference = result.differences["schedule"], trial.primary.reference
    for row in verdict.table.itertuples():
        by_hand = [r.p for r in rows.itertuples() if {r.first, r.second} == {row.level, reference}]
        assert len(by_hand) == 1
        assert (row.low > 1 or row.high < 1) == (by_hand[0] < 0.05)
    assert "better" in set(verdict.table["answer"])
    assert verdict.sentence


def test_a_look_before_the_end_is_told(trial):
    data = make_data(trial, effect=1.0)
    table = data.table.copy()
    assert not [f for f in tk.decide(trial, tk.analyse(trial, data)).findings
                if f.code == "looked_early"]  # fmt: skip
    last = table["batch"] == table["batch"].unique()[-1]
    table.loc[last, "fresh_g"], table.loc[last, "status"] = np.nan, "missing"
    verdict = tk.decide(trial, tk.analyse(trial, replace(data, table=table)))
    (told,) = [f for f in verdict.findings if f.code == "looked_early"]
    assert "1 of 4" in told.message
    assert "once in 1000 times" in told.remedy
    # a batch that died is not waited for
    table.loc[last, "status"] = "discarded"
    verdict = tk.decide(trial, tk.analyse(trial, replace(data, table=table)))
    assert not [f for f in verdict.findings if f.code == "looked_early"]


def test_blocks_lost_to_a_schedule_are_told_with_the_yield_of_started_blocks(trial):
    """A third of the sparse blocks lost: equal weights, two thirds of the yield per start."""
    data = make_data(trial, effect=1.0, sd_run=2, sd_block=2)
    table = data.table.copy()
    gone = (table["schedule"] == "sparse") & table["block"].astype(str).isin(["1", "2"])
    table.loc[gone, "fresh_g"], table.loc[gone, "status"] = np.nan, "contaminated"
    verdict = tk.decide(trial, tk.analyse(trial, replace(data, table=table)))
    assert verdict.answer == "no worse"  # of blocks that were harvested
    (told,) = [f for f in verdict.findings if f.code == "losses_uneven"]
    assert "sparse lost 16 of 48 blocks, usual 0 of 48" in told.message
    assert "gave 67 % of usual" in told.message
    plain = tk.decide(trial, tk.analyse(trial, data))
    assert not [f for f in plain.findings if f.code == "losses_uneven"]


def test_money_shows_itself_with_its_currency_and_what_its_columns_mean(tmp_path):
    prices = "[prices]\ncurrency = 'CHF'\nmushrooms_per_kg = 9.0\n"
    trial = make_trial(tmp_path, more=prices)
    money = tk.decide(trial, tk.analyse(trial, make_data(trial))).money
    text, page = str(money), money._repr_html_()
    assert "[CHF]" in text
    assert f"{money.table['estimate'].iloc[0]:.2f}" in text
    assert "<table" in page
    assert "Expected loss" in page


def test_losses_that_chance_explains_are_not_spoken_of():
    """5 against 9 of 72: 5.6 points, within 1.64 standard errors (8.1); 5 against 14: beyond."""
    from trialkit.decision.doubts import far_apart

    assert not far_apart([5, 9], [72, 72])
    assert far_apart([5, 14], [72, 72])


@pytest.mark.parametrize(
    ("p", "words"),
    [(0.0004, "fewer than 1 in 1000"), (0.0012, "about 1 in 1000"), (0.0094, "about 9 in 1000"),
     (0.0096, "about 1 in 100"), (0.024, "about 2 in 100"), (0.31, "about 31 in 100")],
)  # fmt: skip
def test_chances_are_said_as_whole_numbers(p, words):
    assert str(chance_words(p)) == words
