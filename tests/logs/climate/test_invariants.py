"""The same records give the same table, however they are written and spread over files."""

from __future__ import annotations

import datetime as dt
import tempfile
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.logs.folder import make_trial
from trialkit.logs.climate.read import read_environment

START = dt.datetime(2031, 3, 29, 20, tzinfo=dt.UTC)  # over the change to summer time
RECORDS = [
    (START + dt.timedelta(minutes=7 * k), f"T{1 + k % 3}", 15 + k % 40 / 10, 80 + k % 17)
    for k in range(150)
]
SECTION = '\n[logs.environment]\nfiles = ["log*.csv"]\n'


def lines(records: list[tuple[dt.datetime, str, float, float]], zone: str = "") -> str:
    """Write records as a table, in UTC with offset or in the wall time of a zone."""
    out = ["time,chamber,temp_c,rh_pct"]
    for time, chamber, temp, rh in records:
        shown = time.astimezone(ZoneInfo(zone)).replace(tzinfo=None) if zone else time
        out.append(f"{shown.isoformat()},{chamber},{temp},{rh}")
    return "\n".join(out) + "\n"


def table(files: dict[str, str], logs: str = "") -> pd.DataFrame:
    with tempfile.TemporaryDirectory() as folder:
        data = {name: text.encode() for name, text in files.items()}
        log = read_environment(make_trial(Path(folder), data, SECTION + logs))
    assert log.ledger.adds_up
    return log.table.drop(columns="file")


EXPECTED = table({"log.csv": lines(RECORDS)})


def test_every_record_arrives_as_it_was() -> None:
    truth = pd.DataFrame(RECORDS, columns=["time", "chamber", "temp_c", "rh_pct"])
    truth = truth.sort_values(["chamber", "time"]).reset_index(drop=True)
    assert (EXPECTED["time"] == truth["time"]).all()
    np.testing.assert_array_equal(
        EXPECTED[["temp_c", "rh_pct"]].to_numpy(), truth[["temp_c", "rh_pct"]].to_numpy(dtype=float)
    )


@settings(max_examples=20, deadline=None)
@given(order=st.permutations(range(len(RECORDS))))
def test_order_of_rows(order: list[int]) -> None:
    pd.testing.assert_frame_equal(table({"log.csv": lines([RECORDS[i] for i in order])}), EXPECTED)


@settings(max_examples=20, deadline=None)
@given(cuts=st.lists(st.integers(0, len(RECORDS)), min_size=1, max_size=4),
       overlap=st.integers(0, 40))  # fmt: skip
def test_pieces_that_overlap(cuts: list[int], overlap: int) -> None:
    edges = [0, *sorted(cuts), len(RECORDS)]
    pieces = {
        f"log{k}.csv": lines(RECORDS[max(0, a - overlap) : b])
        for k, (a, b) in enumerate(pairwise(edges))
    }
    pd.testing.assert_frame_equal(table(pieces), EXPECTED)


@pytest.mark.parametrize("zone", ["Europe/Vienna", "America/New_York", "Asia/Kolkata", "UTC"])
def test_wall_times_of_any_zone(zone: str) -> None:
    found = table({"log.csv": lines(RECORDS, zone)}, f'time_zone = "{zone}"\n')
    pd.testing.assert_frame_equal(found, EXPECTED)


@pytest.mark.parametrize("unit", ["degF", "K"])
def test_units(unit: str) -> None:
    def there(c: float) -> float:
        return c * 9 / 5 + 32 if unit == "degF" else c + 273.15

    records = [(t, c, there(temp), rh) for t, c, temp, rh in RECORDS]
    found = table({"log.csv": lines(records)}, f'units = {{ temp_c = "{unit}" }}\n')
    pd.testing.assert_frame_equal(found, EXPECTED, rtol=0, atol=1e-9)


def test_wide_and_long_are_the_same() -> None:
    times = [START + dt.timedelta(minutes=k) for k in range(50)]
    long = [(t, f"T{c}", 15.0 + c, 80.0 + k % 9) for k, t in enumerate(times) for c in (1, 2)]
    rows = ["when,T1 t,T2 t,T1 h,T2 h"]
    rows += [f"{t.isoformat()},16.0,17.0,{80 + k % 9},{80 + k % 9}" for k, t in enumerate(times)]
    columns = 'columns = { time = "when", temp_c = "{chamber} t", rh_pct = "{chamber} h" }\n'
    wide = table({"log.csv": "\n".join(rows) + "\n"}, columns)
    pd.testing.assert_frame_equal(wide, table({"log.csv": lines(long)}))
