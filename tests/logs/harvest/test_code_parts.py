"""A row whose code and columns name different places is told; a column of another kind is not."""

import pytest

from tests.logs.folder import make_trial
from trialkit.logs.harvest.read import read_harvest
from trialkit.wording import speaking

LOGS = '\n[logs.harvest]\nfiles = ["h.csv"]\n'
HEAD = "unit,batch,chamber,shelf,block,flush,date,fresh_g\n"
SOUND = "B1-T1-top-2,B1,T1,top,2,1,2031-01-22,300\n"


def _read(tmp_path, *rows, head=HEAD, logs=LOGS):
    text = head + SOUND + "".join(row + "\n" for row in rows)
    return read_harvest(make_trial(tmp_path, {"h.csv": text.encode()}, logs), cache=False)


def test_the_code_is_taken_and_the_row_told(tmp_path):
    log = _read(
        tmp_path,
        "B1-T1-top-1,B2,T1,top,1,1,2031-01-22,310",
        "B1-T1-bottom-1,B1,T4,bottom,1,1,2031-01-22,320",
    )
    assert log.table["unit"].tolist() == ["B1-T1-top-1", "B1-T1-top-2", "B1-T1-bottom-1"]
    (found,) = (f for f in log.findings if f.code == "code_and_column")
    assert found.severity == "caution"
    said = "row 3: the code B1-T1-top-1 is in batch B1, the column “batch” says 'B2'"
    assert said in found.message
    said = "row 4: the code B1-T1-bottom-1 is in chamber T1, the column “chamber” says 'T4'"
    assert said in found.message
    with speaking(language="de"):
        assert "Zeile 3: der Code B1-T1-top-1 gehört zu" in found.message
    lines = log.ledger.table
    assert lines["rule"].tolist() == ["code and column differ"] * 2
    assert lines[["row", "old", "new"]].values.tolist() == [[3, "B2", "B1"], [4, "T4", "T1"]]
    assert log.ledger.adds_up


def test_a_name_that_is_none_is_told_where_the_column_has_names_of_the_trial(tmp_path):
    log = _read(tmp_path, "B1-T1-top-1,B9,T1,top,1,1,2031-01-22,310")
    assert log.ledger.table["old"].tolist() == ["B9"]


@pytest.mark.parametrize("cells", ["b1,t01,Top,01", ",,,", "B1,T1,top,1"])
def test_spellings_and_blanks_contradict_nothing(tmp_path, cells):
    log = _read(tmp_path, f"B1-T1-top-1,{cells},1,2031-01-22,310")
    assert "code_and_column" not in {f.code for f in log.findings}


def test_a_column_that_never_names_a_level_says_something_else(tmp_path):
    text = "unit,batch,flush,date,fresh_g\nB1-T1-top-1,spawn lot 7,1,2031-01-22,310\n"
    log = read_harvest(make_trial(tmp_path, {"h.csv": text.encode()}, LOGS), cache=False)
    assert "code_and_column" not in {f.code for f in log.findings}


def test_other_names_of_chambers_in_the_trial_file_contradict_nothing(tmp_path):
    logs = LOGS + 'chamber = { "Zelt links" = "T1" }\n'
    log = _read(tmp_path, "B1-T1-top-1,B1,Zelt links,top,1,1,2031-01-22,310", logs=logs)
    assert "code_and_column" not in {f.code for f in log.findings}
