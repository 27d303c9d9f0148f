"""Shapes of text files, each with invented values."""

from __future__ import annotations

import pandas as pd
from babel.dates import format_date

from tests.logs.shapes.shape import (
    NAMED,
    N,
    Shape,
    climate,
    comma,
    file_of,
    moments,
    rh,
    rows_of,
    temp,
    text,
)

# ------------------------------------------------------------------ time in several columns


def _own_columns(data: bytes) -> pd.DataFrame:
    t = pd.read_csv(text(data))
    when = pd.to_datetime(t[["Year", "Month", "Day", "Hour", "Minute"]])
    return climate(when, t["AirTC"], t["RH"])


OWN_COLUMNS = Shape(
    "year, month, day, hour and minute in columns of their own",
    "files of research stations and buoys",
    "T1.csv",
    file_of("Year,Month,Day,Hour,Minute,AirTC,RH",
          *rows_of("{t.year},{t.month},{t.day},{t.hour},{t.minute},{c},{h}")),
    NAMED.format("Year + Month + Day + Hour + Minute", "AirTC", "RH"),
    _own_columns,
)  # fmt: skip


def _buoy(data: bytes) -> pd.DataFrame:
    t = pd.read_csv(text(data), sep=r"\s+", skiprows=2, header=None, na_values="MM")
    when = pd.to_datetime(dict(zip(["year", "month", "day", "hour", "minute"],
                                   (t[k] for k in range(5)), strict=True)))  # fmt: skip
    return climate(when, t[6], t[7])


BUOY = Shape(
    "heads and units in two comment lines, aligned with blanks, MM where nothing was measured",
    "files of weather buoys",
    "T1.txt",
    file_of("#YY  MM DD hh mm WSPD ATMP   RHUM", "#yr  mo dy hr mn m/s degC      %",
          *rows_of("{t:%Y %m %d %H %M}   MM {c:4.1f}   {h:4.1f}")),
    NAMED.format("YY + MM + DD + hh + mm", "ATMP", "RHUM"),
    _buoy,
)  # fmt: skip


def _hours_only(data: bytes) -> pd.DataFrame:
    t = pd.read_csv(text(data), sep=";", decimal=",")
    when = pd.to_datetime(
        {"year": t["Jahr"], "month": t["Monat"], "day": t["Tag"], "hour": t["Stunde"]}
    )
    return climate(when, t["Temp"], t["Feuchte"])


HOURS_ONLY = Shape(
    "year, month, day and an hour up to 24 in columns of their own",
    "files of building simulations and climate services",
    "T1.csv",
    file_of("Jahr;Monat;Tag;Stunde;Temp;Feuchte",
          *(f"{d.year};{d.month};{d.day};{h};{comma(temp(24 * k + h))};"
            f"{comma(rh(24 * k + h))}"
            for k, d in enumerate(moments(3, "1D")) for h in range(1, 25))),
    NAMED.format("Jahr + Monat + Tag + Stunde", "Temp", "Feuchte"),
    _hours_only,
)  # fmt: skip


def _date_and_time(data: bytes) -> pd.DataFrame:
    t = pd.read_csv(text(data), header=None)
    return climate(pd.to_datetime(t[0] + " " + t[1], format="%d/%m/%y %H:%M"), t[2], t[3])


DATE_AND_TIME = Shape(
    "date and time apart, no head, two figures of the year",
    "monthly logs of weather-station programs",
    "T1.txt",
    file_of(*rows_of("{t:%d/%m/%y},{t:%H:%M},{c},{h},9.6")),
    NAMED.format("column 1 + column 2", "column 3", "column 4"),
    _date_and_time,
)


def _half_days(data: bytes) -> pd.DataFrame:
    t = pd.read_csv(text(data), sep="\t")
    when = pd.to_datetime(t["Date"] + " " + t["Time"] + " " + t["AM/PM"],
                          format="%m/%d/%Y %I:%M:%S %p")  # fmt: skip
    return climate(when, t["Temp(C)"], t["Hum(%)"])


HALF_DAYS = Shape(
    "date, twelve-hour time and its half of the day in three columns",
    "exports of handheld loggers",
    "T1.txt",
    file_of("Date\tTime\tAM/PM\tTemp(C)\tHum(%)",
          *rows_of("{t:%m/%d/%Y}\t{t:%I:%M:%S}\t{t:%p}\t{c}\t{h}")),
    NAMED.format("Date + Time + AM/PM", "Temp(C)", "Hum(%)"),
    _half_days,
)  # fmt: skip


