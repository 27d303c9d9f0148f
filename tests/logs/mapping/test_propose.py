"""A mapping is proposed with its reasons; what cannot be known is asked."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from tests.logs.folder import make_trial
from trialkit.errors import LogError, TrialFileError
from trialkit.logs.climate.read import read_environment
from trialkit.logs.harvest.read import read_harvest
from trialkit.logs.mapping.places import likely_chamber
from trialkit.logs.mapping.propose import propose_mapping
from trialkit.logs.mist.read import read_mist

MINUTES = range(20)


def _propose(kind: str, folder: Path, files: dict[str, str]) -> object:
    names = ", ".join(f'"{n}"' for n in files)
    data = {k: v.encode() for k, v in files.items()}
    trial = make_trial(folder, data, f"\n[logs.{kind}]\nfiles = [{names}]\n")
    return trial


def test_climate_in_german_with_semicolons(tmp_path: Path) -> None:
    text = "Zeit;Zelt;Temperatur;Luftfeuchte;CO2\n" + "".join(
        f"14.01.2031 10:{m:02d};T1;20,{m};88,5;900\n" for m in MINUTES
    )
    trial = _propose("environment", tmp_path, {"log.csv": text})
    found = propose_mapping(trial, "environment")
    assert found.columns == {
        "time": "Zeit", "chamber": "Zelt", "temp_c": "Temperatur", "rh_pct": "Luftfeuchte",
        "co2_ppm": "CO2",
    }  # fmt: skip
    assert found.questions == ()
    assert "chambers" in found.table.set_index("column")["reason"]["chamber"]


def test_wide_climate_in_fahrenheit_and_fractions(tmp_path: Path) -> None:
    text = "Date,Clock,T1 Temp,T2 Temp,T1 RH,T2 RH\n" + "".join(
        f"03/04/2031,10:{m:02d},68,69,0.88,0.9\n" for m in MINUTES
    )
    trial = _propose("environment", tmp_path, {"log.csv": text})
    found = propose_mapping(trial, "environment")
    assert found.columns["time"] == "Date + Clock"
    assert found.columns["temp_c"] == "{chamber} Temp"
    assert found.units == {"temp_c": "degF", "rh_pct": "fraction"}
    assert any("day_first" in q for q in found.questions)


def test_two_columns_that_fit_equally_are_asked_for(tmp_path: Path) -> None:
    text = "time,temp left,temp right\n2031-01-14 00:00,20,21\n"
    trial = _propose("environment", tmp_path, {"T1.csv": text})
    found = propose_mapping(trial, "environment")
    assert any("temp left" in q and "temp right" in q for q in found.questions)


def test_a_chamber_that_no_file_name_tells_is_asked_for(tmp_path: Path) -> None:
    trial = _propose("environment", tmp_path, {"log.csv": "time,temp\n2031-01-14 00:00,20\n"})
    assert any("which chamber" in q for q in propose_mapping(trial, "environment").questions)


@pytest.mark.parametrize(
    ("kind", "text", "rows"),
    [
        ("environment", "when;tent;temperature;rel. humidity\n"
         + "".join(f"2031-01-14 10:{m:02d};T1;20.{m};88.5\n" for m in MINUTES), 20),
        ("mist", "when,tent,fogger\n2031-01-14 00:00,T1,on\n2031-01-14 00:01,T1,off\n", 1),
        ("harvest", "Bag,Wave,Picked,Weight (oz),Mushrooms,Remarks\n"
         "B1-T1-top-1,1,2031-01-20,12.5,20,nice\nB1-T1-top-2,2,2031-01-20,12.5,20,\n", 2),
    ],
)  # fmt: skip
def test_the_proposed_section_can_be_put_into_the_trial_file(
    kind: str, text: str, rows: int, tmp_path: Path
) -> None:
    trial = _propose(kind, tmp_path, {"log.csv": text})
    reader = {"environment": read_environment, "mist": read_mist, "harvest": read_harvest}[kind]
    with pytest.raises(LogError, match="columns that would fit"):
        reader(trial)
    section = propose_mapping(trial, kind).section()
    assert kind in tomllib.loads(section)["logs"]
    again = make_trial(tmp_path, {"log.csv": text.encode()}, "\n" + section + "\n")
    log = reader(again)
    assert len(log.table) == rows
    assert log.ledger.adds_up


def test_hostile_heads_are_quoted(tmp_path: Path) -> None:
    text = 'time,"temp \\ ""x"""\n2031-01-14 00:00,20\n'
    trial = _propose("environment", tmp_path, {"T1.csv": text})
    section = propose_mapping(trial, "environment").section()
    assert tomllib.loads(section)["logs"]["environment"]["columns"]["temp_c"] == 'temp \\ "x"'


