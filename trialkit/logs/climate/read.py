"""`read_environment`: temperature, humidity, CO2 and light of the chambers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from trialkit.columns import VALUE_COLUMNS, house_unit
from trialkit.errors import LogError
from trialkit.logs.cache import read_cached
from trialkit.logs.chamber_column import match_chambers
from trialkit.logs.climate.records import Part
from trialkit.logs.climate.series import finish_series
from trialkit.logs.file_chamber import chamber_of_file
from trialkit.logs.log import Log
from trialkit.logs.mapping.heads import Columns
from trialkit.logs.opening import for_each_file, start_reading
from trialkit.logs.reading import Opened, Reading
from trialkit.logs.text.arrow import encode_cells
from trialkit.logs.text.files import matches_file
from trialkit.logs.text.names import match_names, suggest
from trialkit.logs.text.numbers import read_numbers
from trialkit.logs.time_column import read_times
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
    if "chamber" not in trial.levels:
        raise LogError(
            "the trial has no chambers, so climate logs belong to nothing "
            "→ add chamber to the unit structure, or leave out [logs.environment]"
        )
    return read_cached(trial, "environment", lambda: _read(trial), cache=cache)


def _read(trial: Trial) -> Log:
    reading = start_reading(trial, "environment")
    parts: list[Part] = []
    for_each_file(reading, lambda opened: parts.extend(_read_file(reading, opened)))
    return finish_series(reading, parts)


@dataclass(frozen=True)
class _Place:
    """Where the rows of a file come from."""

    chamber: np.ndarray  # index among the trial's chambers, -1 unknown
    sensors: tuple[str, ...]
    sensor: np.ndarray  # index among sensors, -1 unknown
    shelf: np.ndarray | None


def _read_file(reading: Reading, opened: Opened) -> list[Part]:
    columns = opened.columns
    if columns.wide:
        return _read_wide(reading, opened)
    place = _place(reading, opened)
    groups = place.chamber * (len(place.sensors) + 1) + place.sensor
    single = len(place.sensors) <= 1 and len(np.unique(place.chamber)) <= 1
    times = read_times(reading, opened, groups=None if single else groups)
    heads = {c: columns.heads[c] for c in VALUE_COLUMNS["environment"] if c in columns.heads}
    values = _values(reading, opened, heads, columns)
    _drop_empty(opened, values)
    kept = np.flatnonzero(opened.account.alive[: opened.raw.n] & times.ok)
    return [
        Part(
            account=opened.account,
            index=kept,
            chamber=place.chamber[kept],
            sensor=place.sensor[kept],
            sensors=place.sensors,
            time=times.utc[kept],
            values={c: v[kept] for c, v in values.items()},
            shelf=None if place.shelf is None else place.shelf[kept],
        )
    ]


def _place(reading: Reading, opened: Opened) -> _Place:
    raw, heads, levels = opened.raw, opened.columns.heads, reading.trial.levels
    chambers = levels["chamber"]
    if "chamber" in heads:
        code = match_chambers(reading, opened, heads["chamber"])
    else:
        name = chamber_of_file(raw.name, chambers, reading.spec.chamber, reading.kind)
        code = np.full(raw.n, chambers.index(name))
    sensors, sensor = _sensors(reading, opened)
    shelf = None
    if "shelf" in heads:
        shelf = _match_shelves(opened, heads["shelf"], levels.get("shelf", ()))
    return _Place(code, sensors, sensor, shelf)


def _sensors(reading: Reading, opened: Opened) -> tuple[tuple[str, ...], np.ndarray]:
    """Name the sensors of a file: its column, the trial file's name, or none (-1)."""
    raw, given = opened.raw, reading.spec.sensor
    if "sensor" in opened.columns.heads:
        texts, codes = encode_cells(raw.columns[opened.columns.heads["sensor"]])
        return tuple(given.get(t.strip(), t.strip()) for t in texts), codes
    for pattern, sensor in given.items():
        if matches_file(raw.name, pattern):
            return (sensor,), np.zeros(raw.n, np.int64)
    return (), np.full(raw.n, -1, np.int64)


