"""A plan that is dated: what had begun, what stands, and what joins by a draw of its own."""

import datetime as dt
import json

import numpy as np
import pandas as pd
import pytest

import trialkit as tk
from tests.bare_plans import write_bare
from tests.lived.garage import EARLY, EVERY, FIRST, before, grow, write_garage
from tests.lived.test_told import entry
from tests.report.wordy_pages import leave_out_pictures
from trialkit.analysis.plan_draws import draw_plans
from trialkit.analysis.randomisation import randomisation_test
from trialkit.design.layout.draw_record import has_begun
from trialkit.design.layout.parts_redrawn import parts_redrawer
from trialkit.design.plan import continue_plan
from trialkit.errors import PlanError
from trialkit.next_plan import entries_of_runs, next_plan
from trialkit.pipeline import Pipeline

FIVE = ("T1", "T2", "T3", "T4", "T5")
BOUGHT = entry(on="2031-03-20", reason='"bought"', added='"T5"')
LOST = entry(on="2031-04-20", reason='"no spawn"', given_up='"B3"', because_of_harvest="false")


def runs_of(table):
    return table.drop_duplicates(["batch", "chamber"]).set_index(["batch", "chamber"])["schedule"]


def ran(*levels):
    """Tell what each tent got in B1, which ran already."""
    return "".join(
        entry(on="2031-03-03T09:00:00", reason='"ran"', unit=f'"B1:T{k}"', got=f'"{level}"')
        for k, level in enumerate(levels, 1)
    )


def test_plan_json_says_when_it_was_drawn_and_what_had_begun(tmp_path):
    trial = write_garage(tmp_path)
    write_bare(tk.assign(trial), tmp_path, now=before(2))
    record = json.loads((tmp_path / "plan" / "plan.json").read_text(encoding="utf-8"))
    (draw,) = record["draws"]
    assert draw["at"] == "2031-03-30T09:00:00+00:00"
    assert draw["begun"] == ["B1"]
    assert draw["weighed"] == ""
    assert draw["units"] == "all"
    assert tk.read_plan(trial).draws[0].units == tuple(tk.assign(trial).table["unit"])
    assert record["question"]["primary"] == "schedule"
    assert record["question"]["margin_pct"] == 10
    # the same plan written again keeps its date
    write_bare(tk.assign(trial), tmp_path, now=before(3))
    assert tk.read_plan(trial).draws[0].at == before(2)


def test_a_start_without_a_time_counts_from_the_end_of_its_day(tmp_path):
    trial = write_garage(tmp_path)
    text = (tmp_path / "trial.toml").read_text(encoding="utf-8")
    dated = text.replace("start = 2031-03-03T09:00:00", "start = 2031-03-03")
    (tmp_path / "trial.toml").write_text(dated, encoding="utf-8")
    day_only = tk.read_trial(tmp_path)
    noon = dt.datetime(2031, 3, 3, 11, tzinfo=dt.UTC)  # 12 h in Vienna
    assert has_begun(trial, "B1", noon)  # its start says 9 h
    assert not has_begun(day_only, "B1", noon)
    assert has_begun(day_only, "B1", noon + dt.timedelta(days=1))


def test_an_older_plan_without_dates_is_read_and_said_to_be_undated(tmp_path, monkeypatch):
    leave_out_pictures(monkeypatch)
    trial = write_garage(tmp_path)
    write_bare(tk.assign(trial), tmp_path, now=EARLY)
    path = tmp_path / "plan" / "plan.json"
    record = json.loads(path.read_text(encoding="utf-8"))
    del record["draws"], record["question"]
    path.write_text(json.dumps(record), encoding="utf-8")
    grow(tmp_path, tk.read_plan(trial).table)
    steps = Pipeline(tmp_path)
    (found,) = [f for f in steps.findings() if f.code == "draw_undated"]
    assert found.message.startswith("when the plan was drawn is not known")
    assert "When the plan was drawn is not known" in steps.write_report().read_text("utf-8")
    write_bare(tk.assign(trial), tmp_path, now=before(3))  # written again, it is not made up
    assert "draws" not in json.loads(path.read_text(encoding="utf-8"))
    assert tk.read_plan(trial).undated


