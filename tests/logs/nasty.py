"""Small nasty files, each with what must happen. Every file is made in code."""

from __future__ import annotations

import bz2
import datetime as dt
import gzip
import json
import lzma
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import pyarrow as pa

from tests.logs.binary_files import open_document, parquet, workbook, zipped

HEAD = "time,chamber,temp_c,rh_pct\n"


@dataclass(frozen=True)
class Case:
    """One nasty file (or a few) and what must come out."""

    name: str
    kind: str
    files: dict[str, bytes]
    logs: str = ""
    rows: int | None = None
    aside: dict[str, int] = field(default_factory=dict)
    changed: dict[str, int] = field(default_factory=dict)
    noted: dict[str, int] = field(default_factory=dict)
    findings: tuple[str, ...] = ()
    error: str | None = None
    check: Callable[[Any], bool] | None = None


def env(
    name: str, text: str | bytes, logs: str = "", *, file: str = "climate.csv", **k: Any
) -> Case:
    data = text.encode() if isinstance(text, str) else text
    return Case(name, "environment", {file: data}, logs, **k)


def mist(name: str, text: str, logs: str = "", **k: Any) -> Case:
    return Case(name, "mist", {"mist.csv": text.encode()}, logs, **k)


def sheet(name: str, text: str, logs: str = "", **k: Any) -> Case:
    return Case(name, "harvest", {"harvest.csv": text.encode()}, logs, **k)


def temps(*expected: float) -> Callable[[Any], bool]:
    return lambda log: [round(v, 3) for v in log.table["temp_c"]] == list(expected)


def times(*expected: str) -> Callable[[Any], bool]:
    return lambda log: [t.strftime("%m-%d %H:%M") for t in log.table["time"]] == list(expected)


def grams(*expected: float) -> Callable[[Any], bool]:
    return lambda log: [round(v, 3) for v in log.table["fresh_g"]] == list(expected)


ROW1, ROW2 = "2031-01-14 00:00,T1,20.5,88\n", "2031-01-14 00:01,T1,20.6,87\n"
GOOD = HEAD + ROW1 + ROW2
DE = "Zeit;Zelt;Temperatur;Feuchte\n14.01.2031 00:00;T1;20,5;88,0\n14.01.2031 00:01;T1;20,6;87,5\n"
DE_LOGS = (
    'columns = { time = "Zeit", chamber = "Zelt", temp_c = "Temperatur", rh_pct = "Feuchte" }\n'
)

ENCODINGS = [
    env("plain", GOOD, rows=2, check=temps(20.5, 20.6)),
    env("no last line end", GOOD.rstrip("\n"), rows=2),
    env("line ends of Windows", GOOD.replace("\n", "\r\n"), rows=2),
    env("line ends of the old Macintosh", GOOD.replace("\n", "\r"), rows=2),
    env("byte-order mark", b"\xef\xbb\xbf" + GOOD.encode(), rows=2),
    env("UTF-16 with mark", GOOD.encode("utf-16"), rows=2, check=temps(20.5, 20.6)),
    env("UTF-16 without mark", GOOD.encode("utf-16-le"), rows=2),
    env("UTF-16 big-endian without mark", GOOD.encode("utf-16-be"), rows=2),
    env("UTF-32 with mark", GOOD.encode("utf-32"), rows=2),
    env(
        "degree sign in a Windows code page",
        "Zeit,Temp °F,rh\n2031-01-14 00:00,68,88\n".encode("cp1252"),
        'columns = { time = "Zeit", temp_c = "Temp °F", rh_pct = "rh" }\n',
        file="climate_T1.csv",
        rows=1,
        findings=("unit_from_head",),
        check=temps(20.0),
    ),
    env("one damaged character", GOOD.replace("T1,20.6", "T1,20.6\xff").encode("latin-1"), rows=2,
        changed={"value unreadable": 1}),
    env("empty bytes from a power cut", GOOD.encode() + b"\x00" * 6 + b"\n" + ROW1.replace(
        "00:00", "00:05").encode(), rows=3, aside={"wrong number of columns": 1},
        findings=("empty_bytes",)),
    env("end-of-file mark of old systems", GOOD + "\x1a", rows=2,
        aside={"wrong number of columns": 1}),
    env("nothing in it", "", error="is empty"),
    env("only blanks", " \n\n \n", error="is empty"),
    env("not a text at all", bytes(range(256)) * 40, error="not a text table"),
    env("only heads", HEAD, rows=0),
]  # fmt: skip

