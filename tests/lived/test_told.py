"""What the trial file may tell of slips: every fault at once, each with its place."""

import re

import pytest

import trialkit as tk
from tests.bare_plans import write_bare
from tests.lived.garage import write_garage
from trialkit.errors import TrialFileError


def entry(**keys):
    lines = ["[[happened]]", *(f"{key} = {value}" for key, value in keys.items())]
    return "\n".join(lines) + "\n"


def faults_of(folder, text):
    with pytest.raises(TrialFileError) as caught:
        write_garage(folder, happened=text)
    return [str(fault) for fault in caught.value.faults]


def test_entries_of_every_kind_are_read(tmp_path):
    text = (
        entry(on="2031-03-31", reason='"a slip"', unit='"B2:T3"', got='"sparse"')
        + entry(on="2031-03-31", reason='"cards"', swapped='["T1", "T2"]', until="2031-04-20")
        + entry(on="2031-04-02", reason='"wet"', unit='"B2:T4"', setting="{ on_s = 9, off_s = 90 }")
        + entry(on="2031-03-04", reason='"mould"', given_up='"B1:T1"', because_of_harvest="true")
        + entry(on="2031-03-05", reason='"leak"', moved='"B1-T2-3"', to='"T3"')
        + entry(on="2031-03-05", reason='"sign"', renamed='"T4"', to='"Window"')
        + entry(on="2031-03-20", reason='"bought"', added='"Window"', because_of_harvest="false")
    )
    trial = write_garage(tmp_path, happened=text)
    kinds = [told.kind for told in trial.happened]
    assert kinds == ["got", "swapped", "setting", "given_up", "moved", "renamed", "added"]
    assert [told.connected for told in trial.happened[3:7:3]] == [True, False]
    # Vienna is an hour before UTC until 30 March 2031 and two after (IANA time zone data)
    assert trial.happened[0].on.isoformat() == "2031-03-30T22:00:00+00:00"
    assert trial.happened[6].units == ({"chamber": "T4"},)  # by either name
    # T4 was added after B1 began (3 March) and before B2 did: it was never in B1
    assert trial.never_grown == {f"B1-T4-{k}" for k in range(1, 5)}
    assert set(trial.given_up) == trial.never_grown | {f"B1-T1-{k}" for k in range(1, 5)}
    assert len(trial.grown_units()) == 44


@pytest.mark.parametrize(
    ("text", "what"),
    [
        (entry(on="2031-03-31", reason='"x"'), "does not say what happened"),
        (
            entry(on="2031-03-31", reason='"x"', given_up='"T1"', added='"T2"'),
            "tells given_up and added at once",
        ),
        (entry(on="2031-03-31", reason='" "', given_up='"T1"'), "the reason is empty"),
        (entry(reason='"x"', given_up='"T1"'), "'on' is missing"),
        (entry(on='"yesterday"', reason='"x"', given_up='"T1"'), "should be a date"),
        (entry(on="2031-03-31", reason='"x"', got='"sparse"'), "needs 'unit' beside it"),
        (
            entry(on="2031-03-31", reason='"x"', unit='"B2:T3"', got='"sprase"'),
            "did you mean 'sparse'?",
        ),
        (entry(on="2031-03-31", reason='"x"', unit='"B2:T9"', got='"sparse"'), "no unit is called"),
        (
            entry(on="2031-03-31", reason='"x"', unit='"B2-T3-1"', got='"sparse"'),
            "given to whole batch:chamber units",
        ),
        (
            entry(on="2031-03-31", reason='"x"', swapped='["T1", "B2:T2"]'),
            "two units of one kind are needed",
        ),
        (entry(on="2031-03-31", reason='"x"', moved='"B2:T3"', to='"T4"'), "is not one block"),
        (entry(on="2031-03-31", reason='"x"', moved='"B2-T3-1"', to='"T3"'), "stood already"),
        (entry(on="2031-03-31", reason='"x"', renamed='"T8"', to='"T9"'), "stands in [units]"),
        (entry(on="2031-03-31", reason='"x"', renamed='"T1"', to='"T2"'), "are two units"),
        (
            entry(on="2031-06-30", reason='"x"', unit='"B1:T3"', got='"sparse"'),
            "B1 had ended by then",
        ),
        (entry(on="2021-03-31", reason='"x"', swapped='["T1", "T2"]'), "check the year"),
        (
            entry(on="2031-03-31", until="2031-03-30", reason='"x"', swapped='["T1", "T2"]'),
            "ends before it starts",
        ),
        (
            entry(on="2031-03-31", reason='"x"', unit='"B2:T3"', setting="{ on_s = 9 }"),
            "needs both on_s and off_s",
        ),
        (
            entry(on="2031-03-31", reason='"x"', given_up='"T1"', because_of_harvest='"no"'),
            "should be true or false",
        ),
        (entry(on="2031-03-31", reason='"x"', given_up='"T1"', unit='"T1"'), "says nothing beside"),
        ("[happened]\non = 2031-03-31\n", "each below a line [[happened]]"),
    ],
)
def test_a_fault_is_told_with_its_place_and_its_remedy(tmp_path, text, what):
    (fault,) = faults_of(tmp_path, text)
    assert what in fault
    assert re.search(r"\(line \d+\)", fault)
    assert "→" in fault


