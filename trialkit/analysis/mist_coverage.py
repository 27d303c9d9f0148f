"""What the mist log covers, and so what may be said of water, power and dose.

A log that stops early has counted only part of a run. Where it covers most of the run, what it
counted is taken as the same for the rest; where it covers less, nothing is known of that run.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from trialkit.alignment.mist import COVERAGE
from trialkit.columns.exposures import MIST

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.alignment.result import Aligned
    from trialkit.trial.sections import RigSection

#: Share of a window that the mist log has to cover, where the trial file does not say [%].
LEAST_PCT = 80.0
MIST_COLUMNS = tuple(entry.column for entry in MIST)


def least_coverage(data: Aligned) -> float:
    """Give the share of a window that a log has to cover [%]: the trial's setting, or 80."""
    return float(getattr(data.settings, "min_coverage_pct", LEAST_PCT))


def covered_runs(runs: pd.DataFrame, rig: RigSection, *, least_pct: float) -> pd.DataFrame:
    """Count the mist of whole windows from logs that cover most of them.

    Parameters
    ----------
    runs : DataFrame
        As `Aligned.runs`.
    rig : RigSection
        Its fan may run all the time, whatever the mist does.
    least_pct : float
        Coverage below which nothing is said [%].

    Returns
    -------
    DataFrame
        A copy. Where the log covers `least_pct` or more, mist, water and energy are those of
        the whole window, the part without a log taken as the rest; where it covers less they
        are missing. Without a column of coverage nothing is changed.

    Examples
    --------
    >>> import pandas as pd
    >>> from trialkit.trial.sections import RigSection
    >>> runs = pd.DataFrame({"water_l": [9.0, 9.0], "mist_coverage_pct": [90.0, 40.0]})
    >>> covered_runs(runs, RigSection(), least_pct=80)["water_l"].tolist()
    [10.0, nan]
    """
    out = runs.copy()
    if COVERAGE not in out:
        return out
    share = out[COVERAGE].astype(float) / 100
    enough = (100 * share >= least_pct).to_numpy()
    grown = (1 / share).where(enough)
    if "energy_kwh" in out:
        always = rig.fan_w if rig.fan == "always" and "window_h" in out else None
        fan = out["window_h"].astype(float) * always / 1000 if always else 0.0
        out["energy_kwh"] = fan + (out["energy_kwh"].astype(float) - fan) * grown
    for name in MIST_COLUMNS:
        if name in out and name != "energy_kwh":
            out[name] = out[name].astype(float) * grown
    return out
