"""What the ledger says of each line of a harvest sheet: row, column, old and new, with numbers."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from tests.logs.folder import TRIAL, make_trial
from trialkit.cli.rows_aside import tell_rows_aside
from trialkit.logs.harvest.read import read_harvest
from trialkit.logs.log import Log
from trialkit.wording import Message

HEAD = "unit,flush,date,fresh_g,dry_g,caps,status,note\n"
UNITS = [f"B1-T{c}-{s}-{b}" for c in (1, 2, 3, 4) for s in ("top", "bottom") for b in (1, 2)]
MORE = [u.replace("B1", "B2") for u in UNITS]


def read(folder: Path, *rows: str, logs: str = "", trial: str = TRIAL, head: str = HEAD) -> Log:
    section = f'\n[logs.harvest]\nfiles = ["*.csv"]\n{logs}'
    data = (head + "\n".join(rows) + "\n").encode()
    return read_harvest(make_trial(folder, {"h.csv": data}, section, trial=trial))


def said(log: Log, *columns: str) -> list[tuple[Any, ...]]:
    """Give these columns of the ledger's lines."""
    return list(log.ledger.lines[list(columns)].itertuples(index=False, name=None))


def numbers(message: object) -> dict[str, Any]:
    assert isinstance(message, Message)
    return dict(message.values)


def finding(log: Log, code: str) -> dict[str, Any]:
    [one] = [f for f in log.findings if f.code == code]
    return dict(one.values)


def shown(values: Any) -> list[str]:
    return [str(v) for v in values]


# ------------------------------------------------------------------ single values


def test_values_that_cannot_be_are_told_with_row_and_column(tmp_path: Path) -> None:
    """Blocks weigh 2600 g: row 2 is too heavy, 3 negative, 4 loses its count, 5 its dry weight."""
    log = read(
        tmp_path,
        f"{UNITS[0]},1,2031-01-22,2700,,,,",
        f"{UNITS[1]},1,2031-01-22,-5,,,,",
        f"{UNITS[2]},1,2031-01-22,300,,7.5,,",
        f"{UNITS[3]},1,2031-01-22,300,310,12,,",
        f"{UNITS[4]},1,2031-01-22,200,5,,,",
        f"{UNITS[5]},1,2031-01-22,200,1,,,",
    )
    want = [
        (2, 2, 1, "fresh_g", "heavier than the block", "set aside", "2700", ""),
        (3, 3, 1, "fresh_g", "negative weight", "set aside", "-5", ""),
        (4, 4, 1, "caps", "caps impossible", "changed", "7.5", ""),
        (5, 5, 1, "dry_g", "dry weight above fresh", "changed", "310", ""),
        (7, 7, 1, "dry_g", "dry weight doubtful", "note", "1", ""),
    ]
    columns = ("row", "row_last", "rows", "column", "rule", "action", "old", "new")
    assert said(log, *columns) == want
    lines = log.ledger.lines
    assert numbers(lines["reason"].iloc[0]) == {"most": 2600.0}
    assert numbers(lines["reason"].iloc[4]) == {"percent": pytest.approx(0.5)}
    assert log.table["fresh_g"].tolist() == [300, 300, 200, 200]
    assert log.table["dry_g"].fillna(-1).tolist() == [-1, -1, 5, 1]
    assert log.table["caps"].fillna(-1).tolist() == [-1, 12, -1, -1]
    counts = log.ledger.summary().iloc[0]
    assert counts[["read", "kept", "set_aside"]].tolist() == [6, 4, 2]


def test_the_reason_says_whether_flush_or_block_is_the_limit(tmp_path: Path) -> None:
    rows = (f"{UNITS[0]},1,2031-01-22,901,,,,", f"{UNITS[1]},1,2031-01-22,900,,,,")
    log = read(tmp_path, *rows, trial=TRIAL.replace("wet_g = 2600", "max_flush_g = 900"))
    [reason] = log.ledger.lines["reason"]
    assert (reason.key, numbers(reason)) == ("row_reason.heavier_than_flush", {"most": 900.0})
    log = read(tmp_path, rows[0].replace("901", "2601"))
    assert log.ledger.lines["reason"].iloc[0].key == "row_reason.heavier_than_block"