def test_a_plan_drawn_after_the_harvest_began_is_said_first_everywhere(tmp_path, monkeypatch):
    leave_out_pictures(monkeypatch)
    trial = write_garage(tmp_path)
    first = tk.assign(trial)
    write_bare(first, tmp_path, now=EARLY)
    grow(tmp_path, first.table)
    second = tk.assign(trial, seed=99)
    write_bare(second, tmp_path, keep_old=True, now=before(2))  # B1 was weighed on 11 March
    steps = Pipeline(tmp_path)
    assert "drawn_after_harvest" in [f.code for f in steps.findings()]
    said = "The plan was drawn on 30 Mar 2031, after batch B1 had been harvested"
    assert steps.verdict.sentence.startswith(said)
    page = steps.write_report().read_text("utf-8").replace("\u00a0", " ")
    assert said in page
    assert "Drawn after the harvest began." in page


def test_a_plan_drawn_after_all_had_run_proves_nothing(tmp_path, monkeypatch):
    """No sheet was there yet when it was drawn, but the harvest dates in it are earlier."""
    leave_out_pictures(monkeypatch)
    trial = write_garage(tmp_path)
    plan = tk.assign(trial)
    write_bare(plan, tmp_path, now=dt.datetime(2031, 8, 1, tzinfo=dt.UTC))
    grow(tmp_path, plan.table)
    steps = Pipeline(tmp_path)
    assert steps.plan.asked["before_harvest"]
    page = steps.write_report().read_text("utf-8").replace("\u00a0", " ")
    assert "Fixed before the first harvest" not in page
    assert "no plan here proves that it was written down before the first harvest" in page
    test = randomisation_test(trial, steps.plan, steps.data, draws=99)
    assert test.p == 1
    assert [f.code for f in test.findings] == ["none_randomised"]


def test_the_page_runs_to_the_last_harvest_of_a_batch_without_an_end(tmp_path, monkeypatch):
    """B3 began on 28 April and was picked eight days later; its end is not written yet."""
    leave_out_pictures(monkeypatch)
    trial = write_garage(tmp_path)
    path = tmp_path / "trial.toml"
    end = trial.batches["B3"].end.astimezone(trial.zone)
    text = path.read_text(encoding="utf-8")
    assert f", end = {end:%Y-%m-%dT%H:%M:%S}" in text
    path.write_text(text.replace(f", end = {end:%Y-%m-%dT%H:%M:%S}", ""), encoding="utf-8")
    trial = tk.read_trial(tmp_path)
    plan = tk.assign(trial)
    write_bare(plan, tmp_path, now=EARLY)
    grow(tmp_path, plan.table)
    page = Pipeline(tmp_path).write_report().read_text("utf-8").replace("\u00a0", " ")
    assert "3 Mar 2031 – 6 May 2031" in page


def test_a_batch_that_ran_before_the_draw_is_analysed_as_given_and_not_randomised(
    tmp_path, monkeypatch
):
    leave_out_pictures(monkeypatch)
    trial = write_garage(tmp_path, happened=ran("usual", "usual", "sparse", "sparse"))
    whole = tk.assign(trial)
    write_bare(whole, tmp_path, now=before(2))
    real = whole.table.copy()
    first = real["batch"] == "B1"
    usual = real["chamber"].isin(["T1", "T2"])
    real.loc[first, "schedule"] = np.where(usual[first], "usual", "sparse")
    grow(tmp_path, real)
    steps = Pipeline(tmp_path)
    assert runs_of(steps.data.table)["B1"].tolist() == ["usual", "usual", "sparse", "sparse"]
    assert steps.data.not_randomised == set(real.loc[first, "unit"])
    (found,) = [f for f in steps.result.findings if f.code == "not_randomised"]
    assert found.message.startswith("batch B1 ran before the plan was drawn on 30 Mar 2031")
    assert "not randomised" in steps.verdict.sentence
    assert steps.verdict.answer != "blocked"
    assert "not randomised" in steps.write_report().read_text("utf-8")
    assert steps.result.other is None  # what ran before has one reading alone
    by_hand = tk.analyse(trial, tk.align(trial, steps.harvest, plan=real))
    assert steps.result.ratios["ratio"].iloc[0] == pytest.approx(by_hand.ratios["ratio"].iloc[0])


