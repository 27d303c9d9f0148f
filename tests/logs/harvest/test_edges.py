"""Limits of the rules of the harvest sheet, just within and just beyond."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.logs.folder import TRIAL, make_trial
from trialkit.logs.harvest.read import read_harvest
from trialkit.logs.harvest.unit_hints import unit_hint
from trialkit.logs.log import Log

HEAD = "unit,flush,date,fresh_g,dry_g,caps,status,note\n"
UNITS = [f"B1-T{c}-{s}-{b}" for c in (1, 2, 3, 4) for s in ("top", "bottom") for b in (1, 2)]


def log_of(folder: Path, *rows: str, trial: str = TRIAL) -> Log:
    text = HEAD + "\n".join(rows) + "\n"
    section = '\n[logs.harvest]\nfiles = ["h.csv"]\n'
    return read_harvest(make_trial(folder, {"h.csv": text.encode()}, section, trial=trial))


def row(
    unit: str = UNITS[0],
    flush: int = 1,
    date: str = "2031-01-22",
    fresh: object = 300,
    dry: object = "",
    caps: object = "",
    status: str = "ok",
    note: str = "",
) -> str:
    return f"{unit},{flush},{date},{fresh},{dry},{caps},{status},{note}"


def rules(log: Log) -> list[str]:
    return sorted(log.ledger.table["rule"])


def codes(log: Log) -> set[str]:
    return {f.code for f in log.findings} - {"noon", "no_harvest", "units_missing"}


@pytest.mark.parametrize(
    ("fresh", "dry", "found"),
    [
        (1000, 20, []),  # 2 %
        (1000, 19, ["dry weight doubtful"]),
        (1000, 400, []),  # 40 %
        (1000, 401, ["dry weight doubtful"]),
        (1000, 1000, ["dry weight doubtful"]),
        (1000, 1001, ["dry weight above fresh"]),
        (0, 0, []),
    ],
)
def test_dry_matter(fresh: float, dry: float, found: list[str], tmp_path: Path) -> None:
    """Mushrooms hold 2 to 40 % of dry matter; what weighs more dry than fresh loses it."""
    log = log_of(tmp_path, row(fresh=fresh, dry=dry))
    assert rules(log) == found
    assert log.table["fresh_g"].tolist() == [fresh]
    if found == ["dry weight above fresh"]:
        assert log.table["dry_g"].isna().all()
    else:
        assert log.table["dry_g"].tolist() == [dry]


@pytest.mark.parametrize(("fresh", "kept"), [(2600, True), (2601, False)])
def test_a_flush_is_no_heavier_than_its_block(fresh: int, kept: bool, tmp_path: Path) -> None:
    """Blocks weigh 2600 g."""
    log = log_of(tmp_path, row(fresh=fresh), row(unit=UNITS[1]))
    assert len(log.table) == 1 + kept
    assert ("heavier than the block" in rules(log)) != kept


@pytest.mark.parametrize(("fresh", "kept"), [(900, True), (901, False)])
def test_a_stated_limit_counts_before_the_weight_of_the_block(
    fresh: int, kept: bool, tmp_path: Path
) -> None:
    trial = TRIAL.replace("wet_g = 2600", "wet_g = 2600\nmax_flush_g = 900")
    log = log_of(tmp_path, row(fresh=fresh), row(unit=UNITS[1]), trial=trial)
    assert len(log.table) == 1 + kept


def test_without_a_weight_of_the_block_nothing_is_too_heavy(tmp_path: Path) -> None:
    trial = TRIAL.replace("wet_g = 2600\n", "")
    log = log_of(tmp_path, row(fresh=90_000), trial=trial)
    assert len(log.table) == 1
    assert codes(log) == set()


@pytest.mark.parametrize(("second", "told"), [(1300, False), (1301, True)])
def test_all_flushes_weigh_no_more_than_the_block(second: int, told: bool, tmp_path: Path) -> None:
    log = log_of(tmp_path, row(fresh=1300), row(flush=2, date="2031-02-01", fresh=second))
    assert ("total_above_block" in codes(log)) == told
    assert len(log.table) == 2


@pytest.mark.parametrize(
    ("caps", "kept"), [("0", True), ("12", True), ("12.5", False), ("-1", False)]
)
def test_a_count_is_whole_and_not_below_zero(caps: str, kept: bool, tmp_path: Path) -> None:
    log = log_of(tmp_path, row(caps=caps))
    assert len(log.table) == 1  # the weight stays
    assert log.table["caps"].notna().tolist() == [kept]
    assert rules(log) == [] if kept else ["caps impossible"]


def test_a_weight_below_zero_loses_its_row_and_zero_does_not(tmp_path: Path) -> None:
    log = log_of(tmp_path, row(fresh=-1), row(unit=UNITS[1], fresh=0))
    assert log.table["fresh_g"].tolist() == [0]
    assert rules(log) == ["negative weight"]


@pytest.mark.parametrize(("blocks", "told"), [(3, False), (4, True)])
def test_four_empty_weights_and_no_other_make_a_chamber_that_bore_nothing(
    blocks: int, told: bool, tmp_path: Path
) -> None:
    """T1 has three or four weights, all zero; the others bore."""
    empty = [row(unit=u, fresh=0) for u in UNITS[:blocks]]
    log = log_of(tmp_path, *empty, *(row(unit=u) for u in UNITS[4:]))
    assert ("nothing_at_all" in codes(log)) == told


def test_one_mushroom_is_not_nothing(tmp_path: Path) -> None:
    rows = [row(unit=u, fresh=int(k == 0)) for k, u in enumerate(UNITS[:4])]
    log = log_of(tmp_path, *rows, *(row(unit=u) for u in UNITS[4:]))
    assert "nothing_at_all" not in codes(log)


def test_where_nothing_grew_anywhere_no_chamber_is_named(tmp_path: Path) -> None:
    log = log_of(tmp_path, *(row(unit=u, fresh=0) for u in UNITS))
    assert "nothing_at_all" not in codes(log)


@pytest.mark.parametrize(
    ("date", "kept"),
    [("2031-01-12", False), ("2031-01-13", True), ("2031-02-09", True), ("2031-02-10", False)],
)
def test_a_date_may_lie_a_day_outside_its_batch(date: str, kept: bool, tmp_path: Path) -> None:
    """B1 ran from 13 January 9:00 to 8 February 12:00; a date is noon of its day.

    Noon of 12 January is 21 h before the start, which is within the day allowed; so the first date
    refused is the 11th.
    """
    log = log_of(tmp_path, row(date=date))
    if date == "2031-01-12":
        assert log.table["time"].notna().all()
        log = log_of(tmp_path, row(date="2031-01-11"))
    assert log.table["time"].notna().tolist() == [kept]
    assert len(log.table) == 1
    assert ("date outside batch" in rules(log)) != kept


def test_flushes_may_share_a_day_but_not_run_backwards(tmp_path: Path) -> None:
    log = log_of(tmp_path, row(), row(flush=2))
    assert "flush_order" not in codes(log)
    log = log_of(tmp_path, row(), row(flush=2, date="2031-01-21"))
    assert "flush_order" in codes(log)
    assert rules(log) == ["flush order"]
    other = [row(), row(unit=UNITS[1], flush=2, date="2031-01-21")]  # of another block
    assert "flush_order" not in codes(log_of(tmp_path, *other))


@pytest.mark.parametrize(("times", "told"), [(10.0, True), (0.1, True), (3.0, False), (0.4, False)])
def test_a_slip_is_a_whole_power_of_ten(times: float, told: bool, tmp_path: Path) -> None:
    """Sixteen blocks of 200 to 240 g; one of them ten times as heavy as 220 g, or three times."""
    rng = np.random.default_rng(3)
    weights = np.round(rng.uniform(200, 240, 16))
    weights[5] = round(220 * times)
    log = log_of(tmp_path, *(row(unit=u, fresh=w) for u, w in zip(UNITS, weights, strict=True)))
    assert ("decimal_slip" in codes(log)) == told
    if told:
        lines = log.ledger.table[log.ledger.table["rule"] == "decimal slip"]
        assert lines["rows"].sum() == 1
        assert f"{round(220 * times) / times:.4g} g" in lines["remedy"].iloc[0]
    assert len(log.table) == 16


def test_five_weights_are_too_few_to_see_a_slip(tmp_path: Path) -> None:
    rows = [row(unit=u, fresh=f) for u, f in zip(UNITS, (210, 220, 230, 225, 22), strict=False)]
    assert "decimal_slip" not in codes(log_of(tmp_path, *rows))
    more = [*rows, row(unit=UNITS[6], fresh=215)]
    assert "decimal_slip" in codes(log_of(tmp_path, *more))


def test_entries_of_one_day_that_differ_are_both_set_aside(tmp_path: Path) -> None:
    log = log_of(tmp_path, row(fresh=300), row(fresh=310), row(unit=UNITS[1]))
    assert log.table["fresh_g"].tolist() == [300]
    assert log.table["unit"].tolist() == [UNITS[1]]
    assert rules(log) == ["conflicting entries"] * len(log.ledger.table)
    assert log.ledger.table["rows"].sum() == 2
    # on two days they are two picks of the flush, and both stay
    log = log_of(tmp_path, row(fresh=300), row(fresh=310, date="2031-01-23"))
    assert sorted(log.table["fresh_g"]) == [300, 310]
    assert pd.unique(log.ledger.table["rule"]).tolist() == ["picks added"]


@pytest.mark.parametrize(("status", "kept"), [("ok", 0), ("contaminated", 1), ("discarded", 1)])
def test_a_row_without_a_weight_needs_a_reason(status: str, kept: int, tmp_path: Path) -> None:
    log = log_of(tmp_path, row(fresh="", status=status), row(unit=UNITS[1]))
    assert len(log.table) == 1 + kept
    assert rules(log) == ([] if kept else ["weight missing"])


@pytest.mark.parametrize(("flushes", "named"), [(1, False), (2, True)])
def test_a_missing_weight_is_named_with_its_flush_where_there_are_several(
    flushes: int, named: bool, tmp_path: Path
) -> None:
    trial = TRIAL.replace("flushes = 2", f"flushes = {flushes}")
    log = log_of(tmp_path, *(row(unit=u) for u in UNITS[1:]), trial=trial)
    [told] = [f.message for f in log.findings if f.code == "units_missing"]
    assert UNITS[0] in told
    assert (f"flush 1 of {UNITS[0]}" in told) == named


@pytest.mark.parametrize(
    ("cell", "key", "shown"),
    [
        ("B1-T1-tpo-1", "row_remedy.unknown_unit", "B1-T1-top-1"),  # one part near a level
        ("B1-X9-top-1", "row_remedy.unknown_level", "X9"),  # one part near nothing
        (
            "B1 - t1 - top - 9",
            "row_remedy.unknown_unit",
            "B1-T1-top-1",
        ),  # the last part is a number
        ("B1-T1-top", "row_remedy.unknown_unit", "B1-T1-top-1"),  # a part is missing
    ],
)
def test_what_is_said_of_a_code_that_is_no_unit(cell: str, key: str, shown: str, tmp_path) -> None:
    trial = make_trial(tmp_path, {}, "", trial=TRIAL)
    told = unit_hint(cell, trial, UNITS)
    assert told.key == key
    assert shown in str(told)
    assert ("T1" in str(told) and "T4" in str(told)) or key == "row_remedy.unknown_unit"