def test_nothing_is_asked_of_a_block_that_was_lost_in_an_earlier_flush(tmp_path: Path) -> None:
    log = read(
        tmp_path,
        f"{UNITS[0]},1,,,,,contaminated,",
        f"{UNITS[0]},2,,,,,,",
        f"{UNITS[1]},1,2031-01-22,300,,,,",
        f"{UNITS[1]},2,,,,,,",
        f"{UNITS[2]},1,,,,,,",  # not yet entered, whatever the second flush says
        f"{UNITS[2]},2,,,,,discarded,",
    )
    lines = log.ledger.table
    told = dict(zip(lines["row"], lines["remedy"], strict=True))
    assert told == {3: "", 5: "enter it when it is picked", 6: "enter it when it is picked"}
    assert "lost in an earlier flush" in lines.set_index("row").loc[3, "reason"]
    assert not any("row 3" in line for line in tell_rows_aside(lines))


def test_a_sheet_half_filled_in_keeps_what_says_anything(tmp_path: Path) -> None:
    """A note, a state or a date alone is something; nothing at all is a row not filled in yet."""
    log = read(
        tmp_path,
        f"{UNITS[0]},1,,,,,,",
        f"{UNITS[1]},1,,-,n/a,,,",
        f"{UNITS[2]},1,,,,,,wet",
        f"{UNITS[3]},1,,,,,contaminated,",
        f"{UNITS[4]},1,2031-01-22,,,,,",
        f"{UNITS[5]},1,,300,,,,",
        f"{UNITS[6]},1,,x,,,,",
    )
    assert said(log, "row", "rule", "action") == [
        (2, "not filled in", "set aside"),
        (3, "not filled in", "set aside"),
        (4, "weight missing", "set aside"),
        (6, "weight missing", "set aside"),
        (8, "value unreadable", "changed"),
        (8, "weight missing", "set aside"),
    ]
    assert log.table["unit"].tolist() == [UNITS[3], UNITS[5]]
    assert log.table["time"].isna().all()
    assert log.ledger.lines["old"].tolist()[2] == "wet"  # its note


def test_codes_flushes_and_states_are_read_as_people_write_them(tmp_path: Path) -> None:
    log = read(
        tmp_path,
        "b1 t1 TOP 1,1,2031-01-22,300,,,OK,",
        f"{UNITS[1]},#2,2031-01-22,300,,,,",
        f"{UNITS[2]},3,2031-01-22,300,,,,",
        f"{UNITS[3]},0,2031-01-22,300,,,,",
        f"{UNITS[4]},1,2031-01-22,300,,,lost?,",
        "B1-T1-topp-1,1,2031-01-22,300,,,,",
        f" {UNITS[5]} ,1,2031-01-22,300,,,,",
    )
    assert said(log, "row", "column", "rule", "action", "old", "new")[0] == (
        2, "unit", "unit code tidied", "changed", "b1 t1 TOP 1", UNITS[0]
    )  # fmt: skip
    rest = said(log, "row", "column", "rule", "old")[1:]
    assert (4, "flush", "flush unreadable", "3") in rest
    assert (5, "flush", "flush unreadable", "0") in rest
    assert (6, "status", "status unknown", "lost?") in rest
    assert (7, "unit", "unknown unit", "B1-T1-topp-1") in rest
    remedy = log.ledger.table.set_index("row")["remedy"]
    assert "B1-T1-top-1" in remedy[7]
    reason = log.ledger.lines.set_index("row")["reason"]
    assert numbers(reason[4]) == {"most": 2}
    assert log.table["unit"].iloc[0] == UNITS[0]
    assert UNITS[5] in log.table["unit"].tolist()  # blanks around it are no spelling


