"""Answers of many trials: pooled as the reference says, and each one's part by brute force."""

import dataclasses
import json
import math
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from trialkit.decision.next_trial_limits import next_trial_limits
from trialkit.decision.pooling import combine_estimates
from trialkit.errors import ModelError
from trialkit.federation import influence
from trialkit.federation.answer import COUNTS, TrialAnswer
from trialkit.federation.influence import leave_one_out
from trialkit.federation.pool import pool_answers, separate_twins
from trialkit.federation.views import quarter, views_of

REFERENCES = json.loads((Path(__file__).parents[1] / "decision/pooling_values.json").read_text())


def answer(i, estimate, se, **changes):
    base = TrialAnswer(
        title=f"T{i}", species="oyster", begun="2031-01", response="fresh_g", unit="g",
        better="more", level="sparse", control="usual", estimate=estimate, se=se, df=9.0,
        method="t", counts=dict.fromkeys(COUNTS, 8) | {"weights": 96},
        fingerprint=f"{i:064x}", source=f"t{i}.json",
    )  # fmt: skip
    return dataclasses.replace(base, **changes)


def answers(estimates, se=0.04, **changes):
    each = np.broadcast_to(se, len(estimates))
    return [
        answer(i, float(y), float(s), **changes)
        for i, (y, s) in enumerate(zip(estimates, each, strict=True))
    ]


UNLIKE = [c for c in REFERENCES["pooling"] if len(set(c["yi"])) == len(c["yi"])]


@pytest.mark.parametrize("case", UNLIKE, ids=lambda case: case["id"])
def test_the_pooled_ratio_is_that_of_the_reference(case):
    """R 4.2.2, metafor, rma(method="REML", test="adhoc"): pooling_values.json."""
    got = pool_answers(answers(case["yi"], np.sqrt(case["vi"])))
    for name, ratio in (("estimate", "ratio"), ("low", "low"), ("high", "high")):
        assert math.log(got.ratios[ratio]) == pytest.approx(case[name], abs=1e-6), name
    assert got.between_sd == pytest.approx(math.sqrt(case["tau2"]), abs=1e-5)


def test_one_trials_limits_are_students():
    """By scipy: exp(estimate ± t(9) se)."""
    row = pool_answers(answers([0.02, -0.05])).table.iloc[1]
    low, high = np.exp(stats.t.interval(0.95, 9, loc=-0.05, scale=0.04))
    assert (row["low"], row["high"]) == (pytest.approx(low), pytest.approx(high))


def test_what_each_trial_does_is_what_pooling_without_it_gives():
    """Brute force: combine the others by hand, for every trial."""
    y = np.array([0.01, 0.05, -0.03, 0.02, 0.4])
    se = np.array([0.03, 0.04, 0.05, 0.02, 0.04])
    table = pool_answers(answers(y, se)).table
    for i in range(5):
        rest = combine_estimates(np.delete(y, i), np.delete(se**2, i))
        row = table.iloc[i]
        for name, value in (("without", rest.estimate), ("without_low", rest.low),
                            ("without_high", rest.high)):  # fmt: skip
            assert math.log(row[name]) == pytest.approx(value, abs=1e-10)
        t = (y[i] - rest.estimate) / math.sqrt(se[i] ** 2 + rest.between + rest.se**2)
        assert row["odd_t"] == pytest.approx(t)
        assert row["odd_p"] == pytest.approx(min(1, 5 * 2 * stats.t.sf(abs(t), 3)))
    whole = combine_estimates(y, se**2).estimate
    last = combine_estimates(y[:4], se[:4] ** 2)
    assert table["moves_se"].iloc[4] == pytest.approx((whole - last.estimate) / last.se)


def test_of_very_many_trials_the_sums_without_each_are_those_of_all_but_it(monkeypatch):
    """Downdated sums against sums over the others; the variance between trials is that of all."""
    rng = np.random.default_rng(2)
    y, v = rng.normal(0, 0.1, 40), rng.uniform(0.001, 0.01, 40)
    monkeypatch.setattr(influence, "REFIT_UP_TO", 10)
    got, between = leave_one_out(y, v), combine_estimates(y, v).between
    for i in (0, 7, 39):
        w, left = np.delete(1 / (v + between), i), np.delete(y, i)
        centre = w @ left / w.sum()
        scale = max(1.0, w @ (left - centre) ** 2 / 38)
        half = stats.t.ppf(0.975, 38) * math.sqrt(scale / w.sum())
        assert got.estimate[i] == pytest.approx(centre, abs=1e-12)
        assert got.high[i] - got.estimate[i] == pytest.approx(half, rel=1e-9)


def test_a_made_up_answer_far_off_is_named_and_one_near_the_others_is_not():
    honest = np.random.default_rng(4).normal(-0.02, 0.04, 12)
    far = pool_answers(answers([*honest, 0.6]))
    assert far.table["odd_p"].idxmin() == 12
    told = [f for f in far.findings if f.code == "answer_odd"]
    assert [f.values["trial"] for f in told] == ["T12 (t12.json)"]
    near = pool_answers(answers([*honest, 0.05]))
    assert "answer_odd" not in {f.code for f in near.findings}