DIALECTS = [
    env("semicolons and decimal commas", DE, DE_LOGS + "day_first = true\n", rows=2,
        check=temps(20.5, 20.6)),
    env("commas as delimiter, decimal commas in quotes",
        HEAD + '2031-01-14 00:00,T1,"20,5","88,0"\n2031-01-14 00:01,T1,"20,6","87,5"\n', rows=2,
        check=temps(20.5, 20.6)),
    env("tabs", GOOD.replace(",", "\t"), rows=2),
    env("bars", GOOD.replace(",", "|"), rows=2),
    env("delimiter named in the first line", "sep=;\n" + GOOD.replace(",", ";"), rows=2),
    env("preamble of a logger", "Logger 4711\nSerial: 00, 12\n\n" + GOOD, rows=2),
    env("preamble with as many delimiters as the table", "a,b,c,d\nModel,X,1,2\n" + GOOD, rows=2),
    env("unnamed index column", "," + HEAD + "0," + ROW1 + "1," + ROW2, rows=2),
    env("index column without a head", HEAD + "0," + ROW1 + "1," + ROW2, rows=2),
    env("delimiter at the end of each row", HEAD + ROW1.replace("\n", ",\n") + ROW2.replace(
        "\n", ",\n"), rows=2),
    env("heads in other case and with blanks", GOOD.replace("temp_c", " Temp_C "), rows=2),
    env("quoted numbers", HEAD + '"2031-01-14 00:00","T1","20.5","88"\n', rows=1,
        check=temps(20.5)),
    env("quotation mark never closed", HEAD + ROW1 + '2031-01-14 00:01,"T1,20.6\n' + ROW2, rows=2,
        aside={"open quotation mark": 1}),
    env("short and long rows", HEAD + ROW1 + "2031-01-14 00:01,T1\n2031-01-14 00:02,T1,1,2,3\n",
        rows=1, aside={"wrong number of columns": 2}),
    env("blank lines between rows", HEAD + ROW1 + "\n\n" + ROW2 + ",,,\n", rows=2,
        check=lambda log: int(log.ledger.summary()["read"].iloc[0]) == 2),
    env("a head twice", GOOD.replace("rh_pct", "temp_c"), rows=2, check=temps(20.5, 20.6)),
    env("words for nothing", HEAD + "2031-01-14 00:00,T1,n/a,88\n2031-01-14 00:01,T1,---,NaN\n",
        rows=1, aside={"no value": 1}),
    env("error words of a sensor", HEAD + ROW1 + "2031-01-14 00:01,T1,Err2,87\n", rows=2,
        changed={"value unreadable": 1}),
    env("a sensor that is unplugged", HEAD + ROW1 + "2031-01-14 00:01,T1,-127,87\n", rows=2,
        changed={"value impossible": 1}),
    env("infinite and not a number", HEAD + "2031-01-14 00:00,T1,inf,88\n", rows=1,
        changed={"value unreadable": 1}),
    env("units in the cells", HEAD + "2031-01-14 00:00,T1,68 °F,88 %\n", rows=1,
        changed={"written otherwise": 1}, check=temps(20.0)),
    env("hostile names", 'time,chamber,temp_c,"<script>alert(1)</script>"\n' + ROW1, rows=1),
    env("a wide table with one column a chamber",
        "time,T1 temp,T2 temp,T1 RH,T2 RH\n2031-01-14 00:00,20,21,80,81\n"
        "2031-01-14 00:01,20,,80,\n",
        'columns = { time = "time", temp_c = "{chamber} temp", rh_pct = "{chamber} RH" }\n',
        rows=3, check=temps(20, 20, 21)),
    env("fahrenheit without a word", HEAD + "".join(
        f"2031-01-14 00:{m:02d},T1,68,88\n" for m in range(12)), rows=12,
        findings=("unit_doubtful",)),
    env("humidity as a fraction", HEAD + "2031-01-14 00:00,T1,20,0.88\n",
        'units = { rh_pct = "fraction" }\n', rows=1,
        check=lambda log: log.table["rh_pct"].iloc[0] == 88),
    env("unknown and tidied chambers", HEAD + ROW1 + "2031-01-14 00:01,t01,20,88\n"
        "2031-01-14 00:01,T9,20,88\n", rows=2, aside={"chamber unknown": 1}),
    env("no chamber anywhere", "time,temp_c\n2031-01-14 00:00,20\n", error="no chamber"),
    env("two chambers in the file name", "time,temp_c\n2031-01-14 00:00,20\n", file="T1_T2.csv",
        error="several chambers"),
    env("the chamber given in the trial file", "time,temp_c\n2031-01-14 00:00,20\n",
        'chamber = { "climate.csv" = "T3" }\n', rows=1,
        check=lambda log: log.table["chamber"].iloc[0] == "T3"),
    env("no column that is known", "a,b\n1,2\n", error="no column has a name"),
]  # fmt: skip

