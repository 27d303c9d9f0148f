"""A level that somebody wrote into the harvest sheet is compared with the plan's."""

import pandas as pd
import pytest

import trialkit as tk
from tests.bare_plans import write_bare
from tests.lived.garage import EARLY, grow, write_garage
from tests.lived.test_told import entry
from trialkit.wording import speaking


def written(folder, change, *, happened=""):
    """Grow the garage as planned; `change` alters the levels that are written in the sheet."""
    trial = write_garage(folder, happened=happened)
    plan = tk.assign(trial)
    write_bare(plan, folder, now=EARLY)
    grow(folder, plan.table)
    path = folder / "logs" / "harvest.csv"
    sheet = pd.read_csv(path)
    level = plan.table.set_index("unit")["schedule"].astype(str)
    sheet["Schedule"] = [change(unit, level[unit]) for unit in sheet["unit"]]
    sheet.to_csv(path, index=False)
    log = tk.read_harvest(trial, cache=False)
    return log, tk.align(trial, log, plan=plan), level


def other(level):
    return "sparse" if level == "usual" else "usual"


def told(data):
    return [f for f in data.findings if f.code == "level_written"]


@pytest.mark.parametrize(
    "change",
    [lambda _, level: level, lambda _, level: f" {level.upper()}", lambda _u, _l: ""],
)
def test_a_sheet_that_agrees_or_says_nothing_is_fine(tmp_path, change):
    log, data, _ = written(tmp_path, change)
    assert told(data) == []
    assert "columns_unread" not in {f.code for f in log.findings}


def test_another_level_than_the_plans_is_told_and_changes_nothing(tmp_path):
    odd = ("B1-T1-2", "B2-T3-1")
    _, data, level = written(tmp_path, lambda u, own: other(own) if u in odd else own)
    (found,) = told(data)
    assert found.severity == "caution"
    assert "for 2 units" in found.message
    for unit in odd:
        assert f"{unit}: {other(level[unit])} in the sheet, {level[unit]} in the plan" in (
            found.message
        )
    kept = data.table.set_index("unit")["schedule"].astype(str)
    assert (kept.reindex(level.index) == level).all()
    with speaking(language="de"):
        assert "2 Einheiten" in str(found.message)


def test_a_word_that_is_no_level_is_told(tmp_path):
    (found,) = told(written(tmp_path, lambda u, own: "wet" if u == "B1-T1-1" else own)[1])
    assert "B1-T1-1: wet in the sheet" in found.message


def test_a_slip_that_is_told_is_no_contradiction(tmp_path):
    """The sheet says what T1 really got in B1, and so does the trial file."""
    level = tk.assign(write_garage(tmp_path)).table.set_index("unit")["schedule"].astype(str)
    got = other(level["B1-T1-1"])
    slip = entry(
        on="2031-03-03T09:00:00", reason='"wrong card"', unit='"B1:T1"', got=f'"{got}"',
        because_of_harvest="false",
    )  # fmt: skip
    _, data, _ = written(
        tmp_path, lambda u, own: got if u.startswith("B1-T1") else own, happened=slip
    )
    assert told(data) == []
