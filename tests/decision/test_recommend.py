"""The answer stays the answer; what is recommended weighs the prices. Gains put in by hand."""

import numpy as np
import pandas as pd
import pytest

import trialkit as tk
from tests.small_trials import make_data, make_trial
from trialkit.decision.break_even import break_even_words
from trialkit.decision.costs import pays_from
from trialkit.decision.decide import _choose
from trialkit.decision.measures import measures_by_level
from trialkit.decision.money import Money, value_by_level
from trialkit.decision.recommend import recommend
from trialkit.decision.use import run_totals


def priced(**gains):
    """Give money with a gain and its limits for each level."""
    rows = [(level, *three) for level, three in gains.items()]
    table = pd.DataFrame(rows, columns=["level", "gain", "gain_low", "gain_high"])
    return Money("EUR", table, pd.DataFrame(), counted=("mushrooms", "water"))


def advised(trial, answers, money):
    table = pd.DataFrame(
        {"level": [*answers], "answer": [*answers.values()], "ratio": [1.07] * len(answers)}
    )
    use = pd.DataFrame(columns=["use", "level", "saving_pct"])
    level = str(table.loc[_choose(table, use, money, better="more"), "level"])
    return level, recommend(trial, table, level, money)


@pytest.fixture
def trial(tmp_path):
    return make_trial(tmp_path)


def test_more_yield_at_a_sure_loss_is_not_to_be_used(trial):
    level, got = advised(trial, {"sparse": "better"}, priced(sparse=(-11.59, -11.79, -11.40)))
    assert level == "sparse"  # the answer stays what it is
    assert (got.level, got.basis, got.parts) == ("usual", "money", True)
    said = str(got.said)
    assert said.startswith("Keep usual")
    assert "better" in said
    assert "-11.59" in said.replace("−", "-")
    assert "mushrooms and water" in said


def test_the_larger_gain_wins_among_levels_that_hold(trial):
    money = priced(sparse=(0.22, 0.1, 0.3), banded=(16.44, 12.0, 20.0))
    level, got = advised(trial, {"sparse": "better", "banded": "no worse"}, money)
    assert level == got.level == "banded"
    assert not got.parts
    assert str(got.said).startswith("Use banded")


@pytest.mark.parametrize(
    ("answer", "gain", "level", "parts"),
    [
        ("no worse", (3.0, -1.0, 7.0), "sparse", False),
        ("no worse", (-3.0, -7.0, 1.0), "usual", True),
        ("better", (3.0, 1.0, 5.0), "sparse", False),
        ("worse", (3.0, 1.0, 5.0), "sparse", True),
        ("worse", (3.0, -1.0, 7.0), "usual", False),
        ("not enough evidence", (3.0, -1.0, 7.0), "usual", False),
        ("not enough evidence", (3.0, 1.0, 5.0), "sparse", True),
        ("not enough evidence", (-3.0, -5.0, -1.0), "usual", False),
        ("no worse", (0.0, 0.0, 0.0), "usual", True),
    ],
)
def test_money_and_answer_together(trial, answer, gain, level, parts):
    _, got = advised(trial, {"sparse": answer}, priced(sparse=gain))
    assert (got.level, got.parts) == (level, parts)
    if parts:
        assert str(got.said)


def test_without_prices_the_answer_alone_decides(trial):
    for answer, level in (("better", "sparse"), ("no worse", "sparse"), ("worse", "usual"),
                          ("not enough evidence", "usual")):  # fmt: skip
        _, got = advised(trial, {"sparse": answer}, None)
        assert (got.level, got.basis, got.parts, got.said) == (level, "answer", False, None)


def test_a_whole_verdict_keeps_the_control_where_the_mist_costs_more(tmp_path):
    """7 % more yield; power at 40 a kWh: the level with twice the mist loses, and it is said."""
    prices = "[prices]\nmushrooms_per_kg = 2\nenergy_per_kwh = 40\n"
    trial = make_trial(tmp_path, more=prices)
    data = make_data(trial, effect=1.07, sd_run=3, sd_block=3)
    data.runs["energy_kwh"] = np.where(data.runs["schedule"] == "sparse", 2.5, 2.0)
    verdict = tk.decide(trial, tk.analyse(trial, data))
    assert (verdict.answer, verdict.level) == ("better", "sparse")
    assert verdict.recommended.level == "usual"
    assert verdict.next_steps[0].startswith("Keep usual")
    assert not any(step.startswith("Use sparse") for step in verdict.next_steps)


COSTS = """
[prices]
mushrooms_per_kg = 10
labour_per_h = 18
picking_kg_per_h = 9
labour_h = { sparse = 0.2 }
equipment = { sparse = 180 }
block_each = 2
batch_each = 12
chamber_each = 300
runs_paid = 30
"""


