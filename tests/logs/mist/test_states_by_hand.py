"""States, powers and lengths of the mist, cell by cell; what is set aside, and copies."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from tests.logs.folder import TRIAL, make_trial
from tests.logs.mist.test_pulses import clock, log_of, seconds, states
from trialkit.errors import LogError
from trialkit.logs.climate.read import read_environment
from trialkit.logs.mist.intervals import _is_sampled, _merge, _sampled
from trialkit.logs.mist.read import read_mist


def told(log: object) -> list[tuple[int, str, str]]:
    lines = log.ledger.lines  # type: ignore[attr-defined]
    return list(lines[["row", "rule", "action"]].itertuples(index=False, name=None))


def test_words_that_are_no_state_are_set_aside_with_their_reason(tmp_path: Path) -> None:
    log = log_of(tmp_path, states((0, " ON "), (10, "maybe"), (15, ""), (17, "-"), (20, "Off")))
    assert seconds(log) == [(0, 20)]
    assert told(log) == [(row, "state unreadable", "set aside") for row in (3, 4, 5)]
    assert [r.key for r in log.ledger.lines["reason"]] == [
        "row_reason.state_word", "row_reason.state_blank", "row_reason.state_blank"
    ]  # fmt: skip
    assert log.ledger.lines["old"].tolist() == ["maybe", "", "-"]


def test_columns_of_states_keep_their_row_where_one_cell_is_no_state(tmp_path: Path) -> None:
    rows = [(0, "on", "off"), (20, "off", "broken"), (30, "", ""), (40, "on", "on"),
            (60, "off", "off")]  # fmt: skip
    text = "time,T1,T2\n" + "".join(f"{clock(s)},{a},{b}\n" for s, a, b in rows)
    log = log_of(tmp_path, text, 'columns = { time = "time", state = "{chamber}" }\n')
    got = {c: list(part["on_s"]) for c, part in log.table.groupby("chamber")}
    assert got == {"T1": [20, 20], "T2": [20]}
    assert sorted(told(log)) == [(3, "state unreadable", "changed"), (4, "no value", "set aside")]
    assert log.ledger.summary()["set_aside"].tolist() == [1]


def test_columns_of_power_are_readings(tmp_path: Path) -> None:
    """Half of 80 W; a cell that is no number is told, and one without a value says nothing."""
    rows = [(0, "0", "0"), (10, "75", ""), (20, "0", "41"), (30, "x", "40"), (40, "0", "0")]
    text = "time,T1 W,T2 W\n" + "".join(f"{clock(s)},{a},{b}\n" for s, a, b in rows)
    log = log_of(tmp_path, text, 'columns = { time = "time", power_w = "{chamber} W" }\n')
    got = {c: list(part["on_s"]) for c, part in log.table.groupby("chamber")}
    assert got == {"T1": [10], "T2": [10]}
    assert told(log) == [(5, "state unreadable", "changed")]
    assert log.ledger.lines["old"].tolist() == ["x"]


def lengths(*cells: str) -> str:
    lines = [f"{clock(100 * k)},T1,{cell}" for k, cell in enumerate(cells)]
    return "start,chamber,on_s\n" + "\n".join(lines) + "\n"


def test_lengths_that_are_none_or_cannot_be(tmp_path: Path) -> None:
    """A milliard of seconds is 32 years; half a second is half a second."""
    log = log_of(tmp_path, lengths("0.5", "", "-5", "1000000000", "0", "20"))
    assert seconds(log) == [(0, 0.5), (500, 520)]
    assert told(log) == [
        (3, "no value", "set aside"), (4, "interval impossible", "set aside"),
        (5, "interval impossible", "set aside"),
    ]  # fmt: skip
    whole = log_of(tmp_path / "b", lengths("999999999"))
    assert whole.table["on_s"].tolist() == [999_999_999]


def test_an_interval_needs_its_end(tmp_path: Path) -> None:
    with pytest.raises(LogError, match="neither its stop nor its length"):
        log_of(tmp_path, f"start,chamber\n{clock(0)},T1\n")
    text = f"start,stop,chamber\n{clock(0)},{clock(20)},T1\n{clock(100)},late,T1\n"
    log = log_of(tmp_path / "b", text)
    assert seconds(log) == [(0, 20)]
    assert log.ledger.summary()["set_aside"].tolist() == [1]


def test_the_same_interval_twice_is_one(tmp_path: Path) -> None:
    one = f"{clock(0)},{clock(20)},T1\n"
    other = f"{clock(0)},{clock(25)},T1\n"
    log = log_of(tmp_path, "start,stop,chamber\n" + one + one + other)
    assert seconds(log) == [(0, 25)]
    assert told(log) == [(3, "double export", "set aside")]


def test_the_same_state_twice_at_a_moment_is_one_and_a_flicker_is_none(tmp_path: Path) -> None:
    log = log_of(tmp_path, states((0, "on"), (0, "on"), (20, "off"), (20, "on"), (30, "off")))
    assert told(log) == [(3, "double export", "set aside")]
    assert log.ledger.summary()["kept"].tolist() == [4]


def test_two_states_are_enough_to_be_one_twice(tmp_path: Path) -> None:
    assert told(log_of(tmp_path, states((0, "off"), (0, "off")))) == [
        (3, "double export", "set aside")
    ]


@pytest.mark.parametrize("reader", [read_mist, read_environment])
def test_a_field_without_chambers_has_no_log_of_them(reader: Callable, tmp_path: Path) -> None:
    field = """
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
    with pytest.raises(LogError, match="no chambers"):
        reader(make_trial(tmp_path, {}, "", trial=field))


