"""What a trial of ranges says beside its best setting: doubts, units, and when to carry on."""

import re
import shutil

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

import trialkit as tk
from tests.bare_plans import bare_plans
from trialkit.cli import build
from trialkit.decision.best_setting import find_best_setting
from trialkit.pipeline import Pipeline
from trialkit.wording import speaking

FILE = """
[trial]
title = "Best mist"
seed = 7
[units]
structure = "(batch * chamber) / block"
batch = 4
chamber = 6
block = 3
flushes = 1
[factors.mist]
applied_to = "batch:chamber"
control = "usual"
levels.usual = {{ on_s = 20, off_s = 220 }}
range = {{ duty_pct = [2, 10], on_s = 20, {step} }}
[question]
primary = "mist"
margin_pct = 10
[rig]
mist_l_h = 1.5
fogger_w = 80
[prices]
currency = "EUR"
mushrooms_per_kg = 9
water_per_m3 = 4
energy_per_kwh = 0.3
[batches]
{batches}
[logs.harvest]
files = ["logs/harvest.csv"]
"""
DAYS = "\n".join(
    f"B{k} = {{ start = 2031-0{k}-01T09:00:00, end = 2031-0{k}-25T09:00:00 }}" for k in range(1, 5)
)


def run(*arguments):
    made = CliRunner().invoke(build(rich_help=False), [str(a) for a in arguments])
    assert made.exit_code == 0, made.output
    return made.output


@pytest.fixture
def grown(tmp_path, monkeypatch):
    """Plan a trial and write a harvest: grams from the mist [% of the time] and the run's place."""
    monkeypatch.chdir(tmp_path)

    def grow(true, *, batches=4, batch_sd=0.0, step="step = 0.5", lost=lambda row: False):
        text = FILE.format(step=step, batches=DAYS)
        shutil.rmtree(tmp_path / "plan", ignore_errors=True)
        shutil.rmtree(tmp_path / "logs", ignore_errors=True)
        (tmp_path / "trial.toml").write_text(text, encoding="utf-8")
        with bare_plans():
            run("plan", tmp_path)
        trial = tk.read_trial(tmp_path)
        table = tk.read_plan(trial).table
        table = table[table["batch"].isin([f"B{k}" for k in range(1, batches + 1)])]
        rows = []
        rng = np.random.default_rng(3)
        keys = table[["batch", "chamber"]].drop_duplicates().itertuples(index=False, name=None)
        runs = {key: rng.normal(0, 12) for key in keys}
        for row in table.to_dict("records"):
            number = float(trial.tuned[0].number(row["mist"]))
            odd = runs[row["batch"], row["chamber"]] + rng.normal(0, 12)
            odd += batch_sd * {"B1": 1, "B2": -1}.get(row["batch"], 0)
            gone = lost(row)
            rows.append(
                {
                    "unit": row["unit"],
                    "flush": 1,
                    "date": f"2031-0{row['batch'][1]}-20",
                    "fresh_g": "" if gone else round(true(number) + odd, 1),
                    "status": "contaminated" if gone else "ok",
                }
            )
        (tmp_path / "logs").mkdir(exist_ok=True)
        pd.DataFrame(rows).to_csv(tmp_path / "logs" / "harvest.csv", index=False)
        return tmp_path

    return grow


def hill(mist):
    return 480 - 10 * (mist - 6) ** 2


def codes(found):
    return {f.code for f in found.findings}


def test_a_trial_that_is_not_finished_says_to_carry_on_and_advises_nothing_else(grown):
    folder = grown(hill, batches=2)
    screen = " ".join(run("analyse", folder).split())
    assert "Carry on as planned: 2 of 4 planned batches are still to come." in screen
    assert "2 of 4 flushes (counted over all batches) are not harvested yet" in screen
    assert "a further trial" not in screen
    assert "Most mushrooms" not in screen
    assert "What each choice gave so far" in screen
    assert "What to choose" not in screen
    run("report", folder)
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert "the trial is not finished" in page
    assert "2 of 4 planned batches are still to come" in page
    assert "are not harvested yet" in run("next", folder, folder / "next", "--anyway")


def test_a_finished_trial_is_not_told_to_carry_on(grown):
    found = Pipeline(grown(hill)).best_setting
    assert found.ahead is None
    assert "ranges_looked_early" not in codes(found)
    assert not any("Carry on" in str(line) for line in found.said)


