"""Shapes of text tables: how columns, heads and lines stand, each with invented values."""

from __future__ import annotations

import io

import pandas as pd

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

# ------------------------------------------------------------------ aligned with blanks


def _station_report(data: bytes) -> pd.DataFrame:
    t = pd.read_csv(text(data), sep=r"\s+", skiprows=3, header=None)
    when = pd.to_datetime(t[0] + " " + t[1] + "m", format="%m/%d/%y %I:%M%p")
    return climate(when, t[2], t[5])


def _half(t: pd.Timestamp) -> str:
    return f"{t.hour % 12 or 12}:{t:%M}{'a' if t.hour < 12 else 'p'}"


STATION_REPORT = Shape(
    "heads in two lines over their columns, a rule, times such as 12:05a",
    "text exports of weather stations",
    "T1.txt",
    file_of("                  Temp     Hi    Low   Out    Dew   Wind",
          "  Date    Time     Out   Temp   Temp   Hum    Pt.    Dir",
          "-" * 56,
          *(f"{t.month:2d}/{t:%d/%y} {_half(t):>6}  {temp(i):6.1f} {temp(i) + .1:6.1f} "
            f"{temp(i) - .1:6.1f} {rh(i):5.1f} {temp(i) - 2:6.1f}    ---"
            for i, t in enumerate(moments(N)))),
    NAMED.format("Date + Time", "Temp Out", "Out Hum"),
    _station_report,
)  # fmt: skip


def _daily_service(data: bytes) -> pd.DataFrame:
    t = pd.read_csv(text(data), sep=r"\s+", skiprows=1, header=None, dtype={2: str})
    return climate(pd.to_datetime(t[2], format="%Y%m%d"), t[3], t[5])


COUNTS_WITHOUT_HEADS = Shape(
    "fixed widths; some columns have no head of their own",
    "daily summaries of weather services",
    "T1.op",
    file_of("STN--- WBAN   YEARMODA    TEMP       RHUM   ",
          *(f"840010 99999  {t:%Y%m%d}    {temp(i):5.1f} 24   {rh(i):5.1f} 24"
            for i, t in enumerate(moments(26, "1D")))),
    NAMED.format("YEARMODA", "TEMP", "RHUM"),
    _daily_service,
)  # fmt: skip


def _one_head_for_both(data: bytes) -> pd.DataFrame:
    t = pd.read_csv(text(data), sep=r"\s+", skiprows=1, header=None)
    return climate(pd.to_datetime(t[0] + " " + t[1]), t[2], t[3])


ONE_HEAD_FOR_BOTH = Shape(
    "parted by blanks of any number; one head over date and time",
    "scripts of small controllers",
    "T1.log",
    file_of("datetime  temp hum",
          *rows_of("{t:%Y-%m-%d %H:%M:%S} {c}   {h}")),
    NAMED.format("datetime", "temp", "hum"),
    _one_head_for_both,
)  # fmt: skip


def _blank_cells(data: bytes) -> pd.DataFrame:
    t = pd.read_fwf(text(data), colspecs=[(0, 10), (11, 16), (17, 23), (24, 30)])
    return climate(pd.to_datetime(t["Date"] + " " + t["Time"]), t["Temp"], t["Hum"])


BLANK_CELLS = Shape(
    "fixed widths with cells left blank",
    "printouts of chart recorders",
    "T1.prn",
    file_of("Date       Time    Temp    Hum",
          *(f"{t:%Y-%m-%d} {t:%H:%M} {temp(i) if i % 9 else '':>6} {rh(i) if i % 7 else '':>6}"
            .rstrip() for i, t in enumerate(moments(60)) if i)),
    NAMED.format("Date + Time", "Temp", "Hum"),
    _blank_cells,
)  # fmt: skip


def _touching(data: bytes) -> pd.DataFrame:
    t = pd.read_fwf(text(data), widths=[8, 4, 5, 5], header=None, dtype={0: str, 1: str})
    return climate(pd.to_datetime(t[0] + t[1], format="%Y%m%d%H%M"), t[2], t[3])