def test_an_unknown_limit_of_power_is_asked_for(tmp_path: Path) -> None:
    text = f"time,chamber,power_w\n{clock(0)},T1,50\n"
    section = '\n[logs.mist]\nfiles = ["m.csv"]\n'
    trial = TRIAL.replace("[rig]\nfogger_w = 80\n", "")
    with pytest.raises(LogError, match="power_on_w"):
        read_mist(make_trial(tmp_path, {"m.csv": text.encode()}, section, trial=trial))


def test_half_the_power_of_the_fogger_is_told(tmp_path: Path) -> None:
    text = "time,chamber,power_w\n" + "".join(f"{clock(10 * k)},T1,0\n" for k in range(5))
    [told_] = [f for f in log_of(tmp_path, text).findings if f.code == "power_threshold"]
    assert dict(told_.values)["watts"] == 40.0


# ------------------------------------------------------------------ from states to intervals


def test_states_that_change_at_half_of_the_readings_are_no_readings() -> None:
    """Twenty steps of ten seconds: alike over more than half of them, or not."""
    time = np.arange(21) * 10
    ten = np.array([False, True] * 5 + [False] * 11)  # 10 of 20 steps change
    assert (ten[1:] == ten[:-1]).sum() == 10
    assert not _is_sampled(time, ten)
    nine = np.array([False, True] * 4 + [False, True, True] + [True] * 10)
    assert (nine[1:] == nine[:-1]).sum() == 11
    assert _is_sampled(time, nine)


@pytest.mark.parametrize(("step", "sampled"), [(11, True), (12, False)])
def test_a_step_is_regular_to_a_tenth(step: int, sampled: bool) -> None:
    """Of 21 steps the eleventh by size is 10 s; six are 10 s, five are 11 s or 12 s."""
    time = np.cumsum([0, *[5] * 5, *[10] * 6, *[step] * 5, *[30] * 5])
    assert _is_sampled(time, np.zeros(len(time), bool)) == sampled


@pytest.mark.parametrize(("count", "sampled"), [(10, True), (9, False)])
def test_ten_readings_are_enough(count: int, sampled: bool) -> None:
    assert _is_sampled(np.arange(count) * 10, np.zeros(count, bool)) == sampled


def reading(**spec: object) -> SimpleNamespace:
    return SimpleNamespace(spec=SimpleNamespace(**spec), findings=[])


def test_a_reading_alone_holds_for_no_time() -> None:
    start, stop, _ = _sampled(reading(max_gap_min=None), np.array([5]), np.array([True]),
                              np.array([0]))  # fmt: skip
    assert (len(start), len(stop)) == (0, 0)


def test_intervals_are_joined_by_the_file_they_begin_in() -> None:
    """(0, 20) of file 1, (10, 30) of file 0, (30, 40) of file 1, and one that is empty."""
    got = reading()
    start, stop, origin = _merge(
        got, "T1", np.array([10, 0, 30, 50, 60]), np.array([30, 20, 40, 50, 70]),
        np.array([0, 1, 1, 1, 0]),
    )  # fmt: skip
    assert (start.tolist(), stop.tolist(), origin.tolist()) == ([0, 60], [40, 70], [1, 0])
    [found] = got.findings
    assert dict(found.values)["count"] == 1
    none = _merge(reading(), "T1", np.array([5]), np.array([5]), np.array([0]))
    assert [len(part) for part in none] == [0, 0, 0]
    inner = _merge(reading(), "T1", np.array([0, 5]), np.array([30, 10]), np.array([0, 0]))
    assert (inner[0].tolist(), inner[1].tolist()) == ([0], [30])


def test_mist_that_stays_on_is_told_from_its_last_switching_on(tmp_path: Path) -> None:
    log = log_of(tmp_path, states((0, "on"), (20, "off"), (240, "on"), (300, "on")))
    assert told(log) == [(4, "never switched off", "set aside"), (5, "never switched off",
                                                                "set aside")]  # fmt: skip
    [found] = [f for f in log.findings if f.code == "never_switched_off"]
    since = pd.Timestamp(dict(found.values)["since"])
    assert since.tz_convert("UTC").strftime("%H:%M:%S") == "00:04:00"
