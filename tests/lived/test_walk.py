"""A garage as it is lived, by the command line: everything that can go otherwise, in one trial."""

import datetime as dt
import json
import re

import pandas as pd
import pytest
from typer.testing import CliRunner

import trialkit as tk
from tests.bare_plans import bare_plans, write_bare
from tests.lived.garage import LOGS, before, grow, swapped, write_garage, write_mist
from tests.lived.test_told import entry
from tests.small_trials import simulate_less
from trialkit.cli import build
from trialkit.next_plan import next_plan


@pytest.fixture(scope="module", autouse=True)
def bare():
    with bare_plans():
        yield


FIVE = ("T1", "T2", "T3", "T4", "T5")
LEVELS = {"T1": "usual", "T2": "sparse", "T3": "usual", "T4": "sparse"}


@pytest.fixture
def run():
    app, runner = build(rich_help=False), CliRunner()
    return lambda *arguments: runner.invoke(app, [str(a) for a in arguments])


def runs_of(table):
    return table.drop_duplicates(["batch", "chamber"]).set_index(["batch", "chamber"])["schedule"]


@pytest.fixture
def garage(tmp_path):
    """Four tents: B1 ran already; T5 from B2 on; a swap in B2; T4 renamed; B3 lost, B4 added.

    The truth: 500 g, and a quarter less under sparse.
    """
    ran = "".join(
        entry(on="2031-03-03T09:00:00", reason='"ran"', unit=f'"B1:{t}"', got=f'"{level}"')
        for t, level in LEVELS.items()
    )
    bought = entry(on="2031-03-20", reason='"bought"', added='"T5"')
    trial = write_garage(tmp_path, chambers=FIVE, happened=ran + bought)
    write_bare(next_plan(trial, now=before(2)), tmp_path, now=before(2))
    lost = entry(on="2031-04-20", reason='"spawn"', given_up='"B3"', because_of_harvest="false")
    trial = write_garage(tmp_path, batches=4, chambers=FIVE, happened=ran + bought + lost)
    write_bare(next_plan(trial, now=before(3)), tmp_path, now=before(3))
    plan = tk.read_plan(trial)
    b2 = runs_of(plan.table)["B2"]
    one, other = (b2.index[b2 == level][0] for level in ("usual", "sparse"))
    swap = entry(
        on="2031-03-31T09:00:00",
        reason='"cards mixed up"',
        swapped=f'["B2:{one}", "B2:{other}"]',
        because_of_harvest="false",
    )
    named = entry(on="2031-04-25", reason='"new sign"', renamed='"T4"', to='"Window"')
    told = ran + bought + lost + swap + named
    write_garage(tmp_path, batches=4, chambers=FIVE, happened=told)
    real = swapped(plan.table, "B2", one, other)
    grow(tmp_path, real, effect=0.75, names={"T4": "Window"})
    return tmp_path, real


def test_the_whole_walk_ends_in_an_answer_that_says_what_it_rests_on(run, garage):
    folder, real = garage
    checked = run("check", folder, "--json")
    assert checked.exit_code == 0, checked.output
    record = json.loads(checked.output)
    codes = {row["code"] for row in record["findings"]}
    assert "not_randomised" in codes
    assert not codes & {"units_missing", "harvest_missing", "no_harvest", "unit_unknown"}
    assert all(row["set_aside"] == 0 for row in record["files"])
    analysed = run("analyse", folder, "--json")
    assert analysed.exit_code == 0, analysed.output
    record = json.loads(analysed.output)
    assert record["follows"] == "as given"
    rows = {row["reading"]: row for row in record["readings"]}
    assert rows["as given"]["low"] < 0.75 < rows["as given"]["high"]
    assert "not randomised" in record["sentence"]
    assert (folder / "results" / "readings.csv").exists()
    assert len(runs_of(real)) == 4 + 5 + 5  # B1 with four tents, B2 and B4 with five
    assert rows["as given"]["runs"] == rows["as planned"]["runs"] == 14
    shown = run("analyse", folder).output
    assert shown.count("As planned and as given, side by side") == 1
    reported = run("report", folder)
    assert reported.exit_code == 0, reported.output
    page = re.sub(r"<[^>]+>", " ", (folder / "report.html").read_text(encoding="utf-8"))
    page = " ".join(page.replace("\u00a0", " ").split())
    for words in (
        "the timers of chamber",
        "chamber T4 is also called Window",
        "batch B3 was given up",
        "chamber T5 was added",
        "The plan was drawn on 30 Mar 2031",
        "What joined later was drawn on 27 Apr 2031",
        "As planned and as given, side by side",
    ):
        assert words in page, words


