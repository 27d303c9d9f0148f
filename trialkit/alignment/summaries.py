"""From sums to the numbers people read: means, hours, doses, coverage, per window."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from trialkit.alignment.cells import Cells, to_ns
from trialkit.alignment.kernel import Key, Piece
from trialkit.alignment.measures import ExposureSettings, measures_for
from trialkit.arrays import Floats, Ints
from trialkit.columns.channels import CHANNELS
from trialkit.columns.exposures import CLIMATE, Exposure

#: Kind of exposure → factor from its sum (seconds, or unit × seconds) to the number shown.
_FACTOR = {
    "below": 1 / 3600,
    "above": 1 / 3600,
    "deficit": 1 / 3600,
    "excess": 1 / 3600,
    "photons": 1e-6,
}

#: Columns that every exposure table has, in order.
EXPOSURE_COLUMNS: tuple[str, ...] = (
    *(exposure.column for exposure in CLIMATE),
    "coverage_pct",
    *(channel.coverage for channel in CHANNELS),
    "window_h",
)


def summarise(piece: Piece, cells: Cells, settings: ExposureSettings) -> Summaries:
    """Turn the sums of a log into exposures per window, by sensor and by chamber.

    Parameters
    ----------
    piece : Piece
        Sums of the whole log (`Summer.join_pieces`).
    cells : Cells
    settings : ExposureSettings

    Returns
    -------
    Summaries
    """
    windows = cells.windows.reset_index(drop=True)
    spans = cells.spans()
    number = {name: i for i, name in enumerate(piece.names)}
    by_chamber: dict[str, list[Key]] = {}
    for name in piece.names:
        by_chamber.setdefault(name[0], []).append(name)
    sensor_rows, sensor_sums, chamber_sums = [], [], []
    names = [measure.name for measure in settings.measures()]
    for i, chamber in enumerate(windows["chamber"].astype(str)):
        lo, hi = spans[i]
        parts = []
        for key in by_chamber.get(chamber, []):
            sums = {n: float(s[number[key], lo:hi].sum()) for n, s in piece.sums.items()}
            parts.append(sums)
            sensor_rows.append((i, key[1]))
            sensor_sums.append(sums)
        chamber_sums.append(_pool(parts, settings))
    hours = _window_hours(windows)
    whole = _columns(pd.DataFrame(chamber_sums, columns=names), hours, settings)
    at = np.array([i for i, _ in sensor_rows], dtype=int)
    each = _columns(pd.DataFrame(sensor_sums, columns=names), hours[at], settings)
    each.insert(0, "sensor", [sensor for _, sensor in sensor_rows])
    keys = windows.iloc[at].reset_index(drop=True)
    return Summaries(pd.concat([windows, whole], axis=1), pd.concat([keys, each], axis=1), at)


@dataclass(frozen=True, eq=False)
class Summaries:
    """Exposures per window.

    Parameters
    ----------
    chambers : DataFrame
        One row per window: the columns of the windows and `EXPOSURE_COLUMNS`.
    sensors : DataFrame
        The same for every sensor, with the column `sensor`.
    place : ndarray of int
        Row of `chambers` that each row of `sensors` belongs to.
    """

    chambers: pd.DataFrame
    sensors: pd.DataFrame
    place: Ints


def join_summaries(parts: Sequence[tuple[Ints, Summaries]]) -> Summaries:
    """Put exposures together that were summed chamber by chamber.

    Parameters
    ----------
    parts : sequence of (ndarray of int, Summaries)
        Positions of the windows in the whole table, and their exposures.

    Returns
    -------
    Summaries
        As `summarise` gives of the whole log.
    """
    at = np.concatenate([positions for positions, _ in parts])
    whole = pd.concat([one.chambers for _, one in parts], ignore_index=True)
    whole = whole.iloc[np.argsort(at, kind="stable")].reset_index(drop=True)
    tables = [one.sensors.assign(_at=positions[one.place]) for positions, one in parts]
    each = pd.concat([table for table in tables if len(table)] or tables[:1])
    each = each.sort_values("_at", kind="stable").reset_index(drop=True)
    place = each.pop("_at").to_numpy(dtype=np.int64)
    return Summaries(_cover(whole), _cover(each), place)


def _cover(table: pd.DataFrame) -> pd.DataFrame:
    """Take the coverage of humidity, or of temperature where no humidity is recorded at all."""
    humid = bool((table["rh_coverage_pct"] > 0).any())
    own = table["rh_coverage_pct" if humid else "temp_coverage_pct"]
    return table.assign(coverage_pct=own)


def _pool(parts: list[dict[str, float]], settings: ExposureSettings) -> dict[str, float]:
    """Average the sensors of a chamber, each by the time it covers.

    Time covered is that of the sensor that covers most, a lower bound of the time covered by
    any; sums are scaled to it.
    """
    if len(parts) <= 1:
        return parts[0] if parts else {}
    out: dict[str, float] = {}
    for measure in settings.measures():
        covered = [part.get(f"{measure.channel}|seconds", 0.0) for part in parts]
        total = sum(part.get(measure.name, 0.0) for part in parts)
        if measure.kind == "seconds":
            out[measure.name] = max(covered)
        else:
            out[measure.name] = total / sum(covered) * max(covered) if sum(covered) > 0 else 0.0
    return out


def _window_hours(windows: pd.DataFrame) -> Floats:
    start, stop = to_ns(windows["start"]), to_ns(windows["stop"])
    known = (windows["start"].notna() & windows["stop"].notna()).to_numpy(bool)
    hours = np.full(len(windows), np.nan)
    hours[known] = (stop[known] - start[known]) / 3.6e12
    hours[hours <= 0] = np.nan
    return hours


def _columns(sums: pd.DataFrame, hours: Floats, settings: ExposureSettings) -> pd.DataFrame:
    """Give the exposure columns from the sums of each row."""
    out: dict[str, Floats] = {}
    covered: dict[str, Floats] = {}
    for channel in CHANNELS:
        seconds = _sum(sums, f"{channel.name}|seconds")
        covered[channel.name] = np.where(seconds > 0, seconds, np.nan)
        share = np.nan_to_num(covered[channel.name]) / (hours * 3600) * 100
        out[channel.coverage] = np.minimum(share, 100.0)
    for exposure in CLIMATE:
        out[exposure.column] = _exposure(exposure, sums, covered, settings)
    humid = np.nan_to_num(covered["rh_pct"]).any()
    out["coverage_pct"] = out["rh_coverage_pct" if humid else "temp_coverage_pct"]
    out["window_h"] = hours
    return pd.DataFrame(out, columns=list(EXPOSURE_COLUMNS))


def _exposure(
    exposure: Exposure,
    sums: pd.DataFrame,
    covered: Mapping[str, Floats],
    settings: ExposureSettings,
) -> Floats:
    """Give one exposure of each row, from the first of its channels that has records."""
    value = np.full(len(sums), np.nan)
    for channel, low, high in exposure.counts(settings):
        own = _from_channel(exposure, sums, covered[channel], channel, (low, high))
        value = np.where(np.isnan(value), own, value)
    return value


def _from_channel(
    exposure: Exposure,
    sums: pd.DataFrame,
    covered: Floats,
    channel: str,
    limits: tuple[float | None, float | None],
) -> Floats:
    """Give an exposure counted in one channel; missing where that has no records or no limit."""
    if exposure.kind in ("mean", "photons"):
        whole = _sum(sums, f"{channel}|mean")
        made = whole / covered if exposure.kind == "mean" else whole * _FACTOR["photons"]
        return np.where(np.isnan(covered), np.nan, made)
    parts = [
        _sum(sums, m.name) * _FACTOR[m.kind] for m in measures_for(exposure.kind, channel, *limits)
    ]
    if not parts:
        return np.full(len(sums), np.nan)
    if exposure.kind == "between":
        return np.asarray(np.maximum(covered / 3600 - sum(parts), 0.0))
    return np.where(np.isnan(covered), np.nan, parts[0])


def _sum(sums: pd.DataFrame, name: str) -> Floats:
    if name not in sums.columns:
        return np.zeros(len(sums))
    return np.asarray(np.nan_to_num(sums[name].to_numpy(dtype=float)))
