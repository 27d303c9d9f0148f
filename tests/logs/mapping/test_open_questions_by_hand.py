"""What a section leaves open, and which kind of log a file is: each case by hand."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pytest

from tests.logs.folder import make_trial
from trialkit.logs.heads import Columns, WideColumn
from trialkit.logs.mapping.offer import (
    _answered,
    _complete,
    _kind_of,
    _offer_unnamed,
    _still_open,
    offer_sections,
)
from trialkit.logs.mapping.proposal import Question
from trialkit.logs.text.raw_table import RawTable
from trialkit.trial.sections import LogSection
from trialkit.wording import message

SAID = message("question.time", heads="x")
ORDER = Question(SAID, (("a", {"day_first": True}), ("b", {"day_first": False})))
PLACE = Question(SAID, (("a", {"chamber": {"a.csv": "T1"}}),))
OTHER = Question(SAID, (("a", {"columns": {"temp_c": "x"}}),))


@pytest.mark.parametrize(
    ("given", "question", "answered"),
    [
        ({}, ORDER, False), ({"day_first": True}, ORDER, True), ({"day_first": False}, ORDER, True),
        ({"day_first": True}, OTHER, False), ({}, PLACE, False),
        ({"chamber": {"a.csv": "T2"}}, PLACE, True), ({"chamber": {"a*": "T2"}}, PLACE, True),
        ({"chamber": {"b.csv": "T2"}}, PLACE, False), ({"day_first": True}, PLACE, False),
        ({"day_first": True}, Question(SAID), False),
    ],
)  # fmt: skip
def test_what_a_section_answers(given: dict[str, Any], question: Question, answered: bool) -> None:
    assert _answered(LogSection(files=["*"], **given), question) == answered


def still_open(
    folder: Path, cells: list[str], *, section: str = "", heads: dict[str, str] | None = None,
    wide: bool = False, name: str = "a.csv", kind: str = "environment",
) -> tuple[list[str], dict[str, Any]]:  # fmt: skip
    logs = f'\n[logs.{kind}]\nfiles = ["*.csv"]\n{section}\n'
    trial = make_trial(folder, {"a.csv": b"x\n"}, logs)
    table = RawTable(name, {"when": pa.array(cells)}, np.arange(len(cells)) + 2)
    columns = (WideColumn("temp_c", "T1", "T1 temp"),) if wide else ()
    asked, settled = _still_open(
        trial, kind, table, Columns(heads or {"time": "when"}, {}, columns)
    )
    return [q.said.key for q in asked], settled


OPEN, SURE = ["05/06/2031 10:00"] * 2, ["2031-06-05 10:00"] * 2


@pytest.mark.parametrize(
    ("cells", "given", "keys"),
    [
        (SURE, {}, ["question.chamber"]), (OPEN, {}, ["question.order", "question.chamber"]),
        (OPEN, {"name": "T1.csv"}, ["question.order"]), (SURE, {"name": "T1.csv"}, []),
        (OPEN, {"section": "day_first = true"}, ["question.chamber"]),
        (OPEN, {"section": 'time_format = "%d/%m/%Y %H:%M"'}, ["question.chamber"]),
        (SURE, {"section": 'chamber = { "a.csv" = "T1" }'}, []),
        (SURE, {"heads": {"time": "when", "chamber": "c"}}, []), (SURE, {"wide": True}, []),
        (OPEN, {"heads": {"start": "when"}, "name": "T1.csv", "kind": "mist"}, ["question.order"]),
        (OPEN, {"heads": {"time": "when + at"}, "name": "T1.csv"}, ["question.order"]),
        (OPEN, {"heads": {"time": "lost"}, "name": "T1.csv"}, []),
        (OPEN, {"kind": "harvest"}, ["question.order"]), (SURE, {"kind": "harvest"}, []),
    ],
)  # fmt: skip
def test_what_a_mapped_file_leaves_open(
    cells: list[str], given: dict[str, Any], keys: list[str], tmp_path: Path
) -> None:
    assert still_open(tmp_path, cells, **given) == (keys, {})


def test_days_that_follow_each_other_settle_the_order(tmp_path: Path) -> None:
    midnight = ["05/06/2031 23:50", "06/06/2031 00:00"]
    assert still_open(tmp_path, midnight, name="T1.csv") == ([], {"day_first": True})


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("time,temp\n2031-01-14 10:00,20\n2031-01-14 10:10,21\n", "environment"),
        ("time,fogger\n2031-01-14 10:00,on\n2031-01-14 10:10,off\n", "mist"),
        ("start,stop\n2031-01-14 10:00,2031-01-14 10:10\n", None),
        ("unit,flush,weight\nB1-T1-top-1,1,300\n", "harvest"),
        ("time,p\n2031-01-14 10:00,20.5\n2031-01-14 10:10,21\n2031-01-14 10:20,20\n",
         "environment"),
        ("time,p\n2031-01-14 10:00,x\n", None), ("a,b\n1,2\n", None), ("", None),
        ("weight,flush\n300,1\n", None),
    ],
)  # fmt: skip
def test_which_kind_of_log_a_file_is(text: str, kind: str | None, tmp_path: Path) -> None:
    trial = make_trial(tmp_path, {"logs/x.csv": text.encode()}, "")
    assert _kind_of(trial, "logs/x.csv") == kind


CLIMATE = b"time,temp\n2031-01-14 10:00,20\n2031-01-14 10:10,21\n"


def test_files_of_one_kind_that_no_section_names_are_offered_together(tmp_path: Path) -> None:
    files = {"logs/T1.csv": CLIMATE, "logs/T2.csv": CLIMATE, "logs/.hidden.csv": CLIMATE,
             "logs/~$T3.csv": CLIMATE, "other/T4.csv": CLIMATE}  # fmt: skip
    [offer] = _offer_unnamed(make_trial(tmp_path / "1", files, ""))
    assert (offer.kind, offer.files) == ("environment", ("logs/T1.csv", "logs/T2.csv"))
    one = make_trial(tmp_path / "2", files, '\n[logs.mist]\nfiles = ["logs/T1.csv"]\n')
    [offer] = _offer_unnamed(one)
    assert offer.files == ("logs/T2.csv",)
    named = make_trial(tmp_path / "3", files, '\n[logs.environment]\nfiles = ["logs/T1.csv"]\n')
    assert _offer_unnamed(named) == []  # the kind has its section


def test_a_section_that_says_all_is_not_offered_anew(tmp_path: Path) -> None:
    logs = '\n[logs.environment]\nfiles = ["T1.csv"]\ncolumns = { temp_c = "temp" }\n'
    assert _complete(make_trial(tmp_path, {"T1.csv": CLIMATE}, logs), "environment") is None
    assert offer_sections(make_trial(tmp_path, {"T1.csv": CLIMATE}, logs)) == []


def test_heads_of_another_make_are_put_beside_those_that_are_named(tmp_path: Path) -> None:
    logs = (
        '\n[logs.environment]\nfiles = ["*.csv"]\ncolumns = { temp_c = "warm" }\n'
        'units = { temp_c = "degC" }\n'
    )
    files = {"T1.csv": CLIMATE.replace(b"temp", b"warm"), "T2.csv": CLIMATE}
    offer = _complete(make_trial(tmp_path, files, logs), "environment")
    assert offer is not None
    assert offer.columns == {"temp_c": "warm", "time": "time"}
    assert offer.heads == {"temp_c": ("warm", "temp")}
    assert offer.units == {}
    assert offer.questions == ()


def test_a_file_without_a_value_is_not_offered(tmp_path: Path) -> None:
    logs = '\n[logs.environment]\nfiles = ["T1.csv"]\n'
    remarks = b"time,remark\n2031-01-14 10:00,wet\n"
    assert _complete(make_trial(tmp_path, {"T1.csv": remarks}, logs), "environment") is None
