"""The next trial of tuned settings: from harvests to a trial file that runs, and when to stop."""

import json
import shutil
import tomllib

import numpy as np
import pandas as pd
import pytest

import trialkit as tk
from tests.bare_plans import write_bare
from tests.languages import english_lines
from tests.test_tuned_trial import LIGHT, harvest, hill, run, write_trial
from trialkit.analysis.trials_of_ranges import analyse_trials_of_ranges
from trialkit.errors import ModelError
from trialkit.model.fit import fit
from trialkit.pipeline import Pipeline
from trialkit.surface.expected_gain import believe
from trialkit.templates.next_trial import propose_next_trial

FINE = {"margin_pct = 10": "margin_pct = 10\ndifference_pct = 1"}
DATES = "\n".join(
    f"B{i} = {{ start = 2031-01-20T00:00:00, end = 2031-02-09T00:00:00 }}" for i in range(1, 5)
)
PRICES = "[prices]\nmushrooms_per_kg = 10\nbatches_per_year = {}\n[batches]\n"


@pytest.fixture(scope="module")
def spring(tmp_path_factory):
    """Make a harvested trial of two ranges whose hill is noisy, with a fine question."""
    folder = tmp_path_factory.mktemp("next") / "spring"
    folder.mkdir()
    trial = write_trial(folder, LIGHT, **FINE)
    write_bare(tk.assign(trial), folder)
    harvest(folder, trial, hill, noise=90, seed=12)
    return folder


def grown_again(folder, seed):
    """Harvest a trial file that was written."""
    trial = tk.read_trial(folder)
    write_bare(tk.assign(trial), folder)
    shutil.rmtree(folder / "logs")
    harvest(folder, trial, hill, noise=90, seed=seed)


def test_the_file_of_the_next_trial_runs_through_every_command(spring, tmp_path):
    made = run("next", spring, tmp_path / "summer", "--json")
    assert made.exit_code == 0, made.output
    told = json.loads(made.stdout)
    assert (told["command"], told["stop"]) == ("next", False)
    raw = tomllib.loads((tmp_path / "summer" / "trial.toml").read_text(encoding="utf-8"))
    assert raw["trial"]["title"] == "Best mist and light, trial 2"
    assert raw["trial"]["seed"] == 8
    assert raw["factors"]["mist"]["levels"] == {"usual": {"on_s": 20, "off_s": 220}}  # control
    assert raw["factors"]["mist"]["range"]["on_s"] == 20
    assert raw["units"] == tomllib.loads((spring / "trial.toml").read_text())["units"]
    trial = tk.read_trial(tmp_path / "summer")
    plan = tk.assign(trial).table.drop_duplicates(["batch", "chamber"])
    assert sum(row["units"] for row in told["settings"]) == len(plan) == 24
    numbers = {round(trial.factors["mist"].number(n), 4) for n in plan["mist"]}
    assert {round(row["mist"], 4) for row in told["settings"]} == numbers  # what will be drawn
    for command in ("status", "power", "plan"):
        done = run(command, tmp_path / "summer")
        assert done.exit_code == 0, done.output
    grown_again(tmp_path / "summer", seed=5)
    both = run("next", spring, tmp_path / "summer", tmp_path / "autumn", "--anyway")
    assert both.exit_code == 0, both.output
    third = tk.read_trial(tmp_path / "autumn")
    assert third.title == "Best mist and light, trial 3"
    again = run("next", spring, tmp_path / "summer", tmp_path / "autumn")
    assert again.exit_code == 2  # holds a trial already


def test_each_trial_has_its_level_and_units_and_the_surface_is_that_of_the_plain_model(
    spring, tmp_path
):
    """The same rows in a model written out by hand, with batch, chamber and run by name."""
    run("next", spring, tmp_path / "t2", "--anyway")
    grown_again(tmp_path / "t2", seed=6)
    jobs = [Pipeline(spring), Pipeline(tmp_path / "t2")]
    surface = analyse_trials_of_ranges([j.trial for j in jobs], [j.data for j in jobs])
    frames = []
    for name, job in zip("ab", jobs, strict=True):
        t = job.data.table
        x = 2 * (t["mist"].map(job.trial.factors["mist"].number).astype(float) - 2) / 8 - 1
        z = 2 * (t["light"].map(job.trial.factors["light"].number).astype(float) - 50) / 950 - 1
        frames.append(pd.DataFrame({
            "y": t["fresh_g"], "x": x, "z": z, "xx": x**2, "zz": z**2, "xz": x * z, "trial": name,
            "batch": name + t["batch"], "chamber": name + t["chamber"],
        }))  # fmt: skip
    table = pd.concat(frames, ignore_index=True)
    mist = surface.settings[0]
    assert (mist.low, mist.high) == (pytest.approx(2, abs=0.02), pytest.approx(10, abs=0.02))
    plain = fit(
        table, response="y", fixed="x + z + xx + zz + xz + trial",
        random=["batch", "chamber", "batch:chamber"],
    )  # fmt: skip
    at = np.array([[0.3, -0.2]])
    mist = surface.settings[0].decode(0.3)
    light = surface.settings[1].decode(-0.2)
    x, z = 2 * (mist - 2) / 8 - 1, 2 * (light - 50) / 950 - 1
    one = pd.DataFrame({"x": [x], "z": [z], "xx": [x * x], "zz": [z * z], "xz": [x * z]})
    both = [plain.design.rows(one.assign(trial=name)) for name in "ab"]
    said = float(plain.contrast(sum(both) / 2)["estimate"].iloc[0])
    assert surface.at(at)[0] == pytest.approx(said, rel=1e-6)


