"""Which level the headline is about, what p goes beside it, and which level is advised."""

import itertools
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import trialkit as tk
from tests.small_trials import make_data, make_trial
from trialkit.decision.decide import _choose, _p_equal
from trialkit.decision.steps import Outlook, next_steps
from trialkit.errors import Finding


def advice(trial, outlook, stops):
    """Say the next steps in the language in use."""
    return tuple(str(step) for step in next_steps(trial, outlook, stops))


def judged(**answers):
    """Give a table of levels with answer and ratio, in the order given."""
    rows = [(level, *both) for level, both in answers.items()]
    return pd.DataFrame(rows, columns=["level", "answer", "ratio"])


def chosen(table, *, gain=None, saved=None, better="more"):
    money = None
    if gain is not None:
        # the control is in the table of money, without a gain over itself
        gain = {"usual": np.nan} | gain
        money = SimpleNamespace(table=pd.DataFrame({"level": [*gain], "gain": [*gain.values()]}))
    use = pd.DataFrame(columns=["use", "level", "saving_pct"])
    if saved is not None:
        water = pd.DataFrame({"use": "water_l", "level": [*saved], "saving_pct": [*saved.values()]})
        power = water.assign(use="energy_kwh", saving_pct=-water["saving_pct"])
        use = pd.concat([water, power], ignore_index=True)
    return table.loc[_choose(table, use, money, better=better), "level"]


def test_the_best_answer_comes_before_all_else():
    """Order: better, no worse, depends, not enough evidence, worse; money keeps to it but for one.

    Better and no worse both hold, so that between these two the money decides.
    """
    order = ["better", "no worse", "depends", "not enough evidence", "worse"]
    for first, second in itertools.pairwise(order):
        table = judged(a=(second, 1.4), b=(first, 0.8))
        assert chosen(table) == "b"
        with_money = chosen(table, gain={"a": 50.0, "b": -50.0}, saved={"a": 90.0, "b": 1.0})
        assert with_money == ("a" if first == "better" else "b")


def test_among_equal_answers_money_decides_then_water_then_yield():
    table = judged(a=("no worse", 1.05), b=("no worse", 0.99), c=("no worse", 1.01))
    saved = {"a": 10.0, "b": 20.0, "c": 30.0}
    assert chosen(table, gain={"a": 1.0, "b": 3.0, "c": 2.0}, saved=saved) == "b"
    assert chosen(table, gain={"a": -1.0, "b": -3.0, "c": -2.0}, saved=saved) == "a"
    assert chosen(table, gain={"a": 2.0, "b": 2.0, "c": 2.0}, saved=saved) == "c"
    assert chosen(table, saved=saved) == "c"
    assert chosen(table) == "a"
    days = chosen(table, better="less")  # fewer days to harvest are better
    assert days == "b"


def test_a_gain_that_is_not_known_does_not_win():
    table = judged(a=("no worse", 1.05), b=("no worse", 0.99))
    assert chosen(table, gain={"a": np.nan, "b": -2.0}) == "b"
    assert chosen(table, saved={"a": np.nan, "b": -2.0}) == "b"
    # and a ratio that could not be worked out loses to any
    open_ratio = judged(a=("not enough evidence", np.nan), b=("not enough evidence", 0.5))
    assert chosen(open_ratio) == "b"
    assert chosen(judged(a=("worse", np.nan), b=("worse", 1.5)), better="less") == "b"


def test_money_can_change_the_level_of_a_whole_verdict(tmp_path):
    """Two schedules of the same yield and mist; one run of `banded` uses less power: it wins."""
    prices = "[prices]\nmushrooms_per_kg = 10\nenergy_per_kwh = {}\n"
    for price, level in ((0.0, "sparse"), (90.0, "banded")):
        trial = three_schedules(tmp_path, more=prices.format(price))
        data = make_data(trial, effect=1.01, sd_run=4)
        # a few grams less, far less power
        banded = data.table["schedule"] == "banded"
        data.table.loc[banded, "fresh_g"] -= 2
        data.runs.loc[data.runs["schedule"] == "banded", "energy_kwh"] /= 4
        data.runs["water_l"] = 10.0
        verdict = tk.decide(trial, tk.analyse(trial, data))
        assert set(verdict.table["answer"]) == {"no worse"}
        assert verdict.level == level