TOUCHING = Shape(
    "fixed widths whose columns touch, no head",
    "files of older networks",
    "T1.dat",
    file_of(*(f"{t:%Y%m%d%H%M}{temp(i):5.1f}{rh(i):5.1f}" for i, t in enumerate(moments(N)))),
    NAMED.format("column 1 + column 2", "column 3", "column 4") + "widths = [8, 4, 5, 5]\n",
    _touching,
)


def _comma_and_blanks(data: bytes) -> pd.DataFrame:
    t = pd.read_csv(text(data), sep=r"\s+", decimal=",")
    return climate(pd.to_datetime(t["Datum"] + " " + t["Zeit"], format="%d.%m.%Y %H:%M"),
                   t["Temp"], t["Feuchte"])  # fmt: skip


COMMA_AND_BLANKS = Shape(
    "aligned with blanks, decimal commas",
    "printouts of room loggers",
    "T1.txt",
    file_of("Datum       Zeit   Temp  Feuchte",
          *(f"{t:%d.%m.%Y}  {t:%H:%M}  {comma(temp(i))}  "
            f"{comma(rh(i)):>7}" for i, t in enumerate(moments(N)))),
    NAMED.format("Datum + Zeit", "Temp", "Feuchte"),
    _comma_and_blanks,
)  # fmt: skip

# ------------------------------------------------------------------ heads, comments, footers


def _four_line_head(data: bytes) -> pd.DataFrame:
    t = pd.read_csv(text(data), skiprows=[0, 2, 3])
    fahrenheit = t["AirTemp_Avg"]
    return climate(pd.to_datetime(t["TIMESTAMP"]), (fahrenheit - 32) / 1.8, t["RH"])


FOUR_LINE_HEAD = Shape(
    "a title, names, units and the way of averaging in four lines",
    "table files of field data loggers",
    "T1.dat",
    file_of('"TABLE","Hall","LG1","990017","Std.1","CPU:hall.cr","18001","TenMin"',
          '"TIMESTAMP","RECORD","AirTemp_Avg","RH","Batt"', '"TS","RN","Deg F","%","Volts"',
          '"","","Avg","Smp","Min"', *rows_of('"{t:%Y-%m-%d %H:%M:%S}",{i},{f},{h},12.9')),
    NAMED.format("TIMESTAMP", "AirTemp_Avg", "RH"),
    _four_line_head,
)  # fmt: skip


def _units_below(data: bytes) -> pd.DataFrame:
    t = pd.read_csv(text(data), sep=";", decimal=",", skiprows=[0, 1, 2, 4])
    return climate(pd.to_datetime(t["Zeit"], format="%d.%m.%Y %H:%M:%S"), t["Kanal 1"],
                   t["Kanal 2"])  # fmt: skip


UNITS_BELOW = Shape(
    "a preamble, names, units under them, semicolons and decimal commas",
    "exports of bench loggers",
    "T1.csv",
    file_of("Gerät;LG-2", "Takt;600 s", "", "Zeit;Kanal 1;Kanal 2", ";[°C];[%rF]",
          *(f"{t:%d.%m.%Y %H:%M:%S};{comma(temp(i))};{comma(rh(i))}"
            for i, t in enumerate(moments(N)))),
    NAMED.format("Zeit", "Kanal 1", "Kanal 2"),
    _units_below,
)  # fmt: skip


def _commented(data: bytes) -> pd.DataFrame:
    t = pd.read_csv(text(data), comment="#", header=None)
    return climate(pd.to_datetime(t[0]), t[1], t[2])


_COMMENTED = rows_of("{t:%Y-%m-%dT%H:%M:%S},{c},{h}")
COMMENTS_WITHIN = Shape(
    "heads in a comment, comments within",
    "logs put together by a script",
    "T1.csv",
    file_of("# time, temp, rh", *_COMMENTED[:40], "# ./logs/log_2.txt", *_COMMENTED[40:90],
          "# fan cleaned", *_COMMENTED[90:]),
    NAMED.format("time", "temp", "rh"),
    _commented,
    other_rows=2,
)  # fmt: skip


