"""Ranges written into the first trial file, as its notes say; and beside named levels."""

import re
from types import SimpleNamespace

import numpy as np
import pytest

import trialkit as tk
from trialkit.analysis.tuned import analyse_settings
from trialkit.decision.setting_sentences import say_part
from trialkit.demo.neighbours import TRUE_MEAN, TRUE_SD, invent_answers
from trialkit.errors import ModelError, PlanError
from trialkit.federation.answer import COUNTS, TrialAnswer
from trialkit.settings.setting_range import SettingRange
from trialkit.templates import new_trial
from trialkit.wording import speaking


@pytest.mark.parametrize("language", ["en", "de"])
def test_the_notes_of_a_first_file_make_ranges(tmp_path, language):
    """Take the # from both ranges and the other levels out, as the file says."""
    with speaking(language=language):
        file = new_trial(tmp_path, chambers=6, batches=4, shelves=["top", "low"], seed=3)
    text = file.read_text(encoding="utf-8")
    text = re.sub(r"(?m)^levels\.(sparse|sparsam)\b.*\n", "", text)
    text = re.sub(r"(?m)^# (range = \{ duty_pct)", r"\1", text)
    light = re.search(r"range = \{ lux[^}]*\}", text).group(0)
    today = '[factors.light]\napplied_to = "batch:chamber:shelf"\ncontrol = "today"\n'
    today += f"levels.today = {{ lux = 300 }}\n{light}\n\n[question]\n"
    file.write_text(text.replace("[question]\n", today), encoding="utf-8")
    trial = tk.read_trial(tmp_path)
    assert [(f.tuned.name, f.stepped) for f in trial.tuned] == [("duty_pct", True), ("lux", True)]
    assert trial.tuned[0].number("6 %") == pytest.approx(100 * 20 / 333)


def test_steps_are_stated_or_not(tmp_path):
    file = new_trial(tmp_path, seed=3)
    text = re.sub(r"(?m)^levels\.sparse\b.*\n", "", file.read_text(encoding="utf-8"))
    for given, stated in (("", False), (", step = 1", True), (", values = [2, 4, 6]", True)):
        row = f"range = {{ duty_pct = [2, 6], on_s = 20{given} }}\n"
        file.write_text(re.sub(r"(?m)^# range = \{ duty_pct.*\n", row, text), encoding="utf-8")
        assert tk.read_trial(tmp_path).tuned[0].stepped is stated


def test_a_range_beside_named_levels_is_refused_with_what_to_do(tmp_path):
    file = new_trial(tmp_path, shelves=["top", "low"], seed=3, second=("strain", ["a", "b"]))
    text = re.sub(r"(?m)^levels\.sparse\b.*\n", "", file.read_text(encoding="utf-8"))
    text = re.sub(r"(?m)^# (range = \{ duty_pct)", r"\1", text)
    file.write_text(text, encoding="utf-8")
    trial = tk.read_trial(tmp_path)
    with pytest.raises(PlanError, match="tune schedule at one level of strain, in a trial of its"):
        tk.assign(trial)
    with pytest.raises(ModelError, match="give all of them named levels"):
        analyse_settings(trial, SimpleNamespace())


def test_a_region_of_one_step_is_told_as_one():
    surface = SimpleNamespace(settings=(SettingRange("mist", 2, 10, 8, "%"),))
    region = SimpleNamespace(best=np.array([6.5]), open_low=(False,), open_high=(False,))
    region.limits = lambda: [(6.5, 6.5)]
    assert str(say_part(surface, region, 0)) == "mist 6.50 % (the next steps give less)"
    region.limits = lambda: [(6.0, 7.0)]
    assert str(say_part(surface, region, 0)) == "mist 6.50 % (6.00 to 7.00)"


def test_invented_answers_scatter_about_their_stated_truth():
    """Mean and variance: TRUE_SD² and the mean squared standard error, uniform 0.8 to 1.5."""
    one = TrialAnswer(
        "A", "", "", "fresh_g", "g", "more", "sparse", "usual", 0.3, 0.03, 9.0, "t",
        dict.fromkeys(COUNTS, 8), "0" * 64,
    )  # fmt: skip
    drawn = invent_answers(one, count=4000)
    found = np.array([a.estimate for a in drawn])
    squared = 0.03**2 * (1.5**3 - 0.8**3) / (3 * 0.7)
    assert found.mean() == pytest.approx(TRUE_MEAN, abs=4 * found.std() / np.sqrt(4000))
    assert found.var() == pytest.approx(TRUE_SD**2 + squared, rel=0.1)
    assert all(a.invented for a in drawn)
    assert len({a.fingerprint for a in drawn}) == 4000