GERMAN = "Gerät: 4\nZeit;Temperatur (°C);Feuchte (%rF)\n" + "".join(
    f"14.01.2031 10:{m:02d};15,{m:02d};88,5\n" for m in MINUTES
)
AMERICAN = "Date/Time,Temp(°F),RH (%)\n" + "".join(
    f"01/14/2031 10:{m:02d} AM,59.0,88.5\n" for m in MINUTES
)
PLAIN = "time,temperature,humidity\n" + "".join(
    f"2031-01-14 10:{m:02d},15.0,88.5\n" for m in MINUTES
)
THREE_MAKES = {"log_T1.csv": PLAIN, "log_T2.csv": GERMAN, "log_T3.csv": AMERICAN}


def test_loggers_of_three_makes_are_read_together(tmp_path: Path) -> None:
    trial = _propose("environment", tmp_path, THREE_MAKES)
    found = propose_mapping(trial, "environment")
    assert found.heads["time"] == ("time", "Zeit", "Date/Time")
    assert found.questions == ()
    files = {k: v.encode() for k, v in THREE_MAKES.items()}
    table = read_environment(make_trial(tmp_path, files, "\n" + found.section() + "\n")).table
    assert table.groupby("chamber", observed=True)["rh_pct"].count().tolist() == [20, 20, 20]
    # 59 °F are 15 °C
    assert table.groupby("chamber", observed=True)["temp_c"].min().tolist() == pytest.approx(
        [15.0, 15.0, 15.0]
    )


def test_a_logger_of_another_make_is_told_with_the_line_to_write(
    tmp_path: Path,
) -> None:
    files = {k: v.encode() for k, v in THREE_MAKES.items() if "T3" not in k}
    logs = (
        '\n[logs.environment]\nfiles = ["log_*.csv"]\n'
        'columns = { time = "time", temp_c = "temperature", rh_pct = "humidity" }\n'
    )
    log = read_environment(make_trial(tmp_path, files, logs))
    assert len(log.table) == 20
    [told] = [f for f in log.findings if f.code == "file_unread"]
    assert "no column 'time' for time" in told.message
    line = told.remedy.split("named now: ")[1]
    mended = logs.split("columns")[0] + line + "\n"
    assert len(read_environment(make_trial(tmp_path, files, mended)).table) == 40


def test_a_unit_that_only_the_values_tell_is_asked_for_where_files_differ(tmp_path: Path) -> None:
    bare = AMERICAN.replace("Temp(°F)", "Temp")
    trial = _propose("environment", tmp_path, {"log_T1.csv": PLAIN, "log_T2.csv": bare})
    assert any("degF" in q for q in propose_mapping(trial, "environment").questions)


def test_a_column_that_no_head_of_the_list_names_is_told(tmp_path: Path) -> None:
    files = {"log_T1.csv": PLAIN.replace("humidity", "damp").encode()}
    logs = (
        '\n[logs.environment]\nfiles = ["log_*.csv"]\n'
        'columns = { time = "time", temp_c = "temperature", rh_pct = ["humidity", "rF"] }\n'
    )
    found = read_environment(make_trial(tmp_path, files, logs)).findings
    assert any("'humidity'" in f.message and "'rF'" in f.message for f in found)


@pytest.mark.parametrize("heads", ["3", "[]", "[1]"])
def test_heads_that_are_none_are_refused_once_in_plain_words(heads: str, tmp_path: Path) -> None:
    logs = f'\n[logs.environment]\nfiles = ["log.csv"]\ncolumns = {{ time = {heads} }}\n'
    with pytest.raises(TrialFileError) as told:
        make_trial(tmp_path, {}, logs)
    assert [f.what.partition(",")[0] for f in told.value.faults] == ["should be a head in quotes"]


def test_a_number_in_a_head_suggests_the_one_chamber_that_ends_in_it(tmp_path: Path) -> None:
    text = "time,Temp 1,Temp 2,RH 1,RH 2\n" + "".join(
        f"2031-01-14 10:{m:02d},15,16,88,89\n" for m in MINUTES
    )
    trial = _propose("environment", tmp_path, {"log.csv": text})
    found = propose_mapping(trial, "environment")
    assert [q.choices[q.likely][0] for q in found.asked] == ["T1", "T2"]
    section = found.section()
    # a guess from names alone is never taken: it stands there as a comment, to be taken by hand
    assert "chamber" not in tomllib.loads(section)["logs"]["environment"]
    (line,) = [line for line in section.splitlines() if "if the numbers say" in line]
    taken = section.replace(line, line[line.index("chamber = {") :])
    read = tomllib.loads(taken)["logs"]["environment"]
    assert read["chamber"] == {"1": "T1", "2": "T2"}
    none = found.answered(found.asked[0], len(found.asked[0].choices) - 1)
    assert '"1" = "T1"' not in none.section().split("#")[0]
    assert "chamber" not in found.settings()  # what nobody confirmed is not a setting


def test_a_number_that_two_chambers_or_none_end_in_suggests_nothing() -> None:
    assert likely_chamber(["A1", "B1", "B2"], "1") is None
    assert likely_chamber(["A1", "B1", "B2"], "sensor 2") == 2
    assert likely_chamber(["T1", "T11"], "11") == 1
    assert likely_chamber(["left", "right"], "1") is None
    assert likely_chamber(["left", "right"], "old") is None
