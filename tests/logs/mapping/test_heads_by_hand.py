"""Heads and cells that name a column: scores counted by hand, and what is expected in a file."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest

from tests.logs.folder import make_trial
from trialkit.errors import LogError
from trialkit.logs.heads import find_columns
from trialkit.logs.mapping.likeness import Likeness, find_likeness, named_score
from trialkit.logs.mapping.propose import propose_mapping
from trialkit.logs.opening import expected_heads
from trialkit.trial.sections import LogSection


def section(**columns: Any) -> LogSection:
    return LogSection(files=["a.csv"], columns=columns)


# ------------------------------------------------------------------ heads


def test_heads_that_the_trial_file_names_are_expected_in_the_file() -> None:
    """A date and a clock joined count whole and one by one; a pattern of chambers is no head."""
    spec = section(time=["day + clock", "when"], temp_c="{chamber} t", rh_pct="humid")
    found = expected_heads(spec, "environment", {})
    assert {"day + clock", "day", "clock", "when", "humid"} <= set(found)
    assert "{chamber} t" not in found
    assert {"time", "chamber", "temp_c", "rh_pct", "date", "timestamp"} <= set(found)


def test_the_first_head_of_a_list_that_is_there_counts() -> None:
    spec = section(time="when", temp_c=["Luft", "air temp"], rh_pct=["x", "y"])
    found = find_columns([" WHEN", "Air  Temp", "luft", "co2_ppm"], spec, "environment", file="a")
    assert found.heads == {"time": " WHEN", "temp_c": "luft", "co2_ppm": "co2_ppm"}
    [absent] = found.findings
    assert (absent.code, absent.severity) == ("column_absent", "caution")
    assert dict(absent.values)["column"] == "rh_pct"
    note = find_columns(["time", "temp_c"], section(sensor="probe"), "environment", file="a")
    assert [f.severity for f in note.findings] == ["note"]


def test_a_date_and_a_clock_are_joined_where_both_are_there() -> None:
    spec = section(time="day + clock")
    found = find_columns(["Day", "CLOCK", "temp_c"], spec, "environment", file="a")
    assert found.heads["time"] == "Day + CLOCK"
    assert found.time_parts == ("Day", "CLOCK")
    with pytest.raises(LogError, match="no column"):
        find_columns(["Day", "temp_c"], spec, "environment", file="a")
    whole = find_columns(["day + clock", "temp_c"], spec, "environment", file="a")
    assert whole.heads["time"] == "day + clock"
    assert find_columns(["temp_c", "date"], section(), "environment", file="a").time_parts == (
        "date",
    )


def test_columns_of_a_wide_file_belong_to_the_chamber_in_their_head() -> None:
    """T1 and T10 differ; a name that the trial file gives for a chamber counts too."""
    spec = LogSection(
        files=["a.csv"], columns={"time": "time", "temp_c": "{chamber}  Temp"},
        chamber={"left tent": "T2"},
    )  # fmt: skip
    heads = ["time", "T1 temp", "T10 temp", "Left  Tent Temp", "T1 temperature"]
    found = find_columns(heads, spec, "environment", file="a", chambers=("T1", "T2", "T10"))
    assert [(w.chamber, w.head) for w in found.wide] == [
        ("T1", "T1 temp"), ("T10", "T10 temp"), ("left tent", "Left  Tent Temp")
    ]  # fmt: skip
    assert found.heads == {"time": "time"}


def test_units_in_heads_are_taken_unless_the_trial_file_states_them() -> None:
    heads = ["time", "T (°F)", "RH (%)", "Weight kg"]
    spec = section(temp_c="T (°F)", rh_pct="RH (%)")
    found = find_columns(heads, spec, "environment", file="a")
    assert found.units == {"temp_c": "degF"}  # % is the house unit already
    assert [f.code for f in found.findings] == ["unit_from_head"]
    stated = LogSection(files=["a"], columns=spec.columns, units={"temp_c": "degC"})
    found = find_columns(heads, stated, "environment", file="a")
    assert (found.units, found.findings) == ({"temp_c": "degC"}, ())


@pytest.mark.parametrize(
    ("kind", "heads", "sound"),
    [
        ("environment", ["time", "temp_c"], True), ("environment", ["temp_c"], False),
        ("environment", ["time", "note"], False), ("mist", ["time", "state"], True),
        ("mist", ["start", "stop"], True), ("mist", ["state"], False),
        ("harvest", ["unit", "fresh_g"], True), ("harvest", ["unit", "status"], True),
        ("harvest", ["unit", "note"], False),
    ],
)  # fmt: skip
def test_a_file_needs_a_time_and_a_value(kind: str, heads: list[str], sound: bool) -> None:
    if sound:
        assert find_columns(heads, section(), kind, file="a").heads
    else:
        with pytest.raises(LogError, match="no column has a name"):
            find_columns(heads, section(), kind, file="a")


# ------------------------------------------------------------------ likeness


@pytest.mark.parametrize(
    ("head", "column", "score", "word"),
    [
        ("temp_c", "temp_c", 5.0, "temp_c"),
        ("Air temperature", "temp_c", 3.0, "temperature"),  # the first word of its list
        ("Temp 1", "temp_c", 2.95, "temp"),  # the second
        ("roomtemperature", "temp_c", 2.0, "temperature"),  # inside another word
        ("tempo", "temp_c", 1.95, "temp"),
        ("rhubarb", "rh_pct", 0.0, ""),  # two letters inside a word say nothing
        ("RH", "rh_pct", 2.95, "rh"),
        ("CO2 (ppm)", "co2_ppm", 3.0, "co2"),
        ("wave", "flush", 2.95, "wave"),
        ("colour", "temp_c", 0.0, ""),
    ],
)
def test_heads_are_scored_by_their_words(head: str, column: str, score: float, word: str) -> None:
    assert named_score(head, column) == (pytest.approx(score), word)


@pytest.fixture(scope="module")
def trial(tmp_path_factory: pytest.TempPathFactory) -> Any:
    logs = '\n[logs.environment]\nfiles = ["a.csv"]\n'
    return make_trial(tmp_path_factory.mktemp("trial"), {"a.csv": b"time\n"}, logs)


def judged(trial: Any, head: str, column: str, *cells: str, decimal: str = ".") -> Likeness:
    return find_likeness(trial, head, pa.array(cells), column, decimal)


@pytest.mark.parametrize(
    ("column", "cells", "score"),
    [
        ("time", ["2031-01-14 10:00"] * 5, 3.0),
        ("time", ["2031-01-14 10:00"] * 4 + ["x"], 0.0),  # four of five are not more than 80 %
        ("time", ["2031-01-14 10:00"] * 6 + ["x"], 3.0),
        ("time", ["03/04/2031", "13/04/2031", "04/13/2031"], 3.0),  # one order or the other
        ("chamber", ["T1", "t2", "T03", ""], 3.5),
        ("chamber", ["a", "b"], 0.0),
        ("chamber", ["T1", "T2", "T1", "T2", "x"], 0.0),  # four of five again
        ("shelf", ["top", "top", "bottom", "top", "x"], 0.0),
        ("shelf", ["top", "Bottom"], 3.0),
        ("shelf", ["left", "top"], 0.0),
        ("unit", ["B1-T1-top-1", "B1-T1-top-2", "x"], 4.0),
        ("unit", ["B1-T1-top-1", "x"], 0.0),  # half is not most
    ],
)
def test_cells_alone_suffice_for_times_and_names(
    trial: Any, column: str, cells: list[str], score: float
) -> None:
    found = judged(trial, "zzz", column, *cells)
    assert found.score == score
    assert (found.reason != "") == (score > 0)


@pytest.mark.parametrize(
    ("head", "column", "cells", "score", "unit"),
    [
        ("temp", "temp_c", ["20.5", "21", "n/a"], 3.45, None),
        ("temp", "temp_c", ["20.5", "x", "y"], 0.0, None),  # hardly a number
        ("temp", "temp_c", ["68", "69"], 3.45, "degF"),
        ("temp", "temp_c", ["45.0", "45.0"], 3.45, None),
        ("temp", "temp_c", ["45.5", "45.5"], 3.45, "degF"),
        ("temp", "temp_c", ["110", "110"], 0.0, None),
        ("temp (°F)", "temp_c", ["68", "69"], 3.45, "degF"),
        ("temp (°F)", "temp_c", ["168", "169"], 0.0, None),  # 75 °C is no growing room
        ("rh", "rh_pct", ["0.88", "1.0"], 3.45, "fraction"),
        ("rh", "rh_pct", ["88", "91"], 3.45, None),
        ("rh", "rh_pct", ["0.5", "1.1"], 0.0, None),
        ("fogger", "state", ["on", "off", "ON"], 5.4, None),
        ("fogger", "state", ["on", "20"], 0.0, None),
        ("fogger", "state", ["on", "off", "on", "off", "20"], 0.0, None),
        ("wave", "flush", ["1", "2"], 3.45, None),
        ("wave", "flush", ["1", "3"], 0.0, None),  # the trial has two flushes
        ("note", "note", ["nice"], 5.0, None),
        ("temp", "temp_c", ["", "-"], 2.95, None),  # empty cells say nothing against it
    ],
)
def test_cells_speak_for_a_head_or_against_it(
    trial: Any, head: str, column: str, cells: list[str], score: float, unit: str | None
) -> None:
    """Half a point for values of the likely range, two and a half for words of a switch."""
    found = judged(trial, head, column, *cells)
    assert (found.score, found.unit) == (pytest.approx(score), unit)


@pytest.mark.parametrize(
    ("head", "column", "low", "high"),
    [
        ("temp", "temp_c", -10.0, 45.0), ("rh", "rh_pct", 1.5, 101.0),
        ("co2", "co2_ppm", 250.0, 20_000.0), ("lux", "light_lux", 0.0, 150_000.0),
        ("par", "ppfd_umol_m2_s", 0.0, 2500.0), ("power", "power_w", 0.0, 1e5),
        ("current", "current_a", 0.0, 1e3), ("duration", "on_s", 0.0, 1e6),
    ],
)  # fmt: skip
def test_values_that_no_grower_logs_speak_against_a_head(
    trial: Any, head: str, column: str, low: float, high: float
) -> None:
    """Common practice, no source: what is likely for each column; the middle value is judged."""
    for value, fits in ((low, True), (high, True), (low - 0.1, False), (1.02 * high, False)):
        if column == "temp_c" and value > high:
            continue  # that may be Fahrenheit
        found = judged(trial, head, column, f"{value:.3f}", f"{value:.3f}")
        assert (found.score > 0) == fits, value


def test_values_are_told_as_they_are_written(trial: Any) -> None:
    found = judged(trial, "temp (°F)", "temp_c", "68", "70,5", decimal=",")
    clues = dict(found.reason.values)["clues"]  # type: ignore[union-attr]
    told = dict(clues[1].values)
    assert (told["low"], told["high"], told["unit"]) == (68.0, 70.5, "degF")


# ------------------------------------------------------------------ proposals


def proposed(folder: Path, files: dict[str, str], kind: str = "environment") -> Any:
    logs = f"\n[logs.{kind}]\nfiles = {list(files)}\n".replace("'", '"')
    trial = make_trial(folder, {k: v.encode() for k, v in files.items()}, logs)
    return propose_mapping(trial, kind)


def keys(found: Any) -> list[str]:
    return [q.partition(" ")[0] if isinstance(q, str) else q.key for q in found.questions]


def test_what_is_missing_is_asked_for(tmp_path: Path) -> None:
    rows = "".join(f"2031-01-14 10:{m:02d},20.{m}\n" for m in range(10))
    assert proposed(tmp_path / "1", {"T1.csv": "time,temp\n" + rows}).questions == ()
    assert len(proposed(tmp_path / "2", {"T1.csv": "zzz,yyy\na,b\n"}).questions) == 2
    assert len(proposed(tmp_path / "3", {"a.csv": "time,temp\n" + rows}).questions) == 1
    sheet = "unit,weight\nB1-T1-top-1,300\nB1-T1-top-2,310\n"
    found = proposed(tmp_path / "4", {"h.csv": sheet}, "harvest")
    assert (found.columns["unit"], found.columns["fresh_g"]) == ("unit", "weight")
    assert len(found.questions) == 1  # which flush
    bare = proposed(tmp_path / "5", {"h.csv": "flush,weight\n1,300\n2,310\n"}, "harvest")
    assert len(bare.questions) == 1  # which unit


def test_a_clock_in_a_column_of_its_own_is_joined_to_the_date(tmp_path: Path) -> None:
    rows = "".join(f"2031-01-14,10:{m:02d},20.{m}\n" for m in range(10))
    found = proposed(tmp_path / "1", {"T1.csv": "date,at,temp\n" + rows})
    assert found.columns["time"] == "date + at"
    few = rows.replace("10:00", "x").replace("10:01", "x").replace("10:02", "x")
    found = proposed(tmp_path / "2", {"T1.csv": "date,at,temp\n" + few})
    assert found.columns["time"] == "date"  # seven of ten are not more than 80 %


def test_a_fit_of_two_and_a_half_is_enough_and_of_less_is_none(tmp_path: Path) -> None:
    """A word inside another is worth 2, values of the likely range half a point."""
    rows = "".join(f"2031-01-14 10:{m:02d},20.{m}\n" for m in range(10))
    found = proposed(tmp_path / "1", {"T1.csv": "time,roomtemperature\n" + rows})
    assert found.columns["temp_c"] == "roomtemperature"
    less = proposed(tmp_path / "2", {"T1.csv": "time,roomtempo\n" + rows})
    assert "temp_c" not in less.columns  # the second word of its list: 1.95 and a half


def test_heads_apart_by_a_twentieth_are_no_rivals(tmp_path: Path) -> None:
    rows = "".join(f"2031-01-14 10:{m:02d},20.{m},21.{m}\n" for m in range(10))
    found = proposed(tmp_path / "1", {"T1.csv": "time,temperature,temp\n" + rows})
    assert (found.columns["temp_c"], found.questions) == ("temperature", ())
    alike = proposed(tmp_path / "2", {"T1.csv": "time,temp a,temp b\n" + rows})
    assert len(alike.questions) == 1


def test_heads_that_differ_by_their_chamber_are_one_pattern(tmp_path: Path) -> None:
    rows = "".join(f"2031-01-14 10:{m:02d},20,21,80,81\n" for m in range(10))
    found = proposed(tmp_path / "1", {"a.csv": "time,T1 temp,T2 temp,T1 rh,T2 rh\n" + rows})
    assert found.columns == {
        "time": "time", "temp_c": "{chamber} temp", "rh_pct": "{chamber} rh"
    }  # fmt: skip
    assert found.questions == ()
    one = "".join(f"2031-01-14 10:{m:02d},20\n" for m in range(10))
    alone = proposed(tmp_path / "2", {"a.csv": "time,T1 temp\n" + one})
    assert alone.columns["temp_c"] == "T1 temp"  # one head is no pattern


@pytest.mark.parametrize("head", ["T" + "1" * 60 + "x", "T" + "1" * 100_000 + "x", "_" * 50_000])
def test_a_head_of_thousands_of_figures_is_judged_and_no_sign(head: str) -> None:
    """Each figure doubled the time of a pattern: this test would not end."""
    assert named_score(head, "temp_c") == (0.0, "")
    assert named_score("Temp_1234", "temp_c") == named_score("Temp_1", "temp_c")
