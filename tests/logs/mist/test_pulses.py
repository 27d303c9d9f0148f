"""From rows of a mist log to intervals: seconds counted by hand."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.logs.folder import make_trial
from trialkit.errors import LogError
from trialkit.logs.log import Log
from trialkit.logs.mist.intervals import _is_sampled
from trialkit.logs.mist.read import read_mist

DAY = pd.Timestamp("2031-01-14", tz="UTC")


def log_of(folder: Path, text: str, logs: str = "") -> Log:
    section = f'\n[logs.mist]\nfiles = ["m.csv"]\ntime_zone = "UTC"\n{logs}'
    return read_mist(make_trial(folder, {"m.csv": text.encode()}, section))


def clock(second: float) -> str:
    return (DAY + pd.Timedelta(seconds=second)).strftime("%Y-%m-%d %H:%M:%S")


def states(*rows: tuple[float, str]) -> str:
    lines = [f"{clock(second)},T1,{state}" for second, state in rows]
    return "time,chamber,state\n" + "\n".join(lines) + "\n"


def watts(*rows: tuple[float, float]) -> str:
    lines = [f"{clock(second)},T1,{power}" for second, power in rows]
    return "time,chamber,power_w\n" + "\n".join(lines) + "\n"


def seconds(log: Log) -> list[tuple[float, float]]:
    """Give start and stop of the intervals, in seconds of the day."""
    return [
        ((row.start - DAY).total_seconds(), (row.stop - DAY).total_seconds())
        for row in log.table.itertuples()
    ]


def test_on_and_off_make_an_interval(tmp_path: Path) -> None:
    log = log_of(tmp_path, states((0, "on"), (20, "off"), (240, "on"), (265, "off")))
    assert seconds(log) == [(0, 20), (240, 265)]
    assert log.table["on_s"].tolist() == [20, 25]


def test_on_told_twice_begins_once_and_off_told_twice_ends_once(tmp_path: Path) -> None:
    rows = [(0, "off"), (5, "on"), (10, "on"), (20, "off"), (30, "off"), (240, "on"), (260, "off")]
    log = log_of(tmp_path, states(*rows))
    assert seconds(log) == [(5, 20), (240, 260)]


def test_what_a_file_covers_is_told_with_its_records(tmp_path: Path) -> None:
    log = log_of(tmp_path, states((0, "off"), (240, "on"), (260, "off"), (900, "off")))
    [row] = log.spans.to_dict("records")
    assert (row["chamber"], row["records"]) == ("T1", 4)
    assert (row["first"] - DAY).total_seconds() == 0
    assert (row["last"] - DAY).total_seconds() == 900


@pytest.mark.parametrize(("power", "on"), [(39.0, False), (40.0, False), (41.0, True)])
def test_mist_is_on_above_half_the_power_of_the_fogger(
    power: float, on: bool, tmp_path: Path
) -> None:
    """The rig states 80 W."""
    rows = [(10.0 * k, power if k == 3 else 0.0) for k in range(12)]
    log = log_of(tmp_path, watts(*rows))
    assert seconds(log) == ([(30, 40)] if on else [])


@pytest.mark.parametrize(("limit", "on"), [(5.0, True), (7.0, False), (6.0, False)])
def test_a_stated_power_counts_before_that_of_the_rig(
    limit: float, on: bool, tmp_path: Path
) -> None:
    rows = [(10.0 * k, 6.0 if k == 3 else 0.0) for k in range(12)]
    log = log_of(tmp_path, watts(*rows), f"power_on_w = {limit}\n")
    assert seconds(log) == ([(30, 40)] if on else [])


def test_a_reading_holds_until_the_next_but_not_over_a_gap(tmp_path: Path) -> None:
    """Read every 10 s; up to 30 s a reading holds, over a longer gap for the usual 10 s."""
    at = [0, 10, 20, 30, 60, 70, 110, 120, 130, 140, 150, 160]
    power = [0, 0, 0, 75, 0, 75, 0, 0, 0, 0, 0, 75]
    log = log_of(tmp_path, watts(*zip(at, power, strict=True)))
    assert seconds(log) == [(30, 60), (70, 80), (160, 170)]


def test_the_gap_bridged_can_be_stated(tmp_path: Path) -> None:
    """Half a minute is bridged, 40 s are not; a minute bridges both."""
    at = [0, 10, 20, 30, 60, 70, 110, 120, 130, 140, 150, 160]
    power = [0, 0, 0, 75, 0, 75, 0, 0, 0, 0, 0, 0]
    rows = list(zip(at, power, strict=True))
    log = log_of(tmp_path, watts(*rows), "max_gap_min = 0.5\n")
    assert seconds(log) == [(30, 60), (70, 80)]
    log = log_of(tmp_path, watts(*rows), "max_gap_min = 1\n")
    assert seconds(log) == [(30, 60), (70, 110)]


def test_states_read_every_few_seconds_are_readings_and_not_switches(tmp_path: Path) -> None:
    """Ten readings at a steady step: over a gap of 100 s the mist is not known to be on."""
    at = [0, 10, 20, 30, 40, 50, 60, 160, 170, 180, 190, 200]
    on = [0, 0, 0, 0, 0, 1, 1, 1, 1, 0, 0, 0]
    rows = [(a, "on" if o else "off") for a, o in zip(at, on, strict=True)]
    assert seconds(log_of(tmp_path, states(*rows))) == [(50, 70), (160, 180)]


def test_few_states_are_switches_that_hold(tmp_path: Path) -> None:
    """Nine at a steady step are too few to say that they are readings."""
    rows = [(0, "off"), (10, "off"), (20, "on"), (30, "on"), (40, "on"), (50, "on"), (60, "on"),
            (160, "off"), (170, "off")]  # fmt: skip
    assert seconds(log_of(tmp_path, states(*rows))) == [(20, 160)]


def test_intervals_that_touch_are_one_and_those_that_overlap_are_told(tmp_path: Path) -> None:
    def intervals(*pairs: tuple[int, int]) -> str:
        lines = [f"{clock(a)},{clock(b)},T1" for a, b in pairs]
        return "start,stop,chamber\n" + "\n".join(lines) + "\n"

    log = log_of(tmp_path, intervals((0, 20), (20, 30), (240, 260)))
    assert seconds(log) == [(0, 30), (240, 260)]
    assert "mist_overlap" not in {f.code for f in log.findings}
    log = log_of(tmp_path, intervals((0, 20), (19, 30), (240, 260)))
    assert seconds(log) == [(0, 30), (240, 260)]
    assert "mist_overlap" in {f.code for f in log.findings}
    log = log_of(tmp_path, intervals((0, 20), (50, 40), (60, 60)))  # one backwards, one empty
    assert seconds(log) == [(0, 20)]
    assert log.ledger.summary()["set_aside"].tolist() == [1]
    assert log.ledger.table["rule"].tolist() == ["interval impossible"]


def test_start_and_length(tmp_path: Path) -> None:
    text = f"start,chamber,on_s\n{clock(0)},T1,20\n{clock(240)},T1,2.5\n"
    log = log_of(tmp_path, text)
    assert seconds(log) == [(0, 20), (240, 242.5)]


def test_mist_still_on_at_the_end_is_no_interval(tmp_path: Path) -> None:
    log = log_of(tmp_path, states((0, "on"), (20, "off"), (240, "on")))
    assert seconds(log) == [(0, 20)]
    assert "never_switched_off" in {f.code for f in log.findings}
    assert log.ledger.summary()["set_aside"].tolist() == [1]


def test_two_columns_for_two_chambers(tmp_path: Path) -> None:
    """Ones and zeros; an empty cell says nothing of its chamber."""
    rows = [(0, "1", "0"), (20, "0", "1"), (30, "", "0"), (240, "1", ""), (260, "0", "0")]
    text = "time,T1,T2\n" + "".join(f"{clock(s)},{a},{b}\n" for s, a, b in rows)
    log = log_of(tmp_path, text, 'columns = { time = "time", state = "{chamber}" }\n')
    got = {c: list(part["on_s"]) for c, part in log.table.groupby("chamber")}
    assert got == {"T1": [20, 20], "T2": [10]}


def test_current_needs_a_limit(tmp_path: Path) -> None:
    rows = [(10.0 * k, 1.0 if k == 3 else 0.0) for k in range(12)]
    text = watts(*rows).replace("power_w", "current_a")
    with pytest.raises(LogError, match="current_on_a"):
        log_of(tmp_path, text)
    assert seconds(log_of(tmp_path, text, "current_on_a = 0.9\n")) == [(30, 40)]
    assert seconds(log_of(tmp_path, text, "current_on_a = 1.0\n")) == []


@pytest.mark.parametrize(
    ("jitter", "stop"), [(0.9, 70.0), (1.15, 160.0)], ids=["nine percent", "over ten percent"]
)
def test_readings_keep_their_step_to_a_tenth(jitter: float, stop: float, tmp_path: Path) -> None:
    """Steps of 10 s, two of three off by the jitter; a gap follows while the mist is on."""
    at, steps = [0.0], [10.0 - jitter, 10.0, 10.0 + jitter]
    for k in range(15):
        at.append(at[-1] + steps[k % 3])
    at = [*at[:7], *(a + 90.0 for a in at[7:])]
    on = [0, 0, 0, 0, 0, 1, 1, *[0] * 9]
    rows = [(a, "on" if o else "off") for a, o in zip(at, on, strict=True)]
    lines = [f"{(DAY + pd.Timedelta(seconds=a)).isoformat()},T1,{o}" for a, o in rows]
    log = log_of(tmp_path, "time,chamber,state\n" + "\n".join(lines) + "\n")
    [(_, end)] = seconds(log)
    assert end == pytest.approx(stop, abs=1.2)


def test_a_few_readings_of_power_are_readings_all_the_same(tmp_path: Path) -> None:
    """Five are too few to see a step, but power is never a switch: 80 s are not bridged."""
    log = log_of(tmp_path, watts((0, 0), (10, 0), (20, 0), (30, 75), (110, 0)))
    assert seconds(log) == [(30, 40)]


def test_power_in_its_own_unit_is_read_and_what_is_no_number_left_out(tmp_path: Path) -> None:
    """0.075 kW are 75 W."""
    text = "time,chamber,power_w\n" + "".join(
        f"{clock(10 * k)},T1,{cell}\n"
        for k, cell in enumerate(["0", "0", "0.075 kW", "0", "Err", "0"])
    )
    log = log_of(tmp_path, text)
    assert seconds(log) == [(20, 30)]
    new = log.ledger.table.groupby("rule")["new"].first()
    assert new["written otherwise"] == "75"
    assert new["value unreadable"] == ""


@pytest.mark.parametrize(("regular", "sampled"), [(10, False), (11, True)])
def test_states_were_read_at_regular_steps_where_more_than_half_of_the_steps_are_one(
    regular: int, sampled: bool
) -> None:
    """Twenty steps: so many of a minute, the others longer by turns; off all the while."""
    rest = 60 + 30 * np.arange(20 - regular) + 30
    time = np.concatenate(([0], np.cumsum(np.concatenate((np.full(regular, 60), rest)))))
    if not sampled:  # the middle of the steps is still a minute, so that ten of twenty are regular
        time = np.concatenate(([0], np.cumsum([*[60] * 10, 40, *rest[:-1]])))
    steps = np.diff(time)
    assert np.median(steps) == 60
    assert (np.abs(steps - 60) <= 6).sum() == regular
    assert _is_sampled(time, np.zeros(21, dtype=bool)) is sampled
    # a state that changes at every second reading was written down as it changed
    assert not _is_sampled(time, np.arange(21) // 2 % 2 == 1)
    assert not _is_sampled(time[:9], np.zeros(9, dtype=bool))  # nine are too few
