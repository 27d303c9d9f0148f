"""`read_environment`: temperature, humidity, CO2 and light of the chambers."""

from __future__ import annotations

import numpy as np

from trialkit.columns import VALUE_COLUMNS, WITH_TEMPERATURE, house_unit
from trialkit.errors import LogError
from trialkit.logs.cache import read_cached
from trialkit.logs.climate.copies import set_copies_aside
from trialkit.logs.climate.doubts import tell_doubts
from trialkit.logs.climate.logger_clocks import tell_clocks
from trialkit.logs.climate.loggers import name_sensors
from trialkit.logs.climate.records import (
    Part,
    Records,
    order_records,
    stack_parts,
    tabulate_records,
    tabulate_spans,
)
from trialkit.logs.climate.same_readings import track_records
from trialkit.logs.climate.shifted_copies import tell_one_log_twice
from trialkit.logs.heads import WideColumn
from trialkit.logs.humidity_units import WRITTEN, rh_from
from trialkit.logs.log import Log
from trialkit.logs.mapping.propose import advise_columns
from trialkit.logs.number_column import read_number_column
from trialkit.logs.opening import Opened, Reading, for_each_file, start_reading
from trialkit.logs.row_origins import (
    chamber_of_column,
    chambers_of_rows,
    refuse_two_columns,
    sensors_of_rows,
    shelves_of_rows,
)
from trialkit.logs.time_column import read_times
from trialkit.right_kind import check_kinds
from trialkit.trial import Trial
from trialkit.wording import message

#: What no sensor in the air of a growing room can read, in house units: (low, high).
IMPOSSIBLE = {
    "temp_c": (-60.0, 100.0),
    "rh_pct": (-5.0, 120.0),
    "co2_ppm": (-100.0, 1e6),
    "light_lux": (-10.0, 250_000.0),
    "ppfd_umol_m2_s": (-10.0, 10_000.0),
}


def read_environment(trial: Trial, *, cache: bool = True) -> Log:
    """Read the climate logs of the chambers, with an account of every row.

    Temperature, humidity, CO2 and light, from files with one chamber each (the chamber is then
    taken from the file name), with a chamber column, or with one column per chamber. Records are
    only read here: nothing is smoothed, filled or judged by plausibility beyond what no sensor
    can read.

    Parameters
    ----------
    trial : Trial
        Its ``[logs.environment]`` names files, columns, units and clock.
    cache : bool
        Whether to use and keep results in the folder's ``.cache`` (see `trialkit.logs.cache`).

    Returns
    -------
    Log
        `table`: ``chamber, sensor, time`` (UTC), the measured columns found among ``temp_c``
        [°C], ``rh_pct`` [%], ``co2_ppm`` [ppm], ``light_lux`` [lux], ``ppfd_umol_m2_s``
        [µmol m⁻² s⁻¹] (NaN where blank), ``shelf`` where the files have it, ``file``; sorted by
        chamber, sensor and time.

    Raises
    ------
    LogError
        If files are missing or cannot be read at all, a chamber or a column cannot be found, or
        day and month cannot be told apart. All such files are named together.

    Examples
    --------
    >>> import trialkit as tk
    >>> log = tk.read_environment(tk.read_trial(tk.demo_folder()))
    >>> bool(log.ledger.adds_up)
    True
    """
    check_kinds("read_environment", trial=trial)
    if "chamber" not in trial.levels:
        raise LogError(
            "the trial has no chambers, so climate logs belong to nothing "
            "→ add chamber to the unit structure, or leave out [logs.environment]"
        )
    return read_cached(trial, "environment", lambda: _read(trial), cache=cache)


def _read(trial: Trial) -> Log:
    """Read file by file: places, times, values. Then, across files: copies, doubts, the table."""
    reading = start_reading(trial, "environment", advise_columns)
    chambers, shelves = trial.levels["chamber"], trial.levels.get("shelf", ())
    records = _read_files(reading)
    findings = name_sensors(records, chambers)
    series = records.series()
    order = order_records(records, series)
    set_copies_aside(records, series, order)
    kept = order if records.alive.all() else order[records.alive[order]]
    findings += tell_doubts(records, series, kept)
    findings += reading.account.tell_doubled()
    findings += tell_clocks(
        records, kept, series, stayed=reading.stayed, zone=reading.zone, kind=reading.kind
    )
    findings += tell_one_log_twice(track_records(records, kept, series, chambers))
    reading.findings += findings
    table = tabulate_records(records, kept, chambers, shelves)
    return reading.close(table, tabulate_spans(records, kept, chambers))


def _read_files(reading: Reading) -> Records:
    """Read all files, and let go of each one's own arrays once all records stand together."""
    parts: list[Part] = []
    for_each_file(reading, lambda opened: parts.extend(read_parts(reading, opened)))
    return stack_parts(parts)


