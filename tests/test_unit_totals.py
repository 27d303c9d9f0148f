"""What units gave over their flushes, and which they lack: worked out by hand."""

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import trialkit as tk
from tests.small_trials import make_data, make_trial
from trialkit.figures import trial_in_one_picture, trial_tables, yield_by_level
from trialkit.figures.picture_words import picture_note
from trialkit.figures.unit_totals import lacking_words, unit_totals
from trialkit.wording import read_wording

#: Tent A is whole; B lost one of two blocks in flush 2; C lost all of flush 2; D all of flush 1.
WEIGHTS = pd.DataFrame(
    [
        ("A", "1", 700.0), ("A", "1", 720.0), ("A", "2", 300.0), ("A", "2", 340.0),
        ("B", "1", 700.0), ("B", "1", 740.0), ("B", "2", 380.0), ("B", "2", np.nan),
        ("C", "1", 800.0), ("C", "1", 804.0), ("C", "2", np.nan), ("C", "2", np.nan),
        ("D", "1", np.nan), ("D", "1", np.nan), ("D", "2", 310.0), ("D", "2", 330.0),
    ],
    columns=["tent", "flush", "g"],
)  # fmt: skip


def test_totals_are_sums_of_the_means_of_flushes_that_were_weighed():
    """A: 710 + 320. B: 720 + 380. C: 802 and D: 320 as they stand, not twice as much."""
    found = unit_totals(WEIGHTS, ["tent"], "g", flushes=["1", "2"], summed=True)
    assert found["tent"].tolist() == list("ABCD")
    assert found["value"].tolist() == [1030.0, 1100.0, 802.0, 320.0]
    assert found["rows"].tolist() == [4, 3, 2, 2]
    assert found["lacks"].tolist() == [(), (), ("2",), ("1",)]


def test_means_give_every_flush_the_same_weight():
    """A: (710 + 320) / 2. B: (720 + 380) / 2, where the mean of its three weights is 606.7."""
    found = unit_totals(WEIGHTS, ["tent"], "g", flushes=["1", "2"])
    assert found["value"].tolist() == [515.0, 550.0, 802.0, 320.0]
    plain = unit_totals(WEIGHTS, ["tent"], "g")  # no flushes are told apart
    assert plain["value"].tolist() == pytest.approx([515.0, 1820 / 3, 802.0, 320.0])
    assert plain["lacks"].tolist() == [()] * 4


def test_what_is_lacking_is_named_in_words():
    found = unit_totals(WEIGHTS, ["tent"], "g", flushes=["1", "2"], summed=True)
    units = found.rename(columns={"tent": "chamber"}).assign(batch="B1")
    keys = ["batch", "chamber"]
    told = "flush 2 in chamber C in batch B1 and flush 1 in chamber D in batch B1"
    twice = pd.concat([units, units], ignore_index=True)  # each unit under two lights
    for rows in (units, twice):
        assert lacking_words(rows, keys, read_wording("en")) == told
    told = "Welle 2 in Kammer C in Charge B1 und Welle 1 in Kammer D in Charge B1"
    assert lacking_words(units, keys, read_wording("de_AT")) == told
    assert lacking_words(units[:2], keys, read_wording("en")) == ""
    many = pd.concat([units[2:3].assign(chamber=str(i)) for i in range(7)])
    assert lacking_words(many, keys, read_wording("en")).endswith("and 3 more")


def struck(ax):
    """Give where marks are struck out."""
    lines = [line for line in ax.get_lines() if line.get_marker() == "x"]
    return sorted(float(x) for line in lines for x in line.get_xdata())


def test_units_that_lack_a_flush_are_struck_out_and_the_legend_says_so():
    means = pd.DataFrame({"level": ["u", "h"], "estimate": 1000.0, "low": 900.0, "high": 1100.0})
    points = unit_totals(WEIGHTS, ["tent"], "g", flushes=["1", "2"], summed=True)
    points = points.assign(level=["u", "u", "u", "h"])
    ax = yield_by_level(means, points, units="tents", lacking="flush 2 in tent C")
    assert struck(ax) == [320.0, 802.0]
    said = " ".join(text.get_text() for text in [*ax.texts, *ax.figure.texts])
    assert "Crossed-out marks lack a flush (flush 2 in tent C)" in " ".join(said.split())
    assert struck(yield_by_level(means, points.drop(columns="lacks"))) == []


@pytest.fixture
def lost_flush(tmp_path):
    """Two flushes, the second half of the first; one chamber run lost all of its second."""
    text = make_trial(tmp_path, batches=2, chambers=4).source.read_text(encoding="utf-8")
    (tmp_path / "trial.toml").write_text(text.replace("flushes = 1", "flushes = 2"), "utf-8")
    trial = tk.read_trial(tmp_path)
    data = make_data(trial)
    first = data.table
    table = pd.concat(
        [first, first.assign(flush=2, fresh_g=first["fresh_g"] / 2)], ignore_index=True
    )
    run = tuple(first.loc[0, ["batch", "chamber"]])
    gone = (table["batch"] == run[0]) & (table["chamber"] == run[1]) & (table["flush"] == 2)
    table.loc[gone, "fresh_g"], table.loc[gone, "status"] = np.nan, "discarded"
    return trial, replace(data, table=table), run


def test_a_run_without_a_flush_is_drawn_at_what_was_weighed(lost_flush):
    trial, data, run = lost_flush
    result = tk.analyse(trial, data)
    tables = trial_tables(result, tk.decide(trial, result))
    runs = tables.runs.set_index(["batch", "chamber"])
    by_hand = data.table.groupby(["batch", "chamber", "flush"])["fresh_g"].mean().unstack()
    for key, row in by_hand.iterrows():
        whole = row[1] if key == run else 1.5 * row[1]  # flush 2 gave half of flush 1
        assert runs.loc[key, "value"] == pytest.approx(whole)
        assert runs.loc[key, "lacks"] == (("2",) if key == run else ())
    told = f"flush 2 in chamber {run[1]} in batch {run[0]}"
    assert tables.lacking == told
    assert f"Crossed-out marks lack a flush ({told})" in picture_note(tables, read_wording("en"))
    lost = float(runs.loc[run, "value"])
    for narrow in (False, True):
        ax = trial_in_one_picture(tables, narrow=narrow)
        marks = [x for inner in ax.child_axes for x in struck(inner)]
        assert marks == [pytest.approx(lost)]


def test_a_whole_harvest_has_no_struck_mark(tmp_path):
    trial = make_trial(tmp_path)
    result = tk.analyse(trial, make_data(trial))
    tables = trial_tables(result, tk.decide(trial, result))
    assert tables.lacking == ""
    assert set(tables.runs["lacks"]) == {()}
    assert all(math.isfinite(v) for v in tables.runs["value"])
    assert "Crossed-out" not in picture_note(tables, read_wording("en"))