def test_a_block_that_the_trial_does_not_have_cannot_be_kept_by_request(tmp_path: Path) -> None:
    """There is no unit that its weight could be given to, whatever is asked for."""
    keep = (
        '[[logs.harvest.keep]]\nfile = "h.csv"\nrows = [3]\n'
        'rule = "unknown unit"\nbecause = "it is there"\n'
    )
    rows = (f"{UNITS[0]},1,2031-01-22,300,,,,", "B1-T1-topp-1,1,2031-01-22,310,,,,")
    log = read(tmp_path, *rows, logs=keep)
    assert said(log, "row", "rule", "action") == [(3, "unknown unit", "set aside")]
    assert log.table["fresh_g"].tolist() == [300]


# ------------------------------------------------------------------ across rows


def test_a_copy_names_the_row_it_repeats_and_a_contradiction_the_other(tmp_path: Path) -> None:
    log = read(
        tmp_path,
        f"{UNITS[0]},1,2031-01-22,300,,,,",
        f"{UNITS[0]},1,2031-01-22,300,,,,",
        f"{UNITS[1]},1,2031-01-22,310,,,,",
        f"{UNITS[1]},1,2031-01-22,320,,,,",
        f"{UNITS[2]},1,2031-01-22,330,,,,",
        f"{UNITS[2]},1,2031-01-25,40,,,,",
    )
    assert said(log, "row", "rule", "action", "old") == [
        (3, "double entry", "set aside", "300"),
        (4, "conflicting entries", "set aside", "310"),
        (5, "conflicting entries", "set aside", "320"),
        (6, "picks added", "note", "330"),
        (7, "picks added", "note", "40"),
    ]
    table = log.ledger.table
    assert "row 2" in table["reason"].iloc[0]
    assert "row 5" in table["reason"].iloc[1]
    assert "320 g" in table["reason"].iloc[1]
    assert "row 4" in table["reason"].iloc[2]
    assert "310 g" in table["reason"].iloc[2]
    assert UNITS[1] in table["reason"].iloc[1]
    assert log.table["fresh_g"].tolist() == [300, 330, 40]


def test_slips_say_by_how_much_and_what_the_weight_would_be(tmp_path: Path) -> None:
    """Flush 1 of sixteen blocks: 290 to 310 g, but one of 2500 g and one of 30.5 g.

    The middle of the flush is 300 g: 8.3 times it and about a tenth.
    """
    fresh = [290.0 + 20 * k / 15 for k in range(16)]
    second = [145.0 + 10 * k / 15 for k in range(16)]
    fresh[3], fresh[9] = 2500.0, 30.5
    rows = [f"{u},1,2031-01-22,{w:g},,,," for u, w in zip(UNITS, fresh, strict=True)]
    rows += [f"{u},2,2031-02-01,{w:g},,,," for u, w in zip(UNITS, second, strict=True)]
    log = read(tmp_path, *rows)
    assert said(log, "row", "column", "rule", "action", "old") == [
        (5, "fresh_g", "decimal slip", "note", "2500"),
        (11, "fresh_g", "decimal slip", "note", "30.5"),
    ]
    lines = log.ledger.lines
    assert [numbers(r)["times"] for r in lines["reason"]] == [10.0, 0.1]
    assert [numbers(r)["weight"] for r in lines["remedy"]] == [250.0, 305.0]
    assert shown(finding(log, "decimal_slip")["weights"]) == [
        f"flush 1 of {UNITS[3]} (2,500 g)", f"flush 1 of {UNITS[9]} (30.5 g)"
    ]  # fmt: skip
    assert len(log.table) == 32


def test_a_block_that_is_ten_times_its_neighbours_in_every_flush_is_no_slip(
    tmp_path: Path,
) -> None:
    """A small block bears a tenth of the others in both flushes: its own other flush says so."""
    rows = [f"{u},1,2031-01-22,{300 + k},,,," for k, u in enumerate(UNITS)]
    rows += [f"{u},2,2031-02-01,{150 + k},,,," for k, u in enumerate(UNITS)]
    rows[4] = f"{UNITS[4]},1,2031-01-22,30,,,,"
    assert finding(read(tmp_path, *rows), "decimal_slip")
    rows[20] = f"{UNITS[4]},2,2031-02-01,15,,,,"
    assert "decimal slip" not in {rule for (rule,) in said(read(tmp_path, *rows), "rule")}


