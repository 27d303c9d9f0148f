"""As planned and as given: what each unit had, what follows from it, and what is said."""

import pandas as pd
import pytest

import trialkit as tk
from tests.bare_plans import write_bare
from tests.lived.garage import EARLY, grow, swapped, write_garage, write_mist
from tests.lived.test_told import entry
from tests.report.wordy_pages import leave_out_pictures
from trialkit.alignment.given_levels import given_levels
from trialkit.pipeline import Pipeline

SWAP = {"on": "2031-03-31T09:00:00", "reason": '"cards mixed up"'}  # B2 begins then


def runs_of(table):
    return table.drop_duplicates(["batch", "chamber"]).set_index(["batch", "chamber"])["schedule"]


def two_tents(plan, batch="B2"):
    """Give a tent of each schedule in a batch: usual, sparse."""
    runs = runs_of(plan.table)[batch]
    return tuple(runs.index[runs == level][0] for level in ("usual", "sparse"))


def given_of(folder, *entries):
    trial = write_garage(folder, happened="".join(entries))
    plan = tk.assign(trial)
    return plan, given_levels(trial, plan.table)


def test_nothing_told_is_nothing_given_otherwise(tmp_path):
    assert given_of(tmp_path)[1] is None
    assert given_of(tmp_path, entry(**SWAP, renamed='"T4"', to='"Window"'))[1] is None


def test_timers_swapped_from_a_date_stay_swapped_in_later_batches(tmp_path):
    plan, given = given_of(tmp_path, entry(**SWAP, swapped='["T1", "T3"]'))
    planned, got = runs_of(plan.table), runs_of(given)
    for batch in ("B1", "B2", "B3"):
        changed = batch != "B1"
        assert got[batch, "T1"] == planned[batch, "T3" if changed else "T1"]
        assert got[batch, "T3"] == planned[batch, "T1" if changed else "T3"]
        assert got[batch, "T2"] == planned[batch, "T2"]
        assert got[batch, "T4"] == planned[batch, "T4"]


def test_two_swaps_undo_each_other(tmp_path):
    swap = entry(**SWAP, swapped='["B2:T1", "B2:T3"]')
    plan, given = given_of(tmp_path, swap, swap)
    assert given["schedule"].tolist() == plan.table["schedule"].tolist()


@pytest.mark.parametrize(
    ("on", "until", "share"),  # B2 lasts ten days, from 31 March, 9:00
    [
        ("2031-03-31T21:00:00", None, 0.95),  # half a day late
        ("2031-03-31T09:00:00", "2031-04-09T12:00:00", 0.9125),
        ("2031-04-02T09:00:00", None, 0.8),
        ("2031-03-31T09:00:00", "2031-04-07T09:00:00", 0.7),
    ],
)
def test_a_level_counts_from_nine_tenths_of_the_time(tmp_path, on, until, share):
    keys = {"on": on, "reason": '"x"', "unit": '"B2:T2"'}
    keys |= {} if until is None else {"until": until}
    plan = tk.assign(write_garage(tmp_path))
    other = {"usual": "sparse", "sparse": "usual"}[runs_of(plan.table)["B2", "T2"]]
    _, given = given_of(tmp_path, entry(**keys, got=f'"{other}"'))
    got = given[(given["batch"] == "B2") & (given["chamber"] == "T2")]["schedule"]
    assert set(got) == ({other} if share >= 0.9 else {None})


def test_a_setting_that_is_no_level_leaves_a_run_without_one(tmp_path):
    told = entry(**SWAP, unit='"B2:T2"', setting="{ on_s = 40, off_s = 100 }")
    plan, given = given_of(tmp_path, told)
    none = given[given["schedule"].isna()]
    assert none["unit"].tolist() == [f"B2-T2-{k}" for k in range(1, 5)]
    late = entry(on="2031-04-10", reason='"x"', unit='"B2:T2"', setting="{ on_s = 4, off_s = 9 }")
    _, given = given_of(tmp_path, late)  # 10 April: 9.6 of its ten days were as planned
    assert given["schedule"].tolist() == plan.table["schedule"].tolist()


def test_a_moved_block_counts_where_it_stood(tmp_path):
    plan, given = given_of(tmp_path, entry(**SWAP, moved='"B2-T1-2"', to='"T3"'))
    row = given.set_index("unit").loc["B2-T1-2"]
    assert (row["chamber"], row["schedule"]) == ("T3", runs_of(plan.table)["B2", "T3"])
    half = entry(on="2031-04-05", reason='"leak"', moved='"B2-T1-2"', to='"T3"')
    _, given = given_of(tmp_path, half)
    row = given.set_index("unit").loc["B2-T1-2"]
    assert (row["chamber"], row["schedule"]) == ("T1", None)


