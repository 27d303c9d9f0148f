"""Rows set aside, as the terminal tells them: those of one fate in one line, none left out."""

from __future__ import annotations

from pathlib import Path

from tests.logs.folder import make_trial
from trialkit.cli.rows_aside import tell_rows_aside
from trialkit.logs.climate.read import read_environment


def test_rows_of_an_unknown_tent_among_others_are_counted_in_one_line(tmp_path: Path) -> None:
    """Every third of 300 rows is of T9, from row 4 to row 301; two cells are no numbers."""
    rows = [
        f"2031-01-14 {k // 60:02d}:{k % 60:02d},{('T1', 'T2', 'T9')[k % 3]},{15 + k % 5}.5"
        for k in range(300)
    ]
    rows[10] = rows[10].replace(f"{15 + 10 % 5}.5", "Err2")
    rows[31] = rows[31].replace(f"{15 + 31 % 5}.5", "Err2")
    text = "\n".join(["time,chamber,temp_c", *rows]) + "\n"
    section = '\n[logs.environment]\nfiles = ["all.csv"]\n'
    log = read_environment(make_trial(tmp_path, {"all.csv": text.encode()}, section), cache=False)
    lines = tell_rows_aside(log.ledger.table)
    tent = [line for line in lines if "T9" in line]
    assert len(tent) == 1
    assert tent[0].startswith("all.csv 100 of the rows 4–301, chamber: ")
    assert [line.partition(",")[0] for line in lines if "Err2" in line] == [
        "all.csv row 12",
        "all.csv row 33",
    ]
    for most in (1, 2):
        cut = tell_rows_aside(log.ledger.table, most=most)
        assert cut[:most] == lines[:most]
    told = log.ledger.table["rows"].sum() - 100
    assert tell_rows_aside(log.ledger.table, most=1)[1].startswith(f"and {told} more")
