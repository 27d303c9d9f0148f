"""How many are named where many are at fault: the first few, and how many more."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.logs.folder import TRIAL, make_trial
from tests.logs.harvest.test_edges import UNITS, log_of, row
from trialkit.logs.harvest.read import read_harvest
from trialkit.logs.log import Log


def named(log: Log, code: str) -> int:
    """Count the units that a finding names."""
    [told] = [f for f in log.findings if f.code == code]
    return sum(f"{unit} " in f"{told.message} ".replace(",", " ").replace(";", " ")
               .replace(".", " ").replace(":", " ") for unit in UNITS)  # fmt: skip


@pytest.mark.parametrize("count", [4, 5, 7])
def test_weights_of_lost_blocks(count: int, tmp_path: Path) -> None:
    rows = [row(unit=u, status="contaminated") for u in UNITS[:count]]
    assert named(log_of(tmp_path, *rows, row(unit=UNITS[15])), "lost_with_weight") == min(count, 5)


@pytest.mark.parametrize("count", [5, 6])
def test_slips(count: int, tmp_path: Path) -> None:
    rows = [row(unit=u, fresh=(30 if k < count else 300) + k) for k, u in enumerate(UNITS)]
    second = [row(unit=u, flush=2, date="2031-02-01", fresh=150 + k) for k, u in enumerate(UNITS)]
    log = log_of(tmp_path, *rows, *second)
    assert named(log, "decimal_slip") == 5


@pytest.mark.parametrize("count", [4, 6])
def test_totals(count: int, tmp_path: Path) -> None:
    rows = [row(unit=u, flush=f, date=d, fresh=2000) for u in UNITS[:count]
            for f, d in ((1, "2031-01-22"), (2, "2031-02-01"))]  # fmt: skip
    assert named(log_of(tmp_path, *rows), "total_above_block") == min(count, 5)


@pytest.mark.parametrize(("there", "shown"), [(9, 7), (8, 8), (7, 8)])
def test_missing_weights(there: int, shown: int, tmp_path: Path) -> None:
    trial = TRIAL.replace("flushes = 2", "flushes = 1")
    log = log_of(tmp_path, *(row(unit=u) for u in UNITS[:there]), trial=trial)
    assert named(log, "units_missing") == shown


@pytest.mark.parametrize("count", [4, 6])
def test_flushes_out_of_order(count: int, tmp_path: Path) -> None:
    rows = [row(unit=u, flush=f, date=d) for u in UNITS[:count]
            for f, d in ((1, "2031-01-28"), (2, "2031-01-25"))]  # fmt: skip
    assert named(log_of(tmp_path, *rows), "flush_order") == min(count, 5)


@pytest.mark.parametrize(("count", "others"), [(4, 3), (6, 3)])
def test_other_entries_of_a_contradiction(count: int, others: int, tmp_path: Path) -> None:
    log = log_of(tmp_path, *(row(fresh=300 + k) for k in range(count)))
    reason = log.ledger.table["reason"].iloc[0]
    assert sum(f"{300 + k} g" in reason for k in range(1, count)) == others


@pytest.mark.parametrize("count", [3, 6])
def test_remarks_that_sound_like_a_lost_block(count: int, tmp_path: Path) -> None:
    rows = [row(unit=u, status="", note=f"mould {k} seen") for k, u in enumerate(UNITS[:count])]
    log = log_of(tmp_path, *rows)
    [told] = [f for f in log.findings if f.code == "state_in_remark"]
    assert told.values["number"] == count
    assert sum(f"mould {k} seen" in told.message for k in range(count)) == min(count, 4)


@pytest.mark.parametrize(("count", "shown"), [(8, 8), (9, 8)])
def test_columns_that_nothing_reads(count: int, shown: int, tmp_path: Path) -> None:
    heads = [f"extra{k}" for k in range(count)]
    text = f"unit,flush,fresh_g,{','.join(heads)}\n{UNITS[0]},1,300,{','.join('x' * count)}\n"
    trial = make_trial(tmp_path, {"h.csv": text.encode()}, '\n[logs.harvest]\nfiles = ["h.csv"]\n')
    [told] = [f for f in read_harvest(trial).findings if f.code == "columns_unread"]
    assert told.values["count"] == count
    assert sum(head in told.message for head in heads) == shown


@pytest.mark.parametrize(("count", "shown"), [(4, 4), (5, 4)])
def test_rows_whose_code_and_columns_differ(count: int, shown: int, tmp_path: Path) -> None:
    lines = [f"{u},T4,1,300" for u in UNITS[:count]]
    text = "unit,chamber,flush,fresh_g\n" + "\n".join(lines) + "\n"
    trial = make_trial(tmp_path, {"h.csv": text.encode()}, '\n[logs.harvest]\nfiles = ["h.csv"]\n')
    [told] = [f for f in read_harvest(trial).findings if f.code == "code_and_column"]
    assert told.values["count"] == count
    assert sum(u in told.message for u in UNITS[:count]) == shown


@pytest.mark.parametrize(("letters", "whole"), [(38, True), (39, False)])
def test_long_heads_and_cells_are_shown_by_forty_letters_with_their_quotes(
    letters: int, whole: bool, tmp_path: Path
) -> None:
    long = "z" * letters
    text = f"unit,chamber,flush,fresh_g,{long}\n{UNITS[0]},{long},1,300,x\n{UNITS[1]},T1,1,300,x\n"
    trial = make_trial(tmp_path, {"h.csv": text.encode()}, '\n[logs.harvest]\nfiles = ["h.csv"]\n')
    log = read_harvest(trial)
    for code in ("columns_unread", "code_and_column"):
        [told] = [f for f in log.findings if f.code == code]
        assert (f"'{long}'" in told.message) == whole, code