def _with_footer(data: bytes) -> pd.DataFrame:
    t = pd.read_csv(text(data), skiprows=2, skipfooter=5, engine="python")
    return climate(pd.to_datetime(t["Time"]), t["Temperature(°C)"], t["Humidity(%RH)"])


FOOTER = Shape(
    "statistics under the records",
    "exports of transport loggers",
    "T1.csv",
    file_of("Serial No.,LG990017", "",
          "No.,Time,Temperature(°C),Humidity(%RH)", *rows_of("{i},{t:%Y-%m-%d %H:%M:%S},{c},{h}"),
          "", "Statistic,,Temperature(°C),Humidity(%RH)", "Maximum,,23.4,95.5",
          "Minimum,,17.3,80.2", "Average,,20.1,87.9"),
    NAMED.format("Time", "Temperature(°C)", "Humidity(%RH)"),
    _with_footer,
    other_rows=4,
)  # fmt: skip


def _serial_once(data: bytes) -> pd.DataFrame:
    t = pd.read_csv(text(data), names=list("abcdef"), skiprows=1)
    return climate(pd.to_datetime(t["b"]), t["c"], t["d"])


SERIAL_ONCE = Shape(
    "the last column, the serial number, is filled in the first row alone",
    "exports of USB stick loggers",
    "T1.txt",
    file_of("Left shelf,Time,Celsius(°C),Humidity(%rh),Dew Point(°C),Serial Number",
          "1,2031-01-13 09:50:00,19.9,88.1,17.8,990017",
          *rows_of("{i},{t:%Y-%m-%d %H:%M:%S},{c},{h},17.0")),
    NAMED.format("Time", "Celsius(°C)", "Humidity(%rh)"),
    _serial_once,
)  # fmt: skip


def _thousands(data: bytes) -> pd.DataFrame:
    t = pd.read_csv(text(data), thousands=",")
    return climate(pd.to_datetime(t["Time"]), t["Temp"], co2_ppm=t["CO2 (ppm)"].astype(float))


THOUSANDS = Shape(
    "thousands marks in quoted cells",
    "exports of CO2 meters",
    "T1.csv",
    file_of("Time,Temp,CO2 (ppm)",
          *(f'{t:%Y-%m-%d %H:%M},{temp(i)},"{780 + 17 * i:,}"' for i, t in enumerate(moments(N)))),
    'columns = { time = "Time", temp_c = "Temp", co2_ppm = "CO2 (ppm)" }\n',
    _thousands,
)  # fmt: skip


def _head_again(data: bytes) -> pd.DataFrame:
    lines = data.decode().splitlines()
    at = [k for k, line in enumerate(lines) if "temp" in line]
    pieces = [
        pd.read_csv(io.StringIO("\n".join(lines[a:b])))
        for a, b in zip(at, [*at[1:], len(lines)], strict=True)
    ]
    t = pd.concat([p.dropna(subset=["temp", "rh"]) for p in pieces], ignore_index=True)
    return climate(pd.to_datetime(t["time"]), t["temp"], t["rh"])


HEAD_AGAIN = Shape(
    "the head comes again after a restart, its columns in another order",
    "cards of loggers that lost power",
    "T1.csv",
    file_of("time,temp,rh", *rows_of("{t:%Y-%m-%d %H:%M:%S},{c},{h}", 50),
          "rh,time,temp",
          *(f"{rh(i)},{t:%Y-%m-%d %H:%M:%S},{temp(i)}" for i, t in
            enumerate(moments(40, start=pd.Timestamp("2031-01-14 10:00")))),
          "time,temp,rh",
          *(f"{t:%Y-%m-%d %H:%M:%S},{temp(i)},{rh(i)}" for i, t in
            enumerate(moments(30, start=pd.Timestamp("2031-01-15 10:00"))))),
    NAMED.format("time", "temp", "rh"),
    _head_again,
)  # fmt: skip

# ------------------------------------------------------------------ several sensors


def _groups(data: bytes) -> pd.DataFrame:
    t = pd.read_csv(text(data), header=[0, 1])
    out = [
        climate(pd.to_datetime(t.iloc[:, 0]), t.iloc[:, 1 + 2 * k], t.iloc[:, 2 + 2 * k],
                chamber=[f"T{k + 1}"] * len(t))
        for k in range(2)
    ]  # fmt: skip
    return pd.concat(out, ignore_index=True)