def test_cautions_that_say_one_thing_are_said_once(run, garage):
    """Loggers at 15.0 °C all the time, read every 20 min beside a cycle of 4 min, in five tents."""
    folder, real = garage
    path = folder / "trial.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("[[happened]]", LOGS + "[[happened]]", 1), encoding="utf-8")
    runs = real.drop_duplicates(["batch", "chamber"])
    write_mist(folder, runs[runs["batch"] != "B3"], names={"T4": "Window"})
    shown = run("analyse", folder).output
    cautions = [line for line in shown.splitlines() if line.strip().startswith("Caution")]
    assert len(cautions) <= 5
    assert sum("without any change" in line for line in cautions) == 1
    (slow,) = [line for line in cautions if "too slow beside the mist" in line]
    assert "log faster" in slow
    kept = pd.read_csv(folder / "results" / "cautions.csv")
    assert (kept["code"] == "sensor_stuck").sum() == 5  # each tent is listed there
    assert "readings_slow" in set(kept["code"])


def test_status_and_power_count_what_is_there(run, garage, monkeypatch):
    simulate_less(monkeypatch, 20)
    folder, _ = garage
    status = run("status", folder).output
    assert "56 of 56" in status  # 14 runs of four blocks
    power = run("power", folder).output
    assert "never began" in power


def test_power_says_the_simulated_chance_and_what_it_compares_with(run, garage, monkeypatch):
    simulate_less(monkeypatch, 100)
    folder, _ = garage
    made = run("power", folder, "--json")
    record = json.loads(made.output)
    table = {row["question"]: row for row in record["power"]}
    assert table["no worse"]["method"].startswith("simulated")
    simulated, formula = table["no worse"]["power"], record["changes"][0]["chance"]
    assert round(100 * simulated) != round(100 * formula)  # else this test could not fail
    said = " ".join(run("power", folder).output.replace("\u00a0", " ").split())
    assert f"does not lose the accepted 10 % is {100 * simulated:.0f} %." in said
    assert f"a simpler formula, which gives {100 * formula:.0f} % for the layout as it is" in said
    least = min(row["power"] for row in record["power"])
    assert f"has a chance of only {100 * least:.0f} %" in said


def test_power_says_why_a_batch_more_may_not_help_and_when_looks_answer(run, tmp_path, monkeypatch):
    simulate_less(monkeypatch, 50)
    write_garage(tmp_path)
    said = " ".join(run("power", tmp_path).output.split())
    assert "with 4 batches the chance may be lower than with 3" in said
    trial = write_garage(tmp_path, batches=4)
    path = tmp_path / "trial.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("margin_pct = 10", "margin_pct = 10\nlooks = [2]"))
    assert len(trial.levels["batch"]) == 4
    said = " ".join(run("power", tmp_path).output.split())
    assert "of 4 batches on average (trials without an answer run to the end)" in said


def test_plan_says_what_had_begun_and_how_to_tell_what_ran_there(run, tmp_path):
    first = dt.datetime.now().replace(hour=9, minute=0, second=0, microsecond=0)
    first -= dt.timedelta(days=3)
    write_garage(tmp_path, first=first)
    made = run("plan", tmp_path, "--json")
    assert made.exit_code == 0, made.output
    record = json.loads(made.output)
    assert record["begun"] == ["B1"]
    lines = "\n".join(record["lines"])
    for tent, level in LEVELS.items():
        place = lines.index(f'unit   = "B1:{tent}"')
        lines = lines[:place] + lines[place:].replace('"…"', f'"{level}"', 1)
    trial = write_garage(tmp_path, first=first, happened="\n" + lines)  # pasted, filled in
    assert [told.level for told in trial.happened] == list(LEVELS.values())
    again = run("plan", tmp_path)
    assert again.exit_code == 0, again.output
    assert runs_of(tk.read_plan(trial).table)["B1"].to_dict() == LEVELS
    third = run("plan", tmp_path)
    assert "Nothing is left to draw; the plan stands." in third.output


def test_the_command_refuses_another_plan_once_it_has_begun(run, tmp_path):
    first = dt.datetime.now().replace(microsecond=0) - dt.timedelta(days=12)
    trial = write_garage(tmp_path, first=first)
    write_bare(
        tk.assign(trial), tmp_path, now=(first - dt.timedelta(days=2)).replace(tzinfo=dt.UTC)
    )
    old = runs_of(tk.read_plan(trial).table)
    grow(tmp_path, tk.read_plan(trial).table[lambda t: t["batch"] == "B1"], first=first)
    refused = run("plan", tmp_path, "--seed", 77)
    assert refused.exit_code == 1
    assert "another plan" in refused.output
    beside = run("plan", tmp_path, "--seed", 77, "--beside")
    assert beside.exit_code == 0, beside.output
    new = runs_of(tk.read_plan(trial).table)
    assert new["B1"].tolist() == old["B1"].tolist()
    assert (tmp_path / "plan-old-1" / "plan.json").exists()
    sheet = pd.read_csv(tmp_path / "plan" / "assignment.csv")
    assert set(sheet["batch"]) == {"B1", "B2", "B3"}


def test_in_german_nothing_is_left_in_english(run, garage):
    folder, _ = garage
    shown = run("analyse", folder, "--language", "de").output
    assert "Wie geplant und wie gegeben, nebeneinander" in shown