def test_plan_takes_over_what_is_told_and_draws_the_rest(tmp_path):
    trial = write_garage(tmp_path, happened=ran("usual", "sparse", "sparse", "sparse"))
    plan = continue_plan(trial, now=before(2))
    runs = runs_of(plan.table)
    assert runs["B1"].tolist() == ["usual", "sparse", "sparse", "sparse"]
    assert (runs["B2"] == "usual").sum() == 2
    assert (runs["B3"] == "usual").sum() == 2
    write_bare(plan, tmp_path, now=before(2))
    again = tk.read_plan(trial)
    assert {code.split("-")[0] for code in again.draws[0].units} == {"B2", "B3"}


def test_told_after_the_draw_it_is_taken_over_by_the_next_plan(tmp_path):
    trial = write_garage(tmp_path)
    write_bare(next_plan(trial, now=before(2)), tmp_path, now=before(2))
    old = runs_of(tk.read_plan(trial).table)
    trial = write_garage(tmp_path, happened=ran("sparse", "sparse", "sparse", "usual"))
    plan = next_plan(trial, now=before(2))
    write_bare(plan, tmp_path, now=before(2))
    new = runs_of(tk.read_plan(trial).table)
    assert new["B1"].tolist() == ["sparse", "sparse", "sparse", "usual"]
    assert new["B2"].tolist() == old["B2"].tolist()
    assert new["B3"].tolist() == old["B3"].tolist()


def test_only_runs_that_are_not_told_yet_are_asked_for(tmp_path):
    """One entry a run; a tent that the last draw alone knows may have been added."""
    trial = write_garage(tmp_path)
    write_bare(next_plan(trial, now=before(2)), tmp_path, now=before(2))
    asked = entries_of_runs(tk.read_plan(trial), ["B1"])
    assert [x for x in asked if x.startswith("unit")] == [
        f'unit   = "B1:T{i}"' for i in range(1, 5)
    ]
    told = ran("sparse", "sparse", "sparse", "usual")
    trial = write_garage(tmp_path, happened=told)
    write_bare(next_plan(trial, now=before(2)), tmp_path, now=before(2))
    assert entries_of_runs(tk.read_plan(trial), ["B1"]) == []
    five = ("T1", "T2", "T3", "T4", "T5")
    trial = write_garage(tmp_path, chambers=five, happened=told)
    write_bare(next_plan(trial, now=before(2)), tmp_path, now=before(2))
    asked = entries_of_runs(tk.read_plan(trial), ["B1"])
    assert asked == ["[[happened]]", "on     = …", 'added  = "T5"', 'reason = "…"', ""]
    added = '[[happened]]\non = 2031-03-29\nadded = "T5"\nreason = "bought"\n'
    trial = write_garage(tmp_path, chambers=five, happened=told + added)
    write_bare(next_plan(trial, now=before(2)), tmp_path, now=before(2))
    assert entries_of_runs(tk.read_plan(trial), ["B1"]) == []


