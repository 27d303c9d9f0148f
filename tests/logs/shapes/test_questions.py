"""What a file leaves open is asked or told, never guessed in silence."""

from __future__ import annotations

import datetime as dt
import sqlite3
from pathlib import Path

import pyarrow as pa
import pytest

from tests.logs.binary_files import database, workbook
from tests.logs.folder import make_trial
from trialkit.errors import LogError, TrialFileError
from trialkit.logs.climate.read import read_environment
from trialkit.logs.log import Log
from trialkit.logs.text.calendar_words import read_calendar
from trialkit.logs.text.time_parts import find_time_parts, read_parts
from trialkit.logs.text.times import read_moments


def climate(folder: Path, data: bytes, logs: str = "", file: str = "T1.csv") -> Log:
    section = f'\n[logs.environment]\nfiles = ["{file}"]\n{logs}'
    return read_environment(make_trial(folder, {file: data}, section), cache=False)


def wall(*texts: str, **given: object) -> list[dt.datetime | None]:
    found = read_moments(pa.array(texts), **given)
    start = dt.datetime(1970, 1, 1)
    return [start + dt.timedelta(microseconds=int(w) // 1000) if ok else None
            for w, ok in zip(found.wall, found.ok, strict=True)]  # fmt: skip


# ------------------------------------------------------------------ encodings


@pytest.mark.parametrize(
    ("note", "encoding", "severity"),
    [("Wärme", "cp1252", "note"), ("мокро", "cp1251", "caution"), ("υγρό", "cp1253", "caution"),
     ("湿った", "shift_jis", "caution"), ("žlutá", "cp1250", "caution")],
)  # fmt: skip
def test_a_guess_of_encoding_that_makes_letters_is_told(
    tmp_path: Path, note: str, encoding: str, severity: str
) -> None:
    """Whether the guess of so short a word is right cannot be known: it is told with the word."""
    data = f"time,temp_c,note\n2031-01-14 00:00,20,{note}\n".encode(encoding)
    found = [f for f in climate(tmp_path, data).findings if f.code == "encoding_guessed"]
    assert len(found) == 1
    assert severity == "note" or found[0].severity == severity
    stated = climate(tmp_path / "stated", data, f'encoding = "{encoding}"\n')
    assert [f.code for f in stated.findings] == []


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-32"])
def test_what_is_no_guess_is_not_told(tmp_path: Path, encoding: str) -> None:
    data = "time,temp_c,note\n2031-01-14 00:00,20,мокро\n".encode(encoding)
    assert climate(tmp_path, data).findings == ()


def test_signs_alone_are_not_told(tmp_path: Path) -> None:
    data = "time,temp_c,temp °C\n2031-01-14 00:00,20,µ\n".encode("cp1252")
    assert climate(tmp_path, data).findings == ()


@pytest.mark.parametrize("name", ["klingon", "hex", "zip", ""])
def test_an_encoding_that_is_none_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(TrialFileError, match="no encoding is called"):
        climate(tmp_path, b"time,temp_c\n", f'encoding = "{name}"\n')


# ------------------------------------------------------------------ names of months


def test_a_name_that_is_two_months_is_asked_about(tmp_path: Path) -> None:
    """`listopad` is October in Croatian, November in Czech and Polish (Unicode CLDR)."""
    data = b"time;temp_c\n14. listopada 2031 10:00;20\n"
    with pytest.raises(LogError, match=r"'listopada'.*month_language"):
        climate(tmp_path, data)
    months = {
        language: wall("14. listopada 2031 10:00", languages=(language,))[0].month
        for language in ("hr", "pl")
    }
    assert months == {"hr": 10, "pl": 11}
    # another month beside it says which language it is
    assert wall("14. listopada 2031", "14. rujna 2031") == [
        dt.datetime(2031, 10, 14), dt.datetime(2031, 9, 14)]  # fmt: skip


def test_months_in_the_long_dates_of_every_language() -> None:
    """Dates as Babel writes them in each of its languages come back, or are asked about.

    Read back are those of the Gregorian calendar in plain figures; a date that has words of no
    kind known here is not read, and none is read as another date.
    """
    from babel.dates import format_date
    from babel.localedata import locale_identifiers

    days = [dt.date(2031, m, 14 + m) for m in range(1, 13)]
    right = wrong = 0
    for name in locale_identifiers():
        if "_" in name:
            continue
        texts = [format_date(d, "long", name) for d in days]
        if not all(any(c.isalpha() for c in t) and "2031" in t for t in texts):
            continue
        found = wall(*texts, languages=(name,))
        right += found == [dt.datetime.combine(d, dt.time()) for d in days]
        wrong += any(f not in (None, dt.datetime.combine(d, dt.time()))
                     for f, d in zip(found, days, strict=True))  # fmt: skip
    assert wrong == 0
    assert right >= 150
    assert len(read_calendar().months) > 3000


# ------------------------------------------------------------------ parts of a moment


def parts(**columns: list[str]) -> list[str | None]:
    found = read_parts(list(columns), [pa.array(c) for c in columns.values()])
    assert found is not None
    return [str(dt.datetime(1970, 1, 1) + dt.timedelta(microseconds=int(w) // 1000)) if ok else None
            for w, ok in zip(found.wall, found.ok, strict=True)]  # fmt: skip


def test_parts_in_figures_by_hand() -> None:
    assert parts(Year=["2031", "2031"], Month=["2", "2"], Day=["28", "29"], Hour=["24", "1"]) == [
        "2031-03-01 00:00:00", None]  # fmt: skip
    assert parts(Year=["2032"], DOY=["366"], HHMM=["2359"]) == ["2032-12-31 23:59:00"]
    assert parts(Year=["2031", "2031"], DOY=["366", "365"], HHMM=["0", "2400"]) == [
        None, "2032-01-01 00:00:00"]  # fmt: skip
    assert parts(YY=["31"], MM=["01"], DD=["14"], hh=["07"], mm=["30"], ss=["5"]) == [
        "2031-01-14 07:30:05"]  # fmt: skip
    assert parts(a=["2031"], b=["14"], c=["130"]) == ["2031-01-14 01:30:00"]
    assert parts(Date=["20310114", "20310114"], Time=["130", "5"]) == [
        "2031-01-14 01:30:00", "2031-01-14 00:05:00"]  # fmt: skip
    assert parts(Year=["2031"] * 3, Month=["1"] * 3, Day=["14", "x", "1"])[1] is None


def test_one_damaged_part_costs_one_row() -> None:
    n = 20
    columns = {"Year": ["2031"] * n, "Month": ["1"] * n, "Day": ["14"] * n,
               "Hour": [str(h) for h in range(n)]}  # fmt: skip
    for name, damaged in (("Year", "20319"), ("Month", "93"), ("Day", "914"), ("Hour", "930")):
        cells = {h: list(c) for h, c in columns.items()}
        cells[name][7] = damaged
        found = parts(**cells)
        assert [k for k, t in enumerate(found) if t is None] == [7]
        assert found[19] == "2031-01-14 19:00:00"
    bare = {f"column {k}": c for k, c in enumerate(columns.values())}
    bare["column 0"] = ["2031"] * 19 + ["20319"]
    assert [k for k, t in enumerate(parts(**bare)) if t is None] == [19]


def test_parts_are_found_by_their_heads() -> None:
    heads = ["Temp", "mm", "Year", "Month", "Day", "Hour"]
    cells = [pa.array([c] * 3) for c in ("20.5", "30", "2031", "1", "14", "7")]
    assert find_time_parts(heads, cells) == ("Year", "Month", "Day", "Hour", "mm")
    assert find_time_parts(["Temp", "Year"], cells[:2]) == ()


def test_days_of_a_spreadsheet_are_told(tmp_path: Path) -> None:
    """47862 is 14 January 2031: 2031-01-14 is 47862 days after 1899-12-30 (Gregorian calendar)."""
    assert (dt.date(2031, 1, 14) - dt.date(1899, 12, 30)).days == 47862
    log = climate(tmp_path, b"time,temp_c\n47862.5,20\n47862.75,21\n")
    assert [str(t) for t in log.table["time"].dt.tz_convert("Europe/Vienna")] == [
        "2031-01-14 12:00:00+01:00", "2031-01-14 18:00:00+01:00"]  # fmt: skip
    assert [f.code for f in log.findings] == ["serial_days"]
    assert wall("47862.5", "20") == [None, None]


def test_ten_figures_are_seconds_unless_all_are_dates() -> None:
    """2031011410 seconds after 1970 are 2034-05-12 01:50:10 (`datetime.fromtimestamp`, UTC)."""
    assert wall("2031011410", "2031011423") == [
        dt.datetime(2031, 1, 14, 10), dt.datetime(2031, 1, 14, 23)]  # fmt: skip
    assert wall("2031011410", "2031011460")[0] == dt.datetime(2034, 5, 12, 1, 50, 10)


# ------------------------------------------------------------------ databases


def base(*tables: str) -> bytes:
    made = [f"CREATE TABLE {t} (time TEXT, temp_c REAL)" for t in tables]
    return database(*made, rows={t: [("2031-01-14 00:00", 20.0)] for t in tables})


def test_a_database_of_one_table_needs_no_name(tmp_path: Path) -> None:
    assert len(climate(tmp_path, base("readings"), file="T1.db").table) == 1


def test_which_of_several_tables_is_asked(tmp_path: Path) -> None:
    with pytest.raises(LogError, match=r"which table.*one \(time, temp_c\); two"):
        climate(tmp_path, base("one", "two"), file="T1.db")
    with pytest.raises(LogError, match=r"no table 'three' → its tables: one"):
        climate(tmp_path, base("one", "two"), 'table = "three"\n', file="T1.db")
    assert len(climate(tmp_path, base("one", "two"), 'table = "TWO"\n', file="T1.db").table) == 1


@pytest.mark.parametrize(
    "query",
    ["DELETE FROM one", "DROP TABLE one", "ATTACH 'x.db' AS x", "INSERT INTO one VALUES (1, 2)",
     "PRAGMA journal_mode = wal", "SELECT load_extension('x')", "SELECT 1; SELECT 2", "nonsense",
     "VACUUM INTO 'copy.db'", "UPDATE one SET temp_c = 1", "CREATE TABLE x (a)", ""],
)  # fmt: skip
def test_a_query_can_only_read(tmp_path: Path, query: str) -> None:
    data = base("one")
    with pytest.raises(LogError, match=r"cannot be read|gives no table"):
        climate(tmp_path, data, f'query = "{query}"\n', file="T1.db")
    assert (tmp_path / "T1.db").read_bytes() == data
    assert sorted(p.name for p in tmp_path.iterdir()) == ["T1.db", "trial.toml"]


def test_a_query_without_end_is_stopped(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("trialkit.logs.text.databases._MOST_STEPS", 1_000_000)
    endless = "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n) SELECT sum(i) FROM n"
    with pytest.raises(LogError, match="interrupted"):
        climate(tmp_path, base("one"), f'query = "{endless}"\n', file="T1.db")


def test_changes_beside_a_database_are_told(tmp_path: Path) -> None:
    """A program that still writes keeps its last rows in a file beside the database."""
    path = tmp_path / "made.db"
    writer = sqlite3.connect(path)
    writer.execute("PRAGMA journal_mode = wal")
    writer.execute("CREATE TABLE one (time TEXT, temp_c REAL)")
    writer.execute("INSERT INTO one VALUES ('2031-01-14 00:00', 20)")
    writer.commit()
    writer.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    writer.execute("INSERT INTO one VALUES ('2031-01-14 00:01', 21)")
    writer.commit()
    files = {"T1.db": path.read_bytes(), "T1.db-wal": Path(f"{path}-wal").read_bytes()}
    writer.close()
    section = '\n[logs.environment]\nfiles = ["T1.db"]\n'
    log = read_environment(make_trial(tmp_path, files, section), cache=False)
    assert log.table["temp_c"].tolist() == [20]
    assert [f.code for f in log.findings] == ["database_waiting"]


@pytest.mark.parametrize("cut", [16, 100, 3000])
def test_a_damaged_database_is_refused(tmp_path: Path, cut: int) -> None:
    with pytest.raises(LogError, match="the database cannot be read"):
        climate(tmp_path, base("one")[:cut], file="T1.db")


def test_a_sheet_that_is_not_there_is_told(tmp_path: Path) -> None:
    book = workbook({"log": [["time", "temp_c"], ["2031-01-14 00:00", 20]], "b": [["x"], [1]]})
    with pytest.raises(LogError, match=r"no sheet 'lgo' → its sheets: 'log', 'b'"):
        climate(tmp_path, book, 'table = "lgo"\n', file="T1.xlsx")
    assert len(climate(tmp_path, book, 'table = "Log"\n', file="T1.xlsx").table) == 1
