"""Long tables, units under heads and the many names of a quantity: a whole mapping is offered.

The files have invented values; what must come out is worked out by hand beside each.
"""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pyarrow as pa
import pytest

from tests.logs.folder import make_trial
from trialkit.logs.climate.read import read_environment
from trialkit.logs.mapping.head_words import named_score
from trialkit.logs.mapping.offer import offer_sections
from trialkit.logs.mapping.places import part_by_place
from trialkit.logs.mapping.proposal import Proposal
from trialkit.logs.mapping.propose import propose_mapping
from trialkit.logs.mapping.quantities import find_quantities

MINUTES = range(0, 60, 10)
#: What every file below says: 20.0 °C and 88.0 % at 10:00, then 0.1 more every ten minutes.
TEMP = [20.0, 20.1, 20.2, 20.3, 20.4, 20.5]


def offered(folder: Path, file: str, text: str) -> Proposal:
    trial = make_trial(folder, {file: text.encode()}, f'\n[logs.environment]\nfiles = ["{file}"]\n')
    return propose_mapping(trial, "environment")


def read_as_offered(folder: Path, file: str, text: str, offer: Proposal) -> pd.DataFrame:
    trial = make_trial(folder, {file: text.encode()}, "\n" + offer.section() + "\n")
    log = read_environment(trial, cache=False)
    assert log.ledger.adds_up
    return log.table


def rows(form: str) -> str:
    """Write six moments; `form` sees the minute `m`, the temperature `t` and the humidity `h`."""
    return "".join(
        form.format(m=m, t=f"{20 + k / 10:.1f}", h=f"{88 + k / 10:.1f}", f=f"{68 + k * 0.18:.2f}")
        for k, m in enumerate(MINUTES)
    )


LONG = {
    "a word for the quantity": (
        "time,sensor,quantity,value\n",
        "2031-01-14 10:{m:02},T1,temperature,{t}\n2031-01-14 10:{m:02},T1,humidity,{h}\n"
        "2031-01-14 10:{m:02},T1,battery,3.1\n",
    ),
    "the unit of each value": (
        "Zeit;Zelt;Wert;Einheit\n",
        "14.01.2031 10:{m:02};T1;{t};°C\n14.01.2031 10:{m:02};T1;{h};%\n",
    ),
    "quantity with its unit": (
        "Timestamp,Room,Parameter,Reading\n",
        "2031-01-14 10:{m:02},T1,Temperature (°F),{f}\n2031-01-14 10:{m:02},T1,RH (%),{h}\n",
    ),
    "entity with chamber and quantity": (
        "entity_id,state,last_changed\n",
        "sensor.t1_temp,{t},2031-01-14T10:{m:02}:00\nsensor.t1_rh,{h},2031-01-14T10:{m:02}:00\n",
    ),
}


@pytest.mark.parametrize("name", LONG)
def test_a_long_table_is_mapped_whole(name: str, tmp_path: Path) -> None:
    head, form = LONG[name]
    text = head + rows(form)
    offer = offered(tmp_path, "all.csv", text)
    assert offer.questions == ()
    table = read_as_offered(tmp_path, "all.csv", text, offer)
    assert table["chamber"].tolist() == ["T1"] * 6
    assert table["temp_c"].tolist() == pytest.approx(TEMP)
    assert table["rh_pct"].tolist() == pytest.approx([t + 68 for t in TEMP])


def test_a_long_table_of_sensors_that_are_no_chambers_asks_which_each_is(tmp_path: Path) -> None:
    text = "time,node,measurement,value\n" + rows(
        "2031-01-14 10:{m:02},A-7,temp,{t}\n2031-01-14 10:{m:02},B-2,temp,{t}\n"
    )
    offer = offered(tmp_path, "all.csv", text)
    said = [str(q) for q in offer.asked]
    assert [s.split("'")[1] for s in said] == ["A-7", "B-2"]
    assert [str(label) for label, _ in offer.asked[0].choices] == [
        "T1", "T2", "T3", "T4", "none of these"]  # fmt: skip
    offer = offer.answered(offer.asked[0], 1)
    offer = offer.answered(offer.asked[0], 4)  # B-2 hangs elsewhere
    table = read_as_offered(tmp_path, "all.csv", text, offer)
    assert (table["chamber"].tolist(), table["temp_c"].tolist()) == (["T2"] * 6, TEMP)