def read_parts(reading: Reading, opened: Opened) -> list[Part]:
    """Read the records of one file: one part, or one for each chamber of a wide file."""
    if opened.columns.wide:
        return _read_wide(reading, opened)
    levels, heads = reading.trial.levels, opened.columns.heads
    given, also = reading.spec.chamber, reading.trial.aliases.get("chamber")
    chamber = chambers_of_rows(opened, levels["chamber"], given, reading.kind, also)
    sensors, sensor = sensors_of_rows(opened, reading.spec.sensor)
    shelf = shelves_of_rows(opened, levels.get("shelf", ()))
    single = len(sensors) <= 1 and len(np.unique(chamber)) <= 1
    groups = None if single else chamber * (len(sensors) + 1) + sensor
    times = read_times(reading, opened, groups=groups)
    values: dict[str, np.ndarray] = {}
    for column in VALUE_COLUMNS["environment"]:
        if column in heads:
            values[column] = _read_values(opened, column, heads[column], values.get("temp_c"))
    _drop_empty(opened, list(values.values()))
    kept = np.flatnonzero(opened.account.alive[: opened.raw.n] & times.ok)
    return [
        Part(
            account=opened.account,
            index=kept,
            chamber=chamber[kept],
            sensor=sensor[kept],
            sensors=sensors,
            time=times.utc[kept],
            values={c: v[kept] for c, v in values.items()},
            shelf=None if shelf is None else shelf[kept],
        )
    ]


def _read_wide(reading: Reading, opened: Opened) -> list[Part]:
    """Read the records of a file with one column per chamber."""
    chambers, given = reading.trial.levels["chamber"], reading.spec.chamber
    also = reading.trial.aliases.get("chamber")
    times = read_times(reading, opened)
    by_chamber: dict[int, dict[str, np.ndarray]] = {}
    first: dict[tuple[int, str], WideColumn] = {}
    warmth_first = sorted(opened.columns.wide, key=lambda w: w.column != "temp_c")
    for w in warmth_first:
        chamber = chamber_of_column(w, chambers, given, opened.raw.name, also)
        read = by_chamber.setdefault(chamber, {})
        found = _read_values(opened, w.column, w.head, read.get("temp_c"))
        if w.column in read:  # one may follow the other, as a new sensor does
            if np.any(~np.isnan(found) & ~np.isnan(read[w.column])):
                refuse_two_columns(reading, opened.raw.name, first[chamber, w.column], w)
            found = np.where(np.isnan(found), read[w.column], found)
        first.setdefault((chamber, w.column), w)
        read[w.column] = found
    _drop_empty(opened, [v for values in by_chamber.values() for v in values.values()])
    sensors, sensor = sensors_of_rows(opened, reading.spec.sensor)
    alive = opened.account.alive[: opened.raw.n] & times.ok
    parts = []
    for chamber, values in by_chamber.items():
        filled = np.any([~np.isnan(v) for v in values.values()], axis=0)
        kept = np.flatnonzero(alive & filled)
        parts.append(
            Part(
                account=opened.account,
                index=kept,
                chamber=np.full(len(kept), chamber),
                sensor=sensor[kept],
                sensors=sensors,
                time=times.utc[kept],
                values={c: v[kept] for c, v in values.items()},
            )
        )
    return parts


def _read_values(opened: Opened, column: str, head: str, temp_c: np.ndarray | None) -> np.ndarray:
    """Read one measured column of a file; what cannot be used becomes NaN and is recorded."""
    unit = opened.columns.units.get(column, "")
    if unit in WITH_TEMPERATURE.get(column, ()):
        values = _work_out_humidity(opened, head, unit, temp_c)
    else:
        values = read_number_column(opened, column, head, house_unit(column))
    low, high = IMPOSSIBLE[column]
    wrong = np.flatnonzero((values < low) | (values > high))
    if len(wrong):
        may = opened.account.change(
            wrong,
            rule="value impossible",
            column=head,
            old=[f"{v:.6g}" for v in values[wrong]],
            new="",
            reason=message("row_reason.value_impossible", low=low, high=high),
            remedy=message("row_remedy.value_impossible"),
        )
        values[may] = np.nan
    return values


def _work_out_humidity(
    opened: Opened, head: str, unit: str, temp_c: np.ndarray | None
) -> np.ndarray:
    """Give relative humidity from vapour, dew point or deficit and the temperature beside it."""
    if temp_c is None:
        raise LogError(
            f"{opened.raw.name}: {head!r} gives humidity as {unit}, which takes the temperature of "
            "the air, and the file has none → name temp_c under columns, or leave rh_pct out"
        )
    own, house = WRITTEN[unit]
    written = read_number_column(opened, "rh_pct", head, house, unit=own)
    return rh_from(unit, written, temp_c)


def _drop_empty(opened: Opened, values: list[np.ndarray]) -> None:
    """Set rows aside that hold no value at all."""
    empty = np.ones(opened.raw.n, bool)
    for column in values:
        empty &= np.isnan(column)
    if empty.any():
        opened.account.set_aside(
            np.flatnonzero(empty),
            rule="no value",
            keepable=False,
            reason=message("row_reason.no_value"),
            remedy=message("row_remedy.no_value"),
        )