GROUPS = Shape(
    "a column for each sensor, their names in a line above temperature and humidity",
    "exports of base stations",
    "climate.csv",
    file_of(",T1,,T2,", "Time,Temp,RH,Temp,RH",
          *(f"{t:%Y-%m-%d %H:%M},{temp(i)},{rh(i)},{temp(i + 5)},{rh(i + 5)}"
            for i, t in enumerate(moments(N)))),
    'columns = { time = "Time", temp_c = "{chamber} Temp", rh_pct = "{chamber} RH" }\n',
    _groups,
)  # fmt: skip


def _numbered(data: bytes) -> pd.DataFrame:
    t = pd.read_csv(text(data))
    out = [
        climate(pd.to_datetime(t["Time"]), t[f"CH{k} Temp"], t[f"CH{k} Hum"],
                chamber=[f"T{k}"] * len(t))
        for k in (1, 2, 3)
    ]  # fmt: skip
    return pd.concat(out, ignore_index=True)


NUMBERED = Shape(
    "numbered columns for each sensor",
    "exports of weather-station consoles",
    "climate.csv",
    file_of("Time," + ",".join(f"CH{k} Temp,CH{k} Hum" for k in (1, 2, 3)),
          *(f"{t:%Y-%m-%d %H:%M}," + ",".join(f"{temp(i + k)},{rh(i + k)}" for k in (1, 2, 3))
            for i, t in enumerate(moments(N)))),
    'columns = { time = "Time", temp_c = "{chamber} Temp", rh_pct = "{chamber} Hum" }\n'
    'chamber = { CH1 = "T1", CH2 = "T2", CH3 = "T3" }\n',
    _numbered,
)  # fmt: skip


def _named_sensor(data: bytes) -> pd.DataFrame:
    t = pd.read_csv(text(data))
    chamber = t["device"].map({"A4:C1": "T1", "A4:C2": "T3"})
    return climate(pd.to_datetime(t["time"], utc=True), t["temperature"], t["humidity"],
                   chamber=chamber)  # fmt: skip


NAMED_SENSOR = Shape(
    "a column that names the sensor",
    "logs of radio gateways",
    "climate.csv",
    file_of("time,device,temperature,humidity",
          *(f"{t:%Y-%m-%dT%H:%M:%SZ},A4:C{1 + k},{temp(i + k)},{rh(i + k)}"
            for i, t in enumerate(moments(N)) for k in range(2))),
    'columns = { time = "time", chamber = "device", sensor = "device", temp_c = "temperature", '
    'rh_pct = "humidity" }\nchamber = { "A4:C1" = "T1", "A4:C2" = "T3" }\n',
    _named_sensor,
)  # fmt: skip


def _named_quantity(data: bytes) -> pd.DataFrame:
    t = pd.read_csv(text(data))
    wide = t.pivot_table(index="last_changed", columns="entity_id", values="state")
    out = [
        climate(pd.to_datetime(wide.index.to_series(), format="ISO8601"),
                wide[f"sensor.{c.lower()}_temperature"].to_numpy(),
                wide[f"sensor.{c.lower()}_humidity"].to_numpy(), chamber=[c] * len(wide))
        for c in ("T1", "T2")
    ]  # fmt: skip
    return pd.concat(out, ignore_index=True)


NAMED_QUANTITY = Shape(
    "one value a row; a column names sensor and quantity",
    "history downloads of home-automation systems",
    "history.csv",
    file_of("entity_id,state,last_changed",
          *(f"sensor.{c}_{q},{v},{t:%Y-%m-%dT%H:%M:%S}.000Z"
            for i, t in enumerate(moments(N)) for k, c in enumerate(("t1", "t2"))
            for q, v in (("temperature", temp(i + k)), ("humidity", rh(i + k)))),
          ),
    'columns = { time = "last_changed", temp_c = "state where entity_id is '
    'sensor.{chamber}_temperature", rh_pct = "state where entity_id is '
    'sensor.{chamber}_humidity" }\n',
    _named_quantity,
)  # fmt: skip
