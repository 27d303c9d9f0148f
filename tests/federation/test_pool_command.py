"""The command that pools: trials of one farm, files of others, one page and one register."""

import json
import re

import pandas as pd
import pytest
from typer.testing import CliRunner

import trialkit as tk
from tests.bare_plans import write_bare
from tests.federation.test_pool import answer
from tests.languages import english_lines
from tests.small_trials import make_data, make_trial
from tests.test_languages import visible
from trialkit.cli import build
from trialkit.decision.pooling import pool_trials
from trialkit.federation.answer_file import write_answer
from trialkit.federation.pool import pool_answers
from trialkit.pipeline import Pipeline
from trialkit.report.pool_page import rows_to_draw, write_pool_page

LOGS = '[logs.harvest]\nfiles = ["logs/harvest.csv"]\n[batches]\nB1 = {{ start = 2031-0{}-03 }}\n'


def run(*arguments):
    return CliRunner().invoke(build(rich_help=False), [str(a) for a in arguments])


@pytest.fixture(scope="module")
def farm(tmp_path_factory):
    """Three trials of one farm, harvested, in folders of their own."""
    root = tmp_path_factory.mktemp("farm")
    for i, effect in enumerate((0.95, 1.0, 0.93)):
        folder = root / f"t{i}"
        folder.mkdir()
        trial = make_trial(folder, more=LOGS.format(2 * i + 1))
        table = make_data(trial, effect=effect, sd_run=25, seed=i).table
        write_bare(tk.assign(trial), folder)
        (folder / "logs").mkdir()
        pd.DataFrame(
            {"unit": table["unit"], "flush": 1, "time": "2031-10-01 09:00",
             "fresh_g": table["fresh_g"].round(1), "status": "ok"}
        ).to_csv(folder / "logs" / "harvest.csv", index=False)  # fmt: skip
    return root


def test_trials_of_a_farm_make_one_page_and_a_register(farm, tmp_path):
    done = run("pool", farm / "t0", farm / "t1", farm / "t2", "--to", tmp_path / "p.html", "--json")
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    alone = pool_trials([Pipeline(farm / f"t{i}").result for i in range(3)], level="sparse")
    last = alone.table.iloc[-1]
    for name in ("ratio", "low", "high", "next_low", "next_high"):
        assert told["pooled"][name] == pytest.approx(last[name]), name
    register = pd.read_csv(tmp_path / "p_trials.csv")
    assert register["source"].tolist() == ["t0", "t1", "t2"]
    assert register["begun"].tolist() == ["2031-01", "2031-03", "2031-05"]
    assert register["ratio"].tolist() == pytest.approx(alone.table["ratio"].tolist()[:3])
    page = (tmp_path / "p.html").read_text(encoding="utf-8")
    assert "several trials together" in page
    assert page.count("<svg") == 2  # for a screen and for a phone
    assert str(farm) not in page  # nobody's folders
    assert "<script" not in page


def test_the_page_and_the_screen_follow_the_language(farm, tmp_path):
    places = [farm / "t0", farm / "t1", farm / "t2"]
    done = run("pool", *places, "--to", tmp_path / "de.html", "--language", "de")
    assert english_lines(done.output, names=["Drawn trial"]) == []
    page = (tmp_path / "de.html").read_text(encoding="utf-8")
    assert english_lines("\n".join(visible(page)), names=["Drawn trial"]) == []


def test_an_exported_answer_counts_as_the_trial_does_and_only_once(farm, tmp_path):
    file = tmp_path / "shared" / "t0.json"
    assert run("pool", farm / "t0", "--export", file).exit_code == 0
    to = ["--to", tmp_path / "p.html", "--json"]
    shared = json.loads(run("pool", farm / "t1", farm / "t2", file.parent, *to).stdout)
    all_own = json.loads(run("pool", farm / "t1", farm / "t2", farm / "t0", *to).stdout)
    assert shared["pooled"] == pytest.approx(all_own["pooled"])
    twice = json.loads(run("pool", farm / "t0", farm / "t1", farm / "t2", file, *to).stdout)
    assert twice["pooled"] == pytest.approx(all_own["pooled"])
    assert [row["source"] for row in twice["set_aside"]] == ["t0.json"]
    assert "t0" in twice["set_aside"][0]["why"]


def test_what_cannot_be_pooled_ends_with_its_reason(farm, tmp_path):
    one = run("pool", farm / "t0", "--to", tmp_path / "p.html")
    assert (one.exit_code, "at least two" in one.output) == (1, True)
    assert run("pool", tmp_path / "nothing").exit_code == 2
    assert run("pool", farm / "t0", farm / "t1", "--export", tmp_path / "a.json").exit_code == 2
    other = run("pool", farm / "t0", farm / "t1", "--level", "banded")
    assert other.exit_code == 1
    assert "no level 'banded'" in other.output
    assert not (tmp_path / "p.html").exists()


def test_names_of_strangers_are_text_and_no_formula(tmp_path):
    """A title that a browser or a spreadsheet would obey stays what it is: words."""
    folder = tmp_path / "answers"
    folder.mkdir()
    for i, title in enumerate(("<script>alert(1)</script>", "=HYPERLINK(1)", "plain")):
        write_answer(answer(i, i / 50, 0.04, title=title), folder / f"{i}.json")
    done = run("pool", folder, "--to", tmp_path / "p.html")
    assert done.exit_code == 0, done.output
    page = (tmp_path / "p.html").read_text(encoding="utf-8")
    assert "<script>" not in page
    assert "&lt;script&gt;" in page
    assert "\n'=HYPERLINK(1)," in (tmp_path / "p_trials.csv").read_text(encoding="utf-8")


def test_of_many_trials_the_oddest_and_the_heaviest_are_drawn(tmp_path):
    many = [answer(i, i / 1000, 0.04 + i / 1e4) for i in range(150)]
    many.append(answer(999, 1.5, 0.04))
    pooled = pool_answers(many)
    shown = rows_to_draw(pooled.table)
    assert len(shown) == 24
    assert {"T999", "T0", "T1", "T2"} <= set(shown["trial"])
    page = write_pool_page(pooled, tmp_path / "p.html").read_text(encoding="utf-8")
    assert "100 of 151 trials are listed" in page
    assert "n = 151 trials, 24 of them drawn" in re.sub(r"<[^>]*>|\s+", " ", page).replace(
        "  ", " "
    )
    again = write_pool_page(pooled, tmp_path / "q.html").read_text(encoding="utf-8")
    assert page == again