def _array(data: bytes) -> pd.DataFrame:
    t = pd.read_csv(text(data), header=None)
    hours, minutes = t[3] // 100, t[3] % 100
    when = pd.to_datetime(t[1].astype(str) + t[2].astype(str).str.zfill(3), format="%Y%j")
    when = when + pd.to_timedelta(hours, "h") + pd.to_timedelta(minutes, "min")
    return climate(when, t[4], t[5])


def _hhmm(t: pd.Timestamp) -> tuple[int, int, int]:
    """Give year, day of the year and hhmm, midnight as 2400 of the day before."""
    if t.hour == t.minute == 0:
        day = t - pd.Timedelta("1D")
        return day.year, int(day.strftime("%j")), 2400
    return t.year, int(t.strftime("%j")), 100 * t.hour + t.minute


ARRAY = Shape(
    "no head; array number, year, day of the year, and a time such as 930 or 2400",
    "output of field data loggers",
    "T1.dat",
    file_of(*("101,{},{},{},{},{}".format(*_hhmm(t), temp(i), rh(i))
            for i, t in enumerate(moments(N)))),
    NAMED.format("column 2 + column 3 + column 4", "column 5", "column 6"),
    _array,
)  # fmt: skip


def _parts_of_days(data: bytes) -> pd.DataFrame:
    t = pd.read_csv(text(data))
    start = pd.to_datetime(t["Year"].astype(str), format="%Y")
    when = start + pd.to_timedelta((t["DOY"] - 1) * 86_400, "s").dt.round("s")
    return climate(when, t["Ta"], t["RH"])


PARTS_OF_DAYS = Shape(
    "year, and the day of the year with its fraction",
    "files of flux towers and laboratories",
    "T1.csv",
    file_of("Year,DOY,Ta,RH",
          *(f"{t.year},{int(t.strftime('%j')) + (t.hour * 60 + t.minute) / 1440:.6f},"
            f"{temp(i)},{rh(i)}" for i, t in enumerate(moments(N)))),
    NAMED.format("Year + DOY", "Ta", "RH"),
    _parts_of_days,
)  # fmt: skip


def _date_and_hour(data: bytes) -> pd.DataFrame:
    t = pd.read_csv(text(data), dtype={"Date": str, "Hour": str})
    when = pd.to_datetime(t["Date"], format="%Y%m%d")
    when += pd.to_timedelta(t["Hour"].str[:2].astype(int), "h")
    when += pd.to_timedelta(t["Hour"].str[2:].astype(int), "min")
    return climate(when, t["Air Temp"], t["Rel Hum"])


DATE_AND_HOUR = Shape(
    "a date in eight figures and a time in four, midnight as 2400",
    "files of irrigation networks",
    "T1.csv",
    file_of("Stn,Date,Hour,Air Temp,Rel Hum",
          *(f"7,{d:%Y%m%d},{h:02d}00,{temp(24 * k + h)},{rh(24 * k + h)}"
            for k, d in enumerate(moments(4, "1D")) for h in range(1, 25))),
    NAMED.format("Date + Hour", "Air Temp", "Rel Hum"),
    _date_and_hour,
)  # fmt: skip

# ------------------------------------------------------------------ how a moment is written


def _one_column(form: str | None, **reading: object):
    def read(data: bytes) -> pd.DataFrame:
        t = pd.read_csv(text(data), **reading)
        when = pd.to_datetime(t.iloc[:, 0], format=form)
        return climate(when, t.iloc[:, 1], t.iloc[:, 2])

    return read


def _end_of_day(data: bytes) -> pd.DataFrame:
    t = pd.read_csv(text(data), sep=";")
    day, clock = t["Zeit"].str.split(" ", expand=True)[[0, 1]].to_numpy().T
    when = pd.to_datetime(pd.Series(day), format="%d.%m.%Y") + pd.to_timedelta(
        pd.Series(clock) + ":00"
    )
    return climate(when, t["T"], t["rF"])