def test_what_a_run_costs_by_hand(tmp_path):
    """Per kg 10 - 18 / 9 = 8; blocks 12, batch 1.2, chamber 10; sparse 3.6 of work and 6 bought."""
    trial = make_trial(tmp_path, batches=1, chambers=10, more=COSTS)
    data = make_data(trial, effect=1.3, sd_run=20)
    totals = run_totals(trial, data)
    money, findings = value_by_level(trial, totals)
    assert findings == []
    kg = totals.groupby("schedule")["kg"].mean()
    by_hand = {"usual": 8 * kg["usual"] - 23.2, "sparse": 8 * kg["sparse"] - 23.2 - 3.6 - 6}
    got = money.table.set_index("level")
    assert got["estimate"].to_dict() == pytest.approx(by_hand)
    even = money.break_even.set_index("level").loc["sparse"]
    before = 8 * (kg["sparse"] - kg["usual"]) - 3.6
    assert before > 1
    assert even["runs"] == np.ceil(180 / before)
    turns = 2 + (3.6 + 6) / (kg["sparse"] - kg["usual"])
    assert even["price_per_kg"] == pytest.approx(turns)
    assert even["pays"] == "above"
    said = " ".join(map(str, break_even_words(money.break_even, money.currency)))
    assert f"from {turns:.2f} EUR per kg" in said
    # the price from which on the limits lie above zero: found again by trying prices
    sure = float(even["sure_from"])
    assert sure > turns
    for price, wanted in ((0.98 * sure, False), (1.02 * sure, True)):
        other = COSTS.replace("mushrooms_per_kg = 10", f"mushrooms_per_kg = {price}")
        assert other != COSTS
        (tmp_path / f"{wanted}").mkdir()
        again = make_trial(tmp_path / f"{wanted}", batches=1, chambers=10, more=other)
        table = value_by_level(again, run_totals(again, data))[0].table.set_index("level")
        assert (table.loc["sparse", "gain_low"] > 0) == wanted
    assert set(money.counted) == {
        "mushrooms", "picking", "labour", "block", "batch", "chamber", "equipment",
    }  # fmt: skip


@pytest.mark.parametrize("language", ["en", "de"])
def test_every_price_that_is_moved_can_be_drawn(tmp_path, language):
    """By hand: at half the price of work the gain is larger by half the work that sparse needs."""
    from trialkit.figures import price_sensitivity
    from trialkit.wording import read_wording

    trial = make_trial(tmp_path, batches=1, chambers=10, more=COSTS)
    totals = run_totals(trial, make_data(trial, effect=1.3, sd_run=20))
    seen = value_by_level(trial, totals)[0].by_price
    assert list(dict.fromkeys(seen["price"])) == ["mushrooms", "labour"]
    work = seen[seen["price"] == "labour"].set_index("multiple")["gain"]
    kg = totals.groupby("schedule")["kg"].mean()
    needed = (kg["sparse"] - kg["usual"]) / 9 + 0.2  # hours more than for the control
    assert work[0.5] - work[1.0] == pytest.approx(0.5 * 18 * needed)
    for price in ("mushrooms", "labour"):
        say = read_wording(language)
        ax = price_sensitivity(seen, price=price, currency="EUR", wording=say)
        assert "EUR" in ax.get_xlabel()


def test_runs_until_something_is_paid():
    """180 at 20 a run: 9 runs; at 21: 8.57, so 9; at a loss never; nothing bought: at once."""
    assert pays_from(180, 20) == 9
    assert pays_from(180, 21) == 9
    assert pays_from(180, 23) == 8
    assert pays_from(180, 0) == np.inf
    assert pays_from(0, 5) == 0
    assert np.isnan(pays_from(180, np.nan))


def test_equipment_is_told_where_nobody_says_over_how_many_runs(tmp_path):
    trial = make_trial(tmp_path, more=COSTS.replace("runs_paid = 30\n", ""))
    money, findings = value_by_level(trial, run_totals(trial, make_data(trial, effect=1.3)))
    assert [f.code for f in findings] == ["equipment_not_spread"]
    assert "equipment" not in money.counted
    assert np.isfinite(money.break_even["runs"].iloc[0])


def test_a_price_of_zero_is_an_answer(tmp_path):
    """Mushrooms for nothing: what is left is the water, 50 per m³."""
    trial = make_trial(
        tmp_path, batches=1, chambers=10,
        more="[prices]\nmushrooms_per_kg = 0\nwater_per_m3 = 50\n",
    )  # fmt: skip
    totals = run_totals(trial, make_data(trial))
    money, _ = value_by_level(trial, totals)
    water = totals.groupby("schedule")["water_l"].mean() / 1000 * 50
    assert money.table.set_index("level").loc["sparse", "gain"] == pytest.approx(
        water["usual"] - water["sparse"]
    )
    assert money.counted == ("mushrooms", "water")
    trial = make_trial(tmp_path, more="[prices]\nwater_per_m3 = 50\n")
    money, findings = value_by_level(trial, run_totals(trial, make_data(trial)))
    assert money is None
    assert [f.code for f in findings] == ["mushrooms_not_priced"]