def test_a_tent_added_in_the_second_batch_joins_and_old_draws_stand(tmp_path):
    trial = write_garage(tmp_path)
    write_bare(next_plan(trial, now=EARLY), tmp_path, now=EARLY)
    old = runs_of(tk.read_plan(trial).table)
    trial = write_garage(tmp_path, chambers=FIVE, happened=BOUGHT)
    with pytest.raises(PlanError, match="trialkit plan"):
        tk.read_plan(trial)
    plan = next_plan(trial, now=before(2))
    write_bare(plan, tmp_path, now=before(2))
    new = runs_of(tk.read_plan(trial).table)
    assert new[old.index].tolist() == old.tolist()
    assert sorted(set(new.index) - set(old.index)) == [("B2", "T5"), ("B3", "T5")]
    assert len(set(new["B2"][["T5"]]) | set(new["B3"][["T5"]])) == 2  # T5 gets one of each
    first, second = tk.read_plan(trial).draws
    assert len(first.units) == 48
    assert second.begun == ("B1",)
    assert second.units == tuple(f"{b}-T5-{k}" for b in ("B2", "B3") for k in range(1, 5))
    assert not (tmp_path / "plan-old-1").exists()


def test_a_batch_added_later_and_a_batch_lost_leave_the_rest_as_it_was(tmp_path):
    trial = write_garage(tmp_path)
    write_bare(next_plan(trial, now=EARLY), tmp_path, now=EARLY)
    old = runs_of(tk.read_plan(trial).table)
    trial = write_garage(tmp_path, batches=4, happened=LOST)
    plan = next_plan(trial, now=before(3))
    write_bare(plan, tmp_path, now=before(3))
    new = runs_of(tk.read_plan(trial).table)
    assert list(new.index.get_level_values("batch").unique()) == ["B1", "B2", "B4"]
    kept = [key for key in old.index if key[0] != "B3"]
    assert new[kept].tolist() == old[kept].tolist()
    assert (new["B4"] == "usual").sum() == 2
    sheet = pd.read_csv(tmp_path / "plan" / "harvest_sheet.csv")
    assert set(sheet["batch"]) == {"B1", "B2", "B4"}


def test_a_smaller_last_batch_is_drawn_smaller(tmp_path):
    small = entry(on="2031-04-20", reason='"heater"', given_up='"B3:T4"')
    trial = write_garage(tmp_path, happened=small)
    runs = runs_of(continue_plan(trial, now=EARLY).table)
    assert len(runs) == 11
    assert sorted(runs["B3"].value_counts()) == [1, 2]


def test_drawing_again_beside_keeps_what_has_begun(tmp_path):
    trial = write_garage(tmp_path)
    write_bare(next_plan(trial, now=EARLY), tmp_path, now=EARLY)
    old = runs_of(tk.read_plan(trial).table)
    grow(tmp_path, tk.read_plan(trial).table[lambda t: t["batch"] == "B1"])
    seen = set()
    for seed in range(20, 26):
        plan = next_plan(trial, seed=seed, beside=True, weighed=["B1"], now=before(2))
        runs = runs_of(plan.table)
        assert runs["B1"].tolist() == old["B1"].tolist()
        seen.add(tuple(runs))
    assert len(seen) > 1  # the rest is drawn by chance
    write_bare(plan, tmp_path, keep_old=True, now=before(2))
    steps = Pipeline(tmp_path)
    assert not steps.data.not_randomised  # B1 keeps its draw of before it began


@pytest.mark.slow
def test_what_joins_is_as_likely_to_get_each_level_and_balanced_in_its_batch(tmp_path):
    """Of 200 draws of two tents in two batches, each is usual in about half: 100 ± 3.3 × 7.1."""
    old = continue_plan(write_garage(tmp_path), now=EARLY)
    told = BOUGHT + BOUGHT.replace("T5", "T6")
    trial = write_garage(tmp_path, chambers=(*FIVE, "T6"), happened=told)
    usual = {(b, t): 0 for b in ("B2", "B3") for t in ("T5", "T6")}
    for seed in range(200):
        runs = runs_of(continue_plan(trial, old, now=before(2), seed=seed).table)
        for batch in ("B2", "B3"):
            assert (runs[batch] == "usual").sum() == 3
        for key in usual:
            usual[key] += runs[key] == "usual"
    for key, count in usual.items():
        assert abs(count - 100) < 24, key


