"""What a verdict says of a level, a look and a loss, and what the prices advise, at the borders."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from trialkit.columns.response import Response
from trialkit.decision import measures
from trialkit.decision.decide import _choose
from trialkit.decision.depending_levels import sound_chance
from trialkit.decision.depends import _Family, _fit_with_batches, _margin
from trialkit.decision.doubts import early_look, far_apart, is_lost_with_the_block
from trialkit.decision.harvest_ahead import Ahead
from trialkit.decision.look_words import LookWords, _decimals, look_words
from trialkit.decision.money import _around, _single_levels, gain_note
from trialkit.decision.recommend import recommend
from trialkit.decision.sentences import (
    chance_words,
    change_words,
    is_poorer,
    level_sentence,
    than_words,
)
from trialkit.wording import message

WEIGHT, DAYS = Response("fresh_g", additive=True), Response("days", better="less", kind="time")

# ------------------------------------------------------------------ a level


@pytest.mark.parametrize(
    ("ratio", "decimals", "key", "percent"),
    [
        (1.004, 0, "same", None), (1.0051, 0, "up", 0.51), (0.996, 0, "same", None),
        (0.9949, 0, "down", 0.51), (1.004, 1, "up", 0.4), (0.0, 0, "down", 100.0),
        (-0.3, 0, "down", 100.0), (math.inf, 0, "open", None), (2.5, 0, "up", 150.0),
    ],
)  # fmt: skip
def test_a_ratio_as_a_change(ratio: float, decimals: int, key: str, percent: float | None) -> None:
    for kind in ("amount", "time"):
        said = change_words(ratio, kind, decimals=decimals)  # type: ignore[arg-type]
        assert said.key == f"change.{kind}.{key}"
        if percent is not None:
            assert float(said.values["percent"].value) == pytest.approx(percent)


def test_a_level_that_gave_the_same_is_not_said_to_give_more_than_another() -> None:
    for ratio, form in ((1.001, "same"), (1.2, "other")):
        said = than_words({"ratio": ratio, "reference": "a"}, WEIGHT)
        assert said.key == f"than.amount.{form}"


@pytest.mark.parametrize(
    ("low", "high", "response", "poorer"),
    [
        (0.8, 0.999, WEIGHT, True), (0.8, 1.0, WEIGHT, False), (1.1, 1.2, WEIGHT, False),
        (1.001, 1.2, DAYS, True), (1.0, 1.2, DAYS, False), (0.8, 0.9, DAYS, False),
    ],
)  # fmt: skip
def test_limits_that_show_a_loss(low: float, high: float, response: Response, poorer: bool) -> None:
    assert is_poorer({"low": low, "high": high}, response) is poorer


@pytest.mark.parametrize(
    ("p", "key"),
    [
        (0.0, "few"), (0.00099, "few"), (0.001, "thousand"), (0.0094, "thousand"),
        (0.0095, "hundred"), (0.5, "hundred"),
    ],
)  # fmt: skip
def test_chances_in_whole_numbers(p: float, key: str) -> None:
    said = chance_words(p)
    assert said is not None
    assert said.key == f"chance_in.{key}"
    if key != "few":
        times = {"thousand": 1000, "hundred": 100}[key] * p
        assert float(said.values["times"].value) == pytest.approx(times)


def test_no_chance_is_said_where_there_is_none() -> None:
    assert chance_words(math.nan) is None
    assert chance_words(math.inf) is None


def row(answer: str, low: float, high: float, ratio: float = 1.0, **more: Any) -> dict[str, Any]:
    given = {
        "level": "b", "reference": "a", "answer": answer, "ratio": ratio, "low": low,
        "high": high, "margin_ratio": 0.9, "p": 0.01, "p_equal": 0.02, "note": "why",
    }  # fmt: skip
    return given | more


@pytest.mark.parametrize(
    ("given", "keys"),
    [
        (row("better", 1.1, 1.3), ["better.amount", "if_equal"]),
        (row("no worse", 0.95, 1.3), ["no_worse.amount", "if_at_margin.amount"]),
        (row("no worse", 0.92, 0.98), ["no_worse.amount", "if_at_margin.amount", "poorer.amount"]),
        (row("no worse", 0.92, 1.1, p=math.nan), ["no_worse.amount"]),
        (row("worse", 0.5, 0.8), ["worse.amount"]),
        (row("not enough evidence", 0.8, 1.1), ["not_enough_evidence.amount"]),
        (row("not enough evidence", 0.8, 0.98), ["loss_of_open_size.amount"]),
        (row("better", 1.1, 1.3, ratio=math.nan), ["no_ratio"]),
        (row("better", 1.1, 1.3, ratio=math.inf), ["no_ratio"]),
    ],
)  # fmt: skip
def test_what_is_said_of_a_level(given: dict[str, Any], keys: list[str]) -> None:
    said = level_sentence(given, WEIGHT, margin_pct=10, level=0.95, joint=False)
    assert [m.key for m in said.parts] == [f"verdict.{key}" for key in keys]


def test_the_chance_of_each_answer_is_its_own() -> None:
    """Better: if the two were equal; no worse: if the loss were the margin."""
    for answer, p in (("better", 0.02), ("no worse", 0.01)):
        said = level_sentence(row(answer, 0.95, 1.3), WEIGHT, margin_pct=10, level=0.95, joint=True)
        assert float(said.parts[1].values["chance"].values["times"].value) == pytest.approx(100 * p)
        assert said.parts[0].values["limits"].key == "said_limits.joint"


# ------------------------------------------------------------------ a look


def look(**change: Any) -> Any:
    given = {"number": 1, "of": 3, "batches": ["1", "2"], "total": 6, "level": 0.99, "alpha": 0.025,
             "spent": 0.002, "later": (), "is_last": False, "following": 4}  # fmt: skip
    return SimpleNamespace(**(given | change))


@pytest.mark.parametrize(
    ("answer", "answers", "step", "go_on"),
    [
        ("better", ["better", "not enough evidence"], "may_end", False),
        ("no worse", ["no worse"], "may_end", False),
        ("worse", ["worse", "no worse"], "may_end", False),
        ("worse", ["worse", "not enough evidence"], "go_on", False),
        ("not enough evidence", ["not enough evidence"], "go_on", True),
        ("depends", ["depends"], "go_on", False),
    ],
)  # fmt: skip
def test_whether_a_trial_may_end_at_a_look(
    answer: str, answers: list[str], step: str, go_on: bool
) -> None:
    said = look_words(look(), answer, answers)
    assert [m.key for m in said.steps] == [f"step.look.{step}"]
    assert said.go_on is go_on
    other = (message("step.keep"),)
    assert len(said.before(other)) == (1 if go_on else 2)


def test_the_last_look_ends_a_trial_and_none_says_nothing() -> None:
    assert look_words(None, "better", []) == LookWords()
    assert look_words(look(), "blocked", []) == LookWords()
    for change, key in (
        ({"of": 1}, "only"), ({"level": 0.95}, "end_plain"), ({"level": 0.96}, "end"),
    ):  # fmt: skip
        said = look_words(look(is_last=True, **change), "better", ["better"])
        assert said.steps == ()
        assert said.said.parts[0].key == f"look.{key}"  # type: ignore[attr-defined]
    assert look_words(look(), "better", []).said.parts[0].key == "look.on_the_way"  # type: ignore[attr-defined]


def test_what_a_look_has_spent_in_two_digits() -> None:
    """0.2 % of 2.5 % by 2 of 6 batches; one that has come in since waits."""
    first = look_words(look(later=("3",)), "better", ["better"]).said
    values = first.parts[0].values  # type: ignore[attr-defined]
    assert float(values["spent"].value) == pytest.approx(0.2)
    assert float(values["whole"].value) == pytest.approx(2.5)
    assert float(values["plain"].value) == pytest.approx(95.0)
    assert (values["done"], values["total"]) == (2, 6)
    assert first.parts[1].values["batches"] == ["3"]  # type: ignore[attr-defined]
    assert [_decimals(s) for s in (0.05, 0.01, 0.0099, 0.001, 0.00099, 1e-12)] == [1, 1, 2, 2, 3, 8]


# ------------------------------------------------------------------ losses and early looks


@pytest.mark.parametrize(
    ("lost", "blocks", "apart"),
    [
        ((10, 4), (100, 100), True), ((10, 5), (100, 100), False), ((10, 6), (100, 100), False),
        ((3, 0), (24, 24), True), ((2, 0), (24, 24), False), ((60, 0), (1000, 1000), True),
        ((50, 0), (1000, 1000), False), ((51, 0), (1000, 1000), True), ((0, 0), (50, 50), False),
    ],
)  # fmt: skip
def test_when_losses_are_worth_a_word(lost: tuple, blocks: tuple, apart: bool) -> None:
    """Five points, and 1.64 errors: of 3 and 0 of 24 √(q (1 − q) 2/24) with q 3/48 is 7 points.

    10 and 4 of 100 lie 6 points apart, 1.64 errors are 5.9; 10 and 5 lie 5 apart and no more.
    """
    assert far_apart(lost, blocks) is apart


def test_only_what_a_lost_block_has_none_of_counts_as_lost() -> None:
    trial: Any = SimpleNamespace(harvest_columns={})
    assert is_lost_with_the_block(trial, "fresh_g")
    assert not is_lost_with_the_block(trial, "days")


def test_a_look_before_the_end_says_what_it_costs() -> None:
    """Armitage and others: 8.3 % with two looks, 14.2 % with five (from memory)."""
    batches: Any = SimpleNamespace(to_come=["2"], planned=2)

    def told(clear: tuple[str, ...], next_look: tuple[int, int] | None) -> Any:
        ahead = Ahead(3, 8, message("doubt.parts.batch"), batches, next_look, clear)
        [found] = early_look(None, None, ahead)  # type: ignore[arg-type]
        return found

    values = told(("b",), (2, 4)).values
    assert (values["few"], values["many"], values["missing"], values["parts"]) == (8.3, 14.2, 3, 8)
    assert [m.key for m in values["now"].parts] == ["doubt.now.clear", "doubt.next_look"]
    assert [m.key for m in told((), None).values["now"].parts] == ["doubt.now.open"]


# ------------------------------------------------------------------ dependence


def test_a_failed_test_finds_nothing() -> None:
    assert sound_chance({"F": 3.0, "den_df": 5.0, "p": 0.04}) == 0.04
    assert sound_chance({"F": 0.0, "den_df": 5.0, "p": 1.0}) == 1.0
    for wrong in ({"F": -0.1}, {"F": math.nan}, {"den_df": 0.0}, {"den_df": math.nan}):
        assert math.isnan(sound_chance({"F": 3.0, "den_df": 5.0, "p": 0.04} | wrong))


@pytest.mark.parametrize(
    "change",
    [
        {"rows": slice(0, 7)},  # one level lacks in the last batch
        {"levels": {}}, {"applied_to": ("batch",)}, {"residual_by": "m"}, {"rows": slice(0, 4)},
    ],
)  # fmt: skip
def test_batches_are_not_asked_where_they_cannot_tell(change: dict[str, Any]) -> None:
    """Each level in each of two batches at least, within the batch, with one variance."""
    table = pd.DataFrame({"batch": [1] * 4 + [2] * 4, "m": pd.Categorical(list("aabbaaab"))})
    spec = SimpleNamespace(residual_by=change.get("residual_by"))
    fit = SimpleNamespace(spec=spec, table=table.iloc[change.get("rows", slice(0, 8))])
    given: Any = SimpleNamespace(
        primary=SimpleNamespace(name="m", applied_to=change.get("applied_to", ("chamber",))),
        levels=change.get("levels", {"batch": [1, 2]}),
    )
    assert _fit_with_batches(given, SimpleNamespace(fit=fit)) is None  # type: ignore[arg-type]


def test_the_margin_of_more_and_of_less() -> None:
    trial: Any = SimpleNamespace(question=SimpleNamespace(margin_pct=12.0))
    assert _margin(trial, "more") == pytest.approx(0.88)
    assert _margin(trial, "less") == pytest.approx(1.12)


def test_one_comparison_is_that_of_t_and_two_are_those_of_dunnett() -> None:
    """Alone: the level asked for. Two with correlation 1/2 and 20 df: 2.38 for 95 % (tables)."""
    one = _Family(np.eye(1), 12.0)
    assert one.single_level(0.95) == pytest.approx(0.95, abs=1e-4)
    two = _Family(np.array([[1.0, 0.5], [0.5, 1.0]]), 20.0)
    wanted = 2 * stats.t.cdf(2.38, 20) - 1
    assert two.single_level(0.95) == pytest.approx(wanted, abs=5e-4)
    assert _Family(np.eye(1), math.nan).single_level(0.95) == 0.95
    assert _Family(np.eye(1), 0.0).single_level(0.95) == 0.95


def test_a_chance_allows_for_all_families() -> None:
    """Two-sided 2p of one comparison; of three families 1 − (1 − 2p)³, and half of it."""
    one = _Family(np.eye(1), 12.0)
    for p in (0.001, 0.02, 0.2):
        want = max(p, (1 - (1 - 2 * p) ** 3) / 2)
        assert one.chance(p, 12.0, 3) == pytest.approx(want, rel=1e-3)
        assert one.chance(p, 12.0, 1) == pytest.approx(p, rel=1e-3)
    assert one.chance(0.5, 12.0, 3) == 0.5
    assert one.chance(0.7, 12.0, 3) == 0.7
    assert one.chance(0.0, 12.0, 3) == 0.0
    assert one.chance(0.02, 0.0, 3) == 0.02
    assert math.isnan(one.chance(math.nan, 12.0, 3))


# ------------------------------------------------------------------ prices


def money(**gains: tuple[float, float, float]) -> Any:
    rows = [
        {"level": k, "gain": g[0], "gain_low": g[1], "gain_high": g[2]} for k, g in gains.items()
    ]
    rows.append(dict.fromkeys(("gain", "gain_low", "gain_high"), math.nan) | {"level": "a"})
    return SimpleNamespace(table=pd.DataFrame(rows), counted=("mushrooms",), currency="EUR")


@pytest.mark.parametrize(
    ("answers", "gains", "level", "parts", "form"),
    [
        ({"b": "better"}, {"b": (5, 1, 9)}, "b", False, "use"),
        ({"b": "better"}, {"b": (5, 0, 9)}, "b", False, "use_likely"),
        ({"b": "no worse"}, {"b": (-5, -9, -1)}, "a", True, "keep"),
        ({"b": "no worse"}, {"b": (-5, -9, 0)}, "a", True, "keep_likely"),
        ({"b": "no worse"}, {"b": (0, -9, 9)}, "a", True, "keep_likely"),
        ({"b": "worse"}, {"b": (5, 1, 9)}, "b", True, "use_against"),
        ({"b": "worse"}, {"b": (5, 0, 9)}, "a", False, None),
        ({"b": "not enough evidence"}, {"b": (5, -1, 9)}, "a", False, None),
        ({"b": "better", "c": "no worse"}, {"b": (5, 1, 9), "c": (6, 1, 9)}, "c", True, "use"),
        ({"b": "better", "c": "worse"}, {"b": (5, 1, 9), "c": (6, -1, 9)}, "b", False, "use"),
    ],
)  # fmt: skip
def test_what_prices_advise(
    answers: dict[str, str], gains: dict[str, tuple], level: str, parts: bool, form: str | None
) -> None:
    """The level worth most of those that may be used; a gain that may be a loss is not enough."""
    trial: Any = SimpleNamespace(primary=SimpleNamespace(reference="a"))
    table = pd.DataFrame({"level": list(answers), "answer": list(answers.values())})
    got = recommend(trial, table, "b", money(**gains))
    assert (got.level, got.basis, got.parts) == (level, "money", parts)
    assert (got.said.key if got.said else None) == (form and f"step.priced.{form}")
    if got.said is not None and form != "keep":
        said = [float(got.said.values[k].value) for k in ("gain", "low", "high")]
        about = got.said.values["level"]
        assert said == pytest.approx(list(gains[about]))


def test_without_prices_the_answer_advises() -> None:
    trial: Any = SimpleNamespace(primary=SimpleNamespace(reference="a"))
    for answer, level in (("better", "b"), ("no worse", "b"), ("worse", "a"), ("depends", "a")):
        table = pd.DataFrame({"level": ["b"], "answer": [answer]})
        for none in (None, money()):
            got = recommend(trial, table, "b", none)
            assert (got.level, got.basis, got.said) == (level, "answer", None)
    table = pd.DataFrame({"level": ["b", "c"], "answer": ["better", "worse"]})
    other = recommend(trial, table, "b", money(c=(-1.0, -2.0, 0.5)))  # no gain of b is known
    assert (other.level, other.basis, other.said) == ("a", "money", None)


def test_means_are_moved_so_that_they_differ_by_the_gains() -> None:
    """Means 10, 14 and gain 2 of b over a: their mean stays 12, so 11 and 13; limits go along."""
    means = pd.DataFrame({"level": ["a", "b"], "estimate": [10.0, 14.0], "low": [9.0, 12.0],
                          "high": [11.0, 16.0]})  # fmt: skip
    got = _around(means, pd.Series({"b": 2.0}))
    assert got["estimate"].tolist() == [11.0, 13.0]
    assert got["low"].tolist() == [10.0, 11.0]
    assert got["high"].tolist() == [12.0, 15.0]


def test_the_single_level_of_joint_limits() -> None:
    """Limits of ± 2.38 errors with 20 df are single ones of 97.3 %."""
    gains = pd.DataFrame({"low": [1 - 2 * 2.38], "high": [1 + 2 * 2.38], "se": [2.0], "df": [20.0]},
                         index=["b"])  # fmt: skip
    assert _single_levels(gains) == {"b": pytest.approx(2 * stats.t.cdf(2.38, 20) - 1)}
    assert gain_note(money(b=(1, 0, 2))) == []
    assert len(gain_note(money(b=(1, 0, 2), c=(1, 0, 2)))) == 1


# ------------------------------------------------------------------ measures


def test_shares_and_days_from_ratios_of_totals(monkeypatch: pytest.MonkeyPatch) -> None:
    """A share is of a hundred and never above; days per kilogram turn into kilograms a day."""
    ratio = pd.DataFrame({
        "level": ["a", "b"], "estimate": [0.5, 0.8], "low": [0.4, 0.6], "high": [0.6, 1.1],
        "change": [np.nan, 1.6], "change_low": [np.nan, 1.25], "change_high": [np.nan, 2.0],
    })  # fmt: skip
    monkeypatch.setattr(measures, "ratio_of_totals", lambda *given, known: ratio)
    runs = pd.DataFrame({"s": 1.0, "s of": 2.0, "days": 20.0, "kg_all": [1.0] * 4})
    share = measures._share(None, runs, "s", {}).set_index("level")  # type: ignore[arg-type]
    assert share.loc["b", ["estimate", "low", "high"]].tolist() == pytest.approx([80, 60, 100])
    change = ["change_pct", "change_low_pct", "change_high_pct"]
    assert share.loc["b", change].tolist() == pytest.approx([60, 25, 100])
    assert share["unit"].tolist() == ["%", "%"]
    day = measures._per_day(None, runs, {}).set_index("level")  # type: ignore[arg-type]
    want = [1 / 0.8, 1 / 1.1, 1 / 0.6]
    assert day.loc["b", ["estimate", "low", "high"]].tolist() == pytest.approx(want)
    assert day.loc["b", change].tolist() == pytest.approx([-37.5, -50.0, -20.0])
    assert share["measure"].tolist() == ["s", "s"]
    few = runs.assign(s=[1.0, 1.0, 1.0, np.nan])
    assert measures._share(None, few, "s", {}).empty  # type: ignore[arg-type]


def test_first_flush_own_weights_and_days_of_runs() -> None:
    """T1 gave 300 of 400 g first; what T2 gave in its second flush nobody knows; T3 was lost.

    Days end with the last harvest; of a lost run those it was given, else its batch's mean.
    """
    table = pd.DataFrame({
        "batch": "1", "chamber": ["T1", "T1", "T2", "T2", "T3"], "unit": [1, 1, 2, 2, 3],
        "flush": [1, 2, 1, 2, 1], "fresh_g": [300.0, 100.0, 200.0, np.nan, np.nan],
        "days": [12.0, 20.0, 14.0, np.nan, np.nan], "grade": [200.0, 50.0, 100.0, np.nan, np.nan],
        "status": ["ok", "ok", "ok", "missing", "contaminated"], "empty": np.nan,
    })  # fmt: skip
    weight = SimpleNamespace(is_weight=True)
    trial: Any = SimpleNamespace(
        levels={"batch": ["1"], "chamber": ["T1"]}, flushes=2,
        harvest_columns={"fresh_g": weight, "grade": weight, "empty": weight},
    )  # fmt: skip
    data: Any = SimpleNamespace(table=table, runs=None)
    got, names = measures._of_runs(trial, data)
    assert names == ["first_flush_share", "share:grade"]
    got = got.set_index("chamber")
    for name, want in (
        ("first_flush_share", [0.3, np.nan, 0.0]), ("first_flush_share of", [0.4, np.nan, 0.0]),
        ("share:grade", [0.25, 0.1, 0.0]), ("share:grade of", [0.4, 0.2, 0.0]),
        ("days", [20.0, 14.0, 17.0]),
    ):  # fmt: skip
        assert got[name].tolist() == pytest.approx(want, nan_ok=True), name
    lost = table.assign(status=["ok", "ok", "ok", "discarded", "contaminated"])
    again = measures._of_runs(trial, SimpleNamespace(table=lost, runs=None))[0]  # type: ignore[arg-type]
    assert again["first_flush_share of"].tolist() == pytest.approx([0.4, 0.2, 0.0])
    trial.flushes = 1
    assert measures._of_runs(trial, data)[1] == ["share:grade"]
    runs = pd.DataFrame({"batch": "1", "chamber": ["T3", "T3"], "window": ["early", "whole"],
                         "window_h": [24.0, 240.0]})  # fmt: skip
    data.runs = runs
    made = measures._of_runs(trial, data)[0].set_index("chamber")
    assert made["days"].tolist() == [20, 14, 10]


# ------------------------------------------------------------------ the level it is about


@pytest.mark.parametrize(
    ("answers", "ratios", "gains", "saved", "chosen"),
    [
        (["no worse", "better"], [1.0, 1.1], {}, {}, 1),
        (["worse", "not enough evidence"], [1.5, 0.5], {}, {}, 1),
        (["depends", "not enough evidence"], [0.5, 1.5], {}, {}, 0),
        (["no worse", "depends"], [0.5, 1.5], {}, {}, 0),
        # with money better and no worse are one, and it decides; an unknown gain ranks last
        (["no worse", "better"], [1.0, 1.1], {"L0": 5.0, "L1": 3.0}, {}, 0),
        (["no worse", "better"], [1.0, 1.1], {"L0": math.nan, "L1": -3.0}, {}, 1),
        (["worse", "no worse"], [1.0, 1.1], {"L0": 9.0, "L1": 3.0}, {}, 1),
        # then water, then the ratio
        (["better", "better"], [1.1, 1.2], {}, {"L0": 20.0, "L1": 10.0}, 0),
        (["better", "better"], [1.1, 1.2], {}, {"L0": 10.0, "L1": 10.0}, 1),
        (["better", "better"], [1.1, 1.2], {"L0": 1.0, "L1": 2.0}, {"L0": 20.0, "L1": 10.0}, 1),
        (["better", "better"], [math.nan, 0.2], {}, {}, 1),
    ],
)  # fmt: skip
def test_the_level_the_answer_is_about(
    answers: list[str], ratios: list[float], gains: dict, saved: dict, chosen: int
) -> None:
    """The best answer, then money, then water, then yield."""
    table = pd.DataFrame({"level": ["L0", "L1"], "answer": answers, "ratio": ratios})
    use = pd.DataFrame({
        "use": ["water_l"] * len(saved) + ["energy_kwh"] * 2, "level": [*saved, "L0", "L1"],
        "saving_pct": [*saved.values(), -9.0, 99.0],
    })  # fmt: skip
    given: Any = None
    if gains:
        given = SimpleNamespace(table=pd.DataFrame({"level": list(gains), "gain": gains.values()}))
    assert _choose(table, use, given, better="more") == chosen
    if not saved:
        assert _choose(table, use.iloc[:0], given, better="more") == chosen


def test_where_less_is_better_the_smaller_ratio_comes_first() -> None:
    table = pd.DataFrame({"level": ["L0", "L1"], "answer": ["better"] * 2, "ratio": [0.8, 0.9]})
    none = pd.DataFrame(columns=["use", "level", "saving_pct"])
    assert _choose(table, none, None, better="less") == 0
    assert _choose(table, none, None, better="more") == 1
    assert _choose(table.assign(ratio=[math.nan, 5.0]), none, None, better="less") == 1
