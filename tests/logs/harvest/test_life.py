"""What happens in a growing room and how the harvest sheet tells of it."""

from __future__ import annotations

import datetime as dt
import re
import tomllib
from pathlib import Path

import pandas as pd
import pytest
from openpyxl import Workbook

import trialkit as tk
from tests.lived.garage import grow, write_garage
from tests.logs.folder import TRIAL, make_trial
from trialkit.alignment.windows import derive_windows, due
from trialkit.errors import LogError
from trialkit.logs.harvest.read import read_harvest
from trialkit.logs.log import Log
from trialkit.logs.mapping.offer import offer_sections
from trialkit.status import trial_status

SECTION = '\n[logs.harvest]\nfiles = ["h.csv"]\n'
HEAD = "unit,flush,date,fresh_g,status,note\n"


#: B1 has a start and no end in the trial file.
GROWS = TRIAL.replace(", end = 2031-02-08T12:00:00 }", " }", 1)


def sheet(
    folder: Path,
    flushes: dict[str, tuple[int, ...]],
    *,
    extra: str = "",
    more: str = "",
    text: str = TRIAL,
) -> tk.Trial:
    """Write a sheet in which each block of a batch has the flushes named for the batch."""
    trial = make_trial(folder, {"h.csv": b"unit,flush\n"}, SECTION, trial=text)
    lines = [
        f"{unit},{flush},2031-0{2 * int(unit[1]) - 1}-{20 + flush},300,ok,"
        for unit in trial.unit_table()["unit"]
        for flush in flushes.get(unit[:2], ())
    ]
    cells = HEAD + "\n".join(lines) + "\n" + extra
    return make_trial(folder, {"h.csv": cells.encode()}, SECTION + more, trial=text)


@pytest.mark.parametrize(
    ("text", "flushes", "to_come", "missing"),
    [
        (GROWS, {"B1": (1,)}, True, 0),
        (TRIAL, {"B1": (1,)}, False, 16),
        (GROWS, {"B1": (1,), "B2": (1, 2)}, False, 16),  # the next batch is through: B1 is over
        (GROWS, {"B1": (2,)}, False, 16),  # a flush before one that was picked is no later one
    ],
)
def test_a_flush_still_to_come_is_not_missing(
    text: str, flushes: dict[str, tuple[int, ...]], to_come: bool, missing: int, tmp_path: Path
) -> None:
    """A batch has 16 blocks; only the batch that grows has flushes ahead."""
    trial = sheet(tmp_path, flushes, text=text)
    log = read_harvest(trial)
    told = {f.code: str(f.message) for f in log.findings}
    assert ("flush_to_come" in told) is to_come
    assert told.get("units_missing", "0").split()[0] == str(missing)
    if to_come:
        assert "batch B1" in told["flush_to_come"]
        assert "flush 2" in told["flush_to_come"]
    asked = [f for f in derive_windows(trial, log.table)[1] if f.code == "window_unknown"]
    table = list_windows_due(trial, log)
    assert table["flush 2"] is not to_come
    assert not (asked and to_come)


def list_windows_due(trial: tk.Trial, log: Log) -> dict[str, bool]:
    """Tell which flushes of B1 should be in."""
    names = ["flush 1", "flush 2"]
    rows = pd.DataFrame({"batch": "B1", "window": names})
    return dict(zip(names, due(trial, rows, log.table).tolist(), strict=True))


def test_one_weight_of_a_flush_that_has_begun_is_missing(tmp_path: Path) -> None:
    trial = sheet(tmp_path, {"B1": (1,)}, text=GROWS, extra="B1-T1-top-1,2,2031-02-05,90,ok,\n")
    told = {f.code: str(f.message) for f in read_harvest(trial).findings}
    assert "flush_to_come" not in told
    assert told["units_missing"].startswith("15 of 64")


def test_the_line_that_keeps_two_weighings_of_a_day_works_as_printed(tmp_path: Path) -> None:
    twice = "B1-T1-top-1,1,2031-01-21,120,ok,second go\n"
    log = read_harvest(sheet(tmp_path, {"B1": (1, 2)}, extra=twice))
    rows = log.ledger.table
    remedy = str(rows.loc[rows["rule"] == "conflicting entries", "remedy"].iloc[0])
    found = re.search(r"keep = \[\{.*\}\]", remedy)
    assert found is not None, remedy
    line = found.group()
    assert tomllib.loads(line)["keep"][0]["rows"] == [2, 34]  # the head is row 1; 32 rows follow
    again = read_harvest(sheet(tmp_path, {"B1": (1, 2)}, extra=twice, more=line + "\n"))
    mine = again.table[(again.table["unit"] == "B1-T1-top-1") & (again.table["flush"] == 1)]
    assert sorted(mine["fresh_g"]) == [120.0, 300.0]
    assert not len(again.ledger.table[again.ledger.table["action"] == "set aside"])


