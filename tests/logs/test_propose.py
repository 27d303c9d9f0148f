"""A mapping is proposed with its reasons; what cannot be known is asked."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from tests.logs.folder import make_trial
from trialkit.errors import LogError
from trialkit.logs.environment import read_environment
from trialkit.logs.harvest import read_harvest
from trialkit.logs.mist import read_mist
from trialkit.logs.propose import propose_mapping

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
