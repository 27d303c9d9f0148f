"""From the rows of climate files to series: who measured, what stands twice, what is doubted."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from tests.logs.folder import make_trial
from trialkit.errors import LogError
from trialkit.logs.climate.read import read_environment
from trialkit.logs.log import Log

HEAD = "time,chamber,temp_c,rh_pct\n"


def read(folder: Path, files: dict[str, str], logs: str = "") -> Log:
    section = f'\n[logs.environment]\nfiles = ["*.csv"]\ntime_zone = "UTC"\n{logs}'
    return read_environment(make_trial(folder, {k: v.encode() for k, v in files.items()}, section))


def minutes(n: int, first: int = 0, every: int = 1) -> list[str]:
    start = dt.datetime(2031, 1, 14)
    return [f"{start + dt.timedelta(minutes=first + every * k):%Y-%m-%d %H:%M}" for k in range(n)]


def said(log: Log, *columns: str) -> list[tuple[Any, ...]]:
    return list(log.ledger.lines[list(columns)].itertuples(index=False, name=None))


def finding(log: Log, code: str) -> list[dict[str, Any]]:
    return [dict(f.values) for f in log.findings if f.code == code]


# ------------------------------------------------------------------ units that may be others


@pytest.mark.parametrize(
    ("temp", "rh", "n", "form"),
    [
        (45.1, 80.0, 10, "temperature"), (45.0, 80.0, 10, None), (45.1, 80.0, 9, None),
        (20.0, 1.5, 10, "humidity"), (20.0, 1.51, 10, None),
    ],
)  # fmt: skip
def test_values_that_only_make_sense_in_another_unit(
    temp: float, rh: float, n: int, form: str | None, tmp_path: Path
) -> None:
    """No room is above 45 °C for most of ten records, or at 1.5 % and below throughout."""
    rows = "".join(f"{t},T1,{temp},{rh}\n" for t in minutes(n))
    told = finding(read(tmp_path, {"a.csv": HEAD + rows}), "unit_doubtful")
    if form is None:
        assert told == []
        return
    [values] = told
    assert (values["file"], values["seen"]) == ("a.csv", temp if form == "temperature" else rh)
    assert values["unit"] == ("degF" if form == "temperature" else "fraction")


def test_the_unit_is_doubted_file_by_file(tmp_path: Path) -> None:
    """Sixty in one file only, though the median of both is twenty."""
    warm = "".join(f"{t},T1,60,80\n" for t in minutes(12))
    cool = "".join(f"{t},T2,20,80\n" for t in minutes(30))
    log = read(tmp_path, {"a.csv": HEAD + cool, "b.csv": HEAD + warm})
    assert [v["file"] for v in finding(log, "unit_doubtful")] == ["b.csv"]


# ------------------------------------------------------------------ order, copies, completions


def test_turns_in_the_order_of_time_are_counted_series_by_series(tmp_path: Path) -> None:
    """T1 steps back once among steps forward, T2 runs backwards whole: that is no disorder."""
    t = minutes(5)
    one = [t[0], t[2], t[1], t[3]]
    two = t[::-1]
    rows = [f"{a},T1,20,80" for a in one]
    log = read(tmp_path, {"a.csv": HEAD + "\n".join(rows) + "\n"})
    assert [v["count"] for v in finding(log, "out_of_order")] == [1]
    back = read(tmp_path, {"a.csv": HEAD + "\n".join(f"{a},T2,20,80" for a in two) + "\n"})
    assert finding(back, "out_of_order") == []
    mixed = [x for pair in zip(t, t, strict=True) for x in pair]
    turns = [f"{a},T{1 + k % 2},20,80" for k, a in enumerate(mixed)]
    assert finding(read(tmp_path, {"a.csv": HEAD + "\n".join(turns)}), "out_of_order") == []


def test_records_of_one_moment_are_copied_completed_or_contradicted(tmp_path: Path) -> None:
    """Row 3 repeats row 2; row 5 adds what row 4 lacks and is used; row 7 contradicts row 6."""
    a, b, c = minutes(3)
    text = f"{HEAD}{a},T1,20,80\n{a},T1,20,80\n{b},T1,21,\n{b},T1,,81\n{c},T1,22,82\n{c},T1,22,83\n"
    log = read(tmp_path, {"a.csv": text})
    assert log.table["temp_c"].tolist() == [20, 21, 22]
    assert log.table["rh_pct"].tolist() == [80, 81, 82]
    assert said(log, "row", "rule", "action", "old") == [
        (3, "double export", "set aside", "2031-01-14 00:00:00 UTC"),
        (7, "same time, other values", "set aside", "2031-01-14 00:02:00 UTC"),
    ]
    counts = log.ledger.summary().iloc[0]
    assert counts[["read", "kept", "set_aside"]].tolist() == [6, 4, 2]
    assert [v["count"] for v in finding(log, "double_export")] == [1]
    # the first of three is completed by the second and repeated by the third
    text = f"{HEAD}{a},T1,20,\n{a},T1,,80\n{a},T1,20,80\n"
    log = read(tmp_path, {"a.csv": text})
    assert log.table[["temp_c", "rh_pct"]].to_numpy().tolist() == [[20, 80]]
    assert said(log, "row", "action") == [(4, "set aside")]


def test_a_record_kept_by_request_stands_beside_the_one_it_contradicts(tmp_path: Path) -> None:
    a = minutes(1)[0]
    keep = (
        '[[logs.environment.keep]]\nfile = "a.csv"\nrows = [3]\n'
        'rule = "same time, other values"\nbecause = "two probes"\n'
    )
    log = read(tmp_path, {"a.csv": f"{HEAD}{a},T1,20,80\n{a},T1,25,60\n"}, keep)
    assert log.table["temp_c"].tolist() == [20, 25]
    assert said(log, "row", "action") == [(3, "kept by request")]


def test_copies_in_a_wide_file_are_set_aside_where_every_chamber_repeats(tmp_path: Path) -> None:
    """Row 4 repeats row 2 in both; row 5 repeats T1 and contradicts T2, so nothing of it stays."""
    a, b = minutes(2)
    text = f"time,T1 t,T2 t\n{a},20,21\n{b},20,21\n{a},20,21\n{b},20,99\n"
    columns = 'columns = { time = "time", temp_c = "{chamber} t" }\n'
    log = read(tmp_path, {"a.csv": text}, columns)
    assert said(log, "row", "action") == [(4, "set aside"), (5, "set aside")]
    assert log.table["temp_c"].tolist() == [20, 20, 21, 21]
    own = f"time,T1 t,T2 t\n{a},20,21\n{a},20,\n{b},20,21\n{b},,22\n"
    log = read(tmp_path / "own", {"a.csv": own}, columns)
    assert log.table["temp_c"].tolist() == [20, 20, 21, 21]
    part = f"time,T1 t,T2 t\n{a},20,\n{a},20,21\n"  # a row of which one chamber is used
    log = read(tmp_path / "part", {"a.csv": part}, columns)
    assert said(log, "row", "rule", "action") == [(3, "double export", "note")]
    assert len(log.table) == 2
    assert log.ledger.adds_up


# ------------------------------------------------------------------ who measured


def series(n: int, first: int, temp: float, chamber: str = "") -> str:
    place = f"{chamber}," if chamber else ""
    return "".join(f"{t},{place}{temp + k % 3}\n" for k, t in enumerate(minutes(n, first)))


def names(log: Log) -> list[str]:
    return sorted(log.table["sensor"].unique())


def test_files_that_overlap_and_differ_are_two_loggers(tmp_path: Path) -> None:
    """Of twenty minutes in common more than half must differ; half are those of one logger."""
    head = "time,temp_c\n"
    same = head + series(20, 0, 20)
    assert names(read(tmp_path, {"T1_a.csv": same, "T1_b.csv": head + series(20, 10, 40)})) == [
        "T1_a", "T1_b"
    ]  # fmt: skip
    apart = {"T1_a.csv": same, "T1_b.csv": head + series(20, 20, 40)}
    log = read(tmp_path / "x", apart)
    assert names(log) == ["T1"]  # one follows the other
    assert finding(log, "several_loggers") == []
    for differ, found in ((10, ["T1"]), (11, ["T1_a", "T1_b"])):
        rows = same[len(head) :].splitlines()
        changed = [f"{r.split(',')[0]},99" if k < differ else r for k, r in enumerate(rows)]
        files = {"T1_a.csv": same, "T1_b.csv": head + "\n".join(changed) + "\n"}
        assert names(read(tmp_path / f"d{differ}", files)) == found


@pytest.mark.parametrize(("shared", "found"), [(2, ["T1"]), (1, ["T1_a", "T1_b"])])
def test_moments_that_hardly_meet_are_of_two_loggers(
    shared: int, found: list[str], tmp_path: Path
) -> None:
    """Ten records each over the same hour: a fifth of them at the same moments is enough."""
    one = minutes(10, 0, 6)
    two = one[:shared] + minutes(10 - shared, 3 + 6 * shared, 6)
    files = {
        f"T1_{name}.csv": "time,temp_c\n" + "".join(f"{t},20\n" for t in at)
        for name, at in (("a", one), ("b", [*two[:-1], one[-1]] if shared == 2 else two))
    }
    if shared == 2:
        files["T1_b.csv"] = "time,temp_c\n" + "".join(
            f"{t},20\n" for t in [one[0], *minutes(8, 9, 6), one[-1]]
        )
    assert names(read(tmp_path, files)) == found


def test_sensors_are_named_by_column_by_the_trial_file_or_by_chamber(tmp_path: Path) -> None:
    a = minutes(1)[0]
    by_column = read(
        tmp_path / "1", {"a.csv": f"time,chamber,sensor,temp_c\n{a},T1,x,20\n{a},T1,y,21\n"},
        'sensor = { "x" = "left" }\n',
    )  # fmt: skip
    assert names(by_column) == ["left", "y"]
    by_file = read(
        tmp_path / "2", {"a.csv": f"{HEAD}{a},T1,20,80\n", "b.csv": f"{HEAD}{a},T1,30,60\n"},
        'sensor = { "b.csv" = "right" }\n',
    )  # fmt: skip
    assert names(by_file) == ["T1", "right"]
    assert names(read(tmp_path / "3", {"a.csv": f"{HEAD}{a},T3,20,80\n"})) == ["T3"]


def test_what_each_file_covers(tmp_path: Path) -> None:
    log = read(
        tmp_path,
        {
            "a.csv": HEAD + "".join(f"{t},T1,20,80\n" for t in minutes(5)),
            "b.csv": HEAD + "".join(f"{t},T2,20,80\n" for t in minutes(3, 60, 10)),
        },
    )
    rows = log.spans[["file", "chamber", "sensor", "records"]].to_numpy().tolist()
    assert rows == [["a.csv", "T1", "T1", 5], ["b.csv", "T2", "T2", 3]]
    start = pd.Timestamp("2031-01-14", tz="UTC")
    assert (log.spans["first"] - start).dt.total_seconds().tolist() == [0, 3600]
    assert (log.spans["last"] - start).dt.total_seconds().tolist() == [240, 4800]


def test_the_table_is_sorted_by_chamber_sensor_and_time(tmp_path: Path) -> None:
    t = minutes(3)
    text = "time,chamber,sensor,shelf,temp_c\n" + "".join(
        f"{a},{c},{s},{h},20\n"
        for a in t[::-1] for c in ("T2", "T1")
        for s, h in (("b", "bottom"), ("a", "top"), ("", "?"))
    )  # fmt: skip
    log = read(tmp_path, {"a.csv": text})
    keys = log.table[["chamber", "sensor", "time"]].astype(str).to_numpy().tolist()
    assert keys == sorted(keys)
    assert log.table["shelf"].tolist()[:9] == [""] * 3 + ["top"] * 3 + ["bottom"] * 3
    assert said(log, "row", "rule", "old", "new")[0] == (4, "shelf unknown", "?", "")
    assert len([x for x in said(log, "rule") if x == ("shelf unknown",)]) >= 1


# ------------------------------------------------------------------ values and times


def test_values_that_cannot_be_are_left_out_with_their_limits(tmp_path: Path) -> None:
    a, b, c, d = minutes(4)
    text = f"{HEAD}{a},T1,-200,80\n{b},T1,20,x\n{c},T1,68 °F,80\n{d},T1,,\n"
    log = read(tmp_path, {"a.csv": text})
    lines = said(log, "row", "column", "rule", "action", "old", "new")
    assert (2, "temp_c", "value impossible", "changed", "-200", "") in lines
    assert (3, "rh_pct", "value unreadable", "changed", "x", "") in lines
    assert (4, "temp_c", "written otherwise", "changed", "68 °F", "20") in lines
    assert (5, "", "no value", "set aside", "", "") in lines
    remedies = dict(zip(log.ledger.lines["rule"], log.ledger.table["remedy"], strict=True))
    assert remedies["value unreadable"] != ""
    assert remedies["written otherwise"] == ""
    assert log.table["temp_c"].fillna(-1).tolist() == [-1, 20, 20]


@pytest.mark.parametrize(("days", "kept"), [(1095, True), (1096, False), (-1095, True)])
def test_a_clock_more_than_three_years_off_has_been_reset(
    days: int, kept: bool, tmp_path: Path
) -> None:
    """Three years of 365.25 days from the first batch, 13 January 2031 at 08:00 UTC."""
    odd = dt.datetime(2031, 1, 13, 8) + dt.timedelta(days=days)
    log = read(
        tmp_path, {"a.csv": f"{HEAD}{minutes(1)[0]},T1,20,80\n{odd:%Y-%m-%d %H:%M},T1,20,80\n"}
    )
    assert len(log.table) == 1 + kept
    assert (finding(log, "clock_reset") == []) == kept


@pytest.mark.parametrize("by", ["chamber", "sensor"])
def test_each_logger_of_a_file_goes_through_the_doubled_hour_by_itself(
    by: str, tmp_path: Path
) -> None:
    """Two loggers by turns, every half hour from 01:30, 02:00 and 02:30 shown twice (Vienna)."""
    rows = [
        f"2031-10-26 {clock},{f'T{k}' if by == 'chamber' else 'T1'},{'ab'[k % 2]},{20 + k}"
        for clock in ("01:30", "02:00", "02:30", "02:00", "02:30", "03:00") for k in (1, 2)
    ]  # fmt: skip
    head = "time,chamber,sensor,temp_c\n"
    if by == "chamber":
        rows = [r.replace(",a,", ",x,").replace(",b,", ",x,") for r in rows]
    section = '\n[logs.environment]\nfiles = ["a.csv"]\n'
    log = read_environment(
        make_trial(tmp_path, {"a.csv": (head + "\n".join(rows)).encode()}, section)
    )
    assert len(log.table) == 12
    for _, part in log.table.groupby(by):
        first = pd.Timestamp("2031-10-25 23:30", tz="UTC")
        assert ((part["time"] - first).dt.total_seconds() / 1800).tolist() == [0, 1, 2, 3, 4, 5]


def test_a_clock_set_right_is_noted_with_how_far(tmp_path: Path) -> None:
    clock = '[[logs.environment.clock]]\nfile = "a.csv"\nadd_s = 90\nsince = 2031-01-14T00:01:00\n'
    rows = "".join(f"{t},T1,{20 + k},80\n" for k, t in enumerate(minutes(3)))
    log = read(tmp_path, {"a.csv": HEAD + rows, "b.csv": HEAD + rows.replace("T1", "T2")}, clock)
    mine = log.table[log.table["chamber"] == "T1"]
    start = pd.Timestamp("2031-01-14", tz="UTC")
    assert (mine["time"] - start).dt.total_seconds().tolist() == [0, 150, 210]
    assert said(log, "file", "row", "column", "rule", "action") == [
        ("a.csv", 3, "time", "clock corrected", "note"),
        ("a.csv", 4, "time", "clock corrected", "note"),
    ]
    span = dict(log.ledger.lines["reason"].iloc[0].values)["span"]
    assert span.key == "clock_span.one"
    assert dict(span.values)["low"] == 90


def test_the_chamber_of_a_file_is_told_by_its_name(tmp_path: Path) -> None:
    t = "time,temp_c\n" + series(3, 0, 20)
    log = read(tmp_path, {"log_T2_left.csv": t})
    assert log.table["chamber"].unique().tolist() == ["T2"]
    with pytest.raises(LogError, match="no chamber"):
        read(tmp_path / "x", {"log.csv": t})


# ------------------------------------------------------------------ clocks seen by lamps and peers


def day_logs(n: int, days: int = 10, every: int = 30) -> dict[int, list[tuple[str, float]]]:
    """Give n loggers that feel the same unrest, every half hour, in one room."""
    rng = np.random.default_rng(12)
    walk = 18 + np.cumsum(rng.normal(0, 0.3, days * 48)) * 0.3
    stamps = minutes(days * 48, 0, every)
    return {k: list(zip(stamps, (walk + 0.1 * k).round(2), strict=True)) for k in range(1, n + 1)}


def test_a_logger_hours_behind_the_others_is_named_with_what_to_add(tmp_path: Path) -> None:
    """T1 shows everything three hours later than T2 and T3: three hours are to be taken off."""
    logs = day_logs(3)
    late = [(t, temp) for (t, _), (_, temp) in zip(logs[1][6:], logs[1][:-6], strict=True)]
    files = {
        f"T{k}.csv": "time,temp_c\n" + "".join(f"{t},{v}\n" for t, v in (late if k == 1 else rows))
        for k, rows in logs.items()
    }
    [values] = finding(read(tmp_path, files), "clock_off")
    assert list(values["files"]) == ["T1.csv"]
    assert (values["sensor"], values["peers"]) == ("T1", 2)
    assert (values["off"].key, dict(values["off"].values)["count"]) == ("clock_hours.later", 3)
    assert values["line"] == 'clock = [{ file = "T1.csv", add_s = -10800 }]'
    sound = {f"T{k}.csv": "time,temp_c\n" + "".join(f"{t},{v}\n" for t, v in rows)
             for k, rows in logs.items()}  # fmt: skip
    assert finding(read(tmp_path / "x", sound), "clock_off") == []
