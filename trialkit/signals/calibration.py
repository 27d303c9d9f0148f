"""Humidity sensors set right by saturated salts, with the uncertainty carried on.

Above a saturated salt solution the air has a known humidity. One reading gives an offset, two
give a line. A correction of humidity holds from its date to the next one of humidity, and one of
temperature to the next one of temperature; nothing before the first.
"""

from __future__ import annotations

import datetime as dt
import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trialkit.arrays import Floats
from trialkit.errors import Finding, LogError
from trialkit.short_repr import short_repr
from trialkit.signals.salts import READING_U, salt_rh_pct, salt_u_pct
from trialkit.trial.sections import Calibration
from trialkit.wording import finding, message, suggestion

#: Chamber and sensor; None where the log names no sensor.
Series = tuple[str, str | None]


@dataclass(frozen=True)
class Correction:
    """A correction of one sensor: true humidity = offset + slope × reading.

    Parameters
    ----------
    sensor : str
    since : Timestamp or None
        From when it holds (UTC); None for always.
    slope, offset : float
        Of the line, offset in % points.
    points : tuple of (reading, truth, uncertainty)
        [%], [%], [% points]
    add_temp_c : float or None
        Added to the temperature [°C]; None where it is left as it is or as it was corrected.
    """

    sensor: str
    since: pd.Timestamp | None
    slope: float = 1.0
    offset: float = 0.0
    points: tuple[tuple[float, float, float], ...] = ()
    add_temp_c: float | None = None

    def rh_u_pct(self, reading: float) -> float:
        """Give the standard uncertainty of a corrected humidity [% points].

        Notes
        -----
        For two points, true humidity is a weighted mean of the two truths; their
        uncertainties are weighted alike (law of propagation, JCGM 100:2008 eq. 10), and so
        grow outside the points. For one point the slope is taken as 1 ± 0.02. The spread of
        the reading itself is added.
        """
        if not self.points:
            return math.nan
        if len(self.points) == 1:
            reference, _, u = self.points[0]
            return math.hypot(u, 0.02 * (reading - reference), READING_U)
        reads, _, us = np.array(self.points).T
        weights = line_weights(reads, reading)
        return math.hypot(float(np.sqrt(((weights * us) ** 2).sum())), READING_U * self.slope)


def line_weights(reads: Floats, at: float) -> Floats:
    """Give the weights of the truths in a straight line through (reads, truths), at a reading.

    Examples
    --------
    >>> line_weights(np.array([70.0, 90.0]), 85.0)
    array([0.25, 0.75])
    """
    away = reads - reads.mean()
    return np.asarray(1 / len(reads) + (at - reads.mean()) * away / (away @ away))


def find_correction(given: Calibration, zone: dt.tzinfo) -> Correction:
    """Work out a correction from the trial file's readings.

    Parameters
    ----------
    given : Calibration
        One ``[[logs.environment.calibration]]``: `sensor`, `since`, readings above salts,
        `temp_c` of the solutions (20 °C ± 3 °C if not given), `add_temp_c`.
    zone : tzinfo
        Zone of `since`.

    Returns
    -------
    Correction

    Raises
    ------
    LogError
        If a salt is unknown, or two readings are the same.

    Examples
    --------
    >>> made = find_correction(
    ...     Calibration(sensor="T1", salt={"NaCl": 73.0, "K2SO4": 93.5}, temp_c=20.0), dt.UTC)
    >>> round(made.slope, 3), round(made.offset + made.slope * 88.0, 2)
    (1.079, 91.66)
    """
    temp = 20.0 if given.temp_c is None else given.temp_c
    temp_u = 3.0 if given.temp_c is None else 0.5
    points = tuple(
        (float(read), salt_rh_pct(salt, temp), salt_u_pct(salt, temp, temp_u_c=temp_u))
        for salt, read in (given.salt or {}).items()
    )
    slope, offset = 1.0, 0.0
    if len(points) == 1:
        offset = points[0][1] - points[0][0]
    elif points:
        reads, truths, _ = np.array(points).T
        if np.ptp(reads) < 2:
            raise LogError(
                f"calibration of {given.sensor}: the readings lie within 2 % of each other "
                "→ use salts further apart, such as NaCl and K2SO4"
            )
        slope = float(np.polyfit(reads, truths, 1)[0])
        offset = float(truths.mean() - slope * reads.mean())
    since = None if given.since is None else _moment(given.since, zone)
    return Correction(given.sensor, since, slope, offset, points, given.add_temp_c)


