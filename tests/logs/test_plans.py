"""A query for the embedded database gives what the reader gives, for regular files."""

from __future__ import annotations

import gzip
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import pytest

from tests.logs.folder import make_trial
from trialkit.errors import LogError
from trialkit.logs.environment import read_environment
from trialkit.logs.plans import plan_files

ROWS = 300
STAMPS = pd.date_range("2031-01-13 10:00", periods=ROWS, freq="7min")
CASES = {
    "plain": ("time,chamber,temp_c,rh_pct\n", "%Y-%m-%d %H:%M:%S", ",", ".", ""),
    "German": ("Zeit;Zelt;Temperatur;Feuchte\n", "%d.%m.%Y %H:%M", ";", ",",
               'columns = { time = "Zeit", chamber = "Zelt", temp_c = "Temperatur", '
               'rh_pct = "Feuchte" }\n'),
    "fahrenheit": ("time,chamber,Temp (°F),rh_pct\n", "%m/%d/%Y %I:%M %p", ",", ".",
                   'columns = { temp_c = "Temp (°F)" }\n'),
    "corrected": ("time,chamber,temp_c,rh_pct\n", "%Y-%m-%dT%H:%M", ",", ".",
                  '[[logs.environment.clock]]\nsince = 2031-01-14T00:00:00\nadd_s = -90\n'),
    "in UTC": ("time,chamber,temp_c,rh_pct\n", "%Y-%m-%d %H:%M:%S+00:00", ",", ".", ""),
    "named by file": ("time,temp_c,rh_pct\n", "%Y-%m-%d %H:%M:%S", ",", ".", ""),
}  # fmt: skip


def _file(case: str) -> tuple[str, str]:
    head, form, mark, point, logs = CASES[case]
    lines = []
    for k, stamp in enumerate(STAMPS):
        cells = [stamp.strftime(form), f"{20 + k % 50 / 10:.1f}", f"{80 + k % 17}"]
        if case != "named by file":
            cells.insert(1, f"T{1 + k % 4}")
        lines.append(mark.join(c.replace(".", point) if j else c for j, c in enumerate(cells)))
    return head + "\n".join(lines) + "\n", logs


@pytest.mark.parametrize("packed", [False, True])
@pytest.mark.parametrize("case", CASES)
def test_query_equals_reader(case: str, packed: bool, tmp_path: Path) -> None:
    text, logs = _file(case)
    name = "climate_T2.csv.gz" if packed else "climate_T2.csv"
    data = gzip.compress(text.encode()) if packed else text.encode()
    trial = make_trial(tmp_path, {name: data}, f'\n[logs.environment]\nfiles = ["{name}"]\n{logs}')
    [plan] = plan_files(trial)
    assert plan.query is not None, plan.why
    con = duckdb.connect()
    con.execute("SET TimeZone = 'UTC'")
    found = con.execute(f"SELECT * FROM ({plan.query}) ORDER BY chamber, time").df()
    table = read_environment(trial).table.sort_values(["chamber", "time"]).reset_index(drop=True)
    assert found["chamber"].tolist() == table["chamber"].tolist()
    assert (pd.to_datetime(found["time"], utc=True) == table["time"]).all()
    for column in ("temp_c", "rh_pct"):
        np.testing.assert_allclose(found[column], table[column], rtol=0, atol=1e-12)
    assert con.execute(plan.account_query()).fetchone() == (ROWS, ROWS, 0)


def test_unreadable_rows_are_counted(tmp_path: Path) -> None:
    text, _ = _file("plain")
    text += "yesterday,T1,20,80\n2031-01-20 00:00:00,T9,20,80\n2031-01-20 00:00:01,T1,x,80\n"
    trial = make_trial(
        tmp_path, {"c.csv": text.encode()}, '\n[logs.environment]\nfiles = ["c.csv"]\n'
    )
    [plan] = plan_files(trial)
    counts = duckdb.connect().execute(plan.account_query()).fetchone()
    summary = read_environment(trial).ledger.summary().iloc[0]
    assert counts == (ROWS + 3, ROWS + 1, 2)
    assert counts == (summary["read"], summary["kept"], summary["set_aside"])


@pytest.mark.parametrize(
    ("text", "logs", "why"),
    [
        ("time,T1 t,T2 t\n2031-01-14 00:00,1,2\n",
         'columns = { time = "time", temp_c = "{chamber} t" }\n', "one column for each chamber"),
        ("date,clock,temp_c,chamber\n2031-01-14,00:00,1,T1\n",
         'columns = { time = "date + clock" }\n', "two columns"),
        ("time,temp_c,chamber\n14 Jan 2031 10:00,1,T1\n2031-01-14 10:00,1,T1\n", "", "no one form"),
        ("time,temp_c,chamber\n2031-01-14 10:00,1,T1\n",
         "[[logs.environment.clock]]\nshows = 2031-01-14T00:00:00\ntruth = 2031-01-14T00:01:00\n",
         "known moments"),
    ],
)  # fmt: skip
def test_what_needs_the_tolerant_reader_says_why(
    text: str, logs: str, why: str, tmp_path: Path
) -> None:
    trial = make_trial(
        tmp_path, {"c.csv": text.encode()}, f'\n[logs.environment]\nfiles = ["c.csv"]\n{logs}'
    )
    [plan] = plan_files(trial)
    assert plan.query is None
    assert why in plan.why
    with pytest.raises(LogError, match=why):
        plan.account_query()


def test_hostile_names_do_not_reach_the_query(tmp_path: Path) -> None:
    head = "a\"b'; DROP TABLE x; --"
    text = f'time,"{head.replace(chr(34), chr(34) * 2)}"\n2031-01-14 00:00,20\n'
    columns = "columns = { time = \"time\", temp_c = '''" + head + "''' }\n"
    name = "T1 it's.csv"
    trial = make_trial(
        tmp_path, {name: text.encode()}, f'\n[logs.environment]\nfiles = ["{name}"]\n{columns}'
    )
    [plan] = plan_files(trial)
    assert plan.query is not None
    assert duckdb.connect().execute(plan.query).fetchall()[0][3] == 20
