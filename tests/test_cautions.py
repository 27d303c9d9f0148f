"""The cautions: all the hazards, a source for each, facts as published."""

from __future__ import annotations

import re
from dataclasses import FrozenInstanceError

import pytest

import trialkit as tk
from tests.design.conftest import write_trial
from trialkit import cautions


def test_every_hazard_is_covered_with_a_dated_or_coded_source():
    codes = {c.code for c in cautions._ALL}
    assert codes == {
        *("mains", "mist_water", "legionella", "pressure", "spores", "co2", "food_hygiene"),
        *("identity", "slips", "ladders", "cleaning", "salts", "substrate", "uv"),
    }
    for caution in cautions._ALL:
        assert re.search(r"\(\d{4}\)|CFR|IEC|BS 7671|; \d{4}\)", caution.source), caution.code
        assert set(caution.where) <= set(cautions.PLACES)
        assert 60 < len(caution.text) < 620
        assert 30 < len(caution.short) < min(200, len(caution.text))
    # a leaflet for building sites says nothing of growing rooms
    assert not any("203-006" in c.source for c in cautions._ALL)


def trial_with(tmp_path, level: str, rig: str = "") -> tk.Trial:
    """Write a trial of two levels of one kind."""
    write_trial(
        tmp_path,
        "structure = 'batch / chamber'\nbatch = 3\nchamber = 4",
        {"setting": ("batch:chamber", [], f"levels.a = {level}\nlevels.b = {level[:-2]}0 }}")},
        extra=f"[rig]\n{rig}\n",
    )
    return tk.read_trial(tmp_path)


def test_cautions_appear_where_the_thing_is_used(tmp_path):
    def told(trial, where="plan"):
        return {c.code for c in cautions.list_cautions(where=where, uses=cautions.uses_of(trial))}

    of_mist = {"mist_water", "legionella", "slips"}
    lights = trial_with(tmp_path, "{ lux = 500, hours = 1 }")
    assert cautions.uses_of(lights) == frozenset()
    assert not told(lights) & (of_mist | {"pressure", "uv"})
    assert {"mains", "co2", "spores", "cleaning", "ladders", "substrate", "salts"} <= told(lights)
    fogged = trial_with(tmp_path, "{ lux = 500, hours = 1 }", "mist_l_h = 0.3")
    assert of_mist <= told(fogged)
    misted = trial_with(tmp_path, "{ on_s = 20, off_s = 220 }")
    for where in cautions.PLACES:
        assert of_mist <= told(misted, where)
        assert "co2" in told(misted, where)
        assert not told(misted, where) & {"pressure", "uv"}
    tap = trial_with(tmp_path, "{ on_s = 20, off_s = 220 }", "mist_bar = 6")
    assert "pressure" not in told(tap)
    line = trial_with(tmp_path, "{ lux = 500, hours = 1 }", "mist_bar = 70\nuv_lamps = true")
    assert {"pressure", "uv"} | of_mist <= told(line)


def test_without_a_trial_all_are_told():
    for where in ("report", "notebooks", "sheets"):
        codes = {c.code for c in cautions.list_cautions(where=where)}
        assert codes == {c.code for c in cautions._ALL}
    assert "Carbon dioxide" in str(cautions.show_cautions())
    assert "NIOSH (1976)" in cautions.show_cautions().html()


def test_what_must_never_be_done_is_said():
    text = {c.code: c.text for c in cautions._ALL}
    assert "stay out until the room is aired and measured again" in text["co2"]
    assert "do not go in after them" in text["co2"]
    assert "Never mix cleaning agents" in text["cleaning"]
    assert "air the room well" in text["cleaning"]
    assert "never feel for a leak with your hand" in text["pressure"]
    assert "under pressure" in text["substrate"]


def test_the_short_ones_keep_what_can_kill():
    short = {c.code: c.short for c in cautions._ALL}
    assert "stay out until the room is aired and measured from outside" in short["co2"]
    assert "do not go in, call the rescue service" in short["co2"]
    assert "Never mix cleaning agents" in short["cleaning"]
    assert "never feel for a leak with your hand" in short["pressure"]
    assert "licensed electrician" in short["mains"]
    assert "under pressure" in short["substrate"]
    assert "doctor" in short["spores"]
    assert not any("memory" in words for words in short.values())


def test_numbers_are_those_of_the_sources():
    """OSHA table Z-1 5 000 ppm; NIOSH 30 000 ppm; L8 20–45 °C; RCD 30 mA; ICNIRP 6 mJ/cm²."""
    text = {c.code: c.text for c in cautions._ALL}
    assert "5 000 ppm" in text["co2"]
    assert "30 000 ppm" in text["co2"]
    assert "20 and 45 °C" in text["legionella"]
    assert "30 mA" in text["mains"]
    assert "6 mJ/cm²" in text["uv"]


def test_they_defer_to_codes_and_licensed_practice():
    text = {c.code: c.text.lower() for c in cautions._ALL}
    assert "licensed electrician" in text["mains"]
    assert "local code" in text["mains"]
    assert "doctor" in text["spores"]
    assert "food law" in text["food_hygiene"]
    for words in text.values():
        assert not re.search(r"\b(dose|treat|diagnos|guarantee)", words)


def test_wording_is_frozen_and_asking_wrongly_is_refused():
    caution = cautions.list_cautions(where="plan")[0]
    with pytest.raises(FrozenInstanceError):
        caution.text = "x"
    assert caution.title in str(caution)
    assert caution.source in str(caution)
    with pytest.raises(ValueError, match="one of: plan"):
        cautions.list_cautions(where="moon")
    with pytest.raises(ValueError, match="some of: mist, pressure, uv"):
        cautions.list_cautions(where="plan", uses=["x"])
