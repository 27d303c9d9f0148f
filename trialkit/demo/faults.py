"""The faults of real life that are planted in the invented logs, as a list.

Tests and the demo's README read the list; the makers of the logs follow it.
"""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd


@dataclass(frozen=True)
class Planted:
    """One planted fault.

    Parameters
    ----------
    kind : str
        Short name, such as ``"stuck sensor"``.
    file : str
        File in the demo folder that carries it.
    what : str
        What was done, in plain words.
    chamber, batch, unit : str
        Where, as far as it has such a place; else empty.
    start, stop : Timestamp or None
        First and last moment in UTC, where it has a time.
    flush : int
        Flush, for faults of the harvest; else 0.
    """

    kind: str
    file: str
    what: str
    batch: str = ""
    chamber: str = ""
    unit: str = ""
    start: pd.Timestamp | None = None
    stop: pd.Timestamp | None = None
    flush: int = 0


def _local(text: str) -> pd.Timestamp:
    """Read a moment of the demo's time zone as UTC."""
    return pd.Timestamp(text, tz="Europe/Vienna").tz_convert("UTC")


FAULTS: tuple[Planted, ...] = (
    Planted(
        "doubled export",
        "logs/climate_T2.csv.gz",
        "three days were exported twice: their rows stand in the file two times",
        batch="B1",
        chamber="T2",
        start=_local("2031-01-20 00:00"),
        stop=_local("2031-01-23 00:00"),
    ),
    Planted(
        "stuck sensor",
        "logs/climate_T3.csv.gz",
        "the humidity sensor shows 100.0 % for four days",
        batch="B2",
        chamber="T3",
        start=_local("2031-02-18 06:12"),
        stop=_local("2031-02-22 16:47"),
    ),
    Planted(
        "gap",
        "logs/climate_T1.csv.gz",
        "no records while the logger's battery was flat",
        batch="B2",
        chamber="T1",
        start=_local("2031-02-27 10:05"),
        stop=_local("2031-02-27 14:40"),
    ),
    Planted(
        "clock an hour off",
        "logs/climate_T4.csv.gz",
        "the logger stayed on winter time after the change to summer time",
        batch="B3",
        chamber="T4",
        start=pd.Timestamp("2031-03-30 01:00", tz="UTC"),
        stop=_local("2031-04-05 12:00"),
    ),
    Planted(
        "failed fan",
        "logs/climate_T6.csv.gz",
        "the fan stood still overnight: mist was commanded, humidity did not rise",
        batch="B4",
        chamber="T6",
        start=_local("2031-04-16 21:10"),
        stop=_local("2031-04-17 06:40"),
    ),
    Planted(
        "decimal commas",
        "logs/climate_T5.csv.gz",
        "the whole file has decimal commas, and semicolons between columns",
        chamber="T5",
    ),
    Planted(
        "mistyped code",
        "logs/harvest.csv",
        "'B2-T3-tpo-1' was typed where 'B2-T3-top-1' was meant",
        batch="B2",
        chamber="T3",
        unit="B2-T3-top-1",
        flush=2,
    ),
    Planted(
        "contaminated block",
        "logs/harvest.csv",
        "green mould after the first flush: no weight in flushes 2 and 3",
        batch="B3",
        chamber="T2",
        unit="B3-T2-bottom-3",
        flush=2,
    ),
    Planted(
        "missing weight",
        "logs/harvest.csv",
        "picked but not weighed",
        batch="B1",
        chamber="T4",
        unit="B1-T4-top-2",
        flush=2,
    ),
)


def planted(kind: str) -> Planted:
    """Give the planted fault of a kind.

    Examples
    --------
    >>> planted("stuck sensor").chamber
    'T3'
    """
    return next(fault for fault in FAULTS if fault.kind == kind)


def spoil_harvest(harvest: pd.DataFrame) -> pd.DataFrame:
    """Plant the faults of the harvest sheet: weights become text, so that one can be blank."""
    out = harvest.copy()
    out["fresh_g"] = out["fresh_g"].astype(str)
    out["caps"] = out["caps"].astype(str)
    typo = planted("mistyped code")
    rows = (out["unit"] == typo.unit) & (out["flush"] == typo.flush)
    out.loc[rows, "unit"] = typo.unit.replace("top", "tpo")
    blank = planted("missing weight")
    rows = (out["unit"] == blank.unit) & (out["flush"] == blank.flush)
    out.loc[rows, ["fresh_g", "remarks"]] = ["", "forgot to weigh"]
    mould = planted("contaminated block")
    rows = (out["unit"] == mould.unit) & (out["flush"] >= mould.flush)
    out.loc[rows, ["fresh_g", "caps", "state", "remarks"]] = ["", "", "contaminated", "green mould"]
    return out


def spoil_climate(chamber: str, table: pd.DataFrame) -> pd.DataFrame:
    """Plant the faults of one tent's climate log, before its clock is written.

    Parameters
    ----------
    chamber : str
    table : DataFrame
        `time` (UTC), `temp_c`, `rh_pct`, `light_lux`.

    Returns
    -------
    DataFrame
        With `shown`, the moment the logger's clock believed it was.
    """
    out = table.assign(shown=table["time"])
    for fault in FAULTS:
        if fault.chamber != chamber or fault.start is None or fault.stop is None:
            continue
        inside = (out["time"] >= fault.start) & (out["time"] < fault.stop)
        if fault.kind == "stuck sensor":
            out.loc[inside, "rh_pct"] = 100.0
        elif fault.kind == "gap":
            out = out[~inside]
        elif fault.kind == "clock an hour off":
            out.loc[inside, "shown"] -= pd.Timedelta(hours=1)
        elif fault.kind == "doubled export":
            last = int(inside.to_numpy().nonzero()[0][-1]) + 1
            out = pd.concat([out.iloc[:last], out[inside], out.iloc[last:]])
    return out.reset_index(drop=True)