CLOCKS = [
    env("offsets in the cells", HEAD + "2031-01-14T00:00:00+01:00,T1,20,88\n"
        "2031-01-13T23:01:00Z,T1,20,88\n", rows=2, check=times("01-13 23:00", "01-13 23:01")),
    env("seconds since 1970", HEAD + "1926025200,T1,20,88\n1926025260000,T1,20,88\n", rows=2,
        check=times("01-12 23:00", "01-12 23:01")),
    env("day or month first: the file tells", HEAD + "13/01/2031 10:00,T1,20,88\n"
        "02/02/2031 10:00,T1,20,88\n", rows=2, check=times("01-13 09:00", "02-02 09:00")),
    env("day or month first: nothing tells", HEAD + "03/04/2031 10:00,T1,20,88\n",
        error="day_first"),
    env("day or month first: the file contradicts itself", HEAD + "13/01/2031 10:00,T1,20,88\n"
        "01/14/2031 10:00,T1,20,88\n", error="some dates in the file only"),
    env("day or month first: stated", HEAD + "02/03/2031 10:00,T1,20,88\n", "day_first = true\n",
        rows=1, check=times("03-02 09:00")),
    env("twelve-hour clock", HEAD + "\"Jan 14, 2031 12:05 AM\",T1,20,88\n"
        "\"Jan 14, 2031 12:05 PM\",T1,20,88\n", rows=2, check=times("01-13 23:05", "01-14 11:05")),
    env("date and clock in two columns", "date,clock,temp_c\n2031-01-14,00:00:30,20\n",
        'columns = { time = "date + clock" }\n', file="T1.csv", rows=1,
        check=times("01-13 23:00")),
    env("a form of one's own", HEAD + "14h01 14.01.31,T1,20,88\n",
        'time_format = "%Hh%M %d.%m.%y"\n', rows=1, check=times("01-14 13:01")),
    env("a form that has no day", GOOD, 'time_format = "%H:%M"\n', error="a year, a month and"),
    env("dates that do not exist", HEAD + ROW1 + "2031-02-30 00:00,T1,20,88\n"
        "2031-01-14 25:00,T1,20,88\n,T1,20,88\n", rows=1, aside={"time unreadable": 3}),
    env("the hour that comes twice, told by order", HEAD + "".join(
        f"2031-10-26 0{h}:{m:02d},T1,20,{80 + i}\n"
        for i, (h, m) in enumerate([(1, 30), (2, 0), (2, 30), (2, 0), (2, 30), (3, 0)])), rows=6,
        check=times("10-25 23:30", "10-26 00:00", "10-26 00:30", "10-26 01:00", "10-26 01:30",
                    "10-26 02:00")),
    env("the hour that comes twice, nothing tells", HEAD + "2031-10-26 01:00,T1,20,88\n"
        "2031-10-26 02:30,T1,20,88\n2031-10-26 05:00,T1,20,88\n", rows=2,
        aside={"hour that comes twice": 1}),
    env("the hour that does not exist", HEAD + "".join(
        f"2031-03-30 0{h}:{m:02d},T1,20,88\n" for h in (1, 2, 3) for m in (0, 30)), rows=4,
        aside={"hour that does not exist": 2}, findings=("clock_not_changed",)),
    env("a clock that did not change, corrected", HEAD + "".join(
        f"2031-03-30 0{h}:{m:02d},T1,20,88\n" for h in (1, 2) for m in (0, 30)),
        '[[logs.environment.clock]]\nfile = "climate.csv"\nsince = 2031-03-30T02:00:00\n'
        "add_s = 3600\n", rows=4, noted={"clock corrected": 2},
        check=times("03-30 00:00", "03-30 00:30", "03-30 01:00", "03-30 01:30")),
    env("a clock that runs fast", HEAD + "2031-01-14 00:00,T1,20,88\n2031-01-15 00:10,T1,20,88\n",
        "[[logs.environment.clock]]\nshows = 2031-01-14T00:00:00\ntruth = 2031-01-14T00:00:00\n"
        "[[logs.environment.clock]]\nshows = 2031-01-15T00:10:00\ntruth = 2031-01-15T00:00:00\n",
        rows=2, check=times("01-13 23:00", "01-14 23:00")),
    env("a correction that says nothing", GOOD, '[[logs.environment.clock]]\nfile = "*"\n',
        error="needs add_s"),
    env("a clock that fell back to 1970", GOOD + "1970-01-01 00:05,T1,20,88\n", rows=2,
        aside={"clock reset": 1}, findings=("clock_reset",)),
    env("a zone of its own", GOOD, 'time_zone = "UTC"\n', rows=2,
        check=times("01-14 00:00", "01-14 00:01")),
    env("a fixed offset", GOOD, 'time_zone = "+02:00"\n', rows=2,
        check=times("01-13 22:00", "01-13 22:01")),
    env("an unknown zone", GOOD, 'time_zone = "Mars/Olympus"\n', error="unknown time zone"),
    env("newest record first", HEAD + ROW2 + ROW1, rows=2,
        check=times("01-13 23:00", "01-13 23:01")),
    env("out of order", HEAD + ROW1 + "2031-01-14 00:05,T1,20,88\n" + ROW2
        + "2031-01-14 00:06,T1,20,88\n", rows=4, findings=("out_of_order",)),
    env("the same rows twice", GOOD + ROW1 + ROW2, rows=2, aside={"double export": 2}),
    env("one moment, two values", GOOD + "2031-01-14 00:01,T1,25,60\n", rows=2,
        aside={"same time, other values": 1}, check=temps(20.5, 20.6)),
    Case("overlapping exports of one logger", "environment",
         {"T1_jan.csv": GOOD.encode(), "T1_feb.csv": (HEAD + ROW2 + ROW1.replace(
             "00:00", "00:02")).encode()}, rows=3, aside={"double export": 1}),
    Case("two loggers in one chamber", "environment",
         {"T1_left.csv": b"time,temp_c\n" + b"".join(
             b"2031-01-14 00:%02d,20\n" % m for m in range(5)),
          "T1_right.csv": b"time,temp_c\n" + b"".join(
              b"2031-01-14 00:%02d,21\n" % m for m in range(5))},
         rows=10, findings=("several_loggers",)),
    Case("temperature and humidity in two files", "environment",
         {"T1_temp.csv": b"time,temp_c\n2031-01-14 00:00,20\n2031-01-14 00:01,21\n",
          "T1_rh.csv": b"time,rh_pct\n2031-01-14 00:00,88\n2031-01-14 00:01,87\n"},
         rows=2, check=lambda log: not log.table[["temp_c", "rh_pct"]].isna().any().any()),
]  # fmt: skip