def test_the_answer_follows_the_limits_and_the_margin():
    """By the definition: 0.9 on the logarithm is -0.105; limits of 30 like trials of se 0.02."""
    rng = np.random.default_rng(1)
    noise = rng.normal(0, 0.02, 30)
    noise -= noise.mean()
    for mean, wanted in ((0.1, "better"), (-0.05, "no worse"), (-0.3, "worse")):
        assert pool_answers(answers(mean + noise, 0.02)).answer == wanted
    assert pool_answers(answers([0.2, -0.3])).answer == "not enough evidence"
    days = pool_answers(answers(0.1 + noise, 0.02, response="days", better="less"), margin_pct=5)
    assert days.answer == "worse"  # 10 % more days, where 5 % are accepted
    assert pool_answers(answers(-0.1 + noise, 0.02, better="less")).answer == "better"


def test_limits_for_the_next_room_are_no_narrower_than_those_of_the_mean():
    y = [0.01, 0.03, -0.02, 0.02]
    got = pool_answers(answers(y))
    low, high = next_trial_limits(y, [0.0016] * 4)
    whole = combine_estimates(y, [0.0016] * 4)
    assert math.log(got.ratios["next_low"]) == pytest.approx(min(low, whole.low))
    assert math.log(got.ratios["next_high"]) == pytest.approx(max(high, whole.high))


def test_the_next_room_is_judged_by_its_own_limits():
    spread = np.tile([-0.2, 0.2], 15) + np.arange(30) / 1e4  # no two alike
    got = pool_answers(answers(0.1 + spread, 0.02))
    assert (got.answer, got.next_answer) == ("better", "not enough evidence")
    assert "still possible there" in str(got.said[1])


def test_one_harvest_counts_once_and_two_stories_of_it_not_at_all():
    one, two, three = answers([0.01, 0.02, 0.03])
    copy = dataclasses.replace(one, title="again", source="copy.json")
    kept, aside = separate_twins([one, two, copy])
    assert kept == [one, two]
    assert aside == [(copy, "t0.json")]
    changed = dataclasses.replace(one, estimate=0.5, source="changed.json")
    kept, aside = separate_twins([one, two, changed, three])
    assert kept == [two, three]
    assert {a.source for a, _ in aside} == {"t0.json", "changed.json"}
    renamed = dataclasses.replace(one, fingerprint="f" * 64, source="renamed.json")
    assert separate_twins([one, two, renamed])[0] == [one, two]  # the numbers give it away
    with pytest.raises(ModelError, match="rests on the same harvest"):
        pool_answers([one, two, copy])


@pytest.mark.parametrize(
    ("name", "value", "says"),
    [
        ("response", "dry_g", "differ in their response"), ("unit", "kg", "differ in their unit"),
        ("level", "banded", "differ in their level"), ("control", "old", "differ in their control"),
        ("better", "less", "differ in their direction"),
    ],
)  # fmt: skip
def test_other_questions_are_not_pooled(name, value, says):
    one, two = answers([0.01, 0.02])
    with pytest.raises(ModelError, match=says):
        pool_answers([one, dataclasses.replace(two, **{name: value})])
    with pytest.raises(ModelError, match="at least two"):
        pool_answers([one])


def test_trials_of_one_title_are_told_apart():
    """A question that is repeated keeps its title; the folder says which trial it is."""
    given = [
        dataclasses.replace(one, title=title, source=f"year{i}")
        for i, (one, title) in enumerate(
            zip(answers([0, 0.1, 0.2]), ("Less mist?", "Less mist?", "Other"), strict=True)
        )
    ]
    got = pool_answers(given, margin_pct=10, level=0.95)
    assert got.table["trial"].tolist() == ["year0: Less mist?", "year1: Less mist?", "Other"]


def test_trials_whose_answer_depends_on_something_are_named():
    """An average over the light is pooled with others only beside that word."""
    some = answers([0.0, 0.01, 0.02])
    some[1] = dataclasses.replace(some[1], depends_on="light")
    (told,) = [f for f in pool_answers(some).findings if f.code == "answer_depends"]
    assert told.severity == "caution"
    assert "1 of 3 trials" in told.message
    assert "T1 (t1.json): light" in told.message
    some[1] = dataclasses.replace(some[1], depends_on="")
    assert "answer_depends" not in [f.code for f in pool_answers(some).findings]


def test_one_name_for_two_settings_is_told():
    one, two, three = answers([0.01, 0.02, 0.0], level_setting={"on_s": 20.0, "off_s": 460.0})
    other = dataclasses.replace(three, level_setting={"on_s": 20.0, "off_s": 900.0})
    assert "answer_settings_differ" not in {f.code for f in pool_answers([one, two]).findings}
    assert "answer_settings_differ" in {f.code for f in pool_answers([one, two, other]).findings}


def test_views_show_groups_and_only_where_trials_differ():
    """Two oyster trials are pooled as two trials are; the shiitake one has its own limits."""
    three = answers([0.0, 0.02, -0.1])
    assert views_of(pool_answers(three)) == {}
    three[2] = dataclasses.replace(three[2], species="shiitake", begun="2031-12")
    seen = views_of(pool_answers(three))
    assert set(seen) == {"species", "season"}
    rows = seen["species"].set_index("group")
    both = combine_estimates([0.0, 0.02], [0.04**2] * 2)
    assert math.log(rows.loc["oyster", "low"]) == pytest.approx(both.low)
    alone = stats.t.interval(0.95, 9, loc=-0.1, scale=0.04)
    assert math.log(rows.loc["shiitake", "high"]) == pytest.approx(alone[1])
    assert [quarter(f"2031-{m:02d}") for m in (1, 3, 4, 12)] == ["01-03", "01-03", "04-06", "10-12"]