def test_a_wide_table_is_none_that_names_quantities(tmp_path: Path) -> None:
    """A column of alarms beside a temperature names no quantity."""
    cells = {"time": ["2031-01-14 10:00"], "Temp": ["20"], "alarm": ["high humidity"]}
    sample = {head: pa.array(c * 4) for head, c in cells.items()}
    assert find_quantities(sample, ["temp_c", "rh_pct"], ".") is None
    long = {"at": ["2031-01-14 10:00"], "kind": ["temp"], "value": ["20"]}
    found = find_quantities({h: pa.array(c) for h, c in long.items()}, ["temp_c"], ".")
    assert found == ("kind", "value", ["temp"])


UNIT_LINES = {
    "channels": ("Time;Channel 1;Channel 2\n;[°C];[%rF]\n", "14.01.2031 10:{m:02};{t};{h}\n"),
    "quoted": ('"TS","T_Avg","RH_Avg"\n"TS","Deg C","%"\n', '"2031-01-14 10:{m:02}",{t},{h}\n'),
    "fahrenheit": ("Date,Sensor A,Sensor B\n,deg F,% RH\n", "2031-01-14 10:{m:02},{f},{h}\n"),
}


@pytest.mark.parametrize("name", UNIT_LINES)
def test_a_line_of_units_under_the_heads_tells_what_is_what(name: str, tmp_path: Path) -> None:
    head, form = UNIT_LINES[name]
    text = head + rows(form)
    offer = offered(tmp_path, "T1.csv", text)
    assert offer.questions == ()
    table = read_as_offered(tmp_path, "T1.csv", text, offer)
    assert table["temp_c"].tolist() == pytest.approx(TEMP)
    assert table["rh_pct"].tolist() == pytest.approx([t + 68 for t in TEMP])


TEMP_HEADS = """TempC;AirTC;AirTC_Avg;T_air;Tair;Air_T;AirTemp_Avg;outTemp;Ta;TT;T;Temp./°C;Temp1
Temperatur [°C];Raumtemperatur;Lufttemperatur;T2M;tmpc;ATMP;Celsius(°C);TempC_Avg;T (degC);温度
Temperatuur;Teplota;Lämpötila;temperatura °C;Température (°C);Температура;室内温度;TEMP;temp_avg
Temp (1 min avg) °C;BME280_temperature;sht31_temp;T_Avg;Kanal 3 [°C]"""
RH_HEADS = """RH;RH_Avg;RHUM;Hum;rel. Feuchte;rF;rF [%];r.F. (%);% RH;%rF;RH2M;relH;RelHum;Humidity1
HR (%);Vlaga;Humedad relativa;Luftfeuchtigkeit;rel. Luftfeuchte [%];umidità;Vlhkost;Kosteus;湿度
vochtigheid;Влажность;AirRH;rh_air;outHumidity;sht31_hum;BME280_humidity;RH_pct;Humid"""


def heads(text: str) -> list[str]:
    return [h.strip() for line in text.splitlines() for h in line.split(";")]


@pytest.mark.parametrize("column", ["temp_c", "rh_pct"])
def test_the_usual_names_of_a_quantity_are_known(column: str, tmp_path: Path) -> None:
    """Names as seen in public files of loggers, stations and scripts."""
    form = {"temp_c": "{t}", "rh_pct": "{h}"}[column]
    lost = []
    for head in heads({"temp_c": TEMP_HEADS, "rh_pct": RH_HEADS}[column]):
        text = f"time;{head}\n" + rows("2031-01-14 10:{m:02};" + form + "\n")
        text = text.replace("20.2", "19.2").replace("88.2", "87.2")  # as measured, up and down
        if offered(tmp_path, "T1.csv", text).columns.get(column) != head:
            lost.append(head)
    assert lost == []


OTHERS = """Soil temp;Taupunkt °C;Dew point;Wet bulb temp;Temp_Max;Temp Std;Setpoint temp;CPU temp
PTemp_C_Avg;Heat index °C;Water temperature;Temperaturdifferenz;time;battery;station;pressure;eCO2
Abs. humidity;VPD;Soil moisture %;at"""


def test_other_quantities_are_not_taken_for_the_air(tmp_path: Path) -> None:
    """Each is another quantity, or a spread of this one; ``at`` holds times of day here."""
    for head in heads(OTHERS)[:-1]:
        assert named_score(head, "rh_pct")[0] == 0, head
        if head not in ("eCO2",):
            assert named_score(head, "temp_c")[0] == 0, head
        assert named_score(head, "co2_ppm")[0] == 0, head
    text = "date,at,temp\n" + rows("2031-01-14,10:{m:02},{t}\n")
    assert offered(tmp_path, "T1.csv", text).columns == {"time": "date + at", "temp_c": "temp"}