def test_all_faults_are_told_at_once_and_counted_from_one(tmp_path):
    text = (
        entry(on="2031-03-31", reason='"x"', unit='"B2:T3"', got='"sprase"')
        + entry(on="2031-03-31", reason='"x"')
        + entry(on="2031-03-31", reason='"x"', given="3")
    )
    faults = faults_of(tmp_path, text)
    assert len(faults) == 3
    lines = (tmp_path / "trial.toml").read_text(encoding="utf-8").splitlines()
    starts = [i for i, line in enumerate(lines, 1) if line == "[[happened]]"]
    assert f"[[happened]] entry 1: got (line {starts[0] + 4})" in faults[0]
    assert f"[[happened]] entry 2 (line {starts[1]})" in faults[1]
    assert "unknown key 'given'" in faults[2]
    assert "entry 3" in faults[2]


def test_two_entries_that_contradict_each_other_are_refused(tmp_path):
    same = {"on": "2031-03-31", "reason": '"x"', "unit": '"B2:T3"'}
    text = entry(**same, got='"sparse"') + entry(**same, got='"usual"')
    (fault,) = faults_of(tmp_path, text)
    assert "entry 1 says 'sparse'" in fault


def test_a_tent_that_was_renamed_is_heard_alike_in_every_log(tmp_path):
    from tests.lived.garage import EARLY, grow, write_mist

    trial = write_garage(tmp_path, logs=True)
    plan = tk.assign(trial)
    write_bare(plan, tmp_path, now=EARLY)
    names = {"T4": "Zelt 4"}
    grow(tmp_path, plan.table, names=names)
    write_mist(tmp_path, plan.table.drop_duplicates(["batch", "chamber"]), names=names)
    before = [tk.read_harvest(trial), tk.read_environment(trial), tk.read_mist(trial)]
    told = entry(on="2031-03-20", reason='"new sign"', renamed='"T4"', to='"Zelt 4"')
    trial = write_garage(tmp_path, logs=True, happened=told)
    after = [tk.read_harvest(trial), tk.read_environment(trial), tk.read_mist(trial)]
    for old, new in zip(before, after, strict=True):
        assert set(old.table["chamber"]) == {"T1", "T2", "T3"}
        assert set(new.table["chamber"]) == {"T1", "T2", "T3", "T4"}
        assert int(new.ledger.summary()["set_aside"].sum()) == 0
    assert len(after[0].table) == 48


def test_a_plan_stands_when_the_new_name_is_written_into_the_units(tmp_path):
    from tests.lived.garage import EARLY

    trial = write_garage(tmp_path)
    plan = tk.assign(trial)
    write_bare(plan, tmp_path, now=EARLY)
    told = entry(on="2031-03-20", reason='"new sign"', renamed='"T4"', to='"Window"')
    trial = write_garage(tmp_path, chambers=("T1", "T2", "T3", "Window"), happened=told)
    again = tk.read_plan(trial)
    assert again.table["schedule"].tolist() == plan.table["schedule"].tolist()
    assert again.table["unit"].iloc[-1] == "B3-Window-4"
    assert again.draws[0].units[-1] == "B3-Window-4"


def test_the_harvest_log_obeys_the_names_of_its_own_section(tmp_path):
    from tests.lived.garage import grow

    trial = write_garage(tmp_path)
    grow(tmp_path, tk.assign(trial).table, names={"T4": "Back"})
    text = (tmp_path / "trial.toml").read_text(encoding="utf-8")
    named = text.replace("[logs.harvest]\n", '[logs.harvest]\nchamber = { Back = "T4" }\n')
    (tmp_path / "trial.toml").write_text(named, encoding="utf-8")
    assert len(tk.read_harvest(tk.read_trial(tmp_path)).table) == 48
