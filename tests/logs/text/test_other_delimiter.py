"""A row written with another delimiter than the others is told as that."""

import pytest

import trialkit as tk
from tests.logs.folder import make_trial
from trialkit.wording import speaking

LOGS = '\n[logs.harvest]\nfiles = ["h.csv"]\n'
HEAD = "unit,flush,date,fresh_g,status\n"
UNITS = [f"B1-T{t}-{s}-{b}" for t in (1, 3, 4) for s in ("top", "bottom") for b in (1, 2)]
SOUND = "".join(f"{unit},1,2031-01-22,310,ok\n" for unit in UNITS)
LAST = 14  # line of the row after the heads and twelve others


@pytest.mark.parametrize(
    ("row", "mark"),
    [
        ("B1-T2-top-1;1;2031-01-22;320;ok", ";"),
        ("B1-T2-top-1;1;2031-01-22;320,5;ok", ";"),  # with a decimal comma
        ("B1-T2-top-1;1;2031-01-22;320", ";"),  # the last cell left off
    ],
)
def test_the_row_and_the_two_signs_are_named(tmp_path, row, mark):
    data = (HEAD + SOUND + row + "\n").encode()
    log = tk.read_harvest(make_trial(tmp_path, {"h.csv": data}, LOGS), cache=False)
    line = log.ledger.table.set_index("row").loc[LAST]
    assert (line["rule"], line["action"]) == ("wrong number of columns", "set aside")
    assert line["reason"] == f"this row uses {mark} where the others use ,"
    assert line["remedy"] == f"write , for {mark} in it"
    with speaking(language="de"):
        said = log.ledger.table.set_index("row").loc[LAST, "reason"]
    assert said == f"diese Zeile verwendet {mark}, wo die übrigen , verwenden"
    assert len(log.table) == 12
    assert log.ledger.adds_up


@pytest.mark.parametrize("sound", [2, 12])
@pytest.mark.parametrize("mark", ["\t", ";", "|"])
def test_one_row_of_a_short_sheet_is_named_and_the_others_are_read(tmp_path, mark, sound):
    """A row pasted from a spreadsheet has tabs; the sheet is one with commas all the same."""
    row = mark.join(["B1-T2-top-1", "1", "2031-01-22", "320", "ok"])
    lines = SOUND.splitlines(keepends=True)[:sound]
    data = (HEAD + "".join(lines) + row + "\n").encode()
    log = tk.read_harvest(make_trial(tmp_path, {"h.csv": data}, LOGS), cache=False)
    line = log.ledger.table.set_index("row").loc[sound + 2]
    sign = "Tab" if mark == "\t" else mark
    assert line["reason"] == f"this row uses {sign} where the others use ,"
    assert len(log.table) == sound


def test_a_row_with_a_field_too_many_keeps_its_own_reason(tmp_path):
    row = "B1-T2-top-1,1,2031-01-22,320,ok,wet, and; late"
    data = (HEAD + SOUND + row + "\n").encode()
    log = tk.read_harvest(make_trial(tmp_path, {"h.csv": data}, LOGS), cache=False)
    assert "fields where the heads have 5" in log.ledger.table.set_index("row").loc[LAST, "reason"]


def test_a_footer_of_a_logger_is_no_row_with_another_sign(tmp_path):
    logs = '\n[logs.environment]\nfiles = ["climate_T1.csv"]\n'
    rows = "".join(f"2031-01-22 10:0{k};15.{k};88;ok\n" for k in range(9))
    data = f"time;temp_c;rh_pct;state\n{rows}read out, by hand, here\n".encode()
    log = tk.read_environment(make_trial(tmp_path, {"climate_T1.csv": data}, logs), cache=False)
    line = log.ledger.table.iloc[-1]
    assert line["row"] == 11
    assert "where the others use" not in line["reason"]
