"""Settings that a room cannot hold are left out of a plan, and what was not checked is said."""

import pickle

import pytest

from trialkit.chamber.foresee import foresee
from trialkit.design.plan import assign
from trialkit.design.points import held
from trialkit.design.points.held import settings_held
from trialkit.errors import PlanError
from trialkit.trial import read_trial

RIG = """
chamber_m3 = 1.8
air_changes_h = 5.0
room_temp_c = 15
room_rh_pct = 66
evaporating_fraction = 0.8
measured = ["chamber_m3", "air_changes_h", "room_temp_c", "room_rh_pct", "mist_l_h"]
band_low_rh = {low}
band_high_rh = {high}
"""
TUNED = """
[trial]
title = "Mist"
seed = 7
[units]
structure = "(batch * chamber) / block"
batch = 2
chamber = 6
block = 3
[factors.mist]
applied_to = "batch:chamber"
control = "usual"
levels.usual = {{ on_s = 20, off_s = 220 }}
range = {{ duty_pct = [2, 10], on_s = 20, step = 2 }}
[question]
primary = "mist"
[rig]
mist_l_h = 0.4
{rig}
"""


@pytest.fixture(scope="module", autouse=True)
def simulated():
    """Simulate each room under each setting once: these trials differ in their bands alone."""
    kept, simulate = {}, held.simulate

    def once(room, setting):
        key = pickle.dumps((room, setting))
        if key not in kept:
            kept[key] = simulate(room, setting)
        return kept[key]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(held, "simulate", once)
        yield


def tuned_trial(folder, rig):
    (folder / "trial.toml").write_text(TUNED.format(rig=rig), encoding="utf-8")
    return read_trial(folder)


def test_settings_the_room_cannot_hold_are_left_out_before_the_draw_and_said(tmp_path):
    """Against `foresee`, which draws rooms of its own and counts those in the band by itself."""
    trial = tuned_trial(tmp_path, RIG.format(low=94, high=100))
    levels = {name: trial.factors["mist"].levels[name] for name in ("4 %", "6 %")}
    seen = foresee(trial.rig, levels, rooms=150, seed=3).table.set_index("level")
    plan = assign(trial)
    tried = set(plan.table["mist"])
    (told,) = [f for f in plan.findings if f.code == "settings_left_out"]
    gone = told.said.values["levels"]
    assert gone == ["2 %", "4 %"]
    assert seen.loc["4 %", "in_band_pct"] < 5 < 25 < seen.loc["6 %", "in_band_pct"]
    assert not {"2 %", "4 %"} & tried
    assert {"6 %", "usual", "10 %"} <= tried  # the ends of what is left
    assert "2 % and 4 % left out of the plan" in " ".join(str(plan).split())
    wide = settings_held(tuned_trial(tmp_path, RIG.format(low=40, high=100)))
    assert (wide.left_out, wide.findings) == ({}, ())


def test_a_room_that_is_not_described_is_not_checked_and_that_is_said(tmp_path):
    (told,) = assign(tuned_trial(tmp_path, "")).findings
    assert told.code == "settings_unchecked"
    assert "lacks chamber_m3, air_changes_h" in str(told)
    (told,) = settings_held(tuned_trial(tmp_path, RIG.partition("band_low")[0])).findings
    assert "no band_low_rh and band_high_rh" in str(told)


def test_a_room_that_can_hold_hardly_any_setting_is_refused(tmp_path):
    with pytest.raises(PlanError, match="can hold only"):
        assign(tuned_trial(tmp_path, RIG.format(low=10, high=20)))


def test_bands_that_the_fogger_cannot_reach_are_left_out(tmp_path):
    """A hundredth of the mist: 0.004 L/h at 5 changes of 1.8 m³ adds 0.4 g/m³ of water.

    Saturated air at 15 °C holds 12.8 g/m³ (tables of steam): 66 % rise by 3 points.
    """
    rig = RIG.format(low=50, high=99)
    text = TUNED.format(rig=rig).replace("mist_l_h = 0.4", "mist_l_h = 0.004")
    text = text.replace("{ on_s = 20, off_s = 220 }", "{ start_below_rh = 70, stop_above_rh = 72 }")
    text = text.replace("duty_pct = [2, 10], on_s = 20", "start_below_rh = [66, 94], width = 2")
    (tmp_path / "trial.toml").write_text(text.replace("step = 2", "step = 4"), encoding="utf-8")
    (told,) = assign(read_trial(tmp_path)).findings
    assert told.said.values["levels"][-1] == "from 94 %"
    assert "from 66 %" not in told.said.values["levels"]


def test_what_is_left_out_is_no_part_of_how_exact_the_plan_is_and_power_tells_it(tmp_path):
    """Nothing above the highest setting tried is judged, so its error is no part of the worst."""
    from typer.testing import CliRunner

    from trialkit.cli import build
    from trialkit.design.points.draw import prediction_error, settings_of_units

    trial = tuned_trial(tmp_path, RIG.format(low=94, high=100))
    plan = assign(trial)
    values = settings_of_units(trial, plan.table)
    at, error = prediction_error(trial, values)
    tried = [*values[:, 0], trial.factors["mist"].number("usual")]
    between = (at[:, 0] > min(tried) - 1e-5) & (at[:, 0] < max(tried) + 1e-5)
    assert not between.all()  # something is left out at an end
    assert error[~between].max() > error[between].max()
    told = CliRunner().invoke(build(rich_help=False), ["power", str(tmp_path)])
    words = " ".join(told.output.split())
    assert f"{error[between].max():.1f} % where it is known least" in words
    assert "2 % and 4 % left out of the plan" in words
