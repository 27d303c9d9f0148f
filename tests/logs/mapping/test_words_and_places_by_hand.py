"""Words in heads, names of places in heads, and columns that name quantities: each by hand."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pyarrow as pa
import pytest

from trialkit.logs.mapping.day_order import judge_order
from trialkit.logs.mapping.head_words import _sign_of, named_score, words_of
from trialkit.logs.mapping.places import (
    ask_chamber,
    ask_places,
    file_tells,
    likely_chamber,
    part_by_place,
    patterns_of_places,
    strange_names,
)
from trialkit.logs.mapping.quantities import _has_values, _words, choice_heads, find_quantities
from trialkit.logs.text.chosen_cells import add_choices
from trialkit.logs.text.names import match_names, tidy

# ------------------------------------------------------------------ words of heads


@pytest.mark.parametrize(
    ("head", "column", "score", "word"),
    [
        ("temp_c", "temp_c", 5.0, "temp_c"), ("TEMP_C ", "temp_c", 5.0, "temp_c"),
        ("value where kind is temp_c", "temp_c", 5.0, "temp_c"),
        # by their place in the list of words: a twentieth less for each
        ("temperatur", "temp_c", 2.9, "temperatur"), ("°C", "temp_c", 2.75, "°c"),
        ("label", "note", 0.0, ""), ("cap count", "temp_c", 0.0, ""),
        # further words and signs, all alike
        ("Celsius", "temp_c", 2.6, "celsius"), ("気温", "temp_c", 2.6, "気温"),
        ("AirTC", "temp_c", 2.6, "airtc"), ("deg C", "temp_c", 2.6, "deg c"),
        ("℃", "temp_c", 2.6, "℃"), ("when", "time", 2.6, "when"), ("RHavg", "rh_pct", 2.6, "rh"),
        ("UR %", "rh_pct", 2.6, "ur"), ("UR", "rh_pct", 0.0, ""), ("u (%)", "rh_pct", 2.6, "u"),
        ("Lf %", "temp_c", 0.0, ""),
        # inside another word: two, less for short words by their place in the list
        ("Raumtemperatur", "temp_c", 2.0, "temperatur"), ("luftfeuchtemesser", "rh_pct", 2.0,
                                                          "feuchte"),
        ("mytempo", "temp_c", 1.95, "temp"), ("xtimer", "time", 2.0, "time"),
        ("xrhx", "rh_pct", 0.0, ""), ("xluxx", "light_lux", 0.0, ""),
        ("xlichtx", "light_lux", 1.85, "licht"), ("xkelembabanx", "rh_pct", 2.0, "kelembaban"),
        ("x湿度x", "rh_pct", 2.0, "湿度"), ("xhumix", "rh_pct", 0.0, ""),
        # another quantity, or a spread around the middle
        ("dew point temp", "temp_c", 0.0, ""), ("temp max", "temp_c", 0.0, ""),
        ("temp max avg", "temp_c", 3.0 - 0.05, "temp"), ("abs humidity", "rh_pct", 0.0, ""),
        ("state max", "state", 3.0, "state"), ("eCO2", "co2_ppm", 0.0, ""),
        # a percent sign alone, in a column of units
        ("value where unit is %", "rh_pct", 2.6, "%"), ("%", "rh_pct", 0.0, ""),
        ("value where unit is %", "temp_c", 0.0, ""), ("value where unit is pct", "rh_pct", 2.6,
                                                       "pct"),
        ("T", "temp_c", 2.6, "t"), ("T1", "temp_c", 0.0, ""), ("H", "rh_pct", 2.6, "h"),
        ("fresh_g", "fresh_g", 5.0, "fresh_g"),
    ],
)  # fmt: skip
def test_how_well_a_head_names_a_column(head: str, column: str, score: float, word: str) -> None:
    found = named_score(head, column)
    assert found == (pytest.approx(score), word)


@pytest.mark.parametrize(("letters", "sign"), [(120, "t"), (121, "")])
def test_heads_of_more_than_120_letters_are_no_signs(letters: int, sign: str) -> None:
    head = "T (" + "x" * (letters - 4) + ")"
    assert len(head) == letters
    assert _sign_of(head, "temp_c") == sign
    assert _sign_of("T", "co2_ppm") == ""


@pytest.mark.parametrize(
    ("head", "words"),
    [
        ("AirTemp", {"airtemp", "air", "temp"}), ("CO2 ppm", {"co2", "ppm"}),
        ("temp2", {"temp2", "temp"}), ("RHAvg", {"rhavg", "rh", "avg"}), ("°C", {"°c"}),
        ("a_b", {"a", "b"}), ("RH %", {"rh", "%"}),
    ],
)  # fmt: skip
def test_words_of_a_head(head: str, words: set[str]) -> None:
    assert words_of(head) == words


# ------------------------------------------------------------------ places in heads

TRIAL: Any = SimpleNamespace(levels={"chamber": ("T1", "T2", "T10")}, aliases={})


@pytest.mark.parametrize(
    ("heads", "pattern", "names"),
    [
        (["CH1 Temp", "CH2 Temp"], "CH{chamber} Temp", ["1", "2"]),
        (["left temp", "right temp"], "{chamber} temp", ["left", "right"]),
        (["temp left", "temp right"], "temp {chamber}", ["left", "right"]),
        (["a 1 b", "a  2 b"], "a {chamber} b", ["1", "2"]),
        (["Temp", "Temp 2"], None, None), (["a 1", "b 2"], None, None),
        (["a-1", "a 1"], None, None),
        (["a 1", "a 1"], None, None), (["a {x} 1", "a {x} 2"], None, None),
        (["a 1", "a 2", "A 1"], None, None), (["x"], None, None),
    ],
)  # fmt: skip
def test_heads_that_differ_in_one_place(
    heads: list[str], pattern: str | None, names: list[str] | None
) -> None:
    assert part_by_place(heads) == (None if pattern is None else (pattern, names))


def test_patterns_of_heads_with_chambers() -> None:
    """The longest name first; one head alone is no pattern, unless it chooses cells."""
    found = patterns_of_places(
        TRIAL, dict.fromkeys(["T1 temp", "T10 temp", "rh T2", "rh T1", "co2 T2", "time"])
    )
    assert found == {"{chamber} temp": ["T1 temp", "T10 temp"], "rh {chamber}": ["rh T2", "rh T1"]}
    chosen = patterns_of_places(TRIAL, {"value where sensor is T1": None})
    assert chosen == {"value where sensor is {chamber}": ["value where sensor is T1"]}
    inner = patterns_of_places(TRIAL, dict.fromkeys(["tempT1", "tempT2"]))
    assert inner == {"temp{chamber}": ["tempT1", "tempT2"]}
    last = patterns_of_places(TRIAL, {"T1 where sensor is T2 x": None})
    assert list(last) == ["T1 where sensor is {chamber} x"]


@pytest.mark.parametrize(
    ("chambers", "name", "likely"),
    [
        (["T1", "T2"], "2", 1), (["T1", "T2"], "probe 02 ", 1), (["T1", "T2"], "3", None),
        (["A1", "B1"], "1", None), (["left", "right"], "old", None), (["left"], "1", None),
        (["T1", "left"], "old", None),
    ],
)  # fmt: skip
def test_the_number_at_the_end_suggests_a_chamber(
    chambers: list[str], name: str, likely: int | None
) -> None:
    assert likely_chamber(chambers, name) == likely


@pytest.mark.parametrize(("count", "questions"), [(24, 24), (25, 1)])
def test_so_many_names_are_asked_about_one_by_one(count: int, questions: int) -> None:
    asked = ask_places(TRIAL, [f"n{k}" for k in range(count)], "sensor")
    assert len(asked) == questions
    assert bool(asked[0].choices) == (questions > 1)


def test_each_chamber_or_none_may_be_answered() -> None:
    [one] = ask_places(TRIAL, ["probe 2"], "sensor", {"columns": {"chamber": "sensor"}})
    assert [given for _, given in one.choices] == [
        *(
            {"columns": {"chamber": "sensor"}, "chamber": {"probe 2": c}}
            for c in ("T1", "T2", "T10")
        ),
        {},
    ]
    assert (one.likely, one.said.key) == (1, "question.place_likely")
    assert "T2" in str(one)
    [other] = ask_places(TRIAL, ["x"], "sensor")
    assert (other.likely, other.said.key) == (None, "question.place")
    assert other.choices[0][1] == {"chamber": {"x": "T1"}}


def test_a_file_whose_name_tells_no_chamber_is_asked_about() -> None:
    table: Any = SimpleNamespace(name="log.csv", n=3, columns={"t": pa.array(["a", "b", "c"])})
    asked = ask_chamber(TRIAL, "environment", table)
    assert asked is not None
    values = dict(asked.said.values)
    assert (values["first"], values["last"], values["rows"]) == ("a", "c", 3)
    assert [given for _, given in asked.choices][2] == {"chamber": {"log.csv": "T10"}}
    table.name = "T1.csv"
    assert ask_chamber(TRIAL, "environment", table) is None
    assert file_tells(TRIAL, "environment", table)
    table.name, table.n = "log.csv", 0
    empty = ask_chamber(TRIAL, "environment", table)
    assert empty is not None
    assert dict(empty.said.values)["first"] == ""
    assert not file_tells(SimpleNamespace(levels={}, aliases={}), "environment", table)


def test_names_that_are_no_chambers() -> None:
    cells = pa.array(["T1", "x", "t2", "", " ", "y", "x"])
    assert strange_names(TRIAL, cells) == ["x", "y"]


# ------------------------------------------------------------------ names in cells


def test_names_are_matched_whatever_their_spelling() -> None:
    found = match_names(pa.array(["T1", "t-01", " T2 ", "old", "x", None]), ["T1", "T2"],
                        given={"X": "T1"}, also={"old": "T2"})  # fmt: skip
    assert found.codes.tolist() == [0, -1, 1, 1, 0, -1]
    assert tidy("T01") == tidy("t1")
    assert tidy("t-01") != tidy("t1")
    spelled = match_names(pa.array(["t01", "OLD", "T1"]), ["T1", "T2"], also={"old": "T2"})
    assert spelled.codes.tolist() == [0, 1, 0]
    assert spelled.tidied == {"t01": "T1", "OLD": "T2"}


def test_a_spelling_that_two_names_share_fits_none() -> None:
    found = match_names(pa.array(["t1", "T1", "T01"]), ["T1", "T01"])
    assert found.codes.tolist() == [-1, 0, 1]


# ------------------------------------------------------------------ long tables


@pytest.mark.parametrize(
    ("cells", "values"),
    [
        (["1", "2"], True), (["on", "off"], True), (["on", "2"], True), (["x", "y"], False),
        (["1"] * 5 + ["x"], True), (["1"] * 4 + ["x"], False), (["", "-"], False),
        (["1", "", "n/a"], True), ([], False),
    ],
)  # fmt: skip
def test_cells_that_are_values(cells: list[str], values: bool) -> None:
    """Numbers or words of a switch in more than four fifths of what is filled."""
    assert _has_values(pa.array(cells, pa.string()), ".") == values


@pytest.mark.parametrize(
    ("cells", "words"),
    [
        (["temp", " rh ", "temp", ""], ["temp", "rh"]), (["%", "1"], ["%", "1"]),
        (["1", "2"], []), (["temp", "Temp"], []), (["2031-01-14", "temp"], []), ([], []),
        (["13/04/2031", "temp"], []),
    ],
)  # fmt: skip
def test_words_that_may_name_quantities(cells: list[str], words: list[str]) -> None:
    assert _words(pa.array(cells, pa.string())) == words


@pytest.mark.parametrize(("count", "found"), [(60, 60), (61, 0)])
def test_up_to_sixty_words_may_name_quantities(count: int, found: int) -> None:
    assert len(_words(pa.array([f"w{k}" for k in range(count)]))) == found


def long(**columns: list[str]) -> tuple[str, str, list[str]] | None:
    cells = {head: pa.array(c) for head, c in columns.items()}
    return find_quantities(cells, ("temp_c", "rh_pct"), ".")


def test_the_column_that_names_most_quantities() -> None:
    kinds = {"kind": ["temp", "rh"], "note": ["temp", "x"], "value": ["20", "80"]}
    assert long(**kinds) == ("kind", "value", ["temp", "rh"])
    assert long(kind=["temp", "x"], more=["rh", "y"], value=["20", "80"]) == (
        "kind", "value", ["temp"]
    )  # fmt: skip
    assert long(kind=["a", "b"], value=["20", "80"]) is None
    assert long(kind=["temp", "rh"]) is None
    assert long(kind=["temp", "rh"], value=["x", "y"]) is None
    assert long(kind=["t", "h"], value=["20", "80"]) is None  # letters alone
    assert long(kind=["temp", "rh"], value=["20", "80"], humidity=["80", "81"]) is None
    assert long(kind=["temp", "rh"], value=["20", "80"], humidity=["x", "y"]) == (
        "kind", "value", ["temp", "rh"]
    )  # fmt: skip
    assert long(kind=["xtemperaturex"], value=["20"]) == ("kind", "value", ["xtemperaturex"])


def test_heads_that_choose_cells_of_a_word() -> None:
    assert choice_heads("kind", "value", ["a", "b"]) == [
        "value where kind is a", "value where kind is b"
    ]  # fmt: skip


@pytest.mark.parametrize(("words", "added"), [(500, 500), (501, 500)])
def test_five_hundred_words_choose_cells(words: int, added: int) -> None:
    table: Any = SimpleNamespace(columns={
        "kind": pa.array([f"w{k}" for k in range(words)]),
        "value": pa.array(["1"] * words),
    })  # fmt: skip
    add_choices(table, ["value where kind is w0"])
    assert len(table.columns) == 2 + added


# ------------------------------------------------------------------ day or month first


@pytest.mark.parametrize(
    ("cells", "first"),
    [
        # 12 January and 7 February are 26 days apart, 11 January and 7 February 27; with the month
        # first they are months apart
        (["12/01/2031", "07/02/2031"], True), (["11/01/2031", "07/02/2031"], None),
        (["01/12/2031", "02/07/2031"], False), (["12/01/2031", "12/01/2031"], None),
    ],
)  # fmt: skip
def test_a_log_jumps_no_further_than_26_days(cells: list[str], first: bool | None) -> None:
    assert judge_order(pa.array(cells)) is first


@pytest.mark.parametrize(
    ("head", "first"),
    [
        ("Time (dd/mm/yyyy)", True), ("time mm-dd-yy", False), ("D.M.YYYY", True), ("time", None),
        ("date (m/d/y)", False), ("add/mm/yy", None), ("dd/mmm/yyyy", None),
    ],
)  # fmt: skip
def test_a_head_that_shows_the_order(head: str, first: bool | None) -> None:
    assert judge_order(pa.array(["02/03/2031 10:00"]), head) is first
