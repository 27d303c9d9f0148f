"""The ledger adds up, and runs of rows treated alike take one line."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.logs.folder import make_trial
from trialkit.logs.climate.read import read_environment
from trialkit.logs.ledger import Account
from trialkit.logs.rules import RULES, rule_name
from trialkit.trial.sections import Keep
from trialkit.wording import read_wording


def test_millions_of_rows_take_few_lines() -> None:
    account = Account()
    file = account.open("big.csv", np.arange(2, 2_000_002))
    bad = np.ones(2_000_000, bool)
    bad[1_000_000] = False
    file.set_aside(bad, rule="no value", reason="nothing there", remedy="")
    ledger, _ = account.close()
    assert len(ledger.table) == 2
    assert ledger.table[["row", "row_last", "rows"]].to_numpy().tolist() == [
        [2, 1_000_001, 1_000_000],
        [1_000_003, 2_000_001, 999_999],
    ]
    assert ledger.summary().iloc[0].tolist() == ["big.csv", 2_000_000, 1, 1_999_999]


@settings(max_examples=60, deadline=None)
@given(
    steps=st.lists(
        st.tuples(
            st.sampled_from(["no value", "double export", "chamber unknown"]),
            st.lists(st.integers(0, 199), max_size=150, unique=True),
        ),
        max_size=5,
    ),
    keep=st.lists(st.integers(2, 201), max_size=20, unique=True),
)
def test_each_row_is_set_aside_once(steps: list[tuple[str, list[int]]], keep: list[int]) -> None:
    request = Keep(file="*", rows=keep, rule="no value", because="asked")
    account = Account([request])
    file = account.open("a.csv", np.arange(2, 202))
    for rule, rows in steps:
        file.set_aside(np.array(rows, dtype=np.int64), rule=rule, reason="why", remedy="")
    ledger, _ = account.close()
    assert ledger.adds_up
    wanted = {r for rule, rows in steps for r in rows if rule != "no value" or r + 2 not in keep}
    aside = ledger.table[ledger.table["action"] == "set aside"]
    listed = [r for a, b in zip(aside["row"], aside["row_last"], strict=True)
              for r in range(a, b + 1)]  # fmt: skip
    assert sorted(listed) == sorted(r + 2 for r in wanted)


def test_changed_values_keep_old_and_new_each() -> None:
    account = Account()
    file = account.open("a.csv", np.arange(2, 302))
    old = [f"{i}x" for i in range(300)]
    new = [str(i) for i in range(300)]
    file.change(np.arange(300), rule="written otherwise", reason="r", column="c", old=old, new=new)
    ledger, _ = account.close()
    assert ledger.table["old"].tolist() == old
    assert ledger.table["new"].tolist() == new
    assert int(ledger.summary()["set_aside"].iloc[0]) == 0


def test_many_old_values_in_a_row_are_told_by_the_first_and_last() -> None:
    """Of more than fifty rows treated alike two are named; of fewer each, and of one just it."""
    account = Account()
    file = account.open("a.csv", np.arange(2, 302))
    rows = np.array([*range(100), 200])
    old = [f"{i}x" for i in rows]
    file.set_aside(rows, rule="no value", reason="r", remedy="", column="c", old=old)
    ledger, _ = account.close()
    assert ledger.table["old"].tolist() == ["0x … 99x", "200x"]
    assert ledger.table["rows"].tolist() == [100, 1]
    account = Account()
    file = account.open("a.csv", np.arange(2, 302))
    few = np.arange(50)
    file.set_aside(few, rule="no value", reason="r", remedy="", column="c", old=old[:50])
    assert account.close()[0].table["old"].tolist() == old[:50]


def test_an_unknown_rule_is_our_own_mistake() -> None:
    file = Account().open("a.csv", np.arange(3))
    with pytest.raises(AssertionError, match="list of rules"):
        file.note(np.array([0]), rule="made up", reason="")


@pytest.mark.parametrize("rule", RULES)
def test_every_rule_has_a_name_and_a_meaning_for_people(rule: str) -> None:
    entries = read_wording().entries
    assert entries[f"rule.{rule}"]
    assert entries[f"rule_meaning.{rule}"]
    assert str(rule_name(rule)) == entries[f"rule.{rule}"]


def test_only_rules_have_names() -> None:
    names = {k.removeprefix("rule.") for k in read_wording().entries if k.startswith("rule.")}
    assert names == set(RULES)
    assert rule_name("made up") == "made up"


def test_written_ledger_has_no_cell_that_a_spreadsheet_would_run(tmp_path: Path) -> None:
    text = 'time,temp_c\n=cmd|calc,20\n2031-01-14 00:00,@SUM(1)\n"2031-01-14 00:01",-5\n'
    trial = make_trial(
        tmp_path, {"T1.csv": text.encode()}, '\n[logs.environment]\nfiles = ["T1.csv"]\n'
    )
    log = read_environment(trial)
    path = log.ledger.write(tmp_path / "ledger.csv")
    with path.open(encoding="utf-8", newline="") as source:
        cells = [cell for row in csv.reader(source) for cell in row]
    assert "'=cmd|calc" in cells
    assert not [c for c in cells if c.startswith(("=", "+", "-", "@"))]
    assert not list(tmp_path.glob("*.part"))


def test_kept_copies_stand_in_the_table(tmp_path: Path) -> None:
    text = "time,temp_c\n2031-01-14 00:00,20\n2031-01-14 00:00,25\n2031-01-14 00:00,26\n"
    keep = (
        '[[logs.environment.keep]]\nfile = "T1.csv"\nrows = [3]\n'
        'rule = "same time, other values"\nbecause = "two probes in one file"\n'
    )
    trial = make_trial(
        tmp_path, {"T1.csv": text.encode()}, f'\n[logs.environment]\nfiles = ["T1.csv"]\n{keep}'
    )
    log = read_environment(trial)
    assert sorted(log.table["temp_c"]) == [20, 25]
    assert log.ledger.summary()[["kept", "set_aside"]].iloc[0].tolist() == [2, 1]
    assert "two probes in one file" in log.ledger.table["reason"].tolist()


def test_a_log_shows_itself(tmp_path: Path) -> None:
    trial = make_trial(
        tmp_path,
        {"T1<b>.csv": b"time,temp_c\n2031-01-14 00:00,68\n" * 1},
        '\n[logs.environment]\nfiles = ["T1*.csv"]\n',
    )
    log = read_environment(trial)
    assert "Rows read, kept and set aside" in str(log)
    assert "<b>" not in log._repr_html_()


def test_what_the_trial_file_keeps_is_neither_changed_nor_noted() -> None:
    """Rows 3 and 5 are asked for: they are told as kept, the others as noted or changed."""
    request = Keep(file="*", rows=[3, 5], rule="no value", because="seen")
    for verb, action in (("note", "note"), ("change", "changed"), ("set_aside", "set aside")):
        account = Account([request])
        file = account.open("a.csv", np.arange(2, 8))
        more = {"old": [*"abcdef"], "column": "c"} | ({"new": "x"} if verb == "change" else {})
        left = getattr(file, verb)(np.arange(6), rule="no value", reason="r", **more)
        assert left.tolist() == [0, 2, 4, 5], verb
        table = account.close()[0].table
        told = {name: sorted(int(r) for r in rows["row"]) for name, rows in table.groupby("action")}
        assert told == {"kept by request": [3, 5], action: [2, 4, 6, 7]}, verb
        kept = table[table["action"] == "kept by request"]
        assert kept["old"].tolist() == ["b", "d"]
        assert kept["reason"].astype(str).str.contains("seen").all()
        # where none is asked for nothing is told as kept
        account = Account([])
        file = account.open("a.csv", np.arange(2, 8))
        getattr(file, verb)(np.arange(6), rule="no value", reason="r", **more)
        assert set(account.close()[0].table["action"]) == {action}