def test_a_plan_in_parts_is_drawn_again_in_the_same_parts(tmp_path):
    trial = write_garage(tmp_path)
    first = continue_plan(trial, now=EARLY)
    write_bare(first, tmp_path, now=EARLY)
    trial = write_garage(tmp_path, chambers=FIVE, happened=BOUGHT)
    write_bare(next_plan(trial, now=before(2)), tmp_path, now=before(2))
    plan = tk.read_plan(trial)
    rng = np.random.default_rng(5)
    redraw = parts_redrawer(plan)
    for _ in range(50):
        drawn = redraw(rng)["schedule"]
        assert set(drawn) == set(runs_of(plan.table).index)
        for batch in ("B1", "B2", "B3"):
            old = [level for (b, t), level in drawn.items() if b == batch and t != "T5"]
            assert sorted(old) == ["sparse", "sparse", "usual", "usual"]
        assert {drawn["B2", "T5"], drawn["B3", "T5"]} == {"usual", "sparse"}


def test_what_was_not_drawn_stays_when_the_plan_is_drawn_again(tmp_path):
    trial = write_garage(tmp_path, happened=ran("usual", "usual", "sparse", "sparse"))
    plan = continue_plan(trial, now=before(2))
    write_bare(plan, tmp_path, now=before(2))
    plan = tk.read_plan(trial)
    codes = draw_plans(trial, trial.primary, 40, seed=2, plan=plan)
    assert (codes[:, :4] == [0, 0, 1, 1]).all()
    assert len(np.unique(codes[:, 4:], axis=0)) > 5


@pytest.mark.slow
def test_the_randomisation_test_of_a_plan_in_parts_keeps_its_level(tmp_path):
    """Without any effect, p ≤ 0.1 comes in at most a tenth of trials: 200 trials, 99 draws."""
    trial = write_garage(tmp_path, chambers=FIVE, happened=BOUGHT)
    (tmp_path / "four").mkdir()
    small = write_garage(tmp_path / "four")
    rng, hits = np.random.default_rng(3), 0
    for seed in range(200):
        plan = continue_plan(trial, tk.assign(small, seed=seed), now=before(2), seed=seed)
        table = plan.table.assign(flush=1, status="ok")
        runs = table[["batch", "chamber"]].agg("-".join, axis=1)
        luck = {run: rng.normal(0, 12) for run in runs.unique()}
        table["fresh_g"] = 500 + runs.map(luck) + rng.normal(0, 20, len(table))
        hits += randomisation_test(trial, plan, table, draws=99, seed=seed).p <= 0.1
    assert hits <= 20 + 3 * np.sqrt(200 * 0.1 * 0.9)


def test_power_counts_what_remains(tmp_path):
    """A third batch that never began: the chance is that of a trial of two, whole."""
    whole = write_garage(tmp_path, batches=2)
    two = tk.power(whole, method="simulation", trials=2000).table.set_index("question")
    lost = write_garage(tmp_path, batches=3, happened=LOST)
    found = tk.power(lost, trials=2000)
    left = found.table.set_index("question")
    assert left["n_units"].tolist() == two["n_units"].tolist()
    assert left["error_df"].tolist() == pytest.approx(two["error_df"].tolist(), abs=0.2)
    error = 3 * np.hypot(left["mc_se"], two["mc_se"])
    assert (abs(left["power"] - two["power"]) < error + 0.02).all()
    assert any("never began" in note for note in found.notes)
    assert left["detectable_pct"].isna().all()


def test_first_and_every_are_the_dates_of_the_garage():
    assert before(2) == (FIRST + EVERY - dt.timedelta(days=1)).replace(tzinfo=dt.UTC)
