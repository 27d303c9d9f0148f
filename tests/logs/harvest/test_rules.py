"""Rules of the harvest sheet that look across rows."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.logs.folder import make_trial
from trialkit.logs.harvest.read import read_harvest
from trialkit.logs.log import Log
from trialkit.logs.text.names import suggest, tidy
from trialkit.trial.read import read_trial

HEAD = "unit,flush,date,fresh_g,status\n"
DAYS = {1: "2031-01-22", 2: "2031-02-01"}


def whole_batch(folder: Path, change: dict[tuple[str, int], str] | None = None, **k: str) -> Log:
    """Read a batch of 32 blocks and two flushes; `change` replaces a row's last cells."""
    rng = np.random.default_rng(5)
    trial = make_trial(folder, {"h.csv": b"unit,flush\n"}, '\n[logs.harvest]\nfiles = ["h.csv"]\n')
    lines = []
    for unit in trial.unit_table()["unit"]:
        if not unit.startswith("B1"):
            continue
        for flush, mean in ((1, 320.0), (2, 150.0)):
            cells = f"{DAYS[flush]},{mean * np.exp(0.15 * rng.standard_normal()):.0f},ok"
            cells = (change or {}).get((unit, flush), cells)
            if cells:
                lines.append(f"{unit},{flush},{cells}")
    text = HEAD + "\n".join(lines) + "\n"
    return read_harvest(
        make_trial(folder, {"h.csv": text.encode()}, '\n[logs.harvest]\nfiles = ["h.csv"]\n', **k)
    )


def codes(log: Log) -> set[str]:
    return {f.code for f in log.findings}


def test_sound_weights_are_not_accused(tmp_path: Path) -> None:
    log = whole_batch(tmp_path)
    assert len(log.ledger.table) == 0
    assert codes(log) == {"noon", "no_harvest"}


@pytest.mark.parametrize(("weight", "slip"), [("32", True), ("3.1", True), ("200", False)])
def test_slip_of_the_decimal_sign(weight: str, slip: bool, tmp_path: Path) -> None:
    log = whole_batch(tmp_path, {("B1-T2-top-1", 1): f"2031-01-22,{weight},ok"})
    lines = log.ledger.table
    told = lines[lines["rule"] == "decimal slip"]
    assert len(told) == slip
    assert len(log.table) == 32
    if slip:
        assert told["action"].iloc[0] == "note"
        assert told["old"].iloc[0] == weight
        assert "flush 1 of B1-T2-top-1" in next(
            f.message for f in log.findings if f.code == "decimal_slip"
        )


def test_a_zero_is_neither_missing_nor_a_slip(tmp_path: Path) -> None:
    log = whole_batch(tmp_path, {("B1-T2-top-1", 1): "2031-01-22,0,ok"})
    assert codes(log) == {"noon", "no_harvest"}
    assert log.table["fresh_g"].min() == 0


def test_missing_units_are_listed_but_not_those_lost_before(tmp_path: Path) -> None:
    log = whole_batch(
        tmp_path,
        {
            ("B1-T1-top-1", 2): "",
            ("B1-T2-top-1", 1): "2031-01-22,,contaminated",
            ("B1-T2-top-1", 2): "",
            ("B1-T3-top-1", 2): "2031-02-01,,discarded",
        },
    )
    [told] = [f.message for f in log.findings if f.code == "units_missing"]
    assert (
        told.endswith("1 of 64 weights are missing: B1-T1-top-1 flush 2") or "B1-T1-top-1" in told
    )
    assert "B1-T2" not in told
    assert sorted(set(log.table["status"])) == ["contaminated", "discarded", "ok"]
    assert log.table.loc[log.table["status"] != "ok", "fresh_g"].isna().all()


def test_more_mushrooms_in_all_than_the_block_weighed(tmp_path: Path) -> None:
    log = whole_batch(
        tmp_path,
        {("B1-T1-top-1", 1): "2031-01-22,1500,ok", ("B1-T1-top-1", 2): "2031-02-01,1200,ok"},
    )
    [told] = [f.message for f in log.findings if f.code == "total_above_block"]
    assert "B1-T1-top-1 (2,700 g)" in told
    assert len(log.table) == 32


def test_near_codes_are_suggested_and_only_spelling_is_tidied() -> None:
    known = ["B1-T1-top-1", "B1-T1-top-2", "B2-T3-bottom-1"]
    assert suggest("B2-T3-botom-1", known) == "did you mean 'B2-T3-bottom-1'?"
    assert "B1-T1-top-1" in suggest("B1-T1-top-I", known)
    assert tidy("b1 t1/TOP_01") == tidy("B1-T1-top-1")
    assert tidy("B11-T1-top") != tidy("B1-1T1-top")
    assert (
        suggest("zzz", [str(i) for i in range(100)])
        == "find the right one on the labels or the harvest sheet"
    )


