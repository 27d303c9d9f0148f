"""Messages of places and names, and messages that are stored and said again."""

import datetime as dt
import json
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from trialkit.wording import (
    Either,
    Message,
    Units,
    catalogue,
    message,
    place,
    read_wording,
    several,
    speaking,
    suggestion,
)
from trialkit.wording.storing import from_data, to_data


@pytest.fixture
def other_language(monkeypatch):
    """Give some sentences in a second language, with another order of words."""
    real = catalogue._entries
    own = {
        "place.one": "{name} ({kind})",
        "place.within": "{outer} > {inner}",
        "row_reason.spelling": "tylko pisownia",
        "finding.noon": "bez godziny",
    }
    monkeypatch.setattr(catalogue, "_entries", lambda name: own if name == "pl" else real(name))
    read_wording.cache_clear()
    yield "pl"
    read_wording.cache_clear()


def test_places_are_named_the_widest_last():
    assert str(place({"batch": "B4"})) == "batch B4"
    assert str(place({"batch": "B4", "chamber": "T4"})) == "chamber T4 in batch B4"
    run = {"batch": "B4", "chamber": "T4"}
    assert str(place(run | {"window": "flush 2"})) == "flush 2 in chamber T4 in batch B4"
    assert str(place(run | {"window": "whole"})) == "the whole time in chamber T4 in batch B4"
    assert str(place({"chamber": "T4", "window": "pinning"})) == "pinning in chamber T4"


def test_places_take_the_order_of_the_language(other_language):
    with speaking(other_language):
        assert str(place({"batch": "B4", "chamber": "T4"})) == "B4 (batch) > T4 (chamber)"


def test_long_lists_say_how_many_more_there_are():
    assert several(["a", "b"], 2) == ["a", "b"]
    shown = several(["a", "b", "c", "d"], 2)
    assert read_wording().written(shown) == "a, b, and 2 more"


def test_suggestions_name_what_is_near_or_what_is_known():
    assert str(suggestion("B1-T1-tpo-1", ["B1-T1-top-1"])) == "did you mean 'B1-T1-top-1'?"
    assert str(suggestion("xyz", ["B1", "B2"])) == "known names: B1 and B2"
    many = [f"code {k}" for k in range(30)]
    assert suggestion("?!", many).key == "suggestion.labels"
    assert suggestion("?!", many, list_all=True).values["names"] == many


@pytest.mark.parametrize(
    "said",
    [
        "plain words",
        message("place.row", row=np.int64(7)),
        message("when.hours", hours=np.float64(2.5)),
        message("place.weighed", place=place({"chamber": "T1"}), weight=31.5),
        message("x.y", a=dt.date(2031, 1, 13), b=[message("x.z"), "b"], c=None, d=True),
        message("x.y", since=dt.datetime(2031, 1, 13, 4, 5, tzinfo=ZoneInfo("Europe/Vienna"))),
        message("x.y", since=pd.Timestamp("2031-01-13 04:05", tz="UTC")),
        message("x.y", names=Either(("a", "b")), kind=Units(("batch", "chamber"), 1)),
    ],
)
def test_what_is_stored_comes_back_the_same(said):
    assert from_data(json.loads(json.dumps(to_data(said)))) == said


def test_what_cannot_be_stored_is_refused():
    with pytest.raises(TypeError, match="object cannot be stored"):
        to_data(message("x.y", a=object()))


def test_what_was_stored_is_said_in_the_language_of_the_reader(other_language):
    stored = json.dumps(to_data(message("row_reason.spelling")))
    assert str(from_data(json.loads(stored))) == "only the spelling differs"
    with speaking(other_language):
        assert str(from_data(json.loads(stored))) == "tylko pisownia"
        assert isinstance(from_data(json.loads(stored)), Message)