def garage_with_a_swap(folder, connected, *, effect=0.75, told=True):
    """Grow a garage in which two timers of the second batch were swapped."""
    plan = tk.assign(write_garage(folder))
    usual, sparse = two_tents(plan)
    real = swapped(plan.table, "B2", usual, sparse)
    keys = {} if connected is None else {"because_of_harvest": str(connected).lower()}
    text = entry(**SWAP, swapped=f'["B2:{usual}", "B2:{sparse}"]', **keys) if told else ""
    trial = write_garage(folder, happened=text)
    write_bare(plan, folder, now=EARLY)
    grow(folder, real, effect=effect)
    return trial, plan, real


@pytest.mark.parametrize(
    ("connected", "follows"), [(False, "as given"), (True, "as planned"), (None, "as planned")]
)
def test_both_readings_are_those_of_the_levels_written_by_hand(tmp_path, connected, follows):
    """The same harvest under the plan, and under a plan edited by hand into what was given."""
    _, plan, real = garage_with_a_swap(tmp_path, connected)
    result = Pipeline(tmp_path).result
    assert result.follows == follows
    plain = write_garage(tmp_path)
    harvest = tk.read_harvest(plain)
    both = {
        name: tk.analyse(plain, tk.align(plain, harvest, plan=table)).ratios.iloc[0]
        for name, table in (("as planned", plan.table), ("as given", real))
    }
    rows = result.readings.set_index("reading")
    assert rows["followed"].to_dict() == {
        "as planned": follows == "as planned",
        "as given": follows == "as given",
    }
    for name, own in both.items():
        for column in ("ratio", "low", "high", "p"):
            assert rows.loc[name, column] == pytest.approx(own[column], rel=1e-9)
    assert result.ratios["ratio"].iloc[0] == rows.loc[follows, "ratio"]


def test_where_the_readings_disagree_that_is_the_headline(tmp_path, monkeypatch):
    leave_out_pictures(monkeypatch)
    garage_with_a_swap(tmp_path, False)
    steps = Pipeline(tmp_path)
    verdict = steps.verdict
    # truth: a quarter less under sparse. As planned a sixth of the runs bear the other's yield.
    answers = verdict.readings.set_index("reading")["answer"].to_dict()
    assert answers == {"as planned": "not enough evidence", "as given": "worse"}
    assert verdict.disagrees
    assert verdict.answer == "worse"
    assert verdict.sentence.startswith("As planned and as given do not give the same answer")
    page = steps.write_report().read_text(encoding="utf-8")
    assert "As planned and as given do not agree" in page
    assert "cards mixed up" in page
    redrawn, told = steps._redrawn
    assert [f.code for f in told] == ["redrawn_as_planned"]
    assert redrawn.p > 0.05  # the test judges as planned, where nothing is shown


def test_where_they_agree_both_stand_side_by_side_and_no_headline_is_made(tmp_path):
    garage_with_a_swap(tmp_path, None, effect=1.0)
    verdict = Pipeline(tmp_path).verdict
    assert verdict.readings["answer"].nunique() == 1
    assert not verdict.disagrees
    assert not verdict.sentence.startswith("As planned")
    assert len(verdict.readings) == 2


def test_the_plan_on_disk_is_not_touched(tmp_path, monkeypatch):
    leave_out_pictures(monkeypatch)
    garage_with_a_swap(tmp_path, False)
    before = {p.name: p.read_bytes() for p in (tmp_path / "plan").iterdir()}
    Pipeline(tmp_path).write_report()
    assert {p.name: p.read_bytes() for p in (tmp_path / "plan").iterdir()} == before


def test_one_connected_slip_among_others_keeps_the_answer_with_the_plan(tmp_path):
    garage_with_a_swap(tmp_path, False)
    text = (tmp_path / "trial.toml").read_text(encoding="utf-8")
    more = entry(on="2031-03-10", reason='"poor"', unit='"B1:T1"', got='"usual"')
    (tmp_path / "trial.toml").write_text(text + more, encoding="utf-8")
    assert Pipeline(tmp_path).result.follows == "as planned"


