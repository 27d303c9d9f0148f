"""A trial of ranges in a pool: its answer on one setting, against numerical derivatives."""

import json

import numpy as np
import pandas as pd
import pytest
from scipy import optimize

from tests.bare_plans import write_bare
from tests.test_tuned_trial import LIGHT, harvest, hill, run, write_trial
from trialkit import assign
from trialkit.analysis.tuned import analyse_settings
from trialkit.errors import ModelError
from trialkit.federation.answer_file import read_answer, write_answer
from trialkit.federation.answer_of_settings import (
    answer_of_settings,
    levels_named,
    surface_fingerprint,
)
from trialkit.pipeline import Pipeline
from trialkit.settings.polynomial import powers


def grown(folder, *, seed=3, **changes):
    folder.mkdir()
    trial = write_trial(folder, LIGHT, **changes)
    write_bare(assign(trial), folder)
    harvest(folder, trial, hill, seed=seed)
    return Pipeline(folder)


@pytest.fixture(scope="module")
def spring(tmp_path_factory):
    return grown(tmp_path_factory.mktemp("farm") / "spring")


def test_levels_are_named_with_commas(spring):
    trial = spring.trial
    assert levels_named(trial, "6 %, 700 lux") == {"mist": "6 %", "light": "700 lux"}
    assert levels_named(trial, "700 lux") == {"mist": "usual", "light": "700 lux"}
    for text, what in (("6", "no level"), ("usual", "control"), ("", "control")):
        with pytest.raises(ModelError, match=what):
            levels_named(trial, text)


def test_the_answer_is_the_log_ratio_of_two_heights(spring):
    """Heights of the polynomial written out; its slope by numerical differentiation."""
    surface = analyse_settings(spring.trial, spring.data)
    levels = levels_named(spring.trial, "6 %, 700 lux")
    got = answer_of_settings(spring.trial, spring.data, surface, levels=levels)
    mist, light = surface.settings

    def height(beta, duty, lux):
        x = (2 * duty - mist.low - mist.high) / (mist.high - mist.low)
        z = (2 * lux - light.low - light.high) / (light.high - light.low)
        parts = {(0, 0): 1, (1, 0): x, (0, 1): z, (2, 0): x * x, (1, 1): x * z, (0, 2): z * z}
        return sum(b * parts[tuple(p)] for b, p in zip(beta, powers(2), strict=True))

    def log_ratio(beta):
        duty = 100 * 20 / (20 + round(20 * (100 / 6 - 1)))
        return np.log(height(beta, duty, 700) / height(beta, 100 / 12, 300))

    slope = optimize.approx_fprime(surface.estimate, log_ratio, 1e-5)
    assert got.estimate == pytest.approx(log_ratio(surface.estimate), abs=1e-9)
    assert got.se == pytest.approx(np.sqrt(slope @ surface.covariance @ slope), rel=1e-4)
    truth = np.log(480 / (hill(100 / 12, 300)))  # drawn from the hill, whose top is 6 % and 700 lux
    assert abs(got.estimate - truth) < 4 * got.se
    assert (got.level, got.control) == ("6 %, 700 lux", "usual, today")
    assert got.level_setting == {"on_s": 20, "off_s": 313, "lux": 700, "hours": 12}
    assert got.counts == {"batches": 4, "chambers": 6, "runs": 24, "blocks": 72, "weights": 72}


def test_a_harvest_is_known_again_by_other_names(spring, tmp_path):
    """Rows in another order and units called otherwise: the same fingerprint."""
    surface = analyse_settings(spring.trial, spring.data)
    other = grown(tmp_path / "copy")
    sheet = tmp_path / "copy" / "logs" / "harvest.csv"
    pd.read_csv(sheet).iloc[::-1].to_csv(sheet, index=False)
    again = analyse_settings(other.trial, other.data)
    assert surface_fingerprint(again) == surface_fingerprint(surface)
    changed = pd.read_csv(sheet)
    changed.loc[0, "fresh_g"] += 1
    changed.to_csv(sheet, index=False)
    job = Pipeline(tmp_path / "copy")
    assert surface_fingerprint(analyse_settings(job.trial, job.data)) != surface_fingerprint(
        surface
    )


def test_a_setting_beyond_what_was_tried_has_no_answer(spring):
    surface = analyse_settings(spring.trial, spring.data)
    levels = {"mist": "6 %", "light": "700 lux"}
    cut = surface.settings[0].__class__("mist", 2, 5, 5, "%")
    object.__setattr__(surface, "settings", (cut, surface.settings[1]))
    with pytest.raises(ModelError, match="knows nothing of '6 %'"):
        answer_of_settings(spring.trial, spring.data, surface, levels=levels)


def test_trials_of_ranges_are_pooled_at_a_setting(spring, tmp_path):
    """The setting must be named: the best-looking one of each trial looks too good."""
    autumn = grown(tmp_path / "autumn", seed=5)
    folders = [spring.trial.folder, autumn.trial.folder]
    file, page = tmp_path / "spring.json", tmp_path / "pooled.html"
    got = run("pool", *folders)
    assert got.exit_code == 1
    assert "say which setting to compare" in got.output
    got = run("pool", folders[0], "--level", "6 %, 700 lux", "--export", file)
    assert got.exit_code == 0, got.output
    assert read_answer(file).level == "6 %, 700 lux"
    told = ("--level", "700 lux,6 %", "--to", page, "--json")
    got = run("pool", *folders, file, *told)
    assert got.exit_code == 0, got.output
    record = json.loads(got.stdout)
    assert len(record["trials"]) == 2  # the file is the harvest of spring again
    assert [a["source"] for a in record["set_aside"]] == ["spring.json"]
    surface = analyse_settings(spring.trial, spring.data)
    one = answer_of_settings(
        spring.trial, spring.data, surface, levels={"mist": "6 %", "light": "700 lux"}
    )
    assert record["trials"][0]["ratio"] == pytest.approx(np.exp(one.estimate), rel=1e-6)
    assert read_answer(write_answer(one, tmp_path / "again.json")).estimate == one.estimate