def test_a_level_that_is_not_there_cannot_need_equipment(tmp_path):
    from trialkit.errors import TrialFileError

    with pytest.raises(TrialFileError, match="spares"):
        make_trial(tmp_path, more="[prices]\nequipment = { spares = 10 }\n")
    with pytest.raises(TrialFileError, match="banded"):
        make_trial(tmp_path, more="[prices]\nlabour_h = { banded = 1 }\n")


@pytest.mark.parametrize("gone", [0, 5])
def test_gain_worth_chance_and_limits_are_one_answer(tmp_path, gone):
    """Worths subtract to the gain, and the chance of being best goes with its limits.

    A symmetrical law: at a gain of 0 the chance is a half, and a limit at 0 goes with 97.5 %.
    """
    prices = "[prices]\nmushrooms_per_kg = 10\n"
    trial = make_trial(tmp_path, more=prices)
    totals = run_totals(trial, make_data(trial, effect=1.03, sd_run=30, seed=8))
    totals = totals.drop(index=totals.index[[0, 3, 6, 7, 14][:gone]])
    money, _ = value_by_level(trial, totals)
    got = money.table.set_index("level")
    row = got.loc["sparse"]
    assert row["estimate"] - got.loc["usual", "estimate"] == pytest.approx(row["gain"], abs=1e-9)
    lost = got["expected_loss"]
    assert lost["usual"] - lost["sparse"] == pytest.approx(row["gain"], abs=0.05)
    assert (row["chance_best"] > 0.975) == (row["gain_low"] > 0)
    assert (row["chance_best"] > 0.5) == (row["gain"] > 0)


@pytest.mark.parametrize("scale", ["plain", "logarithm"])
def test_a_pooled_ratio_is_that_of_the_trials_own_table(tmp_path, scale):
    """Three schedules, uneven losses: the same centre as the table of ratios."""
    from trialkit.decision.pooling import log_ratio

    make_trial(tmp_path, chambers=6)
    path = tmp_path / "trial.toml"
    text = path.read_text(encoding="utf-8")
    text = text.replace("[question]", "levels.banded = { on_s = 20, off_s = 340 }\n[question]")
    text = text.replace("margin_pct", f'scale = "{scale}"\nmargin_pct')
    path.write_text(text, encoding="utf-8")
    trial = tk.read_trial(tmp_path)
    data = make_data(trial, effect=1.1, sd_run=40)
    data.table.loc[data.table.index[:20:3], "fresh_g"] = np.nan
    data.table.loc[data.table.index[30:42], "fresh_g"] = np.nan
    result = tk.analyse(trial, data)
    for row in result.ratios.to_dict("records"):
        value, _ = log_ratio(result, str(row["level"]))
        assert np.exp(value) == pytest.approx(row["ratio"], rel=1e-9)


def test_measures_that_growers_decide_on_by_hand(tmp_path):
    """One batch, five runs each: one run of sparse is lost after its first blocks, two flushes."""
    make_trial(tmp_path, batches=1, chambers=10)
    path = tmp_path / "trial.toml"
    path.write_text(path.read_text("utf-8").replace("flushes = 1", "flushes = 2"), "utf-8")
    trial = tk.read_trial(tmp_path)
    from dataclasses import replace

    data = make_data(trial, sd_run=20)
    share_late = 0.4 + np.random.default_rng(3).uniform(-0.1, 0.1, len(data.table))
    late = data.table.assign(flush=2, fresh_g=data.table["fresh_g"] * share_late, days=19.0)
    late.loc[late["schedule"] == "sparse", "days"] = 24.0
    table = pd.concat([data.table, late], ignore_index=True)
    gone = table["chamber"] == table.loc[table["schedule"] == "sparse", "chamber"].iloc[0]
    table.loc[gone, ["fresh_g", "status", "days"]] = [np.nan, "contaminated", np.nan]
    data = replace(data, table=table, runs=data.runs.assign(window_h=24 * 30.0))
    got = measures_by_level(trial, data, run_totals(trial, data)).set_index(["measure", "level"])
    sums = table.groupby("schedule")["fresh_g"].sum()
    sparse = sums["sparse"] / 30  # five runs of six blocks were started
    assert got.loc[("per_block_started", "sparse"), "estimate"] == pytest.approx(sparse)
    change = 100 * (sums["sparse"] / sums["usual"] - 1)
    assert got.loc[("per_block_started", "sparse"), "change_pct"] == pytest.approx(change)
    per_day = sums["sparse"] / 1000 / (4 * 24 + 30)  # the lost run stood for its 30 days
    assert got.loc[("per_chamber_day", "sparse"), "estimate"] == pytest.approx(per_day)
    first = table[table["flush"] == 1].groupby("schedule")["fresh_g"].sum()
    share = got.loc[("first_flush_share", "sparse"), "estimate"]
    assert share == pytest.approx(100 * first["sparse"] / sums["sparse"])
    assert (got["low"] <= got["estimate"]).all()
    assert (got["estimate"] <= got["high"]).all()