def test_a_run_given_up_is_not_called_missing_and_is_told(tmp_path):
    for word, severity in (("true", "caution"), ("false", "note")):
        told = entry(on="2031-04-03", reason='"mould"', given_up='"B2:T1"', because_of_harvest=word)
        trial = write_garage(tmp_path, happened=told)
        plan = tk.assign(trial)
        write_bare(plan, tmp_path, now=EARLY)
        left = (plan.table["batch"] != "B2") | (plan.table["chamber"] != "T1")
        grow(tmp_path, plan.table[left])
        steps = Pipeline(tmp_path)
        codes = [f.code for f in steps.findings()]
        assert "units_missing" not in codes
        assert "harvest_missing" not in codes
        (found,) = [f for f in steps.result.findings if f.code == "given_up"]
        assert found.severity == severity
        assert "mould" in found.message


def log_runs(plan, *, swap_from=None, batch="B2"):
    """Give the runs as mist logs show them: two tents swapped in a batch from a day on."""
    usual, sparse = two_tents(plan, batch)
    rows = []
    for row in plan.table.drop_duplicates(["batch", "chamber"]).to_dict("records"):
        mine = row["batch"] == batch and row["chamber"] in (usual, sparse)
        if not mine or swap_from is None:
            rows.append(row)
            continue
        other = {"usual": "sparse", "sparse": "usual"}[row["schedule"]]
        if swap_from > 0:
            rows.append(row | {"until": swap_from})
        rows.append(row | {"schedule": other, "since": swap_from})
    return pd.DataFrame(rows).fillna({"since": 0, "until": 10}), usual, sparse


@pytest.mark.parametrize("day", [None, 0, 4])
def test_check_proposes_what_the_mist_log_shows_and_is_content_once_it_is_told(tmp_path, day):
    trial = write_garage(tmp_path, logs=True)
    plan = tk.assign(trial)
    write_bare(plan, tmp_path, now=EARLY)
    grow(tmp_path, plan.table)
    runs, usual, sparse = log_runs(plan, swap_from=day)
    write_mist(tmp_path, runs)
    steps = Pipeline(tmp_path)
    proposals = steps.data.proposals
    if day is None:
        assert not proposals
        return
    (proposal,) = proposals
    on = "2031-03-31T09:00:00" if day == 0 else "2031-04-04T09:00:00"
    assert f"on      = {on}" in proposal.lines
    assert "looks_swapped" in [f.code for f in steps.findings()]
    assert "schedule_not_delivered" not in [f.code for f in steps.findings()]
    trial = write_garage(tmp_path, logs=True, happened=proposal.lines)  # as it was proposed
    (told,) = trial.happened
    assert {told.units[0]["chamber"], told.units[1]["chamber"]} == {usual, sparse}
    again = Pipeline(tmp_path)
    assert not again.data.proposals
    assert not {"schedule_not_delivered", "looks_swapped"} & {f.code for f in again.findings()}
    assert again.result.follows == "as given"
    rows = again.result.readings.set_index("reading")["runs"]
    assert rows["as given"] == (12 if day == 0 else 10)  # half a batch each is no one level


def test_one_run_that_looks_like_another_level_is_proposed_by_its_name(tmp_path):
    trial = write_garage(tmp_path, logs=True)
    plan = tk.assign(trial)
    write_bare(plan, tmp_path, now=EARLY)
    grow(tmp_path, plan.table)
    runs = plan.table.drop_duplicates(["batch", "chamber"]).reset_index(drop=True)
    at = runs.index[(runs["batch"] == "B2") & (runs["schedule"] == "sparse")][0]
    tent = runs.loc[at, "chamber"]
    runs.loc[at, "schedule"] = "usual"
    write_mist(tmp_path, runs)
    (proposal,) = Pipeline(tmp_path).data.proposals
    assert f"chamber {tent} in batch B2 looks like usual" in proposal.found.message
    assert f'unit    = "B2:{tent}"\ngot     = "usual"' in proposal.lines


def test_without_a_mist_log_humidity_may_tell(tmp_path):
    trial = write_garage(tmp_path, logs=True)
    plan = tk.assign(trial)
    write_bare(plan, tmp_path, now=EARLY)
    grow(tmp_path, plan.table)
    runs = plan.table.drop_duplicates(["batch", "chamber"]).reset_index(drop=True)
    at = runs.index[(runs["batch"] == "B3") & (runs["schedule"] == "usual")][0]
    tent = runs.loc[at, "chamber"]
    runs.loc[at, "schedule"] = "sparse"
    write_mist(tmp_path, runs)
    text = (tmp_path / "trial.toml").read_text(encoding="utf-8")
    only_air = text.replace('[logs.mist]\nfiles = ["logs/mist.csv"]\n', "")
    (tmp_path / "trial.toml").write_text(only_air, encoding="utf-8")
    (proposal,) = Pipeline(tmp_path).data.proposals
    assert proposal.found.message == (
        f"chamber {tent} in batch B3 looks like sparse by its humidity, but usual was planned"
    )