def test_where_weights_spread_widely_a_slip_must_be_wider_still(tmp_path: Path) -> None:
    """Weights by turns over and under their middle by a factor; one is a tenth of the middle.

    A spread of 1.4826 × log10(1.3) = 0.169 needs 0.68 and finds 1; one of 1.4826 × log10(1.6) =
    0.303 would need 1.21 and finds nothing.
    """
    for factor, told in ((1.3, True), (1.6, False)):
        rows = [
            f"{u},1,2031-01-22,{200 * factor ** (-1) ** k:.1f},,,," for k, u in enumerate(UNITS)
        ]
        rows += [f"{MORE[0]},1,2031-03-22,200,,,,", f"{MORE[1]},1,2031-03-22,20,,,,"]
        log = read(tmp_path, *rows)
        assert ("decimal slip" in {rule for (rule,) in said(log, "rule")}) == told


def test_totals_above_the_block_name_unit_and_weight(tmp_path: Path) -> None:
    log = read(
        tmp_path,
        f"{UNITS[0]},1,2031-01-22,1400,,,,",
        f"{UNITS[0]},2,2031-02-01,1300,,,,",
        f"{UNITS[1]},1,2031-01-22,1300,,,,",
        f"{UNITS[1]},2,2031-02-01,1300,,,,",
    )
    values = finding(log, "total_above_block")
    assert values["block"] == 2600.0
    assert shown(values["units"]) == [f"{UNITS[0]} (2,700 g)"]


def test_what_is_missing_counts_flushes_of_batches_that_have_begun(tmp_path: Path) -> None:
    """Sixteen blocks of batch 1 and two flushes, batch 2 not begun: 64 weights in the whole trial.

    Of batch 1 all of flush 1 is there, one block is contaminated in flush 1, of flush 2 two are
    there: 16 − 2 − 1 = 13 are missing.
    """
    rows = [f"{u},1,2031-01-22,300,,,," for u in UNITS[1:]]
    rows += [f"{UNITS[0]},1,2031-01-22,,,,contaminated,"]
    rows += [f"{u},2,2031-02-01,100,,,," for u in UNITS[1:3]]
    log = read(tmp_path, *rows)
    values = finding(log, "units_missing")
    assert (values["count"], values["all"]) == (13, 64)
    assert shown(values["units"])[0] == f"flush 2 of {UNITS[3]}"
    assert "B2" in str(finding(log, "no_harvest")["place"])
    # a block lost in flush 2 still owes its first
    log = read(tmp_path, *rows[:-2], f"{UNITS[1]},2,2031-02-01,,,,discarded,")
    assert finding(log, "units_missing")["count"] == 14
    log = read(tmp_path, *rows[1:-3], f"{UNITS[1]},2,2031-02-01,,,,discarded,")
    assert f"flush 1 of {UNITS[1]}" in shown(finding(log, "units_missing")["units"])


def test_a_run_that_bore_nothing_is_told_with_its_batch(tmp_path: Path) -> None:
    """T1 bore nothing in batch 2 only, T2 nothing in either."""
    rows = [f"{u},1,2031-01-22,{0 if 'T2' in u else 300},,,," for u in UNITS]
    rows += [f"{u},1,2031-03-20,{300 if 'T3' in u or 'T4' in u else 0},,,," for u in MORE]
    places = finding(read(tmp_path, *rows), "nothing_at_all")["places"]
    assert [numbers(p)["number"] for p in places] == [8, 4]
    assert "T2" in str(places[0])
    assert "B2" not in str(places[0])
    assert "T1" in str(places[1])
    assert "B2" in str(places[1])


# ------------------------------------------------------------------ dates