def _moment(when: dt.date, zone: dt.tzinfo) -> pd.Timestamp:
    stamp = pd.Timestamp(when)
    if stamp.tz is None:
        stamp = stamp.tz_localize(zone, ambiguous=True, nonexistent="shift_forward")
    return stamp.tz_convert("UTC")


@dataclass(frozen=True)
class Calibrated:
    """A climate log with its sensors set right. Made by `calibrate_sensors`.

    Parameters
    ----------
    table : DataFrame
        The log with corrected `rh_pct` and `temp_c`.
    corrections : tuple of Correction
    findings : tuple of Finding
    """

    table: pd.DataFrame
    corrections: tuple[Correction, ...] = ()
    findings: tuple[Finding, ...] = field(default=())

    __repr__ = short_repr

    def rh_u_pct(self, names: Sequence[str], rh_pct: float, when: pd.Timestamp) -> float:
        """Give the standard uncertainty of the humidity of a sensor at a time [% points].

        Parameters
        ----------
        names : sequence of str
            Names the sensor goes by: its own and its chamber's.
        rh_pct : float
            Corrected humidity [%].
        when : Timestamp

        Returns
        -------
        float
            NaN where no calibration holds.
        """
        holds = [
            c
            for c in self.corrections
            if c.sensor in names and c.points and (c.since is None or c.since <= when)
        ]
        if not holds:
            return math.nan
        last = max(holds, key=lambda c: pd.Timestamp(0, tz="UTC") if c.since is None else c.since)
        return last.rh_u_pct((rh_pct - last.offset) / last.slope)


def calibrate_sensors(
    climate: pd.DataFrame, given: Sequence[Calibration], *, zone: dt.tzinfo = dt.UTC
) -> Calibrated:
    """Correct the readings of a climate log by the calibrations of its sensors.

    Parameters
    ----------
    climate : DataFrame
        `chamber, time` (UTC), `temp_c`, `rh_pct`; `sensor` optional.
    given : sequence of Calibration
        From the trial file; `sensor` names a sensor or a chamber.
    zone : tzinfo
        Zone of the dates they hold from.

    Returns
    -------
    Calibrated
        The log itself where nothing is given.

    Raises
    ------
    LogError
        As `find_correction`.
    """
    corrections = order_corrections(given, zone)
    if not corrections:
        return Calibrated(climate)
    known = list_series(climate)
    table, counts = correct_records(climate, corrections, known)
    return Calibrated(table, corrections, tell_corrections(corrections, counts, known, zone))


def order_corrections(given: Sequence[Calibration], zone: dt.tzinfo) -> tuple[Correction, ...]:
    """Find the corrections of a trial's calibrations, by sensor and date."""
    found = [find_correction(one, zone) for one in given]
    return tuple(sorted(found, key=lambda c: (c.sensor, str(c.since or ""))))


def list_series(climate: pd.DataFrame) -> list[Series]:
    """List the series of a log: chamber and sensor, None where the sensor is not named."""
    if "sensor" not in climate.columns:
        return [(str(name), None) for name in climate["chamber"].astype(str).unique()]
    pairs = climate[["chamber", "sensor"]].drop_duplicates()
    return [
        (str(chamber), None if pd.isna(sensor) else str(sensor))
        for chamber, sensor in zip(pairs["chamber"], pairs["sensor"], strict=True)
    ]