def test_one_harvest_counts_once_and_named_levels_are_told_what_they_need(spring, tmp_path):
    shutil.copytree(spring, tmp_path / "copy")
    text = (tmp_path / "copy" / "trial.toml").read_text().replace("Best mist", "Other")
    (tmp_path / "copy" / "trial.toml").write_text(text)
    twice = run("next", spring, tmp_path / "copy", tmp_path / "new")
    assert twice.exit_code == 1
    assert "rest on the same data" in twice.output
    named = run("next", tk.demo_folder(), tmp_path / "new")
    assert named.exit_code == 1
    assert "range = { duty_pct = [2, 10], step = 0.5 }" in " ".join(named.output.split())
    assert run("next", spring).exit_code == 2
    assert not (tmp_path / "new").exists()
    alone = tmp_path / "alone"
    alone.mkdir()
    one = write_trial(alone)
    with pytest.raises(ModelError, match="differ in their settings"):
        analyse_trials_of_ranges([tk.read_trial(spring), one], [Pipeline(spring).data, None])


def test_it_stops_where_no_gain_worth_finding_is_in_sight(tmp_path):
    """A clear hill of one setting: nothing gives 15 % more than the top, which is known."""
    folder = tmp_path / "clear"
    folder.mkdir()
    trial = write_trial(folder)
    write_bare(tk.assign(trial), folder)
    harvest(folder, trial, hill, noise=10)
    done = run("next", folder, tmp_path / "new")
    assert done.exit_code == 0, done.output
    assert "Stop here" in done.output
    assert not (tmp_path / "new").exists()
    german = run("next", folder, tmp_path / "new", "--anyway", "--language", "de")
    assert english_lines(german.output, names=["mist"]) == []
    assert (tmp_path / "new" / "trial.toml").is_file()


@pytest.mark.parametrize(("per_year", "stops"), [(1, True), (100_000, False)])
def test_money_decides_where_the_year_is_known(tmp_path, per_year, stops):
    """Net is the gain of a block times a year's 18 blocks a batch, less what the trial gives up.

    The loss by hand: each unit's expected gain against the best known, three blocks a unit.
    """
    folder = tmp_path / "priced"
    folder.mkdir()
    trial = write_trial(folder, **{"[rig]": f"{PRICES.format(per_year)}{DATES}\n[rig]"})
    write_bare(tk.assign(trial), folder)
    harvest(folder, trial, hill, noise=90, seed=12)
    job = Pipeline(folder)
    found = propose_next_trial([trial], [job.data], cost=5.0)
    table = found.table
    loss = sum(3 * n * (found.gain.known - g) for n, g in zip(table["units"], table["gain"],
                                                              strict=True))  # fmt: skip
    assert found.loss == pytest.approx(loss)
    assert found.net == pytest.approx(found.gain.expected * 18 * per_year - loss - 5)
    assert found.stop is stops
    belief = believe(found.surface)
    one = found.table.iloc[0]
    x, today = (float(found.surface.settings[0].code(v)) for v in (one["mist"], 100 / 12))
    gain = 0.01 * (belief.mean[0] * (x - today) + belief.mean[1] * (x * x - today * today))
    assert one["gain"] == pytest.approx(gain, abs=1e-6)


def test_a_flat_truth_promises_little(tmp_path):
    """Nothing matters: what is promised stays within what chance shows, and today is in reach."""
    folder = tmp_path / "flat"
    folder.mkdir()
    trial = write_trial(folder)
    write_bare(tk.assign(trial), folder)
    harvest(folder, trial, lambda mist: 480 + 0 * mist, seed=21)
    found = propose_next_trial([trial], [Pipeline(folder).data])
    assert found.stop
    assert found.gain.known < 0.02 * 480
    assert {r.change for r in found.ranges} == {"kept"}