END_OF_DAY = Shape(
    "24:00 for the end of a day",
    "exports of weather services and room controllers",
    "T1.csv",
    file_of("Zeit;T;rF", *(f"{d:%d.%m.%Y} {h:02d}:00;{temp(24 * k + h)};{rh(24 * k + h)}"
                         for k, d in enumerate(moments(3, "1D")) for h in range(1, 25))),
    NAMED.format("Zeit", "T", "rF"),
    _end_of_day,
)  # fmt: skip

TEN_FIGURES = Shape(
    "year, month, day and hour in ten figures, which could be seconds since 1970",
    "hourly files of weather services",
    "T1.txt",
    file_of("STATION;MOMENT;QUALITY;TT;RF;eor",
          *rows_of("{i:>5d};{t:%Y%m%d%H};    3;{c:6.1f};{h:6.1f};eor", every="1h")),
    NAMED.format("MOMENT", "TT", "RF"),
    lambda data: climate(
        pd.to_datetime(pd.read_csv(text(data), sep=";", dtype=str)["MOMENT"], format="%Y%m%d%H"),
        pd.read_csv(text(data), sep=";")["TT"],
        pd.read_csv(text(data), sep=";")["RF"],
    ),
)  # fmt: skip


def _epoch(unit: str):
    def read(data: bytes) -> pd.DataFrame:
        t = pd.read_csv(text(data))
        return climate(pd.to_datetime(t["ts"], unit=unit, utc=True), t["t"], t["h"])

    return read


def _epochs(factor: int) -> bytes:
    zone = "Europe/Vienna"
    return file_of("ts,t,h", *(f"{int(t.tz_localize(zone).timestamp()) * factor},{temp(i)},{rh(i)}"
                             for i, t in enumerate(moments(N))))  # fmt: skip


SECONDS = Shape("seconds since 1970", "scripts of small controllers", "T1.csv", _epochs(1),
                NAMED.format("ts", "t", "h"), _epoch("s"))  # fmt: skip
MILLISECONDS = Shape("milliseconds since 1970", "home-automation exports", "T1.csv",
                     _epochs(1000), NAMED.format("ts", "t", "h"), _epoch("ms"))  # fmt: skip
NANOSECONDS = Shape("nanoseconds since 1970", "exports of time-series databases", "T1.csv",
                    _epochs(10**9), NAMED.format("ts", "t", "h"), _epoch("ns"))  # fmt: skip


def _serial(data: bytes) -> pd.DataFrame:
    t = pd.read_csv(text(data), sep=";", decimal=",")
    when = pd.to_datetime(t["Datum"], unit="D", origin="1899-12-30").dt.round("s")
    return climate(when, t["Temperatur"], t["Feuchte"])


def _days(t: pd.Timestamp) -> str:
    return f"{(t - pd.Timestamp('1899-12-30')) / pd.Timedelta('1D'):.5f}"


SERIAL_DAYS = Shape(
    "spreadsheet day numbers, saved as text with decimal commas",
    "sheets saved without the format of their dates",
    "T1.csv",
    file_of("Datum;Temperatur;Feuchte",
          *(comma(f"{_days(t)};{temp(i)};{rh(i)}") for i, t in enumerate(moments(N)))),
    NAMED.format("Datum", "Temperatur", "Feuchte"),
    _serial,
)  # fmt: skip


def _titled(data: bytes) -> pd.DataFrame:
    t = pd.read_csv(text(data), skiprows=1).iloc[:N]
    return climate(pd.to_datetime(t["Date Time"], format="%m/%d/%y %I:%M:%S %p"), t.iloc[:, 2],
                   t.iloc[:, 3])  # fmt: skip


TWELVE_HOURS = Shape(
    "a serial column, a twelve-hour clock, events without a value, a title above the heads",
    "exports of button and plug-in loggers",
    "T1.csv",
    file_of('"Plot Title: left shelf"',
          '"#","Date Time","Temp, °C (S/N: 990017)","RH, % (S/N: 990017)","Host Connected"',
          *rows_of("{i},{t:%m/%d/%y %I:%M:%S %p},{c},{h},"), "150,01/14/31 11:00:09 AM,,,Logged"),
    NAMED.format("Date Time", "Temp, °C (S/N: 990017)", "RH, % (S/N: 990017)"),
    _titled,
    other_rows=1,
)  # fmt: skip

_HR = """siječnja veljače ožujka travnja svibnja lipnja srpnja kolovoza rujna listopada studenoga
prosinca"""
_MONTHS_HR = dict(enumerate(_HR.split(), 1))


