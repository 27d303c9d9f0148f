"""From sums to the numbers people read: means, hours, doses, coverage, per window."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from trialkit.alignment.cells import Cells, to_ns
from trialkit.alignment.exposures import Key, Piece
from trialkit.alignment.measures import CHANNELS, Array, ExposureSettings

#: Channel → name of its coverage column.
COVERAGE = {
    "temp_c": "temp_coverage_pct",
    "rh_pct": "rh_coverage_pct",
    "vpd_kpa": "vpd_coverage_pct",
    "co2_ppm": "co2_coverage_pct",
    "light_lux": "light_coverage_pct",
    "ppfd_umol_m2_s": "ppfd_coverage_pct",
}

# column → (sum it is made of, factor)
_FROM_SUMS = {
    "hours_below_band": ("rh_pct|below", 1 / 3600),
    "hours_above_band": ("rh_pct|above", 1 / 3600),
    "point_hours_below_band": ("rh_pct|deficit", 1 / 3600),
    "point_hours_above_band": ("rh_pct|excess", 1 / 3600),
    "wet_hours": ("rh_pct|wet", 1 / 3600),
    "degree_hours": ("temp_c|excess", 1 / 3600),
    "co2_hours_over": ("co2_ppm|above", 1 / 3600),
    "lux_hours_lit": ("light_lux|above", 1 / 3600),
    "ppfd_hours_lit": ("ppfd_umol_m2_s|above", 1 / 3600),
    "photon_mol_m2": ("ppfd_umol_m2_s|mean", 1e-6),
}

#: Columns that every exposure table has, in order.
EXPOSURES = (
    "temp_c",
    "rh_pct",
    "vpd_kpa",
    "co2_ppm",
    "light_lux",
    "ppfd_umol_m2_s",
    "hours_below_band",
    "hours_above_band",
    "hours_in_band",
    "point_hours_below_band",
    "point_hours_above_band",
    "wet_hours",
    "degree_hours",
    "co2_hours_over",
    "light_hours",
    "photon_mol_m2",
    "coverage_pct",
    *COVERAGE.values(),
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
    return Summaries(pd.concat([windows, whole], axis=1), pd.concat([keys, each], axis=1))


@dataclass(frozen=True, eq=False)
class Summaries:
    """Exposures per window.

    Parameters
    ----------
    chambers : DataFrame
        One row per window: the columns of the windows and `EXPOSURES`.
    sensors : DataFrame
        The same for every sensor, with the column `sensor`.
    """

    chambers: pd.DataFrame
    sensors: pd.DataFrame


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


def _window_hours(windows: pd.DataFrame) -> Array:
    start, stop = to_ns(windows["start"]), to_ns(windows["stop"])
    known = (windows["start"].notna() & windows["stop"].notna()).to_numpy(bool)
    hours = np.full(len(windows), np.nan)
    hours[known] = (stop[known] - start[known]) / 3.6e12
    hours[hours <= 0] = np.nan
    return hours


def _columns(sums: pd.DataFrame, hours: Array, settings: ExposureSettings) -> pd.DataFrame:
    """Give the exposure columns from the sums of each row."""
    out: dict[str, Array] = {}
    covered: dict[str, Array] = {}
    for channel in CHANNELS:
        seconds = _sum(sums, f"{channel}|seconds")
        seconds = np.where(seconds > 0, seconds, np.nan)
        covered[channel] = seconds
        out[channel] = _sum(sums, f"{channel}|mean") / seconds
        share = np.nan_to_num(seconds) / (hours * 3600) * 100
        out[COVERAGE[channel]] = np.minimum(share, 100.0)
    for column, (name, factor) in _FROM_SUMS.items():
        channel = name.split("|")[0]
        value = _sum(sums, name) * factor if name in sums.columns else np.nan
        out[column] = np.where(np.isnan(covered[channel]), np.nan, value)
    below, above = out["hours_below_band"], out["hours_above_band"]
    limited = np.nan_to_num(below) + np.nan_to_num(above)
    in_band = np.maximum(covered["rh_pct"] / 3600 - limited, 0.0)
    neither = settings.band_low_rh is None and settings.band_high_rh is None
    out["hours_in_band"] = np.full(len(sums), np.nan) if neither else in_band
    lux, ppfd = out.pop("lux_hours_lit"), out.pop("ppfd_hours_lit")
    out["light_hours"] = np.where(np.isnan(lux), ppfd, lux)
    humid = np.nan_to_num(covered["rh_pct"]).any()
    out["coverage_pct"] = out[COVERAGE["rh_pct" if humid else "temp_c"]]
    out["window_h"] = hours
    return pd.DataFrame(out, columns=list(EXPOSURES))


def _sum(sums: pd.DataFrame, name: str) -> Array:
    if name not in sums.columns:
        return np.zeros(len(sums))
    return np.asarray(np.nan_to_num(sums[name].to_numpy(dtype=float)))


def settings_shown(settings: ExposureSettings) -> Mapping[str, str]:
    """Say the settings in words, for the methods part of a report."""
    band = (
        "no humidity band set"
        if settings.band_low_rh is None and settings.band_high_rh is None
        else f"humidity band {settings.band_low_rh:g} to {settings.band_high_rh:g} %"
        if settings.band_low_rh is not None and settings.band_high_rh is not None
        else "one-sided humidity band"
    )
    return {
        "gap": f"records more than {settings.max_gap_min:g} min apart are not joined",
        "line": "straight line between records; light holds until the next record",
        "band": band,
        "coverage": f"windows covered less than {settings.min_coverage_pct:g} % are marked",
    }
