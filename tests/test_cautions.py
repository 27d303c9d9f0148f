"""The cautions: all the hazards, a source for each, facts as published."""

from __future__ import annotations

import re
from dataclasses import FrozenInstanceError

import pytest

from trialkit import cautions


def test_every_hazard_is_covered_with_a_dated_or_coded_source():
    codes = {c.code for c in cautions._ALL}
    assert codes == {
        "mains",
        "mist_water",
        "legionella",
        "spores",
        "co2",
        "food_hygiene",
        "identity",
        "slips",
        "uv",
    }
    for caution in cautions._ALL:
        assert re.search(r"\(\d{4}\)|CFR|IEC|BS 7671", caution.source), caution.code
        assert set(caution.where) <= set(cautions.PLACES)
        assert caution.where
        assert 60 < len(caution.text) < 620
        assert len(caution.short) <= 90


def test_the_report_and_the_notebooks_show_every_standing_caution():
    standing = {c.code for c in cautions._ALL} - {"uv"}
    for where in ("report", "notebooks"):
        assert {c.code for c in cautions.list_cautions(where=where)} == standing
    assert "uv" in {c.code for c in cautions.list_cautions(where="plan", extras=["uv"])}
    assert "mains" in {c.code for c in cautions.list_cautions(where="sheets")}


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
    with pytest.raises(ValueError, match="uv"):
        cautions.list_cautions(where="plan", extras=["x"])