def _croatian(data: bytes) -> pd.DataFrame:
    t = pd.read_csv(text(data), sep=";", decimal=",")
    english = t["Vrijeme"].replace({f" {w} ": f" {m} " for m, w in _MONTHS_HR.items()}, regex=True)
    return climate(pd.to_datetime(english, format="%d. %m %Y. %H:%M"), t["Temp"], t["Vlaga"])


CROATIAN = Shape(
    "months in Croatian words",
    "room-climate apps that follow the language of the phone",
    "T1.csv",
    file_of("Vrijeme;Temp;Vlaga",
          *(f"{t.day:02d}. {_MONTHS_HR[t.month]} {t.year}. {t:%H:%M};"
            f"{comma(temp(i))};{comma(rh(i))}" for i, t in enumerate(moments(60, "12h")))),
    NAMED.format("Vrijeme", "Temp", "Vlaga"),
    _croatian,
)  # fmt: skip


def _spanish(data: bytes) -> pd.DataFrame:
    t = pd.read_csv(text(data), sep="\t")
    bare = t["Fecha y hora"].str.replace(r"^\w+, ", "", regex=True)
    bare = bare.str.replace(" de enero de ", "/01/").str.replace(" de febrero de ", "/02/")
    bare = bare.str.replace("a. m.", "AM").str.replace("p. m.", "PM")
    return climate(pd.to_datetime(bare, format="%d/%m/%Y %I:%M %p"), t["Temp. (°C)"], t["HR (%)"])


def _es(t: pd.Timestamp) -> str:
    month = "enero" if t.month == 1 else "febrero"
    half = "a. m." if t.hour < 12 else "p. m."
    weekday = format_date(t, "EEE", "es")
    return f"{weekday}, {t.day} de {month} de {t.year} {t:%I:%M} {half}"


SPANISH = Shape(
    "weekday, month in words with particles, twelve-hour clock in Spanish",
    "exports of room sensors",
    "T1.tsv",
    file_of("Fecha y hora\tTemp. (°C)\tHR (%)",
          *(f"{_es(t)}\t{temp(i)}\t{rh(i)}" for i, t in enumerate(moments(60, "7h")))),
    NAMED.format("Fecha y hora", "Temp. (°C)", "HR (%)"),
    _spanish,
)  # fmt: skip


def _japanese(data: bytes) -> pd.DataFrame:
    t = pd.read_csv(text(data, "shift_jis"))
    return climate(pd.to_datetime(t["日時"], format="%Y年%m月%d日 %H時%M分"), t["温度"], t["湿度"])


JAPANESE = Shape(
    "year, month and day with the signs of Japanese, in its own encoding",
    "exports of thermo-hygrometers",
    "T1.csv",
    "\n".join([
        "日時,温度,湿度", *rows_of("{t.year}年{t.month}月{t.day}日 {t.hour}時{t:%M}分,{c},{h}")
    ]).encode("shift_jis"),
    NAMED.format("日時", "温度", "湿度") + 'encoding = "shift_jis"\n',
    _japanese,
)  # fmt: skip

C_TIME = Shape(
    "weekday and month in words, the year last",
    "scripts that print the time as the system does",
    "T1.log",
    file_of("when,temp,hum", *rows_of("{t:%a %b %d %H:%M:%S %Y},{c},{h}")),
    NAMED.format("when", "temp", "hum"),
    _one_column("%a %b %d %H:%M:%S %Y"),
)

COLONS = Shape(
    "a date with colons, the time last in the row",
    "scripts of single-board computers",
    "T1.csv",
    file_of("TempC,Humidity,Timestamp", *rows_of("{c},{h},{t:%Y:%m:%d %H:%M:%S}")),
    NAMED.format("Timestamp", "TempC", "Humidity"),
    lambda data: climate(
        pd.to_datetime(pd.read_csv(text(data))["Timestamp"], format="%Y:%m:%d %H:%M:%S"),
        pd.read_csv(text(data))["TempC"], pd.read_csv(text(data))["Humidity"]),
)  # fmt: skip

YEAR_AND_DAY = Shape(
    "year and day of the year in one cell",
    "files of data archives",
    "T1.csv",
    file_of("when,ta,rh", *rows_of("{t:%Y-%jT%H:%M:%S},{c},{h}")),
    NAMED.format("when", "ta", "rh"),
    _one_column("%Y-%jT%H:%M:%S"),
)
