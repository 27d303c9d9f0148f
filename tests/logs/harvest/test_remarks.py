"""Remarks that tell of lost blocks are asked about, and a unit may be named in parts."""

import pytest

import trialkit as tk
from trialkit.columns.glossary import LOG_COLUMNS

TEXT = """
[trial]
title = "Remarks"
[units]
structure = "(batch * chamber) / block"
batch = 4
chamber = 2
block = 2
flushes = 1
[factors.schedule]
applied_to = "batch:chamber"
levels.usual = {}
levels.sparse = {}
[question]
primary = "schedule"
[logs.harvest]
files = ["harvest.csv"]
"""


def read(folder, sheet, more=""):
    (folder / "trial.toml").write_text(TEXT + more, encoding="utf-8")
    (folder / "harvest.csv").write_text(sheet, encoding="utf-8")
    return tk.read_harvest(tk.read_trial(folder))


def asked(log):
    return [f for f in log.findings if f.code == "state_in_remark"]


def test_a_remark_of_mould_is_asked_about_and_the_missing_column_named(tmp_path):
    log = read(
        tmp_path,
        "unit,fresh_g,note\n"
        'B1-C1-1,300,"green mould, thrown out"\nB1-C1-2,310,no mould\nB2-C1-1,305,a fine one\n',
    )
    (found,) = asked(log)
    assert "lost blocks (rows: 1), but the sheet has no state column" in found.message
    assert "row 2, “green mould, thrown out”" in found.message
    assert "add a column status" in found.remedy
    assert len(log.table) == 3  # nothing is changed by a guess


def test_a_state_that_is_filled_in_is_not_asked_about(tmp_path):
    sheet = "unit,fresh_g,status,note\nB1-C1-1,,contaminated,mould\nB1-C1-2,310,{},mouldy\n"
    assert not asked(read(tmp_path, sheet.format("ok")))
    (found,) = asked(read(tmp_path, sheet.format("")))
    assert "the state column “status” is empty there: row 3" in found.message


def test_a_unit_named_in_parts_is_accepted_as_it_is_advised(tmp_path):
    more = 'columns = { batch = "start", chamber = "tent", block = "bag", fresh_g = "g" }\n'
    log = read(tmp_path, "start,tent,bag,g\nB1,C1,1,300\nB2,C2,2,310\n", more)
    assert list(log.table["unit"]) == ["B1-C1-1", "B2-C2-2"]


@pytest.mark.parametrize("kind", LOG_COLUMNS)
def test_every_key_that_a_proposal_may_name_is_accepted(tmp_path, kind):
    keys = ", ".join(f'{name} = "{name}"' for name in LOG_COLUMNS[kind])
    text = TEXT.replace("[logs.harvest]", f"[logs.{kind}]")
    (tmp_path / "trial.toml").write_text(f"{text}columns = {{ {keys} }}\n", encoding="utf-8")
    assert set(tk.read_trial(tmp_path).logs[kind].columns) == set(LOG_COLUMNS[kind])
