"""A date without a time of day in a log of moments is midnight only where midnight belongs."""

from __future__ import annotations

from pathlib import Path

import pyarrow as pa
import pytest

from tests.logs.folder import make_trial
from trialkit.logs.climate.read import read_environment
from trialkit.logs.dates_alone import out_of_place
from trialkit.logs.log import Log
from trialkit.logs.text.times import read_moments

NIGHT = "2031-01-14 23:50,20.1\n2031-01-15,20.2\n2031-01-15 00:10,20.3\n"
DAY = "2031-01-15 10:00,21.1\n2031-01-15,21.2\n2031-01-15 10:20,21.3\n"


def climate(folder: Path, rows: str) -> Log:
    files = {"T1.csv": f"time,temp_c\n{rows}".encode()}
    logs = '\n[logs.environment]\nfiles = ["T1.csv"]\n'
    return read_environment(make_trial(folder, files, logs), cache=False)


def test_midnight_is_read_and_told_and_a_lost_time_is_set_aside(tmp_path: Path) -> None:
    log = climate(tmp_path, NIGHT + DAY)
    assert log.table["temp_c"].tolist() == [20.1, 20.2, 20.3, 21.1, 21.3]
    assert str(log.table["time"][1].tz_convert("Europe/Vienna"))[:16] == "2031-01-15 00:00"
    [line] = log.ledger.table.to_dict("records")
    assert (line["row"], line["old"], line["action"]) == (6, "2031-01-15", "set aside")
    assert "midnight does not belong" in str(line["reason"])
    [told] = [f for f in log.findings if f.code == "midnight_alone"]
    assert "1 record has" in told.message
    assert log.ledger.adds_up


def test_a_log_of_one_record_a_day_is_read_and_told(tmp_path: Path) -> None:
    log = climate(tmp_path, "2031-01-14,20\n2031-01-15,21\n2031-01-16,20\n")
    assert (len(log.table), [f.code for f in log.findings]) == (3, ["days_alone"])


@pytest.mark.parametrize(
    ("cells", "left"),
    [
        (["2031-01-15", "2031-01-15 00:10", "2031-01-15 00:20"], []),  # a log begins at midnight
        (["2031-01-14 23:40", "2031-01-14 23:50", "2031-01-15"], []),  # and one ends there
        (["2031-01-15 00:10", "2031-01-15", "2031-01-14 23:50"], []),  # newest first
        (["2031-01-15", "2031-01-15 09:10", "2031-01-15 09:20"], [0]),
        (["2031-01-14 20:00", "2031-01-15", "2031-01-15 04:00"], []),  # a gap around midnight
        (["2031-01-15 10:00", "2031-01-15"], [1]),
    ],
)
def test_what_stands_beside_a_date_says_whether_it_is_midnight(
    cells: list[str], left: list[int]
) -> None:
    assert out_of_place(read_moments(pa.array(cells))).tolist() == left


def test_each_series_is_judged_by_itself() -> None:
    """Of two sensors, one logs at midnight and one at noon, row by row."""
    import numpy as np

    cells = ["2031-01-14 23:50", "2031-01-15 12:00", "2031-01-15", "2031-01-15",
             "2031-01-15 00:10", "2031-01-15 12:20"]  # fmt: skip
    groups = np.array([0, 1, 0, 1, 0, 1])
    assert out_of_place(read_moments(pa.array(cells)), groups).tolist() == [3]