def test_sheets_of_several_files_are_one_harvest(tmp_path: Path) -> None:
    files = {
        "a.csv": (HEAD + "B1-T1-top-1,1,2031-01-22,300,\n").encode(),
        "b.csv": (HEAD + "B1-T1-top-1,1,2031-01-22,300,\nB1-T1-top-1,2,2031-02-01,100,\n").encode(),
    }
    log = read_harvest(make_trial(tmp_path, files, '\n[logs.harvest]\nfiles = ["*.csv"]\n'))
    assert log.ledger.summary()["set_aside"].tolist() == [0, 1]
    assert "row 2 of a.csv" in log.ledger.table["reason"].iloc[0]


def test_a_trial_of_another_shape(tmp_path: Path) -> None:
    """A field split-plot without batches or chambers reads its harvest alone."""
    text = """
[trial]
title = "a field"
[units]
structure = "block / plot / subplot"
block = 3
plot = 2
subplot = 2
[factors.variety]
applied_to = "block:plot"
levels.a = {}
levels.b = {}
[question]
primary = "variety"
"""
    sheet = "block,plot,subplot,yield\n" + "".join(
        f"{b},{p},{s},{100 + b}\n" for b in (1, 2, 3) for p in (1, 2) for s in (1, 2)
    )
    trial = make_trial(
        tmp_path,
        {"h.csv": sheet.encode()},
        '\n[logs.harvest]\nfiles = ["h.csv"]\ncolumns = { fresh_g = "yield" }\n',
        trial=text,
    )
    log = read_harvest(trial)
    assert len(log.table) == 12
    assert log.table["time"].isna().all()
    assert log.findings == ()


def test_a_chamber_that_bore_nothing_is_told_once_and_its_zeros_are_kept(tmp_path: Path) -> None:
    units = [f"B1-T2-{shelf}-{block}" for shelf in ("top", "bottom") for block in (1, 2)]
    empty = {(unit, flush): "2031-01-22,0,ok" for unit in units for flush in (1, 2)}
    log = whole_batch(tmp_path, empty)
    told = [f.message for f in log.findings if f.code == "nothing_at_all"]
    assert len(told) == 1
    assert "T2 (all 8 weights)" in told[0]
    assert (log.table["fresh_g"] == 0).sum() == 8


def test_a_few_empty_blocks_are_no_failed_chamber(tmp_path: Path) -> None:
    empty = {
        (f"B1-T2-top-{block}", flush): "2031-01-22,0,ok" for block in (1, 2) for flush in (1, 2)
    }
    assert "nothing_at_all" not in codes(whole_batch(tmp_path, empty))


@pytest.mark.parametrize("flush", ["2", "Flush 2", "2nd"])
def test_nothing_is_asked_for_after_a_block_was_lost_however_its_flush_is_written(
    flush: str, tmp_path: Path
) -> None:
    change = {("B1-T2-top-1", 1): "2031-01-22,,contaminated", ("B1-T2-top-1", 2): ""}
    sheet = f"B1-T2-top-1,{flush},,,"
    lines = _ledger_of_unfilled(tmp_path, change, sheet)
    assert len(lines) == 1
    assert lines["remedy"].iloc[0] == ""
    assert "lost" in lines["reason"].iloc[0]


def test_a_flush_of_thousands_of_figures_is_set_aside_as_any_other_that_is_none(
    tmp_path: Path,
) -> None:
    """Python turns no text of more than 4 300 figures into a number (its documentation, int)."""
    change = {("B1-T2-top-1", 1): "2031-01-22,,contaminated", ("B1-T2-top-1", 2): ""}
    lines = _ledger_of_unfilled(tmp_path, change, f"B1-T2-top-1,{'9' * 5000},,,")
    assert len(lines) == 1
    assert lines["remedy"].iloc[0] != ""


def _ledger_of_unfilled(folder: Path, change: dict[tuple[str, int], str], row: str) -> pd.DataFrame:
    whole_batch(folder, change)
    sheet = folder / "h.csv"
    sheet.write_text(sheet.read_text() + row + "\n")
    log = read_harvest(read_trial(folder / "trial.toml"))
    table = log.ledger.table
    return table[table["rule"] == "not filled in"]
