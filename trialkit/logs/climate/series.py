"""Records of all files → one table of series: sensors named, copies set aside, sorted."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from trialkit.columns import VALUE_COLUMNS
from trialkit.logs.climate.copies import set_copies_aside
from trialkit.logs.climate.lamp_clocks import find_shifts
from trialkit.logs.climate.loggers import name_sensors
from trialkit.logs.climate.peer_clocks import report_offsets
from trialkit.logs.climate.records import Part, Records
from trialkit.logs.clock_findings import report_clocks
from trialkit.logs.log import Log
from trialkit.logs.reading import Reading, tell_doubled

if TYPE_CHECKING:
    import pandas as pd


def finish_series(reading: Reading, parts: list[Part]) -> Log:
    """Make the log of all parts: name sensors, set copies aside, sort."""
    records = _stack(parts)
    name_sensors(reading, records)
    series = records.series()
    order = _order(series, records.time)
    set_copies_aside(records, series, order)
    _note_disorder(reading, records, series)
    kept = order if records.alive.all() else order[records.alive[order]]
    _doubt_units(reading, records, kept)
    tell_doubled(reading)
    shifts = find_shifts(reading, records, kept, series)
    report_clocks(reading, shifts)
    told = {s.file for s in shifts} | {file for file, _, _ in reading.stayed}
    report_offsets(reading, records, kept, series, told=told)
    table, spans = _table(reading, records, kept), _spans(reading, records, kept, series)
    ledger, idle = reading.account.close()
    findings = (*reading.findings, *idle)
    return Log(reading.kind, table, ledger, findings, tuple(reading.files), spans=spans)


def _stack(parts: list[Part]) -> Records:
    counts = [len(p.index) for p in parts]
    columns = [c for c in VALUE_COLUMNS["environment"] if any(c in p.values for p in parts)]
    sensors = sorted({s for p in parts for s in p.sensors})
    none = np.zeros(0, np.int64)

    def join(pieces: list[np.ndarray]) -> np.ndarray:
        joined = pieces[0] if len(pieces) == 1 else np.concatenate([none, *pieces])
        return joined.astype(np.int64, copy=False)

    def coded(part: Part) -> np.ndarray:
        numbers = np.array([*(sensors.index(s) for s in part.sensors), -1])
        return np.asarray(numbers[part.sensor])

    unknown = [np.full(k, -1) for k in counts]
    nothing = [np.full(k, np.nan) for k in counts]
    shelves = [u if p.shelf is None else p.shelf for p, u in zip(parts, unknown, strict=True)]
    return Records(
        parts=parts,
        part=np.repeat(np.arange(len(parts)), counts),
        index=join([p.index for p in parts]),
        chamber=join([p.chamber for p in parts]),
        sensor=join([coded(p) for p in parts]),
        sensors=sensors,
        shelf=join(shelves) if any(p.shelf is not None for p in parts) else None,
        time=join([p.time for p in parts]),
        values={
            c: np.concatenate(
                [np.zeros(0), *[p.values.get(c, v) for p, v in zip(parts, nothing, strict=True)]]
            )
            for c in columns
        },
        alive=np.ones(sum(counts), bool),
    )


def _order(series: np.ndarray, time: np.ndarray) -> np.ndarray:
    """Give the order by series and time; equal ones keep the order of the files."""
    ahead = np.diff(series)
    if np.all((ahead > 0) | ((ahead == 0) & (np.diff(time) >= 0))):
        return np.arange(len(series))
    return np.lexsort((time, series))


def _note_disorder(reading: Reading, records: Records, series: np.ndarray) -> None:
    bounds = np.searchsorted(records.part, np.arange(len(records.parts) + 1))
    for f, part in enumerate(records.parts):
        mine = slice(bounds[f], bounds[f + 1])
        live = records.alive[mine]
        code, time = series[mine][live], records.time[mine][live]
        if len(code) and code.min() != code.max():
            order = np.argsort(code, kind="stable")
            code, time = code[order], time[order]
        steps = np.diff(time)[np.diff(code) == 0]
        turns = min(int((steps < 0).sum()), int((steps > 0).sum()))
        if turns:
            reading.find("out_of_order", "note", file=part.account.file, count=turns)


def _doubt_units(reading: Reading, records: Records, kept: np.ndarray) -> None:
    """Find values that only make sense in another unit."""
    whole = len(kept) == len(records.time)
    live = slice(None) if whole else records.alive
    bounds = np.searchsorted(records.part[live], np.arange(len(records.parts) + 1))
    for column in ("temp_c", "rh_pct"):
        if column not in records.values:
            continue
        values = records.values[column][live]
        for f, part in enumerate(records.parts):
            here = values[bounds[f] : bounds[f + 1]]
            here = here[~np.isnan(here)]
            if len(here) < 10:
                continue
            middle, top = float(np.median(here)), float(np.max(here))
            if column == "temp_c" and 45 < middle < 110:
                form, seen, unit = "temperature", middle, "degF"
            elif column == "rh_pct" and top <= 1.5:
                form, seen, unit = "humidity", top, "fraction"
            else:
                continue
            reading.find(
                "unit_doubtful",
                "stop",
                form=form,
                file=part.account.file,
                seen=seen,
                unit=unit,
                line=f'units = {{ {column} = "{unit}" }}',
            )


def _names(names: Any, codes: np.ndarray) -> Any:
    """Spread names over codes; -1 is the empty name."""
    import pandas as pd

    return pd.Index([*names, ""]).take(np.where(codes < 0, len(names), codes))


def _table(reading: Reading, records: Records, kept: np.ndarray) -> pd.DataFrame:
    import pandas as pd

    time = pd.DatetimeIndex(records.time[kept].astype("datetime64[ns]")).tz_localize("UTC")
    out: dict[str, Any] = {
        "chamber": _names(reading.trial.levels["chamber"], records.chamber[kept]),
        "sensor": _names(records.sensors, records.sensor[kept]),
        "time": time,
    }
    if records.shelf is not None:
        out["shelf"] = _names(reading.trial.levels.get("shelf", ()), records.shelf[kept])
    out |= {column: values[kept] for column, values in records.values.items()}
    out["file"] = _names([p.account.file for p in records.parts], records.part[kept])
    return pd.DataFrame(out)


def _spans(
    reading: Reading, records: Records, kept: np.ndarray, series: np.ndarray
) -> pd.DataFrame:
    """Say what each file covers of each chamber and sensor."""
    import pandas as pd

    frame = pd.DataFrame(
        {
            "part": records.part[kept],
            "chamber": records.chamber[kept],
            "sensor": records.sensor[kept],
            "time": records.time[kept],
        }
    )
    grouped = frame.groupby(["part", "chamber", "sensor"])["time"]
    found = grouped.agg(first="min", last="max", records="count").reset_index()
    chambers = reading.trial.levels["chamber"]
    codes = {c: found[c].to_numpy(dtype=np.int64) for c in ("part", "chamber", "sensor")}
    out = pd.DataFrame(
        {
            "file": _names([p.account.file for p in records.parts], codes["part"]),
            "chamber": _names(chambers, codes["chamber"]),
            "sensor": _names(records.sensors, codes["sensor"]),
        }
    )
    for name in ("first", "last"):
        stamps = found[name].to_numpy(dtype=np.int64).astype("datetime64[ns]")
        out[name] = pd.DatetimeIndex(stamps).tz_localize("UTC")
    return out.assign(records=found["records"].to_numpy(dtype=np.int64))