def correct_records(
    climate: pd.DataFrame, corrections: Sequence[Correction], known: Sequence[Series]
) -> tuple[pd.DataFrame, list[int]]:
    """Correct readings of a log, or of some of its chambers.

    Parameters
    ----------
    climate : DataFrame
    corrections : sequence of Correction
        In order, see `order_corrections`.
    known : sequence of (chamber, sensor)
        Series of the whole log: a name is a chamber's only where no sensor has it.

    Returns
    -------
    table : DataFrame
        The log itself where no correction holds.
    counts : list of int
        Records that each correction holds for.
    """
    counts = [0] * len(corrections)
    sensors = {sensor for _, sensor in known}
    table = climate
    for i, correction in enumerate(corrections):
        rows = _rows_of(climate, correction.sensor, own=correction.sensor in sensors)
        if correction.since is not None:
            rows &= (climate["time"] >= correction.since).to_numpy()
        held = np.zeros(len(climate), dtype=bool)
        later = [c for c in corrections[i + 1 :] if c.sensor == correction.sensor]
        for name, change in _changes(correction).items():
            ends = [c.since for c in later if name in _changes(c)]
            mine = rows & (climate["time"] < ends[0]).to_numpy() if ends else rows
            held |= mine
            if name not in table.columns or not mine.any():
                continue
            table = climate.copy() if table is climate else table
            values = table[name].to_numpy(dtype=float, na_value=np.nan, copy=True)
            values[mine] = change(values[mine])
            table[name] = values
        counts[i] = int(held.sum())
    return table, counts


def _changes(correction: Correction) -> dict[str, Callable[[Floats], Floats]]:
    """Give what a correction does to each quantity that it corrects."""
    changes: dict[str, Callable[[Floats], Floats]] = {}
    if correction.points:
        changes["rh_pct"] = lambda v: correction.offset + correction.slope * v
    warmer = correction.add_temp_c
    if warmer is not None:
        changes["temp_c"] = lambda v: v + warmer
    return changes


def tell_corrections(
    corrections: Sequence[Correction],
    counts: Sequence[int],
    known: Sequence[Series],
    zone: dt.tzinfo,
) -> tuple[Finding, ...]:
    """Tell each correction and the records it holds for, and sensors that are not in the log."""
    there = {name for series in known for name in series}
    findings: list[Finding] = []
    numbered = zip(corrections, counts, strict=True)
    for sensor, group in itertools.groupby(numbered, key=lambda pair: pair[0].sensor):
        if sensor in there:
            findings += [_told(correction, count, zone) for correction, count in group]
        else:
            findings.append(_unknown(known, sensor))
    return tuple(findings)


def _rows_of(table: pd.DataFrame, sensor: str, *, own: bool) -> NDArray[np.bool_]:
    """Tell the records of a sensor, or of a chamber where no sensor has that name."""
    if own:
        return (table["sensor"] == sensor).fillna(False).to_numpy(dtype=bool, copy=True)
    return (table["chamber"] == sensor).to_numpy(dtype=bool, copy=True)


def _told(correction: Correction, rows: int, zone: dt.tzinfo) -> Finding:
    parts = []
    if correction.points:
        at = correction.points[-1][0]
        change = correction.offset + correction.slope * at - at
        parts.append(
            message("calibration.humidity", count=len(correction.points), change=change, at=at)
        )
    if correction.add_temp_c is not None:
        parts.append(message("calibration.temperature", change=correction.add_temp_c))
    since = correction.since
    return finding(
        "calibrated",
        "note",
        form="always" if since is None else "since",
        sensor=correction.sensor,
        records=rows,
        since="" if since is None else since.tz_convert(zone),
        what=parts or message("calibration.nothing"),
    )


def _unknown(known: Sequence[Series], sensor: str) -> Finding:
    names = sorted({chamber for chamber, _ in known})
    names += sorted({name for _, name in known if name is not None})
    hint = suggestion(sensor, dict.fromkeys(names), list_all=True)
    return finding("calibration_idle", "caution", sensor=sensor, hint=hint)