def _match_shelves(opened: Opened, head: str, shelves: Sequence[str]) -> np.ndarray:
    names = match_names(opened.raw.columns[head], shelves)
    cells = np.array([*names.cells, ""], dtype=object)
    strange = np.flatnonzero((names.codes < 0) & (cells[names.cell_of] != ""))
    if len(strange):
        opened.account.change(
            strange, rule="shelf unknown", column=head, old=cells[names.cell_of[strange]], new="",
            reason=message("row_reason.shelf_unknown"),
            remedy=message("suggestion.known", names=list(shelves)),
        )  # fmt: skip
    return names.codes


def _values(
    reading: Reading, opened: Opened, heads: dict[str, str], columns: Columns
) -> dict[str, np.ndarray]:
    return {
        column: read_values(opened, column, head, columns.units.get(column))
        for column, head in heads.items()
    }


def read_values(opened: Opened, column: str, head: str, unit: str | None) -> np.ndarray:
    """Read one measured column of a file; what cannot be used becomes NaN and is recorded."""
    raw, account = opened.raw, opened.account
    numbers = read_numbers(raw.columns[head], house_unit(column), unit=unit, decimal=raw.decimal)
    values = numbers.values
    for index, rule, reason in (
        (numbers.unreadable, "value unreadable", message("row_reason.not_a_number")),
        (numbers.with_unit, "written otherwise", message("row_reason.own_unit")),
    ):
        if not len(index):
            continue
        old = [numbers.cells[int(i)] for i in index]
        new = ["" if np.isnan(v) else f"{v:.6g}" for v in values[index]]
        account.change(
            index, rule=rule, column=head, old=old, new=new, reason=reason,
            remedy=message("row_remedy.not_a_number") if rule[0] == "v" else "",
        )  # fmt: skip
    low, high = IMPOSSIBLE[column]
    wrong = np.flatnonzero((values < low) | (values > high))
    if len(wrong):
        may = account.change(
            wrong, rule="value impossible", column=head, old=[f"{v:.6g}" for v in values[wrong]],
            new="", reason=message("row_reason.value_impossible", low=low, high=high),
            remedy=message("row_remedy.value_impossible"),
        )  # fmt: skip
        values[may] = np.nan
    return values


def _drop_empty(opened: Opened, values: dict[str, np.ndarray]) -> None:
    empty = np.ones(opened.raw.n, bool)
    for column in values.values():
        empty &= np.isnan(column)
    if empty.any():
        opened.account.set_aside(
            np.flatnonzero(empty), rule="no value", keepable=False,
            reason=message("row_reason.no_value"),
            remedy=message("row_remedy.no_value"),
        )  # fmt: skip


def _read_wide(reading: Reading, opened: Opened) -> list[Part]:
    """Read a file with one column per chamber."""
    chambers = reading.trial.levels["chamber"]
    given = {k.casefold(): v for k, v in reading.spec.chamber.items()}
    times = read_times(reading, opened)
    by_chamber: dict[str, dict[str, np.ndarray]] = {}
    for w in opened.columns.wide:
        chamber = w.chamber if w.chamber in chambers else given.get(w.chamber.casefold(), "")
        if chamber not in chambers:
            raise LogError(
                f"{opened.raw.name}: the column {w.head!r} belongs to {w.chamber!r}, which is no "
                f"chamber → {suggest(w.chamber, chambers)}"
            )
        unit = opened.columns.units.get(w.column)
        by_chamber.setdefault(chamber, {})[w.column] = read_values(opened, w.column, w.head, unit)
    every = {f"{c} {k}": v for c, vs in by_chamber.items() for k, v in vs.items()}
    _drop_empty(opened, every)
    sensors, sensor = _sensors(reading, opened)
    alive = opened.account.alive[: opened.raw.n] & times.ok
    parts = []
    for chamber, values in by_chamber.items():
        filled = np.any([~np.isnan(v) for v in values.values()], axis=0)
        kept = np.flatnonzero(alive & filled)
        parts.append(
            Part(
                account=opened.account,
                index=kept,
                chamber=np.full(len(kept), chambers.index(chamber)),
                sensor=sensor[kept],
                sensors=sensors,
                time=times.utc[kept],
                values={c: v[kept] for c, v in values.items()},
            )
        )
    return parts
