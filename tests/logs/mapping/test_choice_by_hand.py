"""Which head is proposed for which column, and what is asked: small tables, each by hand."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pyarrow as pa
import pytest

from tests.logs.folder import TRIAL, make_trial
from trialkit.errors import LogError
from trialkit.logs.mapping.likeness import Likeness
from trialkit.logs.mapping.proposal import Proposal, Question, with_more_heads
from trialkit.logs.mapping.propose import (
    _ask_values,
    _choose,
    _hides_unit,
    _missing,
    _samples,
    _time_parts,
    _wide_columns,
    _with_clock,
    advise_columns,
    propose_for_tables,
    propose_mapping,
)
from trialkit.logs.text.raw_table import RawTable
from trialkit.trial.sections import LogSection
from trialkit.wording import message


@pytest.fixture(scope="module")
def trial(tmp_path_factory: pytest.TempPathFactory) -> Any:
    logs = '\n[logs.environment]\nfiles = ["a.csv"]\n'
    return make_trial(tmp_path_factory.mktemp("trial"), {"a.csv": b"time\n"}, logs)


def table(name: str = "a.csv", **columns: list[Any]) -> RawTable:
    import numpy as np

    n = len(next(iter(columns.values())))
    return RawTable(name, {k: pa.array(v) for k, v in columns.items()}, np.arange(n) + 2,
                    decimal=".")  # fmt: skip


def like(column: str, head: str, score: float, unit: str | None = None) -> Likeness:
    return Likeness(column, head, score, "because", unit)


def chosen(trial: Any, *likely: Likeness, kind: str = "environment", name: str = "a.csv") -> Any:
    found, asked = _choose(trial, kind, table(name, x=["1"]), list(likely))
    return {c.column: c.head for c in found}, [q.said.key for q in asked]


# ------------------------------------------------------------------ the best head


def test_the_best_head_of_each_column_and_each_head_once(trial: Any) -> None:
    assert chosen(trial, like("temp_c", "a", 3.0), like("temp_c", "b", 5.0),
                  like("rh_pct", "b", 4.0), like("rh_pct", "c", 3.0)) == (
        {"temp_c": "b", "rh_pct": "c"}, [])  # fmt: skip


@pytest.mark.parametrize(("score", "found"), [(2.5, True), (2.49, False)])
def test_two_and_a_half_is_enough(trial: Any, score: float, found: bool) -> None:
    assert bool(chosen(trial, like("temp_c", "a", score))[0]) == found


@pytest.mark.parametrize(("behind", "asked"), [(0.03, True), (0.05, False)])
def test_heads_within_four_hundredths_are_rivals(trial: Any, behind: float, asked: bool) -> None:
    found, questions = chosen(trial, like("temp_c", "warm x", 3.0),
                              like("temp_c", "air y", 3.0 - behind), name="T1.csv")  # fmt: skip
    assert found == {"temp_c": "warm x"}
    assert questions == (["question.rivals"] if asked else [])
    assert chosen(trial, like("time", "a", 3.0), like("time", "b", 3.0)) == ({"time": "a"}, [])


def test_rivals_that_differ_in_one_place_are_chambers_where_nothing_else_tells(trial: Any) -> None:
    two = like("temp_c", "CH1 temp", 3.0), like("temp_c", "CH2 temp", 3.0)
    found, asked = chosen(trial, *two)
    assert found == {"temp_c": "CH{chamber} temp"}
    assert asked == ["question.place_likely", "question.place_likely"]
    # the file's name, a column of chambers or the kind of log tells whose they are
    for others, given in (([], {"name": "T1.csv"}), ([like("chamber", "z", 3.5)], {})):
        found, asked = chosen(trial, *two, *others, **given)
        assert found["temp_c"] == "CH1 temp"
        assert asked == ["question.rivals"]
    note = like("note", "note 1", 3.0), like("note", "note 2", 3.0)
    assert chosen(trial, *note)[1] == ["question.rivals"]  # no value: no chamber of its own


def test_a_column_of_chambers_is_no_sensor(trial: Any) -> None:
    sensor = like("sensor", "probe", 3.0)
    assert "sensor" not in chosen(trial, sensor, like("chamber", "probe", 3.5))[0]
    assert chosen(trial, sensor, like("chamber", "probe", 2.6))[0] == {"sensor": "probe"}


# ------------------------------------------------------------------ several columns


def test_moments_in_several_columns(trial: Any) -> None:
    parts = {"Year": pa.array([2031]), "DOY": pa.array([14])}
    [(clue, heads)] = _time_parts(parts)
    assert (clue.head, heads, clue.score) == ("Year + DOY", ["Year", "DOY"], 6.0)
    assert _time_parts({"Year": pa.array([2031])}) == []
    whole = {**parts, "when": pa.array(["2031-01-14 10:00"])}
    assert _time_parts(whole) == []  # one column says it all
    assert len(_time_parts({**parts, "day": pa.array(["2031-01-14"])})) == 1


def test_a_clock_beside_a_date(trial: Any) -> None:
    sample = {"d": pa.array(["2031-01-14"]), "t": pa.array(["10:00"]), "n": pa.array([5])}
    assert _with_clock(like("time", "d", 3.0, "x"), sample).head == "d + t"
    assert _with_clock(like("time", "n", 3.0), sample).head == "n"
    assert _with_clock(like("time", "d + t", 3.0), sample).head == "d + t"
    moment = {"d": pa.array(["2031-01-14 10:00"]), "t": pa.array(["10:00"])}
    assert _with_clock(like("time", "d", 3.0), moment).head == "d"
    assert _with_clock(like("time", "d", 3.0), {"d": sample["d"]}).head == "d"


def test_columns_of_chambers_are_of_the_quantity_that_fits_best(trial: Any) -> None:
    sample = {"T1 rh": pa.array(["80", "81"]), "T2 rh": pa.array(["80", "81"]),
              "T1 zzz": pa.array(["x", "y"]), "T2 zzz": pa.array(["x", "y"])}  # fmt: skip
    found = _wide_columns(trial, "environment", sample, ".")
    assert [(clue.column, clue.head, heads) for clue, heads in found] == [
        ("rh_pct", "{chamber} rh", ["T1 rh", "T2 rh"])
    ]


def test_of_a_long_table_the_cells_of_each_quantity_are_looked_at(trial: Any) -> None:
    one = table(kind=["temp", "rh"] * 300, value=["20.5", "80"] * 300, time=["x"] * 600)
    found = _samples(trial, "environment", one)
    assert list(found) == ["time", "value where kind is temp", "value where kind is rh"]
    assert [len(c) for c in found.values()] == [500, 300, 300]
    assert set(found["value where kind is temp"].to_pylist()) == {"20.5"}
    other = table(kind=["temp", "rh"], value=["20.5", "80"])
    assert list(_samples(trial, "harvest", other)) == ["kind", "value"]


def test_five_hundred_rows_are_looked_at(trial: Any) -> None:
    assert [len(c) for c in _samples(trial, "mist", table(x=["1"] * 501)).values()] == [500]


# ------------------------------------------------------------------ what is asked


def asked_values(trial: Any, *found: Likeness, kind: str = "environment", **cells: Any) -> Any:
    one = table(**cells)
    asked = _ask_values(trial, kind, one, dict(one.columns), list(found))
    return [(q.said.values["column"], [given for _, given in q.choices]) for q in asked]


def test_columns_without_a_telling_head_are_asked_about_by_their_values(trial: Any) -> None:
    cells = {"p": ["20.5", "21", "20"], "q": ["80", "81", "80"], "n": ["1", "2", "3"]}
    assert asked_values(trial, **cells) == [
        ("temp_c", [{"columns": {"temp_c": "p"}}, {}]),
        ("rh_pct", [{"columns": {"rh_pct": "q"}}, {}]),
    ]
    assert asked_values(trial, kind="mist", **cells) == []
    assert asked_values(trial, like("co2_ppm", "n", 3.0), **cells) == []
    assert asked_values(trial, like("time", "p + n", 3.0), **cells)[0][0] == "rh_pct"


def test_heads_with_chambers_are_asked_about_as_one_pattern(trial: Any) -> None:
    cells = {"T1 p": ["20.5", "21", "20"], "T2 p": ["80", "81", "80"]}
    assert asked_values(trial, **cells) == [
        ("temp_c", [{"columns": {"temp_c": "{chamber} p"}}, {}])
    ]


def missing(trial: Any, kind: str, chosen: dict[str, str], *tables: RawTable,
            asked: tuple[Question, ...] = ()) -> list[str]:  # fmt: skip
    found = {c: like(c, head, 3.0) for c, head in chosen.items()}
    return [q.said.key for q in _missing(trial, kind, found, tables or [table(x=["1"])], asked)]


@pytest.mark.parametrize(
    ("kind", "found", "keys"),
    [
        ("environment", {}, ["question.time", "question.values", "question.chamber"]),
        ("environment", {"time": "t", "temp_c": "x", "chamber": "c"}, []),
        ("environment", {"start": "t", "temp_c": "x", "chamber": "c"}, []),
        ("environment", {"time": "t", "temp_c": "{chamber} x"}, []),
        ("environment", {"time": "t", "temp_c": "x"}, ["question.chamber"]),
        ("mist", {"time": "t", "state": "s", "chamber": "c"}, []),
        ("harvest", {}, ["question.units", "question.flush", "question.values"]),
        ("harvest", {"unit": "u", "flush": "f", "fresh_g": "g"}, []),
        ("harvest", {"flush": "f", "fresh_g": "g"}, ["question.units"]),
        ("harvest", {"unit": "u", "fresh_g": "g"}, ["question.flush"]),
    ],
)  # fmt: skip
def test_what_a_log_cannot_be_read_without(
    trial: Any, kind: str, found: dict[str, str], keys: list[str]
) -> None:
    assert missing(trial, kind, found) == keys


def test_what_is_asked_already_or_told_otherwise_is_not_missing(trial: Any) -> None:
    asked = Question(message("question.time", heads="x"), (("a", {"columns": {"temp_c": "p"}}),))
    found = {"time": "t", "chamber": "c"}
    assert missing(trial, "environment", found, asked=(asked,)) == []
    named = table("T1.csv", x=["1"])
    assert missing(trial, "environment", {"time": "t", "temp_c": "x"}, named) == []
    factors = table(batch=["B1"], chamber=["T1"], shelf=["top"], block=["1"], flush=["1"])
    assert missing(trial, "harvest", {"flush": "flush", "fresh_g": "g"}, factors) == []


def test_one_flush_needs_no_column(tmp_path: Path) -> None:
    one = make_trial(tmp_path, {}, "", trial=TRIAL.replace("flushes = 2", "flushes = 1"))
    assert missing(one, "harvest", {"unit": "u", "fresh_g": "g"}) == []


def test_names_of_sensors_are_asked_about_one_by_one(trial: Any) -> None:
    one = table(probe=["p 1", "p 2", "p 1"])
    found = {"time": "t", "temp_c": "x", "sensor": "probe"}
    assert missing(trial, "environment", found, one) == ["question.place_likely"] * 2
    # where the file's name tells, or has no such column, it is the file that is asked about
    assert missing(trial, "environment", found, table("T1.csv", probe=["p 1"])) == []
    assert missing(trial, "environment", found, table(x=["1"])) == ["question.chamber"]


@pytest.mark.parametrize(
    ("head", "unit", "hides"),
    [("temp", "degF", True), ("temp (°F)", "degF", False), ("temp", None, False)],
)
def test_a_unit_that_only_the_values_tell(
    trial: Any, head: str, unit: str | None, hides: bool
) -> None:
    assert _hides_unit(trial, like("temp_c", head, 3.0, unit)) == hides


# ------------------------------------------------------------------ several files


WARM = {"time": ["2031-01-14 10:00", "2031-01-14 10:10"], "temp": ["68.5", "69"]}
COOL = {"time": ["2031-01-14 10:00", "2031-01-14 10:10"], "warmth temp": ["20.5", "21"]}


def test_units_of_files_that_differ_are_left_to_their_heads(trial: Any) -> None:
    alike = propose_for_tables(trial, "environment", [table("T1.csv", **WARM)], ("a",))
    assert alike.units == {"temp_c": "degF"}
    both = propose_for_tables(
        trial, "environment", [table("T1.csv", **WARM), table("T2.csv", **COOL)], ("a",)
    )
    assert both.units == {}
    assert both.heads == {"temp_c": ("temp", "warmth temp")}
    assert [q.said.key for q in both.asked] == ["question.unit"]


def test_a_table_of_remarks_is_not_asked_whose_it_is(trial: Any) -> None:
    told = propose_for_tables(
        trial, "environment", [table("T1.csv", **WARM), table("notes.csv", remark=["x"])], ("a",)
    )
    assert told.asked == ()
    alone = propose_for_tables(trial, "environment", [table("notes.csv", remark=["x"])], ("a",))
    assert "question.chamber" in [q.said.key for q in alone.asked]


def test_files_must_be_named(tmp_path: Path) -> None:
    bare = make_trial(tmp_path, {"x.csv": b"time,temp\n2031-01-14 10:00,20\n"}, "")
    with pytest.raises(LogError, match="no files are named"):
        propose_mapping(bare, "environment")
    found = propose_mapping(bare, "environment", files=["x.csv"])
    assert (found.columns["temp_c"], found.files) == ("temp", ("x.csv",))


def test_advice_where_a_head_is_of_another_make(tmp_path: Path) -> None:
    logs = '\n[logs.environment]\nfiles = ["*.csv"]\n'
    bare = make_trial(tmp_path / "1", {"x.csv": b"time\n"}, logs)
    assert "temp_c" in advise_columns(bare, "environment", table("T1.csv", **WARM))
    assert advise_columns(bare, "environment", table(x=["y"])) == ""
    named = make_trial(tmp_path / "2", {"x.csv": b"time\n"}, logs + 'columns.temp_c = "air"\n')
    assert 'temp_c = ["air", "temp"]' in advise_columns(
        named, "environment", table("T1.csv", **WARM)
    )
    assert advise_columns(named, "environment", table(x=["y"])) == ""


def test_heads_are_put_beside_those_that_are_named() -> None:
    spec = LogSection(files=["a"], columns={"temp_c": "air", "time": "t"})
    found: Any = SimpleNamespace(columns={"temp_c": "warm", "time": "t", "rh_pct": "rh"})
    assert with_more_heads(spec, found, ("temp_c",)) == (
        'columns = { temp_c = ["air", "warm"], time = "t", rh_pct = "rh" }'
    )
    assert with_more_heads(spec, found, ("co2_ppm",)) == ""


# ------------------------------------------------------------------ answers


def proposal(**given: Any) -> Proposal:
    import pandas as pd

    clues = pd.DataFrame([("temp_c", "warm", "because")], columns=["column", "head", "reason"])
    base: dict[str, Any] = {"columns": {"temp_c": "warm"}, "units": {}, "clues": clues}
    return Proposal("environment", ("a.csv",), **(base | given))


def test_an_answer_sets_its_keys_and_closes_its_question() -> None:
    ask = Question(message("question.time", heads="x"), (
        ("a", {"columns": {"rh_pct": "q"}, "chamber": {"1": "T1"}}), ("b", {"day_first": True}),
    ))  # fmt: skip
    other = Question(message("question.flush", heads="y"))
    one = proposal(asked=(ask, other), keys={"chamber": {"2": "T2"}})
    done = one.answered(ask, 0)
    assert done.columns == {"temp_c": "warm", "rh_pct": "q"}
    assert done.keys == {"chamber": {"2": "T2", "1": "T1"}}
    assert done.asked == (other,)
    assert one.answered(ask, 1).keys == {"chamber": {"2": "T2"}, "day_first": True}
    assert one.columns == {"temp_c": "warm"}


def test_a_proposal_as_lines_of_the_trial_file() -> None:
    likely = Question(message("question.time", heads="x"), (("a", {"chamber": {"1": "T1"}}),), 0)
    one = proposal(asked=(likely,), heads={"temp_c": ("warm", "a\x7f")}, units={"temp_c": "degF"},
                   keys={"day_first": True})  # fmt: skip
    lines = one.section().splitlines()
    assert lines[:5] == [
        "[logs.environment]", 'files = ["a.csv"]', 'columns = { temp_c = ["warm", "a\\u007f"] }',
        'units = { temp_c = "degF" }', "day_first = true",
    ]  # fmt: skip
    assert len(lines) == 7
    assert all(line.startswith("# ") for line in lines[5:])
    assert 'chamber = { "1" = "T1" }' in lines[6]
    assert one.settings() == {
        "files": ["a.csv"], "columns": {"temp_c": ["warm", "a\x7f"]},
        "units": {"temp_c": "degF"}, "day_first": True,
    }  # fmt: skip
    bare = proposal(columns={}, units={})
    assert bare.section().splitlines() == ["[logs.environment]", 'files = ["a.csv"]']
    assert bare.settings() == {"files": ["a.csv"], "columns": {}}
    assert len(proposal().reasons()) == 1
    assert "'warm'" in proposal().reasons()[0]
    assert proposal(columns={"temp_c": "Wärme"}).section().splitlines()[2] == (
        'columns = { temp_c = "Wärme" }'
    )
