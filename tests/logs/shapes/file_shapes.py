"""Shapes of files that are no text tables: databases, JSON, Parquet, workbooks."""

from __future__ import annotations

import io
import json
import sqlite3
import tempfile
from pathlib import Path

import pandas as pd

from tests.logs.binary_files import (
    database,
    old_workbook,
    open_document,
    parquet,
    workbook,
)
from tests.logs.shapes.shape import NAMED, N, Shape, climate, moments, rh, temp


def ask(data: bytes, query: str) -> pd.DataFrame:
    """Ask a database with pandas."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.db"
        path.write_bytes(data)
        base = sqlite3.connect(path)
        try:
            return pd.read_sql_query(query, base)
        finally:
            base.close()


def _archive(data: bytes) -> pd.DataFrame:
    t = ask(data, "SELECT dateTime, outTemp, outHumidity FROM archive")
    when = pd.to_datetime(t["dateTime"], unit="s", utc=True)
    return climate(when, (t["outTemp"] - 32) / 1.8, t["outHumidity"])


ARCHIVE = Shape(
    "a SQLite database with several tables, one of them named",
    "weather-station software",
    "T1.sdb",
    database(
        "CREATE TABLE archive (dateTime INTEGER PRIMARY KEY, usUnits INTEGER, outTemp REAL, "
        "outHumidity REAL)",
        "CREATE TABLE archive_day (dateTime INTEGER PRIMARY KEY, outTemp REAL)",
        rows={
            "archive": [
                (int(t.tz_localize("Europe/Vienna").timestamp()), 1, temp(i) * 1.8 + 32, rh(i))
                for i, t in enumerate(moments(N))
            ],
            "archive_day": [(1_925_938_800, 64.0)],
        },
    ),
    'table = "archive"\n' + NAMED.format("dateTime", "outTemp", "outHumidity")
    + 'units = { temp_c = "degF" }\n',
    _archive,
)  # fmt: skip


def _query(data: bytes) -> pd.DataFrame:
    t = ask(
        data,
        "SELECT at, s.place AS place, value FROM readings r JOIN sensors s ON s.id = r.sensor "
        "WHERE s.kind = 'temp' ORDER BY r.rowid",
    )
    return climate(pd.to_datetime(t["at"]), t["value"], chamber=t["place"])


QUERY = Shape(
    "a SQLite database whose tables a query joins",
    "scripts of small controllers",
    "greenhouse.db",
    database(
        "CREATE TABLE sensors (id INTEGER, place TEXT, kind TEXT)",
        "CREATE TABLE readings (at TEXT, sensor INTEGER, value REAL)",
        rows={
            "sensors": [(1, "T1", "temp"), (2, "T2", "temp"), (3, "T1", "lamp")],
            "readings": [
                (f"{t:%Y-%m-%d %H:%M:%S}", k, temp(i + k))
                for i, t in enumerate(moments(N))
                for k in (1, 2, 3)
            ],
        },
    ),
    'query = """SELECT r.at AS at, s.place AS place, r.value AS value FROM readings r JOIN '
    "sensors s ON s.id = r.sensor WHERE s.kind = 'temp'\"\"\"\n"
    'columns = { time = "at", chamber = "place", temp_c = "value" }\n',
    _query,
)  # fmt: skip


def _json(data: bytes) -> pd.DataFrame:
    t = pd.json_normalize([json.loads(line) for line in data.decode().splitlines()])
    when = pd.to_datetime(t["ts"], unit="ms", utc=True)
    return climate(when, t["data.temperature"], t["data.humidity"], chamber=t["room"])


JSON_LINES = Shape(
    "one JSON object a line, the values in an object inside it",
    "subscribers of a message broker",
    "messages.jsonl",
    "\n".join(
        json.dumps({
            "ts": int(t.tz_localize("Europe/Vienna").timestamp() * 1000), "room": f"T{1 + i % 2}",
            "data": {"temperature": temp(i), "humidity": rh(i), "ok": True},
        })
        for i, t in enumerate(moments(N))
    ).encode(),
    'columns = { time = "ts", chamber = "room", temp_c = "data.temperature", '
    'rh_pct = "data.humidity" }\n',
    _json,
)  # fmt: skip


def _frame() -> pd.DataFrame:
    when = pd.DatetimeIndex(moments(N)).tz_localize("Europe/Vienna").tz_convert("UTC")
    return pd.DataFrame(
        {"t": [temp(i) for i in range(N)], "h": [rh(i) for i in range(N)]},
        index=pd.Index(when, name="time"),
    )


def _from_parquet(data: bytes) -> pd.DataFrame:
    t = pd.read_parquet(io.BytesIO(data)).reset_index()
    return climate(t["time"], t["t"], t["h"])


