"""A harvest column stands in one place: the register, or the trial file; all else follows."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest

import trialkit as tk
from tests.logs.folder import TRIAL, make_trial
from trialkit.columns import COLUMNS, HARVEST_COLUMNS, LOG_COLUMNS, adds_up, own_column
from trialkit.columns.harvest import Pooling
from trialkit.errors import TrialFileError
from trialkit.logs.mapping.propose import propose_mapping
from trialkit.logs.rules import RULES
from trialkit.trial import Trial
from trialkit.wording import read_wording

OWN = """
[columns.stem_mm]
label = "stem length"
unit = "mm"
range = [5, 250]
pools = "mean"
heads = ["stem"]
[columns.trimmings_g]
unit = "g"
range = [0, 2000]
pools = "sum"
better = "less"
[columns.firmness]
range = [1, 5]
whole = true
pools = "last"
better = "more"
"""
LOGS = """
[logs.harvest]
files = ["harvest.csv"]
columns = { time = "date", stem_mm = "stem length (cm)" }
"""
POOLINGS: dict[str, Pooling] = {"stem_mm": "mean", "offcut_g": "sum", "firmness": "last"}
HEAD = "unit,flush,date,fresh_g,stem length (cm),trimmings_g,firmness"


def read(folder: Path, rows: list[str], *, more: str = OWN) -> Trial:
    text = "\n".join([HEAD, *rows]) + "\n"
    return make_trial(folder, {"harvest.csv": text.encode()}, more + LOGS)


@pytest.mark.parametrize("name", list(HARVEST_COLUMNS))
def test_an_entry_is_in_the_glossary_and_has_its_rule(name: str) -> None:
    entry = HARVEST_COLUMNS[name]
    assert COLUMNS[name] is entry
    assert name in LOG_COLUMNS["harvest"]
    assert entry.rule in RULES
    assert str(entry.reason)
    assert f"glossary_label.{name}" in read_wording().entries
    assert entry.meaning != name
    assert entry.prompt(9).endswith(".")


def test_the_sheet_and_the_workbook_have_the_columns_of_the_trial_file(tmp_path: Path) -> None:
    tk.assign(make_trial(tmp_path, {}, OWN)).write(tmp_path)
    sheet = pd.read_csv(tmp_path / "plan" / "harvest_sheet.csv")
    assert list(sheet.columns)[-6 - len(HARVEST_COLUMNS) :] == [
        "date", *HARVEST_COLUMNS, "stem_mm", "trimmings_g", "firmness", "status", "note",
    ]  # fmt: skip
    page = openpyxl.load_workbook(tmp_path / "plan" / "harvest_sheet.xlsx")["harvest"]
    letter = {cell.value: cell.column_letter for cell in page[1]}
    checks = {str(c.sqref)[0]: c for c in page.data_validations.dataValidation}
    stem, firm = checks[letter["stem_mm"]], checks[letter["firmness"]]
    assert (stem.type, float(stem.formula1), float(stem.formula2)) == ("decimal", 5, 250)
    assert (firm.type, float(firm.formula1), float(firm.formula2)) == ("whole", 1, 5)
    assert stem.prompt == "Stem length, 5 to 250 mm."
    assert not page[f"{letter['stem_mm']}2"].protection.locked


def test_values_are_read_in_their_unit_and_impossible_ones_left_out(tmp_path: Path) -> None:
    trial = read(
        tmp_path,
        [
            "B1-T1-top-1,1,2031-01-20,300,4.5,12,3",
            "B1-T1-top-2,1,2031-01-20,310,45,12,3",  # 450 mm: centimetres and millimetres mixed up
            "B1-T1-bottom-1,1,2031-01-20,320,20 mm,12,3.5",
        ],
    )
    log = tk.read_harvest(trial)
    table = log.table.set_index("unit")
    assert table.loc["B1-T1-top-1", ["stem_mm", "trimmings_g", "firmness"]].tolist() == [45, 12, 3]
    assert np.isnan(table.loc["B1-T1-top-2", "stem_mm"])
    assert table.loc["B1-T1-top-2", "fresh_g"] == 310
    assert table.loc["B1-T1-bottom-1", "stem_mm"] == 20
    assert np.isnan(table.loc["B1-T1-bottom-1", "firmness"])
    lines = log.ledger.table[log.ledger.table["rule"] == "outside its range"]
    assert lines["row"].tolist() == [3, 4]
    assert lines["column"].tolist() == ["stem length (cm)", "firmness"]
    assert lines["old"].tolist() == ["450", "3.5"]
    assert lines["reason"].tolist() == [
        "outside 5 to 250 mm; the value is left out",
        "outside 1 to 5, or not a whole number; the value is left out",
    ]
    assert log.ledger.adds_up


def test_a_row_with_only_an_own_column_is_not_empty(tmp_path: Path) -> None:
    """Where the question is asked of another response than the fresh weight."""
    text = TRIAL.replace('primary = "schedule"', 'primary = "schedule"\nresponse = "firmness"')
    rows = f"{HEAD}\nB1-T1-top-1,1,2031-01-20,,,,4\nB1-T1-top-2,1,2031-01-20,,,,\n"
    trial = make_trial(tmp_path, {"harvest.csv": rows.encode()}, OWN + LOGS, trial=text)
    log = tk.read_harvest(trial)
    assert log.table["firmness"].tolist() == [4]
    assert log.ledger.table["rule"].tolist() == ["weight missing"]


def test_a_head_is_proposed_by_its_words(tmp_path: Path) -> None:
    trial = read(tmp_path, ["B1-T1-top-1,1,2031-01-20,300,4.5,12,3"] * 3)
    proposal = propose_mapping(trial, "harvest")
    assert proposal.columns["stem_mm"] == "stem length (cm)"
    assert proposal.units["stem_mm"] == "cm"


def test_each_column_pools_the_picks_of_a_flush_in_its_own_way(tmp_path: Path) -> None:
    """Two picks, the later one first in the file: 50 and 70 mm, 10 and 30 g, firmness 2 then 4."""
    trial = read(
        tmp_path,
        [
            "B1-T1-top-1,1,2031-01-22,100,7,30,4",
            "B1-T1-top-1,1,2031-01-20,200,5,10,2",
        ],
    )
    data = tk.align(trial, tk.read_harvest(trial), plan=tk.assign(trial))
    row = data.table[(data.table["unit"] == "B1-T1-top-1") & (data.table["flush"] == 1)].iloc[0]
    assert row["fresh_g"] == 300
    assert row["stem_mm"] == 60
    assert row["trimmings_g"] == 40
    assert row["firmness"] == 4
    assert np.isnan(row["dry_g"])


def _full_harvest(folder: Path) -> tuple[Trial, pd.DataFrame]:
    """Enter every unit and flush; the stem lengths are drawn from a seed."""
    rng = np.random.default_rng(3)
    bare = make_trial(folder, {}, OWN)
    rows, frame = [], bare.unit_table()
    frame = pd.concat([frame.assign(flush=1), frame.assign(flush=2)], ignore_index=True)
    frame["stem_cm"] = np.round(rng.normal(6, 0.5, len(frame)), 2)
    for unit, flush, batch, stem in frame[["unit", "flush", "batch", "stem_cm"]].itertuples(
        index=False
    ):
        day = {"B1": ("2031-01-20", "2031-02-01"), "B2": ("2031-03-20", "2031-04-01")}[batch]
        weight = round(float(rng.normal(300, 20)), 1)
        rows.append(f"{unit},{flush},{day[flush - 1]},{weight},{stem},{rng.integers(5, 40)},3")
    return read(folder, rows), frame


def test_it_reaches_outcomes_analysis_and_report(tmp_path: Path) -> None:
    trial, drawn = _full_harvest(tmp_path)
    plan = tk.assign(trial)
    data = tk.align(trial, tk.read_harvest(trial), plan=plan)
    found = tk.other_outcomes(trial, data)
    stems = found.measured[found.measured["outcome"] == "stem_mm"].set_index("level")["estimate"]
    # in a balanced trial a marginal mean is the plain mean of the level's values
    drawn = drawn.merge(plan.table[["unit", "schedule"]], on="unit")
    plain = 10 * drawn.groupby("schedule")["stem_cm"].mean()
    assert stems.to_dict() == pytest.approx(plain.to_dict())
    shown = str(tk.analyse(trial, data, response="stem_mm"))
    assert "stem length of one block in one flush [mm], with" in shown
    added = str(tk.analyse(trial, data, response="trimmings_g"))
    assert "trimmings g of one block over all 2 flushes [g], with" in added
    result = tk.analyse(trial, data)
    verdict = tk.decide(trial, result)
    page = tk.write_report(trial, result, verdict, tmp_path / "r.html").read_text("utf-8")
    assert "stem length [mm]" in re.sub(r"<[^>]+>", " ", page)


def test_a_question_is_asked_only_where_more_is_better(tmp_path: Path) -> None:
    def asked(name: str) -> str:
        (tmp_path / "trial.toml").write_text(
            TRIAL.replace("[question]", f'[question]\nresponse = "{name}"') + OWN, encoding="utf-8"
        )
        return tk.read_trial(tmp_path).question.response

    assert asked("firmness") == "firmness"
    for name, words in (("stem_mm", "more is not said to be better"), ("stem", "should be")):
        with pytest.raises(TrialFileError, match=words):
            asked(name)


@pytest.mark.parametrize(
    ("section", "where", "what"),
    [
        ("[columns.stem_mm]\npools = 'mean'", "stem_mm", "'range' is missing"),
        ("[columns.stem_mm]\nrange = [5, 250]", "stem_mm", "'pools' is missing"),
        ("[columns.stem_mm]\nrange = [5]\npools = 'mean'", "range", "lowest and the highest"),
        ("[columns.stem_mm]\nrange = [9, 5]\npools = 'mean'", "range", "no value possible"),
        ("[columns.stem_mm]\nrange = [-inf, 5]\npools = 'mean'", "range", "lowest possible value"),
        ("[columns.stem_mm]\nrange = [5, 9]\npools = 'median'", "pools", "'sum', 'mean' or 'last'"),
        (
            "[columns.stem_mm]\nrange = [5, 9]\npools = 'mean'\npool = 'sum'",
            "pool",
            "unknown key 'pool'",
        ),
        ("[columns.stem_mm]\nrange = [1, 9]\npools = 'sum'\nunit = 'cm'", "unit", "kept in mm"),
        ("[columns.'Stem-mm']\nrange = [5, 9]\npools = 'mean'", "Stem-mm", "small letters"),
        ("[columns.caps]\nrange = [5, 9]\npools = 'mean'", "caps", "has already"),
        ("[columns.row]\nrange = [5, 9]\npools = 'mean'", "row", "has already"),
        ("[columns.schedule]\nrange = [5, 9]\npools = 'mean'", "schedule", "unit or a treatment"),
        ("columns = 3", "columns", "must hold sections"),
        ("[columns]\nstem_mm = 3", "stem_mm", "must be a section"),
    ],
)
def test_faults_of_the_trial_file(tmp_path: Path, section: str, where: str, what: str) -> None:
    head, _, rest = TRIAL.partition("[trial]")
    first = section == "columns = 3"  # a key of no section stands before the first one
    text = f"{head}{section}\n[trial]{rest}" if first else f"{TRIAL}{section}\n"
    (tmp_path / "trial.toml").write_text(text, encoding="utf-8")
    with pytest.raises(TrialFileError) as caught:
        tk.read_trial(tmp_path)
    (fault,) = caught.value.faults
    assert where in fault.where
    assert re.search(r"\(line \d+\)", fault.where)
    assert what in fault.what
    assert fault.remedy


def test_pooling_tells_whether_flushes_add_up() -> None:
    assert adds_up("be_pct")
    assert not adds_up("days")
    own = {
        "stem_mm": own_column("stem_mm", pools="mean"),
        "offcut_g": own_column("offcut_g", pools="sum"),
    }
    assert [adds_up(name, own) for name in own] == [False, True]


def test_the_template_shows_a_column_that_can_be_used(tmp_path: Path) -> None:
    """The lines in the comment, without their #, are a sound column."""
    from trialkit.templates import new_trial

    new_trial(tmp_path / "t", title="x")
    text = next((tmp_path / "t").glob("trial.toml")).read_text("utf-8")
    at = text.index("# [columns.")
    block = text[at : text.index("\n\n", at)]
    lines = [re.sub(r"^# ?", "", line) for line in block.splitlines()]
    trial = make_trial(tmp_path, {}, "\n".join(lines))
    assert list(trial.columns) == ["stem_mm"]
