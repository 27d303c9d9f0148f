"""A report before the end says what is planned and what is done, counted by hand.

The farm is planned with 2 batches of 4 chambers with 2 blocks: 8 chamber runs and 16 blocks, half
of the runs for each schedule in each batch. One batch is in: 4 runs, 8 blocks, 16 weights by two
flushes, one of them of a contaminated block.
"""

import html
import re

import pandas as pd
import pytest

import trialkit as tk
from tests.report.folders import make_farm
from trialkit.figures.picture_words import picture_alt, picture_note
from trialkit.report.exposures import _by_level, whole_runs
from trialkit.report.inputs import PageInputs
from trialkit.wording import read_wording

pytestmark = pytest.mark.xdist_group("report")


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Make the farm and take everything of the second batch out of its files."""
    folder = tmp_path_factory.mktemp("early")
    make_farm(folder, title="Early")
    for name, column in (("harvest", "time"), ("climate", "time"), ("mist", "start")):
        rows = pd.read_csv(folder / f"{name}.csv", dtype=str)
        rows = rows[rows[column] < "2031-02-01"]
        if name == "harvest":
            rows = rows[rows["unit"].str.startswith("B1")]
        rows.to_csv(folder / f"{name}.csv", index=False)
    return folder


@pytest.fixture(scope="module")
def early(folder):
    trial = tk.read_trial(folder)
    logs = {"harvest": tk.read_harvest(trial), "environment": tk.read_environment(trial),
            "mist": tk.read_mist(trial)}  # fmt: skip
    data = tk.align(trial, *logs.values())
    result = tk.analyse(trial, data)
    say = read_wording("en")
    return PageInputs(trial, result, tk.decide(trial, result), say, data, logs, tk.assign(trial))


@pytest.fixture(scope="module")
def page(early, tmp_path_factory):
    path = tmp_path_factory.mktemp("page") / "early.html"
    tk.write_report(early.trial, early.result, early.verdict, path, logs=early.logs)
    text = re.sub(r"<svg.*?</svg>", "", path.read_text(encoding="utf-8"), flags=re.S)
    text = re.sub(r"</t[dh]>", " | ", text)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", text)).replace("\u00a0", " ").split())


def test_what_was_done_is_told_from_what_is_planned(page):
    assert "The trial is planned with 2 batches, 4 chambers, 8 chamber runs, and 16 blocks" in page
    assert "So far 1 of 2 planned batches is in: 4 chamber runs and 8 blocks" in page
    assert "The trial had" not in page
    assert "Each block was weighed in" not in page
    heads = "given to | units planned | units so far |"
    assert heads in page
    for level in ("usual", "sparse"):
        row = page[page.index(heads) :]
        assert re.search(rf"{level} \| [^|]*\| chamber runs \| 4 \| 2 \|", row)


def test_no_block_of_a_batch_to_come_counts_as_missing(page):
    assert "1 of 16 rows (1 block) have no fresh weight" in page
    assert "15 weights went into the model; 1 had no value" in page
    states = page[page.index("What happened to the weights") :][:200]
    assert "missing" not in states
    assert "contaminated" in states


def test_runs_to_come_are_no_part_of_averages_pictures_and_tables(early):
    runs = whole_runs(early)
    assert set(runs["batch"].astype(str)) == {"B1"}
    table = _by_level(early, runs)
    assert [row[:2] for row in table.rows] == [("usual", "2"), ("sparse", "2")]
    tables = early.tables
    assert len(tables.runs) == 4
    assert "4 chamber runs of 8 planned" in tables.subtitle
    assert "n = 4 chamber runs" in picture_note(tables, early.say)
    assert "usual: 2 runs" in picture_alt(tables, early.say)


def test_the_advice_is_to_carry_on(page):
    assert "Carry on as planned: 1 of 2 planned batches is still to come." in page


def test_a_trial_that_is_all_in_speaks_as_before(farm, farm_page):
    text = html.unescape(farm_page.read_text(encoding="utf-8"))
    assert "The trial had" in text
    assert "Each block was weighed in 2 flushes" in text.replace("\u00a0", " ")
    assert "So far" not in text
    assert "units so far" not in text
