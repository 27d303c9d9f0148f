"""Rows with nothing usable stay set aside, though the trial file asks to keep them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.logs.folder import make_trial
from trialkit.logs.climate.read import read_environment
from trialkit.logs.harvest.read import read_harvest
from trialkit.logs.mist.read import read_mist

READERS: dict[str, Any] = {
    "environment": read_environment, "mist": read_mist, "harvest": read_harvest
}  # fmt: skip
CLIMATE, STATES = "time,chamber,temp_c\n", "time,chamber,state\n"
GOOD = "2031-01-14 10:00,T1,20\n"
ON_OFF = "2031-01-14 10:00,T1,on\n2031-01-14 10:01,T1,off\n"
SHEET = "unit,flush,fresh_g\nB1-T1-top-1,1,300\n"
WIDE = 'columns = { time = "time", state = "{chamber}" }\n'


@pytest.mark.parametrize(
    ("kind", "rule", "row", "text", "section"),
    [
        ("environment", "time unreadable", 3, f"{CLIMATE}{GOOD}late,T1,21\n", ""),
        ("environment", "no value", 3, f"{CLIMATE}{GOOD}2031-01-14 10:10,T1,\n", ""),
        ("environment", "chamber unknown", 3, f"{CLIMATE}{GOOD}2031-01-14 10:10,T9,21\n", ""),
        ("environment", "hour that does not exist", 3, f"{CLIMATE}{GOOD}2031-03-30 02:30,T1,21\n",
         ""),
        ("environment", "hour that comes twice", 3, f"{CLIMATE}{GOOD}2031-10-26 02:30,T1,21\n", ""),
        ("environment", "clock reset", 3, f"{CLIMATE}{GOOD}2000-01-01 00:00,T1,21\n", ""),
        ("environment", "wrong number of columns", 3, f"{CLIMATE}{GOOD}2031-01-14,T1\n", ""),
        ("environment", "comment line", 3, f"{CLIMATE}{GOOD}# read out by hand\n", ""),
        ("mist", "state unreadable", 4, f"{STATES}{ON_OFF}2031-01-14 10:02,T1,maybe\n", ""),
        ("mist", "never switched off", 4, f"{STATES}{ON_OFF}2031-01-14 10:02,T1,on\n", ""),
        ("mist", "no value", 3, "time,chamber,power_w\n2031-01-14 10:00,T1,0\n"
         "2031-01-14 10:01,T1,\n2031-01-14 10:02,T1,0\n", ""),
        ("mist", "no value", 3, "start,chamber,on_s\n2031-01-14 10:00,T1,20\n"
         "2031-01-14 10:01,T1,\n", ""),
        ("mist", "interval impossible", 3, "start,chamber,on_s\n2031-01-14 10:00,T1,20\n"
         "2031-01-14 10:01,T1,-5\n", ""),
        ("mist", "no value", 3, "time,T1,T2\n2031-01-14 10:00,on,off\n2031-01-14 10:01,,\n"
         "2031-01-14 10:02,off,off\n", WIDE),
        ("mist", "double export", 3, STATES + ON_OFF.splitlines()[0] + "\n" + ON_OFF, ""),
        ("mist", "double export", 3, "start,stop,chamber\n"
         + "2031-01-14 10:00,2031-01-14 10:01,T1\n" * 2, ""),
        ("harvest", "unknown unit", 3, f"{SHEET}B1-T9-top-1,1,300\n", ""),
        ("harvest", "flush unreadable", 3, f"{SHEET}B1-T1-top-2,9,300\n", ""),
        ("harvest", "not filled in", 3, f"{SHEET}B1-T1-top-2,1,\n", ""),
        ("harvest", "weight missing", 3, "unit,flush,fresh_g,note\nB1-T1-top-1,1,300,\n"
         "B1-T1-top-2,1,,wet\n", ""),
    ],
)  # fmt: skip
def test_what_is_asked_for_cannot_be_kept(
    kind: str, rule: str, row: int, text: str, section: str, tmp_path: Path
) -> None:
    keep = (
        f'[[logs.{kind}.keep]]\nfile = "a.csv"\nrows = [{row}]\nrule = "{rule}"\n'
        'because = "it is there"\n'
    )
    logs = f'\n[logs.{kind}]\nfiles = ["a.csv"]\n{section}{keep}'
    log = READERS[kind](make_trial(tmp_path, {"a.csv": text.encode()}, logs), cache=False)
    lines = log.ledger.lines
    mine = lines[(lines["row"] <= row) & (lines["row_last"] >= row) & (lines["rule"] == rule)]
    assert mine["action"].tolist() == ["set aside"]
    assert mine["remedy"].iloc[0].key == "row_remedy.cannot_be_kept"
    assert log.ledger.summary()["set_aside"].tolist() == [1]