@pytest.mark.parametrize(
    ("date", "hint", "day"),
    [
        ("2030-01-22", "year", "2031-01-22"),
        ("2031-05-01", "swapped", "2031-01-05"),
        ("2031-12-22", "month", None),
        ("2031-03-22", "month", "2031-02-22"),
        ("2031-07-22", "none", None),
    ],
)
def test_a_date_outside_its_batch_is_told_with_the_slip_that_would_explain_it(
    date: str, hint: str, day: str | None, tmp_path: Path
) -> None:
    """The batch runs here from 1 January to 25 February."""
    trial = TRIAL.replace("2031-01-13T09:00:00", "2031-01-01T09:00:00")
    trial = trial.replace("2031-02-08T12:00:00", "2031-02-25T12:00:00")
    log = read(tmp_path, f"{UNITS[0]},1,{date},300,,,,", trial=trial)
    [line] = log.ledger.lines.to_dict("records")
    assert (line["row"], line["column"], line["rule"]) == (2, "date", "date outside batch")
    assert (line["action"], line["old"], line["new"]) == ("changed", date, "")
    reason = numbers(line["reason"])
    assert [str(reason[k]) for k in ("start", "end")] == ["2031-01-01", "2031-02-25"]
    if date != "2031-12-22":
        assert line["remedy"].key == f"date_hint.{hint}"
        assert day is None or str(numbers(line["remedy"])["day"]) == day
    else:  # a month off would be November or the month 13, neither in the batch
        assert line["remedy"].key == "date_hint.none"
    assert log.table["time"].isna().all()


def test_flushes_out_of_order_are_named_and_dated(tmp_path: Path) -> None:
    log = read(
        tmp_path,
        f"{UNITS[0]},1,2031-01-28,300,,,,",
        f"{UNITS[0]},2,2031-01-25,100,,,,",
        f"{UNITS[1]},1,2031-01-22,300,,,,",
        f"{UNITS[1]},1,2031-01-30,30,,,,",
        f"{UNITS[1]},2,2031-01-29,100,,,,",
        f"{UNITS[2]},1,2031-01-22,300,,,,",
        f"{UNITS[2]},2,,100,,,,",
    )
    lines = [x for x in said(log, "row", "rule", "action", "old") if x[1] == "flush order"]
    assert lines == [
        (3, "flush order", "note", "2031-01-25"), (6, "flush order", "note", "2031-01-29")
    ]  # fmt: skip
    values = finding(log, "flush_order")
    assert values["count"] == 2
    assert shown(values["flushes"]) == [f"flush 2 of {UNITS[0]}", f"flush 2 of {UNITS[1]}"]


def test_a_date_that_cannot_be_read_is_left_out_and_the_weight_stays(tmp_path: Path) -> None:
    log = read(
        tmp_path, f"{UNITS[0]},1,2031-02-30,300,,,,", f"{UNITS[1]},1,2031-01-22 08:30,310,,,,"
    )
    assert said(log, "row", "column", "rule", "action", "old", "new") == [
        (2, "date", "date unreadable", "changed", "2031-02-30", "")
    ]
    assert log.table["fresh_g"].tolist() == [300, 310]
    assert log.table["time"].iloc[1] == pd.Timestamp("2031-01-22 07:30", tz="UTC")
    assert "noon" not in {f.code for f in log.findings}  # it has its clock


def test_units_may_be_written_in_columns_of_their_own(tmp_path: Path) -> None:
    log = read(
        tmp_path,
        "B1,T1,top,1,1,300", "B2, T4 ,bottom,2,1,310",
        head="batch,chamber,shelf,block,flush,fresh_g\n",
    )  # fmt: skip
    assert log.table["unit"].tolist() == ["B1-T1-top-1", "B2-T4-bottom-2"]
    one = read(
        tmp_path, f"{UNITS[0]},300", head="unit,fresh_g\n",
        trial=TRIAL.replace("flushes = 2", "flushes = 1"),
    )  # fmt: skip
    assert one.table["flush"].tolist() == [1]