def three_schedules(folder, *, control=True, more="", batches=4, chambers=6):
    make_trial(folder, batches=batches, chambers=chambers, more=more)
    path = folder / "trial.toml"
    text = path.read_text(encoding="utf-8")
    text = text.replace("[question]", "levels.banded = { on_s = 20, off_s = 340 }\n[question]")
    if not control:
        text = text.replace('control = "usual"\n', "")
    path.write_text(text, encoding="utf-8")
    return tk.read_trial(folder)


def test_without_a_control_the_p_is_that_of_all_pairs(tmp_path):
    """Scipy's Tukey test of the runs of one batch: five of each of three schedules."""
    trial = three_schedules(tmp_path, control=False, batches=1, chambers=15)
    data = make_data(trial, effect=0.95, sd_run=25, seed=2)
    runs = data.table.groupby("chamber").agg(y=("fresh_g", "mean"), s=("schedule", "first"))
    names = ["usual", "sparse", "banded"]
    by_pair = stats.tukey_hsd(*(runs.loc[runs["s"] == n, "y"] for n in names)).pvalue
    result = tk.analyse(trial, data)
    assert len(result.ratios) == 2
    for row in result.ratios.to_dict("records"):
        i, j = names.index(str(row["level"])), names.index(str(row["reference"]))
        assert _p_equal(result, row) == pytest.approx(by_pair[i, j], abs=1e-5)
        assert 0.001 < by_pair[i, j] < 0.999
    stranger = {"level": "sparse", "reference": "nothing"}
    assert np.isnan(_p_equal(result, stranger))


def test_with_a_control_the_p_is_dunnetts(tmp_path):
    """Scipy's Dunnett test of the runs of one batch (its integral is drawn: 1e-3)."""
    trial = three_schedules(tmp_path, batches=1, chambers=15)
    data = make_data(trial, effect=0.95, sd_run=25, seed=2)
    runs = data.table.groupby("chamber").agg(y=("fresh_g", "mean"), s=("schedule", "first"))
    groups = {n: runs.loc[runs["s"] == n, "y"] for n in ("sparse", "banded", "usual")}
    wanted = stats.dunnett(
        groups["sparse"], groups["banded"], control=groups["usual"], rng=np.random.default_rng(1)
    ).pvalue
    result = tk.analyse(trial, data)
    rows = {str(r["level"]): r for r in result.ratios.to_dict("records")}
    assert _p_equal(result, rows["sparse"]) == pytest.approx(wanted[0], abs=2e-3)
    assert _p_equal(result, rows["banded"]) == pytest.approx(wanted[1], abs=2e-3)


NOTHING = pd.DataFrame(columns=["factor", "at", "level", "answer"])


def outlook(answer, *, saving_low=np.nan, table_answer=None, by=NOTHING, needed=None):
    table = pd.DataFrame({"level": ["sparse"], "answer": [table_answer or answer]})
    use = pd.DataFrame(
        {"use": ["water_l", "energy_kwh"], "level": ["sparse", "usual"],
         "saving_low_pct": [saving_low, 50.0]}
    )  # fmt: skip
    settle = pd.DataFrame(columns=["repeats", "count"])
    return Outlook(answer, "sparse", table, by, use, settle, needed)


def test_advice_follows_the_answer(tmp_path):
    """A level is put to use only where it is shown to hold; else the usual one is kept."""
    trial = make_trial(tmp_path)
    better = advice(trial, outlook("better"), [])
    assert better[0].startswith("Use sparse")
    assert "usual" in better[0]  # one chamber stays on it
    holds = advice(trial, outlook("no worse", saving_low=5.0), [])
    assert holds[0].startswith("Use sparse if")
    worse = advice(trial, outlook("worse"), [])
    assert worse[0].startswith("Keep usual")
    assert not any("Use sparse" in step for step in worse)
    unsure = advice(trial, outlook("not enough evidence"), [])
    assert not any("Use sparse" in step for step in unsure)
    assert len(unsure) == 2
    # half the mist of a level that holds, or the middle to one that does not: a new trial
    assert len(better) == len(holds) == len(worse) == 2