GIVEN_UP = """
[[happened]]
on = {on}
given_up = "T4"
reason = "it tore"
because_of_harvest = false
"""


def test_weights_of_a_tent_that_was_given_up_are_told(tmp_path: Path) -> None:
    """T4 tore after B2; the sheet has weights of it in B3 all the same."""
    trial = write_garage(tmp_path, happened=GIVEN_UP.format(on="2031-04-20"))
    units = trial.unit_table()
    grow(trial.folder, units.assign(schedule="usual"))
    log = tk.read_harvest(trial)
    never = sorted(trial.never_grown)
    assert never
    assert all(code.startswith("B3-T4-") for code in never)
    aside = log.ledger.table[log.ledger.table["rule"] == "never grown"]
    assert len(aside) == len(never)
    assert set(aside["action"]) == {"set aside"}
    assert not set(never) & set(log.table["unit"])
    (told,) = [f for f in log.findings if f.code == "never_grown"]
    assert told.severity == "caution"
    assert str(told.message).startswith(f"{len(never)} weights")


def test_a_tent_given_up_after_a_batch_is_not_given_up_in_it(tmp_path: Path) -> None:
    trial = write_garage(tmp_path, happened=GIVEN_UP.format(on="2031-03-20"))
    first = trial.batches["B1"]
    assert first.end is not None
    assert first.end.strftime("%Y-%m-%d") < "2031-03-20"
    assert not any(code.startswith("B1-") for code in trial.given_up)
    assert any(code.startswith("B2-T4") for code in trial.given_up)
    units = trial.unit_table()
    grow(trial.folder, units[~units["unit"].isin(trial.never_grown)].assign(schedule="usual"))
    table = trial_status(trial).table.set_index("step")
    n = len(units) - len(trial.never_grown)
    assert f"{n} of {n} rows" in str(table.loc["harvest", "detail"])


def two_rows_of_heads(folder: Path, trial: tk.Trial) -> None:
    """Save a workbook with "weight (g)" merged over "fresh" and "dry", as people lay them out."""
    book = Workbook()
    page = book.active
    page.append(["Oyster, harvest"])
    page.append(["block", "wave", "picked", "weight (g)", None, "caps", "what happened"])
    page.append(["unit", "flush", "date", "fresh", "dry", "caps", "status"])
    page.merge_cells("D2:E2")
    for unit in trial.unit_table()["unit"]:
        page.append([unit, 1, dt.date(2031, 1, 21 if unit < "B2" else 22), 310.5, None, None, None])
    book.save(folder / "h.xlsx")


def test_weights_under_a_head_that_nothing_names_are_asked_for(tmp_path: Path) -> None:
    """Read without its weights the sheet would look as if nobody had weighed anything."""
    section = SECTION.replace("h.csv", "h.xlsx")
    trial = make_trial(tmp_path, {}, section)
    two_rows_of_heads(tmp_path, trial)
    with pytest.raises(LogError, match="no column is called fresh_g, but 'fresh' may be it"):
        read_harvest(trial)
    (offer,) = [o for o in offer_sections(trial) if o.kind == "harvest"]
    assert offer.columns["fresh_g"] == "fresh"
    line = re.search(r"columns = \{.*\}", str(offer))
    assert line is not None
    named = read_harvest(make_trial(tmp_path, {}, section + line.group() + "\n"))
    assert (named.table["fresh_g"] == 310.5).sum() == len(named.table) == 32


def test_a_sheet_of_caps_alone_is_read(tmp_path: Path) -> None:
    """Weights may stand in another file; what is read here is not nothing."""
    cells = "unit,flush,caps,weight of the tray\nB1-T1-top-1,1,12,300\n"
    log = read_harvest(make_trial(tmp_path, {"h.csv": cells.encode()}, SECTION))
    # its row lacks the response, which is told at the row
    assert log.ledger.table["rule"].tolist() == ["weight missing"]
