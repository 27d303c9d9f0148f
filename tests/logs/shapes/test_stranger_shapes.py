"""Shapes of public files that were read wrong or refused: what is said in them is heard.

The values are invented; what they must be is worked out by hand beside each file.
"""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pyarrow as pa
import pytest

from tests.logs.folder import make_trial
from trialkit.errors import LogError
from trialkit.logs.climate.read import read_environment
from trialkit.logs.clocks.head_zone import zone_in_head
from trialkit.logs.head_units import said_unit
from trialkit.logs.log import Log
from trialkit.logs.mapping.day_order import judge_order
from trialkit.logs.mapping.propose import propose_mapping
from trialkit.trial import Trial


def trial(folder: Path, text: str, columns: str = "", logs: str = "") -> Trial:
    named = f"columns = {{ {columns} }}\n" if columns else ""
    section = f'\n[logs.environment]\nfiles = ["T1.csv"]\n{named}{logs}'
    return make_trial(folder, {"T1.csv": text.encode()}, section)


def climate(folder: Path, text: str, columns: str, logs: str = "") -> Log:
    return read_environment(trial(folder, text, columns, logs), cache=False)


def moments(log: Log) -> list[str]:
    return [str(pd.Timestamp(t).tz_convert("UTC"))[:16] for t in log.table["time"]]


NAMED = 'time = "When", temp_c = "Temperature °C"'


def station(line: str) -> str:
    return f"Device: hall\n{line}\nWhen;Temperature °C;Humidity %\n2031-01-14 09:00:00;15.5;88\n"


@pytest.mark.parametrize(
    ("line", "utc"),
    [
        ("Time zone: GMT+8", "2031-01-14 01:00"),
        ("Timezone;UTC-05:00", "2031-01-14 14:00"),
        ("Zeitzone: +3", "2031-01-14 06:00"),
        ("# time_zone = America/Denver", "2031-01-14 16:00"),
    ],
)
def test_a_zone_in_a_line_above_the_head_is_heard(tmp_path: Path, line: str, utc: str) -> None:
    log = climate(tmp_path, station(line), NAMED)
    assert moments(log) == [utc]
    assert "zone_from_head" in {f.code for f in log.findings}


@pytest.mark.parametrize("line", ["Time zone: (UTC+01:00) Amsterdam, Bern", "Time zoned: 7"])
def test_a_line_that_names_no_clock_changes_nothing(tmp_path: Path, line: str) -> None:
    plain = climate(tmp_path / "plain", station("Site: hall"), NAMED)
    assert moments(climate(tmp_path, station(line), NAMED)) == moments(plain)


def test_the_trial_file_has_the_last_word_on_a_zone(tmp_path: Path) -> None:
    log = climate(
        tmp_path, station("Time zone: GMT+8"), NAMED, 'time_zone = { "T1.csv" = "UTC" }\n'
    )
    assert moments(log) == ["2031-01-14 09:00"]
    assert "zone_against_head" in {f.code for f in log.findings}


@pytest.mark.parametrize("head", ["dateutc", "time_utc", "UTCTime", "TimestampUTC", "utc"])
def test_utc_glued_to_a_word_for_time_is_heard(head: str) -> None:
    said = zone_in_head(head)
    assert said is not None
    assert (said.kind, said.hours) == ("fixed", (0.0,))


@pytest.mark.parametrize("head", ["Dateutch", "outcome", "date"])
def test_letters_within_a_word_are_no_zone(head: str) -> None:
    assert zone_in_head(head) is None


@pytest.mark.parametrize(
    ("head", "house", "unit"),
    [
        ("Temperatur/°C", "°C", "degC"),
        ("Lufttemperatur / K", "°C", "K"),
        ("Temp/°F", "°C", "degF"),
        ("CO2/ppm", "ppm", "ppm"),
    ],
)
def test_a_quantity_divided_by_its_unit(head: str, house: str, unit: str) -> None:
    assert said_unit(head, house).unit == unit


def test_two_units_in_a_head_are_still_a_question() -> None:
    assert said_unit("Temp °C/°F", "°C").unit is None


CUT = "Zeit,Temperatur °C,Feuchte %\n"


@pytest.mark.parametrize(
    "rows",
    [
        "2031-01-14 09:00,15,1,88,4\n2031-01-14 09:15,15,3,88,2\n",
        "2031-01-14 09:00,15,1,88\n2031-01-14 09:15,15,3,88\n",
    ],
    ids=["both values cut", "one value cut"],
)
def test_decimal_commas_between_commas_are_refused(tmp_path: Path, rows: str) -> None:
    with pytest.raises(LogError, match="commas stand both between the fields and inside"):
        climate(tmp_path, CUT + rows, 'time = "Zeit", temp_c = "Temperatur °C"')


def test_numbered_rows_without_a_head_are_still_read(tmp_path: Path) -> None:
    text = CUT + "1,2031-01-14 09:00,15,88\n2,2031-01-14 09:15,16,89\n"
    log = climate(tmp_path, text, 'time = "Zeit", temp_c = "Temperatur °C"')
    assert log.table["temp_c"].tolist() == [15, 16]


@pytest.mark.parametrize(
    ("head", "first"),
    [
        ("Time(mm/dd/yyyy)", False),
        ("Time(dd/mm/yyyy)", True),
        ("Date (D.M.YYYY)", True),
        ("Time", None),
        ("Time (hh:mm)", None),
    ],
)
def test_a_head_says_whether_the_day_comes_first(head: str, first: bool | None) -> None:
    assert judge_order(pa.array(["03/04/2031 09:00", "03/04/2031 09:15"]), head) is first


def test_moments_speak_louder_than_a_head() -> None:
    days = pa.array(["03/02/2031 23:50", "04/02/2031 00:00", "05/02/2031 00:10"])
    assert judge_order(days, "Time(mm/dd/yyyy)") is True


def test_a_count_of_rows_and_a_second_reading_name_no_place(tmp_path: Path) -> None:
    rows = "".join(f"{k},2031-01-14 09:{k:02},15.{k},14.{k}\n" for k in range(10, 20))
    found = propose_mapping(
        trial(tmp_path, f"Dining room,Time,Temp °C,Temp from 2nd Sensor °C\n{rows}"),
        "environment",
    )
    assert found.columns == {"time": "Time", "temp_c": "Temp °C"}