def test_a_saving_is_spoken_of_only_where_its_limits_show_one(tmp_path):
    trial = make_trial(tmp_path)
    seen, unseen, at_zero, unknown = (
        advice(trial, outlook("no worse", saving_low=low), [])[0]
        for low in (0.1, -3.0, 0.0, np.nan)
    )
    assert seen != unseen
    assert unseen == at_zero == unknown


def test_a_stop_says_what_to_do_first_and_nothing_else(tmp_path):
    trial = make_trial(tmp_path)
    stops = [Finding("a", "stop", "logs end early", "read them again"),
             Finding("b", "stop", "no plan")]  # fmt: skip
    steps = advice(trial, outlook("better"), stops)
    assert len(steps) == 2
    assert "read them again" in steps[0]
    assert "no plan" in steps[1]
    assert not any("sparse" in step for step in steps)


def test_advice_by_level_keeps_the_usual_where_it_is_open_or_lost(tmp_path):
    trial = make_trial(tmp_path)
    kinds = {"dim": "better", "bright": "worse", "red": "no worse", "blue": "not enough evidence"}
    by = pd.DataFrame(
        {"factor": "light", "at": [*kinds], "level": "sparse", "answer": [*kinds.values()]}
    )
    other = by.assign(level="banded", answer="better")
    both = pd.concat([other, by], ignore_index=True)
    steps = advice(trial, outlook("depends", by=both), [])
    assert len(steps) == 4
    said = dict(zip(kinds, steps, strict=True))
    assert all(light in step for light, step in said.items())
    assert "use sparse" in said["dim"]
    assert "use sparse if" in said["red"]
    assert "keep usual" in said["bright"]
    assert "keep usual" in said["blue"]
    assert said["bright"].replace("right", "") != said["blue"]
    assert len(advice(trial, outlook("better", by=by), [])) == 1  # no new setting then
    batches = by.assign(factor="batch")
    (only,) = advice(trial, outlook("depends", by=batches), [])
    assert "usual" in only


def test_each_answer_is_said_with_the_chance_that_belongs_to_it():
    """Better: the p of no difference; no worse: the p at the margin; else no chance at all."""
    from trialkit.decision.sentences import chance_words, level_sentence

    def str_sentence(*given, **options):
        return str(level_sentence(*given, **options))

    from trialkit.columns.response import response_of

    row = {"level": "sparse", "reference": "usual", "ratio": 1.1, "low": 0.95, "high": 1.3,
           "p": 0.012, "p_equal": 0.31, "margin_ratio": 0.9, "note": ""}  # fmt: skip
    at_margin, equal = str(chance_words(0.012)), str(chance_words(0.31))
    wanted = {"better": (False, True), "no worse": (True, False), "worse": (False, False),
              "not enough evidence": (False, False)}  # fmt: skip
    said = {}
    for answer in wanted:
        said[answer] = str_sentence(
            row | {"answer": answer}, response_of("fresh_g", {}), margin_pct=10.0, level=0.95,
            joint=False,
        )  # fmt: skip
        assert (at_margin in said[answer], equal in said[answer]) == wanted[answer]
    assert len(set(said.values())) == 4
    # a level that holds, though its limits show a small loss, is said to be lower
    poorer = row | {"answer": "no worse", "low": 0.93, "high": 0.98}
    options = {"margin_pct": 10.0, "level": 0.95, "joint": False}
    lower = str_sentence(poorer, response_of("fresh_g", {}), **options)
    level = str_sentence(poorer | {"high": 1.02}, response_of("fresh_g", {}), **options)
    assert "lower" in lower
    assert "lower" not in level