PARQUET = Shape(
    "Parquet with the time as the table's index, in UTC",
    "data frames stored by a script",
    "T1.parquet",
    parquet(_frame()),
    NAMED.format("time", "t", "h"),
    _from_parquet,
)


def _float_seconds(data: bytes) -> pd.DataFrame:
    t = pd.read_parquet(io.BytesIO(data))
    when = pd.to_datetime(t["ts"].round().astype("int64"), unit="s", utc=True)
    return climate(when, t["t"], t["h"])


FLOAT_SECONDS = Shape(
    "Parquet with seconds since 1970 as floating numbers",
    "scripts that store what the clock function gives",
    "T1.parquet",
    parquet(
        _frame().reset_index(drop=True).assign(ts=_frame().index.astype("int64").to_numpy()
                                               / (1e9 if _frame().index.unit == "ns" else 1e6))
    ),
    NAMED.format("ts", "t", "h"),
    _float_seconds,
)  # fmt: skip


def _sheets(data: bytes) -> pd.DataFrame:
    out = []
    for name in ("T1", "T2"):
        t = pd.read_excel(io.BytesIO(data), sheet_name=name, skiprows=[1], engine="openpyxl")
        day = pd.to_datetime(t["Date"])
        when = day + pd.to_timedelta(t["Time"].astype(str))
        out.append(climate(when, t["Temp"], t["Hum"], chamber=[name] * len(t)))
    return pd.concat(out, ignore_index=True)


SHEETS = Shape(
    "a workbook with a sheet for each sensor, units under the heads, date and time apart",
    "workbooks of room loggers",
    "climate.xlsx",
    workbook(
        {"Info": [["Logger", "LG-2"], ["Interval", 10]]}
        | {
            name: [["Date", "Time", "Temp", "Hum"], [None, None, "°C", "%RH"]]
            + [[t.date(), t.time(), temp(i + k), rh(i + k)] for i, t in enumerate(moments(N))]
            for k, name in enumerate(("T1", "T2"))
        }
    ),
    NAMED.format("Date + Time", "Temp", "Hum"),
    _sheets,
)


def _one_sheet(data: bytes) -> pd.DataFrame:
    t = pd.read_excel(io.BytesIO(data), sheet_name="week 3", engine="openpyxl")
    when = pd.to_datetime(t["when"], unit="D", origin="1899-12-30").dt.round("s")
    return climate(when, t["t"], t["h"])


ONE_SHEET = Shape(
    "a workbook of which one sheet is named; days as plain numbers",
    "workbooks kept by hand",
    "T1.xlsx",
    workbook({
        name: [["when", "t", "h"]] + [
            [(t - pd.Timestamp("1899-12-30")) / pd.Timedelta("1D"), temp(i + k), rh(i + k)]
            for i, t in enumerate(moments(N))
        ]
        for k, name in enumerate(("week 2", "week 3"))
    }),
    'table = "week 3"\n' + NAMED.format("when", "t", "h"),
    _one_sheet,
)  # fmt: skip


def _from_ods(data: bytes) -> pd.DataFrame:
    t = pd.read_excel(io.BytesIO(data), sheet_name="log", engine="odf")
    return climate(pd.to_datetime(t["Zeit"], format="%d.%m.%Y %H:%M"), t["Temp"], t["Feuchte"])


ODS = Shape(
    "an open-document workbook of two sheets, one without the heads",
    "workbooks kept by hand",
    "T1.ods",
    open_document({
        "log": [["Zeit", "Temp", "Feuchte"],
                *([f"{t:%d.%m.%Y %H:%M}", temp(i), rh(i)] for i, t in enumerate(moments(N)))],
        "notes": [["who", "what"], ["Ada", "cleaned the fan"]],
    }),
    NAMED.format("Zeit", "Temp", "Feuchte"),
    _from_ods,
)  # fmt: skip


def _from_xls(data: bytes) -> pd.DataFrame:
    out = []
    for name in ("T1", "T2"):
        t = pd.read_excel(io.BytesIO(data), sheet_name=name, engine="calamine")
        when = pd.to_datetime(t["Zeit"], format="%d.%m.%Y %H:%M")
        out.append(climate(when, t["Temp"], t["Feuchte"], chamber=[name] * len(t)))
    return pd.concat(out, ignore_index=True)


XLS = Shape(
    "a binary workbook of the old kind with a sheet for each sensor",
    "software of bench loggers",
    "climate.xls",
    old_workbook({
        name: [["Zeit", "Temp", "Feuchte"],
               *([f"{t:%d.%m.%Y %H:%M}", temp(i + k), rh(i + k)]
                 for i, t in enumerate(moments(N)))]
        for k, name in enumerate(("T1", "T2"))
    } | {"Info": [["Serial", 990017.0]]}),
    NAMED.format("Zeit", "Temp", "Feuchte"),
    _from_xls,
)  # fmt: skip