def test_lost_blocks_are_told_by_setting_on_the_screen_and_on_the_page(grown):
    """Two of three blocks of each run at 2 % were lost, none elsewhere."""
    folder = grown(hill, lost=lambda row: row["mist"] == "2 %" and int(row["block"]) > 1)
    plan = tk.read_plan(tk.read_trial(folder)).table
    there = int((plan["mist"] == "2 %").sum())
    said = f"with mist 2 %, {there * 2 // 3} of {there} blocks were lost, with the other settings"
    assert f"{said} 0 of {72 - there}" in " ".join(run("analyse", folder).split())
    run("report", folder)
    page = (folder / "report.html").read_text(encoding="utf-8")
    table = page[page.index("Settings that chambers had") :]
    rows = re.findall("<tr.*?</tr>", table[: table.index("</table>")], re.DOTALL)
    cells = [re.sub("<[^>]+>", " ", row).split() for row in rows]
    assert ["2.0", str(there // 3), str(there * 2 // 3), str(there)] in cells
    assert [row[2] for row in cells if row[0] == "8.3"] == ["0"]


def test_a_loss_that_says_nothing_of_a_setting_is_one_note(grown):
    one = grown(hill, lost=lambda row: row["unit"] == "B1-C1-1")
    found = Pipeline(one).best_setting
    assert [f.code for f in found.findings if "lost" in str(f.message)] == ["surface_of_harvested"]
    assert "1 of 72 blocks were lost" in run("analyse", one)


def test_a_form_that_nothing_can_check_is_a_caution(grown):
    """Three settings lie on a curve of second order whatever they gave."""
    three = Pipeline(grown(hill, step="values = [2, 8, 10]")).best_setting
    assert three.region.seen
    assert len(three.surface.tried) <= 4
    more = Pipeline(grown(hill)).best_setting
    for found in (three, more):
        checked = "lack of fit" in found.tests.index and found.tests["p"]["lack of fit"] >= 0
        assert ("surface_unchecked" in codes(found)) is not checked


def test_where_no_setting_matters_no_gain_is_listed(grown):
    folder = grown(lambda mist: 480.0)
    found = Pipeline(folder).best_setting
    assert not found.region.seen
    screen = run("analyse", folder)
    assert "careful choice" not in screen
    assert "most mushrooms" not in screen
    assert "as today" in screen


def test_more_mist_always_better_says_as_today_once_and_no_second_regret(grown):
    """A yield that rises with mist up to the end and beyond today: today's is not the most."""
    folder = grown(lambda mist: 300 + 30 * min(mist, 8.34), step="values = [2, 4, 6, 8]")
    found = Pipeline(folder).best_setting
    table = found.choices.table.set_index("choice")
    said = " ".join(str(line) for line in found.said)
    assert table["mist"]["most money"] == table["mist"]["today"]
    assert "Most money: as today" in said
    assert "choosing by this trial" not in said


def test_a_setting_that_surely_gives_more_is_not_said_to_lose_more(grown):
    """Two batches hardly show the mean, yet within both the hill is far above today's."""
    found = Pipeline(grown(hill, batches=2, batch_sd=60)).best_setting
    edge, table = found.choices.frontier, found.choices.table.set_index("choice")
    more = edge["yield_low"] > table["yield"]["today"]
    assert more.any()
    assert edge.loc[more, "loses_no_more"].all()
    assert table["use"]["least use"] <= edge.loc[more, "use"].min()


def test_every_number_of_the_choices_has_its_unit(grown):
    folder = grown(hill)
    head = next(line for line in run("analyse", folder).splitlines() if "to get" in line)
    for unit in ("mist [% of the time]", "gave [g]", "today [g]", "block [EUR]", "by [EUR]"):
        assert unit in head
    run("report", folder, "--language", "de")
    page = (folder / "report.html").read_text(encoding="utf-8")
    for words in ("mist [% der Zeit]", "ein Block brachte [g]", "Geld je Block [EUR]"):
        assert words in page


def test_a_surface_over_what_was_delivered_without_a_best_says_so():
    """The sentence is not that of a trial without a climate log."""
    from trialkit.decision.setting_sentences import say_delivered

    class Region:
        seen = False

    class Found:
        exposure, region = "rh_pct", Region()

    for language, words in (("en", "no best setting in sight"), ("de", "keine beste Einstellung")):
        with speaking(language):
            assert words in str(say_delivered(Found()))


def test_the_answer_in_python_is_that_of_the_screen(grown):
    folder = grown(hill, batches=2)
    job = Pipeline(folder)
    found = find_best_setting(job.trial, job.data)
    assert str(found.said[-1]).startswith("Carry on as planned")


def test_a_german_plan_without_a_rig_is_german_throughout(tmp_path):
    text = FILE.format(step="step = 0.5", batches="").partition("[rig]")[0]
    (tmp_path / "trial.toml").write_text(text, encoding="utf-8")
    told = " ".join(run("plan", tmp_path, "--language", "de").split())
    assert "in [rig] fehlt chamber_m3, air_changes_h, mist_l_h" in told
    assert "lacks" not in told
    assert "im Vergleich der 24 Kammerdurchgänge beurteilt" in told
