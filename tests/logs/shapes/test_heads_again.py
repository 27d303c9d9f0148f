"""A head that comes again starts a new order of columns; line ends of every kind end lines."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.logs.folder import make_trial
from trialkit.errors import LogError
from trialkit.logs.climate.read import read_environment
from trialkit.logs.harvest.read import read_harvest
from trialkit.logs.log import Log
from trialkit.logs.text.line_ends import unify_line_ends


def climate(folder: Path, text: str | bytes, logs: str = "", file: str = "T1.csv") -> Log:
    data = text.encode() if isinstance(text, str) else text
    section = f'\n[logs.environment]\nfiles = ["{file}"]\n{logs}'
    return read_environment(make_trial(folder, {file: data}, section), cache=False)


def temps(log: Log) -> list[float]:
    return log.table["temp_c"].tolist()


def day(n: int, form: str = "2031-01-{d} 0{h}:00,{c},{r}", d: int = 14) -> str:
    return "".join(form.format(d=d, h=h, c=20 + h / 10, r=80 + h) + "\n" for h in range(n))


FIRST = "time,temp_c,rh_pct\n" + day(4)
TURNED = "2031-01-{d} 0{h}:00,{r},{c}"


@pytest.mark.parametrize(
    ("between", "set_aside"),
    [("", 0), ("\n", 0), ("Logger 7\nSerial: 12\n\n", 2)],
    ids=["at once", "after a blank line", "after a preamble"],
)
@pytest.mark.parametrize(
    "head", ["time,rh_pct,temp_c", "Time,RH_pct,TEMP_C", "# time,rh_pct,temp_c"]
)
def test_another_order_after_a_head_that_comes_again(
    tmp_path: Path, head: str, between: str, set_aside: int
) -> None:
    log = climate(tmp_path, FIRST + between + head + "\n" + day(4, TURNED, 15))
    assert temps(log) == 2 * [20.0, 20.1, 20.2, 20.3]
    assert log.table["rh_pct"].tolist() == 2 * [80, 81, 82, 83]
    assert int(log.ledger.summary()["set_aside"].sum()) == set_aside
    assert "head_again" in {f.code for f in log.findings}
    assert log.ledger.adds_up


def test_rows_keep_their_numbers_after_a_head_that_comes_again(tmp_path: Path) -> None:
    log = climate(tmp_path, FIRST + "time,rh_pct,temp_c\n" + day(2, TURNED, 15) + "nonsense,1,2\n")
    assert log.ledger.table["row"].tolist() == [9]
    assert log.ledger.table["rule"].tolist() == ["time unreadable"]


def test_a_head_in_another_unit_is_read_in_it(tmp_path: Path) -> None:
    """68 °F are 20 °C."""
    text = "time,Temp (°C)\n" + day(3, "2031-01-{d} 0{h}:00,{c}")
    text += "time,Temp (°F)\n" + "".join(f"2031-01-15 0{h}:00,68\n" for h in range(3))
    logs = 'columns = { temp_c = ["Temp (°C)", "Temp (°F)"] }\n'
    assert temps(climate(tmp_path, text, logs)) == pytest.approx([20.0, 20.1, 20.2, 20, 20, 20])


def test_fewer_columns_and_more_columns(tmp_path: Path) -> None:
    text = FIRST + "rh_pct,time\n" + "".join(f"8{h},2031-01-15 0{h}:00\n" for h in range(3))
    text += "time,battery,temp_c,rh_pct\n" + day(3, "2031-01-{d} 0{h}:00,3.1,{c},{r}", 16)
    log = climate(tmp_path, text)
    assert log.table["rh_pct"].tolist() == [80, 81, 82, 83, 80, 81, 82, 80, 81, 82]
    assert log.table["temp_c"].isna().tolist() == [False] * 4 + [True] * 3 + [False] * 3


def test_a_head_with_names_that_nobody_knows_is_asked_about(tmp_path: Path) -> None:
    text = FIRST + "Datum,Feuchte,Wärme\n" + day(3, TURNED, 15)
    with pytest.raises(LogError, match=r"T1\.csv\[row 6\].*'Datum', 'Feuchte', 'Wärme'"):
        climate(tmp_path, text)
    logs = ('columns = { time = ["time", "Datum"], temp_c = ["temp_c", "Wärme"], '
            'rh_pct = ["rh_pct", "Feuchte"] }\n')  # fmt: skip
    assert temps(climate(tmp_path, text, logs)) == [20.0, 20.1, 20.2, 20.3, 20.0, 20.1, 20.2]


@pytest.mark.parametrize(
    "line",
    ["Battery low,,", "Err,Err,Err", "Average,20.1,81", "Statistic,temp_c,rh_pct\nMax,20.3,83",
     "# fan cleaned, door open, lamp off", "NAN,NAN,NAN", "---,---,---"],
)  # fmt: skip
def test_lines_that_are_no_heads_change_nothing(tmp_path: Path, line: str) -> None:
    log = climate(tmp_path, FIRST + line + "\n" + day(4, d=15))
    assert temps(log) == 2 * [20.0, 20.1, 20.2, 20.3]
    assert int(log.ledger.summary()["set_aside"].sum()) == 1 + line.count("\n")


def test_a_harvest_sheet_whose_head_comes_again(tmp_path: Path) -> None:
    text = ("unit,flush,date,fresh_g,note\nB1-T1-top-1,1,2031-01-20,400,\n"
            "unit,flush,note,fresh_g,date\nB1-T1-top-2,1,wet,410,2031-01-21\n")  # fmt: skip
    section = '\n[logs.harvest]\nfiles = ["h.csv"]\n'
    log = read_harvest(make_trial(tmp_path, {"h.csv": text.encode()}, section), cache=False)
    assert log.table["fresh_g"].tolist() == [400, 410]
    assert log.table["note"].tolist() == ["", "wet"]


def test_aligned_with_blanks_the_head_comes_again_too(tmp_path: Path) -> None:
    text = "time  temp_c  rh_pct\n" + day(4, "2031-01-{d}T0{h}:00  {c}  {r}")
    text += "time  rh_pct  temp_c\n" + day(4, "2031-01-{d}T0{h}:00  {r}  {c}", 15)
    assert temps(climate(tmp_path, text)) == 2 * [20.0, 20.1, 20.2, 20.3]


# ------------------------------------------------------------------ line ends

ENDS = {"CR": "\r", "FF": "\x0c", "VT": "\x0b", "NEL": "\x85", "LS": "\u2028", "PS": "\u2029",
        "RS": "\x1e", "CRLF": "\r\n"}  # fmt: skip


@pytest.mark.parametrize("end", ENDS.values(), ids=ENDS)
def test_every_line_end_ends_lines(tmp_path: Path, end: str) -> None:
    log = climate(tmp_path, FIRST.replace("\n", end))
    assert temps(log) == [20.0, 20.1, 20.2, 20.3]
    assert log.ledger.summary()["read"].tolist() == [4]


def test_the_line_end_of_mainframes_in_one_byte(tmp_path: Path) -> None:
    assert len(climate(tmp_path, FIRST.encode().replace(b"\n", b"\x85")).table) == 4


@pytest.mark.parametrize("end", ["\x0c", "\u2028", "\x85"])
def test_two_kinds_of_line_ends_lose_no_row(tmp_path: Path, end: str) -> None:
    """Where half of a file has other line ends, its rows are read or set aside."""
    text = FIRST + day(4, d=15).replace("\n", end) + "\n" + day(9, d=16)
    log = climate(tmp_path, text)
    rows = log.ledger.summary()
    assert rows["read"].tolist() in ([17], [14])  # the four as rows, or as one that is no row
    assert rows["kept"].tolist() in ([17], [13])


def test_separators_inside_notes_stay(tmp_path: Path) -> None:
    text = "a,note\n1,one\u2028two\n2,three\n3,four\n"
    assert unify_line_ends(text.encode()).decode() == text
    assert unify_line_ends(b"a,b\n\x0c1,2\n") == b"a,b\n1,2\n"


@pytest.mark.parametrize("sign", ["@", "\\n"])
def test_rows_in_one_line_are_refused(tmp_path: Path, sign: str) -> None:
    with pytest.raises(LogError, match="stand in one line"):
        climate(tmp_path, FIRST.replace("\n", sign))


def test_heads_without_rows_are_told(tmp_path: Path) -> None:
    log = climate(tmp_path, "time,temp_c,rh_pct\n")
    assert [(f.code, f.severity) for f in log.findings] == [("no_rows", "caution")]