def test_a_letter_counts_only_where_its_cells_are_measured(tmp_path: Path) -> None:
    """``t`` and ``h`` may be a count or hours: whole or only rising figures are not taken."""
    measured = "time,t,h\n" + "2031-01-14 10:00,20.5,88.5\n2031-01-14 10:10,20.1,89.5\n" * 3
    both = offered(tmp_path / "1", "T1.csv", measured.replace("10:10", "10:20"))
    assert (both.columns["temp_c"], both.columns["rh_pct"]) == ("t", "h")
    rising = "time,t,h\n" + rows("2031-01-14 10:{m:02},{t},{m}\n")
    assert "temp_c" not in offered(tmp_path / "2", "T1.csv", rising).columns


def test_columns_named_after_chambers_alone_tell_no_quantity(tmp_path: Path) -> None:
    """Of T1 and T2 it is asked whether they are temperature or humidity."""
    text = "time,T1,T2\n" + "2031-01-14 10:00,20.5,21.5\n2031-01-14 10:20,20.1,21.9\n" * 2
    text += "2031-01-14 10:40,20.3,21.5\n"
    offer = offered(tmp_path, "all.csv", text)
    assert "temp_c" not in offer.columns
    [question] = [q for q in offer.asked if "temp_c" in str(q)]
    done = offer.answered(question, 0)
    assert done.columns["temp_c"] == "{chamber}"
    table = read_as_offered(tmp_path, "all.csv", text, done)
    assert set(table["chamber"]) == {"T1", "T2"}


def test_a_room_column_with_other_names_is_asked_about_name_by_name(tmp_path: Path) -> None:
    text = "time,room,temp\n" + rows("2031-01-14 10:{m:02},left,{t}\n2031-01-14 10:{m:02},t2,{t}\n")
    offer = offered(tmp_path / "1", "all.csv", text)
    [question] = offer.asked  # T2 is one of the trial's
    assert "'left'" in str(question)
    table = read_as_offered(tmp_path / "1", "all.csv", text, offer.answered(question, 0))
    assert sorted(set(table["chamber"])) == ["T1", "T2"]
    # where the name of the file tells the chamber, a column of other names is not the chamber
    alone = offered(tmp_path / "2", "T1.csv", text.replace("t2", "right"))
    assert ("chamber" in alone.columns, alone.questions) == (False, ())


@pytest.mark.parametrize(
    ("names", "pattern"),
    [
        (["Temp left", "Temp right"], ("Temp {chamber}", ["left", "right"])),
        (["Temp1", "Temp2"], ("Temp{chamber}", ["1", "2"])),
        (["Temp 1 (°C)", "Temp 2 (°C)"], ("Temp {chamber} (°C)", ["1", "2"])),
        (["Temp", "temp"], None),
        (["A Temp 1", "B Temp 2"], None),
        (["Temp (a)", "Temp [b]"], None),
    ],
)
def test_heads_that_differ_in_one_word(names: list[str], pattern: object) -> None:
    assert part_by_place(names) == pattern


def test_check_offers_a_long_table_that_no_section_names(tmp_path: Path) -> None:
    head, form = LONG["a word for the quantity"]
    text = (head + rows(form)).encode()
    [offer] = offer_sections(make_trial(tmp_path, {"logs/export.csv": text}, ""))
    assert (offer.kind, offer.questions) == ("environment", ())
    assert offer.columns["temp_c"] == "value where quantity is temperature"


def test_check_asks_of_a_file_without_heads_which_column_is_what(tmp_path: Path) -> None:
    text = "2031-01-14 10:00,20.5,88.1\n2031-01-14 10:10,20.1,88.4\n2031-01-14 10:20,20.3,88.0\n"
    [offer] = offer_sections(make_trial(tmp_path, {"logs/T1.csv": text.encode()}, ""))
    assert [str(q) for q in offer.asked] == [
        "which of these columns is temp_c: 'column 2' (20.1 to 20.5)?",
        "which of these columns is rh_pct: 'column 3' (88 to 88.4)?",
    ]
    done = offer.answered(offer.asked[0], 0).answered(offer.asked[1], 0)
    table = read_as_offered(tmp_path, "logs/T1.csv", text, done)
    assert table["temp_c"].tolist() == [20.5, 20.1, 20.3]