_TORN = gzip.compress((HEAD + "".join(
    f"2031-01-14 {m // 60:02d}:{m % 60:02d},T1,{20 + m % 7}.{m * m % 10},{80 + m * m % 17}\n"
    for m in range(900))).encode())  # fmt: skip
_BOMB = gzip.compress(b"0," * 70_000_000, 9)

PACKED = [
    env("gzip", gzip.compress(GOOD.encode()), file="climate.csv.gz", rows=2),
    env("gzip under a plain name", gzip.compress(GOOD.encode()), rows=2),
    env("bzip2", bz2.compress(GOOD.encode()), file="climate.csv.bz2", rows=2),
    env("xz", lzma.compress(GOOD.encode()), file="climate.csv.xz", rows=2),
    env("zip", zipped({"a/T1.csv": GOOD.encode(), "__MACOSX/._T1.csv": b"\x00\x05"}),
        file="climate.zip", rows=2),
    env("two streams of gzip one after the other",
        gzip.compress((HEAD + ROW1).encode()) + gzip.compress(ROW2.encode()), rows=2),
    env("a torn gzip file", _TORN[: len(_TORN) // 2], file="climate.csv.gz",
        aside={"cut short": 1}, findings=("cut_short",), check=lambda log: len(log.table) > 50),
    env("a gzip bomb", _BOMB, file="climate.csv.gz", error="unpacks to more than"),
    env("a zip bomb", zipped({"climate.csv": b"0" * 140_000_000}), file="climate.zip",
        error="unpacks to more than"),
    env("a workbook bomb", zipped({"[Content_Types].xml": b"<x/>",
        "xl/worksheets/sheet1.xml": b" " * 140_000_000}), file="climate.xlsx",
        error="unpacks to more than"),
    env("a Parquet bomb", parquet({"time": pa.nulls(70_000_000)}), file="climate.parquet",
        error="more than are read"),
    env("a zip inside a zip inside a zip", zipped({"a.zip": zipped({"b.zip": zipped(
        {"T1.csv": GOOD.encode()})})}), file="climate.zip", error="archive inside an archive"),
    env("an empty zip", zipped({}), file="climate.zip", error="empty"),
    env("a torn zip", zipped({"T1.csv": GOOD.encode()})[:60], file="climate.zip", error="damaged"),
    env("rubbish called gzip", b"\x1f\x8b\x08\x00" + b"\xff" * 50, file="c.csv.gz",
        error="damaged"),
    env("a workbook", workbook({"log": [["some words"], [], ["time", "chamber", "temp_c"],
        ["2031-01-14 00:00", "T1", 20.5], ["2031-01-14 00:01", "T1", "20,6"]]}),
        file="climate.xlsx", rows=2, check=temps(20.5, 20.6)),
    env("an open-document sheet", open_document({"log": [["time", "chamber", "temp_c", "rh_pct"],
        ["2031-01-14 00:00", "T1", 20.5, 88], ["2031-01-14 00:01", "T1", 20.6, 87]]}),
        file="climate.ods", rows=2, check=temps(20.5, 20.6)),
    env("a workbook with true dates", workbook({"log": [["time", "chamber", "temp_c"],
        [dt.datetime(2031, 1, 14, 0, 0), "T1", 20.5], [dt.date(2031, 1, 15), "T1", 20.6]],
        "other": [["a", "b"], [1, 2]]}), file="climate.xlsx", rows=2,
        check=times("01-13 23:00", "01-14 23:00")),
    env("a workbook cut short", workbook({"log": [["time"]]})[:300], file="climate.xlsx",
        error="damaged"),
    env("Parquet", parquet({"time": ["2031-01-14 00:00", None], "chamber": ["T1", "T1"],
        "temp_c": [20.5, 20.6]}), file="climate.parquet", rows=1, aside={"time unreadable": 1}),
    env("Parquet cut short", parquet({"time": ["2031-01-14 00:00"]})[:-9],
        file="climate.parquet", error="not a sound Parquet"),
    env("JSON lines with a torn one", "\n".join([
        json.dumps({"time": "2031-01-14T00:00:00", "chamber": "T1", "temp_c": 20.5}),
        '{"time": "2031-01-14T00:0', "[1]",
        json.dumps({"time": "2031-01-14T00:02:00", "chamber": "T1", "temp_c": None}),
        json.dumps({"chamber": "T1", "time": "2031-01-14T00:03:00", "temp_c": 20.7}),
    ]), file="climate.jsonl", rows=2, aside={"not a record": 2, "no value": 1}),
    env("JSON in one list", json.dumps([{"time": "2031-01-14T00:00:00", "chamber": "T1",
        "temp_c": 20.5}]), file="climate.json", rows=1),
    env("JSON nested without end", '{"a":' * 50_000, file="climate.json", error="no JSON records"),
    Case("no file at all", "environment", {}, error="no file fits"),
]  # fmt: skip

MIST = [
    mist("on and off", "time,chamber,state\n2031-01-14 00:00:00,T1,on\n"
         "2031-01-14 00:00:20,T1,off\n",
         rows=1, check=lambda log: log.table["on_s"].iloc[0] == 20),
    mist("many words for on and off", "time,chamber,state\n" + "".join(
        f"2031-01-14 00:00:{i:02d},T1,{w}\n" for i, w in enumerate(
            ["ON", "0", "True", "closed", "start", "Stop"])), rows=3),
    mist("a relay read every second", "time,chamber,state\n" + "".join(
        f"2031-01-14 00:00:{i:02d},T1,{int(5 <= i < 15)}\n" for i in range(30)), rows=1,
        check=lambda log: log.table["on_s"].iloc[0] == 10),
    mist("never switched off", "time,chamber,state\n2031-01-14 00:00:00,T1,on\n"
         "2031-01-14 00:00:20,T1,off\n2031-01-14 00:04:00,T1,on\n", rows=1,
         aside={"never switched off": 1}, findings=("never_switched_off",)),
    mist("a word that is neither", "time,chamber,state\n2031-01-14 00:00:00,T1,on\n"
         "2031-01-14 00:00:10,T1,maybe\n2031-01-14 00:00:20,T1,off\n", rows=1,
         aside={"state unreadable": 1}),
    mist("power of the fogger", "time,chamber,power_w\n" + "".join(
        f"2031-01-14 00:{i:02d}:00,T1,{80 if i in (2, 3) else 1}\n" for i in range(8)), rows=1,
        findings=("power_threshold",), check=lambda log: log.table["on_s"].iloc[0] == 120),
    mist("current of the fogger in milliamperes", "time,chamber,I (mA)\n" + "".join(
        f"2031-01-14 00:00:{i:02d},T1,{350 if 10 <= i < 30 else 2}\n" for i in range(60)),
        'columns = { current_a = "I (mA)" }\ncurrent_on_a = 0.1\n', rows=1,
        check=lambda log: log.table["on_s"].iloc[0] == 20),
    mist("current without a limit", "time,chamber,current_a\n2031-01-14 00:00:00,T1,1\n",
         error="current_on_a"),
    mist("a relay read every second, with a gap while on", "time,chamber,state\n" + "".join(
        f"2031-01-14 {h:02d}:00:{i:02d},T1,{int(i > 40)}\n" for h in (0, 9) for i in range(60)),
        rows=2, check=lambda log: log.table["on_s"].tolist() == [19, 19]),
    mist("start and length", "start,chamber,on_s\n2031-01-14 00:00:00,T1,20\n"
         "2031-01-14 00:04:00,T1,-5\n2031-01-14 00:08:00,T1,x\n", rows=1,
         aside={"interval impossible": 1, "no value": 1}),
    mist("intervals that overlap", "start,stop,chamber\n"
         "2031-01-14 00:00:00,2031-01-14 00:01:00,T1\n"
         "2031-01-14 00:00:30,2031-01-14 00:02:00,T1\n", rows=1, findings=("mist_overlap",),
         check=lambda log: log.table["on_s"].iloc[0] == 120),
    mist("one column a chamber", "time,T1,T2\n2031-01-14 00:00:00,1,0\n2031-01-14 00:00:20,0,1\n"
         "2031-01-14 00:00:50,0,0\n", 'columns = { time = "time", state = "{chamber}" }\n', rows=2,
         check=lambda log: log.table["on_s"].tolist() == [20, 30]),
    mist("the same export twice", "time,chamber,state\n" + 2 * (
        "2031-01-14 00:00:00,T1,on\n2031-01-14 00:00:20,T1,off\n"), rows=1,
        aside={"double export": 2}),
]  # fmt: skip

SHEET = "unit,flush,date,fresh_g,dry_g,caps,status,note\n"
HARVEST = [
    sheet("a zero is a zero", SHEET + "B1-T1-top-1,1,2031-01-20,0,,0,ok,\n", rows=1,
          check=grams(0)),
    sheet("an unknown unit", SHEET + "B1-T1-tpo-1,1,2031-01-20,400,,,,\n", rows=0,
          aside={"unknown unit": 1},
          check=lambda log: "B1-T1-top-1" in log.ledger.table["remedy"].iloc[0]),
    sheet("a unit in another spelling", SHEET + " b01/t1 TOP_1 ,1,2031-01-20,400,,,,\n", rows=1,
          changed={"unit code tidied": 1}),
    sheet("the same entry twice", SHEET + 2 * "B1-T1-top-1,1,2031-01-20,400,,,,\n", rows=1,
          aside={"double entry": 1}),
    sheet("two weights for one day", SHEET + "B1-T1-top-1,1,2031-01-20,400,,,,\n"
          "B1-T1-top-1,1,2031-01-20,40,,,,\n", rows=0, aside={"conflicting entries": 2}),
    sheet("two picks of one flush", SHEET + "B1-T1-top-1,1,2031-01-20,400,,,,\n"
          "B1-T1-top-1,1,2031-01-21,40,,,,\n", rows=2, noted={"picks added": 2}),
    sheet("a weight below zero", SHEET + "B1-T1-top-1,1,2031-01-20,-400,,,,\n", rows=0,
          aside={"negative weight": 1}),
    sheet("heavier than the block", SHEET + "B1-T1-top-1,1,2031-01-20,4000,,,,\n", rows=0,
          aside={"heavier than the block": 1}),
    sheet("kept by request", SHEET + "B1-T1-top-1,1,2031-01-20,4000,,,,\n",
          '[[logs.harvest.keep]]\nfile = "harvest.csv"\nrows = [2]\n'
          'rule = "heavier than the block"\nbecause = "weighed with its basket"\n', rows=1,
          check=lambda log: log.ledger.table["action"].tolist() == ["kept by request"]),
    sheet("a request that touches nothing", SHEET + "B1-T1-top-1,1,2031-01-20,400,,,,\n",
          '[[logs.harvest.keep]]\nfile = "harvest.csv"\nrows = [9]\n'
          'rule = "negative wieght"\nbecause = "?"\n', rows=1, findings=("idle_request",)),
    sheet("contaminated is an outcome", SHEET + "B1-T1-top-1,1,2031-01-20,,,,green mould,\n",
          rows=1, check=lambda log: log.table["status"].iloc[0] == "contaminated"),
    sheet("an unknown state", SHEET + "B1-T1-top-1,1,2031-01-20,400,,,so-so,\n", rows=0,
          aside={"status unknown": 1}),
    sheet("weight missing", SHEET + "B1-T1-top-1,1,2031-01-20,,,,ok,forgot\n", rows=0,
          aside={"weight missing": 1}),
    sheet("not filled in yet", SHEET + "B1-T1-top-1,1,,,,,,\n", rows=0,
          aside={"not filled in": 1}),
    sheet("a flush that cannot be", SHEET + "B1-T1-top-1,3,2031-01-20,400,,,,\n"
          "B1-T1-top-1,first,2031-01-20,400,,,,\n", rows=0, aside={"flush unreadable": 2}),
    sheet("a date outside the batch", SHEET + "B1-T1-top-1,1,2030-01-20,400,,,,\n", rows=1,
          changed={"date outside batch": 1},
          check=lambda log: bool(log.table["time"].isna().iloc[0])
          and "20 Jan 2031 would fit" in log.ledger.table["remedy"].iloc[0]),
    sheet("a date that cannot be read", SHEET + "B1-T1-top-1,1,yesterday,400,,,,\n", rows=1,
          changed={"date unreadable": 1}),
    sheet("flushes in the wrong order", SHEET + "B1-T1-top-1,1,2031-01-30,400,,,,\n"
          "B1-T1-top-1,2,2031-01-20,100,,,,\n", rows=2, noted={"flush order": 1},
          findings=("flush_order",)),
    sheet("kilograms and words in cells", SHEET + 'B1-T1-top-1,1,2031-01-20,0.4 kg,,,,\n'
          "B1-T1-top-2,1,2031-01-20,a lot,,,,\n", rows=1,
          changed={"written otherwise": 1, "value unreadable": 1}, aside={"weight missing": 1},
          check=grams(400)),
    sheet("ounces", SHEET + "B1-T1-top-1,1,2031-01-20,16,,,,\n", 'units = { fresh_g = "oz" }\n',
          rows=1, check=grams(453.592)),
    sheet("drier than dry", SHEET + "B1-T1-top-1,1,2031-01-20,400,500,,,\n"
          "B1-T1-top-2,1,2031-01-20,400,3,,,\n", rows=2,
          changed={"dry weight above fresh": 1}, noted={"dry weight doubtful": 1}),
    sheet("half a cap", SHEET + "B1-T1-top-1,1,2031-01-20,400,,12.5,,\n", rows=1,
          changed={"caps impossible": 1}),
    sheet("cells that look like formulas",
          SHEET + "B1-T1-top-1,1,2031-01-20,400,,,,=HYPERLINK(1)\n=1+1,1,2031-01-20,400,,,,\n",
          rows=1, aside={"unknown unit": 1},
          check=lambda log: log.table["note"].iloc[0] == "=HYPERLINK(1)"),
    sheet("a note over two lines", SHEET + 'B1-T1-top-1,1,2031-01-20,400,,,,"wet\nheavy"\n'
          "B1-T1-top-2,1,2031-01-20,401,,,,\n", rows=2,
          check=lambda log: log.table["row"].tolist() == [2, 4]),
    sheet("rows without their last fields", SHEET + "B1-T1-top-1,1,2031-01-20,400\n", rows=1),
    sheet("the unit in columns of its own",
          "batch,chamber,shelf,block,flush,date,fresh_g\nB1,T1,top,1,1,2031-01-20,400\n", rows=1),
    sheet("no unit at all", "flush,date,fresh_g\n1,2031-01-20,400\n", error="which unit"),
    sheet("no flush at all", "unit,date,fresh_g\nB1-T1-top-1,2031-01-20,400\n",
          error="which flush"),
    sheet("a thousand or a bit over one",
          SHEET.replace(",", ";") + "B1-T1-top-1;1;2031-01-20;1,234;;;;\n", rows=0,
          changed={"value unreadable": 1}, aside={"weight missing": 1}),
]  # fmt: skip

CASES = [*ENCODINGS, *DIALECTS, *CLOCKS, *PACKED, *MIST, *HARVEST]
