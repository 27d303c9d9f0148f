"""The records of one chamber: set right, flagged, summed, and compared with its mist."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
import pandas as pd

from trialkit.alignment.frame import expose_frame
from trialkit.alignment.measures import ExposureSettings
from trialkit.alignment.open_checks import Open, tally_chamber
from trialkit.alignment.slow_readings import judge_readings
from trialkit.alignment.summaries import Summaries
from trialkit.logs.climate.outline import Outline
from trialkit.signals.calibration import Correction, correct_records
from trialkit.signals.mist_response import Followed, follow_chamber
from trialkit.signals.sensors import FoundFlags, SensorFlags, find_flags, leave_out
from trialkit.trial.sections import LeaveOut, RigSection, Trust

#: Stretches of a chamber's records of which a log too large for memory keeps three each.
STRETCHES = 20_000


@dataclass(frozen=True)
class Job:
    """What is needed to judge any chamber of a log; can be sent to another process.

    Parameters
    ----------
    outline : Outline
    corrections : tuple of Correction
    asked : tuple of Trust or LeaveOut
    zone : tzinfo
    runs : DataFrame
        Chamber runs (`named_runs`).
    spans : DataFrame or None
        Windows to sum over; None where nothing is summed.
    mist : DataFrame or None
    rig : RigSection
    settings : ExposureSettings
    thin : bool
        Whether only a few records are given back, enough to draw.
    """

    outline: Outline
    corrections: tuple[Correction, ...]
    asked: tuple[Trust | LeaveOut, ...]
    zone: dt.tzinfo
    runs: pd.DataFrame
    spans: pd.DataFrame | None
    mist: pd.DataFrame | None
    rig: RigSection
    settings: ExposureSettings
    thin: bool = False

    @property
    def mist_followed(self) -> bool:
        """Whether mist and vapour can be compared."""
        return self.mist is not None and {"temp_c", "rh_pct"} <= set(self.outline.columns)

    def __call__(self, chamber: str, climate: pd.DataFrame) -> Judged:
        """Judge the records of one chamber."""
        return judge_chamber(self, chamber, climate)


@dataclass(frozen=True)
class Judged:
    """What was found in one chamber.

    Parameters
    ----------
    climate : DataFrame
        Its records, calibrated, without readings that cannot be trusted; where the job says so
        only the lowest, middle and highest of many stretches.
    changed : bool
        Whether they differ from those that were given.
    counts : tuple of int
        Records that each correction holds for.
    flags : FoundFlags
    followed : Followed or None
    exposures : Summaries or None
    slow : DataFrame or None
        Columns of `judge_readings`, rows as the windows of the chamber.
    open : Open
    """

    climate: pd.DataFrame
    changed: bool
    counts: tuple[int, ...]
    flags: FoundFlags
    followed: Followed | None
    exposures: Summaries | None
    slow: pd.DataFrame | None
    open: Open


def judge_chamber(job: Job, chamber: str, climate: pd.DataFrame) -> Judged:
    """Judge the records of one chamber.

    Parameters
    ----------
    job : Job
    chamber : str
    climate : DataFrame
        Its records, in any order.

    Returns
    -------
    Judged
    """
    table, counts = correct_records(climate, job.corrections, job.outline.series)
    gap, shelves = job.settings.max_gap_min, job.outline.shelves
    found = find_flags(
        table,
        within=_of(job.runs, chamber),
        max_gap_min=gap,
        zone=job.zone,
        asked=job.asked,
        shelves=shelves,
    )
    flags = SensorFlags(found.table)
    clean = leave_out(table, flags)
    followed = None
    if job.mist_followed and job.mist is not None:
        # a wet sensor is no proof against the mist: a relay stuck on looks the same
        wet = bool((found.table["flag"] == "saturated").any())
        seen = leave_out(table, flags, keep=("saturated",)) if wet else clean
        followed = follow_chamber(seen, job.mist, _of(job.runs, chamber))
    exposures = slow = None
    spans = None if job.spans is None else _of(job.spans, chamber)
    if spans is not None and len(spans):
        exposures = expose_frame(clean, spans, settings=job.settings)
        runs = exposures.chambers.set_axis(spans.index)
        slow = judge_readings(clean, job.mist, runs, rig=job.rig, settings=job.settings)
    return Judged(
        climate=_thinned(clean) if job.thin else clean,
        changed=clean is not climate,
        counts=tuple(counts),
        flags=found,
        followed=followed,
        exposures=exposures,
        slow=slow,
        open=tally_chamber(climate, max_gap_min=gap, shelves=shelves),
    )


def _of(table: pd.DataFrame, chamber: str) -> pd.DataFrame:
    return table[(table["chamber"] == chamber).to_numpy(dtype=bool)]


def _thinned(climate: pd.DataFrame) -> pd.DataFrame:
    """Keep the lowest, middle and highest humidity of many stretches of each sensor's records."""
    if "rh_pct" not in climate or len(climate) <= 3 * STRETCHES:
        return climate
    named = [name for name in ("sensor", "time") if name in climate]
    known = climate[climate["rh_pct"].notna()].sort_values(named, kind="stable")
    each = -(-len(known) // STRETCHES)
    stretch = np.arange(len(known)) // each
    order = np.lexsort((known["rh_pct"].to_numpy(dtype=float), stretch))
    first = np.searchsorted(stretch, np.arange(stretch[-1] + 1)) if len(known) else order
    size = np.diff(np.append(first, len(known)))
    at = np.concatenate([first, first + size // 2, first + size - 1])
    return known.iloc[np.unique(order[at])]
